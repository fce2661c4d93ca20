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
	Format     string  `yaml:"format" json:"format"`
	ID         string  `yaml:"id" json:"id"`
	Title      string  `yaml:"title" json:"title"`
	Outcome    Outcome `yaml:"outcome" json:"outcome"`
	Inputs     []Input `yaml:"inputs" json:"inputs"`
	Terms      []Term  `yaml:"terms" json:"terms,omitempty"`     // a linear equation, or
	Formula    *Paper  `yaml:"formula" json:"formula,omitempty"` // any other
	Error      Error   `yaml:"error" json:"error"`
	Population string  `yaml:"population" json:"population"`
	Limits     Limits  `yaml:"limits" json:"limits"`
	Cautions   []Rule  `yaml:"cautions" json:"cautions"`
	Source     string  `yaml:"source" json:"source"`
	Provenance string  `yaml:"provenance" json:"provenance"`
	// Verification is the record of a person who compared every coefficient with the paper; nil until then.
	Verification *Verification `yaml:"-" json:"verification"`

	run      program
	rules    []check
	half68   float64
	half95   float64
	ageAt    int // index of the input with this role, or -1
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
	Role      string `yaml:"role" json:"role,omitempty"`
	Codes     []Code `yaml:"codes" json:"codes,omitempty"`         // for words; empty for numbers
	Plausible *Range `yaml:"plausible" json:"plausible,omitempty"` // outside is an error of entry
	Domain    *Range `yaml:"domain" json:"domain,omitempty"`       // outside is a caution
	Note      string `yaml:"note" json:"note,omitempty"`
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

// Term is Coefficient times an input, or the constant when Input is empty.
type Term struct {
	Input       string  `yaml:"input" json:"input,omitempty"`
	Coefficient float64 `yaml:"coefficient" json:"coefficient"`
	Unit        string  `yaml:"unit" json:"unit"`
	How         string  `yaml:"how" json:"how"`
}

// Paper is a formula with how it is known.
type Paper struct {
	Text string `yaml:"text" json:"text"`
	How  string `yaml:"how" json:"how"`
}

// Error is the published error of the equation and whom it was found in.
type Error struct {
	SEE        float64 `yaml:"see" json:"see"` // in the unit of the outcome
	N          float64 `yaml:"n" json:"n"`     // people it was found in
	DF         float64 `yaml:"df" json:"df"`   // degrees of freedom of its t quantile
	Kind       string  `yaml:"kind" json:"kind"`
	Population string  `yaml:"population" json:"population"`
	Covers     string  `yaml:"covers" json:"covers"` // what the interval promises, and what it does not
	How        string  `yaml:"how" json:"how"`
	Source     string  `yaml:"source" json:"source"`
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
	Estimator    string             `yaml:"estimator" json:"estimator"`
	By           string             `yaml:"verified_by" json:"verified_by"`
	On           string             `yaml:"verified_on" json:"verified_on"` // year-month-day
	Against      string             `yaml:"against" json:"against"`
	Coefficients map[string]float64 `yaml:"coefficients" json:"coefficients"` // by input id; "constant" for the constant
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
	for i := range e.Terms {
		if e.Terms[i].How == "memory" {
			return true
		}
	}
	return false
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
