package library

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"gradus/estimate"
	"gradus/yamlread"
)

func stepper(t testing.TB) *estimate.Estimator {
	t.Helper()
	e, err := ByID("recumbent-stepper-2012")
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func TestAllShippedEstimatorsAreReady(t *testing.T) {
	all, err := All()
	if err != nil {
		t.Fatal(err)
	}
	if len(all) != len(IDs()) || len(all) == 0 {
		t.Fatalf("%d estimators, %d ids", len(all), len(IDs()))
	}
	for i, e := range all {
		if e.ID != IDs()[i] {
			t.Errorf("file %s.yaml holds %s", IDs()[i], e.ID)
		}
	}
	if _, err := ByID("nothing"); !errors.Is(err, ErrUnknown) {
		t.Errorf("unknown id: %v", err)
	}
}

// The coefficients typed a second time. Source: "Recumbent stepper submaximal exercise test to predict peak
// oxygen uptake", Med Sci Sports Exerc 2012;44(8):1539-1544 (from memory); SEE: Phys Ther 2014;94(5):722.
func TestStepperIsAsStated(t *testing.T) {
	e := stepper(t)
	want := map[string]float64{"": 125.707, "age_years": -0.476, "mass_kg": -0.451, "sex": 7.686, "end_work_w": 0.179, "end_hr_bpm": -0.415}
	if len(e.Terms) != len(want) {
		t.Fatalf("%d terms", len(e.Terms))
	}
	for _, term := range e.Terms {
		if term.Coefficient != want[term.Input] || term.How != "memory" {
			t.Errorf("%s: %v (%s), want %v from memory", term.Input, term.Coefficient, term.How, want[term.Input])
		}
	}
	var ids []string
	for _, in := range e.Inputs {
		ids = append(ids, in.ID)
	}
	if got := strings.Join(ids, ", "); got != "age_years, sex, mass_kg, end_work_w, end_hr_bpm" {
		t.Errorf("inputs %s", got)
	}
	if e.Error.SEE != 4.2 || e.Error.N != 30 || e.Error.DF != 28 || e.Outcome.CriterionMode != "treadmill" || e.Verification != nil {
		t.Errorf("error %+v, mode %s, verification %v", e.Error, e.Outcome.CriterionMode, e.Verification)
	}
}

func TestEstimatorTravelsAsJSON(t *testing.T) {
	before := stepper(t)
	data, err := json.Marshal(before)
	if err != nil {
		t.Fatal(err)
	}
	after := &estimate.Estimator{}
	if err := json.Unmarshal(data, after); err != nil {
		t.Fatal(err)
	}
	if err := after.Prepare(); err != nil {
		t.Fatal(err)
	}
	values := []float64{67, 0, 68.5, 75, 130}
	a, errA := before.Estimate(values, estimate.Context{})
	b, errB := after.Estimate(values, estimate.Context{})
	if errA != nil || errB != nil || fmt.Sprint(a) != fmt.Sprint(b) {
		t.Errorf("%v, %v\n%v\n%v", errA, errB, a, b)
	}
}

const verified = `estimator: recumbent-stepper-2012
verified_by: An Invented Person, physical therapist
verified_on: 2026-02-03
against: the paper, table 3
coefficients: {constant: 125.707, age_years: -0.476, mass_kg: -0.451, sex: 7.686, end_work_w: 0.179, end_hr_bpm: -0.415}
`

func TestVerificationRemovesTheNotice(t *testing.T) {
	data, err := files.ReadFile("recumbent-stepper-2012.yaml")
	if err != nil {
		t.Fatal(err)
	}
	has := func(e *estimate.Estimator) bool {
		r, err := e.Estimate([]float64{67, 0, 68.5, 75, 130}, estimate.Context{Drug: "no"})
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range r.Cautions {
			if c.ID == "coefficients-unverified" {
				return c.Notice
			}
		}
		return false
	}
	if !has(stepper(t)) {
		t.Error("the shipped estimator gives no notice, as one")
	}
	e, err := Read("x.yaml", data, []byte(verified))
	if err != nil {
		t.Fatal(err)
	}
	if has(e) {
		t.Error("a verified estimator still gives the notice")
	}
	for _, c := range []struct{ old, new, want string }{
		{"-0.476", "-0.467", "verified/x.yaml:5:"},
		{", end_hr_bpm: -0.415", "", "verified/x.yaml:5:1: coefficients are not one for each term"},
		{"2026-02-03", "soon", "verified/x.yaml:2:14: verified_by name, date"},
		{"An Invented Person, physical therapist", "' '", "verified/x.yaml:2:14: verified_by name, date"},
		{"estimator: recumbent-stepper-2012", "estimator: other", "verified/x.yaml:1:12: "},
		{"against", "againts", "verified/x.yaml:4:1: unknown key againts; did you mean against?"},
	} {
		_, err := Read("x.yaml", data, []byte(strings.Replace(verified, c.old, c.new, 1)))
		if err == nil || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%s for %s: %v, want %s", c.new, c.old, err, c.want)
		}
	}
}

// Each change to the file must be refused at its place.
func TestFaultyFilesAreRefusedWithTheirPlace(t *testing.T) {
	data, err := files.ReadFile("recumbent-stepper-2012.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ old, new, want string }{
		{"gradus-estimator/1", "gradus-estimator/9", "format "},
		{"id: recumbent-stepper-2012", "id: Stepper", "id "},
		{"input: mass_kg,", "input: weight,", "terms[2].input no input is called weight"},
		{"{input: mass_kg, coefficient: -0.451, unit: mL/kg/min per kg, how: memory}", "{input: age_years, coefficient: 1, unit: x, how: seen}", "terms[2].input a second term"},
		{"  - {input: mass_kg, coefficient: -0.451, unit: mL/kg/min per kg, how: memory}\n", "", "inputs[2].id mass_kg is in no term"},
		{"how: memory}", "how: guess}", "terms[0].how "},
		{"coefficient: 7.686", "coefficient: 0", "terms[3].coefficient"},
		{"see: 4.2", "see: 0", "error.see must be above 0; no estimate without its error"},
		{"df: 28", "df: 30", "error.df"},
		{"role: work", "role: age", "inputs[3].role age appears twice"},
		{"plausible: {from: 10, to: 400", "plausible: {from: 400, to: 10", "inputs[2].plausible is empty"},
		{"when: rhythm not sinus", "when: rhythm odd", "cautions[2].when"},
		{"when: rate-limiting drug", "when: unsteady stage", "cautions no caution for: rate-limiting drug"},
		{"when: coefficients not verified", "when: unsteady stage", "cautions no caution for: coefficients not verified"},
		{"id: unsteady-stage", "id: unfinished-stage", "cautions[4].id unfinished-stage appears twice"},
		{"formula: 220-age", "formula: 230-age", "cautions[5].formula"},
		{"refuse_below: 3.5", "refuse_below: 90", "limits refuse_below"},
		{"source: >-\n  Recumbent", "sauce: >-\n  Recumbent", "unknown key sauce; did you mean source?"},
	} {
		changed := bytes.Replace(data, []byte(c.old), []byte(c.new), 1)
		if bytes.Equal(changed, data) {
			t.Errorf("%q is not in the file", c.old)
			continue
		}
		_, err := Read("own.yaml", changed, nil)
		var placed *yamlread.Error
		if !errors.As(err, &placed) || placed.Line < 2 && !strings.HasPrefix(c.want, "format") {
			t.Errorf("%q: error without a place: %v", c.new, err)
			continue
		}
		if !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v, want %s", c.new, err, c.want)
		}
	}
}

func FuzzRead(f *testing.F) {
	data, err := files.ReadFile("recumbent-stepper-2012.yaml")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	f.Add([]byte("format: gradus-estimator/1\nid: a\nformula: {text: 1+1, how: seen}\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		e, err := Read("own.yaml", data, nil)
		if err != nil {
			return
		}
		values := make([]float64, len(e.Inputs))
		for i := range e.Inputs {
			if p := e.Inputs[i].Plausible; p != nil {
				values[i] = p.From
			} else {
				values[i] = e.Inputs[i].Codes[0].Value
			}
		}
		r, err := e.Estimate(values, estimate.Context{})
		if err == nil && (r.Verdict == estimate.Refused) == !math.IsNaN(float64(r.Value)) {
			t.Fatalf("verdict %s with value %v", r.Verdict, r.Value)
		}
	})
}

func ExampleByID() {
	e, err := ByID("recumbent-stepper-2012")
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(e.Title)
	for _, in := range e.Inputs {
		fmt.Println(in.ID, in.Unit)
	}
	// Output:
	// Recumbent stepper submaximal exercise test, peak oxygen uptake
	// age_years years
	// sex female or male
	// mass_kg kg
	// end_work_w W
	// end_hr_bpm /min
}
