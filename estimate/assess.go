package estimate

import (
	"fmt"

	"gradus/conduct"
	"gradus/physiology"
	"gradus/protocol"
)

// Verdicts of a test as a whole.
const (
	Usable      = "usable"
	WithCaution = "usable with caution"
	NotUsable   = "not usable"
)

// End is the stage whose work rate and heart rate enter the equation: the last one that counts.
type End struct {
	Stage int     // index in the state's stages
	WorkW float64 // as set, W
	HR    float64 // last reading of the stage, whole beats/min
}

// Unfinished is what the answer would be with the stage that was ridden last but does not count.
type Unfinished struct {
	Stage int
	WorkW float64
	HR    float64
	Value Number // Absent when the equation refuses it
}

// Assessment is the judgement of a test as a whole. Slices are never nil.
type Assessment struct {
	Verdict    string
	Reasons    []Caution
	Estimate   *Result // nil when there is none; NoEstimate says why
	NoEstimate string
	End        *End // nil when no stage counts
	Unfinished *Unfinished
	Departures []conduct.Departure
	Version    int // 1, and one more for each correction after the test was closed
	// Compared holds every estimate that the protocol names, the leading one first, when there are several.
	Compared []Compared
}

// Line gives the equation as plain numbers for a protocol that looks ahead with it. It is false for an
// equation that is not linear in age, sex, mass, work rate and heart rate alone.
func (e *Estimator) Line() (l protocol.Line, ok bool) {
	if e.run.steps != nil || len(e.Terms) == 0 {
		return l, false
	}
	for _, t := range e.Terms {
		role := ""
		if i, found := e.InputAt(t.Input); found {
			role = e.Inputs[i].Role
		}
		switch {
		case t.Input == "":
			l.Constant = t.Coefficient
		case role == "age":
			l.Age = t.Coefficient
		case role == "sex":
			l.Male = t.Coefficient
		case role == "mass":
			l.Mass = t.Coefficient
		case role == "work":
			l.Work = t.Coefficient
		case role == "heart-rate":
			l.HeartRate = t.Coefficient
		default:
			return protocol.Line{}, false
		}
	}
	return l, true
}

// Assess judges a test as a whole: is there an estimate, can it be used, and why not. The estimator may be
// nil when the protocol has none. What was measured is in the state and is reported whatever the verdict.
func Assess(p *protocol.Protocol, s *conduct.State, e *Estimator) Assessment {
	if e != nil && e.Women != nil && s.In.Sex == conduct.Female {
		beside := e.Beside
		e = e.Women
		if e.Beside == nil {
			with := *e
			with.Beside = beside
			e = &with
		}
	}
	a := &assessor{p: p, s: s, e: e}
	a.out.Compared = []Compared{}
	a.out.Reasons = []Caution{}
	a.out.Version = s.Version()
	a.out.Departures = conduct.Departures(p, s)
	if a.out.Departures == nil {
		a.out.Departures = []conduct.Departure{}
	}
	a.estimate()
	a.compareAll()
	a.unfinished()
	a.ending()
	a.record()
	a.rail()
	a.formula()
	a.out.Verdict = Usable
	for _, r := range a.out.Reasons {
		if !r.Notice {
			a.out.Verdict = WithCaution
		}
	}
	if a.unusable {
		a.out.Verdict = NotUsable
	}
	return a.out
}

type assessor struct {
	p        *protocol.Protocol
	s        *conduct.State
	e        *Estimator
	out      Assessment
	unusable bool
}

const own = "our own choice, no source"

// railSource has one equation for those who held the rail and another for those who did not.
const railSource = "Predicting functional capacity during treadmill testing independent of exercise protocol, Med Sci Sports Exerc 1996;28:752"

func (a *assessor) add(id, source, format string, args ...any) {
	a.out.Reasons = append(a.out.Reasons, Caution{ID: id, Text: fmt.Sprintf(format, args...), Source: source})
}

// bar adds a reason that makes the number unusable as a peak oxygen uptake.
func (a *assessor) bar(id, source, format string, args ...any) {
	a.unusable = true
	a.add(id, source, format, args...)
}

// estimate makes the estimate of the last stage that counts and takes over its cautions.
func (a *assessor) estimate() {
	i := a.s.LastCounted(a.p)
	if i < 0 {
		a.out.NoEstimate = "no stage counts"
		a.bar("no-stage-counts", own, "no stage counts: none was complete and steady")
		return
	}
	if a.noWatts() && a.s.In.Machine == conduct.ShowsLevelsOnly {
		a.out.NoEstimate = "the machine shows levels, and the site has no table of their work rates"
		a.bar("machine-shows-levels", own, "the machine shows levels, and the site has no table of their work rates: there is no work rate to estimate from; heart rate, exertion and level are recorded")
		return
	}
	if a.noWatts() {
		a.out.NoEstimate = "the machine shows only METs"
		a.bar("machine-shows-mets", own, "the machine shows only METs, which assume a weight and a formula: there is no work rate to estimate from; heart rate, exertion and level are recorded")
		return
	}
	hr, ok := a.s.Fact(a.p, i, "hr_bpm")
	if !ok {
		hr, _, _ = a.s.LastHeart(a.p, i)
	}
	a.out.End = &End{Stage: i, WorkW: a.s.Stages[i].Set, HR: hr}
	r, values, missing, err := a.answer(a.e, i, hr)
	if missing != "" {
		a.out.NoEstimate = missing
		if a.e != nil {
			a.bar("input-missing", own, "%s", a.lacks(missing))
		}
		return
	}
	context := a.context(i)
	if err != nil {
		a.out.NoEstimate = err.Error()
		a.bar("input-refused", own, "%s", err.Error())
		return
	}
	a.out.Estimate = &r
	for _, c := range r.Cautions {
		if !a.misleads(c.ID) && !a.bars(c.ID) {
			a.out.Reasons = append(a.out.Reasons, c)
			continue
		}
		a.unusable = true
		c.Text += "; not usable as a peak oxygen uptake"
		a.out.Reasons = append(a.out.Reasons, c)
	}
	if r.Verdict == Refused {
		a.bar("estimate-refused", own, "%s", r.Why)
	}
	if a.e.Extrapolate != nil {
		return
	}
	a.onlyFirst(i, hr, values, &context)
	a.machine(i, values, &context)
}

// noWatts reports whether there is no work rate to estimate from.
func (a *assessor) noWatts() bool { return a.e != nil && a.s.In.Machine.NoWatts() }

// context tells the estimator how the test was run.
func (a *assessor) context(i int) Context {
	s := a.s
	st := &s.Stages[i]
	drug, _ := s.In.Drug.MarshalText()
	if s.In.Drug == conduct.DrugYes && s.In.DrugName != "" {
		drug = []byte(s.In.DrugName)
	}
	rhythm, _ := s.In.Rhythm.MarshalText()
	method, _ := s.In.HRMethod.MarshalText()
	c := Context{
		Drug: string(drug), Rhythm: string(rhythm), HRMethod: string(method),
		EndPointBPM: s.Limits.EndPoint, RestBPM: s.In.RestHR,
		CadenceTarget: s.In.Cadence, CadenceObserved: cadenceOf(st),
	}
	j := s.Judge(a.p, i)
	c.Unsteady = st.Accepted && !j.Steady
	return c
}

// cadenceOf is the last cadence read in a stage; 0 when none was.
func cadenceOf(st *conduct.Stage) float64 {
	for k := int(st.NReadings) - 1; k >= 0; k-- {
		if r := &st.Readings[k]; r.What == protocol.CadenceRate && !r.Withdrawn && !r.Void {
			return r.V
		}
	}
	return 0
}

// misleads says whether a caution of the estimator makes heart rate itself unfit for an estimate: a
// rate-limiting drug, or a state the protocol names. An estimator made for such people gives the caution as
// a notice.
func (a *assessor) misleads(id string) bool {
	for i := range a.e.rules {
		k := &a.e.rules[i]
		if k.id != id || k.rule.Notice {
			continue
		}
		switch k.when {
		case whenDrug:
			return true
		case whenRhythm:
			return !a.s.Limits.HRLeads
		}
	}
	return false
}

// bars says whether a caution makes the number unusable whatever else holds.
func (a *assessor) bars(id string) bool {
	for i := range a.e.rules {
		if a.e.rules[i].id == id && a.e.rules[i].rule.Bars {
			return true
		}
	}
	return false
}

// onlyFirst bars an answer that rests on the first stage alone, far below the end point.
func (a *assessor) onlyFirst(i int, hr float64, values []float64, c *Context) {
	if a.s.Stages[i].Part != 0 || a.s.Limits.EndPoint == 0 {
		return
	}
	for k := range a.e.rules {
		rule := &a.e.rules[k]
		if rule.when == whenEndLow && a.e.holds(rule, values, c, 0) {
			a.bar("only-first-stage", rule.rule.Source, "only the first stage counts, and its heart rate of %s is more than %s below the end point of %s",
				number(hr), number(rule.limit), number(a.s.Limits.EndPoint))
		}
	}
}

// machine gives the answer with the work rate that the machine measured, when it differs from the one set.
func (a *assessor) machine(i int, values []float64, c *Context) {
	st := &a.s.Stages[i]
	w := a.e.RoleAt("work")
	if w < 0 || !conduct.ObservedDiffers(a.p, st) {
		return
	}
	other := append([]float64(nil), values...)
	other[w] = st.Observed
	text := "no answer"
	if r, err := a.e.Estimate(other, *c); err == nil && r.Value.Present() {
		text = fmt.Sprintf("%.1f %s", float64(r.Value), r.Unit)
	}
	a.add("observed-work-rate", own, "the machine measured %s W, set were %s W; with the measured one the estimate would be %s", number(st.Observed), number(st.Set), text)
}

// unfinished looks at a later stage that does not count: what the answer would be with it.
func (a *assessor) unfinished() {
	last := int(a.s.NStages) - 1
	from := 0
	if a.out.End != nil {
		from = a.out.End.Stage + 1
	}
	for last >= from && (a.s.Stages[last].Superseded || a.p.Parts[a.s.Stages[last].Part].Counts == "never") {
		last--
	}
	if last < from || last < 0 || a.noWatts() {
		return
	}
	st := &a.s.Stages[last]
	title := a.p.Parts[st.Part].Title
	hr, _, ok := a.s.LastHeart(a.p, last)
	if !ok {
		a.add("unfinished-stage", own, "%s%s does not count: it has no heart rate", title, a.load(last, " at "))
		a.out.Reasons[len(a.out.Reasons)-1].Notice = true
		return
	}
	u := &Unfinished{Stage: last, WorkW: st.Set, HR: hr, Value: Absent}
	a.out.Unfinished = u
	if a.e == nil || a.e.Extrapolate != nil {
		return
	}
	values, missing := a.values(a.e, last, hr)
	if missing != "" {
		return
	}
	if r, err := a.e.Estimate(values, a.context(last)); err == nil {
		u.Value = r.Value
	}
	a.compare(u, title)
}

// compare says what the answer would be with a stage that does not count, and how far it lies from the one without.
func (a *assessor) compare(u *Unfinished, title string) {
	if !u.Value.Present() {
		a.add("unfinished-stage", own, "%s%s does not count (heart rate %s); with it the equation gives no possible value", title, a.load(u.Stage, " at "), number(u.HR))
		return
	}
	if r := a.out.Estimate; r != nil && r.Value.Present() {
		apart := float64(max(u.Value-r.Value, r.Value-u.Value))
		if apart > float64(r.SEE) {
			gentler := "a gentler plan"
			if a.p.Choose.Is() {
				gentler = "the gentler row"
			}
			a.bar("unfinished-stage-disagrees", own, "with %s (%s%s /min, not counted) the estimate would be %.1f, %.1f away: more than one standard error; repeat another day with %s",
				title, a.loadAnd(u.Stage), number(u.HR), float64(u.Value), apart, gentler)
			return
		}
	}
	a.add("unfinished-stage", own, "%s (%s%s /min) does not count; with it the estimate would be %.1f %s", title, a.loadAnd(u.Stage), number(u.HR), float64(u.Value), a.e.Outcome.Unit)
}

// load is what was set in a stage, in its own unit, after a word; "" where nothing is set.
func (a *assessor) load(i int, word string) string {
	st := &a.s.Stages[i]
	switch w := &a.p.Parts[st.Part].Work; w.Form() {
	case "own-pace", "rest":
		return ""
	case "speed", "same-speed", "chosen-speed":
		text := word + conduct.SpeedText(w, st.Set)
		if st.Set2 != 0 {
			text += " and " + number(st.Set2) + " % grade"
		}
		return text
	case "rate":
		return word + number(st.Set) + " steps/min"
	}
	return word + number(st.Set) + " W"
}

// loadAnd is the load before another number.
func (a *assessor) loadAnd(i int) string {
	if text := a.load(i, ""); text != "" {
		return text + ", "
	}
	return ""
}

// ending looks at why the test ended.
func (a *assessor) ending() {
	s := a.s
	end := s.Standing(a.p, s.Now)
	code := s.Stop.Code
	if sign := a.p.SignIndex(code); sign >= 0 {
		t := &a.p.Table[sign]
		if t.After != protocol.AfterActive {
			a.add("stopped-for-sign", conduct.SignSource(a.p, sign), "the test was stopped: %s", t.Text)
		}
		return
	}
	if end.Severity == conduct.SignEnd {
		t := &a.p.Table[end.Sign]
		a.add("stop-sign", conduct.SignSource(a.p, end.Sign), "a stop sign stands: %s", t.Text)
		return
	}
	limited := code == "safety-limit" || end.Code == "safety-limit"
	if limited && (end.Measure != protocol.MeasureHR || s.Limits.HRLimit < s.Limits.EndPoint) {
		a.add("ended-at-safety-limit", "the site's or referrer's own limit", "the test ended at a safety limit (%s), before the planned end point of %d", conduct.EndedAt(s, end.Measure), s.Limits.EndBeat)
	}
}

// record turns departures and doubts about the record into reasons.
func (a *assessor) record() {
	for _, d := range a.out.Departures {
		if d.Lowers && d.Rule != "wrong_work.tolerance_watts" {
			a.add("departure", string(d.Rule), "minute %d: %s", d.Minute, d.Text)
		}
	}
	if a.out.End != nil {
		if mark := a.p.Parts[a.s.Stages[a.out.End.Stage].Part].Mark; mark != "" {
			a.add("marked-stage", own, "the estimate rests on a stage %s", mark)
		}
		if a.s.Uncertain > conduct.UncertainFrom && int(a.s.UncertAt) == a.out.End.Stage+1 {
			a.add("uncertain-time", own, "after an interruption the time of this stage's readings is known only within %v", a.s.Uncertain)
		}
	}
}

// rail says what a held hand rail does to an estimate from treadmill stages.
func (a *assessor) rail() {
	if a.out.End == nil || a.e == nil {
		return
	}
	form := a.p.Parts[a.s.Stages[a.out.End.Stage].Part].Work.Form()
	if form != "speed" && form != "same-speed" && form != "chosen-speed" {
		return
	}
	switch a.s.In.Rail {
	case conduct.RailHeld:
		a.add("hand-rail-held", railSource, "the hand rail was held: less work is done at the same speed and grade, heart rate is lower for it, and the estimate is too high")
	case conduct.RailTouched:
		a.add("hand-rail-touched", railSource, "the hand rail was touched for balance: where weight was taken off, the estimate is too high")
		a.out.Reasons[len(a.out.Reasons)-1].Notice = true
	}
}

// formula says which formula of maximal heart rate a test used where it is not the person's first one, or holds only on
// a drug. It is for information where the estimate does not rest on a maximal heart rate.
func (a *assessor) formula() {
	l, in := &a.s.Limits, &a.s.In
	f, known := physiology.FormulaFor(l.Formula)
	if known && f.Drug != "none" {
		a.add("drug-formula", f.Source, "maximal heart rate by %s, for people on a %s, with a spread of %s /min: the planned end is as unsure (%s)", f.ID, f.Drug, number(f.SD), f.Note)
		a.noticeUnlessUsed()
		if in.Drug != conduct.DrugYes {
			a.add("drug-formula-without-drug", f.Source, "%s holds only for people on a %s, and none is recorded", f.ID, f.Drug)
		}
	}
	first, _ := physiology.FormulaFor(in.First)
	if in.First == "" || l.Formula == "" || first.ID == l.Formula {
		return
	}
	why := ""
	switch {
	case in.MaxHR > 0:
		why = "; a measured or known value goes before a formula"
	case in.Formula != "":
		why = ", chosen for this test"
	case a.p.EndPoint.It.Needs:
		why = ", which this protocol needs for its end point"
	default:
		why = ", since the first one does not hold today (age, sex, drug or kind of test)"
	}
	a.add("max-hr-formula-changed", own, "maximal heart rate: %s in the first test, %s now%s; the planned ends of the two tests are not alike", first.ID, l.Formula, why)
	a.noticeUnlessUsed()
}

// noticeUnlessUsed makes the last reason a notice where the estimate uses no maximal heart rate.
func (a *assessor) noticeUnlessUsed() {
	a.out.Reasons[len(a.out.Reasons)-1].Notice = a.e == nil || a.e.maxHRAt() < 0
}
