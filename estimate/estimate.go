// Package estimate predicts a person's peak oxygen uptake from a submaximal test, with its error.
//
// An [Estimator] is data: a published equation with its inputs, units, coding, error, population and source,
// read by package estimate/library. [Estimator.Estimate] answers with a [Result]: the value is never alone,
// it carries interval, what the interval covers, cautions and source. [Scorer] does the same for rows
// without building text.
//
// Values are in the units that the estimator's file states (mL/kg/min for VO2peak). Nothing here knows how
// a test was run; what an estimate should know of it comes in a [Context]. The API is meant to stay.
package estimate

import (
	"strconv"
	"strings"
)

// Estimator is a published equation or method. Fill it from a file (package estimate/library) or from JSON,
// then call [Estimator.Prepare] once; after that it is not changed and may be shared.
type Estimator struct {
	Format string `yaml:"format" json:"format"`
	ID     string `yaml:"id" json:"id"`
	Title  string `yaml:"title" json:"title"`
	// Test says what the equation needs: submaximal (also when empty), maximal (a test to exhaustion), none
	// (no exercise), group (a mean of many people), or step (one step of a longer calculation).
	Test string `yaml:"test" json:"test,omitempty"`
	// For is women or men when the equation is for one sex only.
	For        string  `yaml:"for" json:"for,omitempty"`
	Outcome    Outcome `yaml:"outcome" json:"outcome"`
	Inputs     []Input `yaml:"inputs" json:"inputs"`
	Terms      []Term  `yaml:"terms" json:"terms,omitempty"`     // a linear equation, or
	Formula    *Paper  `yaml:"formula" json:"formula,omitempty"` // any other
	Tables     []Table `yaml:"tables" json:"tables,omitempty"`   // what the formula looks up
	Require    []Must  `yaml:"require" json:"require,omitempty"` // what must hold of the inputs, else the answer is refused
	Error      Error   `yaml:"error" json:"error"`
	Population string  `yaml:"population" json:"population"`
	Limits     Limits  `yaml:"limits" json:"limits"`
	// Extrapolate makes the equation that of one stage, and the answer a line over stages extended to maximal heart rate.
	Extrapolate *Extrapolate `yaml:"extrapolate" json:"extrapolate,omitempty"`
	Normal      *Normal      `yaml:"lower_limit_of_normal" json:"lower_limit_of_normal,omitempty"`
	// Use names rules of the table that many estimators share; the reader of files adds them to Cautions.
	Use        []string `yaml:"use" json:"-"`
	Cautions   []Rule   `yaml:"cautions" json:"cautions"`
	Source     string   `yaml:"source" json:"source"`
	Provenance string   `yaml:"provenance" json:"provenance"`
	// Verification is the record of a person who compared every coefficient with the paper; nil until then.
	Verification *Verification `yaml:"-" json:"verification"`

	// Demanded is set where a site takes no answer from an equation that nobody has compared with its paper.
	Demanded bool `yaml:"-" json:"verification_demanded,omitempty"`
	// Women answers in place of this one for women, and Beside are shown next to it; a protocol names them.
	Women  *Estimator   `yaml:"-" json:"women,omitempty"`
	Beside []*Estimator `yaml:"-" json:"beside,omitempty"`
	// Prior is set on an expectation that stands beside a test because the answers it needs are recorded; it is left
	// out where one is missing.
	Prior bool `yaml:"-" json:"prior,omitempty"`

	run      program
	rules    []check
	musts    []program
	t68, t95 float64 // half widths of the intervals in standard errors
	ageAt    int     // index of the input with this role, or -1
	sexAt    int
	hrAt     int
	prepared bool
}

// Outcome is what is predicted.
type Outcome struct {
	What          string `yaml:"what" json:"what"`
	Unit          string `yaml:"unit" json:"unit"`
	CriterionMode string `yaml:"criterion_mode" json:"criterion_mode"` // the kind of maximal test whose result is predicted
	How           string `yaml:"how" json:"how"`
	Note          string `yaml:"note" json:"note,omitempty"`
}

// Input is one number (or coded word) that the equation needs.
type Input struct {
	ID    string `yaml:"id" json:"id"`
	Label string `yaml:"label" json:"label"`
	Unit  string `yaml:"unit" json:"unit"`
	// Role tells programs what the input is: age, sex, mass, work, heart-rate, or empty.
	Role string `yaml:"role" json:"role,omitempty"`
	// Also are other names the input may be given by, each with its own unit.
	Also      []Other `yaml:"also" json:"also,omitempty"`
	Codes     []Code  `yaml:"codes" json:"codes,omitempty"`         // for words; empty for numbers
	Plausible *Range  `yaml:"plausible" json:"plausible,omitempty"` // outside is an error of entry
	Domain    *Range  `yaml:"domain" json:"domain,omitempty"`       // outside is a caution
	Note      string  `yaml:"note" json:"note,omitempty"`
}

// Other is another name of an input. A number given by it is multiplied by Times and divided by Per (0 counts
// as 1) to be in the input's own unit. With Word the name takes 1 for that word of the input and 0 for the other.
type Other struct {
	Name  string  `yaml:"name" json:"name"`
	Unit  string  `yaml:"unit" json:"unit,omitempty"`
	Times float64 `yaml:"times" json:"times,omitempty"`
	Per   float64 `yaml:"per" json:"per,omitempty"`
	Word  string  `yaml:"word" json:"word,omitempty"`
	How   string  `yaml:"how" json:"how,omitempty"`
	Note  string  `yaml:"note" json:"note,omitempty"`
}

// Convert turns a number given by the other name into the input's own unit.
func (o *Other) Convert(v float64) float64 {
	if o.Times != 0 {
		v = float64(v * o.Times)
	}
	if o.Per != 0 {
		v /= o.Per
	}
	return v
}

// Code gives a word its number.
type Code struct {
	Word  string  `yaml:"word" json:"word"`
	Value float64 `yaml:"value" json:"value"`
}

// Range includes both ends.
type Range struct {
	From   float64 `yaml:"from" json:"from"`
	To     float64 `yaml:"to" json:"to"`
	How    string  `yaml:"how" json:"how"`
	Source string  `yaml:"source" json:"source,omitempty"`
}

// Term is Coefficient times an input, or times Of, a product of inputs such as age_years^2; the constant has
// neither.
type Term struct {
	Input       string  `yaml:"input" json:"input,omitempty"`
	Of          string  `yaml:"of" json:"of,omitempty"`
	Coefficient float64 `yaml:"coefficient" json:"coefficient"`
	Unit        string  `yaml:"unit" json:"unit"`
	How         string  `yaml:"how" json:"how"`
}

// Paper is a formula with how it is known. Numbers lists the numbers of the text in their order, each with its
// unit, so that each can be compared with the paper.
type Paper struct {
	Text    string   `yaml:"text" json:"text"`
	How     string   `yaml:"how" json:"how"`
	Numbers []Figure `yaml:"numbers" json:"numbers,omitempty"`
}

// Figure is a number of a formula.
type Figure struct {
	Value float64 `yaml:"value" json:"value"`
	Unit  string  `yaml:"unit" json:"unit"`
	How   string  `yaml:"how" json:"how"`
}

// Table gives a value between points on a straight line. Outside the first and last point Beyond says what
// happens: hold (the value at the end) or refuse.
type Table struct {
	ID     string `yaml:"id" json:"id"`
	XUnit  string `yaml:"x_unit" json:"x_unit"`
	YUnit  string `yaml:"y_unit" json:"y_unit"`
	Points []Knot `yaml:"points" json:"points"`
	Below  string `yaml:"below" json:"below"`
	Above  string `yaml:"above" json:"above"`
	How    string `yaml:"how" json:"how"` // the rule between points and beyond them
	Source string `yaml:"source" json:"source"`
}

// Knot is a row of a table.
type Knot struct {
	X   float64 `yaml:"x" json:"x"`
	Y   float64 `yaml:"y" json:"y"`
	How string  `yaml:"how" json:"how"`
}

// Must is a condition on the inputs, such as hr2_bpm > hr1_bpm; when it does not hold the answer is refused with
// Text.
type Must struct {
	That string `yaml:"that" json:"that"`
	Text string `yaml:"text" json:"text"`
	How  string `yaml:"how" json:"how"`
}

// Normal is how far below a predicted value the lower limit of normal lies, in the unit of the outcome.
type Normal struct {
	Minus  float64 `yaml:"minus" json:"minus"`
	Women  float64 `yaml:"minus_women" json:"minus_women,omitempty"` // when it differs for women
	How    string  `yaml:"how" json:"how"`
	Source string  `yaml:"source" json:"source"`
}

// Error is the published error of the equation and whom it was found in.
type Error struct {
	SEE     float64 `yaml:"see" json:"see"`                           // in the unit of the outcome
	Percent float64 `yaml:"see_percent" json:"see_percent,omitempty"` // or in percent of the value
	None    string  `yaml:"none" json:"none,omitempty"`               // or why there is none
	N       float64 `yaml:"n" json:"n"`                               // people it was found in; 0 with Unknown
	DF      float64 `yaml:"df" json:"df"`                             // degrees of freedom of its t quantile
	// Unknown says why n is not known; the interval is then that of a normal distribution.
	Unknown    string `yaml:"n_unknown" json:"n_unknown,omitempty"`
	Kind       string `yaml:"kind" json:"kind"`
	Population string `yaml:"population" json:"population"`
	Covers     string `yaml:"covers" json:"covers"` // what the interval promises, and what it does not
	How        string `yaml:"how" json:"how"`
	Source     string `yaml:"source" json:"source"`
}

// Limits of the answer. Outside the first two the answer is refused; a lower end of an interval below Floor
// is shown as "< Floor".
type Limits struct {
	RefuseBelow float64 `yaml:"refuse_below" json:"refuse_below"`
	RefuseAbove float64 `yaml:"refuse_above" json:"refuse_above"`
	Floor       float64 `yaml:"floor" json:"floor"`
	Text        string  `yaml:"text" json:"text"`
	How         string  `yaml:"how" json:"how"`
	Source      string  `yaml:"source" json:"source,omitempty"`
}

// Verification is a person's statement that every coefficient was compared with the paper.
type Verification struct {
	Estimator string `yaml:"estimator" json:"estimator"`
	By        string `yaml:"verified_by" json:"verified_by"`
	On        string `yaml:"verified_on" json:"verified_on"` // year-month-day
	Against   string `yaml:"against" json:"against"`
	// Coefficients of terms are by input id (or by what the term is of); "constant" for the constant.
	Coefficients map[string]float64 `yaml:"coefficients" json:"coefficients,omitempty"`
	// Numbers of a formula are in the order of its text.
	Numbers []float64 `yaml:"numbers" json:"numbers,omitempty"`
	// Tables hold the values of each table by its id, in the order of its points.
	Tables map[string][]float64 `yaml:"tables" json:"tables,omitempty"`
}

// A FieldError is a fault in an estimator's data.
type FieldError struct {
	Path string // such as terms[2].input
	Msg  string
	Hint string
}

func (e *FieldError) Error() string {
	s := e.Path + ": " + e.Msg
	if e.Hint != "" {
		s += "; " + e.Hint
	}
	return s
}

// An InputError is a value that cannot be taken.
type InputError struct {
	Input string // id of the input
	Msg   string
	Hint  string
}

func (e *InputError) Error() string {
	s := e.Input + ": " + e.Msg
	if e.Hint != "" {
		s += "; " + e.Hint
	}
	return s
}

// InputAt returns the place of an input in the order of the values, by id.
func (e *Estimator) InputAt(id string) (int, bool) {
	for i := range e.Inputs {
		if e.Inputs[i].ID == id {
			return i, true
		}
	}
	return 0, false
}

// RoleAt returns the place of the input with a role, or -1.
func (e *Estimator) RoleAt(role string) int {
	for i := range e.Inputs {
		if e.Inputs[i].Role == role {
			return i
		}
	}
	return -1
}

// Unverified says whether the equation rests on memory that nobody has compared with the paper.
func (e *Estimator) Unverified() bool { return e.Verification == nil && e.fromMemory() }

func (e *Estimator) fromMemory() bool {
	if e.Formula != nil && e.Formula.How == "memory" {
		return true
	}
	if e.Formula != nil {
		for i := range e.Formula.Numbers {
			if e.Formula.Numbers[i].How == "memory" {
				return true
			}
		}
	}
	for i := range e.Tables {
		for _, p := range e.Tables[i].Points {
			if p.How == "memory" {
				return true
			}
		}
	}
	for i := range e.Terms {
		if e.Terms[i].How == "memory" {
			return true
		}
	}
	return false
}

// Named returns the place of an input by its id or by one of its other names; other is nil for the id.
func (e *Estimator) Named(name string) (i int, other *Other, ok bool) {
	if i, ok = e.InputAt(name); ok {
		return i, nil, true
	}
	for i := range e.Inputs {
		for k := range e.Inputs[i].Also {
			if e.Inputs[i].Also[k].Name == name {
				return i, &e.Inputs[i].Also[k], true
			}
		}
	}
	return 0, nil, false
}

// ParseOther reads what was given for input i by one of its other names. The error is an *InputError.
func (e *Estimator) ParseOther(i int, other *Other, text string) (float64, error) {
	in := &e.Inputs[i]
	v, ok := plainNumber(strings.TrimSpace(text))
	switch {
	case !ok && len(in.Codes) > 0 && other.Word == "":
		return e.Parse(i, text)
	case !ok:
		return 0, &InputError{other.Name, strconv.Quote(text) + " is not a number", "write it " + other.meaning() + " with a decimal point"}
	case other.Word == "":
		return e.given(i, other, v)
	case v != 0 && v != 1:
		return 0, &InputError{other.Name, number(v) + " is neither 0 nor 1", other.meaning()}
	}
	for _, c := range in.Codes {
		if (c.Word == other.Word) == (v == 1) {
			return c.Value, nil
		}
	}
	return 0, &InputError{other.Name, number(v) + " has no word", ""}
}

// given converts and checks a number; a fault names the number as it was given.
func (e *Estimator) given(i int, other *Other, v float64) (float64, error) {
	own := other.Convert(v)
	err := e.Check(i, own)
	if err != nil && len(e.Inputs[i].Codes) == 0 && own != v {
		return 0, &InputError{other.Name, number(v) + " " + other.Unit + " is " + fixed(own) + " " + e.Inputs[i].Unit + ", outside " + e.Inputs[i].Plausible.text(), "check the entry and its unit"}
	}
	return own, err
}

func (o *Other) meaning() string {
	if o.Word != "" {
		return "as 1 for " + o.Word + ", 0 for the other"
	}
	return "in " + o.Unit
}

// Parse reads what a person typed for input i: a number with a decimal point, or one of the input's words.
// The error is an *InputError.
func (e *Estimator) Parse(i int, text string) (float64, error) {
	in := &e.Inputs[i]
	text = strings.TrimSpace(text)
	if text == "" {
		return 0, &InputError{in.ID, "no value", "enter it"}
	}
	if len(in.Codes) > 0 {
		for _, c := range in.Codes {
			if strings.EqualFold(c.Word, text) {
				return c.Value, nil
			}
		}
		return 0, &InputError{in.ID, strconv.Quote(text) + " is not known", "write " + in.words()}
	}
	v, ok := plainNumber(text)
	if !ok {
		return 0, &InputError{in.ID, strconv.Quote(text) + " is not a number", "write it in " + in.Unit + " with a decimal point"}
	}
	return v, e.Check(i, v)
}

// Check says whether v can be taken for input i. The error is an *InputError.
func (e *Estimator) Check(i int, v float64) error {
	in := &e.Inputs[i]
	if len(in.Codes) > 0 {
		for _, c := range in.Codes {
			if c.Value == v {
				return nil
			}
		}
		return &InputError{in.ID, number(v) + " is not the number of a word", "use " + in.words()}
	}
	if in.Plausible != nil && !(v >= in.Plausible.From && v <= in.Plausible.To) {
		return &InputError{in.ID, number(v) + " " + in.Unit + " is outside " + in.Plausible.text(), "check the entry"}
	}
	return nil
}

func (in *Input) words() string {
	words := make([]string, len(in.Codes))
	for i, c := range in.Codes {
		words[i] = c.Word
	}
	return strings.Join(words, " or ")
}

func (r *Range) text() string { return number(r.From) + " to " + number(r.To) }

// number prints v as briefly as it can be read back.
func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// plainNumber reads digits with sign, point and exponent only: no hexadecimal, underscore, NaN or infinity.
func plainNumber(s string) (float64, bool) {
	for i := range len(s) {
		c := s[i]
		if (c < '0' || c > '9') && c != '.' && c != '-' && c != '+' && c != 'e' && c != 'E' {
			return 0, false
		}
	}
	v, err := strconv.ParseFloat(s, 64)
	return v, err == nil
}
