package web

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/internal/web/core"
)

// Every number of the result page opens a slip: a reading says how it came about, a load who set it and which number of
// the protocol planned it, an input who entered it, an estimate its equation. Slips open without a script.

// compareLine is one of the estimates of a test beside the others.
type compareLine struct {
	Title        string
	Leads        bool
	Value, Range slip
	None         string // why there is none
	Agrees       string
	Apart        string
}

// compareLines are all estimates of the test, the leading one first.
func compareLines(e *estimate.Estimator, o *core.Outcome, whose []link) (lines []compareLine) {
	for i := range o.Estimates {
		c := &o.Estimates[i]
		line := compareLine{Title: c.Title, Leads: c.Leads, None: c.NoEstimate}
		if c.Result != nil && !c.Result.Value.Present() {
			line.None = c.Result.Why
		}
		if c.Result != nil && c.Result.Value.Present() {
			from := namedEstimator(e, c.Result.Estimator)
			line.Value, line.Range = estimateSlip(from, c.Result), rangeSlip(from, c.Result)
			line.Value.Links, line.Range.Links = slices.Concat(line.Value.Links, whose), line.Value.Links
			line.Agrees = say("beside.leads")
			if !c.Leads {
				line.Agrees = say(agreement(c))
			}
			if c.Apart.Present() {
				line.Apart = say("beside.apart", signedIn(float64(c.Apart), c.Result.Unit), o.Estimate.Unit)
			}
		}
		lines = append(lines, line)
	}
	return lines
}

func agreement(c *estimate.Compared) string {
	switch {
	case c.Agrees == nil:
		return "beside.unknown"
	case *c.Agrees:
		return "beside.agrees"
	}
	return "beside.disagrees"
}

// namedEstimator finds the equation behind a result: the leading one, the one for women, or one beside them.
func namedEstimator(e *estimate.Estimator, id string) *estimate.Estimator {
	switch {
	case e == nil || e.ID == id:
		return e
	case e.Women != nil && e.Women.ID == id:
		return e.Women
	}
	for _, other := range e.Beside {
		if other.ID == id {
			return other
		}
	}
	return nil
}

// inUnit writes a value with as many decimals as its unit is shown with.
func inUnit(v float64, unit string) string {
	return minus(strconv.FormatFloat(v, 'f', estimate.Decimals(unit), 64))
}

func signedIn(v float64, unit string) string {
	if v > 0 {
		return "+" + inUnit(v, unit)
	}
	return inUnit(v, unit)
}

// rangeSlip says where the error of an estimate comes from.
func rangeSlip(e *estimate.Estimator, r *estimate.Result) slip {
	s := slip{Label: say("slip.range"), Value: rangeOf(r), Unit: r.Unit}
	if r.NoError != "" {
		s.Unit = ""
		s.Lines = []slipLine{{say("slip.error"), r.NoError}}
		return s
	}
	d := estimate.Decimals(r.Unit)
	s.Lines = []slipLine{{say("slip.error"), errorWords(e, r)}, {say("slip.range68"), rangeText(r.Low68Text(d), inUnit(float64(r.High68), r.Unit))}, {say("slip.covers"), r.Covers}}
	if x := r.Extrapolation; x != nil {
		s.Lines = append(s.Lines, slipLine{say("slip.parts"), say("slip.parts.of", inUnit(x.FromHR, r.Unit), inUnit(x.FromWork, r.Unit), inUnit(x.FromEcon, r.Unit), inUnit(x.FromMaxHR, r.Unit))})
	}
	s.Lines = append(s.Lines, slipLine{say("slip.source"), r.ErrorSource})
	return s
}

func errorWords(e *estimate.Estimator, r *estimate.Result) string {
	text := say("slip.see", inUnit(float64(r.SEE), r.Unit), r.Unit)
	if e != nil && e.Error.Kind != "" {
		text += ": " + e.Error.Kind
	}
	if e != nil && e.Error.Population != "" {
		text += " (" + e.Error.Population + ")"
	}
	return text
}

func rangeOf(r *estimate.Result) string {
	if r.NoError != "" {
		return r.NoError
	}
	return rangeText(r.Low95Text(estimate.Decimals(r.Unit)), inUnit(float64(r.High95), r.Unit))
}

// lineLines say how the line over the stages was drawn.
func lineLines(x *estimate.Extrapolation, unit string) (out []slipLine) {
	points := make([]string, 0, len(x.Points))
	for _, p := range x.Points {
		text := inUnit(p.X, unit) + thin + unit + ": " + fixed(p.HR) + thin + "/min"
		if !p.Used {
			text += " " + say("slip.unused")
		}
		points = append(points, text)
	}
	out = append(out, slipLine{say("slip.points"), strings.Join(points, "; ")}, slipLine{say("slip.line"), say("slip.line.of", inUnit(x.Intercept, "/min"), strconv.FormatFloat(x.Slope, 'f', 2, 64), unit)},
		slipLine{say("slip.max"), say("slip.max.by", fixedIf(x.MaxHR), x.Formula, num(x.MaxHRSD))})
	if x.LastTwo.Present() {
		out = append(out, slipLine{say("slip.lasttwo"), inUnit(float64(x.LastTwo), unit) + thin + unit})
	}
	return out
}

// equationLink leads to the page of an equation.
func equationLink(id string) link {
	return link{"/estimators/" + id, say("slip.equation", id)}
}

// planLinks lead to the protocol of a test, in the version that was run.
func (t *told) planLinks() []link {
	p := t.load.Protocol
	return []link{{"/protocols/" + p.ID + "?version=" + p.Version, say("slip.protocol", p.Title)}}
}

// ruleSlip is a number of the protocol: its rule and the paper of it.
func (t *told) ruleSlip(path string) slip {
	return slip{Label: say("slip.rule.of"), Lines: paperLines(t.load.Protocol, path), Links: t.planLinks()}
}

// walkedSlip is the distance of a test whose outcome it is: how it was counted, and where the outcome stands in the plan.
func (t *told) walkedSlip() *slip {
	g, p := t.view.Ground, t.load.Protocol
	if g == nil || p.Outcome.What != "distance" || g.DistanceM <= 0 {
		return nil
	}
	s := &slip{Label: say("walked"), Value: num(g.DistanceM), Unit: "m", Links: t.planLinks()}
	for i := range t.state.Stages[:t.state.NStages] {
		st := &t.state.Stages[i]
		if m := t.state.CourseM(p, int(st.Part)); m > 0 && st.Laps > 0 {
			s.Lines = append(s.Lines, slipLine{p.Parts[st.Part].Title, say("walked.laps", st.Laps, num(m), num(st.Distance))})
		}
	}
	s.Lines = append(s.Lines, slipLine{say("walked.rests"), say("walked.rests.of", g.Rests, clock(g.RestedMs))})
	if g.LowSpO2 > 0 {
		s.Lines = append(s.Lines, slipLine{say("walked.spo2"), num(g.LowSpO2) + thin + "%"})
	}
	s.Lines = append(s.Lines, paperLines(p, "outcome")...)
	return s
}

// tracedRow is a minute of the test, each value with its slip.
type tracedRow struct {
	core.MinuteRow
	LoadSlip, HRSlip, RPESlip, BPSlip, SpO2Slip, CadenceSlip slip
}

func (t *told) tracedRows() (rows []tracedRow) {
	for _, m := range t.view.Minutes {
		row := tracedRow{MinuteRow: m, LoadSlip: t.loadSlip(m.Load, m.LoadRef), HRSlip: t.readingSlip(reading(m.HR), m.Ref), RPESlip: t.readingSlip(reading(m.RPE), m.RPERef),
			SpO2Slip: t.readingSlip(reading(m.SpO2), m.SpO2Ref), CadenceSlip: t.readingSlip(reading(m.Cadence), m.CadenceRef)}
		if m.SBP > 0 {
			row.BPSlip = t.readingSlip(num(m.SBP)+"/"+num(m.DBP), m.BPRef)
		}
		rows = append(rows, row)
	}
	return rows
}

// readingSlip says how a reading came about.
func (t *told) readingSlip(text string, ref conduct.ID) slip {
	s := slip{Value: text}
	if text == "" || ref.IsZero() {
		return s
	}
	for i := range t.state.Stages[:t.state.NStages] {
		st := &t.state.Stages[i]
		for k := range st.Readings[:st.NReadings] {
			if st.Readings[k].Ref == ref {
				s.Lines = t.valueLines(&st.Readings[k])
				return s
			}
		}
	}
	for i := range t.state.After[:t.state.NAfter] {
		if t.state.After[i].Ref == ref {
			s.Lines = t.valueLines(&t.state.After[i])
		}
	}
	return s
}

// loadSlip says who set a load, when, and which number of the protocol planned it.
func (t *told) loadSlip(text string, ref conduct.ID) slip {
	s := slip{Value: text}
	p := t.load.Protocol
	if text == "" {
		return s
	}
	if ref.IsZero() {
		s.Lines, s.Links = append(t.coolLines(), paperLines(p, "cool_down")...), t.planLinks()
		return s
	}
	for i := range t.state.Stages[:t.state.NStages] {
		st := &t.state.Stages[i]
		if st.Ref != ref {
			continue
		}
		s.Lines = []slipLine{{say("slip.set"), say("slip.set.at", clock(int64(st.Began)), t.byOf(ref), ref.String())}}
		if st.Observed > 0 {
			s.Lines = append(s.Lines, slipLine{say("slip.observed"), num(st.Observed) + thin + "W"})
		}
		if st.Row > 0 && p.Choose.Is() && int(st.Row) <= len(p.Choose.It.Rows) {
			s.Lines = append(s.Lines, slipLine{say("slip.row"), p.Choose.It.Rows[st.Row-1].ID})
			s.Lines = append(s.Lines, paperLines(p, "choose.rows")...)
		} else {
			s.Lines = append(s.Lines, paperLines(p, fmt.Sprintf("parts[%d].work", st.Part))...)
		}
		s.Links = t.planLinks()
	}
	return s
}

// coolLines say who set the load of the cool-down.
func (t *told) coolLines() (lines []slipLine) {
	for i := range t.load.Events {
		if e := &t.load.Events[i]; e.Kind == conduct.CoolBegun {
			lines = []slipLine{{say("slip.set"), say("slip.set.at", clock(int64(e.At)), or(e.By, say("plan.examiner")), e.ID().String())}}
		}
	}
	return lines
}

// byOf is who wrote an event.
func (t *told) byOf(ref conduct.ID) string {
	for i := range t.load.Events {
		if t.load.Events[i].ID() == ref {
			return or(t.load.Events[i].By, say("plan.examiner"))
		}
	}
	return say("plan.examiner")
}

// aboutSlips say of whom the estimate speaks, each fact with who entered it and when.
func (t *told) aboutSlips() (out []slip) {
	for _, line := range about(&t.state.In) {
		out = append(out, slip{Label: line.Name, Value: line.Text, Lines: t.enteredLines(line.Name)})
	}
	return out
}

// enteredLines are the events that told an input: the beginning of the test, and what put it right later.
func (t *told) enteredLines(label string) (out []slipLine) {
	for i := range t.load.Events {
		e := &t.load.Events[i]
		switch {
		case e.Begin != nil:
			out = append(out, slipLine{say("slip.entered"), say("slip.entered.prepared", or(e.By, say("plan.examiner")), e.ID().String())})
		case e.Kind == conduct.Input && say("field."+e.Code) == label:
			out = append(out, slipLine{say("slip.corrected"), say("slip.entered.later", clock(int64(e.At)), or(e.By, say("plan.examiner")), e.ID().String())})
		}
	}
	return out
}

// departureLine is a departure with the rule it is from.
type departureLine struct {
	Minute int
	Text   string
	Lowers bool
	Rule   slip
}

func (t *told) departureLines(all []conduct.Departure) (out []departureLine) {
	for _, d := range all {
		rule := t.ruleSlip(string(d.Rule))
		if len(rule.Lines) == 0 {
			rule.Lines = []slipLine{{say("slip.source"), say("slip.conductor")}}
		}
		out = append(out, departureLine{d.Minute, d.Text, d.Lowers, rule})
	}
	return out
}

// reasonLine is a reason to trust the number less, with what lies behind it.
type reasonLine struct {
	estimate.Caution
	Links []link
}

// reasonLines lead from a reason to the equation or the rule of the protocol that it comes from.
func (t *told) reasonLines(all []estimate.Caution, r *estimate.Result) (out []reasonLine) {
	for _, c := range all {
		line := reasonLine{Caution: c}
		switch {
		case c.ID == "departure":
			line.Source = strings.Join(append([]string{say("rule.word", c.Source)}, textsOf(paperLines(t.load.Protocol, c.Source))...), "; ")
			line.Links = t.planLinks()
		case r != nil && slices.ContainsFunc(r.Cautions, func(o estimate.Caution) bool { return o.ID == c.ID }):
			line.Links = []link{equationLink(r.Estimator)}
		}
		out = append(out, line)
	}
	return out
}

func textsOf(lines []slipLine) (out []string) {
	for _, l := range lines {
		out = append(out, l.Text)
	}
	return out
}

// stagesBehind are the measured stages with a slip for load and heart rate.
func (t *told) stagesBehind(lines []stageLine) {
	for i := range lines {
		st := &t.state.Stages[i]
		lines[i].WorkSlip = t.loadSlip(lines[i].Work, st.Ref)
		lines[i].HRSlip = t.readingSlip(lines[i].HR, lines[i].hrRef)
		lines[i].RPESlip = t.readingSlip(lines[i].RPE, lines[i].rpeRef)
		lines[i].BPSlip = t.readingSlip(lines[i].BP, lines[i].bpRef)
		lines[i].SteadySlip = slip{Value: lines[i].Steady}
		if t.load.Protocol.Hold.Is() {
			lines[i].SteadySlip.Lines, lines[i].SteadySlip.Links = paperLines(t.load.Protocol, "hold.within"), t.planLinks()
			lines[i].SteadySlip.Lines = append([]slipLine{{say("slip.formula"), say("slip.steady", num(t.load.Protocol.Hold.It.Within))}}, lines[i].SteadySlip.Lines...)
		}
	}
}
