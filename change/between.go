package change

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gradus/estimate"
	"gradus/stats"
)

// Caution is a reason to trust a comparison less, or to read it otherwise.
type Caution struct {
	ID     string `json:"id"`
	Text   string `json:"text"`
	Source string `json:"source"`
}

// Error is the error of a repeated test in people who did not change, in the unit of the pair.
type Error struct {
	SEM        *float64 `json:"sem"`
	MDC95      *float64 `json:"mdc95"` // beyond error with 95 % confidence from here on
	MDC95Low   *float64 `json:"mdc95_low"`
	MDC95High  *float64 `json:"mdc95_high"` // 95 % interval of mdc95, from the number of people
	Population string   `json:"population"`
	N          int      `json:"n"`
	Over       string   `json:"measured_over"`
	Source     string   `json:"source"`
}

// Matter says whether a difference is large enough.
type Matter struct {
	ID        string   `json:"id"`
	Threshold *float64 `json:"threshold"` // in the unit of the pair
	Text      string   `json:"text"`
	Source    string   `json:"source"`
	Verdict   string   `json:"verdict"` // large enough, not large enough, withheld
	Above     *float64 `json:"probability_above"`
	Below     *float64 `json:"probability_below"` // of a fall larger than the threshold
}

// Verdicts of [Matter].
const (
	LargeEnough    = "large enough"
	NotLargeEnough = "not large enough"
	Withheld       = "withheld"
)

// Reliable is the reliable change index: the difference in units of its error.
type Reliable struct {
	Index        float64 `json:"index"`
	Practice     float64 `json:"practice"` // mean rise of a second test without training, mL/kg/min
	LessPractice float64 `json:"index_less_practice"`
}

// Detail splits the part of work rate and heart rate further; the two sum to it.
type Detail struct {
	WorkRate  float64 `json:"work_rate"`
	HeartRate float64 `json:"heart_rate"`
}

// Litres is the same difference not divided by body mass, L/min.
type Litres struct {
	From       float64 `json:"from"`
	To         float64 `json:"to"`
	Difference float64 `json:"difference"`
}

// Pair is the comparison of two tests of one person. Pointers are nil where nothing can be said.
type Pair struct {
	Participant string             `json:"participant"`
	From        string             `json:"from"` // ids of the tests
	To          string             `json:"to"`
	FromDate    string             `json:"from_date"`
	ToDate      string             `json:"to_date"`
	Days        *int               `json:"days"`
	Unit        string             `json:"unit"` // of the values: mL/kg/min, or another of the estimate, or m
	FromValue   *float64           `json:"from_value"`
	ToValue     *float64           `json:"to_value"`
	Difference  *float64           `json:"difference"`
	Percent     *float64           `json:"percent"` // of the first value
	Low95       *float64           `json:"low95"`
	High95      *float64           `json:"high95"`
	LPerMin     *Litres            `json:"l_per_min"`
	Error       Error              `json:"error"`
	Beyond      *bool              `json:"beyond_error"`
	Reliable    *Reliable          `json:"reliable_change"`
	Rise        *float64           `json:"probability_rise"`
	Prior       string             `json:"prior"`
	Matter      Matter             `json:"meaningful"`
	Parts       map[string]float64 `json:"parts"` // they sum to the difference
	Detail      *Detail            `json:"work_and_heart_rate_detail"`
	Moved       []Moved            `json:"moved"`
	Direct      []Direct           `json:"direct"`
	Withheld    string             `json:"withheld"` // why there is no verdict; "" when there is one
	Reasons     []Reason           `json:"withheld_reasons"`
	Cautions    []Caution          `json:"cautions"`
}

// Choice is what counts as a change that matters: a convention by its id, or a number of mL/kg/min with the
// source of whoever chose it. The zero value is [DefaultMeaningful].
type Choice struct {
	ID        string
	Threshold float64
	Metres    float64 // of a distance
}

// flatPrior is said beside every probability.
const flatPrior = "flat: as if every true change had been equally likely before the tests"

// Between compares two tests of one person, the earlier one first. The estimator may be nil when neither has
// an estimate. first says that no test before `a` is known. The error is about an unknown choice.
func Between(a, b *Test, e *estimate.Estimator, c Choice, first bool) (Pair, error) {
	scored := b
	b = keptMaxHR(a, b, e)
	w := &comparer{a: a, b: b, e: e}
	p := &w.out
	*p = Pair{Participant: a.Participant, From: a.ID, To: b.ID, FromDate: a.Date, ToDate: b.Date, Prior: flatPrior, Parts: map[string]float64{}, Unit: "mL/kg/min"}
	if a.Unit != "" {
		p.Unit = a.Unit
	}
	p.Moved, p.Direct, p.Cautions = moved(a, b), direct(a, b), []Caution{}
	p.Reasons = append([]Reason{}, reasons(a, b, e)...)
	var texts []string
	for _, r := range p.Reasons {
		texts = append(texts, r.Text)
	}
	p.Withheld = strings.Join(texts, "; ")
	if a.HasDay && b.HasDay {
		days := b.Day - a.Day
		p.Days = &days
	}
	w.values()
	w.error()
	if err := w.matter(c); err != nil {
		return Pair{}, err
	}
	w.judge()
	w.warn(first)
	if b != scored {
		w.caution("max-hr-kept", ownChoice, "the later test is computed with the maximal heart rate of the earlier one, so that it does not count as a change; by itself it gives %.1f", scored.Value)
	}
	return *p, nil
}

type comparer struct {
	a, b  *Test
	e     *estimate.Estimator
	study *study
	out   Pair
}

func some(v float64) *float64 { return &v }

// values gives the difference and its parts. Both are arithmetic and are given with a withheld verdict too.
func (w *comparer) values() {
	a, b, p := w.a, w.b, &w.out
	if a.hasValue() {
		p.FromValue = some(a.Value)
	}
	if b.hasValue() {
		p.ToValue = some(b.Value)
	}
	if p.FromValue == nil || p.ToValue == nil || a.Unit != b.Unit {
		return
	}
	d := b.Value - a.Value
	p.Difference, p.Percent = &d, some(100*d/a.Value)
	if a.MassKg > 0 && b.MassKg > 0 && (a.Unit == "" || a.Unit == "mL/kg/min") {
		from, to := a.Value*a.MassKg/1000, b.Value*b.MassKg/1000
		p.LPerMin = &Litres{from, to, to - from}
	}
	if a.Estimator == b.Estimator && w.e != nil {
		p.Parts, p.Detail = parts(w.e, a.Inputs, b.Inputs)
	}
}

func (w *comparer) error() {
	w.study = studyFor(w.a, w.b)
	if w.study == nil {
		w.out.Error.Source = "no error of a repeated test is published for this " + whatOf(w.a)
		return
	}
	s := w.study
	if w.a.Unit == Metres {
		w.out.Error = Error{some(s.err.SEM()), some(s.err.MDC95()), nil, nil, s.population, 0, s.over, s.source}
		return
	}
	low, high := s.err.MDC95Interval()
	w.out.Error = Error{some(s.err.SEM()), some(s.err.MDC95()), &low, &high, s.population, s.err.N, s.over, s.source}
}

// matter finds the threshold; percentages are of the first value, spreads those of the error's study.
func (w *comparer) matter(c Choice) error {
	m := &w.out.Matter
	m.Verdict = Withheld
	if w.a.Unit == Metres {
		w.walkMatter(c)
		return nil
	}
	if c.Threshold > 0 {
		m.ID, m.Threshold, m.Text, m.Source = "own", some(c.Threshold), "your own choice", "chosen by the examiner"
		return nil
	}
	if c.ID == "" {
		c.ID = DefaultMeaningful
	}
	var known []string
	for _, x := range meaningful {
		known = append(known, x.ID)
		if x.ID != c.ID {
			continue
		}
		m.ID, m.Text, m.Source = x.ID, x.Text, x.Source
		switch {
		case x.Kind == "absolute":
			m.Threshold = some(x.Value)
		case x.Kind == "percent" && w.out.FromValue != nil:
			m.Threshold = some(x.Value / 100 * w.a.Value)
		case x.Kind == "spread" && w.study != nil:
			m.Threshold = some(x.Value * w.study.sd1)
		}
		return nil
	}
	return fmt.Errorf("meaningful: no change is called %q; write a number of mL/kg/min, or one of %s", c.ID, strings.Join(known, ", "))
}

// judge makes the three statements, unless a verdict is withheld.
func (w *comparer) judge() {
	p := &w.out
	if p.Withheld != "" || p.Difference == nil || w.study == nil {
		return
	}
	d, sd, s := *p.Difference, w.study.err.SDDiff, w.study
	half := s.err.MDC95()
	p.Low95, p.High95 = some(d-half), some(d+half)
	beyond := math.Abs(d) >= half
	p.Beyond = &beyond
	p.Reliable = &Reliable{s.err.ReliableChange(0, d, 0), s.practice(), s.err.ReliableChange(0, d, s.practice())}
	p.Rise = some(stats.Below(d / sd))
	m := &p.Matter
	if m.Threshold == nil {
		return
	}
	m.Verdict = NotLargeEnough
	if math.Abs(d) >= *m.Threshold {
		m.Verdict = LargeEnough
	}
	m.Above, m.Below = some(stats.Below((d-*m.Threshold)/sd)), some(stats.Below((-*m.Threshold-d)/sd))
}

func (w *comparer) caution(id, source, format string, args ...any) {
	w.out.Cautions = append(w.out.Cautions, Caution{id, fmt.Sprintf(format, args...), source})
}

const ownChoice = "our own choice, no source"

// movesHeartRate names the reasons that also spoil a comparison of heart rates at equal work.
var movesHeartRate = map[string]bool{"drug": true, "dose": true, "hours": true, "rhythm": true, "ergometer": true, "sex": true}

func (w *comparer) warn(first bool) {
	a, b, s := w.a, w.b, w.study
	if s != nil && a.Unit == Metres {
		w.warnWalk(first)
	} else if s != nil {
		low, high := s.err.MDC95Interval()
		w.caution("error-over-days", s.source, "error measured over days; over months probably larger (%s; n = %d, so %.2f may be anything from %.1f to %.1f)", s.population, s.err.N, s.err.MDC95(), low, high)
		w.population()
		w.practice(first)
		w.carried()
		w.regression()
	}
	if len(w.out.Direct) > 0 && slices.ContainsFunc(w.out.Reasons, func(r Reason) bool { return movesHeartRate[r.ID] }) {
		w.caution("direct-signs-moved", ownChoice, "what differs moves heart rate and exertion by itself: the signs without an equation do not show a change of fitness here")
	}
	if a.Drug == "yes" && b.Drug == "yes" && math.IsNaN(a.HoursSinceDose-b.HoursSinceDose) {
		w.caution("hours-unknown", ownChoice, "the hours since the dose are not recorded at both visits; another hour would look like a change")
	}
	if a.Drug == "unknown" && b.Drug == "unknown" {
		w.caution("drug-unknown", ownChoice, "whether a rate-limiting drug is taken is not recorded at either visit; a change of drug would look like a change of fitness")
	}
	if (a.Rhythm == "") != (b.Rhythm == "") {
		w.caution("rhythm-unknown", ownChoice, "the rhythm is recorded at one visit only")
	}
	if a.Unit != Metres && (a.Ergometer == "" || b.Ergometer == "") {
		w.caution("ergometer-unknown", ownChoice, "which ergometer was used is not recorded at both visits; another machine would look like a change")
	}
	if a.MaxHRFormula != b.MaxHRFormula && !entersMaxHR(w.e) {
		w.caution("max-hr-formula", ownChoice, "the planned end was set by different formulas of maximal heart rate (%s, then %s); the equation does not use it", said(a.MaxHRFormula), said(b.MaxHRFormula))
	}
	if last, then := lastWork(a), lastWork(b); last != then && last > 0 && then > 0 {
		w.caution("last-work-rate", "derived: the equation's work and heart-rate terms", "the last work rate differs (%g W, then %g W), and the answer depends on the stage at which a test ends; see the heart rate at equal work rates", last, then)
	}
	if a.Hour > 0 && b.Hour > 0 && math.Abs(a.Hour-b.Hour) > signs["time-of-day"].value {
		w.caution("time-of-day", signs["time-of-day"].source, "the time of day differs by more than %g h", signs["time-of-day"].value)
	}
	if b.AgeYears < a.AgeYears {
		w.caution("age-fell", ownChoice, "the later test has the younger age; check dates and ages")
	}
	if a.Date == "" || b.Date == "" {
		w.caution("no-date", ownChoice, "a date is missing; the order of the file is taken as the order of the tests")
	}
}

// population explains whose error is used.
func (w *comparer) population() {
	a, b, s := w.a, w.b, w.study
	switch {
	case s.healthy && (a.Condition == "" || b.Condition == ""):
		larger := 0.0
		for i := range studies {
			if studies[i].estimator == s.estimator {
				larger = max(larger, studies[i].err.MDC95())
			}
		}
		w.caution("condition-not-recorded", ownChoice, "no condition is recorded, so the error of healthy adults is used; if there is one, a difference is beyond error only from %.2f on", larger)
	case !s.healthy && a.healthy() && b.healthy():
		w.caution("larger-error", ownChoice, "healthy, but outside the ages of the study of healthy adults: the larger published error is used")
	case !s.healthy:
		w.caution("larger-error", ownChoice, "not known to be a healthy adult: the larger published error is used, that of %s", s.population)
	}
}

func (w *comparer) practice(first bool) {
	s := w.study
	if !first || s.practice() <= 0 {
		return
	}
	less := ""
	if p := &w.out; p.Beyond != nil && *p.Beyond && *p.Difference > 0 && *p.Difference-s.practice() < s.err.MDC95() {
		less = "; less that, this rise is not beyond error"
	}
	w.caution("practice", s.source, "practice: no earlier test is known, and a second test was %.1f higher without any training (%s, p %s)%s", s.practice(), s.population, s.practiceP, less)
}

// carried says when a rise or fall is beyond error only because of mass and age.
func (w *comparer) carried() {
	p := &w.out
	if p.Beyond == nil || !*p.Beyond || len(p.Parts) == 0 {
		return
	}
	if rest := *p.Difference - p.Parts["mass"] - p.Parts["age"]; math.Abs(rest) < w.study.err.MDC95() {
		w.caution("mass-and-age", "derived: the equation's own terms", "without what comes from mass and age the difference is %+.1f, which is within error", rest)
	}
}

// regression explains what a low first test does by itself.
func (w *comparer) regression() {
	s := w.study
	if w.out.FromValue == nil {
		return
	}
	expected := stats.ExpectedTrue(w.a.Value, s.mean1, s.r) - w.a.Value
	if expected >= 0.1 {
		w.caution("regression-to-the-mean", s.source, "a person chosen because the first test was low rises a little by itself: about %+.1f here (mean of %s %.1f, r %.3f)", expected, s.population, s.mean1, s.r)
	}
}

func lastWork(t *Test) float64 {
	if n := len(t.Loads); n > 0 {
		return t.Loads[n-1].WorkW
	}
	return 0
}

// moved lists what differs, whether or not it forbids a verdict.
func moved(a, b *Test) []Moved {
	all := []Moved{}
	add := func(what, from, to string) {
		if from != to {
			all = append(all, Moved{what, said(from), said(to)})
		}
	}
	number := func(v float64, unit string) string {
		if v == 0 || math.IsNaN(v) {
			return ""
		}
		return fmt.Sprintf("%g %s", v, unit)
	}
	add("mass", number(a.MassKg, "kg"), number(b.MassKg, "kg"))
	add("age", number(a.AgeYears, "years"), number(b.AgeYears, "years"))
	add("last work rate", number(lastWork(a), "W"), number(lastWork(b), "W"))
	add("time of day", a.Time, b.Time)
	add("condition", a.Condition, b.Condition)
	add("rate-limiting drug", drugOf(a), drugOf(b))
	add("dose", a.Dose, b.Dose)
	add("hours since dose", number(a.HoursSinceDose, "h"), number(b.HoursSinceDose, "h"))
	add("rhythm", a.Rhythm, b.Rhythm)
	add("maximal-heart-rate formula", a.MaxHRFormula, b.MaxHRFormula)
	add("ergometer", a.Ergometer, b.Ergometer)
	add("protocol", a.Protocol, b.Protocol)
	add("equation", a.Estimator, b.Estimator)
	return all
}
