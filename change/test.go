package change

import (
	"math"
	"slices"
	"strings"

	"gradus/estimate"
)

// Test is what a comparison needs to know of one test. Zero and "" mean not recorded.
type Test struct {
	ID, Participant string
	Date, Time      string // year-month-day; hour:minute
	Day             int    // days since any fixed day; used for differences only
	HasDay          bool
	Hour            float64 // of Time, 0 to 24; 0 when it is not recorded or cannot be read

	Verdict    string // of the test as a whole: usable, usable with caution, not usable
	NoEstimate string // why there is none
	Estimator  string
	Inputs     []float64 // in the order of the estimator's inputs; nil without an estimate
	Value      float64   // in Unit; NaN without an estimate
	Unit       string    // of the estimate; "" is mL/kg/min; [Metres] where the outcome is a distance

	Protocol, Ergometer string
	Sex                 string
	AgeYears, MassKg    float64
	Condition           string // as recorded; "none" when it was said that there is none
	Drug                string // yes, no, unknown
	DrugName, Dose      string
	HoursSinceDose      float64 // NaN when not recorded
	Rhythm              string
	MaxHRFormula        string
	CourseM, OxygenLMin float64 // of a walk: length of the course, oxygen; 0: none or not recorded
	Aid                 string  // of a walk

	Loads    []Load
	Recovery []Fall
}

// Load is a stage that counts: work rate, last heart rate, exertion at its end.
type Load struct {
	WorkW, HR, RPE float64 // RPE 0: not recorded
}

// Fall is the fall of heart rate after the stop.
type Fall struct {
	Minutes float64 // after the stop
	From    float64 // the last exercise heart rate
	BPM     float64 // below the last exercise heart rate
}

// healthy reports that no condition is recorded and nothing else speaks against it. A blank condition counts
// only where it is recorded that no rate-limiting drug is taken.
func (t *Test) healthy() bool {
	sinus := t.Rhythm == "" || t.Rhythm == "sinus"
	return sinus && t.Drug != "yes" && (t.Condition == "none" || t.Condition == "" && t.Drug == "no")
}

func (t *Test) hasValue() bool { return t.Inputs != nil && !math.IsNaN(t.Value) }

// Moved is something that differs between two tests.
type Moved struct {
	What string `json:"what"`
	From string `json:"from"`
	To   string `json:"to"`
}

// Reason is why no verdict is given.
type Reason struct {
	ID   string `json:"id"`
	Text string `json:"text"`
}

// reasons lists what forbids a verdict.
func reasons(a, b *Test, e *estimate.Estimator) (all []Reason) {
	add := func(id, text string) { all = append(all, Reason{id, text}) }
	if a.Sex != b.Sex {
		add("sex", "the sex differs; are these two tests of one person?")
	}
	switch {
	case a.Drug != b.Drug && (a.Drug == "unknown" || b.Drug == "unknown"):
		add("drug", "whether a rate-limiting drug is taken is recorded at one visit only")
	case a.Drug != b.Drug, a.Drug == "yes" && !same(a.DrugName, b.DrugName):
		add("drug", "the rate-limiting drug differs ("+drugOf(a)+", then "+drugOf(b)+"); a change cannot be told from its effect")
	case a.Drug == "yes" && !same(a.Dose, b.Dose):
		add("dose", "the dose differs ("+said(a.Dose)+", then "+said(b.Dose)+"); a change cannot be told from its effect")
	case a.Drug == "yes" && math.Abs(a.HoursSinceDose-b.HoursSinceDose) > signs["hours-apart"].value:
		add("hours", "the hours since the dose differ by more than 2; a change cannot be told from the drug's effect")
	}
	if a.Rhythm != b.Rhythm && a.Rhythm != "" && b.Rhythm != "" {
		add("rhythm", "the rhythm differs ("+a.Rhythm+", then "+b.Rhythm+")")
	}
	if a.Protocol != b.Protocol {
		add("protocol", "the protocol differs ("+a.Protocol+", then "+b.Protocol+")")
	}
	if a.Estimator != b.Estimator {
		add("equation", "the equation differs ("+said(a.Estimator)+", then "+said(b.Estimator)+")")
	}
	if a.Ergometer != "" && b.Ergometer != "" && !same(a.Ergometer, b.Ergometer) {
		add("ergometer", "the ergometer differs ("+a.Ergometer+", then "+b.Ergometer+")")
	}
	all = append(all, walkReasons(a, b)...)
	if a.MaxHRFormula != b.MaxHRFormula && entersMaxHR(e) {
		add("max-hr-formula", "the formula of maximal heart rate differs ("+said(a.MaxHRFormula)+", then "+said(b.MaxHRFormula)+"), and the equation uses it")
	}
	for _, t := range []*Test{a, b} {
		switch {
		case !t.hasValue():
			add("no-estimate", "test "+t.ID+ofDay(t)+" gives no estimate: "+t.NoEstimate)
		case t.Verdict == estimate.NotUsable:
			add("not-usable", "test "+t.ID+ofDay(t)+" is not usable")
		}
	}
	if a.hasValue() && b.hasValue() && a.Estimator == b.Estimator && studyFor(a, b) == nil {
		add("no-error", "no error of a repeated test is published for this "+whatOf(a))
	}
	return all
}

func ofDay(t *Test) string {
	if t.Date == "" {
		return ""
	}
	return " of " + t.Date
}

// entersMaxHR reports whether an equation extrapolates to a maximal heart rate.
func entersMaxHR(e *estimate.Estimator) bool {
	return e != nil && e.RoleAt("max-heart-rate") >= 0
}

// keptMaxHR is the later test with the maximal heart rate of the earlier one, when the equation uses it: a
// year older is no change of fitness. It is the test itself where nothing is kept.
func keptMaxHR(a, b *Test, e *estimate.Estimator) *Test {
	if !entersMaxHR(e) || !a.hasValue() || !b.hasValue() || a.Estimator != b.Estimator {
		return b
	}
	at := e.RoleAt("max-heart-rate")
	if a.Inputs[at] == b.Inputs[at] {
		return b
	}
	kept := *b
	kept.Inputs = slices.Clone(b.Inputs)
	kept.Inputs[at] = a.Inputs[at]
	kept.Value = e.Eval(kept.Inputs)
	return &kept
}

func same(a, b string) bool { return strings.EqualFold(strings.TrimSpace(a), strings.TrimSpace(b)) }

func said(text string) string {
	if text == "" {
		return "not recorded"
	}
	return text
}

func drugOf(t *Test) string {
	if t.Drug == "yes" && t.DrugName != "" {
		return t.DrugName
	}
	return t.Drug
}

// whatOf names what a test's value comes from.
func whatOf(t *Test) string {
	if t.Unit == Metres {
		return "walk"
	}
	return "equation"
}
