package conduct_test

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"testing"

	"gradus/conduct"
	"gradus/estimate"
	estimators "gradus/estimate/library"
	"gradus/protocol"
	"gradus/protocol/library"
)

// stepper loads the shipped protocol with the shipped estimator.
func stepper(t testing.TB) *protocol.Protocol {
	t.Helper()
	p, err := library.Load("recumbent-stepper", estimators.LineOf)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func estimator(t testing.TB) *estimate.Estimator {
	t.Helper()
	e, err := estimators.ByID("recumbent-stepper-2012")
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// healthy is an invented participant for whom no special rule holds: end point 85 % of 220-50 = 144.5.
func healthy() conduct.Inputs {
	return conduct.Inputs{AgeYears: 50, Sex: conduct.Female, MassKg: 70, RestHR: 70, RestSBP: 120, RestDBP: 75,
		Drug: conduct.DrugNo, Rhythm: conduct.Sinus, Cadence: 100}
}

// A player writes a test as lines "time what …" and keeps the events.
type player struct {
	t      testing.TB
	p      *protocol.Protocol
	s      conduct.State
	events []conduct.Event
}

func play(t testing.TB, in conduct.Inputs, lines ...string) *player {
	t.Helper()
	pl := &player{t: t, p: stepper(t)}
	pl.add(conduct.Event{Kind: conduct.Began, Begin: &conduct.Begin{Format: conduct.FormatVersion, Protocol: pl.p.ID, Version: pl.p.Version, Hash: pl.p.Hash, Inputs: in}})
	pl.play(lines...)
	return pl
}

func (pl *player) add(e conduct.Event) conduct.ID {
	pl.t.Helper()
	if err := pl.try(e); err != nil {
		pl.t.Fatal(err)
	}
	return pl.events[len(pl.events)-1].ID()
}

// try gives the event the next id and applies it as a live host does.
func (pl *player) try(e conduct.Event) error {
	id := pl.s.NextID()
	if e.Kind != conduct.TookOver {
		e.Term, e.N = id.Term, id.N
	}
	next, err := conduct.Apply(pl.p, pl.s, &e)
	if err != nil {
		return err
	}
	pl.s = next
	pl.events = append(pl.events, e)
	return nil
}

// due records the acts that the rules call for at a moment.
func (pl *player) due(at protocol.Ms) {
	pl.t.Helper()
	for i := 0; ; i++ {
		act, ok := pl.s.Due(pl.p, at)
		if !ok {
			return
		}
		if i > 5 {
			pl.t.Fatalf("acts without end: %v %s", act.Kind, act.Code)
		}
		pl.add(act)
	}
}

// play reads lines: "2:00 hr 96", "3:00 stage stage-2 75", "2:30 rpe 11", "2:50 bp 140 80", "4:10 sign pallor",
// "5:00 stop wish", "6:00 correct 4 131" (event n of term 1), "3:20 hr 96 ago 0:20", "3:20 hr 96 slot 3".
func (pl *player) play(lines ...string) {
	pl.t.Helper()
	for _, line := range lines {
		e := pl.parse(line)
		pl.due(e.At)
		pl.add(e)
		pl.due(e.At)
	}
}

func (pl *player) parse(line string) conduct.Event {
	pl.t.Helper()
	f := strings.Fields(line)
	var e conduct.Event
	if err := e.At.UnmarshalText([]byte(f[0])); err != nil {
		pl.t.Fatal(err)
	}
	num := func(i int) float64 {
		v, err := strconv.ParseFloat(f[i], 64)
		if err != nil {
			pl.t.Fatalf("%s: %v", line, err)
		}
		return v
	}
	for i := 2; i+1 < len(f); i++ {
		switch f[i] {
		case "ago":
			if err := e.Ago.UnmarshalText([]byte(f[i+1])); err != nil {
				pl.t.Fatal(err)
			}
		case "slot":
			e.Slot = uint16(num(i + 1))
		}
	}
	readings := map[string]protocol.Quantity{"hr": protocol.HeartRate, "rpe": protocol.RPE, "bp": protocol.BloodPressure, "spo2": protocol.SpO2, "cadence": protocol.CadenceRate}
	kinds := map[string]conduct.Kind{"stage": conduct.StageBegun, "sign": conduct.SignSeen, "stop": conduct.Stopped, "extended": conduct.Extended, "branch": conduct.Branched}
	refs := map[string]conduct.Kind{"correct": conduct.Correct, "withdraw": conduct.Withdraw, "disturbed": conduct.Disturbed, "sign-gone": conduct.SignGone}
	what := f[1]
	switch {
	case readings[what] != 0:
		e.Kind, e.What, e.V = conduct.Reading, readings[what], num(2)
		if what == "bp" {
			e.V2 = num(3)
		}
	case what == "window":
		e.Kind, e.What, e.V = conduct.Window, readings[f[2]], num(3)
	case kinds[what] != 0:
		e.Kind, e.Code = kinds[what], f[2]
		if what == "stage" {
			e.V = num(3)
		}
	case refs[what] != 0:
		e.Kind, e.Ref = refs[what], conduct.ID{Term: 1, N: uint32(num(2))}
		if what == "correct" {
			e.V = num(3)
		}
	case what == "input":
		e.Kind, e.Code = conduct.Input, f[2]
		if v, err := strconv.ParseFloat(f[3], 64); err == nil {
			e.V = v
		} else {
			e.Word = f[3]
		}
	default:
		if err := e.Kind.UnmarshalText([]byte(what)); err != nil {
			pl.t.Fatalf("%s: %v", line, err)
		}
		if len(f) > 2 {
			if v, err := strconv.ParseFloat(f[2], 64); err == nil {
				e.V = v
			} else {
				e.Code = f[2]
			}
		}
		if e.Kind == conduct.Measuring {
			e.What = protocol.BloodPressure
		}
	}
	return e
}

func ms(t testing.TB, text string) protocol.Ms {
	t.Helper()
	var m protocol.Ms
	if err := m.UnmarshalText([]byte(text)); err != nil {
		t.Fatal(err)
	}
	return m
}

// next is the instruction at a moment, the due acts recorded first.
func (pl *player) next(at string) conduct.Instruction {
	pl.t.Helper()
	m := ms(pl.t, at)
	pl.due(m)
	return conduct.Next(pl.p, &pl.s, m)
}

// expect checks instruction and sentence at a moment.
func (pl *player) expect(at string, do conduct.Do, say string) conduct.Instruction {
	pl.t.Helper()
	n := pl.next(at)
	if n.Do != do || !strings.Contains(n.Say, say) {
		pl.t.Errorf("at %s: got %v %q (%s), want %v %q", at, n.Do, n.Say, n.Why, do, say)
	}
	return n
}

// ref is the id of the last event.
func (pl *player) ref() conduct.ID { return pl.events[len(pl.events)-1].ID() }

func (pl *player) assess() estimate.Assessment {
	return estimate.Assess(pl.p, &pl.s, estimator(pl.t))
}

func (pl *player) departures() []string {
	var out []string
	for _, d := range conduct.Departures(pl.p, &pl.s) {
		out = append(out, fmt.Sprintf("%d: %s", d.Minute, d.Text))
	}
	return out
}

func refusedBy(err error) conduct.Rule {
	var r *conduct.RefusedError
	if errors.As(err, &r) {
		return r.Rule
	}
	return ""
}

func reasonIDs(a estimate.Assessment) string {
	var ids []string
	for _, r := range a.Reasons {
		if !r.Notice {
			ids = append(ids, r.ID)
		}
	}
	return strings.Join(ids, " ")
}

func fmtFloat(v float64) string { return strconv.FormatFloat(v, 'f', 4, 64) }

func fixed1(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) }
