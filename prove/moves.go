package prove

import (
	"math"
	"slices"

	"gradus/conduct"
	"gradus/protocol"
)

// follow takes every way that the instruction of the moment opens.
func (x *explorer) follow(n *node, ins *conduct.Instruction) {
	switch ins.Do {
	case conduct.DoBegin, conduct.DoSetWork:
		x.setWork(n, ins)
	case conduct.DoRead:
		x.read(n, ins)
	case conduct.DoHoldCheck:
		x.checkAgain(n, ins)
	case conduct.DoWait, conduct.DoCool:
		x.arrive(n)
		x.pass(n, ins)
	case conduct.DoBreak:
		x.rest(n)
	case conduct.DoPutBack:
		x.pass(n, ins)
	case conduct.DoEnd, conduct.DoStop:
		x.end(n, ins)
	case conduct.DoRecover:
		if n.s.Phase == conduct.Cooling {
			x.try(n, move{at: n.at, events: []conduct.Event{{Kind: conduct.RestBegun}}})
			return
		}
		x.pass(n, ins)
		x.symptom(n)
	case conduct.DoSymptom:
		x.symptomOver(n)
	case conduct.DoPhysician:
		x.try(n, move{at: n.at, events: []conduct.Event{{Kind: conduct.Closed, Code: "physician"}}})
	case conduct.DoClose:
		x.try(n, move{at: n.at, events: []conduct.Event{{Kind: conduct.Closed, Code: "recovered"}}})
	case conduct.DoLower:
		if n.s.Phase == conduct.Cooling {
			x.try(n, move{at: n.at, events: []conduct.Event{{Kind: conduct.WorkSet, V: ins.Work}}})
		}
	}
	if ins.Do != conduct.DoRecover && ins.Do != conduct.DoClose {
		x.choices(n, ins)
	}
}

// choices takes the other ways that the instruction offers.
func (x *explorer) choices(n *node, ins *conduct.Instruction) {
	for _, c := range ins.Choices {
		if !x.w.fine && c.Rule != "conductor.repeat" && c.Events[0].Kind == conduct.Branched {
			continue
		}
		m := move{at: n.at, events: slices.Clone(c.Events), back: ins.Do == conduct.DoPutBack}
		if m.back && (n.back || !x.w.mishaps) {
			continue
		}
		for i := range m.events {
			if m.events[i].Kind == conduct.Unstopped {
				m.at += min(5*protocol.Second, x.p.Resume)
				m.events[i].At, m.quiet, m.rested = m.at, true, true
				if n.rested || !x.w.rests {
					return
				}
			}
		}
		x.try(n, m)
	}
}

func (x *explorer) setWork(n *node, ins *conduct.Instruction) {
	begin := conduct.Event{Kind: conduct.StageBegun, Code: ins.Part, V: ins.Work}
	if i := x.p.Find(ins.Part); i >= 0 {
		begin.V2 = second(&x.p.Parts[i].Work)
	}
	events := []conduct.Event{begin}
	if ins.Confirm != "" {
		events = []conduct.Event{{Kind: conduct.Confirmed}, begin}
	}
	x.try(n, move{at: n.at, events: events})
}

// second is the second number of a work rate: grade or height.
func second(w *protocol.Work) float64 {
	if w.Grade != nil {
		return *w.Grade
	}
	return w.HeightM
}

// arrive lets a participant cover the metres of a part that ends with them, at its beginning or in its second minute.
func (x *explorer) arrive(n *node) {
	if n.s.Phase != conduct.Riding {
		return
	}
	st := &n.s.Stages[n.s.Current()]
	until := x.p.Parts[st.Part].UntilM
	if until == 0 || st.Done > 0 || n.s.OnBreak {
		return
	}
	at := max(n.at, st.From+protocol.Minute)
	x.try(n, move{at: at, events: []conduct.Event{{Kind: conduct.Reading, What: protocol.Distance, V: until}}})
}

// pass lets time go by to the next moment at which something else is asked for.
func (x *explorer) pass(n *node, ins *conduct.Instruction) {
	at, ok := x.later(n, ins)
	if !ok {
		return
	}
	x.try(n, move{at: at})
}

// later finds the next moment at which the instruction is another one, or an act falls due.
func (x *explorer) later(n *node, ins *conduct.Instruction) (protocol.Ms, bool) {
	late := x.p.Readings.LateBy
	for _, from := range []protocol.Ms{ins.NextAt, n.at} {
		for _, plus := range []protocol.Ms{0, protocol.Second, late + protocol.Second, protocol.Minute + protocol.Second, protocol.Minute + late + protocol.Second} {
			at := from + plus
			if at <= n.at {
				continue
			}
			if _, due := n.s.Due(x.p, at); due {
				return at, true
			}
			next := conduct.Next(x.p, &n.s, at)
			if next.Do != ins.Do || next.What != ins.What || next.Slot != ins.Slot || next.NextAt != ins.NextAt {
				return at, true
			}
		}
	}
	return 0, false
}

// read takes the planned reading of the moment with every value that matters, and lets it go missing.
func (x *explorer) read(n *node, ins *conduct.Instruction) {
	if n.s.Phase != conduct.Riding {
		x.recoveryReading(n, ins)
		return
	}
	at := max(n.at, ins.NextAt)
	reading := func(v, v2 float64) conduct.Event {
		return conduct.Event{Kind: conduct.Reading, What: ins.What, Slot: ins.Slot, V: v, V2: v2, Ago: at - max(ins.NextAt, 0)}
	}
	for _, v := range x.values(n, ins.What) {
		x.try(n, move{at: at, danger: v.danger, events: []conduct.Event{reading(v.v, v.v2)}})
	}
	if !x.w.mishaps {
		if ins.What != protocol.HeartRate {
			x.pass(n, ins)
		}
		return
	}
	if ins.What == protocol.HeartRate {
		e := reading(x.ordinary(), 0)
		ref := n.s.NextID()
		x.try(n, move{at: at, events: []conduct.Event{e, {Kind: conduct.Disturbed, Ref: ref}}})
	}
	x.pass(n, ins)
}

// ordinary is a heart rate at which nothing happens.
func (x *explorer) ordinary() float64 {
	if x.endBeat > 0 {
		return max(float64(x.endBeat)-20, 40)
	}
	return 100
}

// value is a reading to try and what it means.
type value struct {
	v, v2  float64
	danger danger
}

// values lists the readings of a quantity on both sides of everything they are compared with.
func (x *explorer) values(n *node, what protocol.Quantity) []value {
	switch what {
	case protocol.HeartRate:
		return x.heartRates(n)
	case protocol.RPE:
		return x.exertions(n)
	case protocol.BloodPressure:
		return x.pressures(n)
	case protocol.SpO2:
		return x.saturations(n)
	case protocol.CadenceRate:
		return []value{{v: max(n.s.In.Cadence, 60)}}
	}
	return []value{{v: ordinaryOf(what)}}
}

func ordinaryOf(what protocol.Quantity) float64 {
	f := protocol.FenceOf(what)
	return math.Floor((f.Low + min(f.High, f.Low+100)) / 2)
}

// heartRates lists whole beats on both sides of every threshold: row limits and their margins, end point,
// limits, and the reading before with its tolerance.
func (x *explorer) heartRates(n *node) []value {
	beats := x.beats(&n.s, make([]float64, 0, 64))
	out := make([]value, 0, len(beats))
	over := false
	for _, v := range beats {
		d := x.heartDanger(&n.s, v)
		if d != safe && over {
			continue // beyond a limit one is as good as another
		}
		over = over || d != safe
		out = append(out, value{v: v, danger: d})
	}
	return out
}

// beats adds the whole beats to try to a list, in rising order.
func (x *explorer) beats(s *conduct.State, beats []float64) []float64 {
	fence := protocol.FenceOf(protocol.HeartRate)
	add := func(all ...float64) {
		for _, v := range all {
			beats = append(beats, min(max(math.Ceil(v), fence.Low), fence.High))
		}
	}
	if !x.w.fine {
		x.coarse(s, add)
		slices.Sort(beats)
		return slices.Compact(beats)
	}
	for _, limit := range []float64{s.Limits.EndPoint, s.Limits.HRLimit} {
		if limit > 0 {
			add(limit-1, limit)
		}
	}
	if x.branches(s) {
		c := &x.p.Choose.It
		for i := range c.Rows {
			if limit := c.Rows[i].Limit(); limit > 0 {
				add(limit-c.Near-1, limit-c.Near, c.Rows[i].Below-1, c.Rows[i].Below, limit+c.Near, limit+c.Near+1)
			}
		}
		add(fence.Low)
	}
	x.conditions(s, add)
	i := s.Current()
	if j := s.Judge(x.p, i); j.N > 0 {
		add(j.Last-x.within-1, j.Last-x.within, j.Last, j.Last+x.within, j.Last+x.within+1)
	} else {
		add(x.ordinary())
	}
	if base, ok := x.baseOf(s, i); ok {
		add(base-x.within-1, base, base+1)
	}
	slices.Sort(beats)
	return slices.Compact(beats)
}

// conditions adds both sides of the heart rates that decide whether a part is left out.
func (x *explorer) conditions(s *conduct.State, add func(...float64)) {
	for i := int(s.Stages[s.Current()].Part); i < len(x.p.Parts); i++ {
		o := x.p.Parts[i].OnlyIf
		switch {
		case o == nil:
		case o.Below > 0:
			add(o.Below-1, o.Below)
		case s.Limits.MaxHR > 0:
			limit := o.BelowPercent * s.Limits.MaxHR / 100
			add(limit-1, limit)
		}
	}
}

// coarse adds one whole beat for each thing that can come of a reading.
func (x *explorer) coarse(s *conduct.State, add func(...float64)) {
	for _, limit := range []float64{s.Limits.EndPoint, s.Limits.HRLimit} {
		if limit > 0 {
			add(limit)
		}
	}
	x.conditions(s, add)
	i := s.Current()
	j := s.Judge(x.p, i)
	switch {
	case x.branches(s):
		for _, row := range x.p.Choose.It.Rows {
			if row.Below > 0 {
				add(row.Below - 1)
			}
		}
		add(x.p.Choose.It.Rows[max(len(x.p.Choose.It.Rows)-2, 0)].Below)
	case j.N > 0:
		add(j.Last, j.Last-x.within-1)
	default:
		add(x.ordinary())
	}
	if base, ok := x.baseOf(s, i); ok {
		add(base, base+1)
	}
}

func (x *explorer) heartDanger(s *conduct.State, v float64) danger {
	l := &s.Limits
	switch {
	case l.HRLimit > 0 && v >= l.HRLimit:
		return atLimit
	case l.EndPoint > 0 && v >= l.EndPoint:
		return atEnd
	}
	return safe
}

func (x *explorer) exertions(n *node) []value {
	l := &n.s.Limits
	end, d := l.RPEEnd, atExertion
	if l.RPELimit > 0 && (end == 0 || l.RPELimit < end) {
		end, d = l.RPELimit, atLimit
	}
	if end == 0 {
		return []value{{v: 12}}
	}
	below := end - 1
	if !x.w.fine {
		below = min(below, 11) // the other participants tell no borderline exertion
	}
	return []value{{v: below}, {v: end, danger: d}}
}

// pressures rise from stage to stage; one may lie at a limit or cross a sign.
func (x *explorer) pressures(n *node) []value {
	sbp := x.ordinarySBP(n)
	out := []value{{v: sbp, v2: 80}}
	if l := n.s.Limits.SBPLimit; l > 0 {
		out = append(out, value{l, 80, atLimit})
	}
	for i := range x.p.Table {
		sign := &x.p.Table[i]
		switch w := &sign.When; {
		case w.What == protocol.MeasureSBP && w.Above != nil && sign.Does == protocol.DoesStop:
			out = append(out, value{*w.Above + 1, 80, ofSign(sign)})
		case w.What == protocol.MeasureDBP && w.Above != nil && sign.Does == protocol.DoesStop:
			out = append(out, value{max(sbp, *w.Above+10), *w.Above + 1, ofSign(sign)})
		case w.BelowRest && n.s.In.RestSBP > 0:
			out = append(out, value{v: n.s.In.RestSBP - 1, v2: 60})
		}
	}
	return out
}

func (x *explorer) ordinarySBP(n *node) float64 {
	sbp := 130 + float64(5*n.s.NStages)
	if l := n.s.Limits.SBPLimit; l > 0 {
		sbp = min(sbp, l-1)
	}
	return sbp
}

func (x *explorer) saturations(n *node) []value {
	out := []value{{v: 97}}
	if l := n.s.Limits.SpO2Limit; l > 0 {
		out = append(out, value{v: l, danger: atLimit})
	}
	for i := range x.p.Table {
		sign := &x.p.Table[i]
		if sign.When.What != protocol.MeasureSpO2 {
			continue
		}
		if v, ok := crossing(&sign.When); ok {
			d := safe
			if sign.Does == protocol.DoesStop {
				d = ofSign(sign)
			}
			out = append(out, value{v: v, danger: d})
		}
	}
	return out
}

// crossing is the value nearest to the threshold of a sign that crosses it.
func crossing(w *protocol.When) (float64, bool) {
	switch {
	case w.Above != nil:
		return *w.Above + 1, true
	case w.AtLeast != nil:
		return *w.AtLeast, true
	case w.Below != nil:
		return *w.Below - 1, true
	case w.AtMost != nil:
		return *w.AtMost, true
	}
	return 0, false
}

func ofSign(sign *protocol.Sign) danger {
	switch sign.After {
	case protocol.AfterSeated:
		return signSeated
	case protocol.AfterRest:
		return signRest
	}
	return signActive
}

// checkAgain measures a second time: cleared, confirmed, or not at all.
func (x *explorer) checkAgain(n *node, ins *conduct.Instruction) {
	at := n.at + 20*protocol.Second
	again := func(v, v2 float64, d danger) {
		x.try(n, move{at: at, danger: d, events: []conduct.Event{{Kind: conduct.Reading, What: ins.What, V: v, V2: v2}}})
	}
	end := n.s.Standing(x.p, n.at)
	d := safe
	if end.Sign >= 0 {
		d = ofSign(&x.p.Table[end.Sign])
	}
	switch ins.What {
	case protocol.HeartRate:
		again(end.Value, 0, d)
		if up := end.Limit + 1; x.heartDanger(&n.s, up) == safe {
			again(up, 0, safe)
		}
	case protocol.BloodPressure:
		again(end.Value, 60, d)
		again(max(end.Limit, x.ordinarySBP(n)), 80, safe)
	default:
		again(end.Value, 0, d)
	}
	x.try(n, move{at: end.Until + protocol.Second, danger: d})
}

// rest lets a participant who stopped move again after each time that a rule tells apart, or not at all.
func (x *explorer) rest(n *node) {
	if !n.s.OnBreak {
		x.restForSign(n)
		return
	}
	from := n.s.BreakFrom
	lengths := []protocol.Ms{30 * protocol.Second}
	if b := &x.p.Breaks.It; x.p.Breaks.Is() {
		lengths = []protocol.Ms{b.GoOn, b.AddTo, b.Restart, b.Restart + protocol.Second}
	}
	last := protocol.Ms(0)
	for _, d := range lengths {
		if d > last && from+d >= n.at {
			x.try(n, move{at: from + d, quiet: true, events: []conduct.Event{{Kind: conduct.BreakOver}}})
		}
		last = d
	}
	x.restOn(n, from+last+protocol.Second)
}

// restForSign is a rest that a value asks for: it passes, or it does not until the part is over.
func (x *explorer) restForSign(n *node) {
	sign, _ := n.s.Paused(x.p)
	if sign < 0 {
		x.restOn(n, n.at+protocol.Second)
		return
	}
	if r := x.p.Table[sign].Resume; r != nil && !n.quiet {
		if v, ok := crossing(r); ok {
			e := conduct.Event{Kind: conduct.Reading, What: protocol.SpO2, V: v}
			x.try(n, move{at: n.at + 30*protocol.Second, quiet: true, events: []conduct.Event{e}})
		}
	}
	x.restOn(n, stageEnd(x.p, &n.s))
}

// restOn is a participant who does not move again: at some time the test must end.
func (x *explorer) restOn(n *node, at protocol.Ms) {
	for _, at := range []protocol.Ms{at, stageEnd(x.p, &n.s), at + 30*protocol.Minute, at + 3*protocol.Hour} {
		if at <= n.at {
			continue
		}
		if next := conduct.Next(x.p, &n.s, at); next.Do != conduct.DoBreak {
			x.try(n, move{at: at, quiet: true})
			return
		}
	}
	x.cannotEnd(n, "a participant who stopped and does not move again is waited for without end")
}

// end ends the test the way the instruction says.
func (x *explorer) end(n *node, ins *conduct.Instruction) {
	s := &n.s
	if n.danger != safe && !n.defied && s.Phase == conduct.Riding {
		x.defy(n)
	}
	switch {
	case s.Phase == conduct.Ready:
		x.try(n, move{at: n.at, events: []conduct.Event{{Kind: conduct.Closed, Code: "examiner"}}})
	case s.Phase == conduct.StoppedAt && ins.Do == conduct.DoEnd || s.Phase == conduct.Riding && ins.Do == conduct.DoEnd && x.p.CoolDown.Is():
		x.try(n, move{at: n.at, events: []conduct.Event{{Kind: conduct.CoolBegun, V: ins.Work}}})
	case s.Phase == conduct.StoppedAt:
		x.try(n, move{at: n.at, events: []conduct.Event{{Kind: conduct.RestBegun}}})
	default:
		x.try(n, move{at: n.at, events: []conduct.Event{{Kind: conduct.Stopped, Code: x.stopCode(n)}}})
	}
}

func (x *explorer) stopCode(n *node) string {
	if end := n.s.Standing(x.p, n.at); end.Code != "" {
		return end.Code
	}
	return "completed"
}

// defy lets the examiner raise the load against the instruction: it must not be forgotten why to end.
func (x *explorer) defy(n *node) {
	part := n.s.NextPart(x.p)
	if part < 0 || n.s.NStages == conduct.MaxStages {
		return
	}
	work, _ := n.s.PlannedWork(x.p, part)
	x.try(n, move{at: n.at, defied: true, events: []conduct.Event{{Kind: conduct.StageBegun, Code: x.p.Parts[part].ID, V: work, V2: second(&x.p.Parts[part].Work)}}})
}

// recoveryReading takes a reading after the test: near rest, not yet, or missing.
func (x *explorer) recoveryReading(n *node, ins *conduct.Instruction) {
	in := &n.s.In
	rest := max(in.RestHR, 60)
	hr := func(v float64) conduct.Event {
		return conduct.Event{Kind: conduct.Reading, What: protocol.HeartRate, V: v, Slot: ins.Slot}
	}
	bp := func(v float64) conduct.Event {
		return conduct.Event{Kind: conduct.Reading, What: protocol.BloodPressure, V: v, V2: 50}
	}
	c := &x.p.Recovery.It
	at := max(n.at, ins.NextAt)
	x.try(n, move{at: at, events: []conduct.Event{bp(max(in.RestSBP, 110)), hr(rest + c.HRWithin)}})
	x.try(n, move{at: at, events: []conduct.Event{bp(max(in.RestSBP, 110) + c.SBPWithin + 1), hr(rest + c.HRWithin)}})
	x.try(n, move{at: at, events: []conduct.Event{hr(rest + c.HRWithin + 1)}})
	x.pass(n, ins)
	x.symptom(n)
}

// symptom lets a symptom come after the stop.
func (x *explorer) symptom(n *node) {
	var told [4]bool
	for i := range x.p.Table {
		sign := &x.p.Table[i]
		if n.quiet || !x.w.after || !sign.When.Symptom || told[sign.After] {
			continue
		}
		told[sign.After] = true
		x.try(n, move{at: n.at, danger: ofSign(sign), events: []conduct.Event{{Kind: conduct.SignSeen, Code: sign.ID}}})
	}
}

// symptomOver lets the symptoms pass, or the test be closed with them.
func (x *explorer) symptomOver(n *node) {
	var gone []conduct.Event
	for i := range n.s.Signs[:n.s.NSigns] {
		if m := &n.s.Signs[i]; !m.Gone && !m.Withdrawn {
			gone = append(gone, conduct.Event{Kind: conduct.SignGone, Ref: m.Ref})
		}
	}
	x.try(n, move{at: n.at + 30*protocol.Second, quiet: true, events: gone})
	x.try(n, move{at: n.at, events: []conduct.Event{{Kind: conduct.Closed, Code: "physician"}}})
	if n.s.Phase == conduct.Cooling {
		x.try(n, move{at: n.at, events: []conduct.Event{{Kind: conduct.RestBegun}}})
	}
}

// sideways takes what may happen at any planned moment: a wish, a sign, a rest, a heart rate between readings.
func (x *explorer) sideways(n *node) {
	if n.s.Phase != conduct.Riding || n.danger != safe {
		return
	}
	x.probe(n)
	x.try(n, move{at: n.at, events: []conduct.Event{{Kind: conduct.Stopped, Code: "wish"}}})
	x.silence(n)
	for _, i := range x.toldSigns() {
		sign := &x.p.Table[i]
		x.try(n, move{at: n.at, danger: ofSign(sign), events: []conduct.Event{{Kind: conduct.SignSeen, Code: sign.ID}}})
	}
	if st := &n.s.Stages[n.s.Current()]; x.w.rests && !n.quiet && !n.s.OnBreak && (!n.rested || n.at == st.From) {
		x.try(n, move{at: n.at, quiet: true, rested: true, events: []conduct.Event{{Kind: conduct.Break}}})
	}
}

// silence lets the sensor fall silent: the pulse is taken by hand and the sensor comes back, or no value comes at all.
func (x *explorer) silence(n *node) {
	st := &n.s.Stages[n.s.Current()]
	i := slices.IndexFunc(x.p.Table, func(t protocol.Sign) bool { return t.When.Unread })
	if i < 0 || !x.w.mishaps || n.s.NoSense || n.s.OnBreak || n.at != st.From {
		return
	}
	lost := func(ago protocol.Ms) conduct.Event {
		return conduct.Event{Kind: conduct.Sensor, Code: "lost", Ago: ago}
	}
	byHand, within := 20*protocol.Second, x.p.Table[i].Within+protocol.Second
	x.try(n, move{at: n.at + byHand, events: []conduct.Event{lost(byHand), {Kind: conduct.Reading, What: protocol.HeartRate, V: x.ordinary()}, {Kind: conduct.Sensor, Code: "back"}}})
	x.try(n, move{at: n.at + within, danger: ofSign(&x.p.Table[i]), events: []conduct.Event{lost(within)}})
}

// toldSigns picks one told stop sign for each advice that follows it; the others are probed.
func (x *explorer) toldSigns() (picked []int) {
	var have [4]bool
	for i := range x.p.Table {
		sign := &x.p.Table[i]
		if sign.When.Told && sign.Does == protocol.DoesStop && !have[sign.After] {
			have[sign.After] = true
			picked = append(picked, i)
		}
	}
	return picked
}

// stageEnd is the moment the running stage is over.
func stageEnd(p *protocol.Protocol, s *conduct.State) protocol.Ms {
	st := &s.Stages[s.Current()]
	return st.From + st.Length(p) + protocol.Second
}
