package conduct

import "gradus/protocol"

// warn adds what is to be known besides the instruction.
func (n *teller) warn() {
	s := n.s
	if s.Phase == Idle || s.Phase == Over {
		return
	}
	n.warnMachine()
	n.warnBody()
	n.warnRecord()
}

func (n *teller) add(rule Rule, say string) {
	n.out.Warnings = append(n.out.Warnings, Warning{rule, say})
}

func (n *teller) warnMachine() {
	p, s := n.p, n.s
	if s.NoSense {
		n.add("conductor.sensor", warnSensor)
	}
	st := s.stage()
	if st == nil || s.Phase != Riding {
		return
	}
	if w := p.Parts[st.Part].Work.Form(); st.otherWork(p) && st.Set != s.workOfRow(p, st) && w != "chosen" && w != "chosen-speed" && w != "own-pace" {
		n.add("parts.work", warnOtherWork(st.Set, st.Planned))
	}
	if ObservedDiffers(p, st) {
		n.add("wrong_work.tolerance_watts", warnObserved(st.Observed, st.Set))
	}
	if c := p.Parts[st.Part].Course; c != nil && s.CourseM(p, int(st.Part)) != c.LengthM {
		n.add("parts.course", warnCourse(s.CourseM(p, int(st.Part)), c.LengthM))
	}
	if s.In.Rail == RailHeld {
		n.add("conductor.rail", warnRail)
	}
	n.warnMissed(st)
	n.warnOutside(st)
	if p.Cadence.Is() && s.CadenceLow > 0 {
		n.add("cadence.low", warnCadence(s.In.Cadence, int(s.CadenceLow), p.Cadence.It.Low.Times))
	}
}

// speedSlack is how far a speed in km/h may lie from the planned one: machines show one decimal (our own choice).
const speedSlack = 0.06

// otherWork reports whether another work rate was set than was planned.
func (st *Stage) otherWork(p *protocol.Protocol) bool {
	d := st.Set - st.Planned
	if d < 0 {
		d = -d
	}
	if form := p.Parts[st.Part].Work.Form(); form == "speed" || form == "same-speed" {
		return d > speedSlack
	}
	return d != 0
}

// workOfRow is the work rate that the row taken has for a stage: after a correction another one than was planned
// when the stage began; 0 when the stage takes none from a row.
func (s *State) workOfRow(p *protocol.Protocol, st *Stage) float64 {
	w := &p.Parts[st.Part].Work
	if w.Form() != "row" || s.Row == 0 {
		return 0
	}
	return *p.Choose.It.Rows[s.Row-1].Work[w.Row-1].Watts
}

// warnMissed names the readings that were planned in this stage, are not required, and did not come.
func (n *teller) warnMissed(st *Stage) {
	n.plannedIn(st, func(d dueReading) bool {
		if d.need != protocol.Required && n.at > d.until {
			n.add("readings", warnMissing(d.what, n.at-d.until))
		}
		return true
	})
}

// warnOutside says that the newest planned heart rate was read outside its window.
func (n *teller) warnOutside(st *Stage) {
	for i := int(st.NReadings) - 1; i >= 0; i-- {
		r := &st.Readings[i]
		if r.What != protocol.HeartRate || r.Slot == 0 || !r.sound() {
			continue
		}
		if due := st.dueAt(n.p, r.Slot); st.wanted(n.p, r.Slot) == 1 && r.outside(due, overOf(n.p, st, r.What)) && r.Moment >= st.Began {
			n.add("readings", warnWindow(r.V, r.Slot))
		}
		return
	}
}

// outside reports whether a planned reading was taken before its window or more than as long after it.
func (v *Value) outside(due, over protocol.Ms) bool {
	return v.Moment < due-over || v.Moment > due+over
}

// ObservedDiffers reports whether the machine measured another work rate than the one set.
func ObservedDiffers(p *protocol.Protocol, st *Stage) bool {
	if st.Observed == 0 || !p.WrongWork.Is() {
		return false
	}
	diff := st.Observed - st.Set
	if diff < 0 {
		diff = -diff
	}
	return diff > max(p.WrongWork.It.ToleranceWatts, percentOf(float64(p.WrongWork.It.TolerancePercent), st.Set))
}

func (n *teller) warnBody() {
	p, s := n.p, n.s
	if room, beats := RoomOf(&s.In, &s.Limits); s.Phase == Ready && room == RoomLow {
		n.add("conductor.headroom", sayRoomWhy(s, beats)+" "+warnRoom)
	}
	if s.Phase == Riding && s.Limits.RPEAlert > 0 {
		if v, _, ok := s.reached(p, protocol.RPE, s.Limits.RPEAlert); ok && v < s.Limits.RPEEnd {
			n.add("exertion.alert", warnRPE(v, s.Limits.RPEEnd))
		}
	}
	if l := &s.Limits; s.Phase == Riding && l.EndPoint > 0 && l.HRLimit > l.EndPoint {
		// The end point came first and ends the test; that the limit above it is passed too must not go unsaid.
		if v, _, ok := s.reached(p, protocol.HeartRate, l.HRLimit); ok {
			n.add("limits.heart_rate", sayEnding(p, s, Ending{Code: "safety-limit", Sign: -1, Value: v, Limit: l.HRLimit, Measure: protocol.MeasureHR}))
		}
	}
	if check, ok := s.Pending(p, n.at); ok && s.Phase == Riding && n.out.Do != DoHoldCheck {
		n.add("signs", sayCheck(p, check, check.Until-n.at))
	}
	for i := range p.Table {
		sign := &p.Table[i]
		if sign.Does == protocol.DoesAlert && n.alerted(i) {
			n.add("signs", sign.Text+".")
		}
	}
	if !s.Limits.HRLeads && s.Phase <= Riding {
		n.add("heart_rate_cannot_lead_with", warnNotLeading(s.Limits.NotLeading))
	}
}

// alerted reports whether an alert sign stands.
func (n *teller) alerted(i int) bool {
	s, sign := n.s, &n.p.Table[i]
	for k := range s.Signs[:s.NSigns] {
		if m := &s.Signs[k]; int(m.Sign) == i && !m.Withdrawn && !m.Gone {
			return true
		}
	}
	if !sign.When.Plain() || s.Phase != Riding || !s.watches(n.p, sign) {
		return false
	}
	for k := range s.Stages[:s.NStages] {
		st := &s.Stages[k]
		for j := range st.Readings[:st.NReadings] {
			if v, ok := measured(&st.Readings[j], sign.When.What); ok && !st.Readings[j].Withdrawn && sign.When.Crossed(v) {
				return true
			}
		}
	}
	return false
}

func (n *teller) warnRecord() {
	s := n.s
	for i := range s.Late[:s.NLate] {
		if v := &s.Late[i]; s.lateAlarm(n.p, v) {
			n.add("conductor.take-over", warnLate(v))
		}
	}
	if s.ClockBad > 0 {
		n.add("conductor.time", warnClock)
	}
	if s.Uncertain > UncertainFrom {
		n.add("conductor.resumed", warnUncertain(s.Uncertain))
	}
	if s.Unkept > 0 {
		n.add("conductor.caps", warnUnkept)
	}
}

// lateAlarm reports whether a late fact of a former device would have stopped the test: a stop sign, or a value at
// or beyond a limit. It decides nothing any more, but it must not go unsaid.
func (s *State) lateAlarm(p *protocol.Protocol, v *Value) bool {
	l := &s.Limits
	over := false
	switch v.What {
	case protocol.NoQuantity:
		return true
	case protocol.HeartRate:
		over = s.overHRLimit(v.V)
	case protocol.BloodPressure:
		over = l.SBPLimit > 0 && v.V >= l.SBPLimit
	case protocol.SpO2:
		over = l.SpO2Limit > 0 && v.V <= l.SpO2Limit
	case protocol.RPE:
		over = l.RPEEnd > 0 && v.V >= l.RPEEnd || l.RPELimit > 0 && v.V >= l.RPELimit
	}
	for i := range p.Table {
		sign := &p.Table[i]
		if x, ok := measured(v, sign.When.What); ok && sign.When.Plain() && s.watches(p, sign) && sign.Does != protocol.DoesAlert && sign.When.Crossed(x) {
			over = true
		}
	}
	return over
}

func (s *State) overHRLimit(v float64) bool {
	l := &s.Limits
	return l.EndPoint > 0 && v >= l.EndPoint || l.HRLimit > 0 && v >= l.HRLimit
}

// UncertainFrom is the uncertainty of an anchor of test time above which the readings of that stage carry a
// caution (our own choice).
const UncertainFrom = 5 * protocol.Second
