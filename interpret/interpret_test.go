package interpret

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}

func block(t *testing.T, sex string, age float64) *Block {
	t.Helper()
	r, ok := ReferenceByID(DefaultReference)
	if !ok {
		t.Fatal("no default table")
	}
	b, ok := r.Block(sex, age)
	if !ok {
		t.Fatalf("no block for %s of %g years", sex, age)
	}
	return b
}

// Treadmill registry 2015 (Mayo Clin Proc 2015;90(11):1515-1523): 4611 men and 3172 women; medians of the
// youngest and oldest decade 48.0 and 24.4 in men, 37.6 and 18.3 in women. The other cells are from memory.
func TestRegistryTable(t *testing.T) {
	r, _ := ReferenceByID(DefaultReference)
	people := map[string]int{}
	for i := range r.Blocks {
		b := &r.Blocks[i]
		people[b.Sex] += b.N
		if len(b.Cells) != 7 {
			t.Errorf("%s %s: %d cells", b.Sex, b.Ages(), len(b.Cells))
		}
		for k := 1; k < len(b.Cells); k++ {
			if b.Cells[k].Value <= b.Cells[k-1].Value || b.Cells[k].Percentile <= b.Cells[k-1].Percentile {
				t.Errorf("%s %s: cell %d does not rise", b.Sex, b.Ages(), k)
			}
		}
	}
	if people["male"] != 4611 || people["female"] != 3172 || people["male"]+people["female"] != r.N {
		t.Errorf("people: %v", people)
	}
	for _, sex := range []string{"male", "female"} {
		for age := 30.0; age <= 70; age += 10 {
			younger, older := block(t, sex, age-1), block(t, sex, age)
			for k := range older.Cells {
				if older.Cells[k].Value >= younger.Cells[k].Value {
					t.Errorf("%s %g: cell %d does not fall with age", sex, age, k)
				}
			}
		}
	}
	seen := 0
	for _, c := range []struct {
		sex         string
		age, median float64
	}{{"male", 20, 48.0}, {"male", 79, 24.4}, {"female", 29, 37.6}, {"female", 70, 18.3}} {
		b := block(t, c.sex, c.age)
		within(t, "median", b.At(50), c.median, 0)
		seen += len(b.Cells) - b.FromMemory()
	}
	if seen != 4 {
		t.Errorf("%d cells of the outer decades are marked as seen, want the 4 medians", seen)
	}
}

// Worked examples E1 to E5: linear between the table's percentiles.
func TestPercentilesWorked(t *testing.T) {
	for _, c := range []struct {
		sex         string
		age, v      float64
		want        float64
		below, high bool
		words       string
	}{
		{"male", 45, 37.8, 50, false, false, "fair"},
		{"male", 45, 40.0, 57.6, false, false, "fair"},
		{"female", 67, 15.9, 17.5, false, false, "very poor"},
		{"male", 29, 55.0, 74.3, false, false, "good"},
		{"male", 30, 55.0, 86.9, false, false, "excellent"},
		{"female", 79, 13.0, 5, true, false, "very poor"},
		{"male", 45, 55.6, 95, false, false, "superior"},
		{"male", 45, 55.7, 95, false, true, "superior"},
		{"male", 45, 24.2, 5, false, false, "very poor"},
	} {
		r, err := Of(Value{VO2: c.v, SEE: 4}, Person{Sex: c.sex, AgeYears: c.age}, Choice{}, Body{})
		if err != nil {
			t.Fatal(err)
		}
		within(t, fmt.Sprint(c.sex, c.age, c.v), r.Percentile.Value, c.want, 0.05)
		if r.Percentile.BelowTable != c.below || r.Percentile.AboveTable != c.high {
			t.Errorf("%v: flags %v %v", c.v, r.Percentile.BelowTable, r.Percentile.AboveTable)
		}
		for _, k := range r.Classes {
			if (k.Low == nil || c.v >= *k.Low) && (k.High == nil || c.v < *k.High) && k.Words != c.words {
				t.Errorf("%v: band %s, want %s", c.v, k.Words, c.words)
			}
		}
	}
}

// Worked example E6: man of 45 years, 37.8 with an error of 12 %: 95 % interval 28.9 to 46.7, percentiles 16.2 to 78.6.
func TestIntervalWorked(t *testing.T) {
	r, err := Of(Value{VO2: 37.8, SEE: 0.12 * 37.8}, Person{Sex: "male", AgeYears: 45}, Choice{}, Body{})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "low", r.Low95, 28.9, 0.05)
	within(t, "high", r.High95, 46.7, 0.05)
	within(t, "percentile of low", r.Percentile.Low95, 16.2, 0.1)
	within(t, "percentile of high", r.Percentile.High95, 78.6, 0.1)
	b := block(t, "male", 45)
	for _, c := range []struct{ v, p float64 }{{37.8 - 0.12*37.8, 30.8}, {37.8 + 0.12*37.8, 65.8}} {
		p, _, _ := b.Place(c.v)
		within(t, "percentile of the 68 % interval", p, c.p, 0.1)
	}
}

// Worked examples E7 to E11. E7: J Am Heart Assoc 2020, 10.1161/JAHA.119.015117, table 1; Eur J Prev Cardiol
// 2018;25:742. With kilograms taken for pounds the first would be 54.14; with sex 0 the second 51.94.
func TestEquationsWorked(t *testing.T) {
	man40 := Person{Sex: "male", AgeYears: 40, MassKg: 80, HeightCm: 178}
	man50 := Person{Sex: "male", AgeYears: 50, MassKg: 80, HeightCm: 175}
	woman60 := Person{Sex: "female", AgeYears: 60, MassKg: 70, HeightCm: 160}
	for _, c := range []struct {
		id     string
		p      Person
		want   float64
		litres bool // want is mL/min
		tol    float64
	}{
		{"registry-2017", man40, 41.90, false, 0.005},
		{"registry-2018-treadmill", man40, 41.04, false, 0.005},
		{"registry-2018-cycle", man40, 40.58, false, 0.005},
		{"ideal-weight-cycle-men", man50, 2505.6, true, 0.05},
		{"ideal-weight-treadmill-men", man50, 2781.2, true, 0.05},
		{"ideal-weight-cycle-women", woman60, 1363.6, true, 0.05},
		{"ideal-weight-treadmill-women", woman60, 1513.6, true, 0.05},
		{"jones-1985", man50, 2690, true, 0.5},
		{"age-curve-2021-men", man40, 43.96, false, 0.005},
		{"age-curve-2021-women", Person{Sex: "female", AgeYears: 40}, 34.08, false, 0.005},
	} {
		i := slices.IndexFunc(equations, func(e Equation) bool { return e.ID == c.id })
		got, missing := equations[i].Predict(&c.p)
		if missing != "" {
			t.Fatalf("%s misses %s", c.id, missing)
		}
		if c.litres {
			got *= c.p.MassKg
		}
		within(t, c.id, got, c.want, c.tol)
	}
	r, err := Of(Value{VO2: 30, SEE: 4}, woman60, Choice{}, Body{})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "percent of predicted", *r.PercentPredicted, 100*30/(79.9-0.39*60-13.7-0.127*70/0.45359237), 1e-9)
}

// The limit of normal is the table's 5th percentile: at 65 years 13.4, where predicted - 1.645 SEE is 9.4.
func TestLowerLimit(t *testing.T) {
	woman := Person{Sex: "female", AgeYears: 65, MassKg: 70, HeightCm: 160}
	r, err := Of(Value{VO2: 16, SEE: 4}, woman, Choice{}, Body{})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "from the table", r.LowerLimit.Value, 13.4, 0)
	r, err = Of(Value{VO2: 16, SEE: 4}, woman, Choice{Reference: "population-treadmill-2013"}, Body{})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "from the equation", r.LowerLimit.Value, 9.4, 0.05)
	if r.Percentile != nil || !hasCaution(r, "no-percentiles") {
		t.Error("a table of means gives no percentile, and says so")
	}
}

func TestAnEquationThatDoesNotHold(t *testing.T) {
	r, err := Of(Value{VO2: 15, SEE: 4}, Person{Sex: "female", AgeYears: 62, MassKg: 150}, Choice{}, Body{})
	if err != nil {
		t.Fatal(err)
	}
	if r.PercentPredicted != nil || !hasCaution(r, "no-percent-predicted") {
		t.Errorf("%v %+v", r.PercentPredicted, r.Cautions)
	}
}

func hasCaution(r *Report, id string) bool {
	return slices.ContainsFunc(r.Cautions, func(c Caution) bool { return c.ID == id })
}

func TestOutsideTheTable(t *testing.T) {
	for _, age := range []float64{19.9, 80, 85} {
		r, err := Of(Value{VO2: 20, SEE: 4}, Person{Sex: "female", AgeYears: age, MassKg: 60}, Choice{}, Body{})
		if err != nil {
			t.Fatal(err)
		}
		if r.Percentile != nil || len(r.Probabilities) != 0 || !hasCaution(r, "no-reference") {
			t.Errorf("%g years: %+v", age, r.Percentile)
		}
		if !strings.Contains(r.Cautions[0].Text, "no reference") {
			t.Errorf("%g years: %q", age, r.Cautions[0].Text)
		}
		if r.PercentPredicted == nil || !hasCaution(r, "age-outside-equation") {
			t.Errorf("%g years: the equation answers, with a caution", age)
		}
	}
	for _, age := range []float64{20, 79.99} {
		if r, err := Of(Value{VO2: 20, SEE: 4}, Person{Sex: "female", AgeYears: age}, Choice{}, Body{}); err != nil || r.Percentile == nil {
			t.Errorf("%g years: %v", age, err)
		}
	}
}

func TestMode(t *testing.T) {
	for _, c := range []struct {
		v    Value
		want string
		not  string
	}{
		{Value{VO2: 30, SEE: 4, Criterion: "treadmill", Machine: "recumbent stepper"}, "no-stepper-maximum", "mode-mismatch"},
		{Value{VO2: 30, SEE: 4, Criterion: "cycle", Machine: "cycle"}, "mode-mismatch", "no-stepper-maximum"},
		{Value{VO2: 30, SEE: 4, Criterion: "recumbent stepper", Machine: "recumbent stepper", Measured: true}, "mode-mismatch", "no-stepper-maximum"},
		{Value{VO2: 30, SEE: 4, Criterion: "treadmill", Machine: "treadmill", Measured: true}, "table-from-memory", "mode-mismatch"},
	} {
		r, err := Of(c.v, Person{Sex: "male", AgeYears: 45}, Choice{}, Body{})
		if err != nil {
			t.Fatal(err)
		}
		if !hasCaution(r, c.want) || hasCaution(r, c.not) {
			t.Errorf("%+v: %+v", c.v, r.Cautions)
		}
	}
}

// Eur Heart J 1988;9 Suppl H and the other measured cut-offs are never applied to an estimate.
func TestMeasuredOnly(t *testing.T) {
	for _, measured := range []bool{false, true} {
		r, err := Of(Value{VO2: 15, SEE: 3, Measured: measured, Criterion: "treadmill"}, Person{Sex: "male", AgeYears: 60}, Choice{}, Body{})
		if err != nil {
			t.Fatal(err)
		}
		applied := 0
		for _, x := range r.Thresholds {
			if x.Below != nil {
				applied++
			} else if x.NotApplied == "" {
				t.Errorf("%s: no reason", x.ID)
			}
		}
		if want := map[bool]int{false: 4, true: 11}[measured]; applied != want {
			t.Errorf("measured %v: %d thresholds applied, want %d", measured, applied, want)
		}
	}
}

// Br J Sports Med 2009;43:342: 18 in men, 15 in women. At the line itself the chance is one half.
func TestIndependence(t *testing.T) {
	for sex, line := range map[string]float64{"male": 18, "female": 15} {
		r, err := Of(Value{VO2: line, SEE: 3}, Person{Sex: sex, AgeYears: 75}, Choice{}, Body{})
		if err != nil {
			t.Fatal(err)
		}
		i := slices.IndexFunc(r.Thresholds, func(x Threshold) bool { return strings.HasPrefix(x.ID, "independence") })
		within(t, sex, r.Thresholds[i].Value, line, 0)
		within(t, sex, *r.Thresholds[i].Below, 0.5, 1e-12)
	}
}

// Worked example E12, Eur J Prev Cardiol 2018, 10.1177/2047487318772667: 1.74 (W × 6.12 / kg) + 3.5 at 150 W and 75 kg.
// The older equation, 1.8 (W × 6.12 / kg) + 7, gives 29.03 there, which is what the registry corrects.
func TestPeakPowerWorked(t *testing.T) {
	within(t, "registry", AtPeakPower(150, 75), 24.80, 0.005)
	within(t, "older equation", 1.8*6.12*150/75+7, 29.03, 0.005)
}

// Worked examples E23 to E27; a MET is 3.5 mL/kg/min.
func TestWorkedNumbers(t *testing.T) {
	within(t, "+3 METs", RelativeRisk(3), 0.6585, 0.00005)
	within(t, "chronotropic index", ChronotropicIndex(150, 70, 60), 0.889, 0.0005)
	within(t, "rate-pressure product", RatePressure(150, 180), 27000, 0)
	within(t, "130 to 170 mmHg over 1 to 5 MET", PressureSlope(130, 170, 1, 5), 10, 1e-12)
	within(t, "slow stairs at 14.0", Share(4.0, 14), 100, 1e-12)
	within(t, "level walking at 14.0", Share(3.0, 14), 75, 1e-12)
}

func TestRecoveryCuts(t *testing.T) {
	submaximal := Body{PeakHR: 135, HRAfter2: 93, Stop: StopAt85, Activity: "none", Posture: "sitting", Mode: "treadmill"}
	for _, c := range []struct {
		what    string
		change  func(*Body)
		verdict string
		cut     float64
	}{
		{"exactly 42 is slow", func(*Body) {}, "slow: at or below the cut", 42},
		{"43 is not", func(b *Body) { b.HRAfter2 = 92 }, "above the cut", 42},
		{"after an active cool-down no cut applies", func(b *Body) { b.Activity = "active" }, noCut, 0},
		{"lying down no cut applies", func(b *Body) { b.Posture = "supine" }, noCut, 0},
		{"stopped earlier no cut applies", func(b *Body) { b.Stop = StopEarlier }, noCut, 0},
		{"nothing recorded, no cut applies", func(b *Body) { b.Stop, b.Posture, b.Activity = "", "", "" }, noCut, 0},
		{"maximal, lying: 22 is not below 22", func(b *Body) { b.Stop, b.Posture, b.HRAfter2 = StopMaximal, "supine", 113 }, "above the cut", 22},
		{"maximal, lying: 21 is", func(b *Body) { b.Stop, b.Posture, b.HRAfter2 = StopMaximal, "supine", 114 }, "slow: below the cut", 22},
		{"one minute after a submaximal stop", func(b *Body) { b.HRAfter1, b.HRAfter2 = 120, 0 }, noCut, 0},
		{"one minute, maximal, slow walking: 12", func(b *Body) {
			b.HRAfter1, b.HRAfter2, b.Stop, b.Activity, b.Posture = 123, 0, StopMaximal, "walking", "upright"
		}, "slow: at or below the cut", 12},
	} {
		b := submaximal
		c.change(&b)
		f := Findings(b, Person{Sex: "male", AgeYears: 60})[0]
		if f.Verdict != c.verdict || (f.Cut == nil) != (c.cut == 0) || f.Cut != nil && *f.Cut != c.cut {
			t.Errorf("%s: %+v", c.what, f)
		}
	}
	stepper := submaximal
	stepper.Mode = "recumbent stepper"
	if f := Findings(stepper, Person{Sex: "male"})[0]; !strings.Contains(f.Why, "on a treadmill, not on a recumbent stepper") {
		t.Errorf("the other machine is not said: %s", f.Why)
	}
}

func TestPressures(t *testing.T) {
	b := Body{RestHR: 55, PeakHR: 130, RestSBP: 130, PeakSBP: 190, PeakDBP: 100, EndMETs: 5, Stop: StopAt85}
	verdicts := map[string]string{}
	for _, f := range Findings(b, Person{Sex: "female", AgeYears: 60}) {
		verdicts[f.ID] = f.Verdict
	}
	for id, want := range map[string]string{
		"systolic": "exaggerated by this cut-off", "diastolic": "below the cut-off so far; the test was submaximal", "resting-heart-rate": "below the usual range",
		"chronotropic-index": noCut, "rate-pressure-product": noCut, "systolic-slope": "usual is about 10",
	} {
		if verdicts[id] != want {
			t.Errorf("%s: %q, want %q", id, verdicts[id], want)
		}
	}
	if f := Findings(b, Person{Sex: "male"})[2]; f.ID != "systolic" || *f.Cut != 210 {
		t.Errorf("men: %+v", f)
	}
	max := Body{RestHR: 70, PeakHR: 132, PeakSBP: 190, Stop: StopMaximal}
	for _, c := range []struct {
		block bool
		want  string
	}{{false, "low"}, {true, "above the cut"}} { // (132-70)/(160-70) = 0.689
		max.BetaBlocker = c.block
		if f := Findings(max, Person{Sex: "male", AgeYears: 60})[1]; f.Verdict != c.want {
			t.Errorf("beta-blocker %v: %+v", c.block, f)
		}
	}
}

func TestRefusals(t *testing.T) {
	good, who := Value{VO2: 30, SEE: 4}, Person{Sex: "male", AgeYears: 45}
	for _, c := range []struct {
		v     Value
		p     Person
		o     Choice
		input string
	}{
		{Value{VO2: 2.5, SEE: 4}, who, Choice{}, "value"},
		{Value{VO2: math.NaN(), SEE: 4}, who, Choice{}, "value"},
		{Value{VO2: 30}, who, Choice{}, "see"},
		{Value{VO2: 30, SEE: -1}, who, Choice{}, "see"},
		{Value{VO2: 30, SEE: math.Inf(1)}, who, Choice{}, "see"},
		{good, Person{Sex: "male", AgeYears: 0}, Choice{}, "age"},
		{good, Person{Sex: "", AgeYears: 45}, Choice{}, "sex"},
		{good, Person{Sex: "male", AgeYears: 45, MassKg: 5}, Choice{}, "mass"},
		{good, Person{Sex: "male", AgeYears: 45, HeightCm: 1.78}, Choice{}, "height"},
		{good, who, Choice{Reference: "none"}, "reference"},
		{good, who, Choice{Equation: "none"}, "equation"},
	} {
		_, err := Of(c.v, c.p, c.o, Body{})
		var input *InputError
		if !errors.As(err, &input) || input.Input != c.input {
			t.Errorf("%+v %+v: %v", c.v, c.p, err)
		}
	}
}

// A fitter person never stands lower, a larger error never narrows, probabilities are a whole.
func TestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := Person{Sex: rapid.SampledFrom([]string{"female", "male"}).Draw(t, "sex"), AgeYears: rapid.Float64Range(20, 79.99).Draw(t, "age"), MassKg: rapid.Float64Range(40, 110).Draw(t, "mass")}
		v := rapid.Float64Range(5, 70).Draw(t, "value")
		see := rapid.Float64Range(0.5, 10).Draw(t, "see")
		ref := rapid.SampledFrom([]string{DefaultReference, "bands-1997"}).Draw(t, "table")
		of := func(v, see float64) *Report {
			r, err := Of(Value{VO2: v, SEE: see}, p, Choice{Reference: ref}, Body{})
			if err != nil {
				t.Fatal(err)
			}
			return r
		}
		r, fitter, vaguer := of(v, see), of(v+rapid.Float64Range(0, 20).Draw(t, "more"), see), of(v, see*1.5)
		sum := 0.0
		for name, x := range r.Probabilities {
			if x < 0 || x > 1 {
				t.Fatalf("%s: %v", name, x)
			}
			sum += x
		}
		if math.Abs(sum-1) > 1e-12 || len(r.Probabilities) != len(r.Classes) {
			t.Fatalf("probabilities sum to %v", sum)
		}
		if *r.PercentPredicted > *fitter.PercentPredicted || r.METs > fitter.METs || r.LowerLimit != nil && r.LowerLimit.Below < fitter.LowerLimit.Below {
			t.Fatal("a fitter person looks worse")
		}
		if math.Abs(*r.LPerMin*1000/p.MassKg-r.Value) > 1e-9 || math.Abs(r.METs*3.5-r.Value) > 1e-9 {
			t.Fatal("units do not agree")
		}
		if ref != DefaultReference {
			return
		}
		q := r.Percentile
		if q.Low95 > q.Value || q.Value > q.High95 || q.Low95 < 5 || q.High95 > 95 {
			t.Fatalf("%+v", q)
		}
		if fitter.Percentile.Value < q.Value || vaguer.Percentile.Low95 > q.Low95 || vaguer.Percentile.High95 < q.High95 {
			t.Fatal("percentiles do not keep the order")
		}
		b, _ := references[0].Block(p.Sex, p.AgeYears)
		if !q.BelowTable && !q.AboveTable && math.Abs(b.At(q.Value)-v) > 1e-9 {
			t.Fatalf("there and back: %v", b.At(q.Value))
		}
	})
}

func ExampleOf() {
	value := Value{VO2: 37.8, SEE: 4.5, Criterion: "treadmill", Machine: "recumbent stepper"}
	r, err := Of(value, Person{Sex: "male", AgeYears: 45}, Choice{}, Body{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("percentile %s of %s, %s of %s years\n", r.Percentile.Text, r.Reference, r.Sex, r.Table.Ages)
	for _, c := range r.Classes {
		fmt.Printf("%-15s %.2f\n", c.Name, c.Probability)
	}
	// Output:
	// percentile 50 (16 to 78) of registry-treadmill-2015, male of 40 to 49 years
	// below 20th      0.05
	// 20th-39th       0.25
	// 40th-59th       0.44
	// 60th-79th       0.24
	// 80th-94th       0.02
	// 95th and above  0.00
}
