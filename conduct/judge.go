package conduct

import "gradus/protocol"

// A slot of heart rate is the end of a stage minute. slotFor says which planned reading a value fills: the
// one named, or by its moment; 0 when none.
func slotFor(p *protocol.Protocol, st *Stage, v *Value, named uint16) uint8 {
	if v.What != protocol.HeartRate {
		return slotOther(p, st, v, named)
	}
	over := overOf(p, st, v.What)
	for _, minute := range heartMinutes(p, st) {
		if minute == 0 {
			break
		}
		due := st.dueAt(p, minute)
		byName := named == uint16(minute) && (v.Moment > due-protocol.Minute || p.Parts[st.Part].Counts == "when-read")
		byMoment := named == 0 && v.Moment >= due-over && v.Moment <= due+over
		if (byName || byMoment) && v.At <= due+p.Readings.LateBy && !st.full(p, v.What, minute) {
			return minute
		}
	}
	return 0
}

// slotOther fills the planned readings of other quantities in turn, from as long before they are planned as they may take;
// a distance only from its moment on: a lap in the last half minute is not yet what was walked at the end.
func slotOther(p *protocol.Protocol, st *Stage, v *Value, named uint16) uint8 {
	for _, planned := range p.SetOf(int(st.Part)) {
		minute := minuteOf(planned.At)
		from := st.From + planned.At
		if v.What != protocol.Distance {
			from -= planned.Over
		}
		inTime := named == 0 && v.Moment >= from || named == uint16(minute)
		if planned.What == v.What && inTime && !st.filled(v.What, minute) {
			return minute
		}
	}
	return 0
}

// minuteOf is the stage minute a moment of the stage lies in: 2:30 lies in minute 3, 2:00 ends minute 2.
func minuteOf(at protocol.Ms) uint8 {
	return uint8((at + protocol.Minute - 1) / protocol.Minute)
}

// filled reports whether a planned reading has its value.
func (st *Stage) filled(what protocol.Quantity, minute uint8) bool {
	for i := range st.Readings[:st.NReadings] {
		r := &st.Readings[i]
		if r.What == what && r.Slot == minute && r.sound() {
			return true
		}
	}
	return false
}

// plannedHeart is the planned heart rate of a stage minute; nil for an added minute.
func (st *Stage) plannedHeart(p *protocol.Protocol, minute uint8) *protocol.Planned {
	set := p.SetOf(int(st.Part))
	for i := range set {
		if set[i].What == protocol.HeartRate && minuteOf(set[i].At) == minute {
			return &set[i]
		}
	}
	return nil
}

// dueAt is the moment at which the heart rate of a stage minute is due: where it is planned, else its end.
func (st *Stage) dueAt(p *protocol.Protocol, minute uint8) protocol.Ms {
	if planned := st.plannedHeart(p, minute); planned != nil {
		return st.From + planned.At
	}
	return st.From + protocol.Ms(minute)*protocol.Minute
}

// wanted is the number of values a planned heart rate is the mean of.
func (st *Stage) wanted(p *protocol.Protocol, minute uint8) int {
	if planned := st.plannedHeart(p, minute); planned != nil {
		return max(1, planned.MeanOf)
	}
	return 1
}

// full reports whether a planned reading has all its values.
func (st *Stage) full(p *protocol.Protocol, what protocol.Quantity, minute uint8) bool {
	if what != protocol.HeartRate {
		return st.filled(what, minute)
	}
	_, n := st.meanAt(minute)
	return n >= st.wanted(p, minute)
}

// meanAt is the mean of the sound heart rates that fill a stage minute, and their number.
func (st *Stage) meanAt(minute uint8) (mean float64, n int) {
	for i := range st.Readings[:st.NReadings] {
		if r := &st.Readings[i]; r.What == protocol.HeartRate && r.Slot == minute && r.sound() {
			mean += r.V
			n++
		}
	}
	if n > 0 {
		mean /= float64(n)
	}
	return mean, n
}

// overOf is the length of the window of a planned heart rate.
func overOf(p *protocol.Protocol, st *Stage, what protocol.Quantity) protocol.Ms {
	for _, planned := range p.SetOf(int(st.Part)) {
		if planned.What == what && planned.Over > 0 {
			return planned.Over
		}
	}
	return p.Hold.It.Over
}

// heartMinutes lists the stage minutes at whose end heart rate is planned, extra minutes included; 0 ends it.
func heartMinutes(p *protocol.Protocol, st *Stage) (minutes [MaxInStage + 1]uint8) {
	n := 0
	for _, planned := range p.SetOf(int(st.Part)) {
		if planned.What == protocol.HeartRate && n < protocol.MaxReadings {
			minutes[n] = minuteOf(planned.At)
			n++
		}
	}
	base := uint8(p.Parts[st.Part].Lasts / protocol.Minute)
	for i := 1; i <= st.minutesExtra() && n < MaxInStage; i++ {
		minutes[n] = base + uint8(i)
		n++
	}
	return minutes
}

// Length is how long a stage lasts, extra minutes included.
func (st *Stage) Length(p *protocol.Protocol) protocol.Ms {
	if st.Done > 0 {
		return st.Done - st.From
	}
	return p.Parts[st.Part].Lasts + protocol.Ms(st.minutesExtra())*protocol.Minute
}

// Judged is what the readings of a stage say.
type Judged struct {
	N          int     // end-of-minute readings that can be used
	Last, Prev float64 // the two last ones, whole beats /min
	LastMinute uint8   // the stage minute of the last
	Missing    uint8   // the first stage minute whose required reading is not there; 0: none
	Complete   bool    // every required reading up to the stage's base length is there, the last one too
	Known      bool    // steadiness can be judged
	Steady     bool
	Counts     bool // the stage counts for work rate and heart rate
}

// Apart is how far the two last readings differ, in beats.
func (j Judged) Apart() float64 {
	if j.Last > j.Prev {
		return j.Last - j.Prev
	}
	return j.Prev - j.Last
}

// Judge judges a stage by its readings as they stand, late facts of a former device included.
func (s *State) Judge(p *protocol.Protocol, i int) Judged { return s.judge(p, i, true) }

// judge judges a stage; late facts never decide, so the conductor leaves them out.
func (s *State) judge(p *protocol.Protocol, i int, late bool) (j Judged) {
	st := &s.Stages[i]
	part := &p.Parts[st.Part]
	base := min(uint8(part.Lasts/protocol.Minute), minuteOf(lastHeart(p, int(st.Part))))
	if part.Steady == "hold" {
		base = uint8(part.Lasts / protocol.Minute)
	}
	planned := 0
	for _, minute := range heartMinutes(p, st) {
		if minute == 0 {
			break
		}
		planned++
		v, ok := s.heartAt(p, st, minute, late)
		if !ok {
			if j.Missing == 0 {
				j.Missing = minute
			}
			continue
		}
		j.Prev, j.Last = j.Last, v
		j.LastMinute = minute
		j.N++
	}
	if planned == 0 {
		j.Complete = !st.Running() && st.Ended-st.From >= part.Lasts
		if part.UntilM > 0 {
			j.Complete = st.Done > 0
		}
		j.Counts = j.Complete && part.Counts == "when-complete" && !st.Superseded
		return j
	}
	j.Complete = j.N >= 2 && j.LastMinute >= base || j.N >= 1 && j.LastMinute >= base && part.Steady == "none"
	if p.Hold.Is() && part.Steady != "none" {
		j.Known = j.N >= 2 && j.LastMinute >= base
		j.Steady = j.Known && j.Apart() <= p.Hold.It.Within
	}
	switch part.Counts {
	case "when-steady":
		j.Counts = j.Complete && (j.Steady || st.Accepted)
	case "when-complete":
		j.Counts = j.Complete
	case "when-read":
		j.Counts = j.N > 0 && j.LastMinute >= base
	}
	j.Counts = j.Counts && !st.Superseded
	return j
}

// lastHeart is the moment of the last planned heart rate of a part; 0 when none is.
func lastHeart(p *protocol.Protocol, part int) (at protocol.Ms) {
	for _, planned := range p.SetOf(part) {
		if planned.What == protocol.HeartRate {
			at = max(at, planned.At)
		}
	}
	return at
}

// heartAt is the heart rate at the end of a stage minute.
func (s *State) heartAt(p *protocol.Protocol, st *Stage, minute uint8, late bool) (float64, bool) {
	if want := st.wanted(p, minute); want > 1 {
		mean, n := st.meanAt(minute)
		return mean, n >= want
	}
	for i := int(st.NReadings) - 1; i >= 0; i-- {
		r := &st.Readings[i]
		if r.What == protocol.HeartRate && r.Slot == minute && r.sound() {
			return r.V, true
		}
	}
	if !late {
		return 0, false
	}
	due, over := st.dueAt(p, minute), overOf(p, st, protocol.HeartRate)
	for i := range s.Late[:s.NLate] {
		v := &s.Late[i]
		if v.What == protocol.HeartRate && v.Moment >= due-over && v.Moment <= due+over && v.Moment > st.Began && (st.Running() || v.Moment <= st.Ended) {
			return v.V, true
		}
	}
	return 0, false
}

// LastCounted is the index of the last stage that counts, or -1.
func (s *State) LastCounted(p *protocol.Protocol) int {
	for i := int(s.NStages) - 1; i >= 0; i-- {
		if s.Judge(p, i).Counts {
			return i
		}
	}
	return -1
}

// LastHeart is the last end-of-minute heart rate of a stage, or any usable one when it has none.
func (s *State) LastHeart(p *protocol.Protocol, i int) (hr float64, planned, ok bool) {
	if j := s.Judge(p, i); j.N > 0 {
		return j.Last, true, true
	}
	st := &s.Stages[i]
	for k := int(st.NReadings) - 1; k >= 0; k-- {
		if r := &st.Readings[k]; r.What == protocol.HeartRate && r.sound() {
			return r.V, false, true
		}
	}
	return 0, false, false
}

// RowCalled is the row that the branch stage's last reading calls for as it stands now (from 1), and that
// reading; 0 when the stage has not been judged. Near is another row within the protocol's margin, or 0.
func (s *State) RowCalled(p *protocol.Protocol) (row int, hr float64, near int) {
	if !p.Choose.Is() {
		return 0, 0, 0
	}
	after := p.Find(p.Choose.It.After)
	for i := int(s.NStages) - 1; i >= 0; i-- {
		if int(s.Stages[i].Part) != after || s.Stages[i].Superseded {
			continue
		}
		j := s.judge(p, i, false)
		// A missing reading is waited for; once another stage has begun, the last reading is all there is.
		if j.N == 0 || !j.Complete && i == s.Current() {
			return 0, 0, 0
		}
		row = rowFor(&p.Choose.It, j.Last)
		return row, j.Last, nearRow(&p.Choose.It, row, j.Last)
	}
	return 0, 0, 0
}

func rowFor(c *protocol.Choose, hr float64) int {
	for i := range c.Rows {
		if hr < c.Rows[i].Below {
			return i + 1
		}
	}
	return len(c.Rows)
}

// nearRow is the row on the other side of a limit, as it is printed, that lies within the margin: 78 to 82 are
// near the limit of 80, 98 to 102 near "up to 100".
func nearRow(c *protocol.Choose, row int, hr float64) int {
	near := func(limit float64) bool { return hr-limit <= c.Near && limit-hr <= c.Near }
	if row < len(c.Rows) && near(c.Rows[row-1].Limit()) {
		return row + 1
	}
	if row > 1 && near(c.Rows[row-2].Limit()) {
		return row - 1
	}
	return 0
}

// RowInForce is the row whose work rates come next: the one taken, else the one called for.
func (s *State) RowInForce(p *protocol.Protocol) int {
	if s.Row > 0 {
		return int(s.Row)
	}
	row, _, _ := s.RowCalled(p)
	return row
}

// Harder reports whether row a asks for more work than row b.
func Harder(p *protocol.Protocol, a, b int) bool {
	if a == 0 || b == 0 {
		return false
	}
	return *p.Choose.It.Rows[a-1].Work[0].Watts > *p.Choose.It.Rows[b-1].Work[0].Watts
}
