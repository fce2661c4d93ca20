package library

import (
	"bytes"
	_ "embed"
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"gradus/estimate"
	"gradus/physiology"
)

//go:embed testdata/worked-examples.csv
var examples string

// given turns name=value pairs into the values of an estimator.
func given(t testing.TB, e *estimate.Estimator, pairs string) []float64 {
	t.Helper()
	values := make([]float64, len(e.Inputs))
	for _, pair := range strings.Fields(pairs) {
		name, text, _ := strings.Cut(pair, "=")
		i, other, known := e.Named(name)
		if !known {
			t.Fatalf("%s has no input %s", e.ID, name)
		}
		var err error
		if other != nil {
			values[i], err = e.ParseOther(i, other, text)
		} else {
			values[i], err = e.Parse(i, text)
		}
		if err != nil {
			t.Fatalf("%s: %v", e.ID, err)
		}
	}
	return values
}

// Published examples (with where they are printed) and constructed ones, computed by hand from the equations.
func TestWorkedExamples(t *testing.T) {
	all, err := csv.NewReader(strings.NewReader(examples)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range all[1:] {
		e, err := ByID(r[1])
		if err != nil {
			t.Errorf("%s: %s: %v", r[0], r[1], err)
			continue
		}
		want, errW := strconv.ParseFloat(r[3], 64)
		within, errT := strconv.ParseFloat(r[4], 64)
		if errW != nil || errT != nil {
			t.Fatalf("%s: %v, %v", r[0], errW, errT)
		}
		got, err := e.Estimate(given(t, e, r[2]), estimate.Context{Drug: "no"})
		if err != nil || !(math.Abs(float64(got.Value)-want) <= within) {
			t.Errorf("%s: %s %s = %v (%v), want %v (%s)", r[0], r[1], r[2], got.Value, err, want, r[5])
		}
	}
}

// demands says which way an answer must go when an input rises: more work, speed, distance or fitness is more uptake;
// a higher heart rate for the same work, age, mass, fatness and a longer time for a fixed way are less.
func demands(e *estimate.Estimator, in *estimate.Input) int {
	switch {
	case e.Outcome.Unit == "/min":
		return map[string]int{"age_years": -1, "rest_hr_bpm": 1, "max_hr_leg_bpm": 1}[in.ID]
	case e.Outcome.Unit == "m" && strings.HasPrefix(e.Outcome.What, "reference"):
		// The curved equations of 2022 and the Brazilian one of 2014 turn within the domain, as published.
		if e.ID == "italy-2022" || e.ID == "brazil-2014a" && in.ID == "age_years" {
			return 0
		}
		return map[string]int{"age_years": -1, "height_cm": 1, "height_m": 1, "mass_kg": -1, "bmi": -1, "hr_rise_bpm": 1}[in.ID]
	}
	if in.Role == "time" {
		if strings.HasPrefix(e.ID, "bruce") || strings.HasPrefix(e.ID, "balke") {
			return 1
		}
		return -1
	}
	switch e.ID + " " + in.ID {
	case "armcrank-ccw-1995 mass_kg", "siconolfi-step-s1 mass_kg", "siconolfi-step-s2 mass_kg", "siconolfi-step-s3 mass_kg", "cycle-max15w-men mass_kg", "cycle-max15w-women mass_kg",
		"mile-walk-1987-l mass_lb": // L/min or mL/min: a larger body takes up more
		return 1
	case "ymca-maxwork hr1_bpm": // a flatter line reaches farther
		return 1
	case "ymca-maxwork work1_kgm_min":
		return -1
	case "nx-pas-1999 age_years", "treadmill-walk-1991 speed_mph": // turn or depend on other inputs; looked at below
		return 0
	}
	return map[string]int{
		"age_years": -1, "mass_kg": -1, "mass_lb": -1, "bmi": -1, "body_fat_percent": -1, "waist_cm": -1, "rest_hr_bpm": -1,
		"hr_bpm": -1, "end_hr_bpm": -1, "hr2_bpm": -1, "hr_standard_bpm": -1, "max_hr_bpm": 1, "max_work_kgm_min": 1, "work_kgm_min": 1, "work_w": 1, "end_work_w": 1,
		"work2_kgm_min": 1, "peak_work_w": 1, "distance_m": 1, "speed_mph": 1, "speed_m_min": 1, "grade_fraction": 1, "step_rate_per_min": 1, "step_height_m": 1,
		"vo2_l_min": 1, "stage_vo2": 1, "nomogram_l_min": 1, "last_stage_vo2": 1, "perceived_ability": 1, "activity_rating": 1, "activity_index": 1, "activity_score": 1,
		"activity_score_met": 1, "duration_s": 1, "count1": -1, "count2": -1, "count3": -1, "resistance_kp": 1, "cadence_per_min": 1, "hr_rise_bpm": -1, "height_m": 1,
	}[in.ID]
}

// typical is an ordinary value of an input inside every domain.
var typical = map[string]float64{"age_years": 45, "mass_kg": 75, "mass_lb": 165, "height_cm": 172, "height_m": 1.72, "bmi": 26, "hr_bpm": 132, "rest_hr_bpm": 68, "end_hr_bpm": 130, "end_work_w": 75,
	"time_min": 12, "speed_mph": 3.4, "speed_m_min": 90, "grade_fraction": 0.05, "work_kgm_min": 600, "work_w": 100, "distance_m": 480, "vo2_l_min": 1.5, "stage_vo2": 25, "nomogram_l_min": 3, "last_stage_vo2": 30,
	"hr1_bpm": 115, "hr2_bpm": 135, "max_hr_bpm": 175, "work1_kgm_min": 450, "work2_kgm_min": 600, "max_work_kgm_min": 1000, "hr_rise_bpm": 45, "work_rise_w": 90, "hr_standard_bpm": 88,
	"peak_work_w": 200, "step_rate_per_min": 24, "step_height_m": 0.254, "waist_cm": 90, "resistance_kp": 2, "cadence_per_min": 50, "max_hr_leg_bpm": 170, "perceived_ability": 14, "activity_rating": 4,
	"duration_s": 250, "count1": 80, "count2": 70, "count3": 60, "activity_index": 5, "activity_score": 3, "activity_score_met": 1.06, "body_fat_percent": 25}

// within is the range over which an input is moved: its domain, else around its ordinary value.
func within(t *testing.T, in *estimate.Input) (from, to float64) {
	if in.Domain != nil {
		return in.Domain.From, in.Domain.To
	}
	v, known := typical[in.ID]
	if !known {
		t.Errorf("no ordinary value for %s", in.ID)
	}
	return max(in.Plausible.From, 0.75*v), min(in.Plausible.To, 1.25*v)
}

func TestEquationsMoveAsPhysiologyDemands(t *testing.T) {
	all, err := All()
	if err != nil {
		t.Fatal(err)
	}
	looked := 0
	for _, e := range all {
		values := make([]float64, len(e.Inputs))
		for i := range e.Inputs {
			in := &e.Inputs[i]
			if len(in.Codes) > 0 {
				values[i] = in.Codes[0].Value
				continue
			}
			from, to := within(t, in)
			values[i] = min(max(typical[in.ID], from), to)
		}
		if e.ID == "run" {
			values[0] = 180
		}
		for i := range e.Inputs {
			in := &e.Inputs[i]
			if len(in.Codes) > 0 {
				continue
			}
			want := demands(e, in)
			if want == 0 {
				if in.ID != "work_rise_w" && e.ID != "italy-2022" && e.ID != "brazil-2014a" && e.ID != "nx-pas-1999" && e.ID != "treadmill-walk-1991" {
					t.Errorf("%s: which way must %s go?", e.ID, in.ID)
				}
				continue
			}
			from, to := within(t, in)
			if in.ID == "hr2_bpm" {
				from = 120
			}
			if in.ID == "hr1_bpm" {
				to = 130
			}
			other := append([]float64(nil), values...)
			last := math.NaN()
			for k := range 41 {
				other[i] = from + (to-from)*float64(k)/40
				v := e.Eval(other)
				if k > 0 && !(float64(want)*(v-last) >= -1e-9) {
					t.Errorf("%s: %s at %.4g: %.5g after %.5g, must go %+d", e.ID, in.ID, other[i], v, last, want)
					break
				}
				last = v
			}
			if math.IsNaN(last) {
				t.Errorf("%s: no value over %s", e.ID, in.ID)
			}
			looked++
		}
	}
	if looked < 200 {
		t.Errorf("only %d inputs looked at", looked)
	}
	e, err := ByID("treadmill-walk-1991")
	if err != nil {
		t.Fatal(err)
	}
	for age := 20.0; age <= 59; age++ { // faster at the same heart rate is fitter
		if slow, fast := e.Eval([]float64{2, 120, age, 0}), e.Eval([]float64{4.5, 120, age, 0}); !(fast > slow) {
			t.Errorf("at %v years %v at 2 mph, %v at 4.5", age, slow, fast)
		}
	}
}

// The formulas of maximal heart rate are the same numbers here and in package physiology.
func TestMaximalHeartRatesAgreeWithPhysiology(t *testing.T) {
	for id, formula := range map[string]string{"fox": "fox", "tanaka": "tanaka", "gellish": "gellish", "gellish-nl": "gellish-nl", "gulati": "gulati",
		"sexspec2014-women": "sexspec2014-women", "sexspec2014-men": "sexspec2014-men", "hunt": "hunt", "bb-chd": "bb-chd", "bb-hf": "bb-hf", "hr2063": "hr2063", "hr2058": "hr2058"} {
		e, err := ByID(id)
		f, known := physiology.FormulaFor(formula)
		if err != nil || !known {
			t.Errorf("%s: %v, %v", id, err, known)
			continue
		}
		for age := 18.0; age <= 90; age++ {
			values := []float64{age}
			if id == "bb-hf" {
				values = []float64{70, age, 0}
			}
			if got, want := e.Eval(values), f.At(age, 70); math.Abs(got-want) > 1e-9 {
				t.Errorf("%s at %v: %v, physiology %v", id, age, got, want)
			}
		}
		if e.Error.SEE != f.SD {
			t.Errorf("%s: spread %v, physiology %v", id, e.Error.SEE, f.SD)
		}
	}
}

// Misprints that are in circulation must not get in unseen.
func TestMisprintsAreRefused(t *testing.T) {
	for _, c := range []struct{ id, old, new, want string }{
		// A handbook prints the per-kilogram coefficient of the one-mile walk with pounds.
		{"mile-walk-1987-rel", "coefficient: -0.0769, unit: mL/kg/min per lb", "coefficient: -0.1692, unit: mL/kg/min per kg", `terms[1].unit "mL/kg/min per kg" is not "mL/kg/min per lb"`},
		// A page asks for seconds where the equation has minutes.
		{"mile-walk-1987-l", "L/min per min", "L/min per s", "terms[4].unit"},
		// Two inputs of different units without a coefficient.
		{"ymca-maxwork", "(hr2_bpm - hr1_bpm)", "(hr2_bpm*hr1_bpm/hr1_bpm - work1_kgm_min)", "formula.text subtracts "},
		{"ymca-maxwork", "*(max_hr_bpm - hr2_bpm)", "*max_hr_bpm/hr2_bpm", "formula.text adds"},
		{"von-dobeln-men", "exp(-0.0088*age_years)", "exp(-age_years)", "formula.numbers are 3, the text has 2"},
		{"ymca-maxwork", "hr2_bpm > hr1_bpm", "hr2_bpm > work1_kgm_min", "require[0].that compares"},
		// The other coefficient in print.
		{"armcrank-nomogram", "lookup(age-factor, age_years)", "lookup(age-factor, hr_bpm)*age_years", "formula.text looks up"},
		{"von-dobeln-men", "value: 0.0088", "value: 0.0090", "formula.numbers[2].value 0.009 is not the 0.0088 of the text"},
		{"tecumseh-step", "use: [", "use: [nothing, ", `use[0] no shared caution is called "nothing"`},
		{"leg", "unit: W}", "unit: hp}", "no conversion from"},
	} {
		data, err := files.ReadFile(c.id + ".yaml")
		if err != nil {
			t.Fatal(err)
		}
		changed := bytes.Replace(data, []byte(c.old), []byte(c.new), 1)
		if bytes.Equal(changed, data) {
			t.Errorf("%s: %q is not in the file", c.id, c.old)
			continue
		}
		if _, err := Read("own.yaml", changed, nil); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s with %q: %v, want %s", c.id, c.new, err, c.want)
		}
	}
	// 300 men's equations must not be given to women's by a shared code: sex is coded per equation.
	for id, male := range map[string]float64{"smwt-2011": 0, "canada-2001": 0, "australia-2006": 0, "tunisia-2009": 0, "italy-2006": 0, "belgium-1999": 1, "treadmill-walk-1991": 1, "nx-bmi-1990": 1} {
		e, err := ByID(id)
		if err != nil {
			t.Fatal(err)
		}
		v, err := e.Parse(e.RoleAt("sex"), "male")
		if err != nil || v != male {
			t.Errorf("%s: male is %v (%v), want %v", id, v, err, male)
		}
	}
}

// Misprints in numbers alone cannot be seen by their units: the number of the paper stands in the file, the other one does
// not, and where it can be told apart an answer shows it.
func TestMisprintedNumbersAreNotUsed(t *testing.T) {
	for _, c := range []struct{ id, right, wrong, what string }{
		{"fox-150w", "input: hr_bpm, coefficient: -19.26", "input: hr_bpm, coefficient: -1,", "a page prints the slope away: 6300 - heart rate"},
		{"mile-walk-1987-l", "coefficient: 0.5955", "coefficient: 0.5995", "a toolkit page prints 0.5995"},
		{"mile-walk-1987-rel", "coefficient: -0.0769", "coefficient: -0.1692", "a handbook prints the coefficient of kilograms with pounds"},
		{"bruce-cubic-men", "coefficient: 14.76", "coefficient: 14.8,", "14.8 is in print too"},
		{"bruce-adults-1973", "coefficient: 1.06", "coefficient: 3.88", "3.88 is the constant of men alone, 1.06 + 2.82"},
		{"treadmill-walk-1991", "see: 4.85", "see: 3.72", "a handbook prints an error of 3.72"},
		{"cycle-max15w-women", "see: 147", "see: 1.47", "a handbook prints an error of 1.47 L/min"},
		{"hunt", "coefficient: 211", "coefficient: 220", "a page prints 220 - 0.64 age"},
		{"run", "coefficient: 0.9", "coefficient: 1.8", "a key takes the grade factor of walking"},
	} {
		data, err := files.ReadFile(c.id + ".yaml")
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Contains(data, []byte(c.right)) || bytes.Contains(data, []byte(c.wrong)) {
			t.Errorf("%s: %s: the file must have %q and not %q", c.id, c.what, c.right, c.wrong)
		}
	}
	// A handbook gives the women's line of the maximal cycle test to all adults: it answers for women only.
	for id, sex := range map[string]string{"cycle-max15w-women": "women", "cycle-max15w-men": "men"} {
		if e, err := ByID(id); err != nil || e.For != sex {
			t.Errorf("%s is for %q (%v)", id, e.For, err)
		}
	}
	// An equation from body mass times distance is suspected of a misprint: it is in no file.
	for _, id := range yamlIDs() {
		if data, err := files.ReadFile(id + ".yaml"); err != nil || bytes.Contains(data, []byte("962.2")) {
			t.Errorf("%s holds the equation from body mass times distance (%v)", id, err)
		}
	}
}

// Every worked example of the reference is tried somewhere, under its id.
func TestEveryWorkedExampleIsTried(t *testing.T) {
	tried := examples
	for _, name := range []string{"extrapolate_test.go", "../../protocol/families_test.go"} {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		tried += string(text)
	}
	for prefix, n := range map[string]int{"PW": 17, "CW": 34} {
		for i := 1; i <= n; i++ {
			if id := fmt.Sprintf("%s%02d", prefix, i); !strings.Contains(tried, id) {
				t.Errorf("%s is not tried", id)
			}
		}
	}
}

// The age factor read between its points; the smooth fit in print stays within 0.012 of the table from 25 to 65 years,
// the other one (0.566 + 12.825/age) does not and is not used.
func TestAgeFactorTable(t *testing.T) {
	e, err := ByID("astrand-cycle")
	if err != nil {
		t.Fatal(err)
	}
	young := e.Eval([]float64{150, 140, 1, 25})
	for age := 25.0; age <= 65; age++ {
		factor := e.Eval([]float64{150, 140, 1, age}) / young
		smooth := 0.0001143*age*age - 0.018886*age + 1.3975714
		if math.Abs(factor-smooth) > 0.0125 {
			t.Errorf("at %v years %v, smooth %v", age, factor, smooth)
		}
	}
	for _, age := range []float64{35, 45, 55} {
		if other := 0.566 + 12.825/age; math.Abs(e.Eval([]float64{150, 140, 1, age})/young-other) < 0.05 {
			t.Errorf("at %v years the factor is that of the other fit, %v", age, other)
		}
	}
	for age, want := range map[float64]float64{18: 1, 30: 0.935, 42: 0.81, 65: 0.65, 80: 0.65} {
		if got := e.Eval([]float64{150, 140, 1, age}) / young; math.Abs(got-want) > 1e-9 {
			t.Errorf("at %v years %v, want %v", age, got, want)
		}
	}
	for watts, want := range map[float64]float64{50: 0.9, 75: 1.2, 100: 1.5, 125: 1.8, 150: 2.1, 175: 2.4, 200: 2.8, 250: 3.5, 225: 3.15} {
		if got := e.Eval([]float64{watts, 195, 1, 25}); math.Abs(got-want) > 1e-9 {
			t.Errorf("at %v W %v, want %v", watts, got, want)
		}
	}
	if v := e.Eval([]float64{40, 140, 1, 25}); !math.IsNaN(v) {
		t.Errorf("below the scale: %v", v)
	}
	if _, there := e.InputAt("max_hr_bpm"); there {
		t.Error("age factor and maximal heart rate in one equation")
	}
}

func TestFormulaCanBeVerified(t *testing.T) {
	data, err := files.ReadFile("twowr-2016-men.yaml")
	if err != nil {
		t.Fatal(err)
	}
	const proof = "estimator: twowr-2016-men\nverified_by: An Invented Person\nverified_on: 2026-02-03\nagainst: the paper\nnumbers: [2.049, 0.00858, 0.90742, 0.00178, 0.0029]\n"
	e, err := Read("x.yaml", data, []byte(proof))
	if err != nil || e.Unverified() {
		t.Errorf("%v, unverified %v", err, e != nil && e.Unverified())
	}
	if _, err := Read("x.yaml", data, []byte(strings.Replace(proof, "0.00858", "0.00885", 1))); err == nil || !strings.Contains(err.Error(), "numbers[1]") {
		t.Errorf("a wrong tick: %v", err)
	}
	plain, err := ByID("twowr-2016-men")
	if err != nil || !plain.Unverified() {
		t.Errorf("shipped: %v, %v", err, plain.Unverified())
	}
}
