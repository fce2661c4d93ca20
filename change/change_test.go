package change

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"gradus/estimate"
	"gradus/estimate/library"

	"pgregory.net/rapid"
)

const stepperID = "recumbent-stepper-2012"

func stepper(t interface{ Fatal(...any) }) *estimate.Estimator {
	e, err := library.ByID(stepperID)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// made is a test of an invented woman whose answer comes from the shipped equation.
func made(t interface{ Fatal(...any) }, id string, age, mass, work, hr float64) *Test {
	e := stepper(t)
	in := []float64{}
	for _, x := range e.Inputs {
		in = append(in, map[string]float64{"age": age, "sex": 0, "mass": mass, "work": work, "heart-rate": hr}[x.Role])
	}
	return &Test{ID: id, Participant: "Invented 1", Verdict: estimate.Usable, Estimator: stepperID, Inputs: in, Value: e.Eval(in),
		Protocol: "recumbent-stepper", Ergometer: "stepper 1", Sex: "female", AgeYears: age, MassKg: mass, Condition: "none", Drug: "no",
		HoursSinceDose: math.NaN(), Rhythm: "sinus", MaxHRFormula: "220-age", Loads: []Load{{work, hr, 0}}}
}

func between(t *testing.T, a, b *Test, c Choice) Pair {
	t.Helper()
	p, err := Between(a, b, stepper(t), c, true)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}

// valued is a test with a given value, for examples of which only the values are known.
func valued(t *testing.T, id string, value float64) *Test {
	a := made(t, id, 45, 70, 75, 130)
	a.Value = value
	return a
}

// PLoS One 2017;12(2):e0172294: 47.2 (8.4) and 47.7 (8.5), r 0.980, n 50: SEM 1.197, MDC95 3.32; after stroke 25.0
// (9.9) and 25.3 (11.4), r 0.987, n 20: MDC95 4.46, 3.4 to 6.5.
func TestErrorsAsPublished(t *testing.T) {
	p := between(t, valued(t, "A", 40), valued(t, "B", 44), Choice{})
	within(t, "SEM", *p.Error.SEM, 1.197, 0.0005)
	within(t, "MDC95", *p.Error.MDC95, 3.32, 0.005)
	within(t, "low", *p.Low95, 4-3.32, 0.005)
	within(t, "high", *p.High95, 4+3.32, 0.005)
	within(t, "less practice of 0.5", p.Reliable.LessPractice, 2.07, 0.005)
	within(t, "practice", p.Reliable.Practice, 0.5, 1e-9)
	if !*p.Beyond || p.Matter.Verdict != LargeEnough || p.Withheld != "" {
		t.Errorf("%+v", p)
	}
	a, b := valued(t, "A", 20), valued(t, "B", 24)
	a.Condition, b.Condition = "stroke", "stroke"
	p = between(t, a, b, Choice{})
	within(t, "MDC95 after stroke", *p.Error.MDC95, 4.46, 0.005)
	within(t, "its lower end", *p.Error.MDC95Low, 3.4, 0.05)
	within(t, "its upper end", *p.Error.MDC95High, 6.5, 0.05)
	if *p.Beyond {
		t.Error("4.0 is within the error after stroke")
	}
}

// The smaller error is for healthy adults of 20 to 70 years only.
func TestWhoseError(t *testing.T) {
	for _, c := range []struct {
		what   string
		change func(a, b *Test)
		small  bool
	}{
		{"healthy, 45", func(a, b *Test) {}, true},
		{"20 and 70.9 years", func(a, b *Test) { a.AgeYears, b.AgeYears = 20, 70.9 }, true},
		{"19", func(a, b *Test) { a.AgeYears = 19.9 }, false},
		{"71 at the retest", func(a, b *Test) { b.AgeYears = 71 }, false},
		{"stroke at both", func(a, b *Test) { a.Condition, b.Condition = "stroke", "stroke" }, false},
		{"a condition at the retest only", func(a, b *Test) { b.Condition = "copd" }, false},
		{"no condition recorded, no drug", func(a, b *Test) { a.Condition, b.Condition = "", "" }, true},
		{"no condition recorded, drug not known", func(a, b *Test) { a.Condition, a.Drug, b.Condition, b.Drug = "", "unknown", "", "unknown" }, false},
		{"atrial fibrillation", func(a, b *Test) { a.Rhythm, b.Rhythm = "atrial-fibrillation", "atrial-fibrillation" }, false},
	} {
		a, b := valued(t, "A", 30), valued(t, "B", 31)
		c.change(a, b)
		p := between(t, a, b, Choice{})
		if got := *p.Error.MDC95 < 4; got != c.small {
			t.Errorf("%s: MDC95 %.2f", c.what, *p.Error.MDC95)
		}
		over := slices.IndexFunc(p.Cautions, func(x Caution) bool { return x.ID == "error-over-days" })
		if over < 0 || !strings.Contains(p.Cautions[over].Text, "error measured over days; over months probably larger") {
			t.Errorf("%s: not said over how long the error was measured", c.what)
		}
		if c.what == "no condition recorded, no drug" && !slices.ContainsFunc(p.Cautions, func(x Caution) bool { return strings.Contains(x.Text, "only from 4.46 on") }) {
			t.Error("the larger error is not named where the condition is not recorded")
		}
	}
}

func TestWithheld(t *testing.T) {
	drugged := func(a, b *Test) {
		for _, x := range []*Test{a, b} {
			x.Drug, x.DrugName, x.Dose, x.HoursSinceDose = "yes", "metoprolol", "50 mg", 3
		}
	}
	for _, c := range []struct {
		what   string
		change func(a, b *Test)
		reason string // "" when a verdict is given
	}{
		{"nothing", func(a, b *Test) {}, ""},
		{"drug begun", func(a, b *Test) { b.Drug, b.DrugName = "yes", "metoprolol" }, "drug"},
		{"another drug", func(a, b *Test) { drugged(a, b); b.DrugName = "bisoprolol" }, "drug"},
		{"drug recorded once", func(a, b *Test) { a.Drug = "unknown" }, "drug"},
		{"drug recorded never", func(a, b *Test) { a.Drug, b.Drug = "unknown", "unknown" }, ""},
		{"dose", func(a, b *Test) { drugged(a, b); b.Dose = "100 mg" }, "dose"},
		{"2 h apart", func(a, b *Test) { drugged(a, b); b.HoursSinceDose = 5 }, ""},
		{"more than 2 h apart", func(a, b *Test) { drugged(a, b); b.HoursSinceDose = 5.1 }, "hours"},
		{"rhythm", func(a, b *Test) { b.Rhythm = "atrial-fibrillation" }, "rhythm"},
		{"equation", func(a, b *Test) { b.Estimator = "another" }, "equation"},
		{"protocol", func(a, b *Test) { b.Protocol = "another" }, "protocol"},
		{"ergometer", func(a, b *Test) { b.Ergometer = "stepper 2" }, "ergometer"},
		{"ergometer not recorded once", func(a, b *Test) { b.Ergometer = "" }, ""},
		{"formula that the equation does not use", func(a, b *Test) { b.MaxHRFormula = "208-0.7age" }, ""},
		{"not usable", func(a, b *Test) { b.Verdict = estimate.NotUsable }, "not-usable"},
		{"no estimate", func(a, b *Test) { a.Inputs, a.Value, a.NoEstimate = nil, math.NaN(), "no stage counts" }, "no-estimate"},
		{"sex", func(a, b *Test) { b.Sex = "male" }, "sex"},
		{"mass, age, last work rate, time of day", func(a, b *Test) { b.MassKg, b.AgeYears, b.Loads[0].WorkW, b.Time = 60, 46, 100, "17:00" }, ""},
	} {
		a, b := valued(t, "A", 30), valued(t, "B", 40)
		c.change(a, b)
		p := between(t, a, b, Choice{})
		if c.reason == "" {
			if p.Withheld != "" || p.Beyond == nil || p.Rise == nil || len(p.Reasons) != 0 {
				t.Errorf("%s: withheld: %s", c.what, p.Withheld)
			}
			continue
		}
		if !slices.ContainsFunc(p.Reasons, func(r Reason) bool { return r.ID == c.reason }) || p.Withheld == "" {
			t.Errorf("%s: %+v", c.what, p.Reasons)
		}
		if p.Beyond != nil || p.Rise != nil || p.Low95 != nil || p.Reliable != nil || p.Matter.Verdict != Withheld || p.Matter.Above != nil {
			t.Errorf("%s: a verdict slipped through", c.what)
		}
		warned := slices.ContainsFunc(p.Cautions, func(x Caution) bool { return x.ID == "direct-signs-moved" })
		if len(p.Direct) > 0 && movesHeartRate[c.reason] && !warned {
			t.Errorf("%s: heart rates at equal work are compared without a word", c.what)
		}
	}
}

// In an equation that extrapolates to a maximal heart rate its formula must be the same, and the first test's
// number is kept: the later test is computed with it.
func TestMaximalHeartRateIsKept(t *testing.T) {
	e, err := library.ByID("astrand-cycle-maxhr")
	if err != nil {
		t.Fatal(err)
	}
	visit := func(id string, maxHR float64) *Test {
		x := valued(t, id, 0)
		x.Estimator, x.Unit = e.ID, "L/min"
		x.Inputs = make([]float64, len(e.Inputs))
		for role, v := range map[string]float64{"work": 100, "heart-rate": 140, "sex": 0, "max-heart-rate": maxHR} {
			x.Inputs[e.RoleAt(role)] = v
		}
		x.Value = e.Eval(x.Inputs)
		return x
	}
	a, b := visit("A", 190), visit("B", 180)
	if a.Value <= b.Value {
		t.Fatal("a lower maximal heart rate must lower the answer of this equation")
	}
	p, err := Between(a, b, e, Choice{}, true)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "difference", *p.Difference, 0, 0)
	if p.LPerMin != nil || !slices.ContainsFunc(p.Cautions, func(c Caution) bool { return c.ID == "max-hr-kept" }) {
		t.Errorf("%+v", p.Cautions)
	}
	if p.Withheld == "" || p.Reasons[0].ID != "no-error" || p.Error.MDC95 != nil {
		t.Errorf("no error of a repeated test is published for it: %+v", p.Reasons)
	}
	b.MaxHRFormula = "208-0.7age"
	if all := reasons(a, b, e); !slices.ContainsFunc(all, func(r Reason) bool { return r.ID == "max-hr-formula" }) {
		t.Errorf("%+v", all)
	}
}

// Five kilograms lost with the same watts and heart rate read as +2.3 (0.451 for each kilogram).
func TestPartsOfALoss(t *testing.T) {
	p := between(t, made(t, "A", 58, 79, 75, 137), made(t, "B", 58, 74, 75, 135), Choice{})
	within(t, "mass", p.Parts["mass"], 2.255, 1e-9)
	within(t, "age", p.Parts["age"], 0, 1e-9)
	within(t, "work and heart rate", p.Parts["work_and_heart_rate"], 0.83, 1e-9)
	within(t, "difference", *p.Difference, 3.085, 1e-9)
	within(t, "litres", p.LPerMin.Difference, (*p.ToValue*74-*p.FromValue*79)/1000, 1e-12)
}

// A rise that only a loss of mass has carried beyond the error is named as such.
func TestCarriedByMass(t *testing.T) {
	says := func(p Pair) bool {
		return slices.ContainsFunc(p.Cautions, func(c Caution) bool { return c.ID == "mass-and-age" })
	}
	if p := between(t, made(t, "A", 58, 79, 75, 137), made(t, "B", 58, 74, 75, 133), Choice{}); !*p.Beyond || !says(p) {
		t.Errorf("%+v", p.Cautions)
	}
	if p := between(t, made(t, "A", 58, 79, 75, 137), made(t, "B", 58, 79, 75, 127), Choice{}); !*p.Beyond || says(p) {
		t.Errorf("%+v", p.Cautions)
	}
}

func TestPartsSumToTheDifference(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(id string) *Test {
			return made(t, id, rapid.Float64Range(20, 80).Draw(t, "age"), rapid.Float64Range(45, 120).Draw(t, "mass"),
				rapid.Float64Range(30, 150).Draw(t, "work"), rapid.Float64Range(90, 160).Draw(t, "rate"))
		}
		a, b := draw("A"), draw("B")
		p, err := Between(a, b, stepper(t), Choice{}, true)
		if err != nil {
			t.Fatal(err)
		}
		sum := 0.0
		for _, v := range p.Parts {
			sum += v
		}
		if math.Abs(sum-*p.Difference) > 1e-9 || math.Abs(p.Detail.WorkRate+p.Detail.HeartRate-p.Parts["work_and_heart_rate"]) > 1e-9 {
			t.Fatalf("parts sum to %v, difference %v", sum, *p.Difference)
		}
		for name, want := range map[string]float64{"age": -0.476 * (b.AgeYears - a.AgeYears), "mass": -0.451 * (b.MassKg - a.MassKg)} {
			if math.Abs(p.Parts[name]-want) > 1e-9 {
				t.Fatalf("%s: %v, want %v", name, p.Parts[name], want)
			}
		}
		back, err := Between(b, a, stepper(t), Choice{}, true)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(*back.Difference+*p.Difference) > 1e-9 || math.Abs(back.Parts["mass"]+p.Parts["mass"]) > 1e-9 {
			t.Fatal("the way back is another way")
		}
		if p.Rise != nil && back.Error.Population == p.Error.Population && math.Abs(*p.Rise+*back.Rise-1) > 1e-9 {
			t.Fatal("chances of rise and fall do not make one")
		}
	})
}

func TestMeaningfulChange(t *testing.T) {
	a, b := valued(t, "A", 20), valued(t, "B", 23)
	for _, c := range []struct {
		choice  Choice
		line    float64
		verdict string
	}{
		{Choice{}, 3.5, NotLargeEnough},
		{Choice{ID: "six-percent"}, 1.2, LargeEnough},
		{Choice{ID: "one-ml"}, 1, LargeEnough},
		{Choice{ID: "fifth-of-spread"}, 1.68, LargeEnough},
		{Choice{Threshold: 3}, 3, LargeEnough},
	} {
		p := between(t, a, b, c.choice)
		within(t, "line", *p.Matter.Threshold, c.line, 1e-9)
		if p.Matter.Verdict != c.verdict {
			t.Errorf("%+v: %s", c.choice, p.Matter.Verdict)
		}
		if *p.Rise < *p.Matter.Above || *p.Beyond {
			t.Errorf("%+v: three statements mixed up: %+v", c.choice, p)
		}
	}
	if _, err := Between(a, b, stepper(t), Choice{ID: "nothing"}, true); err == nil || !strings.Contains(err.Error(), "one-met") {
		t.Errorf("%v", err)
	}
}

// An observed 30.0 in people of mean 47.2 with r 0.980 is expected to be 30.34 next time.
func TestRegressionToTheMean(t *testing.T) {
	p := between(t, valued(t, "A", 30), valued(t, "B", 31), Choice{})
	if !slices.ContainsFunc(p.Cautions, func(c Caution) bool {
		return c.ID == "regression-to-the-mean" && strings.Contains(c.Text, "about +0.3 here")
	}) {
		t.Errorf("%+v", p.Cautions)
	}
	p = between(t, valued(t, "A", 50), valued(t, "B", 51), Choice{})
	if slices.ContainsFunc(p.Cautions, func(c Caution) bool { return c.ID == "regression-to-the-mean" }) {
		t.Error("a high first test does not rise by itself")
	}
}

// Error of heart rate at equal work: 1.4 % (J Strength Cond Res 2004;18(3):641), so 1.96 × √2 × 1.4 % = 3.88 %.
func TestDirectSigns(t *testing.T) {
	a, b := valued(t, "A", 30), valued(t, "B", 31)
	a.Loads = []Load{{30, 100, 10}, {50, 120, 13}, {75, 140, 15}}
	b.Loads = []Load{{30, 98, 0}, {50, 110, 12}, {75, 130, 14}, {100, 150, 16}}
	a.Recovery, b.Recovery = []Fall{{1, 140, 20}, {5, 140, 40}}, []Fall{{1.1, 150, 26}, {3, 150, 40}}
	found := map[string]Direct{}
	for _, d := range direct(a, b) {
		found[d.What] = d
	}
	if len(found) != 7 {
		t.Errorf("%d signs: %+v", len(found), found)
	}
	d := found["heart rate at 50 W"]
	within(t, "difference", d.Difference, -10, 0)
	within(t, "error", *d.Error95, 0.0388*115, 0.005)
	if !*d.Beyond || *found["heart rate at 30 W"].Beyond {
		t.Error("10 beats are beyond error, 2 are not")
	}
	w := found["work rate at 140 /min"]
	within(t, "work then", w.From, 75, 1e-9)
	within(t, "work now", w.To, 87.5, 1e-9)
	within(t, "its error", *w.Error95, heartError(140, 140)/0.8, 1e-9)
	if r := found["fall of heart rate 1 min after the stop"]; r.Difference != 6 || *r.Beyond {
		t.Errorf("recovery: %+v", r)
	} else { // heart rates of 145 and 122 with 1.4 % each
		within(t, "error of recovery", *r.Error95, 1.96*math.Sqrt2*0.014*math.Hypot(145, 122), 0.01)
	}
	if e := found["exertion at 75 W"]; e.Difference != -1 || *e.Beyond || *e.Error95 != 2.94 {
		t.Errorf("exertion: %+v", e)
	}
}

func TestSeries(t *testing.T) {
	var tests []*Test
	for i, v := range []float64{23, 20, 26} { // given out of order
		x := valued(t, string(rune('A'+i)), v)
		x.Day, x.HasDay = []int{42, 0, 84}[i], true
		x.Date = []string{"2026-02-12", "2026-01-01", "2026-03-26"}[i]
		tests = append(tests, x)
	}
	h, err := Series(tests, func(string) *estimate.Estimator { return stepper(t) }, Choice{})
	if err != nil {
		t.Fatal(err)
	}
	if len(h.Pairs) != 2 || h.Pairs[0].From != "B" || h.Pairs[0].To != "A" || h.Pairs[1].To != "C" || h.Overall.From != "B" || h.Overall.To != "C" {
		t.Errorf("%+v", h.Pairs)
	}
	within(t, "slope", h.Row.Slope.PerWeek, 0.5, 1e-9)
	within(t, "its error", h.Row.Slope.High95-0.5, 1.96*1.197/math.Sqrt(72), 0.0005)
	if practice := func(p *Pair) bool {
		return slices.ContainsFunc(p.Cautions, func(c Caution) bool { return c.ID == "practice" })
	}; !practice(&h.Pairs[0]) || practice(&h.Pairs[1]) {
		t.Error("practice is named at the first retest only")
	}
	tests[1].Ergometer = "stepper 2"
	if h, err = Series(tests, func(string) *estimate.Estimator { return stepper(t) }, Choice{}); err != nil || h.Row.Slope != nil {
		t.Error("no line through tests that cannot be compared")
	}
}

func ExampleBetween() {
	e, err := library.ByID(stepperID)
	if err != nil {
		fmt.Println(err)
		return
	}
	visit := func(id string, mass, workW, bpm float64) *Test {
		in := []float64{58, 0, mass, workW, bpm} // age, sex, mass, work rate, heart rate
		return &Test{ID: id, Estimator: e.ID, Inputs: in, Value: e.Eval(in), Sex: "female", AgeYears: 58, MassKg: mass,
			Condition: "none", Drug: "no", Rhythm: "sinus", Verdict: estimate.Usable}
	}
	p, err := Between(visit("January", 79, 75, 137), visit("April", 74, 75, 135), e, Choice{}, true)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%+.1f (%.1f to %.1f), beyond error: %v, %s, chance of a rise %.2f\n", *p.Difference, *p.Low95, *p.High95, *p.Beyond, p.Matter.Verdict, *p.Rise)
	fmt.Printf("of it %+.1f from mass, %+.1f from work rate and heart rate\n", p.Parts["mass"], p.Parts["work_and_heart_rate"])
	// Output:
	// +3.1 (-0.2 to 6.4), beyond error: false, not large enough, chance of a rise 0.97
	// of it +2.3 from mass, +0.8 from work rate and heart rate
}
