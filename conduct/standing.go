package conduct

import (
	"slices"

	"gradus/protocol"
)

// Severity orders what ends a test.
type Severity uint8

// Severities, the gravest last.
const (
	NotEnding  Severity = iota
	CheckFirst          // measure again; the load is held meanwhile
	PlannedEnd
	LimitEnd
	SignEnd
)

// Ending is what stands against going on.
type Ending struct {
	Severity Severity
	Code     string      // a reason or the id of a stop sign
	Sign     int         // index in the protocol's table; -1: none
	At       protocol.Ms // since when
	Value    float64     // what was reached
	Limit    float64     // and the limit
	Measure  protocol.Measure
	Until    protocol.Ms // with CheckFirst: measure again by then
	Expired  bool        // the second measurement did not come
	Rule     Rule
}

// Standing says what ends the test, or must be checked, at a moment: the gravest of all. Everything is
// judged anew from the readings as they stand, so a corrected reading counts at once in both directions.
func (s *State) Standing(p *protocol.Protocol, at protocol.Ms) (worst Ending) {
	worst.Sign = -1
	keep := func(e Ending) {
		if e.Severity > worst.Severity {
			worst = e
		}
	}
	s.planned(p, keep)
	s.limits(p, keep)
	s.told(p, keep)
	s.measuredSigns(p, at, keep)
	return worst
}

// Pending is a measurement that must be taken again, whatever else stands; ok is false when there is none.
func (s *State) Pending(p *protocol.Protocol, at protocol.Ms) (check Ending, ok bool) {
	s.measuredSigns(p, at, func(e Ending) {
		if e.Severity == CheckFirst {
			check, ok = e, true
		}
	})
	return check, ok
}

// planned looks for the ends that are part of the plan.
func (s *State) planned(p *protocol.Protocol, keep func(Ending)) {
	if s.LongBreak {
		keep(Ending{Severity: PlannedEnd, Code: "break", Sign: -1, At: s.Now, Rule: "breaks.restart"})
	}
	if s.Tired {
		keep(Ending{Severity: PlannedEnd, Code: "break", Sign: -1, At: s.Now, Rule: "breaks.at_most"})
	}
	if p.Cadence.Is() && int(s.CadenceLow) >= p.Cadence.It.Low.Times {
		keep(Ending{Severity: PlannedEnd, Code: "cadence", Sign: -1, At: s.Now, Value: float64(s.CadenceLow), Limit: float64(p.Cadence.It.Low.Times), Measure: protocol.MeasureCadence, Rule: "cadence.low"})
	}
	l := &s.Limits
	if l.EndPoint > 0 && (l.HRLimit == 0 || l.EndPoint < l.HRLimit) {
		if v, at, ok := s.reached(p, protocol.HeartRate, l.EndPoint); ok {
			keep(Ending{Severity: PlannedEnd, Code: "end-point", Sign: -1, At: at, Value: v, Limit: l.EndPoint, Measure: protocol.MeasureHR, Rule: "end_point.percent"})
		}
	}
}

// limits looks at exertion and at the safety limits of site and referrer.
func (s *State) limits(p *protocol.Protocol, keep func(Ending)) {
	l := &s.Limits
	end := func(code string, rule Rule, m protocol.Measure, v, limit float64, at protocol.Ms) {
		keep(Ending{Severity: LimitEnd, Code: code, Sign: -1, At: at, Value: v, Limit: limit, Measure: m, Rule: rule})
	}
	if l.HRLimit > 0 && (l.EndPoint == 0 || l.HRLimit <= l.EndPoint) {
		if v, at, ok := s.reached(p, protocol.HeartRate, l.HRLimit); ok {
			end("safety-limit", "limits.heart_rate", protocol.MeasureHR, v, l.HRLimit, at)
		}
	}
	if l.SBPLimit > 0 {
		if v, at, ok := s.reached(p, protocol.BloodPressure, l.SBPLimit); ok {
			end("safety-limit", "limits.sbp", protocol.MeasureSBP, v, l.SBPLimit, at)
		}
	}
	if l.SpO2Limit > 0 {
		if v, at, ok := s.fellTo(l.SpO2Limit); ok {
			end("safety-limit", "limits.spo2", protocol.MeasureSpO2, v, l.SpO2Limit, at)
		}
	}
	if l.RPELimit > 0 && (l.RPEEnd == 0 || l.RPELimit <= l.RPEEnd) {
		if v, at, ok := s.reached(p, protocol.RPE, l.RPELimit); ok {
			end("safety-limit", "limits.rpe", protocol.MeasureRPE, v, l.RPELimit, at)
			return
		}
	}
	if l.RPEEnd > 0 {
		if v, at, ok := s.reached(p, protocol.RPE, l.RPEEnd); ok {
			end("exertion", "exertion", protocol.MeasureRPE, v, l.RPEEnd, at)
		}
	}
}

// reached finds the first value of a quantity during the stages that is at or above a limit. A disturbed
// reading counts here: it is not good enough to decide a branch, but it is no reason to look away from a limit.
func (s *State) reached(p *protocol.Protocol, what protocol.Quantity, limit float64) (v float64, at protocol.Ms, ok bool) {
	first := func(x float64, moment protocol.Ms) {
		if x >= limit && (!ok || moment < at) {
			v, at, ok = x, moment, true
		}
	}
	switch what {
	case protocol.HeartRate:
		first(s.TopHR.V, s.TopHR.At)
		if watchesWindow(p) {
			first(s.Window.V, s.Window.At)
		}
	case protocol.BloodPressure:
		first(s.TopSBP.V, s.TopSBP.At)
	case protocol.RPE:
		first(s.TopRPE.V, s.TopRPE.At)
	}
	for i := range s.Stages[:s.NStages] {
		st := &s.Stages[i]
		for j := range st.Readings[:st.NReadings] {
			if r := &st.Readings[j]; r.What == what && !r.Withdrawn {
				first(r.V, r.Moment)
			}
		}
	}
	return v, at, ok
}

func watchesWindow(p *protocol.Protocol) bool {
	for _, w := range p.EndPoint.It.Watch {
		if w == protocol.WatchWindow {
			return true
		}
	}
	return !p.EndPoint.Is()
}

// fellTo finds the first oxygen saturation during the stages that is at or below a limit.
func (s *State) fellTo(limit float64) (v float64, at protocol.Ms, ok bool) {
	first := func(x float64, moment protocol.Ms) {
		if x <= limit && (!ok || moment < at) {
			v, at, ok = x, moment, true
		}
	}
	if !s.LowSpO2.ID.IsZero() {
		first(s.LowSpO2.V, s.LowSpO2.At)
	}
	for i := range s.Stages[:s.NStages] {
		st := &s.Stages[i]
		for j := range st.Readings[:st.NReadings] {
			if r := &st.Readings[j]; r.What == protocol.SpO2 && !r.Withdrawn {
				first(r.V, r.Moment)
			}
		}
	}
	return v, at, ok
}

// told looks for the stop signs that were told or seen.
func (s *State) told(p *protocol.Protocol, keep func(Ending)) {
	for i := range s.Signs[:s.NSigns] {
		m := &s.Signs[i]
		if sign := &p.Table[m.Sign]; !m.Withdrawn && sign.Does == protocol.DoesStop && !(m.Gone && s.before(m.At)) {
			keep(Ending{Severity: SignEnd, Code: sign.ID, Sign: int(m.Sign), At: m.At, Rule: "signs"})
		}
	}
}

// before reports whether a moment lies before the first stage: what was over by then stops nothing.
func (s *State) before(at protocol.Ms) bool { return s.NStages > 0 && at < s.Stages[0].Began }

// symptom finds a symptom, alerts included, that was told since a moment.
func (s *State) symptom(p *protocol.Protocol, since protocol.Ms) (sign int, at protocol.Ms, ok bool) {
	for i := range s.Signs[:s.NSigns] {
		m := &s.Signs[i]
		if !m.Withdrawn && p.Table[m.Sign].When.Symptom && m.At >= since {
			return int(m.Sign), m.At, true
		}
	}
	return 0, 0, false
}

// measuredSigns looks for the stop signs that are numbers.
func (s *State) measuredSigns(p *protocol.Protocol, at protocol.Ms, keep func(Ending)) {
	for i := range p.Table {
		sign := &p.Table[i]
		switch {
		case sign.When.Told || !s.watches(p, sign) || sign.Does == protocol.DoesAlert || sign.Does == protocol.DoesPause && s.mayPause(p):
		case sign.When.Unread:
			s.silentSign(p, i, at, keep)
		case sign.When.Plain():
			s.plainSign(p, i, at, keep)
		default:
			s.comparedSign(p, i, at, keep)
		}
	}
}

// watches reports whether a sign is in force for this test.
func (s *State) watches(p *protocol.Protocol, sign *protocol.Sign) bool {
	return sign.With == protocol.NoState || s.In.Has(p, sign.With)
}

// mayPause reports whether the running part lets a sign begin a rest with the clock running. Where it does
// not, a sign that would pause stops.
func (s *State) mayPause(p *protocol.Protocol) bool {
	st := s.stage()
	return st != nil && p.Parts[st.Part].Pause != nil && slices.Contains(p.Parts[st.Part].Pause.By, "sign")
}

// Paused is the sign for which the participant must rest now, with the clock running: its newest value crossed
// the limit and none since has allowed to go on. -1: none.
func (s *State) Paused(p *protocol.Protocol) (sign int, value float64) {
	st := s.stage()
	if s.Phase != Riding || !s.mayPause(p) {
		return -1, 0
	}
	sign = -1
	for i := range p.Table {
		t := &p.Table[i]
		if t.Does != protocol.DoesPause || !t.When.Plain() || !s.watches(p, t) {
			continue
		}
		for j := range st.Readings[:st.NReadings] {
			r := &st.Readings[j]
			v, ok := measured(r, t.When.What)
			switch {
			case !ok || !r.sound():
			case t.When.Crossed(v):
				sign, value = i, v
			case sign == i && (t.Resume == nil || t.Resume.Crossed(v)):
				sign = -1
			}
		}
		if sign == i {
			return sign, value
		}
	}
	return -1, 0
}

// plainSign judges a sign that compares one value with a fixed number.
func (s *State) plainSign(p *protocol.Protocol, i int, at protocol.Ms, keep func(Ending)) {
	sign := &p.Table[i]
	for k := range s.Stages[:s.NStages] {
		st := &s.Stages[k]
		for j := range st.Readings[:st.NReadings] {
			r := &st.Readings[j]
			v, ok := measured(r, sign.When.What)
			if !ok || r.Withdrawn || !sign.When.Crossed(v) {
				continue
			}
			keep(Ending{Severity: SignEnd, Code: sign.ID, Sign: i, At: r.Moment, Value: v, Measure: sign.When.What, Rule: "signs"})
		}
	}
	// values that could not be kept singly
	for _, x := range []struct {
		m protocol.Measure
		e *Extreme
	}{{protocol.MeasureSBP, &s.TopSBP}, {protocol.MeasureDBP, &s.TopDBP}, {protocol.MeasureSpO2, &s.LowSpO2}, {protocol.MeasureHR, &s.TopHR}} {
		if x.m == sign.When.What && !x.e.ID.IsZero() && sign.When.Crossed(x.e.V) {
			keep(Ending{Severity: SignEnd, Code: sign.ID, Sign: i, At: x.e.At, Value: x.e.V, Measure: x.m, Rule: "signs"})
		}
	}
}

// measured picks the number a measure looks at out of a reading.
func measured(r *Value, m protocol.Measure) (float64, bool) {
	switch {
	case m == protocol.MeasureHR && r.What == protocol.HeartRate, m == protocol.MeasureSpO2 && r.What == protocol.SpO2,
		m == protocol.MeasureRPE && r.What == protocol.RPE, m == protocol.MeasureCadence && r.What == protocol.CadenceRate,
		m == protocol.MeasureSBP && r.What == protocol.BloodPressure:
		return r.V, true
	case m == protocol.MeasureDBP && r.What == protocol.BloodPressure:
		return r.V2, r.V2 > 0
	}
	return 0, false
}

// comparedSign judges a sign that compares with the stage before or with rest: the first crossing asks for a
// second measurement, which confirms or clears it; a symptom meanwhile, or no second measurement, stops.
func (s *State) comparedSign(p *protocol.Protocol, i int, at protocol.Ms, keep func(Ending)) {
	sign := &p.Table[i]
	for k := range s.Stages[:s.NStages] {
		st := &s.Stages[k]
		base, ok := s.baseline(p, sign, k)
		if !ok || st.Superseded {
			continue
		}
		s.checked(p, i, st, base, at, keep)
	}
}

// baseline is the number a sign compares a stage's readings with.
func (s *State) baseline(p *protocol.Protocol, sign *protocol.Sign, k int) (float64, bool) {
	if sign.When.BelowRest {
		return s.In.RestSBP, s.In.RestSBP > 0
	}
	prev := k - 1
	for prev >= 0 && s.Stages[prev].Superseded {
		prev--
	}
	if prev < 0 || s.Stages[k].Set <= s.Stages[prev].Set {
		return 0, false
	}
	st := &s.Stages[prev]
	for j := int(st.NReadings) - 1; j >= 0; j-- {
		r := &st.Readings[j]
		if v, ok := measured(r, sign.When.What); ok && r.sound() && (sign.When.What != protocol.MeasureHR || r.Slot > 0) {
			return v, true
		}
	}
	return 0, false
}

// crossed reports whether a value of a stage crosses a compared sign.
func crossed(sign *protocol.Sign, v, base float64) bool {
	switch {
	case sign.When.FallsBy != nil:
		return base-v >= *sign.When.FallsBy
	case sign.When.BelowRest:
		return v < base
	case sign.When.NotRising:
		return v <= base
	}
	return false
}

func (s *State) checked(p *protocol.Protocol, i int, st *Stage, base float64, at protocol.Ms, keep func(Ending)) {
	sign := &p.Table[i]
	lastMinute := uint8(p.Parts[st.Part].Lasts / protocol.Minute)
	var first, again *Value
	for j := range st.Readings[:st.NReadings] {
		r := &st.Readings[j]
		v, ok := measured(r, sign.When.What)
		if !ok || !r.sound() {
			continue
		}
		switch {
		case first == nil:
			// A pulse is judged at the end of the stage, when it has had time to rise.
			if crossed(sign, v, base) && (!sign.When.NotRising || r.Slot >= lastMinute) {
				first = r
			}
		default:
			again = r
			if !crossed(sign, v, base) {
				first, again = nil, nil
			}
		}
	}
	if first == nil {
		return
	}
	v, _ := measured(first, sign.When.What)
	e := Ending{Severity: CheckFirst, Code: sign.ID, Sign: i, At: first.Moment, Value: v, Limit: base,
		Measure: sign.When.What, Until: first.At + sign.Within, Rule: "signs"}
	_, _, sick := s.symptom(p, first.Moment)
	switch {
	case again != nil || sick:
		e.Severity = SignEnd
	case !st.Running() || at > e.Until:
		e.Severity, e.Expired = SignEnd, true
	}
	keep(e)
}
