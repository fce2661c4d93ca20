package estimate

import (
	"encoding/json"
	"math"
	"strconv"
)

// Number is a result that may be absent: NaN in Go, null in JSON.
type Number float64

// Absent is a number that is not there.
var Absent = Number(math.NaN())

// Present says whether there is a number.
func (n Number) Present() bool { return !math.IsNaN(float64(n)) && !math.IsInf(float64(n), 0) }

// MarshalJSON writes the number in full, or null.
func (n Number) MarshalJSON() ([]byte, error) {
	if !n.Present() {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

// UnmarshalJSON reads a number or null.
func (n *Number) UnmarshalJSON(data []byte) error {
	if string(data) == "null" {
		*n = Absent
		return nil
	}
	return json.Unmarshal(data, (*float64)(n))
}

// Verdicts of a single estimate. (Whether a test as a whole is usable is another question.)
const (
	Given   = "estimate"
	Refused = "refused"
)

// Result is an estimate with everything a reader needs to judge it. When the verdict is "refused", value and
// intervals are absent and Why says what to check.
type Result struct {
	Verdict       string         `json:"verdict"`
	Why           string         `json:"why,omitempty"`
	Estimator     string         `json:"estimator"`
	What          string         `json:"what"`
	Value         Number         `json:"value"`
	Unit          string         `json:"unit"`
	Criterion     string         `json:"criterion_mode"`
	SEE           Number         `json:"see"`
	Low68         Number         `json:"low68"` // ends of the interval for a new person; not clipped
	High68        Number         `json:"high68"`
	Low95         Number         `json:"low95"`
	High95        Number         `json:"high95"`
	Normal        *Number        `json:"lower_limit_of_normal,omitempty"` // of a predicted value
	NoError       string         `json:"no_error,omitempty"`              // why there is no interval
	Floor         float64        `json:"floor"`                           // a lower end below it is shown as "< floor"
	Covers        string         `json:"covers"`
	Extrapolation *Extrapolation `json:"extrapolation,omitempty"` // of a line over stages
	Inputs        []Used         `json:"inputs"`
	Cautions      []Caution      `json:"cautions"`
	Sensitivity   []Sensitivity  `json:"sensitivity"`
	Source        string         `json:"source"`
	ErrorSource   string         `json:"error_source"`
	Provenance    string         `json:"provenance"`
}

// Used is an input as it entered the equation; Word is set for a coded one.
type Used struct {
	ID    string  `json:"id"`
	Label string  `json:"label"`
	Value float64 `json:"value"`
	Word  string  `json:"word,omitempty"`
	Unit  string  `json:"unit"`
}

// Sensitivity says how far the value moves when one input is larger by Step (for a word: with the other word).
type Sensitivity struct {
	Input  string `json:"input"`
	Label  string `json:"label"`
	Step   string `json:"step"`
	Effect Number `json:"effect"` // in the unit of the value
}

// Estimate computes the answer for values in the order of e.Inputs. An error (an *InputError) means that a
// value cannot be taken; an impossible answer is no error but a refused result.
func (e *Estimator) Estimate(values []float64, c Context) (Result, error) {
	if !e.prepared {
		return Result{}, &InputError{e.ID, "estimator is not prepared", "call Prepare"}
	}
	if len(values) != len(e.Inputs) {
		return Result{}, &InputError{e.ID, strconv.Itoa(len(values)) + " values for " + strconv.Itoa(len(e.Inputs)) + " inputs", ""}
	}
	if e.Extrapolate != nil {
		return Result{}, &InputError{e.ID, "extends a line over several stages", "give the values of each stage"}
	}
	for i, v := range values {
		if err := e.Check(i, v); err != nil {
			return Result{}, err
		}
	}
	return e.result(values, &c), nil
}

// Eval computes the bare value, without checks and without using memory.
func (e *Estimator) Eval(values []float64) float64 { return e.run.eval(values) }

// see is the standard error of an answer, in the unit of the outcome.
func (e *Estimator) see(answer float64) float64 {
	switch {
	case e.Error.None != "":
		return math.NaN()
	case e.Error.Percent > 0:
		return float64(e.Error.Percent*math.Abs(answer)) / 100
	}
	return e.Error.SEE
}

// Half68 is half the width of the 68 % interval for a new person, in the unit of the outcome; NaN when no
// error is known, or when it grows with the value.
func (e *Estimator) Half68() float64 { return e.half(e.t68) }

// Half95 is the same for the 95 % interval.
func (e *Estimator) Half95() float64 { return e.half(e.t95) }

func (e *Estimator) half(t float64) float64 {
	if e.Error.Percent > 0 {
		return math.NaN()
	}
	return float64(t * e.Error.SEE)
}

// mustNot is the first condition on the inputs that does not hold, or -1.
func (e *Estimator) mustNot(values []float64) int {
	for i := range e.musts {
		if e.musts[i].eval(values) == 0 {
			return i
		}
	}
	return -1
}

// refuses says whether an answer is impossible.
func (e *Estimator) refuses(answer float64) bool {
	return !(answer >= e.Limits.RefuseBelow && answer <= e.Limits.RefuseAbove)
}

func (e *Estimator) result(values []float64, c *Context) Result {
	answer := e.Eval(values)
	see := e.see(answer)
	half68, half95 := float64(e.t68*see), float64(e.t95*see)
	r := Result{
		Verdict: Given, Estimator: e.ID, What: e.Outcome.What, Unit: e.Outcome.Unit, Criterion: e.Outcome.CriterionMode,
		SEE: Number(see), NoError: e.Error.None, Floor: e.Limits.Floor, Covers: e.Error.Covers,
		Source: e.Source, ErrorSource: e.Error.Source, Provenance: e.Provenance,
		Inputs: e.used(values), Cautions: []Caution{}, Sensitivity: []Sensitivity{},
		Value: Number(answer), Low68: Number(answer - half68), High68: Number(answer + half68),
		Low95: Number(answer - half95), High95: Number(answer + half95),
	}
	if n := e.Normal; n != nil {
		low := Number(answer - n.Minus)
		if n.Women > 0 && e.sexAt >= 0 && values[e.sexAt] == e.female() {
			low = Number(answer - n.Women)
		}
		r.Normal = &low
	}
	set := e.cautions(values, c, answer)
	for i := range e.rules {
		if set&(1<<i) != 0 {
			r.Cautions = append(r.Cautions, e.explain(&e.rules[i], values, c, answer))
		}
	}
	if must := e.mustNot(values); must >= 0 || e.refuses(answer) {
		r.Verdict, r.Why = Refused, e.why(answer)
		if must >= 0 {
			r.Why = e.Require[must].Text
		}
		r.Normal = nil
		r.Value, r.Low68, r.High68, r.Low95, r.High95 = Absent, Absent, Absent, Absent, Absent
		return r
	}
	r.Sensitivity = e.sensitivity(values)
	return r
}

// why does not repeat the impossible number: it is no estimate of anything.
func (e *Estimator) why(answer float64) string {
	if math.IsNaN(answer) {
		return "an input lies outside what the equation or its table takes; " + e.Limits.Text
	}
	side := "below " + number(e.Limits.RefuseBelow)
	if !(answer < e.Limits.RefuseBelow) {
		side = "above " + number(e.Limits.RefuseAbove)
	}
	return "the equation gives a value " + side + " " + e.Outcome.Unit + "; " + e.Limits.Text
}

func (e *Estimator) used(values []float64) []Used {
	used := make([]Used, len(values))
	for i, v := range values {
		used[i] = Used{ID: e.Inputs[i].ID, Label: e.Inputs[i].Label, Value: v, Unit: e.Inputs[i].Unit}
		for _, c := range e.Inputs[i].Codes {
			if c.Value == v {
				used[i].Word = c.Word
			}
		}
	}
	return used
}

// changeBy is the difference between two answers, one with input i larger by step.
func (e *Estimator) changeBy(values []float64, i int, step float64) float64 {
	if e.run.steps == nil { // a straight line: the coefficient, without the rounding of two answers
		for j, at := range e.run.inputs {
			if at == i {
				return float64(e.run.coefficients[j] * step)
			}
		}
	}
	other := append([]float64(nil), values...)
	other[i] += step
	return e.Eval(other) - e.Eval(values)
}

func (e *Estimator) sensitivity(values []float64) []Sensitivity {
	all := make([]Sensitivity, 0, len(values))
	for i := range e.Inputs {
		in := &e.Inputs[i]
		if len(in.Codes) == 0 {
			by := 1.0
			if in.Unit == "fraction" {
				by = 0.01
			}
			all = append(all, Sensitivity{in.ID, in.Label, "+" + number(by) + " " + in.Unit, Number(e.changeBy(values, i, by))})
			continue
		}
		for _, c := range in.Codes {
			if c.Value != values[i] {
				all = append(all, Sensitivity{in.ID, in.Label, c.Word, Number(e.changeBy(values, i, c.Value-values[i]))})
			}
		}
	}
	return all
}

// Low95Text is the lower end of the 95 % interval for a reader: "< 3.5" when it is below the floor, else with
// the given number of decimals.
func (r *Result) Low95Text(decimals int) string { return r.lowText(r.Low95, decimals) }

// Low68Text is the same for the 68 % interval.
func (r *Result) Low68Text(decimals int) string { return r.lowText(r.Low68, decimals) }

func (r *Result) lowText(low Number, decimals int) string {
	if float64(low) < r.Floor {
		return "< " + number(r.Floor)
	}
	return strconv.FormatFloat(float64(low), 'f', decimals, 64)
}

// RangeText is the 95 % range with what it covers, or why there is none.
func (r *Result) RangeText(decimals int) string {
	if r.NoError != "" {
		return "without a range: " + r.NoError
	}
	return "95 % range " + r.Low95Text(decimals) + " to " + strconv.FormatFloat(float64(r.High95), 'f', decimals, 64) + ", " + r.Covers
}

// Decimals is how many digits after the point a value in a unit is shown with.
func Decimals(unit string) int {
	switch unit {
	case "L/min", "MET":
		return 2
	case "mL/min":
		return 0
	}
	return 1
}

// PerKg is an oxygen uptake per kg of body mass, in mL/kg/min: the result itself, or one in L/min divided by a body mass in kg,
// whose own error is left out. It is nil for anything else and where no mass is known.
func (r *Result) PerKg(massKg float64) *Result {
	if r == nil || r.Unit == "mL/kg/min" {
		return r
	}
	if r.Unit != "L/min" || !(massKg > 0) {
		return nil
	}
	own, by := *r, 1000/massKg
	own.Unit = "mL/kg/min"
	for _, n := range []*Number{&own.Value, &own.SEE, &own.Low68, &own.High68, &own.Low95, &own.High95} {
		*n = Number(float64(*n) * by)
	}
	own.Floor = float64(r.Floor * by)
	return &own
}
