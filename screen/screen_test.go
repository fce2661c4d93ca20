package screen

import (
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func num(v float64) *float64 { return &v }

// well is a person with nothing against a test: inactive, no disease, everything asked.
func well() Answers {
	return Answers{Date: "2026-11-25", AgeYears: num(45), Consent: "yes", RegularExercise: "no", KnownDisease: []string{}, Symptoms: []string{},
		IntendedIntensity: "moderate", Contraindications: []string{}, RestSBPmmHg: num(128), RestDBPmmHg: num(78), RestHRBPM: num(68),
		IrregularPerMin: num(0), SpO2Percent: num(97), Drugs: []string{}, RhythmDevices: []string{},
		FoodAsTold: "yes", CaffeineAsTold: "yes", SmokingAsTold: "yes", ExerciseAsTold: "yes", DrugsAsUsual: "yes"}
}

func judge(t *testing.T, change func(a *Answers)) Result {
	t.Helper()
	a := well()
	change(&a)
	return Default().Judge(&a)
}

func has(r Result, id string) bool {
	return slices.ContainsFunc(r.Reasons, func(reason Reason) bool { return reason.ID == id })
}

func reasonOf(t *testing.T, r Result, id string) Reason {
	t.Helper()
	i := slices.IndexFunc(r.Reasons, func(reason Reason) bool { return reason.ID == id })
	if i < 0 {
		t.Fatalf("no reason %s in %v", id, ids(r))
	}
	return r.Reasons[i]
}

func ids(r Result) (list []string) {
	for _, reason := range r.Reasons {
		list = append(list, reason.ID)
	}
	return list
}

func TestWellMayGo(t *testing.T) {
	r := judge(t, func(*Answers) {})
	if r.Outcome != Go || r.Overridable || !r.HeartRate.Leads || r.HeartRate.Estimate != "as usual" {
		t.Errorf("got %s, overridable %v, heart rate %+v, reasons %v", r.Outcome, r.Overridable, r.HeartRate, ids(r))
	}
}

// TestEveryCombinationHasOneRow: each combination of the screening table's inputs meets exactly one of its rows, and
// exactly one rule of the group speaks.
func TestEveryCombinationHasOneRow(t *testing.T) {
	combinations := 0
	for _, active := range []string{"yes", "no"} {
		for _, symptoms := range [][]string{{}, {"ankle_swelling"}} {
			for _, disease := range [][]string{{}, {"lung", "high_blood_pressure", "high_cholesterol", "other"}, {"heart"}, {"kidney", "lung"}, {"diabetes_type_2"}} {
				for _, intensity := range []string{"light", "moderate", "vigorous"} {
					for _, clearance := range [][]Clear{nil, {{By: "D", Role: "physician", Date: "2026-01-02", For: []string{"vigorous"}, SymptomsUnchanged: "yes"}}} {
						a := well()
						a.RegularExercise, a.Symptoms, a.KnownDisease, a.IntendedIntensity, a.Clearances = active, symptoms, disease, intensity, clearance
						j := judgement{site: Default(), a: &a, values: valuesOf(shipped(), &a)}
						j.visit, j.dated = dayOf(a.Date)
						if rows := j.branches(); len(rows) != 1 {
							t.Errorf("%v %v %v %v: %d rows", active, symptoms, disease, intensity, len(rows))
						}
						r := Default().Judge(&a)
						spoke := 0
						for _, reason := range r.Reasons {
							if reason.Group == "screening" {
								spoke++
							}
						}
						if spoke != 1 || r.Branch == "" || !r.Outcome.known() {
							t.Errorf("%v %v %v %v: branch %q, outcome %q, reasons %v", active, symptoms, disease, intensity, r.Branch, r.Outcome, ids(r))
						}
						combinations++
					}
				}
			}
		}
	}
	if combinations != 2*2*5*3*2 {
		t.Errorf("%d combinations", combinations)
	}
}

// TestMissingScreeningAnswers: with any of the four inputs not answered the outcome is at least pause and ask.
func TestMissingScreeningAnswers(t *testing.T) {
	drop := []func(a *Answers){
		func(a *Answers) { a.RegularExercise = "" }, func(a *Answers) { a.Symptoms = nil },
		func(a *Answers) { a.KnownDisease = nil }, func(a *Answers) { a.IntendedIntensity = "" }}
	for mask := 1; mask < 16; mask++ {
		for _, symptoms := range [][]string{{}, {"chest_pain"}} {
			r := judge(t, func(a *Answers) {
				a.Symptoms = symptoms
				for i, d := range drop {
					if mask>>i&1 == 1 {
						d(a)
					}
				}
			})
			if !r.Outcome.Blocks() || r.Overridable {
				t.Errorf("mask %b: %s, overridable %v", mask, r.Outcome, r.Overridable)
			}
		}
	}
}

// TestRestingLimits tries every limit at, below and above its value. The values are those of the sources beside them.
func TestRestingLimits(t *testing.T) {
	sbp := func(v float64) func(*Answers) { return func(a *Answers) { a.RestSBPmmHg = &v } }
	dbp := func(v float64) func(*Answers) { return func(a *Answers) { a.RestDBPmmHg = &v } }
	pulse := func(v float64) func(*Answers) { return func(a *Answers) { a.RestHRBPM = &v } }
	irregular := func(v float64) func(*Answers) { return func(a *Answers) { a.IrregularPerMin = &v } }
	spo2 := func(v float64) func(*Answers) { return func(a *Answers) { a.SpO2Percent = &v } }
	both := func(f ...func(*Answers)) func(*Answers) {
		return func(a *Answers) {
			for _, one := range f {
				one(a)
			}
		}
	}
	// An exerciser with heart disease and moderate intent is in branch B2, which asks for no clearance.
	heart := func(a *Answers) { a.RegularExercise, a.KnownDisease = "yes", []string{"heart"} }
	diabetes := func(kind string) func(*Answers) {
		return func(a *Answers) { a.RegularExercise, a.KnownDisease = "yes", []string{kind} }
	}
	glucose := func(mg float64, ketones string) func(*Answers) {
		return func(a *Answers) { a.GlucoseMgDL, a.Ketones = &mg, ketones }
	}
	mmol := func(v float64) func(*Answers) { return func(a *Answers) { a.GlucoseMmolL = &v } }
	cases := []struct {
		name   string
		change func(*Answers)
		want   Outcome
	}{
		// a national survey's submaximal treadmill test: excluded above 180, 100, 100 and more than 3 irregular beats
		{"systolic 180", sbp(180), Go}, {"systolic 180.5", sbp(180.5), PauseAndAsk}, {"systolic 181", sbp(181), PauseAndAsk},
		{"diastolic 100", dbp(100), Go}, {"diastolic 101", dbp(101), PauseAndAsk},
		{"pulse 100", pulse(100), Go}, {"pulse 101", pulse(101), PauseAndAsk},
		{"3 irregular beats", irregular(3), Go}, {"4 irregular beats", irregular(4), PauseAndAsk},
		// American heart and sports-medicine lists: relative above 200 and 110
		{"systolic 200", sbp(200), PauseAndAsk}, {"systolic 201", sbp(201), DoNotTest},
		{"diastolic 110", dbp(110), PauseAndAsk}, {"diastolic 111", dbp(111), DoNotTest}, {"diastolic 121", dbp(121), DoNotTest},
		// with heart disease never milder than without
		{"heart disease, diastolic 100", both(heart, dbp(100)), Go}, {"heart disease, diastolic 101", both(heart, dbp(101)), PauseAndAsk},
		{"heart disease, diastolic 110", both(heart, dbp(110)), PauseAndAsk}, {"heart disease, diastolic 111", both(heart, dbp(111)), DoNotTest},
		// walking statement of 2002: heart rate above 120
		{"pulse 120", pulse(120), PauseAndAsk}, {"pulse 121", pulse(121), DoNotTest},
		// a community programme starts at 50 or more; the trained are our exception
		{"pulse 50", pulse(50), Go}, {"pulse 49, inactive", pulse(49), PauseAndAsk},
		{"pulse 49, active", both(pulse(49), func(a *Answers) { a.RegularExercise = "yes" }), GoWithCautions},
		// our own
		{"systolic 90", sbp(90), Go}, {"systolic 89", sbp(89), PauseAndAsk},
		// community programme: 91 or more; chest and walking standards: 85 or less absolute
		{"saturation 91", spo2(91), Go}, {"saturation 90", spo2(90), PauseAndAsk}, {"saturation 86", spo2(86), PauseAndAsk},
		{"saturation 85", spo2(85), DoNotTest}, {"saturation 84", spo2(84), DoNotTest},
		{"on oxygen", func(a *Answers) { a.OnOxygen = "yes" }, GoWithCautions},
		// rehabilitation in heart disease: a fall above 20 with symptoms
		{"fall of 20 on standing", func(a *Answers) { a.StandingSBPDropmmHg, a.StandingSymptoms = num(20), "yes" }, Go},
		{"fall of 21 on standing, no symptoms", func(a *Answers) { a.StandingSBPDropmmHg, a.StandingSymptoms = num(21), "no" }, GoWithCautions},
		{"fall of 21 on standing, not asked", func(a *Answers) { a.StandingSBPDropmmHg = num(21) }, PauseAndAsk},
		{"fall of 21 on standing, symptoms", func(a *Answers) { a.StandingSBPDropmmHg, a.StandingSymptoms = num(21), "yes" }, DoNotTest},
		{"38.0 degrees", func(a *Answers) { a.TemperatureC = num(38) }, Go}, {"38.1 degrees", func(a *Answers) { a.TemperatureC = num(38.1) }, DoNotTest},
		// heart attack: 3 to 5 days absolute (chest list), 7 to 10 days with a physician present, one month (walk)
		{"heart attack 5 days ago", func(a *Answers) { a.DaysSinceHeartAttack = num(5) }, DoNotTest},
		{"heart attack 30 days ago", func(a *Answers) { a.DaysSinceHeartAttack = num(30) }, DoNotTest},
		{"heart attack 31 days ago", func(a *Answers) { a.DaysSinceHeartAttack = num(31) }, Go},
		// glucose: one-page table (100; 250 with ketones), position statement of 2016 (250 to 350, above), 2019 (2.9, 3.9)
		{"type 2, 100 mg/dL", both(diabetes("diabetes_type_2"), glucose(100, "")), Go},
		{"type 2, 99 mg/dL", both(diabetes("diabetes_type_2"), glucose(99, "")), PauseAndAsk},
		{"type 1, 100 mg/dL", both(diabetes("diabetes_type_1"), glucose(100, "")), Go},
		{"type 1, 99 mg/dL", both(diabetes("diabetes_type_1"), glucose(99, "")), PauseAndAsk},
		{"no diabetes, 95 mg/dL", glucose(95, ""), Go},
		{"4.0 mmol/L", mmol(4), Go}, {"3.9 mmol/L", mmol(3.9), PauseAndAsk}, {"2.9 mmol/L", mmol(2.9), PauseAndAsk}, {"2.8 mmol/L", mmol(2.8), DoNotTest},
		{"250 mg/dL", glucose(250, ""), Go}, {"251 mg/dL, ketones not tested", glucose(251, ""), PauseAndAsk},
		{"251 mg/dL, no ketones", glucose(251, "none"), GoWithCautions}, {"251 mg/dL, small ketones", glucose(251, "small"), DoNotTest},
		{"349 mg/dL, no ketones", glucose(349, "none"), GoWithCautions}, {"350 mg/dL, no ketones", glucose(350, "none"), PauseAndAsk},
		{"severe low glucose", func(a *Answers) { a.SevereLowGlucose24h = "yes" }, DoNotTest},
		// pocket guide: INR 3, haemoglobin 8 and 10, platelets 20,000 and 5,000; teaching page: INR 5
		{"INR 3", func(a *Answers) { a.INR = num(3) }, Go}, {"INR 3.1", func(a *Answers) { a.INR = num(3.1) }, PauseAndAsk},
		{"INR 5", func(a *Answers) { a.INR = num(5) }, PauseAndAsk}, {"INR 5.1", func(a *Answers) { a.INR = num(5.1) }, DoNotTest},
		{"haemoglobin 10.1", func(a *Answers) { a.HaemoglobinGDL = num(10.1) }, Go}, {"haemoglobin 10", func(a *Answers) { a.HaemoglobinGDL = num(10) }, GoWithCautions},
		{"haemoglobin 8", func(a *Answers) { a.HaemoglobinGDL = num(8) }, GoWithCautions}, {"haemoglobin 7.9", func(a *Answers) { a.HaemoglobinGDL = num(7.9) }, DoNotTest},
		{"platelets 20000", func(a *Answers) { a.PlateletsPerMm3 = num(20000) }, Go}, {"platelets 19999", func(a *Answers) { a.PlateletsPerMm3 = num(19999) }, DoNotTest},
		{"platelets 4999", func(a *Answers) { a.PlateletsPerMm3 = num(4999) }, DoNotTest},
		{"17 years", func(a *Answers) { a.AgeYears = num(17) }, PauseAndAsk}, {"18 years", func(a *Answers) { a.AgeYears = num(18) }, Go},
	}
	for _, c := range cases {
		if r := judge(t, c.change); r.Outcome != c.want {
			t.Errorf("%s: %s, want %s (%v)", c.name, r.Outcome, c.want, ids(r))
		}
	}
}

func TestConsentIsNeverOverridden(t *testing.T) {
	r := judge(t, func(a *Answers) {
		a.Consent = "no"
		a.Clearances = []Clear{{By: "D", Role: "physician", Date: "2026-11-20", For: []string{"test", "consent.refused"}}}
		a.Overrides = []Override{{"consent.refused", "wants to", "T"}}
	})
	if r.Outcome != DoNotTest || r.Overridable || len(r.NotTaken) == 0 {
		t.Errorf("%s, overridable %v, not taken %v", r.Outcome, r.Overridable, r.NotTaken)
	}
}

// TestAbsoluteStops: for every absolute stop a reason and a name change nothing; a provider's clearance neither; with
// a physician's clearance that names it the outcome may be overridden, and only then a reason and name count.
func TestAbsoluteStops(t *testing.T) {
	tried := 0
	for _, c := range Shipped().Contraindications {
		if c.Class != "absolute" {
			continue
		}
		tried++
		id := "contra." + c.Word
		override := []Override{{id, "benefit outweighs risk", "T"}}
		clear := Clear{By: "D", Role: "physician", Date: "2026-11-24", For: []string{id}}
		other := clear
		other.Role = "other_provider"
		general := clear
		general.For = []string{"test", "vigorous"}
		future := clear
		future.Date = "2026-11-26"
		for name, refused := range map[string]Answers{"override alone": {Overrides: override}, "other provider": {Overrides: override, Clearances: []Clear{other}},
			"general clearance": {Overrides: override, Clearances: []Clear{general}}, "later date": {Overrides: override, Clearances: []Clear{future}}} {
			r := judge(t, func(a *Answers) {
				a.Contraindications, a.Overrides, a.Clearances = []string{c.Word}, refused.Overrides, refused.Clearances
			})
			if r.Outcome != DoNotTest || r.Overridable || len(r.NotTaken) == 0 {
				t.Errorf("%s, %s: %s, overridable %v", id, name, r.Outcome, r.Overridable)
			}
		}
		r := judge(t, func(a *Answers) { a.Contraindications, a.Clearances = []string{c.Word}, []Clear{clear} })
		if r.Outcome != DoNotTest || !r.Overridable {
			t.Errorf("%s with clearance: %s, overridable %v", id, r.Outcome, r.Overridable)
		}
		r = judge(t, func(a *Answers) {
			a.Contraindications, a.Clearances, a.Overrides = []string{c.Word}, []Clear{clear}, override
		})
		if r.Outcome != GoWithCautions || reasonOf(t, r, id).Was != DoNotTest {
			t.Errorf("%s with clearance and reason: %s", id, r.Outcome)
		}
	}
	if tried != 17 {
		t.Errorf("%d absolute stops, the list has 17", tried)
	}
}

func TestClearance(t *testing.T) {
	cases := []struct {
		name   string
		change func(a *Answers)
		want   Outcome
	}{
		{"A2 without", func(a *Answers) { a.KnownDisease = []string{"heart"} }, PauseAndAsk},
		{"A2 with", func(a *Answers) {
			a.KnownDisease = []string{"heart"}
			a.Clearances = []Clear{{By: "N", Role: "other_provider", Date: "2020-01-01", For: []string{"light_moderate"}}}
		}, GoWithCautions},
		{"A2, vigorous meant, cleared for moderate", func(a *Answers) {
			a.KnownDisease, a.IntendedIntensity = []string{"heart"}, "vigorous"
			a.Clearances = []Clear{{By: "N", Role: "other_provider", Date: "2026-11-01", For: []string{"light_moderate"}}}
		}, PauseAndAsk},
		{"A3 with, symptoms not mentioned", func(a *Answers) {
			a.Symptoms = []string{"chest_pain"}
			a.Clearances = []Clear{{By: "N", Role: "physician", Date: "2026-11-01", For: []string{"test"}}}
		}, PauseAndAsk},
		{"A3 with, symptoms known", func(a *Answers) {
			a.Symptoms = []string{"chest_pain"}
			a.Clearances = []Clear{{By: "N", Role: "physician", Date: "2026-11-01", For: []string{"test"}, SymptomsUnchanged: "yes"}}
		}, GoWithCautions},
		{"A2 overridden", func(a *Answers) {
			a.KnownDisease, a.Overrides = []string{"heart"}, []Override{{"screening.A2", "cleared by telephone, letter follows", "T"}}
		}, GoWithCautions},
		{"A3 overridden", func(a *Answers) {
			a.Symptoms, a.Overrides = []string{"chest_pain"}, []Override{{"screening.A3", "looks well", "T"}}
		}, PauseAndAsk},
	}
	for _, c := range cases {
		if r := judge(t, c.change); r.Outcome != c.want {
			t.Errorf("%s: %s, want %s (%v)", c.name, r.Outcome, c.want, ids(r))
		}
	}
}

// TestTwelveMonths: the clause exists in B2 vigorous only, and ends on the same day of the year.
func TestTwelveMonths(t *testing.T) {
	b2 := func(date, unchanged string) Result {
		return judge(t, func(a *Answers) {
			a.RegularExercise, a.KnownDisease, a.IntendedIntensity = "yes", []string{"heart"}, "vigorous"
			a.Clearances = []Clear{{By: "D", Role: "physician", Date: date, For: []string{"vigorous"}, SymptomsUnchanged: unchanged}}
		})
	}
	for _, c := range []struct {
		date, unchanged string
		want            Outcome
	}{{"2025-11-25", "yes", Go}, {"2025-11-24", "yes", PauseAndAsk}, {"2026-11-25", "yes", Go}, {"2026-11-25", "no", PauseAndAsk}, {"2026-11-25", "", PauseAndAsk}} {
		if r := b2(c.date, c.unchanged); r.Outcome != c.want {
			t.Errorf("%+v: %s (%v)", c, r.Outcome, ids(r))
		}
	}
	r := judge(t, func(a *Answers) {
		a.KnownDisease, a.IntendedIntensity = []string{"heart"}, "vigorous"
		a.Clearances = []Clear{{By: "D", Role: "physician", Date: "2024-01-01", For: []string{"vigorous"}}}
	})
	if r.Outcome != GoWithCautions {
		t.Errorf("A2 with an older clearance: %s", r.Outcome)
	}
}

func TestHeartRateIsJudged(t *testing.T) {
	cases := []struct {
		drugs, rhythm []string
		leads         bool
		estimate      string
	}{
		{[]string{}, []string{}, true, "as usual"},
		{[]string{"beta_blocker"}, []string{}, false, "blocked unless adjusted"},
		{[]string{"non_dhp_calcium_blocker"}, []string{}, false, "blocked unless adjusted"},
		{[]string{"ivabradine"}, []string{}, false, "blocked unless adjusted"},
		{[]string{"amiodarone_or_sotalol"}, []string{}, false, "blocked unless adjusted"},
		{[]string{"bronchodilator"}, []string{}, true, "doubtful"},
		{[]string{"statin", "ssri", "ace_arb_arni"}, []string{}, true, "as usual"},
		{[]string{}, []string{"atrial_fibrillation"}, false, "doubtful"},
		{[]string{}, []string{"pacemaker_fixed_rate"}, false, "blocked"},
		{[]string{}, []string{"heart_transplant"}, false, "blocked"},
		{[]string{}, []string{"sci_t6_or_above"}, false, "blocked"},
		{[]string{"beta_blocker"}, []string{"pacemaker_fixed_rate"}, false, "blocked"},
		{nil, []string{}, false, "blocked unless adjusted"},
	}
	for _, c := range cases {
		r := judge(t, func(a *Answers) { a.Drugs, a.RhythmDevices = c.drugs, c.rhythm })
		if r.HeartRate.Leads != c.leads || r.HeartRate.Estimate != c.estimate {
			t.Errorf("%v %v: %+v", c.drugs, c.rhythm, r.HeartRate)
		}
	}
}

// TestCarry: what was decided about one number does not hold for another.
func TestCarry(t *testing.T) {
	a := well()
	a.RestSBPmmHg, a.RestHRBPM = num(185), num(104)
	a.Overrides = []Override{{"rest.sbp.ask", "r", "n"}, {"rest.hr.ask", "r", "n"}}
	before := Default().Judge(&a)
	now := a
	now.RestSBPmmHg = num(195)
	if kept := Default().Carry(before, a.Overrides, now); len(kept) != 1 || kept[0].Rule != "rest.hr.ask" {
		t.Errorf("kept %+v", kept)
	}
	now.RestHRBPM = num(90)
	if kept := Default().Carry(before, a.Overrides, now); len(kept) != 0 {
		t.Errorf("kept %+v", kept)
	}
}

func TestDevicesAskTheirRates(t *testing.T) {
	r := judge(t, func(a *Answers) { a.RhythmDevices = []string{"icd"} })
	if r.Outcome != PauseAndAsk || r.Overridable {
		t.Errorf("defibrillator without its rate: %s, overridable %v", r.Outcome, r.Overridable)
	}
	r = judge(t, func(a *Answers) { a.RhythmDevices, a.ICDDetectionBPM = []string{"icd"}, num(180) })
	if r.Outcome != GoWithCautions {
		t.Errorf("defibrillator with its rate: %s %v", r.Outcome, ids(r))
	}
}

func TestFaultyAnswersNeverPass(t *testing.T) {
	r := judge(t, func(a *Answers) { a.RestSBPmmHg, a.RestDBPmmHg = num(80), num(120) })
	if !r.Outcome.Blocks() {
		t.Errorf("swapped pressures: %s", r.Outcome)
	}
	r = judge(t, func(a *Answers) { a.Contraindications = []string{"unstable_agnina"} })
	if r.Outcome != PauseAndAsk || r.Overridable {
		t.Errorf("misspelt contraindication: %s", r.Outcome)
	}
}

// drawAnswers draws any state of the answers, unanswered ones among them.
func drawAnswers(t *rapid.T) Answers {
	a := well()
	v := reflect.ValueOf(&a).Elem()
	for i := range v.NumField() {
		name, _, _ := strings.Cut(v.Type().Field(i).Tag.Get("json"), ",")
		f, _ := shipped().field(name)
		if name == "date" || name == "glucose_mmol_l" || f.Type == "group" || f.Type == "groups" || rapid.IntRange(0, 9).Draw(t, name+" kept") > 3 {
			continue
		}
		drawField(t, f, v.Field(i))
	}
	if a.RestSBPmmHg != nil && a.RestDBPmmHg != nil && *a.RestSBPmmHg <= *a.RestDBPmmHg {
		a.RestDBPmmHg = num(*a.RestSBPmmHg - 1)
	}
	return a
}

func drawField(t *rapid.T, f *Field, to reflect.Value) {
	if rapid.IntRange(0, 3).Draw(t, f.Name+" missing") == 0 {
		to.SetZero()
		return
	}
	switch to.Interface().(type) {
	case string:
		words := []string{"yes", "no"}
		if len(f.Words) > 0 {
			words = words[:0]
			for _, w := range f.Words {
				words = append(words, w.Word)
			}
		}
		to.SetString(rapid.SampledFrom(words).Draw(t, f.Name))
	case *float64:
		to.Set(reflect.ValueOf(num(drawNumber(t, f, f.Low, f.High))))
	case []string:
		list := []string{}
		for _, w := range rapid.SliceOfNDistinct(rapid.IntRange(0, len(f.Words)-1), 0, 3, rapid.ID[int]).Draw(t, f.Name) {
			list = append(list, f.Words[w].Word)
		}
		to.Set(reflect.ValueOf(list))
	}
}

// drawNumber prefers the neighbourhood of the limits of the rules.
func drawNumber(t *rapid.T, f *Field, low, high float64) float64 {
	near := []float64{low, high}
	for _, r := range shipped().Rules {
		for _, c := range r.When {
			for _, limit := range []*float64{c.Above, c.AtLeast, c.Below, c.AtMost} {
				if c.Field == f.Name && limit != nil {
					for _, step := range []float64{-1, 0, 1} {
						if x := *limit + step; x >= low && x <= high {
							near = append(near, x)
						}
					}
				}
			}
		}
	}
	if rapid.Bool().Draw(t, f.Name+" near a limit") {
		return rapid.SampledFrom(near).Draw(t, f.Name)
	}
	return min(max(float64(rapid.IntRange(int(low), max(int(low), int(high))).Draw(t, f.Name)), low), high)
}

// worsen makes one ordered answer worse, and says which; "" when none can be worse.
func worsen(t *rapid.T, a *Answers) string {
	v := reflect.ValueOf(a).Elem()
	i := rapid.IntRange(0, v.NumField()-1).Draw(t, "field to worsen")
	name, _, _ := strings.Cut(v.Type().Field(i).Tag.Get("json"), ",")
	f, _ := shipped().field(name)
	field := v.Field(i)
	switch f.Worse.Kind {
	case "words":
		at := slices.Index(f.Worse.Words, field.String())
		if at < 0 || at == len(f.Worse.Words)-1 {
			return ""
		}
		field.SetString(rapid.SampledFrom(f.Worse.Words[at+1:]).Draw(t, "worse "+name))
	case "more":
		if field.IsNil() {
			return ""
		}
		list := field.Interface().([]string)
		word := rapid.SampledFrom(f.Words).Draw(t, "worse "+name).Word
		if slices.Contains(list, word) {
			return ""
		}
		field.Set(reflect.ValueOf(append(slices.Clone(list), word)))
	case "up", "down", "away":
		if field.IsNil() {
			return ""
		}
		now, low, high := field.Elem().Float(), f.Low, f.High
		kind := f.Worse.Kind
		if kind == "away" {
			kind = "up"
			if now < f.Worse.From || now <= f.Worse.To && rapid.Bool().Draw(t, "downwards") {
				kind = "down"
			}
			// from a good value any value beyond the good ones is worse
			if was := field.Elem().Float(); was < f.Worse.From || was > f.Worse.To {
				now = was
			} else if kind == "up" {
				now = f.Worse.To
			} else {
				now = f.Worse.From
			}
		}
		if kind == "up" {
			low = now
		} else {
			high = now
		}
		worse := drawNumber(t, f, low, high)
		if worse == now {
			return ""
		}
		field.Set(reflect.ValueOf(num(worse)))
	default:
		return ""
	}
	return name
}

// TestWorseIsNeverMilder: making any answer worse, in the order that the table of fields gives, never makes the
// outcome milder; what was cleared and overridden before stays as it was.
func TestWorseIsNeverMilder(t *testing.T) {
	changed := 0
	rapid.Check(t, func(t *rapid.T) {
		a := drawAnswers(t)
		before := Default().Judge(&a)
		for _, reason := range before.Blocking() {
			if rapid.Bool().Draw(t, reason.ID+" overridden") {
				a.Overrides = append(a.Overrides, Override{reason.ID, "r", "n"})
			}
			if rapid.Bool().Draw(t, reason.ID+" cleared") {
				a.Clearances = append(a.Clearances, Clear{By: "D", Role: "physician", Date: a.Date, For: []string{reason.ID}, SymptomsUnchanged: "yes"})
			}
		}
		if rapid.Bool().Draw(t, "cleared for this test") {
			a.Clearances = append(a.Clearances, Clear{By: "D", Role: "other_provider", Date: a.Date, For: []string{"test"}, SymptomsUnchanged: "yes"})
		}
		before = Default().Judge(&a)
		worse := a
		name := worsen(t, &worse)
		if name == "" {
			return
		}
		if len(Problems(&worse)) > 0 {
			return // diastolic passed systolic: a wrong entry, not a worse one
		}
		after := Default().Judge(&worse)
		if after.Outcome.Rank() < before.Outcome.Rank() {
			t.Fatalf("%s worse: %s became %s\nbefore %v\nafter %v", name, before.Outcome, after.Outcome, ids(before), ids(after))
		}
		if after.Outcome == before.Outcome && after.Overridable && !before.Overridable {
			t.Fatalf("%s worse: may now be overridden\nbefore %v\nafter %v", name, ids(before), ids(after))
		}
		changed++
	})
	if changed == 0 {
		t.Error("no answer was made worse")
	}
}

// TestNotAnsweredIsNeverMilder: leaving out an answer that is needed gives at least pause and ask, and leaving out
// any answer never gives a milder outcome than its best answer would.
func TestNotAnsweredIsNeverMilder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := drawAnswers(t)
		v := reflect.ValueOf(&a).Elem()
		i := rapid.IntRange(0, v.NumField()-1).Draw(t, "field")
		name, _, _ := strings.Cut(v.Type().Field(i).Tag.Get("json"), ",")
		f, _ := shipped().field(name)
		if f.Worse.Kind == "" || name == "standing_symptoms" || name == "ketones" {
			return // asked only after a finding; their own tests above
		}
		v.Field(i).SetZero()
		without := Default().Judge(&a)
		if f.Needed.Always && !without.Outcome.Blocks() {
			t.Fatalf("%s not answered: %s", name, without.Outcome)
		}
		best(f, v.Field(i))
		if len(Problems(&a)) > 0 {
			return
		}
		if with := Default().Judge(&a); without.Outcome.Rank() < with.Outcome.Rank() {
			t.Fatalf("%s not answered: %s, answered at best: %s %v", name, without.Outcome, with.Outcome, ids(with))
		}
	})
}

func best(f *Field, to reflect.Value) {
	switch f.Worse.Kind {
	case "words":
		to.SetString(f.Worse.Words[0])
	case "more":
		to.Set(reflect.ValueOf([]string{}))
	case "up":
		to.Set(reflect.ValueOf(num(f.Low)))
	case "down":
		to.Set(reflect.ValueOf(num(f.High)))
	case "away":
		to.Set(reflect.ValueOf(num((f.Worse.From + f.Worse.To) / 2)))
	}
}

// TestOrderIsOfWholeTable: every field that a rule asks has an order, or is named here with the cause.
func TestOrderIsOfWholeTable(t *testing.T) {
	without := map[string]string{"date": "no answer about the person", "icd_detection_bpm": "a setting, not a state", "upper_pacing_rate_bpm": "a setting",
		"days_since_stroke": "recorded only", "glucose_mmol_l": "the order is that of glucose_mg_dl", "questionnaire": "a group; its outcome has one",
		"clearances": "a record", "overrides": "a record"}
	for _, f := range Shipped().Fields {
		if _, listed := without[f.Name]; (f.Worse.Kind == "") != listed {
			t.Errorf("%s: order %q, listed %v", f.Name, f.Worse.Kind, listed)
		}
	}
}

func TestAnswersSurviveJSON(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := drawAnswers(t)
		text, err := json.Marshal(a)
		if err != nil {
			t.Fatal(err)
		}
		back, errs := Read("a.json", text)
		if len(errs) > 0 {
			t.Fatalf("%v\n%s", errs, text)
		}
		if !reflect.DeepEqual(*back, a) {
			t.Fatalf("%s\n%+v\n%+v", text, a, *back)
		}
	})
}

func ExampleSite_Judge() {
	a, errs := Read("visit.json", []byte(`{"consent": "yes", "regular_exercise": "no", "known_disease": ["heart"], "symptoms": [],
	  "intended_intensity": "moderate", "contraindications": [], "rest_sbp_mmhg": 128, "rest_dbp_mmhg": 78, "rest_hr_bpm": 68,
	  "irregular_beats_per_min": 0, "spo2_percent": 97, "drugs": ["statin"], "rhythm_devices": [], "drugs_as_usual": "yes"}`))
	if errs != nil {
		fmt.Println(errs)
		return
	}
	r := Default().Judge(a)
	fmt.Println(r.Outcome, "| may be overridden:", r.Overridable)
	fmt.Println(r.Blocking()[0].ID, "|", r.Blocking()[0].Needed)
	// Output:
	// pause and ask | may be overridden: true
	// screening.A2 | Clearance: who, when, for what
}
