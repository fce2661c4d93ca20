// Package core is the conductor as the pages use it: one running test, asked and told in JSON.
//
// The page runs it as WebAssembly in a worker; the server and the tests run the same code. It keeps the test's
// events, gives new ones their ids, applies the acts that the rules call for, and answers with a [View]: what the
// page draws. No rule of a test is written here; they are all in package conduct.
package core

import (
	"encoding/json"
	"fmt"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/heartbeat"
	"gradus/protocol"
	"gradus/simulate"
)

// Core holds one test. It is not safe for concurrent use.
type Core struct {
	protocol  *protocol.Protocol
	estimator *estimate.Estimator
	state     conduct.State
	events    []conduct.Event
	body      *simulate.Body
	trace     []Dot
	devices   map[string]*device
	lock      heartbeat.LockWatch
}

// Load is what a page gets from the server when it opens a test.
type Load struct {
	Protocol  *protocol.Protocol  `json:"protocol"`
	Estimator *estimate.Estimator `json:"estimator"` // null when the protocol has none
	Events    []conduct.Event     `json:"events"`
}

// Ask is one message to the core; Op says which.
type Ask struct {
	Op     string          `json:"op"` // load, events, act, tick, view, anchor, simulate, trace, decode, window or lock
	Load   *Load           `json:"load,omitempty"`
	Events []conduct.Event `json:"events,omitempty"` // op events: as recorded elsewhere; op act: new ones, without ids
	At     int64           `json:"at_ms"`            // test time now
	Clocks *Clocks         `json:"clocks,omitempty"` // op anchor
	Minute int             `json:"minute,omitempty"` // op anchor: the minute the examiner names
	Person int             `json:"person,omitempty"` // op simulate: which invented participant
	TakeUp bool            `json:"take_up,omitempty"`
	By     string          `json:"by,omitempty"`
	Trace  *Dot            `json:"dot,omitempty"`    // op trace: a sensor value to draw
	Sensor *SensorAsk      `json:"sensor,omitempty"` // ops decode, window and lock
}

// Clocks is conduct.Clocks with times in milliseconds.
type Clocks struct {
	SameBoot bool  `json:"same_boot"`
	BootMs   int64 `json:"boot_ms"`
	HasWall  bool  `json:"has_wall"`
	WallMs   int64 `json:"wall_ms"`
}

// Dot is a value of a sensor at a moment, for the picture.
type Dot struct {
	AtMs int64   `json:"at_ms"`
	V    float64 `json:"v"`
}

// Answer is what the core says to an Ask.
type Answer struct {
	Error  string          `json:"error,omitempty"`
	Hint   string          `json:"hint,omitempty"`
	Want   *conduct.ID     `json:"want,omitempty"`   // an event that is missing
	Events []conduct.Event `json:"events,omitempty"` // new events with their ids, to be stored
	Ask    bool            `json:"ask,omitempty"`    // op anchor: ask the examiner which minute it is
	Sample *Sample         `json:"sample,omitempty"` // op simulate
	Sensed *Sensed         `json:"sensed,omitempty"` // ops decode, window and lock
	View   *View           `json:"view,omitempty"`
}

// Sample is what the sensors of the invented participant say.
type Sample struct {
	HR      float64 `json:"hr"`
	RR      float64 `json:"rr_ms"`
	Cadence float64 `json:"cadence"`
}

// JSON answers a message in JSON with one in JSON. It never fails: what went wrong is in the answer.
func (c *Core) JSON(message []byte) []byte {
	var ask Ask
	answer := Answer{}
	if err := json.Unmarshal(message, &ask); err != nil {
		answer.Error = "message: " + err.Error()
	} else {
		answer = c.Answer(ask)
	}
	out, err := json.Marshal(answer)
	if err != nil {
		out, _ = json.Marshal(Answer{Error: "answer: " + err.Error()})
	}
	return out
}

// Answer carries out one message.
func (c *Core) Answer(ask Ask) (a Answer) {
	if ask.Op == "load" {
		if err := c.load(ask.Load); err != nil {
			return fail(err)
		}
		a.View = c.View(protocol.Ms(ask.At))
		return a
	}
	if ask.Op == "decode" { // needs no test: a scale is read before there is one
		sensed, err := c.decode(ask.Sensor, ask.At)
		if err != nil {
			return fail(err)
		}
		return Answer{Sensed: sensed}
	}
	if c.protocol == nil {
		return Answer{Error: "no test is loaded", Hint: "open a test first"}
	}
	at := protocol.Ms(ask.At)
	var err error
	switch ask.Op {
	case "events":
		err = c.merge(ask.Events)
	case "act":
		a.Events, err = c.act(ask.Events, at, ask.By)
	case "tick":
		a.Events = c.due(at)
	case "anchor":
		a.Events, a.Ask, err = c.anchor(ask)
	case "simulate":
		a.Sample = c.step(ask.Person, at)
	case "trace":
		if ask.Trace == nil {
			return Answer{Error: "no value to draw came along"}
		}
		c.draw(*ask.Trace)
		return a
	case "window":
		a.Sensed, err = c.window(ask.Sensor)
	case "lock":
		a.Sensed, err = c.watchLock(ask.Sensor, ask.At)
	case "view":
	default:
		err = fmt.Errorf("no message is called %q", ask.Op)
	}
	if err != nil {
		a = fail(err)
	}
	if a.Sample == nil && a.Sensed == nil {
		a.View = c.View(at)
	}
	return a
}

func fail(err error) (a Answer) {
	a.Error = err.Error()
	switch e := err.(type) {
	case *conduct.RefusedError:
		a.Error, a.Hint = e.Msg, e.Hint
	case *conduct.GapError:
		a.Want = &e.Want
	}
	return a
}

func (c *Core) load(l *Load) error {
	if l == nil || l.Protocol == nil {
		return fmt.Errorf("the test came without its protocol")
	}
	if l.Estimator != nil {
		if err := l.Estimator.Prepare(); err != nil {
			return err
		}
	}
	s, _, err := conduct.Replay(l.Protocol, l.Events)
	if err != nil {
		return err
	}
	*c = Core{protocol: l.Protocol, estimator: l.Estimator, state: s, events: l.Events, devices: c.devices}
	return nil
}

// merge takes events that were recorded elsewhere: by the server, or by the device that holds the pen.
func (c *Core) merge(events []conduct.Event) error {
	all := c.events
	for i := range events {
		if !c.has(events[i].ID()) {
			all = append(all, events[i])
		}
	}
	s, _, err := conduct.Replay(c.protocol, all)
	if err != nil {
		return err
	}
	c.state, c.events = s, all
	return nil
}

func (c *Core) has(id conduct.ID) bool {
	for i := range c.events {
		if c.events[i].ID() == id {
			return true
		}
	}
	return false
}

// act records what the examiner did or a sensor said, and the acts that follow from it. When one is refused,
// none of them is recorded.
func (c *Core) act(events []conduct.Event, at protocol.Ms, by string) ([]conduct.Event, error) {
	state, added := c.state, []conduct.Event{}
	for _, e := range events {
		id := state.NextID()
		if e.Kind == conduct.TookOver {
			held := state.NextID()
			id = conduct.ID{Term: held.Term + 1, N: 1}
			e.Ref = conduct.ID{Term: held.Term, N: held.N - 1}
		}
		e.Term, e.N, e.By = id.Term, id.N, by
		if e.At == 0 {
			e.At = max(at, state.Now)
		}
		next, err := conduct.Apply(c.protocol, state, &e)
		if err != nil {
			return nil, err
		}
		state, added = next, append(added, e)
	}
	c.state = state
	c.events = append(c.events, added...)
	return append(added, c.due(at)...), nil
}

// due records the acts that the rules call for.
func (c *Core) due(at protocol.Ms) (added []conduct.Event) {
	for range conduct.MaxInStage {
		e, ok := c.state.Due(c.protocol, max(at, c.state.Now))
		if !ok {
			break
		}
		id := c.state.NextID()
		e.Term, e.N, e.By = id.Term, id.N, "rule"
		if err := c.state.Take(c.protocol, &e); err != nil {
			break
		}
		added = append(added, e)
		c.events = append(c.events, e)
	}
	return added
}

// anchor takes the test up again after the page, the program or the machine was gone.
func (c *Core) anchor(ask Ask) ([]conduct.Event, bool, error) {
	if ask.Clocks == nil {
		return nil, false, fmt.Errorf("no clocks came with the message")
	}
	clocks := conduct.Clocks{LastAt: c.state.Now, SameBoot: ask.Clocks.SameBoot, Boot: protocol.Ms(ask.Clocks.BootMs),
		HasWall: ask.Clocks.HasWall, Wall: protocol.Ms(ask.Clocks.WallMs)}
	e, unsure := conduct.Anchor(clocks)
	if unsure {
		if ask.Minute == 0 {
			return nil, true, nil
		}
		e = conduct.AnchorByExaminer(clocks, ask.Minute)
	}
	events := []conduct.Event{e}
	if ask.TakeUp {
		events = []conduct.Event{{Kind: conduct.TookOver, At: e.At}, e}
	}
	added, err := c.act(events, e.At, ask.By)
	return added, false, err
}

// step lets the invented participant live until a moment, at the load that is set now.
func (c *Core) step(person int, at protocol.Ms) *Sample {
	if c.body == nil {
		c.body = c.relive(simulate.Number(person))
	}
	watts, moving := c.feel(&c.state)
	s := c.body.Step(at, watts, moving)
	return &Sample{HR: s.HR, RR: s.RR, Cadence: s.Cadence}
}

// relive lets a body go through the loads of the test so far, as after a reload of the page.
func (c *Core) relive(who simulate.Person) *simulate.Body {
	body, s := simulate.Start(who, 0), conduct.State{}
	for i := range c.events {
		e := &c.events[i]
		watts, moving := c.feel(&s)
		body.Step(max(e.At, body.At), watts, moving)
		if err := s.Take(c.protocol, e); err != nil {
			continue // a refused event changed no load
		}
	}
	return body
}

// feel is the work rate a participant feels in a state, and whether there is movement at all.
func (c *Core) feel(s *conduct.State) (watts float64, moving bool) {
	switch s.Phase {
	case conduct.Riding:
		st := &s.Stages[s.Current()]
		w := &c.protocol.Parts[st.Part].Work
		return height(w, st.Set), !s.OnBreak && w.Form() != "rest"
	case conduct.Cooling:
		if i := c.protocol.Find(c.protocol.CoolDown.It.AtMost); c.protocol.CoolDown.Is() && i >= 0 {
			return height(&c.protocol.Parts[i].Work, s.CoolWork), true
		}
		return 0, true
	}
	return 0, false
}

const traceMost = 4000

func (c *Core) draw(d Dot) {
	if len(c.trace) == traceMost {
		c.trace = append(c.trace[:0], c.trace[traceMost/2:]...)
	}
	c.trace = append(c.trace, d)
}
