package web

import (
	"math"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/internal/web/core"
	"gradus/protocol"
	"gradus/simulate"
)

// A dry run ends here whatever the plan says, ms of test time; our own choice.
const tryMostMs = 4 * 60 * 60 * 1000

// tryout drives a plan with an invented participant who does what is asked, and an examiner who follows every
// instruction at once. It returns what the conductor shows at the end, and its events.
func tryout(plan *protocol.Protocol, e *estimate.Estimator, person int) (*core.View, []conduct.Event, error) {
	who := simulate.Number(person)
	return try(plan, e, conduct.Inputs{AgeYears: 52, Sex: conduct.Female, MassKg: 70, HeightCm: 168, RestHR: who.RestHR, RestSBP: 124, RestDBP: 78,
		Drug: conduct.DrugNo, Rhythm: conduct.Sinus, Cadence: who.Cadence, BP: conduct.BPNone, Machine: conduct.ShowsWatts}, person, "dry run")
}

// try is a dry run of somebody.
func try(plan *protocol.Protocol, e *estimate.Estimator, in conduct.Inputs, person int, by string) (*core.View, []conduct.Event, error) {
	began := conduct.Event{Term: 1, N: 1, Kind: conduct.Began, By: by, Begin: &conduct.Begin{Format: conduct.FormatVersion, Protocol: plan.ID, Version: plan.Version, Hash: plan.Hash, Inputs: in}}
	load := core.Load{Protocol: plan, Events: []conduct.Event{began}}
	if e != nil {
		own := *e
		load.Estimator = &own
	}
	return drive(&load, person)
}

// drive goes on with a test that has begun.
func drive(load *core.Load, person int) (*core.View, []conduct.Event, error) {
	d := &driver{plan: load.Protocol, person: person, events: load.Events, by: load.Events[0].By}
	a := d.c.Answer(core.Ask{Op: "load", Load: load})
	if a.View == nil {
		return nil, nil, &askError{Field: "protocol", Msg: a.Error, Hint: a.Hint}
	}
	d.view = a.View
	for at := int64(0); at < tryMostMs && d.view.Phase != conduct.Over; at += 1000 {
		d.second(at)
	}
	return d.view, d.events, nil
}

// driver is the examiner of a dry run.
type driver struct {
	c      core.Core
	plan   *protocol.Protocol
	person int
	view   *core.View
	events []conduct.Event
	hr     float64
	walked int64 // when the last lap was counted
	by     string
}

func (d *driver) take(a core.Answer) {
	d.events = append(d.events, a.Events...)
	if a.View != nil {
		d.view = a.View
	}
}

func (d *driver) act(at int64, events ...conduct.Event) {
	d.take(d.c.Answer(core.Ask{Op: "act", At: at, Events: events, By: d.by}))
}

// second lets one second pass and does what is asked then.
func (d *driver) second(at int64) {
	if a := d.c.Answer(core.Ask{Op: "simulate", At: at, Person: d.person}); a.Sample != nil {
		d.hr = a.Sample.HR
	}
	d.take(d.c.Answer(core.Ask{Op: "tick", At: at}))
	d.lap(at)
	for range 8 {
		before := len(d.events)
		d.follow(at)
		if len(d.events) == before {
			return
		}
	}
}

// lapMs is how long a metre takes the invented walker, ms.
const lapMs = 830

func (d *driver) lap(at int64) {
	g := d.view.Ground
	if g == nil || g.CourseM == 0 || d.view.Beep != nil || d.view.Phase != conduct.Riding {
		d.walked = at
		return
	}
	if float64(at-d.walked) >= g.CourseM*lapMs {
		d.walked = at
		d.act(at, conduct.Event{Kind: conduct.Reading, What: protocol.Distance, V: g.CourseM, Src: conduct.Typed})
	}
}

// follow does what the instruction of the moment says.
func (d *driver) follow(at int64) {
	n := &d.view.Next
	switch n.Do {
	case conduct.DoBegin, conduct.DoSetWork:
		if n.Confirm != "" {
			d.act(at, conduct.Event{Kind: conduct.Confirmed})
			return
		}
		d.act(at, conduct.Event{Kind: conduct.StageBegun, Code: n.Part, V: n.Work, V2: d.view.Asked.Second})
	case conduct.DoRead, conduct.DoHoldCheck:
		if n.What != protocol.HeartRate || n.Left <= 0 {
			d.read(at, n)
		}
	case conduct.DoLower, conduct.DoDecide, conduct.DoPutBack:
		if len(n.Choices) > 0 {
			d.act(at, n.Choices[0].Events...)
		}
	case conduct.DoEnd:
		if d.plan.CoolDown.Is() {
			d.act(at, conduct.Event{Kind: conduct.CoolBegun, V: n.Work})
			return
		}
		d.act(at, conduct.Event{Kind: conduct.RestBegun})
	case conduct.DoStop:
		d.act(at, conduct.Event{Kind: conduct.RestBegun})
	case conduct.DoRecover:
		if d.view.Phase == conduct.Cooling {
			d.act(at, conduct.Event{Kind: conduct.RestBegun})
		}
	case conduct.DoClose:
		d.act(at, conduct.Event{Kind: conduct.Closed, Code: "recovered"})
	case conduct.DoPhysician:
		d.act(at, conduct.Event{Kind: conduct.Closed, Code: "physician"})
	}
}

// read gives the value that is asked for; those that no model gives are invented and unremarkable.
func (d *driver) read(at int64, n *conduct.Instruction) {
	e := conduct.Event{Kind: conduct.Reading, What: n.What, Slot: n.Slot, Src: conduct.Typed}
	switch n.What {
	case protocol.HeartRate:
		e.V, e.Src = math.Round(d.hr), conduct.Strap
	case protocol.RPE:
		e.V = 12
	case protocol.BloodPressure:
		e.V, e.V2 = 142, 80
	case protocol.SpO2:
		e.V = 97
	case protocol.Distance:
		e.V = 12
	case protocol.Breathless:
		e.V = 3
	case protocol.CadenceRate:
		e.V = 60
	case protocol.WorkRate:
		e.V = d.view.Work
	}
	d.act(at, e)
}
