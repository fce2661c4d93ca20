package conduct

import (
	"strings"

	"gradus/protocol"
)

// Do is what the examiner is asked to do.
type Do uint8

// The instructions.
const (
	DoNothing   Do = iota
	DoBegin        // set the first work rate and let the participant start
	DoWait         // nothing now; the countdown runs to the next act
	DoRead         // take a reading now
	DoSetWork      // set the work rate of the next stage
	DoLower        // lower the load at once
	DoHoldCheck    // hold the load and measure again
	DoDecide       // accept the unsteady stage or end the test
	DoPutBack      // the stage before was left too early: put its load back, or go on
	DoBreak        // the participant rests
	DoEnd          // the planned end: set the cool-down
	DoStop         // stop stepping now
	DoCool         // cool-down runs
	DoRecover      // seated recovery runs
	DoSymptom      // a symptom in recovery: act on it
	DoPhysician    // unresolved: ask a physician
	DoClose        // recovered: close the test
	DoDone         // the test is closed
	doCount
)

var doWords = [doCount]string{"nothing", "begin", "wait", "read", "set-work", "lower-work", "hold-and-check", "decide", "put-back",
	"break", "end", "stop", "cool-down", "recover", "symptom", "ask-physician", "close", "done"}

func (d Do) String() string { return doWords[min(int(d), len(doWords)-1)] }

// MarshalText writes the word.
func (d Do) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads the word.
func (d *Do) UnmarshalText(text []byte) error {
	return readWord(doWords[:], "instruction", text, (*uint8)(d))
}

// Instruction is what the examiner is told at a moment.
type Instruction struct {
	Do       Do                `json:"do"`
	Say      string            `json:"say"`               // one sentence
	Why      string            `json:"why,omitempty"`     // its reason
	Rule     Rule              `json:"rule"`              // where the rule stands
	Source   string            `json:"source"`            // and where it comes from
	What     protocol.Quantity `json:"what,omitzero"`     // with DoRead and DoHoldCheck
	Slot     uint16            `json:"slot,omitempty"`    // stage minute of the reading that is due
	Part     string            `json:"part,omitempty"`    // with DoBegin and DoSetWork
	Work     float64           `json:"work"`              // work rate to set, W or the part's first number
	Row      string            `json:"row,omitempty"`     // row it comes from
	NextAt   protocol.Ms       `json:"next_at"`           // test time of the next planned act
	Left     protocol.Ms       `json:"left"`              // time until then; negative: overdue
	NextWhat string            `json:"next,omitempty"`    // what that act is
	Confirm  string            `json:"confirm,omitempty"` // why this step wants a second confirmation
	Choices  []Choice          `json:"choices,omitempty"` // what else the examiner may do
	Warnings []Warning         `json:"warnings,omitempty"`
	Cue      string            `json:"cue,omitempty"` // what the plan says to the participant at this moment
	Leads    string            `json:"leads"`         // what leads the end of this test
}

// Choice is another way the examiner may take, and the events that record it.
type Choice struct {
	Say     string  `json:"say"`
	Events  []Event `json:"events"`
	Confirm string  `json:"confirm,omitempty"` // why it wants a second confirmation: its events take the row, then the instruction asks
	Rule    Rule    `json:"rule,omitempty"`    // where it is not the instruction's
}

// Warning is something to know besides the instruction.
type Warning struct {
	Rule Rule   `json:"rule"`
	Say  string `json:"say"`
}

// Next says what the examiner should do at a moment, and by which rule. It is defined for every state.
func Next(p *protocol.Protocol, s *State, at protocol.Ms) Instruction {
	at = max(at, s.Now)
	n := &teller{p: p, s: s, at: at}
	n.out.Leads = leads(s)
	n.decide()
	n.out.Cue = s.cueAt(p, at)
	n.warn()
	n.out.Source = sourceOf(p, n.out.Rule, n.sign)
	return n.out
}

// teller puts one instruction together.
type teller struct {
	p    *protocol.Protocol
	s    *State
	at   protocol.Ms
	out  Instruction
	sign int // index from 1 of the stop sign that speaks; 0: none
}

func (n *teller) tell(do Do, rule Rule, say, why string) {
	n.out.Do, n.out.Rule, n.out.Say, n.out.Why = do, rule, say, why
}

// until sets the countdown to the next planned act.
func (n *teller) until(at protocol.Ms, what string) {
	n.out.NextAt, n.out.Left, n.out.NextWhat = at, at-n.at, what
}

func (n *teller) decide() {
	switch n.s.Phase {
	case Idle:
		n.tell(DoNothing, "conductor.order", sayNotBegun, "")
	case Ready:
		n.first()
	case Riding:
		n.riding()
	case StoppedAt:
		n.stopped()
	case Cooling:
		n.cooling()
	case Resting:
		n.recovering()
	case Over:
		n.tell(DoDone, "conductor.order", sayClosed, "")
	}
}

// first is the instruction before the first stage.
func (n *teller) first() {
	p, s := n.p, n.s
	if missing := s.In.Missing(p); len(missing) > 0 {
		n.tell(DoNothing, "inputs.required", sayMissingInputs(missing), whyMissingInputs)
		return
	}
	if end := s.Standing(p, n.at); end.Severity == SignEnd {
		n.sign = end.Sign + 1
		n.tell(DoStop, end.Rule, sayDoNotStart, sayEnding(p, s, end))
		return
	}
	if room, beats := RoomOf(&s.In, &s.Limits); room == RoomNone {
		n.tell(DoNothing, "conductor.headroom", sayNoRoom, sayRoomWhy(s, beats))
		return
	}
	n.setPart(DoBegin, 0)
}

// sayWork says what to set. A machine that gives no watts has a level instead of watts.
func (n *teller) sayWork(part int, work float64) string {
	say := sayWork(&n.p.Parts[part].Work, work)
	if n.s.In.Machine.NoWatts() && strings.HasSuffix(say, " W.") {
		return "Set the level for " + n.p.Parts[part].Title + "."
	}
	return say
}

// setPart tells to set the work rate of a part.
func (n *teller) setPart(do Do, part int) {
	work, row := n.s.PlannedWork(n.p, part)
	n.out.Part, n.out.Work = n.p.Parts[part].ID, work
	say := n.sayWork(part, work)
	rule := Rule("parts.work")
	why := ""
	if row > 0 {
		n.out.Row = n.p.Choose.It.Rows[row-1].ID
		why = n.rowWhy(row)
		rule = "choose.rows"
	}
	n.tell(do, rule, say, why)
}

func (n *teller) riding() {
	p, s := n.p, n.s
	end := s.Standing(p, n.at)
	switch end.Severity {
	case SignEnd:
		n.sign = end.Sign + 1
		n.tell(DoStop, end.Rule, sayStop(p, end.Code), sayEnding(p, s, end))
		return
	case CheckFirst:
		n.holdAndCheck(end)
		return
	case LimitEnd, PlannedEnd:
		n.plannedEnd(end.Rule, sayEndTitle(end), sayEnding(p, s, end))
		return
	}
	if sign, v := s.Paused(p); sign >= 0 && !n.restedOut() {
		n.mustRest(sign, v)
		return
	}
	if st := s.stage(); s.OnBreak && p.Parts[st.Part].Pause != nil && n.reading(st) {
		return // with the clock running, readings come due while the participant rests
	}
	if s.OnBreak && !n.restedOut() {
		n.onBreak()
		return
	}
	if work, row, ok := s.LowerNow(p); ok {
		n.out.Work, n.out.Row = work, p.Choose.It.Rows[row-1].ID
		n.tell(DoLower, "choose.rows", sayLower(s, work), n.rowWhy(row))
		n.out.Choices = []Choice{{Say: sayLowered(work), Events: []Event{
			{At: n.at, Kind: Branched, Code: n.out.Row}, {At: n.at, Kind: WorkSet, V: work}}}}
		return
	}
	if i := s.LeftEarly(p, n.at); i >= 0 {
		n.leftEarly(i)
		return
	}
	n.timeline()
}

func (n *teller) holdAndCheck(end Ending) {
	n.sign = end.Sign + 1
	n.out.What = quantityOf(end.Measure)
	n.until(end.Until, "stop unless measured again")
	n.tell(DoHoldCheck, end.Rule, sayCheck(n.p, end, n.out.Left), sayEnding(n.p, n.s, end))
}

func quantityOf(m protocol.Measure) protocol.Quantity {
	switch m {
	case protocol.MeasureHR:
		return protocol.HeartRate
	case protocol.MeasureSBP, protocol.MeasureDBP:
		return protocol.BloodPressure
	case protocol.MeasureSpO2:
		return protocol.SpO2
	case protocol.MeasureRPE:
		return protocol.RPE
	}
	return protocol.NoQuantity
}

// plannedEnd tells to set the cool-down.
func (n *teller) plannedEnd(rule Rule, title, why string) {
	p, s := n.p, n.s
	if !p.CoolDown.Is() {
		n.tell(DoEnd, rule, title+" "+sayStopMoving, why)
		return
	}
	n.out.Work = CoolWork(p, s)
	n.tell(DoEnd, rule, title+" "+sayCoolDown(p, s, n.out.Work), why)
}

// CoolWork is the work rate of the cool-down: that of the part it may not exceed, as planned or, where the
// examiner chose it, as ridden.
func CoolWork(p *protocol.Protocol, s *State) float64 {
	i := p.Find(p.CoolDown.It.AtMost)
	if i < 0 {
		return 0
	}
	switch w := &p.Parts[i].Work; {
	case w.Watts != nil:
		return *w.Watts
	case w.SpeedKmh > 0:
		return w.SpeedKmh
	}
	for k := range s.Stages[:s.NStages] {
		if int(s.Stages[k].Part) == i {
			return s.Stages[k].First
		}
	}
	return 0
}

// restedOut reports whether a rest that does not stop the clock has lasted to the end of its part.
func (n *teller) restedOut() bool {
	st := n.s.stage()
	return n.p.Parts[st.Part].Pause != nil && n.at >= st.From+st.Length(n.p)
}

// mustRest tells to rest because of a sign that pauses; the clock runs.
func (n *teller) mustRest(sign int, value float64) {
	st := n.s.stage()
	n.sign = sign + 1
	n.until(st.From+st.Length(n.p), "end of "+n.p.Parts[st.Part].Title)
	n.tell(DoBreak, "signs", sayMustRest, sayMustRestWhy(&n.p.Table[sign], value))
}

func (n *teller) onBreak() {
	if st := n.s.stage(); n.p.Parts[st.Part].Pause != nil {
		n.until(st.From+st.Length(n.p), "end of "+n.p.Parts[st.Part].Title)
		n.tell(DoBreak, "parts.pause", sayBreak(n.at-n.s.BreakFrom), sayClockRuns(n.out.Left))
		return
	}
	gone := n.at - n.s.BreakFrom
	b := &n.p.Breaks.It
	if n.p.Breaks.Is() && gone > b.Restart {
		n.plannedEnd("breaks.restart", sayBreakTooLong, sayBreakWhy(gone, b))
		return
	}
	n.tell(DoBreak, "breaks", sayBreak(gone), sayBreakWhy(gone, b))
	if n.p.Breaks.Is() {
		n.until(n.s.BreakFrom+b.Restart, "end of the test")
	}
}

func (n *teller) leftEarly(i int) {
	s, p := n.s, n.p
	st := &s.Stages[i]
	n.out.Work, n.out.Part = st.Set, p.Parts[st.Part].ID
	n.tell(DoPutBack, "parts.counts", sayPutBack(st.Set), sayLeftEarly(p, int(st.Part), s.judge(p, i, false)))
	n.out.Choices = []Choice{
		{Say: sayPutBackDone(st.Set), Events: []Event{{At: n.at, Kind: StageBegun, Code: n.out.Part, V: st.Set}}},
	}
	n.until(s.stage().Began+protocol.Minute, "too late to put it back")
}

// timeline is the instruction while a stage runs as planned.
func (n *teller) timeline() {
	p, s := n.p, n.s
	st := s.stage()
	if n.reading(st) {
		return
	}
	i := s.Current()
	j := s.judge(p, i, false)
	if s.Spent(p, n.at) {
		n.tell(DoDecide, "hold.at_most", saySpent, sayUnsteady(j, p.Hold.It.Within))
		if j.Complete {
			n.out.Choices = []Choice{{Say: sayAccept, Events: []Event{{At: n.at, Kind: Accepted}}}}
		} else {
			n.out.Say = sayNothingToAccept
		}
		n.out.Choices = append(n.out.Choices, Choice{Say: sayEndUnsteady, Events: []Event{{At: n.at, Kind: Stopped, Code: "unsteady"}}})
		return
	}
	ends := st.From + st.Length(p)
	if n.at < ends {
		n.until(ends, "end of "+p.Parts[st.Part].Title)
		n.waiting(st, j)
		return
	}
	n.stageOver(i, j)
}

// waiting tells what comes while there is time, and the reason when the stage has been made longer.
func (n *teller) waiting(st *Stage, j Judged) {
	if s := n.s; s.ready(n.p, s.Current()) && j.N >= 2 && j.LastMinute >= uint8(st.Length(n.p)/protocol.Minute) {
		if part := s.NextPart(n.p); part >= 0 {
			work, row := s.PlannedWork(n.p, part)
			why := ""
			if row > 0 {
				why = n.rowWhy(row)
			}
			n.tell(DoWait, "parts", sayComing(n.sayWork(part, work), n.out.Left), why)
			return
		}
	}
	due := n.nextReading(st)
	why := n.extendedWhy(st, j)
	if due.what != 0 {
		n.until(due.at, "read "+quantityName(due.what))
		n.tell(DoWait, "readings", sayReadIn(due.what, n.out.Left), why)
		return
	}
	n.tell(DoWait, "parts.lasts", sayKeepGoing(n.out.Left), why)
}

// extendedWhy is why the stage goes on, when it does.
func (n *teller) extendedWhy(st *Stage, j Judged) string {
	switch {
	case st.Extra[ForSteady] > 0 && j.N >= 2 && !j.Steady:
		return sayUnsteady(j, n.p.Hold.It.Within)
	case st.Extra[ForCuff] > 0:
		return whyCuff
	case st.Extra[ForMissing]+st.Extra[ForDisturbed] > 0 || st.Extra[ForSteady] > 0 && j.N < 2:
		return whyMissing
	case st.Restarts > 0:
		return whyRestarted
	}
	return ""
}

// stageOver tells what follows a stage whose time is up.
func (n *teller) stageOver(i int, j Judged) {
	p, s := n.p, n.s
	part := s.NextPart(p)
	if part < 0 {
		n.plannedEnd("parts", sayAllDone, "")
		if more := s.MorePart(p); more >= 0 {
			work, _ := s.PlannedWork(p, more)
			n.out.Choices = append(n.out.Choices, Choice{Say: sayMore(work, p.Parts[more].Mark),
				Events: []Event{{At: n.at, Kind: StageBegun, Code: p.Parts[more].ID, V: work}}})
		}
		return
	}
	work, row := s.PlannedWork(p, part)
	if row == 0 && p.Parts[part].Work.Form() == "row" {
		n.plannedEnd("choose.rows", sayNoRow, sayUnsteady(j, p.Hold.It.Within))
		return
	}
	n.setPart(DoSetWork, part)
	if ask, ok := s.AskFirst(p, work); ok && !s.Confirm {
		n.out.Confirm = sayAskFirst(p, s, ask, work)
	}
	if called, _, _ := s.RowCalled(p); s.Repeats && !s.Confirm && !s.rowRidden() && Harder(p, row, called) {
		n.out.Confirm = sayJoin(sayHarder(work, *p.Choose.It.Rows[called-1].Work[p.Parts[part].Work.Row-1].Watts), n.out.Confirm)
	}
	n.rowChoices(part, row)
	n.until(s.Stages[i].From+s.Stages[i].Length(p), "set the work rate")
}

// rowChoices offers the gentler row when a large step wants a second look, and both rows near a limit.
func (n *teller) rowChoices(part, row int) {
	p, s := n.p, n.s
	if row == 0 {
		return
	}
	n.offerRepeat(part, row)
	_, hr, near := s.RowCalled(p)
	offer := func(r int, why string) {
		w := &p.Parts[part].Work
		work := *p.Choose.It.Rows[r-1].Work[w.Row-1].Watts
		n.out.Choices = append(n.out.Choices, Choice{Say: sayOtherRow(work, why), Events: []Event{
			{At: n.at, Kind: Branched, Code: p.Choose.It.Rows[r-1].ID}, {At: n.at, Kind: StageBegun, Code: p.Parts[part].ID, V: work}}})
	}
	if called, _, _ := s.RowCalled(p); s.Repeats && called != row && !s.rowRidden() {
		offer(called, whyToday)
		return
	}
	if near != 0 && near != s.repeatRow(row) {
		offer(near, sayNear(hr, p.Choose.It.Near))
	}
	if gentler := s.gentlerRow(p, row); gentler != 0 && gentler != near && gentler != s.repeatRow(row) && n.out.Confirm != "" {
		offer(gentler, whyGentler)
	}
}

// gentlerRow is the row with the largest first work rate below that of a row, or 0.
func (s *State) gentlerRow(p *protocol.Protocol, row int) (best int) {
	for i := range p.Choose.It.Rows {
		if r := i + 1; Harder(p, row, r) && (best == 0 || Harder(p, r, best)) {
			best = r
		}
	}
	return best
}

// rowWhy is the reading that led to a row.
func (n *teller) rowWhy(row int) string {
	called, hr, near := n.s.RowCalled(n.p)
	return sayRowWhy(&n.p.Choose.It, row, called, hr, near)
}

type dueReading struct {
	what   protocol.Quantity
	at     protocol.Ms // end of the window, or the moment
	from   protocol.Ms // when to begin
	until  protocol.Ms // until when it is the instruction of the moment
	minute uint8
	need   protocol.Need
}

// plannedIn calls f for each planned reading of the running stage that has no value yet, in time order.
func (n *teller) plannedIn(st *Stage, f func(dueReading) bool) {
	p, s := n.p, n.s
	for _, planned := range p.SetOf(int(st.Part)) {
		d := dueReading{what: planned.What, at: st.From + planned.At, minute: minuteOf(planned.At), need: planned.Need}
		d.from, d.until = d.at, d.at+planned.Over
		if planned.What == protocol.HeartRate {
			d.from, d.until = d.at-planned.Over, d.at
		}
		if planned.Need == protocol.Setting && !s.bpWanted(p, st) || st.settled(p, planned.What, d.minute) {
			continue
		}
		if planned.MeanOf > 1 {
			_, n := st.meanAt(d.minute)
			gap := planned.Over / protocol.Ms(planned.MeanOf-1)
			d.at -= gap * protocol.Ms(planned.MeanOf-1-min(n, planned.MeanOf-1))
			d.from, d.until = d.at-min(gap, 10*protocol.Second), d.at
		}
		if planned.What == protocol.BloodPressure && s.Cuff {
			continue
		}
		if !f(d) {
			return
		}
	}
	base := p.Parts[st.Part].Lasts
	for i := 1; i <= st.minutesExtra(); i++ {
		at := st.From + base + protocol.Ms(i)*protocol.Minute
		minute := uint8(base/protocol.Minute) + uint8(i)
		d := dueReading{what: protocol.HeartRate, at: at, from: at - p.Hold.It.Over, until: at, minute: minute, need: protocol.Required}
		if p.Parts[st.Part].Steady == "hold" && !st.settled(p, d.what, minute) && !f(d) {
			return
		}
	}
}

// settled reports whether a planned reading needs no more attention: it has its value, or it was disturbed and
// the stage got its extra minute.
func (st *Stage) settled(p *protocol.Protocol, what protocol.Quantity, minute uint8) bool {
	return st.full(p, what, minute) || what == protocol.HeartRate && st.disturbedAt(minute)
}

// bpWanted reports whether blood pressure is planned in a stage, as the site sets it.
func (s *State) bpWanted(p *protocol.Protocol, st *Stage) bool {
	switch s.In.BP {
	case BPNone:
		return false
	case BPSecondStage:
		return int(st.Part)%2 == 1
	}
	return true
}

// reading tells to take a reading that is due now or overdue. Heart rate comes before the others.
func (n *teller) reading(st *Stage) bool {
	now, late := dueReading{}, dueReading{}
	n.plannedIn(st, func(d dueReading) bool {
		if d.from > n.at {
			return true
		}
		switch {
		case n.at <= d.until && (now.what == 0 || d.what == protocol.HeartRate) && (n.at < d.until || d.what == protocol.HeartRate):
			now = d
		case n.at > d.until && n.at <= d.until+n.p.Readings.LateBy && d.need == protocol.Required:
			late = d
		}
		return true
	})
	d := now
	if d.what == 0 || late.what != 0 && now.what != protocol.HeartRate {
		d = late
	}
	if late.what == 0 && d.what == 0 {
		return false
	}
	n.out.What, n.out.Slot = d.what, uint16(d.minute)
	n.until(d.at, "read "+quantityName(d.what))
	if d == late {
		n.tell(DoRead, "readings.late_by", sayOverdue(d.what, -n.out.Left), sayReadWhy(n.s, st, d.minute))
		return true
	}
	say := sayRead(d.what, n.out.Left)
	if planned := st.plannedHeart(n.p, d.minute); planned != nil && planned.Count && d.what == protocol.HeartRate {
		say = sayCount(planned.Over, n.out.Left)
	}
	if d.what == protocol.Distance && d.at >= st.From+st.Length(n.p) {
		say = sayReadDistance
	}
	n.tell(DoRead, "readings", say, sayReadWhy(n.s, st, d.minute))
	return true
}

// nextReading is the next planned reading still to come.
func (n *teller) nextReading(st *Stage) (next dueReading) {
	n.plannedIn(st, func(d dueReading) bool {
		if d.from > n.at && (next.what == 0 || d.from < next.from) {
			next = d
		}
		return true
	})
	return next
}

// leads says what leads the end of the test.
func leads(s *State) string {
	switch {
	case s.Limits.HRLeads:
		return "heart rate"
	case s.Limits.HRLimit > 0 || s.Limits.RPELimit > 0:
		return "the referrer's limit, exertion and symptoms"
	}
	return "exertion and symptoms"
}
