package conduct

import (
	"fmt"

	"gradus/protocol"
)

// work carries out what concerns the work rate and the length of stages.
func (s *State) work(p *protocol.Protocol, e *Event, moment protocol.Ms) error {
	if e.Kind == StageBegun {
		return s.stageBegun(p, e, moment)
	}
	if e.Kind == Branched {
		return s.branched(p, e)
	}
	if e.Kind == WorkSet && s.Phase == Cooling {
		s.CoolWork = e.V
		return nil
	}
	st := s.stage()
	if s.Phase != Riding || st == nil {
		// Acceptance and observation may be entered after the stop; they belong to the last stage.
		if st == nil || e.Kind != Accepted && e.Kind != Observed {
			return refuse(e, "conductor.order", "no stage runs", "")
		}
	}
	switch e.Kind {
	case WorkSet:
		return s.workSet(p, e, st, moment)
	case Observed:
		if !protocol.FenceOf(protocol.WorkRate).Holds(e.V) {
			return refuse(e, "conductor.fence", fmt.Sprintf("work rate %g W cannot be", e.V), "check the machine")
		}
		st.Observed = e.V
	case Accepted:
		st.Accepted = true
	case Confirmed:
		s.Confirm = true
	case Extended:
		return s.extended(p, e, st)
	}
	return nil
}

func (s *State) branched(p *protocol.Protocol, e *Event) error {
	if !p.Choose.Is() || s.Phase == Over {
		return refuse(e, "choose", "there is no row to choose", "")
	}
	for i := range p.Choose.It.Rows {
		if p.Choose.It.Rows[i].ID == e.Code {
			called, _, _ := s.RowCalled(p)
			s.Row, s.RowThen = uint8(i+1), uint8(called)
			s.Repeats = e.Word == RepeatWord && s.Row == s.Before
			return nil
		}
	}
	return refuse(e, "choose.rows", fmt.Sprintf("no row has the id %q", e.Code), "")
}

func (s *State) extended(p *protocol.Protocol, e *Event, st *Stage) error {
	for i, word := range extraWords {
		if word != e.Code {
			continue
		}
		if st.minutesExtra() >= protocol.MaxReadings {
			return refuse(e, "hold.at_most", fmt.Sprintf("the stage has %d extra minutes already", st.minutesExtra()), "accept it as it is, or end the test")
		}
		st.Extra[i]++
		if i == ForCuff {
			st.Extra[i] = 1
		}
		return nil
	}
	return refuse(e, "hold", fmt.Sprintf("%q is no reason for more time", e.Code), "write steady, cuff, missing, disturbed, break or examiner")
}

// workSet changes the work rate inside a stage: early, the stage goes on; later its minutes begin again.
func (s *State) workSet(p *protocol.Protocol, e *Event, st *Stage, moment protocol.Ms) error {
	if !protocol.FenceOf(protocol.WorkRate).Holds(e.V) {
		return refuse(e, "conductor.fence", fmt.Sprintf("work rate %g W cannot be", e.V), "check the entry")
	}
	if e.V == st.Set {
		if e.Level != 0 {
			st.Level = e.Level
		}
		return nil
	}
	st.Set, st.Changed, st.Level = e.V, true, e.Level
	if p.WrongWork.Is() && moment-st.From > p.WrongWork.It.GoOnWithin {
		st.restart(moment)
	}
	return nil
}

func (s *State) stageBegun(p *protocol.Protocol, e *Event, moment protocol.Ms) error {
	if s.Phase != Ready && s.Phase != Riding {
		return refuse(e, "conductor.order", "the test has stopped", "take the stop back, or go on with the cool-down")
	}
	if fence := protocol.FenceOf(protocol.WorkRate); !fence.Holds(e.V) {
		return refuse(e, "conductor.fence", fmt.Sprintf("work rate %g is not between %g and %g", e.V, fence.Low, fence.High), "check the entry")
	}
	part := s.NextPart(p)
	if e.Code != "" {
		part = p.Find(e.Code)
	}
	if part < 0 {
		return refuse(e, "parts", fmt.Sprintf("no part %q follows", e.Code), "end the test")
	}
	if s.NStages == MaxStages {
		return refuse(e, "conductor.caps", fmt.Sprintf("a test holds %d stages", MaxStages), "end the test")
	}
	cur := s.stage()
	if cur == nil {
		s.Phase = Ready
		s.begin(p, e, part, moment)
		return nil
	}
	moment = max(moment, cur.Began)
	switch {
	case part < int(cur.Part) || s.repeatsLeft(p, e, part, moment):
		return s.putBack(p, e, part, moment)
	case part == int(cur.Part) && s.times(part) >= max(1, p.Parts[part].AtMost):
		return refuse(e, "parts.at_most", fmt.Sprintf("part %s runs already", p.Parts[part].ID), "to change the work rate inside it, use work")
	}
	s.begin(p, e, part, moment) // by what was known while the stage before still ran
	cur.Ended = moment
	return nil
}

// repeatsLeft reports whether an event takes up again the stage before, where both are stages of a part that repeats.
func (s *State) repeatsLeft(p *protocol.Protocol, e *Event, part int, moment protocol.Ms) bool {
	i := s.LeftEarly(p, moment)
	return i >= 0 && int(s.Stages[i].Part) == part && s.Stages[i].Set == e.V
}

// times counts the stages of a part.
func (s *State) times(part int) (n int) {
	for i := range s.Stages[:s.NStages] {
		if int(s.Stages[i].Part) == part && !s.Stages[i].Superseded {
			n++
		}
	}
	return n
}

func (s *State) begin(p *protocol.Protocol, e *Event, part int, moment protocol.Ms) {
	planned, row := s.PlannedWork(p, part)
	called, _, _ := s.RowCalled(p)
	s.Stages[s.NStages] = Stage{
		Ref: e.ID(), Part: uint8(part), Row: uint8(row), Called: uint8(called), Began: moment, From: moment, Ended: -1,
		Planned: planned, First: e.V, Set: e.V, Set2: e.V2, Level: e.Level, Confirmed: s.Confirm,
	}
	s.NStages++
	s.Phase, s.Confirm = Riding, false
}

// putBack goes back to the stage before, which was left too early, for one more minute and reading.
func (s *State) putBack(p *protocol.Protocol, e *Event, part int, moment protocol.Ms) error {
	j := int(s.NStages) - 2
	if j < 0 || int(s.Stages[j].Part) != part || s.Stages[j].Superseded {
		return refuse(e, "parts", fmt.Sprintf("part %s is over", p.Parts[part].ID), "only the stage before can be taken up again")
	}
	left, again := &s.Stages[j+1], s.Stages[j]
	if again.minutesExtra() >= protocol.MaxReadings {
		return refuse(e, "hold.at_most", "the stage has its most extra minutes already", "go on, or end the test")
	}
	left.Ended, left.Superseded = moment, true
	s.Stages[j].Superseded = true
	again.Ref, again.Began, again.Ended = e.ID(), moment, -1
	again.takeUp(p, s.judge(p, j, false).LastMinute, moment)
	again.First, again.Set = e.V, e.V
	s.Stages[s.NStages] = again
	s.NStages++
	return nil
}

// takeUp lets a stage go on after its last minute that was read: one minute, with one more reading.
func (st *Stage) takeUp(p *protocol.Protocol, read uint8, moment protocol.Ms) {
	base := uint8(p.Parts[st.Part].Lasts / protocol.Minute)
	st.From = moment - protocol.Ms(read)*protocol.Minute
	if read >= base && uint8(st.minutesExtra()) < read-base+1 {
		st.Extra[ForSteady]++
	}
}

// NextPart is the part that follows the stage that runs, or -1 when none does. Parts that the examiner must
// ask for come only when nothing else follows; see [State.MorePart].
func (s *State) NextPart(p *protocol.Protocol) int {
	next := 0
	if cur := s.stage(); cur != nil {
		next = int(cur.Part) + 1
		if part := int(cur.Part); p.Parts[part].OnlyIf != nil && s.times(part) < max(1, p.Parts[part].AtMost) {
			next = part
		}
	}
	for ; next < len(p.Parts); next++ {
		if p.Parts[next].If == "" && s.wants(p, next) && s.NStages < MaxStages {
			return next
		}
	}
	return -1
}

// wants reports whether the condition of a part holds, if it has one.
func (s *State) wants(p *protocol.Protocol, part int) bool {
	o := p.Parts[part].OnlyIf
	if o == nil {
		return true
	}
	i := s.Current()
	for i >= 0 && p.Parts[s.Stages[i].Part].Counts == "never" {
		i-- // a rest between says nothing
	}
	if i < 0 {
		return false
	}
	j := s.judge(p, i, false)
	limit := o.Below
	if o.BelowPercent > 0 {
		limit = percentOf(o.BelowPercent, s.Limits.MaxHR)
	}
	return j.N > 0 && j.Last < limit
}

// MorePart is the part the examiner may ask for beyond the planned ones, or -1.
func (s *State) MorePart(p *protocol.Protocol) int {
	cur := s.stage()
	if cur == nil || s.NStages >= MaxStages {
		return -1
	}
	for i := int(cur.Part); i < len(p.Parts); i++ {
		if p.Parts[i].If == "asked" && s.times(i) < max(1, p.Parts[i].AtMost) {
			return i
		}
	}
	return -1
}

// PlannedWork is the work rate a part would have if it began now (W, or the first number of its work), and
// the row it comes from (from 1; 0: none).
func (s *State) PlannedWork(p *protocol.Protocol, part int) (work float64, row int) {
	w := &p.Parts[part].Work
	switch w.Form() {
	case "fixed":
		return *w.Watts, 0
	case "row":
		row = s.RowInForce(p)
		if row == 0 {
			return 0, 0
		}
		return *p.Choose.It.Rows[row-1].Work[w.Row-1].Watts, row
	case "added":
		if cur := s.stage(); cur != nil {
			return cur.Set + w.AddWatts, 0
		}
	case "chosen":
		return w.Choose.From, 0
	case "speed":
		return w.SpeedKmh, 0
	case "chosen-speed":
		return w.Pace.From, 0
	case "same-speed":
		if cur := s.stage(); cur != nil {
			return cur.Set, 0
		}
	case "rate":
		return w.Rate, 0
	}
	return 0, 0
}

// end carries out stop, cool-down, recovery and close.
func (s *State) end(p *protocol.Protocol, e *Event, at, moment protocol.Ms) error {
	switch e.Kind {
	case Stopped:
		if _, ok := protocol.ReasonOf(e.Code); !ok && p.SignIndex(e.Code) < 0 {
			return refuse(e, "conductor.stop", fmt.Sprintf("%q is no reason to stop", e.Code), "give a reason or the id of a stop sign; other always fits")
		}
		if s.Phase == Over {
			return refuse(e, "conductor.order", "the test is closed", "")
		}
		s.stop(e, e.Code, moment)
		s.stoppedFor(p, e, moment)
	case Unstopped:
		return s.unstop(p, e, at)
	case CoolBegun:
		if s.Phase == Resting || s.Phase == Over || s.Phase == Ready {
			return refuse(e, "conductor.order", "there is nothing to cool down from", "")
		}
		if !protocol.FenceOf(protocol.WorkRate).Holds(e.V) {
			return refuse(e, "conductor.fence", fmt.Sprintf("work rate %g W cannot be", e.V), "check the entry")
		}
		if s.Phase == Riding {
			s.stop(e, s.standingCode(p, at), moment)
		}
		s.Phase, s.CoolFrom, s.CoolWork = Cooling, moment, e.V
	case RestBegun:
		if s.Phase == Over || s.Phase == Ready {
			return refuse(e, "conductor.order", "there is nothing to recover from", "")
		}
		if s.Phase == Riding {
			s.stop(e, s.standingCode(p, at), moment)
		}
		s.Phase, s.RestFrom = Resting, moment
	case Closed:
		if s.Phase == Riding {
			s.stop(e, s.standingCode(p, at), moment)
		}
		s.Phase, s.ClosedAt, s.CloseCode = Over, moment, e.Code
	}
	return nil
}

func (s *State) stop(e *Event, code string, moment protocol.Ms) {
	if s.Stop.Active {
		s.Stop.Code = code // the reason is often given after the tap
		return
	}
	s.Stop.Ref, s.Stop.At, s.Stop.Code, s.Stop.Active = e.ID(), moment, code, true
	s.Phase = StoppedAt
	if st := s.stage(); st != nil {
		st.Ended = max(moment, st.Began)
	}
	s.restOver(moment)
	s.Confirm = false
}

// restOver counts the rest that ends, if there is one.
func (s *State) restOver(moment protocol.Ms) {
	if !s.OnBreak {
		return
	}
	s.OnBreak = false
	s.Rested += max(0, moment-s.BreakFrom)
	if s.Rests < 255 {
		s.Rests++
	}
}

// stoppedFor keeps a symptom that was given only as the reason of the stop: recovery must see its end.
func (s *State) stoppedFor(p *protocol.Protocol, e *Event, moment protocol.Ms) {
	i := p.SignIndex(e.Code)
	if i < 0 || !p.Table[i].When.Symptom {
		return
	}
	for k := range s.Signs[:s.NSigns] {
		if m := &s.Signs[k]; int(m.Sign) == i && !m.Withdrawn && !m.Gone {
			return
		}
	}
	s.markSign(SignMark{Ref: e.ID(), At: moment, Sign: uint8(i)})
}

// unstop takes a stop back that was a mistake, within the protocol's time.
func (s *State) unstop(p *protocol.Protocol, e *Event, at protocol.Ms) error {
	if s.Phase != StoppedAt || !s.Stop.Active || at-s.Stop.At > p.Resume || s.stage() == nil {
		return refuse(e, "stop_by_mistake", fmt.Sprintf("a stop can be taken back only within %v and before the cool-down", p.Resume), "go on with the cool-down")
	}
	for k := range s.Signs[:s.NSigns] {
		if m := &s.Signs[k]; m.Ref == s.Stop.Ref {
			m.Withdrawn = true
		}
	}
	s.Stop.Active = false
	s.Stop.Taken++
	s.Phase = Riding
	s.stage().Ended = -1
	return nil
}

// standingCode is the reason that stands when the examiner goes straight to the cool-down.
func (s *State) standingCode(p *protocol.Protocol, at protocol.Ms) string {
	if end := s.Standing(p, at); end.Code != "" {
		return end.Code
	}
	if s.NextPart(p) < 0 {
		return "completed"
	}
	return "examiner"
}
