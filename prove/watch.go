package prove

import (
	"fmt"
	"slices"

	"gradus/conduct"
	"gradus/protocol"
)

// probeKey says where a limit has been tried already: the same moment of a part needs it once.
type probeKey struct {
	part, extra uint8
	onBreak     bool
	since       protocol.Ms
}

// probe is something that must end the test, or at least hold it, at once.
type probe struct {
	name   string
	events []conduct.Event
	do     []conduct.Do
	after  protocol.Ms // how long after the events
}

var ends = []conduct.Do{conduct.DoEnd, conduct.DoStop}

// probe tries every limit and sign at a moment, and looks only at the instruction that follows.
func (x *explorer) probe(n *node) {
	st := &n.s.Stages[n.s.Current()]
	k := probeKey{part: st.Part, onBreak: n.s.OnBreak, since: n.at - st.From}
	for _, e := range st.Extra {
		k.extra += e
	}
	if x.probed[k] {
		return
	}
	x.probed[k] = true
	for _, pr := range x.probes(n) {
		x.probeOne(n, pr)
	}
}

func (x *explorer) probeOne(n *node, pr probe) {
	mark := len(x.path)
	defer func() { x.path = x.path[:mark] }()
	child := x.node(n.depth + 1)
	child.s, child.at = n.s, n.at
	for _, e := range pr.events {
		e.At = n.at
		if err := x.take(child, e); err != nil {
			x.find(Finding{Kind: NotWatched, About: pr.name, Events: x.path, Text: fmt.Sprintf("%s cannot be recorded: %v", pr.name, err), Hint: "this is a fault of the plan or of the conductor"})
			return
		}
	}
	x.watched[pr.name] = true
	ins := conduct.Next(x.p, &child.s, n.at+pr.after)
	_, due := child.s.Due(x.p, n.at+pr.after)
	if slices.Contains(pr.do, ins.Do) && !due {
		return
	}
	x.find(Finding{Kind: NotWatched, About: pr.name, Events: x.path,
		Text: fmt.Sprintf("at %v %s does not end the test: %s", n.at, pr.name, ins.Say),
		Hint: "watch it: end_point, exertion, limits or signs"})
}

// probes lists what must end the test at a moment, for this participant and plan.
func (x *explorer) probes(n *node) (all []probe) {
	p, l := x.p, &n.s.Limits
	add := func(name string, do []conduct.Do, events ...conduct.Event) {
		all = append(all, probe{name: name, events: events, do: do})
	}
	reading := func(what protocol.Quantity, v, v2 float64) conduct.Event {
		return conduct.Event{Kind: conduct.Reading, What: what, V: v, V2: v2}
	}
	heart := func(name string, beat float64) {
		add(name+", a reading", ends, reading(protocol.HeartRate, beat, 0))
		if !p.EndPoint.Is() || slices.Contains(p.EndPoint.It.Watch, protocol.WatchWindow) {
			add(name+", the running mean", ends, conduct.Event{Kind: conduct.Window, What: protocol.HeartRate, V: beat})
		}
	}
	if l.EndBeat > 0 {
		heart("end point", float64(l.EndBeat))
	}
	if l.HRLimit > 0 {
		heart("limit of heart rate", l.HRLimit)
	}
	if l.SBPLimit > 0 {
		add("limit of systolic pressure", ends, reading(protocol.BloodPressure, l.SBPLimit, 80))
	}
	if l.SpO2Limit > 0 {
		add("limit of oxygen saturation", ends, reading(protocol.SpO2, l.SpO2Limit, 0))
	}
	if l.RPELimit > 0 {
		add("limit of exertion", ends, reading(protocol.RPE, l.RPELimit, 0))
	}
	if l.RPEEnd > 0 {
		add("exertion", ends, reading(protocol.RPE, l.RPEEnd, 0))
	}
	if p.Cadence.Is() && n.s.In.Cadence > 0 {
		low := conduct.Event{Kind: conduct.Window, What: protocol.CadenceRate, V: 10}
		add("cadence", ends, slices.Repeat([]conduct.Event{low}, p.Cadence.It.Low.Times)...)
	}
	for i := range p.Table {
		sign := &p.Table[i]
		if sign.With != protocol.NoState && !n.s.In.Has(p, sign.With) {
			continue
		}
		x.probeSign(n, sign, add)
		if sign.When.Unread {
			all = append(all, x.probeSilence(n, sign)...)
		}
	}
	return all
}

// probeSilence lets the sensor fall silent: the pulse is asked for, and without one the test stops in time.
func (x *explorer) probeSilence(n *node, sign *protocol.Sign) []probe {
	lost := []conduct.Event{{Kind: conduct.Sensor, Code: "lost"}}
	asked := append([]conduct.Do{conduct.DoHoldCheck}, ends...)
	name := "sign " + sign.ID
	return []probe{{name + ", asked for", lost, asked, protocol.Second}, {name, lost, ends, sign.Within + protocol.Second}}
}

// probeSign adds a stop sign that is told, or measured against a fixed number. One that lets the participant rest with
// the clock running holds there.
func (x *explorer) probeSign(n *node, sign *protocol.Sign, add func(string, []conduct.Do, ...conduct.Event)) {
	ends := ends
	switch {
	case sign.Does == protocol.DoesPause && n.s.Phase == conduct.Riding:
		ends = append([]conduct.Do{conduct.DoBreak}, ends...)
	case sign.Does != protocol.DoesStop:
		return
	}
	name := "sign " + sign.ID
	if sign.When.Told {
		add(name, ends, conduct.Event{Kind: conduct.SignSeen, Code: sign.ID})
		return
	}
	v, ok := crossing(&sign.When)
	if !ok {
		return
	}
	e := conduct.Event{Kind: conduct.Reading, V: v}
	switch sign.When.What {
	case protocol.MeasureSBP:
		e.What, e.V2 = protocol.BloodPressure, 80
	case protocol.MeasureDBP:
		e.What, e.V, e.V2 = protocol.BloodPressure, v+30, v
	case protocol.MeasureSpO2:
		e.What = protocol.SpO2
	case protocol.MeasureHR:
		e.What = protocol.HeartRate
	case protocol.MeasureRPE:
		e.What = protocol.RPE
	default:
		return
	}
	add(name, ends, e)
}

// unwatched finds what no plan may leave out: a way for the participant to stop, symptoms, and, where the
// plan sets the load, a number that ends the test.
func (b *book) unwatched() {
	p := b.p
	wish, symptom := false, false
	for i := range p.Table {
		sign := &p.Table[i]
		stops := sign.When.Told && sign.Does == protocol.DoesStop
		wish = wish || stops && !sign.When.Symptom && sign.After == protocol.AfterActive
		symptom = symptom || stops && sign.When.Symptom && sign.After == protocol.AfterSeated
	}
	lacks := func(is bool, about, text, hint string) {
		if !is {
			b.find(Finding{Kind: NotWatched, About: about, Events: append(slices.Clone(b.sampleRiding()), b.high()...), Text: text, Hint: hint})
		}
	}
	lacks(wish, "wish to stop", "no stop sign lets the participant ask to stop", "use the sign asks-to-stop")
	lacks(symptom, "symptoms", "no symptom stops the test", "use the table's signs: all")
	sets := slices.ContainsFunc(p.Parts, func(part protocol.Part) bool {
		form := part.Work.Form()
		return form != "own-pace" && form != "rest"
	})
	lacks(!sets || p.EndPoint.Is() || p.Exertion.Is(), "effort",
		"the plan sets the load, but neither a heart rate nor an exertion ends the test", "write end_point or exertion")
	lacks(!p.EndPoint.Is() || len(p.Misleads) == 0 || p.Exertion.Is(), "heart rate that cannot lead",
		"where heart rate cannot lead, nothing else ends the test", "write exertion")
}

// sampleRiding is the shortest way into the first stage: its first reading, say.
func (b *book) sampleRiding() []conduct.Event {
	for i := range b.sample {
		if b.sample[i].Kind == conduct.StageBegun {
			return b.sample[:i+1]
		}
	}
	return b.sample
}

// high shows an event that passes without an end: a heart rate far above any end point.
func (b *book) high() []conduct.Event {
	riding := b.sampleRiding()
	if len(riding) == 0 {
		return nil
	}
	last := riding[len(riding)-1]
	at := last.At + protocol.Minute
	return []conduct.Event{{Term: last.Term, N: last.N + 1, At: at, Kind: conduct.Reading, What: protocol.HeartRate, V: 190},
		{Term: last.Term, N: last.N + 2, At: at, Kind: conduct.Reading, What: protocol.RPE, V: 19}}
}
