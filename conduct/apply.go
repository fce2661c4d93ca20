package conduct

import (
	"fmt"
	"math"

	"gradus/exact"
	"gradus/protocol"
)

const longest = 24 * protocol.Hour // no test time lies beyond

// Apply returns the state after an event, for a live host: an event that is refused, that leaves a gap or
// that came before (a duplicate) changes nothing. A duplicate is no error.
func Apply(p *protocol.Protocol, s State, e *Event) (State, error) {
	next := s
	if err := next.Take(p, e); err != nil {
		return s, err
	}
	return next, nil
}

// Take brings a recorded event into the state. A recorded event that makes no sense is counted, and its
// RefusedError returned; the ones after it can still be taken. With any other error nothing has changed.
func (s *State) Take(p *protocol.Protocol, e *Event) error {
	late, duplicate, err := s.admit(e)
	if err != nil || duplicate {
		return err
	}
	if late {
		s.takeLate(e)
		return nil
	}
	at := e.At
	if at < 0 || at > longest {
		s.Ignored++
		return refuse(e, "conductor.time", fmt.Sprintf("time %v is not between 0:00 and 24:00:00", e.At), "check the device")
	}
	if at < s.Now {
		at = s.Now
		s.ClockBad++
	}
	moment := at - min(max(e.Ago, 0), at)
	if err := s.do(p, e, at, moment); err != nil {
		s.Ignored++
		s.Now = at
		return err
	}
	if s.Phase == Over && e.Kind.corrects() && s.Revised < math.MaxUint16 {
		s.Revised++
	}
	s.Now = at
	return nil
}

// admit checks the place of an event in the order and moves the high-water mark.
func (s *State) admit(e *Event) (late, duplicate bool, err error) {
	if e.Term == 0 || e.N == 0 {
		return false, false, refuse(e, "conductor.order", "term and n count from 1", "give the event its id")
	}
	if m := s.mark(e.Term); m != nil {
		if e.N <= m.N {
			return false, true, nil
		}
		if e.N != m.N+1 {
			return false, false, &GapError{e.ID(), ID{e.Term, m.N + 1}}
		}
		m.N++
		return m.Closed, false, nil
	}
	if e.Term < s.Term() {
		return false, false, refuse(e, "conductor.order", "its term was never opened", "an older term cannot begin now")
	}
	if e.N != 1 {
		return false, false, &GapError{e.ID(), ID{e.Term, 1}}
	}
	return false, false, s.openTerm(e)
}

// openTerm lets a device take the pen: the first by began, later ones by took-over.
func (s *State) openTerm(e *Event) error {
	if s.NTerms == 0 {
		if e.Kind != Began {
			return refuse(e, "conductor.order", "the first event of a test is began", "begin the test")
		}
	} else {
		held := &s.Terms[s.NTerms-1]
		switch {
		case e.Kind != TookOver:
			return &GapError{e.ID(), ID{held.Term, held.N + 1}}
		case e.Ref.Term != held.Term:
			return refuse(e, "conductor.take-over", fmt.Sprintf("it names term %d, but term %d holds the pen", e.Ref.Term, held.Term), "load the test again, then take over")
		case e.Ref.N > held.N:
			return &GapError{e.ID(), ID{held.Term, held.N + 1}}
		case e.Ref.N < held.N:
			return &RewindError{e.ID(), e.Ref}
		case s.NTerms == MaxTerms:
			return refuse(e, "conductor.take-over", fmt.Sprintf("the pen has changed hands %d times", MaxTerms), "finish on this device or on paper")
		}
		held.Seen, held.Closed = e.Ref.N, true
	}
	s.Terms[s.NTerms] = Mark{Term: e.Term, N: 1}
	s.NTerms++
	return nil
}

func refuse(e *Event, rule Rule, msg, hint string) *RefusedError {
	return &RefusedError{Event: e.ID(), Kind: e.Kind, Rule: rule, Msg: msg, Hint: hint}
}

// do carries out one event of the device that holds the pen. When it refuses, nothing has changed.
func (s *State) do(p *protocol.Protocol, e *Event, at, moment protocol.Ms) error {
	if e.Kind == Began {
		return s.began(p, e)
	}
	if s.Phase == Idle {
		return refuse(e, "conductor.order", "the test has not begun", "begin the test first")
	}
	switch e.Kind {
	case Reading:
		return s.reading(p, e, at, moment)
	case Window:
		return s.window(p, e, moment)
	case Correct, Withdraw, Disturbed:
		return s.amend(p, e, at)
	case Input:
		return s.input(p, e)
	case SignSeen:
		return s.sign(p, e, moment)
	case SignGone:
		return s.signGone(e)
	case StageBegun, WorkSet, Observed, Extended, Branched, Confirmed, Accepted:
		return s.work(p, e, moment)
	case Measuring, Break, BreakOver:
		return s.interrupt(p, e, moment)
	case Stopped, Unstopped, CoolBegun, RestBegun, Closed:
		return s.end(p, e, at, moment)
	case Sensor:
		return s.sensor(p, e, moment)
	case Resumed:
		if d := protocol.Ms(min(max(e.V, 0), 86400) * 1000); d > s.Uncertain {
			s.Uncertain, s.UncertAt = d, s.NStages
		}
	case Note, TookOver:
	default:
		return refuse(e, "conductor.kind", "this kind of event is not known", "update the program")
	}
	return nil
}

func (s *State) began(p *protocol.Protocol, e *Event) error {
	b := e.Begin
	switch {
	case s.Phase != Idle:
		return refuse(e, "conductor.order", "the test has begun already", "start a new test")
	case b == nil:
		return refuse(e, "conductor.order", "it carries no inputs", "say protocol and inputs")
	case b.Format != FormatVersion:
		return refuse(e, "conductor.format", fmt.Sprintf("format %d is not read by this program", b.Format), "use the program version that wrote it")
	case b.Protocol != p.ID || b.Hash != "" && b.Hash != p.Hash:
		return refuse(e, "conductor.protocol", fmt.Sprintf("it was written for protocol %s %s, hash %.12s; here is %s %s, %.12s", b.Protocol, b.Version, b.Hash, p.ID, p.Version, p.Hash), "replay it with the protocol it names")
	}
	if err := b.Inputs.Check(); err != nil {
		return refuse(e, "conductor.input", err.Error(), "")
	}
	s.In = b.Inputs
	s.Before = rowBefore(p, b.RowBefore)
	s.Phase = Ready
	s.Limits = LimitsOf(p, &s.In)
	return nil
}

func (s *State) input(p *protocol.Protocol, e *Event) error {
	in := s.In
	if err := in.Set(e.Code, e.Word, e.V); err != nil {
		return refuse(e, "conductor.input", err.Error(), "")
	}
	if missing := in.Missing(p); len(missing) > len(s.In.Missing(p)) {
		return refuse(e, "inputs.required", e.Code+" is needed and cannot be taken away", "correct it to another value")
	}
	s.In = in
	s.Limits = LimitsOf(p, &s.In)
	return nil
}

// plausible refuses a value outside the fence of its quantity.
func plausible(e *Event) error {
	fence := protocol.FenceOf(e.What)
	if e.What == protocol.NoQuantity || !fence.Holds(e.V) {
		return refuse(e, "conductor.fence", fmt.Sprintf("%v %g is not between %g and %g", e.What, e.V, fence.Low, fence.High), "check the entry")
	}
	// A diastolic pressure of 0 means that it was not taken: during exercise it often cannot be.
	if e.What == protocol.BloodPressure && e.V2 != 0 && !(fence.Holds(e.V2) && e.V2 < e.V) {
		return refuse(e, "conductor.fence", fmt.Sprintf("blood pressure %g/%g: diastolic must be plausible and below systolic", e.V, e.V2), "check whether the two were swapped")
	}
	return nil
}

func valueOf(e *Event, at, moment protocol.Ms) Value {
	v := Value{Ref: e.ID(), At: at, Moment: moment, V: e.V, V2: e.V2, Raw: e.V, What: e.What, Src: e.Src, Used: e.Used, Dropped: e.Dropped}
	if e.What == protocol.HeartRate {
		v.V = exact.HalfUp(e.V)
	}
	return v
}

func (s *State) reading(p *protocol.Protocol, e *Event, at, moment protocol.Ms) error {
	if err := plausible(e); err != nil {
		return err
	}
	v := valueOf(e, at, moment)
	if e.What == protocol.HeartRate {
		s.heard(p, moment)
		s.LastHR = v
	}
	if e.What == protocol.BloodPressure {
		s.Cuff = false
	}
	i := s.stageAt(moment, e.Slot != 0 && e.Ago == 0)
	switch {
	case s.Phase == Ready:
		s.resting(p, &v)
	case i >= 0:
		s.keep(p, &s.Stages[i], v, e.Slot)
	case s.NAfter < MaxRecovery:
		v.Slot = uint8(min(int(e.Slot), 255))
		s.After[s.NAfter] = v
		s.NAfter++
	default:
		s.Unkept++
	}
	return nil
}

// resting takes a reading before the first stage as a resting value.
func (s *State) resting(p *protocol.Protocol, v *Value) {
	switch v.What {
	case protocol.HeartRate:
		s.In.RestHR = v.V
	case protocol.BloodPressure:
		s.In.RestSBP, s.In.RestDBP = v.V, v.V2
	}
	s.Limits = LimitsOf(p, &s.In)
}

// stageAt finds the stage a moment belongs to; -1 when it lies before the first or after the stop.
// A reading at the very moment one stage gives way to the next belongs to the one that ends.
func (s *State) stageAt(moment protocol.Ms, current bool) int {
	if s.NStages == 0 {
		return -1
	}
	last := int(s.NStages) - 1
	if current && s.Phase == Riding {
		return last
	}
	if s.Phase != Riding && moment > s.Stages[last].Ended {
		return -1
	}
	for i := last; i > 0; i-- {
		if s.Stages[i].Began < moment {
			return i
		}
	}
	return 0
}

// keep puts a reading into a stage. When the stage is full, readings from before a restart go first, then
// unplanned ones; their most telling values stay as extremes so that no limit is missed.
func (s *State) keep(p *protocol.Protocol, st *Stage, v Value, slot uint16) {
	v.Slot = slotFor(p, st, &v, slot)
	s.follow(p, st, &v)
	if st.NReadings == MaxInStage {
		if v.What != protocol.Distance { // its sum is kept
			st.Unkept++
		}
		i := st.dispensable(v.Slot != 0)
		if i < 0 {
			s.extreme(&v)
			return
		}
		s.extreme(&st.Readings[i])
		copy(st.Readings[i:], st.Readings[i+1:])
		st.NReadings--
	}
	st.Readings[st.NReadings] = v
	st.NReadings++
}

// dispensable is the reading a full stage can do without: the oldest one void, else the oldest unplanned one of
// a kind of which a later one is there; for a planned reading any unplanned one gives way. -1: none.
func (st *Stage) dispensable(forPlanned bool) int {
	for i := range st.Readings {
		if st.Readings[i].Void || st.Readings[i].Withdrawn {
			return i
		}
	}
	for i := range st.Readings {
		r := &st.Readings[i]
		for k := i + 1; r.Slot == 0 && k < len(st.Readings); k++ {
			if st.Readings[k].What == r.What {
				return i
			}
		}
	}
	for i := range st.Readings {
		if forPlanned && st.Readings[i].Slot == 0 {
			return i
		}
	}
	return -1
}

// follow keeps the running sums and extremes a part asks for.
func (s *State) follow(p *protocol.Protocol, st *Stage, v *Value) {
	for i := range p.Parts[st.Part].Follow {
		f := &p.Parts[st.Part].Follow[i]
		switch {
		case f.What != v.What:
		case f.What == protocol.Distance && f.As == "sum":
			st.Distance += v.V
			if lap := s.CourseM(p, int(st.Part)); lap > 0 && v.V == lap {
				st.Laps++
			}
			if until := p.Parts[st.Part].UntilM; until > 0 && st.Done == 0 && st.Distance >= until-0.01 {
				st.Done = v.Moment
			}
		case f.What == protocol.SpO2 && f.As == "lowest" && (st.LowSpO2 == 0 || v.V < st.LowSpO2):
			st.LowSpO2 = v.V
		}
	}
}

func (s *State) extreme(v *Value) {
	if v.Withdrawn {
		return
	}
	higher := func(x *Extreme, value float64) {
		if value > x.V {
			*x = Extreme{value, v.Moment, v.Ref}
		}
	}
	switch v.What {
	case protocol.HeartRate:
		higher(&s.TopHR, v.V)
	case protocol.BloodPressure:
		higher(&s.TopSBP, v.V)
		higher(&s.TopDBP, v.V2)
	case protocol.RPE:
		higher(&s.TopRPE, v.V)
	case protocol.SpO2:
		if s.LowSpO2.V == 0 || v.V < s.LowSpO2.V {
			s.LowSpO2 = Extreme{v.V, v.Moment, v.Ref}
		}
	}
}

// window takes a mean over good beats, or a mean of cadence; never a single beat.
func (s *State) window(p *protocol.Protocol, e *Event, moment protocol.Ms) error {
	if err := plausible(e); err != nil {
		return err
	}
	switch e.What {
	case protocol.HeartRate:
		if e.V > s.Window.V && s.Phase == Riding {
			s.Window = Extreme{e.V, moment, e.ID()}
		}
		s.heard(p, moment)
		s.LastHR = valueOf(e, moment, moment)
	case protocol.CadenceRate:
		if k := &p.Cadence.It; p.Cadence.Is() && s.Phase == Riding && s.In.Cadence > 0 && s.CadenceLow < 255 &&
			e.V < percentOf(float64(100-k.Low.ByPercent), s.In.Cadence) {
			s.CadenceLow++
		}
	}
	return nil
}

func (s *State) sign(p *protocol.Protocol, e *Event, moment protocol.Ms) error {
	i := p.SignIndex(e.Code)
	if i < 0 {
		return refuse(e, "signs", fmt.Sprintf("no stop sign has the id %q", e.Code), "use other-symptom with a text")
	}
	s.markSign(SignMark{Ref: e.ID(), At: moment, Sign: uint8(i)})
	return nil
}

// markSign keeps a sign. When all places are taken the last is overwritten by the newest: the test stays stopped
// rather than a stop sign lost.
func (s *State) markSign(m SignMark) {
	if s.NSigns == MaxSignsIn {
		s.NSigns--
		s.Unkept++
	}
	s.Signs[s.NSigns] = m
	s.NSigns++
}

func (s *State) signGone(e *Event) error {
	for i := range s.Signs[:s.NSigns] {
		if s.Signs[i].Ref == e.Ref {
			s.Signs[i].Gone = true
			return nil
		}
	}
	return refuse(e, "signs", fmt.Sprintf("no sign has the id %v", e.Ref), "name the sign that is over")
}

// interrupt handles what breaks into a stage: the cuff, and a participant who stops moving.
func (s *State) interrupt(p *protocol.Protocol, e *Event, moment protocol.Ms) error {
	switch e.Kind {
	case Measuring:
		s.Cuff, s.CuffFrom, s.CuffRef = true, moment, e.ID()
		return nil
	case Break:
		if s.Phase != Riding || s.OnBreak {
			return refuse(e, "breaks", "no stage runs, or a break has begun already", "")
		}
		s.OnBreak, s.BreakFrom, s.BreakRef = true, moment, e.ID()
		return nil
	}
	if !s.OnBreak {
		return refuse(e, "breaks", "no break has begun", "")
	}
	s.restOver(moment)
	if p.Breaks.Is() && s.Phase == Riding && p.Parts[s.stage().Part].Pause == nil {
		s.breakOver(&p.Breaks.It, s.stage(), moment)
	}
	return nil
}

func (s *State) breakOver(b *protocol.Breaks, st *Stage, moment protocol.Ms) {
	switch d := moment - s.BreakFrom; {
	case d <= b.GoOn:
	case d <= b.AddTo && st.Extra[ForBreak] < 2:
		st.Extra[ForBreak]++
	case d > b.Restart:
		s.LongBreak = true
	case int(st.Restarts) >= b.AtMost:
		s.Tired = true
	default:
		st.restart(moment)
	}
}

// restart lets the minutes of a stage begin again; what was read before is kept but not used.
func (st *Stage) restart(moment protocol.Ms) {
	for i := range st.Readings[:st.NReadings] {
		st.Readings[i].Void = true
	}
	st.Extra = [extraCount]uint8{}
	st.From = moment
	st.Accepted = false
	if st.Restarts < 255 {
		st.Restarts++
	}
}
