package conduct

import (
	"fmt"

	"gradus/exact"
	"gradus/protocol"
)

// amend carries out corrections, withdrawals and marks of disturbed readings. The event it speaks of stays
// in the record; only what it said changes.
func (s *State) amend(p *protocol.Protocol, e *Event, at protocol.Ms) error {
	if v := s.value(e.Ref); v != nil {
		return s.amendValue(p, e, v)
	}
	switch e.Kind {
	case Correct:
		return s.correctWork(e)
	case Withdraw:
		return s.withdraw(p, e, at)
	}
	return refuse(e, "conductor.correction", fmt.Sprintf("no reading has the id %v", e.Ref), "name the reading")
}

// value finds a kept reading by the event it came from.
func (s *State) value(ref ID) *Value {
	if ref.IsZero() {
		return nil
	}
	for i := int(s.NStages) - 1; i >= 0; i-- {
		st := &s.Stages[i]
		for j := range st.Readings[:st.NReadings] {
			if st.Readings[j].Ref == ref {
				return &st.Readings[j]
			}
		}
	}
	for i := range s.After[:s.NAfter] {
		if s.After[i].Ref == ref {
			return &s.After[i]
		}
	}
	return nil
}

func (s *State) amendValue(p *protocol.Protocol, e *Event, v *Value) error {
	if e.Kind == Correct {
		e2 := *e
		e2.What = v.What
		if e2.What == protocol.BloodPressure && e2.V2 == 0 {
			e2.V2 = v.V2
		}
		if err := plausible(&e2); err != nil {
			return err
		}
		v.V, v.V2, v.Raw, v.Corrected = e2.V, e2.V2, e2.V, true
		if v.What == protocol.HeartRate {
			v.V = exact.HalfUp(e2.V)
		}
	} else if e.Kind == Withdraw {
		v.Withdrawn = true
	} else {
		v.Disturbed = true
	}
	// A reopened stage carries copies of the readings of the stage it continues.
	for i := range s.Stages[:s.NStages] {
		st := &s.Stages[i]
		for j := range st.Readings[:st.NReadings] {
			if r := &st.Readings[j]; r.Ref == v.Ref && r != v {
				slot, void := r.Slot, r.Void
				*r = *v
				r.Slot, r.Void = slot, void
			}
		}
		s.refollow(p, st)
	}
	if s.LastHR.Ref == v.Ref {
		s.LastHR = *v
	}
	return nil
}

// refollow computes the running sums of a stage again after a correction.
func (s *State) refollow(p *protocol.Protocol, st *Stage) {
	if len(p.Parts[st.Part].Follow) == 0 || st.Unkept > 0 {
		return
	}
	st.Distance, st.LowSpO2, st.Laps, st.Done = 0, 0, 0, 0
	for j := range st.Readings[:st.NReadings] {
		if r := &st.Readings[j]; r.live() {
			s.follow(p, st, r)
		}
	}
}

// correctWork puts right the work rate that a stage was recorded with: the stage counts with the real load.
func (s *State) correctWork(e *Event) error {
	for i := int(s.NStages) - 1; i >= 0; i-- {
		st := &s.Stages[i]
		if st.Ref != e.Ref {
			continue
		}
		fence := protocol.FenceOf(protocol.WorkRate)
		if !fence.Holds(e.V) {
			return refuse(e, "conductor.fence", fmt.Sprintf("work rate %g is not between %g and %g", e.V, fence.Low, fence.High), "check the entry")
		}
		st.Set, st.First = e.V, e.V
		return nil
	}
	return refuse(e, "conductor.correction", fmt.Sprintf("no reading or stage has the id %v", e.Ref), "name the event to correct")
}

// withdraw takes back something other than a reading.
func (s *State) withdraw(p *protocol.Protocol, e *Event, at protocol.Ms) error {
	for i := range s.Signs[:s.NSigns] {
		if s.Signs[i].Ref == e.Ref {
			s.Signs[i].Withdrawn = true
			return nil
		}
	}
	for _, x := range []*Extreme{&s.Window, &s.TopHR, &s.TopSBP, &s.TopDBP, &s.LowSpO2, &s.TopRPE} {
		if x.ID == e.Ref && !e.Ref.IsZero() {
			*x = Extreme{}
			return nil
		}
	}
	switch {
	case s.OnBreak && s.BreakRef == e.Ref:
		s.OnBreak = false
		return nil
	case s.Cuff && s.CuffRef == e.Ref:
		s.Cuff = false
		return nil
	case s.Stop.Active && s.Stop.Ref == e.Ref:
		return s.unstop(p, e, at)
	}
	if st := s.stage(); st != nil && st.Ref == e.Ref && s.Phase == Riding && st.NReadings == 0 {
		s.takeBackStage()
		return nil
	}
	return refuse(e, "conductor.correction", fmt.Sprintf("event %v cannot be withdrawn", e.Ref), "only readings, signs, a stop just made and a stage without readings can")
}

// takeBackStage undoes the confirmation of a stage that was a slip.
func (s *State) takeBackStage() {
	s.NStages--
	s.Stages[s.NStages] = Stage{}
	if s.NStages == 0 {
		s.Phase = Ready
		return
	}
	s.stage().Ended = -1
}

// takeLate keeps what a device wrote after it had lost the pen: it may fill an empty slot or stand as a
// note, but it moves no clock and decides nothing. A stop there is kept as a note too: it must not go unsaid.
func (s *State) takeLate(e *Event) {
	keep := e.Kind == Reading && plausible(e) == nil || e.Kind == SignSeen || e.Kind == Stopped
	if !keep {
		return
	}
	at := min(max(e.At, 0), longest)
	v := valueOf(e, at, at-min(max(e.Ago, 0), at))
	i := int(s.NLate)
	for i > 0 && v.Ref.Less(s.Late[i-1].Ref) {
		i--
	}
	if i == MaxLate {
		s.Unkept++
		return
	}
	if s.NLate == MaxLate {
		s.Unkept++
	} else {
		s.NLate++
	}
	copy(s.Late[i+1:s.NLate], s.Late[i:s.NLate-1])
	s.Late[i] = v
}
