package prescribe

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"gradus/physiology"
)

func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}

// Published examples: heart-rate reserve 70 to 190 at 40 and 85 %; uptake reserve of 50 at 70 %; 62 kg at 75 W
// (450 kgm/min) 20.06; 93.8 m/min at 10 % 29.76; 10 METs at 68 kg 11.9 kcal/min. All recomputed.
func TestPublishedExamples(t *testing.T) {
	for _, c := range []struct{ share, want float64 }{{0.40, 118}, {0.85, 172}} {
		got, err := HeartRateAt(c.share, 70, 190)
		if err != nil {
			t.Fatal(err)
		}
		within(t, "reserve", got, c.want, 0.05)
	}
	got, err := UptakeAt(0.70, 50)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "uptake reserve", got, 36.05, 0.005)
	within(t, "cycling", CycleUptake(75, 62), 20.06, 0.01)
	within(t, "walking", WalkUptake(93.8, 0.10), 29.76, 0.01)
	within(t, "energy", Kcal(10, 68, false), 11.9, 0.05)
	within(t, "energy of 30 min", 30*Kcal(10, 68, false), 357, 0.5)
}

// Targets from a predicted maximal heart rate. PX07: 208 - 0.7 age. PX16: 164 - 0.7 age, coronary disease on a
// beta-blocker, with its standard error of 18. PX17: 119 + rest / 2 - age / 2, less 5 on a cycle, heart failure on a
// beta-blocker. Where each formula comes from stands in physiology/maxhr.csv.
func TestMaximalHeartRateExamples(t *testing.T) {
	for _, c := range []struct {
		id, formula       string
		age, rest         float64
		max, low, high    float64
		lowSpread, spread float64 // of 40 and 60 %, where the example gives it
	}{
		{"PX07", "208-0.7age", 60, 70, 166, 108.4, 127.6, 0, 0},
		{"PX16", "164-0.7age", 60, 62, 122, 86.0, 98.0, 7.2, 10.8},
	} {
		max, f, err := physiology.MaxHR(c.formula, c.age, false, c.rest)
		if err != nil {
			t.Fatal(err)
		}
		within(t, c.id+" maximum", max, c.max, 0.05)
		p := sound()
		p.AgeYears, p.RestHR, p.MaxHR, p.MaxHRSD, p.Stages, p.HighestHR = c.age, c.rest, max, f.SD, nil, 0
		out, err := For(p, Choice{ReserveFrom: 40, ReserveTo: 60})
		if err != nil {
			t.Fatal(err)
		}
		x := target(t, out, "heart-rate-reserve")
		within(t, c.id+" at 40 %", *x.Low, c.low, 0.05)
		within(t, c.id+" at 60 %", *x.High, c.high, 0.05)
		if c.spread > 0 {
			within(t, c.id+" spread at 40 %", *x.LowSD, c.lowSpread, 0.05)
			within(t, c.id+" spread at 60 %", *x.HighSD, c.spread, 0.05)
		}
	}
	for formula, want := range map[string]float64{"114+0.5rest-0.5age": 116.5, "119+0.5rest-0.5age": 121.5} {
		max, _, err := physiology.MaxHR(formula, 65, false, 70)
		if err != nil {
			t.Fatal(err)
		}
		within(t, "PX17 "+formula, max, want, 0.05)
	}
}

func TestConstructedExamples(t *testing.T) {
	for _, c := range []struct{ share, uptake, work float64 }{{0.5, 14.0, 51.85}, {0.4, 11.9, 36.30}, {0.6, 16.1, 67.41}} {
		uptake, err := UptakeAt(c.share, 24.5)
		if err != nil {
			t.Fatal(err)
		}
		within(t, "uptake", uptake, c.uptake, 1e-9)
		work, err := WorkFor(Cycle, uptake, 80)
		within(t, "work", work, c.work, 0.01)
		if outside := errors.Is(err, ErrOutside); outside != (c.work < 50) {
			t.Errorf("%g W: %v", c.work, err)
		}
	}
	grade, err := WalkGradeFor(14.0, 80)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "grade", grade, 0.01736, 0.00005)
	speed, err := WalkSpeedFor(11.9)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "speed", speed, 84, 0.05)
	within(t, "gross", Kcal(4, 80, false), 5.60, 0.005)
	within(t, "net", Kcal(4, 80, true), 4.20, 0.005)
	if _, err := WorkFor(Cycle, 6.3, 70); err == nil || errors.Is(err, ErrOutside) {
		t.Error("6.3 mL/kg/min is below cycling without load: no number at all")
	}
	if _, err := WorkFor("recumbent stepper", 20, 70); err == nil {
		t.Error("no equation exists for the recumbent stepper")
	}
}

// Stages 25 W 92, 50 W 104, 75 W 116, rest 68, maximal 162: slope 0.48, 80 at no load; 60 % is 124.4 /min and 92.5
// W, beyond the tested 75 W; 50 % is 115.0 and 72.9 W.
func TestOwnLineExamples(t *testing.T) {
	stages := []Stage{{25, 92, 0}, {50, 104, 0}, {75, 116, 0}}
	line, err := OwnLine(stages)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "slope", line.B, 0.48, 1e-12)
	within(t, "at no load", line.A, 80, 1e-9)
	for _, c := range []struct {
		share, hr, work float64
		outside         bool
	}{{0.6, 124.4, 92.5, true}, {0.5, 115, 72.9, false}} {
		hr, err := HeartRateAt(c.share, 68, 162)
		if err != nil {
			t.Fatal(err)
		}
		within(t, "heart rate", hr, c.hr, 1e-9)
		work, outside := line.WorkAt(hr)
		within(t, "work", work, c.work, 0.05)
		if outside != c.outside {
			t.Errorf("%g W: outside %v", work, outside)
		}
	}
	if _, err := OwnLine(stages[:2]); err == nil {
		t.Error("two stages make a line")
	}
	if _, err := OwnLine([]Stage{{25, 100, 0}, {50, 100, 0}, {75, 90, 0}}); err == nil {
		t.Error("a falling heart rate makes a line")
	}
}

// The bands are half-open on the unrounded value.
func TestLevels(t *testing.T) {
	for _, c := range []struct {
		reserve float64
		want    string
	}{{29.99, "very light"}, {30, "light"}, {39.9, "light"}, {40, "moderate"}, {59.99, "moderate"}, {60, "vigorous"}, {89.99, "vigorous"}, {90, "near maximal"}} {
		if got := LevelAt(c.reserve).Name; got != c.want {
			t.Errorf("%g %%: %s, want %s", c.reserve, got, c.want)
		}
	}
	// METs by age are 20, 40, 60 and 85 % of 12, 10 and 8 METs.
	for group, peak := range []float64{12, 10, 8} {
		for i, share := range []float64{0.20, 0.40, 0.60, 0.85} {
			within(t, "METs", levels[i].mets[group][1], share*peak, 1e-9)
			within(t, "METs", levels[i+1].mets[group][0], share*peak, 1e-9)
		}
	}
}

func sound() Person {
	return Person{AgeYears: 58, MassKg: 74, VO2Peak: 24.5, SEE: 4.2, RestHR: 68, MaxHR: 162, MaxHRSD: 12, MaxHRSource: "220-age", Drug: "no", Rhythm: "sinus",
		Machine: "recumbent stepper", Stages: []Stage{{25, 92, 9}, {50, 104, 11}, {75, 116, 14}}}
}

func target(t *testing.T, p *Prescription, id string) Target {
	t.Helper()
	i := slices.IndexFunc(p.Targets, func(x Target) bool { return x.ID == id })
	if i < 0 {
		t.Fatalf("no target %s", id)
	}
	return p.Targets[i]
}

func prescribed(t *testing.T, p Person, c Choice) *Prescription {
	t.Helper()
	r, err := For(p, c)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestTargetsOnTheStepper(t *testing.T) {
	r := prescribed(t, sound(), Choice{})
	hr := target(t, r, "heart-rate-reserve")
	within(t, "low", *hr.Low, 105.6, 1e-9)
	within(t, "high", *hr.High, 116, 1e-9) // 123.5 lowered to the highest rate of the test
	within(t, "its spread", *hr.LowSD, 0.4*12, 1e-9)
	own := target(t, r, "work-own-line")
	within(t, "low", *own.Low, (105.6-80)/0.48, 1e-9)
	within(t, "high", *own.High, 75, 1e-9)
	if own.LowSD == nil || !own.Leads {
		t.Errorf("%+v", own)
	}
	if e := target(t, r, "work-equation"); e.Withheld == "" || e.Low != nil {
		t.Error("a stepper load from a treadmill uptake")
	}
	by := target(t, r, "work-exertion") // 12 to 13 lies between 11 at 50 W and 14 at 75 W
	within(t, "at 12", *by.Low, 50+25.0/3, 1e-9)
	within(t, "at 13", *by.High, 50+50.0/3, 1e-9)
	within(t, "METs", *target(t, r, "mets").Low, (3.5+0.4*21)/3.5, 1e-9)
}

func TestHeartRateWithheld(t *testing.T) {
	for _, c := range []struct {
		what   string
		change func(*Person)
	}{
		{"a rate-limiting drug", func(p *Person) { p.Drug = "yes" }},
		{"a pacemaker", func(p *Person) { p.Rhythm = "paced" }},
		{"atrial fibrillation", func(p *Person) { p.Rhythm = "atrial-fibrillation" }},
		{"a transplanted heart", func(p *Person) { p.Rhythm = "heart-transplant" }},
		{"a lesion at T6", func(p *Person) { p.Rhythm = "sci-t6-or-above" }},
	} {
		p := sound()
		c.change(&p)
		r := prescribed(t, p, Choice{Weeks: 2})
		for _, id := range []string{"heart-rate-reserve", "heart-rate-max", "work-own-line"} {
			if x := target(t, r, id); x.Low != nil || x.High != nil || x.Withheld == "" || x.Leads {
				t.Errorf("%s: %s: %+v", c.what, id, x)
			}
		}
		if r.Leads != "exertion and work rate" || target(t, r, "exertion").Low == nil || target(t, r, "work-exertion").Low == nil {
			t.Errorf("%s: exertion and work rate lead", c.what)
		}
		if r.Weeks[0].HRLow != nil {
			t.Errorf("%s: a heart rate slipped into the plan", c.what)
		}
		within(t, c.what+": the plan's work rate is that of exertion", *r.Weeks[0].WorkLow, *target(t, r, "work-exertion").Low, 1e-9)
	}
}

func TestCaps(t *testing.T) {
	p := sound()
	p.ICDRate = 120
	within(t, "10 below the detection rate", *target(t, prescribed(t, p, Choice{}), "heart-rate-reserve").High, 110, 1e-9)
	p = sound()
	p.IschaemiaHR = 112
	r := prescribed(t, p, Choice{})
	x := target(t, r, "heart-rate-reserve")
	within(t, "10 below ischaemia", *x.High, 102, 1e-9)
	within(t, "the lower end too", *x.Low, 102, 1e-9)
	if !slices.ContainsFunc(r.Cautions, func(c Caution) bool { return c.ID == "band-above-cap" }) {
		t.Error("a band above the cap is not said")
	}
}

func TestCycleGuards(t *testing.T) {
	p := sound()
	p.Machine, p.MassKg = Cycle, 80
	x := target(t, prescribed(t, p, Choice{}), "work-equation")
	within(t, "40 %", *x.Low, 36.30, 0.005)
	if len(x.Notes) != 1 || !strings.Contains(x.Notes[0], "outside the range") {
		t.Errorf("36 W is below the equation's range: %v", x.Notes)
	}
	p.VO2Peak = 10.5
	if x := target(t, prescribed(t, p, Choice{}), "work-equation"); x.Withheld == "" || x.Low != nil {
		t.Errorf("6.3 mL/kg/min gives no work rate: %+v", x)
	}
}

func TestRefusals(t *testing.T) {
	for _, c := range []struct {
		change func(*Person)
		choice Choice
		input  string
	}{
		{func(p *Person) { p.MaxHR = 68 }, Choice{}, "max-hr"},
		{func(p *Person) { p.VO2Peak, p.SEE = 3, 4 }, Choice{}, "vo2peak"},
		{func(p *Person) { p.SEE = 0 }, Choice{}, "see"},
		{func(p *Person) { p.AgeYears = 0 }, Choice{}, "age"},
		{func(p *Person) {}, Choice{Condition: "nothing"}, "condition"},
		{func(p *Person) {}, Choice{ReserveFrom: 60, ReserveTo: 40}, "reserve"},
	} {
		p := sound()
		c.change(&p)
		_, err := For(p, c.choice)
		var input *InputError
		if !errors.As(err, &input) || input.Input != c.input {
			t.Errorf("%s: %v", c.input, err)
		}
	}
}

// 4 METs, 5 sessions of 30 min: 600 MET-min and 840 kcal a week at 80 kg.
func TestDose(t *testing.T) {
	within(t, "kcal", Kcal(4, 80, false)*150, 840, 0.5)
	p := sound()
	p.VO2Peak, p.MassKg = (14-3.5)/0.5+3.5, 80 // 4 METs at 50 % of reserve
	w := prescribed(t, p, Choice{Weeks: 1}).Weeks[0]
	within(t, "MET-min", *w.METMinutes, 4*w.Minutes*w.Sessions, 10)
	v := prescribed(t, p, Choice{ReserveFrom: 40, ReserveTo: 60, Weeks: 1}).Volume
	within(t, "minutes for 500 MET-min", v.MinutesLow, 125, 0.5)
	within(t, "minutes for 1000 MET-min", v.MinutesHigh, 250, 0.5)
	p.VO2Peak = 0
	if prescribed(t, p, Choice{Weeks: 1}).Volume != nil {
		t.Error("a volume without an uptake")
	}
}

// One thing changes at a time, nothing exceeds the recommendation.
func TestPlansOfEveryCondition(t *testing.T) {
	if len(recommendations) != 14 {
		t.Errorf("%d recommendations", len(recommendations))
	}
	for _, rec := range recommendations {
		weeks := prescribed(t, sound(), Choice{Condition: rec.ID, Weeks: 30}).Weeks
		for i, w := range weeks {
			if w.Minutes > max(rec.MinutesTo, rec.StartMinutes) || w.Sessions > rec.DaysTo || w.ReserveTo > rec.ReserveTo || *w.HRHigh > 116 || *w.WorkHigh > 75 {
				t.Errorf("%s week %d beyond the recommendation: %+v", rec.ID, w.Week, w)
			}
			if i == 0 {
				continue
			}
			changed := 0
			for _, moved := range []bool{w.Minutes != weeks[i-1].Minutes, w.Sessions != weeks[i-1].Sessions, w.ReserveTo != weeks[i-1].ReserveTo} {
				if moved {
					changed++
				}
			}
			if changed > 1 || (changed == 1) != (w.Changed != "") {
				t.Errorf("%s week %d: %d things change: %+v", rec.ID, w.Week, changed, w)
			}
		}
	}
}

func TestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := sound()
		p.VO2Peak = rapid.Float64Range(4, 60).Draw(t, "peak")
		p.RestHR = rapid.Float64Range(40, 90).Draw(t, "rest")
		p.MaxHR = p.RestHR + rapid.Float64Range(20, 120).Draw(t, "reserve")
		p.Machine = rapid.SampledFrom([]string{"recumbent stepper", Cycle, Arm, Walk}).Draw(t, "machine")
		from := rapid.Float64Range(20, 80).Draw(t, "from")
		r, err := For(p, Choice{ReserveFrom: from, ReserveTo: from + rapid.Float64Range(1, 20).Draw(t, "width"), Weeks: 6})
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range r.Targets {
			if (x.Low == nil) != (x.High == nil) || (x.Low == nil) != (x.Withheld != "") {
				t.Fatalf("%+v", x)
			}
			if x.Low != nil && *x.Low > *x.High {
				t.Fatalf("%s: %g to %g", x.ID, *x.Low, *x.High)
			}
			if strings.HasPrefix(x.ID, "heart-rate") && x.High != nil && *x.High > 116 {
				t.Fatalf("%s above the highest heart rate of the test", x.ID)
			}
		}
	})
}

func ExampleFor() {
	r, err := For(Person{AgeYears: 58, MassKg: 74, VO2Peak: 22.5, SEE: 4.2, RestHR: 66, MaxHR: 162, MaxHRSD: 12, MaxHRSource: "220-age", Drug: "no",
		Machine: "recumbent stepper", Stages: []Stage{{30, 103, 10}, {50, 122, 12}, {75, 134, 14}}}, Choice{Condition: "stroke"})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, t := range r.Targets {
		if t.Withheld == "" {
			fmt.Println(strings.TrimSpace(fmt.Sprintf("%s: %.1f to %.1f %s", t.What, *t.Low, *t.High, t.Unit)))
		}
	}
	// Output:
	// heart rate by reserve: 104.4 to 114.0 /min
	// heart rate by percent of maximum (moderate): 103.7 to 124.7 /min
	// exertion, 6 to 20: 11.0 to 13.0
	// oxygen uptake by reserve: 11.1 to 13.0 mL/kg/min
	// METs: 3.2 to 3.7 MET
	// work rate on the tested machine by the own heart-rate line: 29.2 to 43.3 W
	// work rate on the tested machine by exertion: 40.0 to 62.5 W
}
