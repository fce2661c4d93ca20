package prove

import (
	"slices"

	"gradus/conduct"
	"gradus/protocol"
)

// key tells states apart as far as what the conductor says next can differ. It compares heart rates, so a
// heart rate is known by what the next one can be against it, the stage before and the limits; where the
// row is chosen it is known exactly. Choices that no later part looks at are left out.
type key struct {
	phase                    conduct.Phase
	part, times, stages      uint8
	row, then, called, near  uint8
	n, last, severity, avail uint8
	asked, cuffs, breaks     uint8 // extra minutes
	restarts, hr, next       uint8
	sign                     int8
	follows                  int8 // the part that comes next; -1: none
	flags                    uint32
	filled, spoilt           uint64 // planned readings that have their value, or only a disturbed one
	since, began, rested     protocol.Ms
	cuff, until              protocol.Ms
	sbp, sbpBefore           int16
	code                     string
	danger                   danger
}

const (
	flagConfirm = 1 << iota
	flagBreak
	flagCuff
	flagAccepted
	flagSteady
	flagTired
	flagLong
	flagLeft
	flagSpent
	flagQuiet
	flagSymptom
	flagHRRead
	flagHROK
	flagBPOK
	flagBPRead
	flagDefied
	flagRested
	flagAsk
	flagRaises
	flagRaised
	flagCompared
	flagBack
	flagRepeat
	flagOffered
	flagDone
	flagPaused
)

func bit(on bool, flag uint32) uint32 {
	if on {
		return flag
	}
	return 0
}

// keyOf makes the key of a node.
func (x *explorer) keyOf(n *node) (k key) {
	s := &n.s
	k.phase, k.danger = s.Phase, n.danger
	k.flags = bit(n.quiet, flagQuiet) | bit(n.defied, flagDefied) | bit(n.rested, flagRested) | bit(n.back, flagBack)
	if s.Phase == conduct.Riding || s.Phase == conduct.StoppedAt && x.w.rests && !n.rested && n.at-s.Stop.At <= x.p.Resume {
		x.ridingKey(n, &k)
	}
	if s.Phase == conduct.StoppedAt || s.Phase == conduct.Cooling || s.Phase == conduct.Resting {
		x.afterKey(n, &k)
	}
	return k
}

func (x *explorer) ridingKey(n *node, k *key) {
	s := &n.s
	i := s.Current()
	st := &s.Stages[i]
	k.part = st.Part
	k.flags |= bit(s.OnBreak, flagBreak)
	k.avail, _ = x.available(s)
	end := s.Standing(x.p, n.at)
	k.severity, k.sign, k.code = uint8(end.Severity), int8(end.Sign), end.Code
	if end.Until > 0 {
		k.until = end.Until - n.at
	}
	if n.danger != safe {
		return // all that is left is to end
	}
	if s.NStages > conduct.MaxStages-4 {
		k.stages = s.NStages
	}
	k.times, k.restarts, k.since = uint8(x.timesOf(s)), st.Restarts, n.at-st.From
	if x.rowsAhead(int(st.Part)) {
		row, _, near := s.RowCalled(x.p)
		k.row, k.then = s.Row, s.RowThen
		k.flags |= bit(s.Repeats, flagRepeat)
		if s.Before > 0 && !slices.ContainsFunc(s.Stages[:s.NStages], func(st conduct.Stage) bool { return st.Row > 0 }) {
			k.flags |= flagOffered
			row, _, _ := s.RowCalled(x.p)
			k.called = uint8(row)
		}
		if x.w.fine || x.branches(s) {
			k.called, k.near = uint8(row), uint8(near)
		}
	}
	x.minutesKey(n, st, k)
	x.heartKey(s, i, k)
	k.follows = int8(s.NextPart(x.p))
	if part := s.NextPart(x.p); part >= 0 {
		work, _ := s.PlannedWork(x.p, part)
		_, ask := s.AskFirst(x.p, work)
		k.flags |= bit(ask, flagAsk) | bit(work > st.Set, flagRaises)
	}
	if prev := before(s, i); prev >= 0 {
		k.flags |= bit(st.Set > s.Stages[prev].Set, flagRaised)
		k.sbpBefore = lastSBP(&s.Stages[prev])
	}
	k.sbp = lastSBP(st)
	x.fillKey(st, k)
}

// minutesKey keeps what a stage's length depends on.
func (x *explorer) minutesKey(n *node, st *conduct.Stage, k *key) {
	s := &n.s
	k.asked = st.Extra[conduct.ForSteady] + st.Extra[conduct.ForMissing] + st.Extra[conduct.ForDisturbed]
	k.cuffs, k.breaks = st.Extra[conduct.ForCuff], st.Extra[conduct.ForBreak]
	if st.NReadings == 0 && s.NStages > 1 {
		k.began = min(n.at-st.Began, protocol.Minute+1)
	}
	k.flags |= bit(s.Confirm, flagConfirm) | bit(s.Cuff, flagCuff) | bit(st.Accepted, flagAccepted) | bit(s.Tired, flagTired) |
		bit(s.LongBreak, flagLong) | bit(s.Spent(x.p, n.at), flagSpent) | bit(st.Done > 0, flagDone) | bit(x.paused(s), flagPaused) | bit(s.LeftEarly(x.p, n.at) >= 0, flagLeft)
	if s.OnBreak {
		k.rested = n.at - s.BreakFrom
	}
	if s.Cuff {
		k.cuff = n.at - s.CuffFrom
	}
}

// paused reports whether a sign makes the participant rest.
func (x *explorer) paused(s *conduct.State) bool {
	sign, _ := s.Paused(x.p)
	return sign >= 0
}

// heartKey keeps of the last heart rates what the next reading can be against them.
func (x *explorer) heartKey(s *conduct.State, i int, k *key) {
	j := s.Judge(x.p, i)
	k.n, k.last = uint8(min(j.N, 2)), j.LastMinute
	k.flags |= bit(j.Steady, flagSteady)
	if x.branches(s) {
		k.hr = uint8(j.Last)
		return
	}
	k.hr = x.ofMean(s, i)
	base, compared := x.baseOf(s, i)
	k.flags |= bit(compared, flagCompared)
	for _, v := range x.beats(s, nil) {
		k.next |= 1 << x.outcome(s, &j, v, base, compared)
	}
}

// ofMean counts the heart rates of a stage where one of its readings is the mean of several; else 0.
func (x *explorer) ofMean(s *conduct.State, i int) (n uint8) {
	st := &s.Stages[i]
	for _, planned := range x.p.SetOf(int(st.Part)) {
		if planned.MeanOf < 2 {
			continue
		}
		for q := range st.Readings[:st.NReadings] {
			if r := &st.Readings[q]; r.What == protocol.HeartRate && r.Slot > 0 && !r.Disturbed && !r.Withdrawn && !r.Void {
				n++
			}
		}
	}
	return n
}

// outcome numbers what a next heart rate would be: over a limit, steady, risen.
func (x *explorer) outcome(s *conduct.State, j *conduct.Judged, v, base float64, compared bool) (o uint8) {
	if x.heartDanger(s, v) != safe {
		o = 4
	}
	if j.N > 0 && max(v-j.Last, j.Last-v) <= x.within {
		o |= 2
	}
	if compared && v <= base {
		o |= 1
	}
	return o
}

// timesOf counts how often the running part has been begun.
func (x *explorer) timesOf(s *conduct.State) (n int) {
	part := s.Stages[s.Current()].Part
	for i := range s.Stages[:s.NStages] {
		if s.Stages[i].Part == part && !s.Stages[i].Superseded {
			n++
		}
	}
	return n
}

// rowsAhead reports whether the running part picks a row, or a later one takes its work from it.
func (x *explorer) rowsAhead(part int) bool {
	for i := part; i < len(x.p.Parts); i++ {
		if x.p.Parts[i].Work.Row > 0 {
			return true
		}
	}
	return false
}

// fillKey notes which planned readings have their value.
func (x *explorer) fillKey(st *conduct.Stage, k *key) {
	for q := range st.Readings[:st.NReadings] {
		r := &st.Readings[q]
		if r.Slot == 0 || r.Withdrawn || r.Void || protocol.Ms(r.Slot)*protocol.Minute+x.after(r.What)+x.p.Readings.LateBy < k.since {
			continue
		}
		place := uint64(1) << (uint(r.Slot-1)%8 + 8*uint(r.What-1)%64)
		if r.Disturbed {
			k.spoilt |= place
		} else {
			k.filled |= place
		}
	}
}

// after is the longest time that a planned reading of a quantity may take; a heart rate is over when it is due.
func (x *explorer) after(what protocol.Quantity) (over protocol.Ms) {
	for i := range x.p.Readings.Sets {
		for _, planned := range x.p.Readings.Sets[i].Read {
			if planned.What == what && what != protocol.HeartRate {
				over = max(over, planned.Over)
			}
		}
	}
	return over
}

// afterKey keeps of a stopped test what its recovery depends on.
func (x *explorer) afterKey(n *node, k *key) {
	s := &n.s
	k.code = s.Stop.Code
	k.since = n.at - s.Stop.At
	if end := s.Standing(x.p, s.Stop.At); s.Phase == conduct.StoppedAt && end.Sign >= 0 {
		k.severity, k.times = uint8(end.Severity), uint8(x.p.Table[end.Sign].After)
	}
	if s.Phase != conduct.StoppedAt {
		k.cuff = n.at - max(s.CoolFrom, s.RestFrom)
		k.sbp = int16(s.CoolWork)
		k.code = ""
		if s.Phase == conduct.Resting {
			k.began = n.at - s.RestFrom
		}
	}
	r := s.RecoveredAt(x.p, n.at)
	k.flags |= bit(r.HROK, flagHROK) | bit(r.SBPOK, flagBPOK) | bit(r.Symptom, flagSymptom) | bit(r.HR > 0, flagHRRead) | bit(r.SBP > 0, flagBPRead)
	k.sign = -1
	for i := range s.Signs[:s.NSigns] {
		if m := &s.Signs[i]; !m.Withdrawn && !m.Gone && x.p.Table[m.Sign].When.Symptom {
			k.sign = int8(x.p.Table[m.Sign].After)
		}
	}
	if x.p.Recovery.Is() {
		k.last = x.readAlready(s, n.at)
	}
}

// readAlready says whether the recovery reading of the present minute is there.
func (x *explorer) readAlready(s *conduct.State, at protocol.Ms) uint8 {
	every := x.p.Recovery.It.Every
	due := s.Stop.At + (at-s.Stop.At)/every*every
	for i := int(s.NAfter) - 1; i >= 0; i-- {
		if v := &s.After[i]; v.What == protocol.HeartRate && v.Moment > due-every/2 {
			return 1
		}
	}
	return 0
}

// branches reports whether the running stage is the one whose reading picks a row.
func (x *explorer) branches(s *conduct.State) bool {
	return x.p.Choose.Is() && x.p.Parts[s.Stages[s.Current()].Part].ID == x.p.Choose.It.After
}

// before is the last stage before i that was not ridden again; -1: none.
func before(s *conduct.State, i int) int {
	for i--; i >= 0 && s.Stages[i].Superseded; i-- {
	}
	return i
}

// baseOf is the heart rate that a stage's readings are compared with for a sign.
func (x *explorer) baseOf(s *conduct.State, i int) (float64, bool) {
	prev := before(s, i)
	if !x.comparesHR || prev < 0 || s.Stages[i].Set <= s.Stages[prev].Set {
		return 0, false
	}
	st := &s.Stages[prev]
	for j := int(st.NReadings) - 1; j >= 0; j-- {
		if r := &st.Readings[j]; r.What == protocol.HeartRate && r.Slot > 0 && !r.Disturbed && !r.Withdrawn && !r.Void {
			return r.V, true
		}
	}
	return 0, false
}

// lastSBP is the last systolic pressure of a stage; 0 when there is none.
func lastSBP(st *conduct.Stage) int16 {
	for j := int(st.NReadings) - 1; j >= 0; j-- {
		if r := &st.Readings[j]; r.What == protocol.BloodPressure && !r.Disturbed && !r.Withdrawn && !r.Void {
			return int16(r.V)
		}
	}
	return 0
}
