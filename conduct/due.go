package conduct

import "gradus/protocol"

// Due is the act that the rules call for at a moment and that needs no hand: one more minute because the
// heart rate is not steady, because the cuff still runs or because a reading is missing; the row of the
// branch; a part that begins by the clock. The host gives it an id, records it and asks again until nothing is due.
//
// The work rate of a machine is never due: a load is not set until someone has set it.
func (s *State) Due(p *protocol.Protocol, at protocol.Ms) (Event, bool) {
	st := s.stage()
	if s.Phase != Riding || st == nil || s.OnBreak || s.Standing(p, at).Severity != NotEnding {
		return Event{}, false
	}
	if row, ok := s.dueRow(p); ok {
		return Event{At: at, Kind: Branched, Code: p.Choose.It.Rows[row-1].ID}, true
	}
	if why := s.dueMinute(p, st, at); why != "" {
		return Event{At: at, Kind: Extended, Code: why}, true
	}
	return s.dueByClock(p, st, at)
}

// dueByClock begins a part that follows by the clock, at the very moment the part before is over.
func (s *State) dueByClock(p *protocol.Protocol, st *Stage, at protocol.Ms) (Event, bool) {
	ends := st.From + st.Length(p)
	next := s.NextPart(p)
	if at < ends || next < 0 || p.Parts[next].Begins != "clock" || !s.ready(p, s.Current()) {
		return Event{}, false
	}
	work, _ := s.PlannedWork(p, next)
	return Event{At: at, Ago: at - max(ends, st.Began), Kind: StageBegun, Code: p.Parts[next].ID, V: work, V2: p.Parts[next].Work.Second()}, true
}

// dueRow is the row to take: the first time when the branch stage can be judged, later only when a
// correction calls for a gentler one than was taken.
func (s *State) dueRow(p *protocol.Protocol) (int, bool) {
	row, _, _ := s.RowCalled(p)
	if row == 0 || row == int(s.Row) {
		return 0, false
	}
	if s.Row == 0 {
		after := p.Find(p.Choose.It.After)
		i := s.Current()
		return row, int(s.Stages[i].Part) == after && s.ready(p, i)
	}
	return row, row != int(s.RowThen) && Harder(p, int(s.Row), row)
}

// ready reports whether a stage needs no more minutes: complete, and steady, accepted or not held.
func (s *State) ready(p *protocol.Protocol, i int) bool {
	st := &s.Stages[i]
	j := s.judge(p, i, false)
	if p.Parts[st.Part].Steady != "hold" {
		return true
	}
	minutes := uint8(st.Length(p) / protocol.Minute)
	return j.Complete && j.LastMinute >= minutes && (j.Steady || st.Accepted)
}

// dueMinute is the reason for which the running stage gets one more minute now; "" for none.
func (s *State) dueMinute(p *protocol.Protocol, st *Stage, at protocol.Ms) string {
	part := &p.Parts[st.Part]
	cuff := &p.Readings.Cuff
	if s.Cuff && cuff.Add > 0 && st.Extra[ForCuff] == 0 && at-st.From >= cuff.RunningAt && s.CuffFrom >= st.From {
		return extraWords[ForCuff]
	}
	if part.Steady != "hold" || st.Accepted || st.asked() >= p.Hold.It.AtMost {
		return ""
	}
	j := s.judge(p, s.Current(), false)
	last := uint8(st.Length(p) / protocol.Minute)
	due := st.From + st.Length(p)
	switch {
	case j.LastMinute == last && j.Known && !j.Steady:
		return extraWords[ForSteady]
	case j.LastMinute == last && !j.Known:
		return extraWords[ForMissing] // only one reading so far: nothing to compare
	case j.LastMinute < last && st.disturbedAt(last):
		return extraWords[ForDisturbed]
	case j.LastMinute < last && at > due+p.Readings.LateBy:
		return extraWords[ForMissing]
	}
	return ""
}

// disturbedAt reports whether the reading at the end of a stage minute was disturbed and not replaced.
func (st *Stage) disturbedAt(minute uint8) bool {
	for i := range st.Readings[:st.NReadings] {
		r := &st.Readings[i]
		if r.What == protocol.HeartRate && r.Slot == minute && r.live() && r.Disturbed {
			return true
		}
	}
	return false
}

// Spent reports whether at a moment the running stage is unsteady and has had all its extra minutes: the examiner must
// accept it or end the test.
func (s *State) Spent(p *protocol.Protocol, at protocol.Ms) bool {
	st := s.stage()
	if s.Phase != Riding || st == nil || p.Parts[st.Part].Steady != "hold" || st.Accepted {
		return false
	}
	j := s.judge(p, s.Current(), false)
	last := uint8(st.Length(p) / protocol.Minute)
	over := j.LastMinute >= last || st.disturbedAt(last) || at > st.From+st.Length(p)+p.Readings.LateBy
	return over && !(j.Known && j.Steady) && st.asked() >= p.Hold.It.AtMost
}

// AskReason is why a step up wants a second confirmation.
type AskReason struct {
	State    protocol.State // something recorded about the participant; 0: another reason
	Age      bool
	Expected float64 // heart rate expected at the new load, above the end point; 0: not the reason
}

// AskFirst reports whether a step from the present work rate to another wants a second confirmation, and why.
func (s *State) AskFirst(p *protocol.Protocol, work float64) (AskReason, bool) {
	st := s.stage()
	if !p.AskFirst.Is() || st == nil || work-st.Set <= p.AskFirst.It.StepOverWatts {
		return AskReason{}, false
	}
	a := &p.AskFirst.It
	if state := s.In.firstOf(p, a.When); state != protocol.NoState {
		return AskReason{State: state}, true
	}
	if a.AgeFrom > 0 && s.In.AgeYears >= a.AgeFrom {
		return AskReason{Age: true}, true
	}
	if hr, ok := s.expected(p, work); ok && s.Limits.EndPoint > 0 && hr > s.Limits.EndPoint {
		return AskReason{Expected: hr}, true
	}
	return AskReason{}, false
}

// expected is the heart rate that the protocol's equation would expect at a work rate in a person who is
// FitterBy fitter than the median for age and sex.
func (s *State) expected(p *protocol.Protocol, work float64) (float64, bool) {
	x := &p.AskFirst.It.Expected
	k := &p.Expect
	if !x.Is() || k.HeartRate == 0 || s.In.AgeYears == 0 || s.In.MassKg == 0 || s.In.Sex == SexUnknown {
		return 0, false
	}
	vo2, ok := medianOf(&x.It, s.In.Sex, s.In.AgeYears)
	if !ok {
		return 0, false
	}
	male := 0.0
	if s.In.Sex == Male {
		male = 1
	}
	rest := k.Constant + float64(k.Age*s.In.AgeYears) + float64(k.Mass*s.In.MassKg) + float64(k.Male*male) + float64(k.Work*work)
	return (vo2 + x.It.FitterBy - rest) / k.HeartRate, true
}

func medianOf(x *protocol.Expect, sex Sex, age float64) (vo2 float64, ok bool) {
	for i := range x.Medians {
		if x.Medians[i].Sex != sexWords[sex] {
			continue
		}
		ages := x.Medians[i].Ages
		for k, a := range ages {
			if k == 0 || age >= a.From {
				vo2, ok = a.VO2, true
			}
		}
	}
	return vo2, ok
}

// LowerNow is the work rate to which the load must be lowered at once because a correction calls for a
// gentler row than is being ridden, or because a load was set before a row was known and is above that of the row.
func (s *State) LowerNow(p *protocol.Protocol) (work float64, row int, ok bool) {
	st := s.stage()
	if s.Phase != Riding || st == nil {
		return 0, 0, false
	}
	w := &p.Parts[st.Part].Work
	row, _, _ = s.RowCalled(p)
	if w.Form() != "row" || row == 0 || row == int(st.Called) || st.Row != 0 && !Harder(p, int(st.Row), row) {
		return 0, 0, false
	}
	work = *p.Choose.It.Rows[row-1].Work[w.Row-1].Watts
	return work, row, work < st.Set
}

// LeftEarly is the stage before the running one when that was left unsteady or incomplete, and the running
// one has only just begun: it can still be taken up again. -1: none.
func (s *State) LeftEarly(p *protocol.Protocol, at protocol.Ms) int {
	st := s.stage()
	i := int(s.NStages) - 2
	if s.Phase != Riding || i < 0 || s.Stages[i].Superseded || at-st.Began > protocol.Minute || st.NReadings > 0 {
		return -1
	}
	if p.Parts[s.Stages[i].Part].Counts == "never" || s.judge(p, i, false).Counts {
		return -1
	}
	return i
}
