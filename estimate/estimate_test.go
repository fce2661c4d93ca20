package estimate_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"gradus/estimate"
	"gradus/estimate/library"
)

func stepper(t testing.TB) *estimate.Estimator {
	t.Helper()
	e, err := library.ByID("recumbent-stepper-2012")
	if err != nil {
		t.Fatal(err)
	}
	return e
}

const female, male = 0, 1

// A person with nothing to be careful about, but for the unverified coefficients.
var plain = estimate.Context{Drug: "no", Rhythm: "sinus"}

func ids(r estimate.Result) string {
	var all []string
	for _, c := range r.Cautions {
		all = append(all, c.ID)
	}
	return strings.Join(all, " ")
}

// Worked examples of "Recumbent stepper submaximal exercise test to predict peak oxygen uptake", Med Sci Sports
// Exerc 2012;44(8):1539-1544, with the coefficients as remembered; each sum was worked by hand to 4 decimals.
// Limits: below 3.5 and above 80 refused, below 10 and above 65 cautions (our choice).
func TestWorkedExamples(t *testing.T) {
	e := stepper(t)
	for _, c := range []struct {
		id                       string
		age, sex, mass, work, hr float64
		want                     string // 4 decimals; empty = refused
		cautions                 string
	}{
		{"S1", 34, male, 82, 100, 139, "40.4420", ""},
		{"S2", 67, female, 68.5, 75, 130, "22.3965", ""},
		{"S3", 40, female, 70, 100, 150, "30.7470", ""},
		{"S4", 55, male, 85, 125, 140, "33.1530", ""},
		{"S5", 35, male, 80, 175, 155, "47.6530", ""},
		{"S6", 70, male, 78, 75, 125, "26.4450", ""},
		{"S7", 80, female, 120, 30, 115, "", "outside-domain-age-years outside-domain-mass-kg below-checked-range"},
		{"S8", 20, male, 65, 175, 120, "76.0830", "end-heart-rate-low above-usual-range"},
		{"test A, stage 3", 34, male, 82, 100, 139, "40.4420", ""},
		{"test A, stage 4 cut short", 34, male, 82, 125, 159, "36.6170", ""},
		{"retest, first", 60, male, 88, 75, 124, "27.1100", ""},
		{"retest, second", 60, male, 88, 100, 129, "29.5100", ""},
		{"no beta-blocker", 60, male, 88, 75, 120, "28.7700", ""},
		{"beta-blocker", 60, male, 88, 75, 100, "37.0700", "end-heart-rate-low"},
	} {
		r, err := e.Estimate([]float64{c.age, c.sex, c.mass, c.work, c.hr}, plain)
		if err != nil {
			t.Errorf("%s: %v", c.id, err)
			continue
		}
		if want := strings.TrimSpace(c.cautions + " coefficients-unverified"); ids(r) != want {
			t.Errorf("%s: cautions %q, want %q", c.id, ids(r), want)
		}
		if c.want == "" {
			if r.Verdict != estimate.Refused || r.Value.Present() || r.Low95.Present() || r.High95.Present() || r.Low68.Present() || r.High68.Present() || r.Why == "" {
				t.Errorf("%s: refused result carries a number or no reason: %+v", c.id, r)
			}
			continue
		}
		if got := strconv.FormatFloat(float64(r.Value), 'f', 4, 64); got != c.want || r.Verdict != estimate.Given {
			t.Errorf("%s: %s (%s), want %s", c.id, got, r.Verdict, c.want)
		}
	}
}

// SEE 4.2 in 30 people (Phys Ther 2014;94(5):722). t quantiles with 28 degrees of freedom from a printed table:
// 2.0484 for 95 %. The factor for a new person is sqrt(1 + 1/30) = 1.016530.
func TestInterval(t *testing.T) {
	e := stepper(t)
	if want := 2.0484 * 4.2 * 1.016530; math.Abs(e.Half95()-want) > 5e-4 {
		t.Errorf("half of the 95 %% interval %v, want %v", e.Half95(), want)
	}
	if want := 1.0175 * 4.2 * 1.016530; math.Abs(e.Half68()-want) > 5e-3 {
		t.Errorf("half of the 68 %% interval %v, want about %v", e.Half68(), want)
	}
	r, err := e.Estimate([]float64{67, female, 68.5, 75, 130}, plain)
	if err != nil {
		t.Fatal(err)
	}
	if r.SEE != 4.2 || float64(r.High95-r.Value) != e.Half95() && math.Abs(float64(r.High95-r.Value)-e.Half95()) > 1e-12 {
		t.Errorf("%+v", r)
	}
	if r.Covers != "if the equation holds for people like this; checked in healthy and older volunteers, not after stroke" {
		t.Errorf("the interval's label is %q", r.Covers)
	}
	low, err := e.Estimate([]float64{77, female, 70, 50, 140}, plain)
	if err != nil {
		t.Fatal(err)
	}
	if float64(low.Low95) >= 3.5 || low.Low95Text(1) != "< 3.5" || low.Verdict != estimate.Given {
		t.Errorf("value %v, lower end %v shown as %q", low.Value, low.Low95, low.Low95Text(1))
	}
	if got := r.Low95Text(1); got != "13.7" {
		t.Errorf("lower end of S2 is shown as %s", got)
	}
}

// The edges of the domain: the last value inside gives no caution, the next gives one that says by how much.
func TestDomainEdges(t *testing.T) {
	e := stepper(t)
	for _, c := range []struct {
		age, mass float64
		id, text  string
	}{
		{20, 70, "", ""}, {78, 70, "", ""}, {50, 45, "", ""}, {50, 115, "", ""},
		{19, 70, "outside-domain-age-years", "age 19 years is 1 below the 20 to 78 years where the equation is taken to hold"},
		{82, 70, "outside-domain-age-years", "age 82 years is 4 above the 20 to 78 years"},
		{4, 70, "outside-domain-age-years", "age 4 years is 16 below the 20 to 78 years"},
		{50, 44.5, "outside-domain-mass-kg", "body mass 44.5 kg is 0.5 below the 45 to 115 kg"},
		{50, 120, "outside-domain-mass-kg", "body mass 120 kg is 5 above the 45 to 115 kg"},
	} {
		r, err := e.Estimate([]float64{c.age, female, c.mass, 100, 140}, plain)
		if err != nil {
			t.Fatal(err)
		}
		found := ""
		for _, caution := range r.Cautions {
			if strings.HasPrefix(caution.ID, "outside-domain") {
				found = caution.ID
				if !strings.HasPrefix(caution.Text, c.text) || caution.Source == "" {
					t.Errorf("%v: %+v, want %q", c, caution, c.text)
				}
			}
		}
		if found != c.id {
			t.Errorf("age %v, mass %v: %q, want %q", c.age, c.mass, found, c.id)
		}
	}
}

func TestCautionsFromTheTest(t *testing.T) {
	e := stepper(t)
	values := []float64{50, female, 70, 75, 130} // end point 144.5, so 124.5 is the last without a caution
	for _, c := range []struct {
		name     string
		context  estimate.Context
		id, text string
	}{
		{"drug yes", estimate.Context{Drug: "yes", Rhythm: "sinus"}, "rate-limiting-drug", "a rate-limiting drug is taken (not named)"},
		{"drug name", estimate.Context{Drug: "bisoprolol"}, "rate-limiting-drug", "(bisoprolol)"},
		{"drug unknown", estimate.Context{Drug: "Unknown"}, "drugs-not-recorded", "not recorded"},
		{"drug blank", estimate.Context{}, "drugs-not-recorded", "not recorded"},
		{"drug none", estimate.Context{Drug: "None"}, "", ""},
		{"atrial fibrillation", estimate.Context{Drug: "no", Rhythm: "atrial_fibrillation"}, "rhythm-not-sinus", "rhythm: atrial fibrillation;"},
		{"transplant", estimate.Context{Drug: "no", Rhythm: "heart_transplant"}, "rhythm-not-sinus", "heart transplant"},
		{"rhythm unknown", estimate.Context{Drug: "no", Rhythm: "unknown"}, "", ""},
		{"unfinished", estimate.Context{Drug: "no", Unfinished: true}, "unfinished-stage", "not finished"},
		{"unsteady", estimate.Context{Drug: "no", Unsteady: true}, "unsteady-stage", "not steady"},
		{"end point reached", estimate.Context{Drug: "no", EndPointBPM: 150}, "", ""},
		{"end point far", estimate.Context{Drug: "no", EndPointBPM: 151}, "end-heart-rate-low", "130 /min is 21 below the end point of 151"},
		{"own percent", estimate.Context{Drug: "no", EndPointPercent: 90}, "end-heart-rate-low", "end point of 153"},
		{"given maximum", estimate.Context{Drug: "no", MaxHRBPM: 200}, "end-heart-rate-low", "40 below the end point of 170"},
		{"own formula", estimate.Context{Drug: "no", MaxHRFormula: "206-0.88age"}, "", ""},
		{"unusable formula", estimate.Context{Drug: "no", MaxHRFormula: "220-0.95age"}, "", ""},
		{"cadence 89", estimate.Context{Drug: "no", CadenceTarget: 89}, "cadence-low", "below 90 /min"},
		{"cadence 90", estimate.Context{Drug: "no", CadenceTarget: 90}, "", ""},
		{"cadence observed only", estimate.Context{Drug: "no", CadenceObserved: 70}, "cadence-low", ""},
		{"cadence drift", estimate.Context{Drug: "no", CadenceTarget: 100, CadenceObserved: 111}, "cadence-drift", "111 /min was more than 10 % off the target of 100"},
		{"cadence at the edge", estimate.Context{Drug: "no", CadenceTarget: 100, CadenceObserved: 90}, "", ""},
		{"10-s count", estimate.Context{Drug: "no", HRMethod: "palpated-10s"}, "palpated-rate", "counted for 10 s, so the heart rate moves in steps of 6 /min; one count changes the estimate by 2.5"},
		{"15-s count", estimate.Context{Drug: "no", HRMethod: "palpated-15s"}, "palpated-rate", "steps of 4 /min; one count changes the estimate by 1.7"},
		{"30-s count", estimate.Context{Drug: "no", HRMethod: "palpated-30s"}, "palpated-rate", "steps of 2 /min; one count changes the estimate by 0.8"},
		{"strap", estimate.Context{Drug: "no", HRMethod: "strap"}, "", ""},
	} {
		r, err := e.Estimate(values, c.context)
		if err != nil {
			t.Fatal(err)
		}
		if want := strings.TrimSpace(c.id + " coefficients-unverified"); ids(r) != want {
			t.Errorf("%s: %q, want %q", c.name, ids(r), want)
			continue
		}
		if !strings.Contains(r.Cautions[0].Text, c.text) || r.Cautions[0].Source == "" || strings.ContainsAny(r.Cautions[0].Text, "{}") {
			t.Errorf("%s: %+v", c.name, r.Cautions[0])
		}
	}
}

func TestValuesThatCannotBeTaken(t *testing.T) {
	e := stepper(t)
	for _, c := range []struct {
		input, text, want string
	}{
		{"end_hr_bpm", "412", "end_hr_bpm: 412 /min is outside 25 to 250; check the entry"},
		{"mass_kg", "-70", "mass_kg: -70 kg is outside 10 to 400"},
		{"mass_kg", "NaN", `mass_kg: "NaN" is not a number`},
		{"mass_kg", "1e999", `mass_kg: "1e999" is not a number`},
		{"mass_kg", "0x50", `mass_kg: "0x50" is not a number`},
		{"mass_kg", "7_0", `mass_kg: "7_0" is not a number`},
		{"mass_kg", "70,5", `mass_kg: "70,5" is not a number; write it in kg with a decimal point`},
		{"mass_kg", " ", "mass_kg: no value; enter it"},
		{"sex", "m", `sex: "m" is not known; write female or male`},
		{"sex", "1", `sex: "1" is not known; write female or male`},
		{"age_years", "0", "age_years: 0 years is outside 1 to 120"},
	} {
		i, _ := e.InputAt(c.input)
		_, err := e.Parse(i, c.text)
		var bad *estimate.InputError
		if !errors.As(err, &bad) || !strings.HasPrefix(err.Error(), c.want) || bad.Input != c.input {
			t.Errorf("%s=%s: %v, want %s", c.input, c.text, err, c.want)
		}
	}
	for _, values := range [][]float64{nil, {50}, {50, 2, 70, 75, 130}, {50, 0, math.NaN(), 75, 130}, {50, 0, 70, math.Inf(1), 130}} {
		if _, err := e.Estimate(values, plain); err == nil {
			t.Errorf("%v was taken", values)
		}
	}
	if _, err := (&estimate.Estimator{ID: "x"}).Estimate(nil, plain); err == nil {
		t.Error("an estimator that is not prepared answered")
	}
}

func anyPerson(r *rand.Rand) []float64 {
	return []float64{math.Round(1 + 119*r.Float64()), float64(r.IntN(2)), 10 + 390*r.Float64(), 1 + math.Round(499*r.Float64()), math.Round(25 + 225*r.Float64())}
}

// The stated sensitivity is the difference between two estimates.
func TestSensitivityIsADifference(t *testing.T) {
	e, r := stepper(t), rand.New(rand.NewPCG(3, 3))
	for range 2000 {
		values := anyPerson(r)
		result, err := e.Estimate(values, plain)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range result.Sensitivity {
			i, _ := e.InputAt(s.Input)
			other := append([]float64(nil), values...)
			if s.Input == "sex" {
				other[i] = 1 - other[i]
			} else {
				other[i]++
			}
			if got, want := float64(s.Effect), e.Eval(other)-e.Eval(values); math.Abs(got-want) > 1e-9 {
				t.Fatalf("%v %s: effect %v, difference %v", values, s.Step, got, want)
			}
		}
		if (result.Verdict == estimate.Refused) != (len(result.Sensitivity) == 0) {
			t.Fatalf("%s with %d sensitivities", result.Verdict, len(result.Sensitivity))
		}
	}
}

// A refused result never carries a value, in Go or in JSON; any other is within the limits and has its interval.
func TestRefusedResultsCarryNoValue(t *testing.T) {
	e, r := stepper(t), rand.New(rand.NewPCG(4, 4))
	refused := 0
	for range 5000 {
		result, err := e.Estimate(anyPerson(r), estimate.Context{})
		if err != nil {
			t.Fatal(err)
		}
		data, err := json.Marshal(result)
		if err != nil {
			t.Fatal(err)
		}
		var read struct {
			Verdict                             string
			Value, Low95, High95, Low68, High68 *float64
			Cautions                            []map[string]any
		}
		if err := json.Unmarshal(data, &read); err != nil {
			t.Fatal(err)
		}
		if read.Cautions == nil {
			t.Fatal("cautions are null")
		}
		if read.Verdict == estimate.Refused {
			refused++
			if read.Value != nil || read.Low95 != nil || read.High95 != nil || read.Low68 != nil || read.High68 != nil {
				t.Fatalf("refused, with a number: %s", data)
			}
			continue
		}
		if *read.Value < 3.5 || *read.Value > 80 || !(*read.Low95 < *read.Low68 && *read.Low68 < *read.Value && *read.Value < *read.High68 && *read.High68 < *read.High95) {
			t.Fatalf("%s", data)
		}
	}
	if refused < 500 || refused > 4500 {
		t.Errorf("%d of 5000 refused; the sample says nothing", refused)
	}
}

// Rows are scored by the same rules as single estimates.
func TestScorerEqualsEstimate(t *testing.T) {
	e, r := stepper(t), rand.New(rand.NewPCG(5, 5))
	bare, full := e.Scorer(false), e.Scorer(true)
	contexts := []estimate.Context{{}, plain, {Drug: "yes", Rhythm: "paced", HRMethod: "palpated-10s"}, {EndPointBPM: 140, CadenceTarget: 80, Unsteady: true}}
	for range 5000 {
		values := anyPerson(r)
		for i, c := range contexts {
			want, err := e.Estimate(values, c)
			if err != nil {
				t.Fatal(err)
			}
			var row estimate.Row
			s := full
			if i == 0 && r.IntN(2) == 0 {
				s = bare
			}
			s.Score(values, &c, &row)
			if got := string(s.AppendCautions(nil, row.Cautions)); got != ids(want) {
				t.Fatalf("%v %+v: row has %q, estimate %q", values, c, got, ids(want))
			}
			if row.Refused != (want.Verdict == estimate.Refused) || !row.Refused && (row.Value != float64(want.Value) || row.Low95 != float64(want.Low95) || row.High95 != float64(want.High95)) {
				t.Fatalf("%v: row %+v, estimate %+v", values, row, want)
			}
		}
	}
}

func TestScoringUsesNoMemory(t *testing.T) {
	e := stepper(t)
	s, values, row, c := e.Scorer(true), []float64{50, 0, 70, 75, 130}, estimate.Row{}, plain
	if n := testing.AllocsPerRun(100, func() { s.Score(values, &c, &row); _ = e.Eval(values) }); n != 0 {
		t.Errorf("%v allocations a row", n)
	}
}

func BenchmarkScore(b *testing.B) {
	e := stepper(b)
	s, values, row, c := e.Scorer(false), []float64{50, 0, 70, 75, 130}, estimate.Row{}, estimate.Context{}
	b.ReportAllocs()
	for b.Loop() {
		s.Score(values, &c, &row)
	}
}

func BenchmarkEstimate(b *testing.B) {
	e, values := stepper(b), []float64{50, 0, 70, 75, 130}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := e.Estimate(values, plain); err != nil {
			b.Fatal(err)
		}
	}
}

func ExampleEstimator_Estimate() {
	e, err := library.ByID("recumbent-stepper-2012")
	if err != nil {
		fmt.Println(err)
		return
	}
	// A woman of 67 years and 68.5 kg who ended at 75 W with a heart rate of 130.
	r, err := e.Estimate([]float64{67, 0, 68.5, 75, 130}, estimate.Context{Drug: "no", Rhythm: "sinus"})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.1f (%s to %.1f) %s\n", r.Value, r.Low95Text(1), r.High95, r.Unit)
	for _, c := range r.Cautions {
		fmt.Println(c.ID)
	}
	// Output:
	// 22.4 (13.7 to 31.1) mL/kg/min
	// coefficients-unverified
}
