package estimate

import (
	"strconv"
	"strings"

	"gradus/physiology"
)

// Rule says when a caution is given. Text may hold names in braces, such as {amount}, that are filled in.
type Rule struct {
	ID     string `yaml:"id" json:"id"`
	When   string `yaml:"when" json:"when"`
	Notice bool   `yaml:"notice" json:"notice,omitempty"` // for information: by itself it lowers no verdict
	Bars   bool   `yaml:"bars" json:"bars,omitempty"`     // the number is kept, but not usable as the result of a test
	Text   string `yaml:"text" json:"text"`
	// Limit is the number of the rule, in the unit that its When implies: /min, percent, or the outcome's unit.
	Limit   float64  `yaml:"limit" json:"limit,omitempty"`
	Percent int      `yaml:"percent" json:"percent,omitempty"` // of maximal heart rate, when the test's own end point is not known
	Formula string   `yaml:"formula" json:"formula,omitempty"` // of maximal heart rate, likewise
	Words   []string `yaml:"words" json:"words,omitempty"`     // spellings of sinus rhythm
	How     string   `yaml:"how" json:"how"`
	Source  string   `yaml:"source" json:"source"`
}

// Caution is a reason to trust a number less.
type Caution struct {
	ID     string `json:"id"` // stable, words joined by hyphens
	Text   string `json:"text"`
	Source string `json:"source"`
	Notice bool   `json:"notice"` // for information only
}

// Context is what an estimate should know of the test beyond its inputs. All of it is optional.
type Context struct {
	Drug            string  // rate-limiting drug: no, yes, unknown or its name; empty = not recorded
	Rhythm          string  // sinus, or what it is; empty or unknown = not recorded
	HRMethod        string  // strap, optical, ecg, palpated-10s, palpated-15s, palpated-30s
	EndPointBPM     float64 // the end point itself, /min; or
	EndPointPercent int     // of the maximal heart rate, which is
	MaxHRBPM        float64 // given, /min; or
	MaxHRFormula    string  // predicted by an id of package physiology
	RestBPM         float64 // resting heart rate, /min, for formulas that use it
	CadenceTarget   float64 // /min
	CadenceObserved float64 // /min
	Unfinished      bool    // the stage used was not finished
	Unsteady        bool    // the stage used was accepted although heart rate was not steady
}

type when uint8

const (
	whenUnverified when = iota
	whenDrug
	whenDrugUnknown
	whenRhythm
	whenUnfinished
	whenUnsteady
	whenEndLow
	whenCadenceLow
	whenCadenceDrift
	whenCounted
	whenDomain
	whenBelow
	whenAbove
	whenAlways
)

var whenWords = []string{
	"coefficients not verified", "rate-limiting drug", "drugs not recorded", "rhythm not sinus", "unfinished stage",
	"unsteady stage", "end heart rate low", "cadence low", "cadence drift", "heart rate counted by hand",
	"input outside domain", "answer below", "answer above", "always",
}

// check is a rule made ready: one bit of the set of cautions.
type check struct {
	when    when
	id      string
	rule    *Rule
	input   int // whenDomain
	limit   float64
	formula physiology.Formula // whenEndLow
}

// drug says whether a drug that limits heart rate is taken, and whether nobody recorded it.
func (c *Context) drug() (limiting, unknown bool) {
	switch {
	case c.Drug == "" || strings.EqualFold(c.Drug, "unknown"):
		return false, true
	case strings.EqualFold(c.Drug, "no") || strings.EqualFold(c.Drug, "none"):
		return false, false
	}
	return true, false
}

// notSinus says whether a rhythm is recorded that is not among the spellings of sinus rhythm.
func (c *Context) notSinus(sinus []string) bool {
	if c.Rhythm == "" || strings.EqualFold(c.Rhythm, "unknown") {
		return false
	}
	for _, word := range sinus {
		if strings.EqualFold(word, c.Rhythm) {
			return false
		}
	}
	return true
}

// CountSeconds returns how long the pulse was counted by hand, 0 for any other method.
func CountSeconds(hrMethod string) float64 {
	rest, ok := strings.CutPrefix(hrMethod, "palpated-")
	if !ok {
		return 0
	}
	n, err := strconv.Atoi(strings.TrimSuffix(rest, "s"))
	if err != nil || n < 1 || n > 60 {
		return 0
	}
	return float64(n)
}

// endPoint returns the heart rate that was to end the test, in /min; 0 when it cannot be known.
func (e *Estimator) endPoint(k *check, values []float64, c *Context) float64 {
	if c.EndPointBPM > 0 {
		return c.EndPointBPM
	}
	percent := k.rule.Percent
	if c.EndPointPercent > 0 {
		percent = c.EndPointPercent
	}
	if c.MaxHRBPM > 0 {
		return physiology.PercentOf(percent, c.MaxHRBPM)
	}
	if e.ageAt < 0 {
		return 0
	}
	age := values[e.ageAt]
	if c.MaxHRFormula == "" {
		if !(age > 0 && age <= 120) {
			return 0
		}
		return physiology.PercentOf(percent, k.formula.At(age, 0))
	}
	female := e.sexAt >= 0 && values[e.sexAt] == e.female()
	bpm, _, err := physiology.MaxHR(c.MaxHRFormula, age, female, c.RestBPM)
	if err != nil {
		return 0
	}
	return physiology.PercentOf(percent, bpm)
}

func (e *Estimator) female() float64 {
	for _, c := range e.Inputs[e.sexAt].Codes {
		if strings.EqualFold(c.Word, "female") {
			return c.Value
		}
	}
	return 0
}

// holds decides whether one caution applies.
func (e *Estimator) holds(k *check, values []float64, c *Context, answer float64) bool {
	switch k.when {
	case whenUnverified:
		return e.Unverified()
	case whenDrug:
		limiting, _ := c.drug()
		return limiting
	case whenDrugUnknown:
		_, unknown := c.drug()
		return unknown
	case whenRhythm:
		return c.notSinus(k.rule.Words)
	case whenUnfinished:
		return c.Unfinished
	case whenUnsteady:
		return c.Unsteady
	case whenEndLow:
		end := e.endPoint(k, values, c)
		return end > 0 && end-values[e.hrAt] > k.limit
	case whenCadenceLow:
		cadence := c.CadenceTarget
		if cadence == 0 {
			cadence = c.CadenceObserved
		}
		return cadence > 0 && cadence < k.limit
	case whenCadenceDrift:
		off := c.CadenceObserved - c.CadenceTarget
		return c.CadenceTarget > 0 && c.CadenceObserved > 0 && float64(100*max(off, -off)) > float64(k.limit*c.CadenceTarget)
	case whenCounted:
		return CountSeconds(c.HRMethod) > 0
	case whenDomain:
		domain := e.Inputs[k.input].Domain
		return values[k.input] < domain.From || values[k.input] > domain.To
	case whenBelow:
		return answer < k.limit
	case whenAbove:
		return answer > k.limit
	case whenAlways:
		return true
	}
	return false
}

// cautions returns the set of cautions as bits, in the order of e.rules.
func (e *Estimator) cautions(values []float64, c *Context, answer float64) (set uint64) {
	for i := range e.rules {
		if e.holds(&e.rules[i], values, c, answer) {
			set |= 1 << i
		}
	}
	return set
}

// explain builds the text of one caution.
func (e *Estimator) explain(k *check, values []float64, c *Context, answer float64) Caution {
	fill := []string{"{unit}", e.Outcome.Unit, "{limit}", number(k.limit), "{answer}", fixed(answer)}
	add := func(name, value string) { fill = append(fill, "{"+name+"}", value) }
	source := k.rule.Source
	switch k.when {
	case whenDrug:
		name := c.Drug
		if strings.EqualFold(name, "yes") {
			name = "not named"
		}
		add("drug", name)
	case whenRhythm:
		add("rhythm", strings.NewReplacer("_", " ", "-", " ").Replace(c.Rhythm))
	case whenEndLow:
		end := e.endPoint(k, values, c)
		add("end_point", fixed(end))
		add("heart_rate", number(values[e.hrAt]))
		add("amount", fixed(end-values[e.hrAt]))
	case whenCadenceLow, whenCadenceDrift:
		add("target", number(c.CadenceTarget))
		add("observed", number(c.CadenceObserved))
	case whenCounted:
		seconds := CountSeconds(c.HRMethod)
		add("seconds", number(seconds))
		add("step", number(60/seconds))
		effect := e.changeBy(values, e.hrAt, 60/seconds)
		add("effect", fixed(max(effect, -effect)))
	case whenDomain:
		in := &e.Inputs[k.input]
		v, side, amount := values[k.input], "above", values[k.input]-in.Domain.To
		if v < in.Domain.From {
			side, amount = "below", in.Domain.From-v
		}
		add("input", in.Label)
		add("value", number(v))
		add("input_unit", in.Unit)
		add("amount", fixed(amount))
		add("side", side)
		add("from", number(in.Domain.From))
		add("to", number(in.Domain.To))
		if in.Domain.Source != "" {
			source = in.Domain.Source
		}
	}
	text := strings.NewReplacer(fill...).Replace(k.rule.Text)
	return Caution{ID: k.id, Text: text, Source: source, Notice: k.rule.Notice}
}

// fixed prints v with one decimal at most.
func fixed(v float64) string {
	return strings.TrimSuffix(strconv.FormatFloat(v, 'f', 1, 64), ".0")
}
