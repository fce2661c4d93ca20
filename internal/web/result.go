package web

import (
	"errors"
	"html/template"
	"iter"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/internal/record"
	"gradus/internal/report"
	"gradus/internal/web/core"
	"gradus/protocol"
)

// told is a test as it is retold from its events.
type told struct {
	test   record.Test
	person personAnswer
	load   core.Load
	state  conduct.State
	view   *core.View
	now    int64
}

// retell replays a test, as the running page did.
func (s *Server) retell(r *http.Request) (told, error) {
	t, err := s.store.Test(r.Context(), r.PathValue("test"))
	if err != nil {
		return told{}, err
	}
	return s.retellTest(r, t)
}

func (s *Server) retellTest(r *http.Request, t record.Test) (told, error) {
	events, err := s.store.Events(r.Context(), t.ID)
	if err != nil {
		return told{}, err
	}
	out := told{test: t}
	if out.person, err = s.personOf(r, t); err != nil {
		return told{}, err
	}
	if out.load, err = s.lib.loadOf(t, events); err != nil {
		return told{}, err
	}
	if out.state, _, err = conduct.Replay(out.load.Protocol, events); err != nil {
		return told{}, err
	}
	_, out.now = s.timeOf(t.ID, events)
	if !t.Running() {
		out.now = int64(out.state.Now)
	}
	var c core.Core
	answer := c.Answer(core.Ask{Op: "load", Load: &out.load, At: out.now})
	if answer.View == nil {
		return told{}, errors.New(answer.Error)
	}
	out.view = answer.View
	return out, nil
}

type resultBody struct {
	Student      *studentBody // nil: not a student's
	Test         record.Test
	Person       personAnswer
	When         string
	By           string
	Running      bool
	Verdict      string
	VerdictText  string
	Usable       bool
	Estimate     *estimateView
	NoEstimate   string
	Reasons      []reasonLine
	Notices      []reasonLine
	Meaning      string
	Means, More  template.HTML // what the estimate means, and what stands behind it
	Changed      template.HTML
	Plan         template.HTML
	Untold       string // why meaning, change and plan are not shown
	Ended        string
	EndLine      string
	Ends         []slip
	Stairs       picture
	Minutes      []tracedRow
	HasRPE       bool
	HasBP        bool
	HasSpO2      bool
	HasCadence   bool
	Slips        []slip // how each reading came about
	Departures   []departureLine
	Version      int
	Papers       []paperLine
	Old          bool // a paper with an earlier version is out
	HandOut      form
	Corrected    bool
	Handed       bool
	Replaced     []string // what corrections after the close changed, oldest first
	Recovery     string
	RecoverySlip slip
	About        []slip
	Before       []slipLine // the check before the test
	Notes        []string
	Provenance   []slipLine
	Sources      []link // the pages of protocol and equations
	Commands     string // that say the same in a terminal
	Reassigned   []string
	Form         form
	FormOpen     bool
	Bring        form
	Brought      string
	Done         bool
	Refused      int
	Measured     []stageLine
	NothingTaken bool
	Walked       *slip         // the distance, where that is the outcome
	Verified     string        // who compared the numbers of the equation with its paper
	Again        *againView    // the other tests of the visit by this plan
	Beside       []compareLine // all estimates of the test, and whether they agree
}

// estimateView is an estimate in words, never without its range.
type estimateView struct {
	What, Value, Unit, Range, Covers string
	Refused                          string
	Slip, RangeSlip                  slip
	Sensitivity                      []slipLine
	Equation                         []link
}

// stageLine is what was measured at one load.
type stageLine struct {
	Title, Work, HR, RPE, BP, Steady              string
	Counts                                        bool
	hrRef, rpeRef, bpRef                          conduct.ID
	WorkSlip, HRSlip, RPESlip, BPSlip, SteadySlip slip
}

func (s *Server) result(w http.ResponseWriter, r *http.Request) error {
	return s.showResult(w, r, http.StatusOK, reassignForm(), bringForm())
}

func (s *Server) showResult(w http.ResponseWriter, r *http.Request, status int, f, bring form) error {
	t, err := s.retell(r)
	if err != nil {
		return err
	}
	trace, err := s.samplesOf(r, t.test.ID, "hr", 0, maxTestMs)
	if err != nil {
		return err
	}
	body := t.resultBody(trace)
	trail, err := s.trailEnd(r)
	if err != nil {
		return err
	}
	body.Provenance = append(body.Provenance, slipLine{say("provenance.trail"), say("provenance.trail.what", trail)})
	if body.Again, err = s.againOf(r, &t); err != nil {
		return err
	}
	body.Form, body.FormOpen, body.Done = f, f.bad(), r.URL.Query().Has("reassigned")
	body.Bring = bring
	if n, err := strconv.Atoi(r.URL.Query().Get("brought")); err == nil {
		body.Brought = say("bring.done", n)
	}
	body.Corrected, body.Handed, body.HandOut, body.Version = r.URL.Query().Has("corrected"), r.URL.Query().Has("handed"), paperForm(), t.state.Version()
	if body.Papers, err = s.papersOf(r, &t); err != nil {
		return err
	}
	body.Old = slices.ContainsFunc(body.Papers, func(p paperLine) bool { return p.Old })
	if body.Reassigned, err = s.reassignments(r, t.test.ID); err != nil {
		return err
	}
	before, err := s.screenedBefore(r, t.test)
	if err != nil {
		return err
	}
	body.Before = before
	if body.Student, err = s.studentOf(r, t.test); err != nil {
		return err
	}
	s.tellMeaning(r, &t, &body)
	title := say("result.title", t.person.Label, body.When)
	return s.show(w, status, frame{Page: "result", Title: title, Purpose: say("result.purpose"), Script: "papers.js", Token: s.token(w, r), Body: body})
}

// tellMeaning shows what the papers say of meaning, change and plan. A fault in it, such as an earlier test that cannot be
// read, does not take the result away.
func (s *Server) tellMeaning(r *http.Request, t *told, b *resultBody) {
	if t.test.Running() {
		return
	}
	err := func() error {
		all, err := s.reports(r, t.test)
		if err != nil {
			return err
		}
		st := standingOf(all, t.state.Version(), t.test.Participant)
		c, err := s.caseOf(r, t, &st.now, st.signing(t))
		if err != nil {
			return err
		}
		first, more := c.MeaningBlocks()
		for _, part := range []struct {
			to     *template.HTML
			blocks []report.Block
		}{{&b.Means, first}, {&b.More, more}, {&b.Changed, c.ChangeBlocks()}, {&b.Plan, c.PlanBlocks()}} {
			if *part.to, err = report.HTML(part.blocks); err != nil {
				return err
			}
		}
		return nil
	}()
	if err != nil {
		s.note(r, err)
		b.Untold = say("result.untold", err)
	}
}

func (t *told) resultBody(trace [][2]float64) resultBody {
	v, st := t.view, &t.state
	b := resultBody{Test: t.test, Person: t.person, When: day(t.test.Created.Local()), Running: t.test.Running(), Ends: ends(t.load.Protocol, &st.In, &st.Limits),
		Stairs: testPicture(v, &st.Limits, trace), Minutes: t.tracedRows(), About: t.aboutSlips(), Slips: t.readingSlips(), Refused: int(st.Ignored)}
	for _, m := range v.Minutes {
		b.HasRPE, b.HasBP = b.HasRPE || m.RPE > 0, b.HasBP || m.SBP > 0
		b.HasSpO2, b.HasCadence = b.HasSpO2 || m.SpO2 > 0, b.HasCadence || m.Cadence > 0
	}
	for i := range t.load.Events {
		e := &t.load.Events[i]
		switch e.Kind {
		case conduct.Began:
			if e.By != "examiner" { // what the page writes for an examiner without initials
				b.By = e.By
			}
			if e.Text != "" {
				b.Notes = append(b.Notes, e.Text)
			}
		case conduct.Note:
			b.Notes = append(b.Notes, clock(int64(e.At))+" "+e.Text)
		}
	}
	b.NothingTaken = len(v.Minutes) == 0
	b.Measured = measured(t.load.Protocol, st)
	t.stagesBehind(b.Measured)
	b.Provenance = t.provenance()
	b.Sources, b.Commands = t.sources()
	b.Walked = t.walkedSlip()
	if b.Recovery = recoveryText(v); b.Recovery != "" {
		b.RecoverySlip = t.ruleSlip("recovery")
	}
	t.outcome(&b)
	b.Replaced = t.replaced()
	return b
}

// replaced says what each correction after the close changed, and which version of the result it made.
func (t *told) replaced() (out []string) {
	if t.state.Revised == 0 {
		return nil
	}
	unit := ""
	if e := t.load.Estimator; e != nil {
		unit = e.Outcome.Unit
	}
	for _, r := range estimate.Replacements(t.load.Protocol, t.load.Events, t.load.Estimator) {
		if why := t.textOf(r.Event); why != "" {
			r.What += "; " + why
		}
		out = append(out, say("result.replaced", r.Version, r.Version-1, r.What, or(r.By, say("plan.examiner")), r.Before.Text(unit), r.After.Text(unit)))
	}
	return out
}

// textOf is what was written with an event.
func (t *told) textOf(id conduct.ID) string {
	for i := range t.load.Events {
		if t.load.Events[i].ID() == id {
			return t.load.Events[i].Text
		}
	}
	return ""
}

// outcome puts the judgement of the test into words.
func (t *told) outcome(b *resultBody) {
	o := t.view.Result
	if o == nil {
		b.Verdict, b.VerdictText = estimate.NotUsable, say("result.verdict.none")
		b.NoEstimate = say("result.no.stage")
		return
	}
	b.Verdict, b.Usable, b.VerdictText = o.Verdict, o.Verdict != estimate.NotUsable, say("result.verdict."+o.Verdict)
	for _, reason := range t.reasonLines(o.Reasons, o.Estimate) {
		if reason.Notice {
			b.Notices = append(b.Notices, reason)
		} else {
			b.Reasons = append(b.Reasons, reason)
		}
	}
	b.NoEstimate, b.Departures, b.Ended = o.NoEstimate, t.departureLines(o.Departures), o.Ended
	b.Beside = compareLines(t.load.Estimator, o, t.planLinks())
	if o.EndStage != "" {
		b.EndLine = endLine(t.view, o)
	}
	if g := t.view.Ground; g != nil {
		b.EndLine = strings.TrimSpace(say("result.ground", num(g.DistanceM), g.Rests, clock(g.RestedMs)) + " " + b.EndLine)
	}
	if o.Estimate != nil {
		b.Estimate = t.estimateWords(o)
		if e := namedEstimator(t.load.Estimator, o.Estimate.Estimator); e != nil && e.Verification != nil {
			b.Verified = verifiedText(e)
		}
		if o.Estimate.Value.Present() {
			b.Meaning = say("result.meaning", o.Estimate.Criterion)
		}
	}
}

// endLine says which stage the result rests on, at which load and heart rate, as far as it has them.
func endLine(v *core.View, o *core.Outcome) string {
	load := ""
	for _, m := range v.Minutes {
		if m.Stage == o.EndStage && m.Load != "" {
			load = m.Load
		}
	}
	switch {
	case load == "" && o.EndHR == 0:
		return ""
	case load == "":
		return say("result.end.hr", o.EndStage, num(o.EndHR))
	case o.EndHR == 0:
		return say("result.end.load", o.EndStage, load)
	}
	return say("result.end", o.EndStage, load, num(o.EndHR))
}

func (t *told) estimateWords(o *core.Outcome) *estimateView {
	r := o.Estimate
	e := namedEstimator(t.load.Estimator, r.Estimator)
	v := &estimateView{What: or(english["result.what."+r.What], say("result.what", r.What)), Unit: r.Unit, Covers: r.Covers, Equation: append([]link{equationLink(r.Estimator)}, t.planLinks()...)}
	if !r.Value.Present() {
		v.Refused = r.Why
		return v
	}
	v.Value, v.Range = inUnit(float64(r.Value), r.Unit), rangeOf(r)
	v.Slip, v.RangeSlip = estimateSlip(e, r), rangeSlip(e, r)
	v.Slip.Links, v.RangeSlip.Links = v.Equation, v.Equation
	for _, s := range r.Sensitivity {
		v.Sensitivity = append(v.Sensitivity, slipLine{s.Label + " " + minus(s.Step), signed(float64(s.Effect)) + thin + r.Unit})
	}
	return v
}

// rangeText writes a range; a lower end below the floor keeps its sign.
func rangeText(low, high string) string {
	if strings.HasPrefix(low, "<") {
		return low + " to " + high
	}
	return minus(low) + dash + high
}

func signed(v float64) string {
	if v > 0 {
		return "+" + num(v)
	}
	return num(v)
}

// estimateSlip is the formula with its inputs, its range of use, its error and where it comes from.
func estimateSlip(e *estimate.Estimator, r *estimate.Result) slip {
	s := slip{Label: say("slip.estimate"), Value: inUnit(float64(r.Value), r.Unit), Unit: r.Unit, Links: []link{equationLink(r.Estimator)}}
	if e != nil {
		name := "slip.formula"
		if e.Extrapolate != nil {
			name = "slip.stage"
		}
		s.Lines = append(s.Lines, slipLine{say(name), formulaText(e)})
	}
	for i, in := range r.Inputs {
		value := num(in.Value) + thin + in.Unit
		if in.Word != "" {
			value = in.Word + " (" + num(in.Value) + ")"
		}
		if e != nil && i < len(e.Inputs) && e.Inputs[i].Domain != nil {
			value += ", " + say("slip.domain", num(e.Inputs[i].Domain.From), num(e.Inputs[i].Domain.To))
		}
		s.Lines = append(s.Lines, slipLine{in.Label, value})
	}
	if x := r.Extrapolation; x != nil {
		s.Lines = append(s.Lines, lineLines(x, r.Unit)...)
	}
	if r.NoError == "" {
		s.Lines = append(s.Lines, slipLine{say("slip.error"), errorWords(e, r)}, slipLine{say("slip.covers"), r.Covers})
	} else {
		s.Lines = append(s.Lines, slipLine{say("slip.error"), r.NoError})
	}
	return slipOf(s, slipLine{say("slip.source"), r.Source}, slipLine{say("slip.provenance"), r.Provenance}, slipLine{say("slip.verified"), verifiedText(e)})
}

func slipOf(s slip, more ...slipLine) slip {
	for _, line := range more {
		if line.Text != "" {
			s.Lines = append(s.Lines, line)
		}
	}
	return s
}

// verifiedText says who compared the numbers of an equation with its paper, or that nobody has.
func verifiedText(e *estimate.Estimator) string {
	switch {
	case e == nil:
		return ""
	case e.Verification != nil:
		return say("verified.by", e.Verification.By, e.Verification.On, e.Verification.Against)
	case e.Unverified():
		return say("verified.no")
	}
	return ""
}

// factors are the inputs of a product such as age_years^2 or speed*grade.
var factors = regexp.MustCompile(`[a-z_][a-z_0-9]*(\^[0-9])?`)

var raised = map[string]string{"2": "\u00b2", "3": "\u00b3"}

// formulaText writes a linear equation as it stands in a paper.
func formulaText(e *estimate.Estimator) string {
	if e.Formula != nil {
		return e.Formula.Text
	}
	var b strings.Builder
	b.WriteString(e.Outcome.What + " = ")
	for i, t := range e.Terms {
		v := t.Coefficient
		switch {
		case i == 0 && v < 0:
			b.WriteString("\u2212")
		case i > 0 && v < 0:
			b.WriteString(" \u2212 ")
		case i > 0:
			b.WriteString(" + ")
		}
		b.WriteString(strconv.FormatFloat(max(v, -v), 'f', -1, 64))
		for _, name := range factors.FindAllString(t.Input+" "+t.Of, -1) {
			name, power, _ := strings.Cut(name, "^")
			b.WriteString(" \u00d7 " + inputLabel(e, name) + raised[power])
		}
	}
	return b.String()
}

func inputLabel(e *estimate.Estimator, id string) string {
	i, ok := e.InputAt(id)
	if !ok {
		return id
	}
	in := e.Inputs[i]
	if len(in.Codes) == 0 {
		return in.Label + " (" + in.Unit + ")"
	}
	codes := make([]string, len(in.Codes))
	for k, c := range in.Codes {
		codes[k] = c.Word + " " + num(c.Value)
	}
	return in.Label + " (" + strings.Join(codes, ", ") + ")"
}

// about says of whom the estimate speaks, without a name.
func about(in *conduct.Inputs) (out []slipLine) {
	add := func(name, value string) {
		if value != "" {
			out = append(out, slipLine{say("field." + name), value})
		}
	}
	number := func(name string, v float64, unit string) {
		if v > 0 {
			add(name, num(v)+thin+unit)
		}
	}
	number("age_years", in.AgeYears, "years")
	add("sex", optionText("sex", textOf(in.Sex)))
	number("mass_kg", in.MassKg, "kg")
	number("height_cm", in.HeightCm, "cm")
	number("rest_hr_bpm", in.RestHR, "/min")
	if in.RestSBP > 0 {
		add("rest_sbp_mmhg", num(in.RestSBP)+"/"+num(in.RestDBP)+thin+"mmHg")
	}
	add("rate_limiting_drug", optionText("rate_limiting_drug", or(textOf(in.Drug), "unknown")))
	add("rhythm", optionText("rhythm", textOf(in.Rhythm)))
	if text := textOf(in.Condition); text != "" {
		kinds := strings.Split(text, "+")
		for i := range kinds {
			kinds[i] = optionText("condition", kinds[i])
		}
		add("condition", strings.Join(kinds, ", "))
	}
	add("hr_method", optionText("hr_method", textOf(in.HRMethod)))
	number("target_cadence_per_min", in.Cadence, "/min")
	return out
}

func textOf(v interface{ MarshalText() ([]byte, error) }) string {
	text, err := v.MarshalText()
	if err != nil {
		return ""
	}
	return string(text)
}

// measured is what was found at each load, whatever the verdict.
func measured(p *protocol.Protocol, s *conduct.State) (out []stageLine) {
	for i := range s.Stages[:s.NStages] {
		st := &s.Stages[i]
		j := s.Judge(p, i)
		line := stageLine{Title: p.Parts[st.Part].Title, Work: core.LoadText(&p.Parts[st.Part].Work, st.Set), Counts: j.Counts}
		if s.In.Machine.NoWatts() {
			line.Work = "" // the plan's watts were never set
		}
		if st.Level > 0 {
			line.Work = strings.TrimPrefix(line.Work+", "+say("measured.level", num(st.Level)), ", ")
		}
		hr, _, heart := s.LastHeart(p, i)
		if heart {
			line.HR = num(hr)
		}
		for k := range st.Readings[:st.NReadings] {
			r := &st.Readings[k]
			switch {
			case r.Withdrawn || r.Void || r.Disturbed:
			case r.What == protocol.HeartRate && heart && r.V == hr:
				line.hrRef = r.Ref
			case r.What == protocol.RPE:
				line.RPE, line.rpeRef = num(r.V), r.Ref
			case r.What == protocol.BloodPressure:
				line.BP, line.bpRef = num(r.V)+"/"+num(r.V2), r.Ref
			}
		}
		switch {
		case j.Known && j.Steady:
			line.Steady = say("steady.yes", num(j.Prev), num(j.Last))
		case j.Known:
			line.Steady = say("steady.no", num(j.Prev), num(j.Last), num(j.Apart()))
		default:
			line.Steady = say("steady.unknown")
		}
		out = append(out, line)
	}
	return out
}

// valueLines say how a reading came about.
func (t *told) valueLines(r *conduct.Value) []slipLine {
	lines := []slipLine{{say("slip.when"), say("slip.moment", clock(int64(r.Moment)), clock(int64(r.At)))}, {say("slip.how"), or(english["source."+r.Src.String()], r.Src.String())},
		{say("slip.event"), say("slip.event.by", r.Ref.String(), t.byOf(r.Ref))}}
	if r.Raw != 0 && r.Raw != r.V {
		lines = append(lines, slipLine{say("slip.raw"), num(r.Raw)})
	}
	if r.Used > 0 {
		lines = append(lines, slipLine{say("slip.beats"), say("slip.used", r.Used, r.Dropped)})
	}
	for _, state := range []struct {
		is  bool
		key string
	}{{r.Disturbed, "slip.disturbed"}, {r.Withdrawn, "slip.withdrawn"}, {r.Void, "slip.void"}, {r.Corrected, "slip.corrected"}} {
		if state.is {
			lines = append(lines, slipLine{say("slip.state"), say(state.key)})
		}
	}
	return lines
}

// readingSlips say of every value how it came about, also of those that no table shows.
func (t *told) readingSlips() (out []slip) {
	s := &t.state
	add := func(r *conduct.Value, where string) {
		if r.Ref.IsZero() {
			return
		}
		value := num(r.V)
		if r.What == protocol.BloodPressure {
			value += "/" + num(r.V2)
		}
		out = append(out, slip{Label: where + ", " + or(english["what."+r.What.String()], r.What.String()), Value: value, Unit: protocol.FenceOf(r.What).Unit, Lines: t.valueLines(r)})
	}
	for i := range s.Stages[:s.NStages] {
		st := &s.Stages[i]
		for k := range st.Readings[:st.NReadings] {
			add(&st.Readings[k], t.load.Protocol.Parts[st.Part].Title)
		}
	}
	for i := range s.After[:s.NAfter] {
		add(&s.After[i], say("after"))
	}
	return out
}

// recoveryText says how far the participant has recovered.
func recoveryText(v *core.View) string {
	r := v.Recovery
	if r == nil {
		return ""
	}
	parts := []string{say("recovery.open")}
	switch {
	case r.All:
		parts[0] = say("recovery.done")
	case v.Phase == conduct.Over:
		parts[0] = say("recovery.closed")
	}
	if r.HR > 0 {
		parts = append(parts, say("recovery.hr", num(r.HR)))
	}
	if r.SBP > 0 {
		parts = append(parts, say("recovery.sbp", num(r.SBP)))
	}
	return strings.Join(append(parts, say("recovery.since", r.Since)), " ")
}

// provenance names the versions behind the page.
func (t *told) provenance() []slipLine {
	p := t.load.Protocol
	out := []slipLine{{say("provenance.protocol"), p.Title + ", " + p.ID + " " + p.Version}, {say("provenance.hash"), p.Hash}, {say("provenance.test"), t.test.ID},
		{say("provenance.events"), strconv.Itoa(len(t.load.Events))}}
	if e := t.load.Estimator; e != nil {
		named := func(e *estimate.Estimator) string {
			return strings.TrimSuffix(e.ID+"; "+verifiedText(e), "; ")
		}
		out = append(out, slipLine{say("provenance.estimator"), named(e)})
		if e.Women != nil {
			out = append(out, slipLine{say("provenance.women"), named(e.Women)})
		}
		for _, other := range e.Beside {
			out = append(out, slipLine{say("provenance.beside"), named(other)})
		}
	}
	return out
}

// sources lead to the protocol and to every equation of the test; the commands say the same in a terminal.
func (t *told) sources() (links []link, commands string) {
	p := t.load.Protocol
	ids := []string{}
	for e := range t.equations() {
		links, ids = append(links, equationLink(e.ID)), append(ids, e.ID)
	}
	lines := []string{"gradus log " + t.test.ID + " | gradus replay -", "gradus protocol show " + p.ID}
	if len(ids) > 0 {
		lines = append(lines, "gradus estimators "+strings.Join(ids, " "))
	}
	return append(t.planLinks(), links...), strings.Join(lines, "\n")
}

// equations are those of the test: the leading one, the one for women, and those beside it.
func (t *told) equations() iter.Seq[*estimate.Estimator] {
	return func(yield func(*estimate.Estimator) bool) {
		e := t.load.Estimator
		if e == nil || !yield(e) || e.Women != nil && !yield(e.Women) {
			return
		}
		for _, other := range e.Beside {
			if !yield(other) {
				return
			}
		}
	}
}

func reassignForm() form {
	return form{Fields: []field{
		{Name: "right_code", Kind: "text", Most: 64, Need: true}, {Name: "reassign_by", Kind: "text", Most: 80, Need: true}, {Name: "why", Kind: "text", Most: 500, Need: true},
	}}
}

func (s *Server) reassignments(r *http.Request, test string) (out []string, err error) {
	list, err := s.store.Reassignments(r.Context(), test)
	if err != nil {
		return nil, err
	}
	name := func(id int64) (string, error) {
		if id == 0 {
			return say("person.nobody"), nil
		}
		p, err := s.store.Participant(r.Context(), id)
		return p.Code, err
	}
	for _, one := range list {
		from, err1 := name(one.From)
		to, err2 := name(one.To)
		if err := errors.Join(err1, err2); err != nil {
			return nil, err
		}
		out = append(out, say("reassigned.line", day(one.When.Local()), from, to, one.By, one.Why))
	}
	return out, nil
}

// reassign corrects whose test it is. The record keeps who said so and why.
func (s *Server) reassign(w http.ResponseWriter, r *http.Request) error {
	f := reassignForm()
	f.take(r)
	f.signed(s.signed(r))
	for _, e := range f.Fields {
		if e.Value == "" {
			f.fault(e.Name, say("form.empty"))
		}
	}
	if f.bad() {
		return s.showResult(w, r, http.StatusUnprocessableEntity, f, bringForm())
	}
	to, err := s.store.ParticipantByCode(r.Context(), f.text("right_code"))
	if errors.Is(err, record.ErrNotFound) {
		f.fault("right_code", say("reassign.unknown", f.text("right_code")))
		return s.showResult(w, r, http.StatusUnprocessableEntity, f, bringForm())
	}
	if err != nil {
		return err
	}
	id := r.PathValue("test")
	err = s.store.Reassign(r.Context(), id, to.ID, f.text("reassign_by"), f.text("why"))
	var invalid *record.InvalidError
	switch {
	case errors.Is(err, record.ErrRunning):
		f.General = say("reassign.running")
	case errors.As(err, &invalid):
		f.fault("right_code", invalid.Why)
	case err != nil:
		return err
	}
	if f.bad() {
		return s.showResult(w, r, http.StatusUnprocessableEntity, f, bringForm())
	}
	http.Redirect(w, r, "/tests/"+id+"?reassigned", http.StatusSeeOther)
	return nil
}

// sheetBody is the data sheet as it stands, with empty boxes for what is still to come.
type sheetBody struct {
	Test    record.Test
	Person  personAnswer
	When    string
	Now     string
	Next    conduct.Instruction
	About   []slipLine
	Ends    []slip
	Rows    []sheetRow
	Table   []core.RowView
	Stages  []string
	Signs   []signGroup
	Hold    string
	Cool    string
	Running bool
	Formula string
	Blank   []int
	Rests   bool                       // the clock runs on through rests
	Level   func(watts float64) string // of the machine, beside watts
}

// RowTable is the branch table of the sheet.
func (b sheetBody) RowTable() rowTable { return makeRowTable(b.Table, b.Stages, b.Level) }

// sheetRow is a line of the paper sheet; an empty value is a box to write in.
type sheetRow struct {
	Stage, Minute, Work, HR, RPE, BP, SpO2, Cadence, Rest string
	Due                                                   bool
}

func (s *Server) sheet(w http.ResponseWriter, r *http.Request) error {
	t, err := s.retell(r)
	if err != nil {
		return err
	}
	p := t.load.Protocol
	plan := planView{}
	plan.rules(p)
	b := sheetBody{Test: t.test, Person: t.person, When: day(t.test.Created.Local()), Now: clock(max(t.now, int64(t.state.Now))), Next: t.view.Next, About: about(&t.state.In),
		Ends: ends(p, &t.state.In, &t.state.Limits), Rows: sheetRows(p, &t), Table: t.view.Rows, Signs: signGroups(p.Table), Hold: plan.Hold, Cool: plan.Cool,
		Running: t.test.Running(), Blank: make([]int, 8), Rests: rests(p)}
	if m, known, err := s.machineNamed(r, t.state.In.MachineID); err != nil {
		return err
	} else if known && t.state.In.Machine == conduct.ShowsLevels {
		b.Level = levelOf(m, cadenceFor(p, &t.state.In))
	}
	for i := range p.Parts {
		if p.Parts[i].Work.Form() == "row" {
			b.Stages = append(b.Stages, p.Parts[i].Title)
		}
	}
	if t.load.Estimator != nil {
		b.Formula = formulaText(t.load.Estimator)
	}
	return s.show(w, http.StatusOK, frame{Page: "sheet", Title: say("sheet.title", t.person.Label), Purpose: say("sheet.purpose"), Script: "papers.js", Body: b})
}

// rests reports whether a part of the plan lets the participant rest with the clock running.
func rests(p *protocol.Protocol) bool {
	return slices.ContainsFunc(p.Parts, func(part protocol.Part) bool { return part.Pause != nil })
}

// restedIn is how long the participant stood still between two moments.
func restedIn(events []conduct.Event, from, to protocol.Ms) (lasted protocol.Ms) {
	gone := map[conduct.ID]bool{}
	for i := range events {
		if events[i].Kind == conduct.Withdraw {
			gone[events[i].Ref] = true
		}
	}
	began, still := protocol.Ms(0), false
	end := func(at protocol.Ms) {
		if still {
			lasted += max(0, min(at, to)-max(began, from))
		}
		still = false
	}
	for i := range events {
		switch e := &events[i]; {
		case gone[e.ID()]:
		case e.Kind == conduct.Break && !still:
			began, still = e.At, true
		case e.Kind == conduct.BreakOver, e.Kind == conduct.StageBegun, e.Kind == conduct.Stopped, e.Kind == conduct.RestBegun:
			end(e.At)
		}
	}
	end(to)
	return lasted
}

// sheetRows are the lines written so far, then the boxes of the stages still planned.
func sheetRows(p *protocol.Protocol, t *told) (out []sheetRow) {
	for _, m := range t.view.Minutes {
		row := sheetRow{Stage: m.Stage, Minute: strconv.Itoa(m.Minute), Work: m.Load, HR: reading(m.HR), RPE: reading(m.RPE), SpO2: reading(m.SpO2), Cadence: reading(m.Cadence)}
		if m.SBP > 0 {
			row.BP = num(m.SBP) + "/" + num(m.DBP)
		}
		if m.Disturbed {
			row.HR += " " + say("sheet.disturbed")
		}
		if rested := restedIn(t.load.Events, protocol.Ms(m.Minute-1)*protocol.Minute, min(protocol.Ms(m.Minute)*protocol.Minute, t.state.Now)); rests(p) && rested > 0 {
			row.Rest = strconv.FormatInt(int64((rested+protocol.Second/2)/protocol.Second), 10)
		}
		out = append(out, row)
	}
	if t.state.Phase > conduct.Riding {
		return out
	}
	for _, s := range t.view.Stairs {
		out = append(out, boxes(t.view, s)...)
	}
	return out
}

// boxes are the empty lines of a stage: one for each planned heart rate that is still open.
func boxes(v *core.View, s core.Step) (out []sheetRow) {
	for _, d := range v.Dots {
		if d.Taken || d.AtMs <= s.FromMs || d.AtMs > s.ToMs {
			continue
		}
		row := sheetRow{Stage: s.Title, Minute: strconv.Itoa(conduct.Minute(protocol.Ms(d.AtMs))), Due: true}
		if s.Known {
			row.Work = num(s.Work)
		}
		out = append(out, row)
	}
	return out
}
