package conduct

import "gradus/protocol"

// sensor notes that the heart-rate sensor fell silent or is back.
func (s *State) sensor(p *protocol.Protocol, e *Event, moment protocol.Ms) error {
	switch {
	case e.Code != "lost" && e.Code != "back":
		return refuse(e, "conductor.sensor", "a sensor is lost or back", "write lost or back")
	case e.Code == "back":
		s.heard(p, moment)
		s.NoSense = false
	case !s.NoSense:
		s.NoSense, s.Silent = true, moment
	}
	return nil
}

// heard closes a time without a readable heart rate and keeps the longest.
func (s *State) heard(p *protocol.Protocol, moment protocol.Ms) {
	if from, ok := s.unread(p, moment); ok && moment-from > s.Unread.Lasts {
		s.Unread = Gap{from, moment - from}
	}
}

// unread is since when no heart rate could be read while a stage runs: since the sensor fell silent or, where the
// pulse has been taken by hand since, since a planned reading did not come. ok is false while there is nothing to ask.
func (s *State) unread(p *protocol.Protocol, at protocol.Ms) (from protocol.Ms, ok bool) {
	st := s.stage()
	if !s.NoSense || s.Phase != Riding || st == nil {
		return 0, false
	}
	from = max(s.Silent, s.Stages[0].Began)
	last, heard := s.lastHeard(from)
	if !heard {
		return from, true
	}
	for _, minute := range heartMinutes(p, st) {
		if due := st.From + protocol.Ms(minute)*protocol.Minute; minute > 0 && due > last && due < at && !st.filled(protocol.HeartRate, minute) {
			return due, true
		}
	}
	return 0, false
}

// lastHeard is the moment of the last usable heart rate after a moment.
func (s *State) lastHeard(from protocol.Ms) (last protocol.Ms, ok bool) {
	keep := func(v *Value) {
		if v.What == protocol.HeartRate && v.sound() && v.Moment > from && (!ok || v.Moment > last) {
			last, ok = v.Moment, true
		}
	}
	keep(&s.LastHR)
	for i := range s.Stages[:s.NStages] {
		st := &s.Stages[i]
		for j := range st.Readings[:st.NReadings] {
			keep(&st.Readings[j])
		}
	}
	return last, ok
}

// silentSign judges the sign of a heart rate that cannot be read by any means: asked for by hand, then stopped.
func (s *State) silentSign(p *protocol.Protocol, i int, at protocol.Ms, keep func(Ending)) {
	sign := &p.Table[i]
	from, ok := s.unread(p, at)
	if !ok {
		return
	}
	e := Ending{Severity: CheckFirst, Code: sign.ID, Sign: i, At: from, Measure: sign.When.What, Until: from + sign.Within, Rule: "signs"}
	if _, _, sick := s.symptom(p, from); sick || at > e.Until {
		e.Severity, e.Expired = SignEnd, at > e.Until
	}
	keep(e)
}
