package core

import (
	"fmt"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/exact"
	"gradus/protocol"
)

// View is everything a page draws at a moment. Times are test time in ms; a null number is not there.
type View struct {
	Now      int64               `json:"now_ms"`
	Phase    conduct.Phase       `json:"phase"`
	Next     conduct.Instruction `json:"next"`
	NextAtMs int64               `json:"next_at_ms"`
	LeftMs   int64               `json:"left_ms"`
	Stage    string              `json:"stage"`       // "stage 2"
	StageMs  int64               `json:"stage_ms"`    // time in the stage, from where its minutes count
	LengthMs int64               `json:"length_ms"`   // its length, extra minutes included
	Minute   int                 `json:"minute"`      // of the test
	StopMs   int64               `json:"stop_ms"`     // since the stop
	Work     float64             `json:"work"`        // set now, W or the first number of the part's work
	Form     string              `json:"form"`        // what kind of work it is: fixed, speed, rate, own-pace …
	Second   float64             `json:"second"`      // grade in percent, or height of the bench in m
	Load     string              `json:"load"`        // what is set now, as it is said: 75 W, 4.8 km/h at 5 %
	Asked    *AskedLoad          `json:"asked"`       // what the instruction asks to set; null: nothing
	Reading  *DueReading         `json:"reading"`     // how the heart rate that is due is read; null: none is due
	Axis     string              `json:"axis"`        // unit of the heights in the picture; "" where each step says its own
	Ground   *Ground             `json:"ground"`      // where the plan keeps a distance
	Beep     *conduct.Sound      `json:"beep"`        // the next beep of the part
	LastHR   float64             `json:"last_hr"`     // the last one typed or read; 0: none
	NextID   conduct.ID          `json:"next_id"`     // of the next event
	Term     uint32              `json:"term"`        // who holds the pen
	Limits   Limits              `json:"limits"`      //
	Rows     []RowView           `json:"rows"`        // the branch table, to doubt it
	Stairs   []Step              `json:"stairs"`      // loads along the minutes, ridden and planned
	Dots     []ReadingDot        `json:"dots"`        // planned readings, open or taken
	Trace    []Dot               `json:"trace"`       // the sensor
	Minutes  []MinuteRow         `json:"minutes"`     // the sheet: what happened minute by minute
	Signs    []SignView          `json:"signs"`       // the stop signs that can be told
	Measured []SignView          `json:"measured"`    // and those that are measured; both are the plan's one table
	Log      []LogLine           `json:"log"`         // the last things recorded, newest first
	More     *MoreStage          `json:"more"`        // a further stage that may be asked for
	Result   *Outcome            `json:"result"`      // once a stage has been ridden
	Recovery *conduct.Recovered  `json:"recovery"`    // after the stop
	CoolW    float64             `json:"cool_down_w"` // highest work rate of the cool-down
	Cool     string              `json:"cool_down"`   // the same as it is said; "" where the plan has none
}

// AskedLoad is a load that is to be set, with what is said about it and, where the examiner picks it, from what.
type AskedLoad struct {
	V      float64         `json:"v"`
	Second float64         `json:"second"` // grade in percent or height in m, to be recorded beside V
	Text   string          `json:"text"`   // "" where nothing is set: own pace, rest
	Unit   string          `json:"unit"`
	Pick   *protocol.Range `json:"pick"`
}

// DueReading is how a planned heart rate is read.
type DueReading struct {
	OverMs int64 `json:"over_ms"`
	Count  bool  `json:"count"` // the pulse is counted, not read
}

// Ground is how far the participant has come, and the rests.
type Ground struct {
	DistanceM float64 `json:"distance_m"`
	CourseM   float64 `json:"course_m"` // a lap; 0: none is counted
	Laps      int     `json:"laps"`     // in this part
	LeftM     float64 `json:"left_m"`   // of a part that ends with its metres; 0: it ends by the clock
	Rests     int     `json:"rests"`
	RestedMs  int64   `json:"rested_ms"`
	LowSpO2   float64 `json:"low_spo2"` // 0: none
}

// Limits are the numbers that end the test.
type Limits struct {
	EndBeat  int     `json:"end_beat"`
	EndPoint float64 `json:"end_point"`
	Percent  float64 `json:"percent"`
	MaxHR    float64 `json:"max_hr"`
	Formula  string  `json:"formula"`
	HRLimit  float64 `json:"hr_limit"`
	SBPLimit float64 `json:"sbp_limit"`
	SpO2     float64 `json:"spo2_limit"`
	SpO2At   float64 `json:"spo2_watch"` // highest saturation at which a limit or a sign says something; 0: none
	RPEAlert float64 `json:"rpe_alert"`
	RPEEnd   float64 `json:"rpe_end"`
	Leads    string  `json:"leads"`
	HRWhy    string  `json:"hr_limit_why"` // which limit of heart rate it is, and whose
	By       string  `json:"limits_by"`
}

// RowView is a row of the branch table.
type RowView struct {
	Row    int       `json:"row"`
	Below  float64   `json:"below"` // 0: every higher reading
	Work   []float64 `json:"work"`
	Called bool      `json:"called"`
	Taken  bool      `json:"taken"`
}

// Step is a load over a stretch of test time. Planned steps lie in the future.
type Step struct {
	FromMs  int64   `json:"from_ms"`
	ToMs    int64   `json:"to_ms"`
	Work    float64 `json:"work"`
	Height  float64 `json:"height"` // in the picture: watts, or what stands for them
	Load    string  `json:"load"`   // as it stands on the step
	Title   string  `json:"title"`
	Planned bool    `json:"planned"`
	Counts  bool    `json:"counts"`
	Known   bool    `json:"known"` // false: the load depends on a branch still to come
}

// ReadingDot is a planned or a taken reading of heart rate.
type ReadingDot struct {
	AtMs      int64   `json:"at_ms"`
	V         float64 `json:"v"` // 0: still open
	Taken     bool    `json:"taken"`
	Disturbed bool    `json:"disturbed"`
	Planned   bool    `json:"planned"`
}

// MinuteRow is a line of the sheet.
type MinuteRow struct {
	Minute      int        `json:"minute"`
	Stage       string     `json:"stage"`
	StageMinute int        `json:"stage_minute"`
	Work        float64    `json:"work"`
	Load        string     `json:"load"`
	HR          float64    `json:"hr"`
	RPE         float64    `json:"rpe"`
	SBP         float64    `json:"sbp"`
	DBP         float64    `json:"dbp"`
	SpO2        float64    `json:"spo2"`
	Cadence     float64    `json:"cadence"`
	Disturbed   bool       `json:"disturbed"`
	Ref         conduct.ID `json:"ref"` // of the heart rate, for a correction
	// Of the other readings, and of the load, for the page of the result.
	RPERef, BPRef, SpO2Ref, CadenceRef, LoadRef conduct.ID `json:"-"`
}

// SignView is a stop sign that the examiner can tell.
type SignView struct {
	ID    string     `json:"id"`
	Text  string     `json:"text"`
	Grave bool       `json:"grave"` // stop, stay seated
	Stop  bool       `json:"stop"`
	Does  string     `json:"does"`  // stop, check, alert or pause
	After string     `json:"after"` // what follows a stop: active, rest or seated
	Ref   conduct.ID `json:"ref"`   // set when it stands now
}

// LogLine is one recorded thing in words.
type LogLine struct {
	ID   conduct.ID `json:"id"`
	AtMs int64      `json:"at_ms"`
	Say  string     `json:"say"`
	Undo bool       `json:"undo"` // a slip here can be taken back
}

// MoreStage is a stage beyond the planned ones.
type MoreStage struct {
	Part string  `json:"part"`
	Work float64 `json:"work"`
	Mark string  `json:"mark"`
}

// Outcome is the judgement of the test as it stands.
type Outcome struct {
	Verdict    string              `json:"verdict"`
	Reasons    []estimate.Caution  `json:"reasons"`
	Estimate   *estimate.Result    `json:"estimate"`
	Estimates  []estimate.Compared `json:"estimates,omitempty"` // all, when the protocol names several; the leading one first
	Low95      string              `json:"low95_text"`
	NoEstimate string              `json:"no_estimate"`
	EndWork    float64             `json:"end_work_w"`
	EndHR      float64             `json:"end_hr"`
	EndStage   string              `json:"end_stage"`
	Ended      string              `json:"ended"` // why the test ended
	Departures []conduct.Departure `json:"departures"`
}

// View is what a page draws at a moment.
func (c *Core) View(at protocol.Ms) *View {
	p, s := c.protocol, &c.state
	at = max(at, s.Now)
	v := &View{Now: int64(at), Phase: s.Phase, Next: conduct.Next(p, s, at), NextID: s.NextID(), Term: s.Term(), LastHR: s.LastHR.V,
		Minute: conduct.Minute(at), Trace: c.trace, Rows: []RowView{}, Stairs: []Step{}, Dots: []ReadingDot{}, Minutes: []MinuteRow{}, Signs: []SignView{}, Measured: []SignView{}, Log: c.log()}
	v.NextAtMs, v.LeftMs = int64(v.Next.NextAt), int64(v.Next.Left)
	if v.Trace == nil {
		v.Trace = []Dot{}
	}
	c.viewStage(v, at)
	c.viewLimits(v)
	c.viewRows(v)
	c.viewStairs(v, at)
	c.viewMinutes(v)
	c.viewSigns(v)
	if s.NStages > 0 {
		v.Result = c.outcome()
	}
	if s.Stop.Active && p.Recovery.Is() {
		r := s.RecoveredAt(p, at)
		v.Recovery, v.StopMs = &r, int64(at-s.Stop.At)
	}
	if p.CoolDown.Is() {
		v.CoolW = conduct.CoolWork(p, s)
		v.Cool = coolText(p, v.CoolW)
	}
	c.viewAsked(v)
	return v
}

func (c *Core) viewStage(v *View, at protocol.Ms) {
	p, s := c.protocol, &c.state
	i := s.Current()
	if i < 0 {
		return
	}
	st := &s.Stages[i]
	v.Stage, v.Work = c.title(i), st.Set
	part := &p.Parts[st.Part]
	v.Form, v.Second, v.Load = part.Work.Form(), st.Set2, LoadText(&part.Work, st.Set)
	if m, ok := s.DistanceM(p, at); ok {
		n, lasted := s.RestsAt(at)
		v.Ground = &Ground{DistanceM: m, CourseM: s.CourseM(p, int(st.Part)), Laps: int(st.Laps), LeftM: max(0, part.UntilM-st.Distance), Rests: n, RestedMs: int64(lasted), LowSpO2: s.LowestSpO2()}
	}
	if beep, ok := s.NextBeep(p, at); ok {
		v.Beep = &beep
	}
	v.StageMs, v.LengthMs = int64(at-st.From), int64(st.Length(p))
	if s.Phase == conduct.Cooling {
		v.Work, v.Load = s.CoolWork, coolText(p, s.CoolWork)
	}
	if more := s.MorePart(p); more >= 0 && s.NextPart(p) < 0 {
		work, _ := s.PlannedWork(p, more)
		v.More = &MoreStage{p.Parts[more].ID, work, p.Parts[more].Mark}
	}
}

func (c *Core) title(i int) string { return c.protocol.Parts[c.state.Stages[i].Part].Title }

func (c *Core) viewLimits(v *View) {
	l := &c.state.Limits
	v.Limits = Limits{EndBeat: l.EndBeat, EndPoint: l.EndPoint, Percent: l.Percent, MaxHR: l.MaxHR, Formula: l.Formula, HRLimit: l.HRLimit, SBPLimit: l.SBPLimit,
		SpO2: l.SpO2Limit, RPEAlert: l.RPEAlert, RPEEnd: l.RPEEnd, Leads: v.Next.Leads, HRWhy: conduct.HRLimitWhy(&c.state.In, l), By: conduct.LimitsSetBy(&c.state.In)}
	v.Limits.SpO2At = l.SpO2Limit
	for i := range c.protocol.Table {
		if w := &c.protocol.Table[i].When; w.What == protocol.MeasureSpO2 && w.AtMost != nil {
			v.Limits.SpO2At = max(v.Limits.SpO2At, *w.AtMost)
		}
	}
}

func (c *Core) viewRows(v *View) {
	if !c.protocol.Choose.Is() {
		return
	}
	called, _, _ := c.state.RowCalled(c.protocol)
	for i, row := range c.protocol.Choose.It.Rows {
		r := RowView{Row: i + 1, Below: row.Below, Called: called == i+1, Taken: int(c.state.Row) == i+1}
		for _, w := range row.Work {
			r.Work = append(r.Work, *w.Watts)
		}
		v.Rows = append(v.Rows, r)
	}
}

// viewStairs draws the loads that were ridden and those still planned, with their readings.
func (c *Core) viewStairs(v *View, at protocol.Ms) {
	p, s := c.protocol, &c.state
	end := protocol.Ms(0)
	for i := range s.Stages[:s.NStages] {
		st := &s.Stages[i]
		to := st.Ended
		if st.Running() {
			to = max(at, st.From+st.Length(p))
		}
		w := &p.Parts[st.Part].Work
		v.Stairs = append(v.Stairs, Step{FromMs: int64(st.Began), ToMs: int64(to), Work: st.Set, Height: height(w, st.Set), Load: shortText(w, st.Set), Title: c.title(i), Counts: s.Judge(p, i).Counts, Known: true})
		c.dots(v, i)
		end = to
	}
	if s.Phase > conduct.Riding {
		return
	}
	next := 0
	if i := s.Current(); i >= 0 {
		next = int(s.Stages[i].Part) + 1
	}
	for k := next; k < len(p.Parts); k++ {
		if p.Parts[k].If != "" {
			continue
		}
		work, row := s.PlannedWork(p, k)
		known := p.Parts[k].Work.Form() != "row" || row > 0
		w := &p.Parts[k].Work
		v.Stairs = append(v.Stairs, Step{FromMs: int64(end), ToMs: int64(end + p.Parts[k].Lasts), Work: work, Height: height(w, work), Load: shortText(w, work), Title: p.Parts[k].Title, Planned: true, Known: known})
		for _, r := range p.SetOf(k) {
			if r.What == protocol.HeartRate {
				v.Dots = append(v.Dots, ReadingDot{AtMs: int64(end + r.At), Planned: true})
			}
		}
		end += p.Parts[k].Lasts
	}
}

// dots are the readings of heart rate of a stage: those taken, and the planned ones still open.
func (c *Core) dots(v *View, i int) {
	p, st := c.protocol, &c.state.Stages[i]
	taken := map[int64]bool{}
	for k := range st.Readings[:st.NReadings] {
		r := &st.Readings[k]
		if r.What != protocol.HeartRate || r.Withdrawn || r.Void {
			continue
		}
		at := int64(r.Moment)
		if r.Slot > 0 {
			at = int64(st.From + protocol.Ms(r.Slot)*protocol.Minute)
			taken[at] = true
		}
		v.Dots = append(v.Dots, ReadingDot{AtMs: at, V: r.V, Taken: true, Disturbed: r.Disturbed, Planned: r.Slot > 0})
	}
	open := func(at int64) {
		if !taken[at] {
			v.Dots = append(v.Dots, ReadingDot{AtMs: at, Planned: true})
		}
	}
	for _, r := range p.SetOf(int(st.Part)) {
		if r.What == protocol.HeartRate {
			open(int64(st.From + r.At))
		}
	}
	for at := st.From + p.Parts[st.Part].Lasts; at < st.From+st.Length(p); at += protocol.Minute {
		open(int64(at + protocol.Minute))
	}
}

// viewMinutes is the sheet as it fills: one line for each minute with a reading.
func (c *Core) viewMinutes(v *View) {
	s := &c.state
	for i := range s.Stages[:s.NStages] {
		st := &s.Stages[i]
		for k := range st.Readings[:st.NReadings] {
			r := &st.Readings[k]
			if !r.Withdrawn && !r.Void {
				at := r.Moment
				if r.Slot > 0 {
					at = st.From + protocol.Ms(r.Slot)*protocol.Minute
				}
				c.enter(v, r, at, c.title(i), int((at-st.From+protocol.Minute-1)/protocol.Minute), st.Set, LoadText(&c.protocol.Parts[st.Part].Work, st.Set), st.Ref)
			}
		}
	}
	for i := range s.After[:s.NAfter] {
		r := &s.After[i]
		work, load := s.CoolWork, coolText(c.protocol, s.CoolWork)
		if s.RestFrom > 0 && r.Moment >= s.RestFrom {
			work, load = 0, ""
		}
		if !r.Withdrawn {
			c.enter(v, r, r.Moment, "recovery", conduct.Minute(r.Moment-s.Stop.At), work, load, conduct.ID{})
		}
	}
}

// enter puts a reading into its line, making one when there is none.
func (c *Core) enter(v *View, r *conduct.Value, at protocol.Ms, stage string, stageMinute int, work float64, load string, set conduct.ID) {
	var row *MinuteRow
	for i := range v.Minutes {
		if v.Minutes[i].Stage == stage && v.Minutes[i].StageMinute == stageMinute && v.Minutes[i].Work == work {
			row = &v.Minutes[i]
		}
	}
	if row == nil {
		v.Minutes = append(v.Minutes, MinuteRow{Minute: conduct.Minute(at), Stage: stage, StageMinute: stageMinute, Work: work, Load: load, LoadRef: set})
		row = &v.Minutes[len(v.Minutes)-1]
	}
	switch r.What {
	case protocol.HeartRate:
		row.HR, row.Ref, row.Disturbed = r.V, r.Ref, r.Disturbed
	case protocol.RPE:
		row.RPE, row.RPERef = r.V, r.Ref
	case protocol.BloodPressure:
		row.SBP, row.DBP, row.BPRef = r.V, r.V2, r.Ref
	case protocol.SpO2:
		row.SpO2, row.SpO2Ref = r.V, r.Ref
	case protocol.CadenceRate:
		row.Cadence, row.CadenceRef = r.V, r.Ref
	}
}

func (c *Core) viewSigns(v *View) {
	for i := range c.protocol.Table {
		sign := &c.protocol.Table[i]
		sv := SignView{ID: sign.ID, Text: sign.Text, Grave: sign.After == protocol.AfterSeated, Stop: sign.Does == protocol.DoesStop, Does: sign.Does.String(), After: sign.After.String()}
		for k := range c.state.Signs[:c.state.NSigns] {
			if m := &c.state.Signs[k]; int(m.Sign) == i && !m.Withdrawn && !m.Gone {
				sv.Ref = m.Ref
			}
		}
		if sign.When.Told {
			v.Signs = append(v.Signs, sv)
		} else {
			v.Measured = append(v.Measured, sv)
		}
	}
}

func (c *Core) outcome() *Outcome {
	a := estimate.Assess(c.protocol, &c.state, c.estimator)
	o := &Outcome{Verdict: a.Verdict, Reasons: a.Reasons, Estimate: a.Estimate, Estimates: a.Compared, NoEstimate: a.NoEstimate, Departures: a.Departures}
	if a.Estimate != nil {
		o.Low95 = a.Estimate.Low95Text(1)
	}
	if a.End != nil {
		o.EndWork, o.EndHR, o.EndStage = a.End.WorkW, a.End.HR, c.title(a.End.Stage)
	}
	if reason, ok := protocol.ReasonOf(c.state.Stop.Code); ok {
		o.Ended = reason.Text
	} else if i := c.protocol.SignIndex(c.state.Stop.Code); i >= 0 {
		o.Ended = c.protocol.Table[i].Text
	}
	return o
}

const logLines = 12

// log tells the last recorded things, newest first.
func (c *Core) log() []LogLine {
	out := []LogLine{}
	undone := map[conduct.ID]bool{}
	for i := range c.events {
		if c.events[i].Kind == conduct.Withdraw {
			undone[c.events[i].Ref] = true
		}
	}
	for i := len(c.events) - 1; i >= 0 && len(out) < logLines; i-- {
		e := &c.events[i]
		say, undo := tell(c.protocol, e)
		if say != "" {
			out = append(out, LogLine{ID: e.ID(), AtMs: int64(e.At), Say: say, Undo: undo && !undone[e.ID()] && c.undoable(e)})
		}
	}
	return out
}

// undoable reports whether an event can be taken back in the present state.
func (c *Core) undoable(e *conduct.Event) bool {
	s := &c.state
	switch {
	case s.Phase == conduct.Over:
		return false
	case e.Kind == conduct.StageBegun:
		i := s.Current()
		return s.Phase == conduct.Riding && i >= 0 && s.Stages[i].Ref == e.ID() && s.Stages[i].NReadings == 0
	case e.Kind == conduct.Break:
		return s.OnBreak && s.BreakRef == e.ID()
	}
	return true
}

// Tell puts an event into words; "" when there is nothing to say of it.
func Tell(p *protocol.Protocol, e *conduct.Event) string {
	say, _ := tell(p, e)
	return say
}

// tell puts an event into words; undo says whether a slip can be taken back.
func tell(p *protocol.Protocol, e *conduct.Event) (say string, undo bool) {
	switch e.Kind {
	case conduct.Began:
		return "Test begun", false
	case conduct.Reading:
		if e.What == protocol.CadenceRate && e.Src == conduct.Machine {
			return fmt.Sprintf("Cadence %.4g, by the machine", e.V), false // no slip of a hand
		}
		if e.What == protocol.BloodPressure {
			return fmt.Sprintf("Blood pressure %g/%g", e.V, e.V2), true
		}
		if e.What == protocol.HeartRate {
			return fmt.Sprintf("Heart rate %.0f", exact.HalfUp(e.V)), true
		}
		if e.What == protocol.Distance {
			return fmt.Sprintf("%.4g m", e.V), true
		}
		return fmt.Sprintf("%s %.4g", words[e.What], e.V), true
	case conduct.StageBegun:
		return begun(p, e), true
	case conduct.WorkSet:
		return fmt.Sprintf("Load changed to %g W", e.V), false
	case conduct.Extended:
		return "One more minute, " + titleOf(p, e.Code), false
	case conduct.Branched:
		return "Row chosen: " + e.Code, false
	case conduct.SignSeen:
		if i := p.SignIndex(e.Code); i >= 0 {
			return p.Table[i].Text, true
		}
	case conduct.Stopped:
		return "Stopped: " + e.Code, false
	case conduct.Unstopped:
		return "Stop taken back", false
	case conduct.CoolBegun:
		return "Cool-down " + coolText(p, e.V), false
	case conduct.RestBegun:
		return "Recovery, seated", false
	case conduct.Closed:
		return "Test closed", false
	case conduct.Correct:
		return fmt.Sprintf("Event %v corrected to %g", e.Ref, e.V), false
	case conduct.Withdraw:
		return fmt.Sprintf("Event %v taken back", e.Ref), false
	case conduct.Disturbed:
		return "Reading marked disturbed", false
	case conduct.Break:
		return "Break begun", true
	case conduct.BreakOver:
		return "Moving again", false
	case conduct.Accepted:
		return "Unsteady stage accepted", false
	case conduct.Note:
		return "Note: " + e.Text, false
	case conduct.Resumed:
		return "Time taken up again (" + e.Code + ")", false
	case conduct.TookOver:
		return "Another device took the pen", false
	}
	return "", false
}

// titleOf is how a part is called by its id.
func titleOf(p *protocol.Protocol, id string) string {
	if i := p.Find(id); i >= 0 {
		return p.Parts[i].Title
	}
	return id
}

// begun tells what was set for a part.
func begun(p *protocol.Protocol, e *conduct.Event) string {
	i := p.Find(e.Code)
	if i < 0 {
		return fmt.Sprintf("%g W set, %s", e.V, e.Code)
	}
	title := p.Parts[i].Title
	if load := LoadText(&p.Parts[i].Work, e.V); load != "" {
		title = load + " set, " + title
	}
	if e.Level > 0 {
		title += fmt.Sprintf(", level %g", e.Level)
	}
	return title
}

var words = map[protocol.Quantity]string{
	protocol.HeartRate: "Heart rate", protocol.RPE: "Exertion", protocol.SpO2: "Oxygen saturation", protocol.CadenceRate: "Cadence",
	protocol.Distance: "Distance", protocol.WorkRate: "Work rate", protocol.Breathless: "Breathlessness",
}
