package core_test

import (
	"encoding/json"
	"testing"

	"gradus/conduct"
	"gradus/estimate"
	estimators "gradus/estimate/library"
	"gradus/internal/web/core"
	"gradus/protocol"
	"gradus/protocol/library"
)

func loadMessage(t testing.TB) core.Load {
	t.Helper()
	e, err := estimators.ByID("recumbent-stepper-2012")
	if err != nil {
		t.Fatal(err)
	}
	p, err := library.Load("recumbent-stepper", estimators.LineOf)
	if err != nil {
		t.Fatal(err)
	}
	in := conduct.Inputs{AgeYears: 58, Sex: conduct.Female, MassKg: 71, RestHR: 68, RestSBP: 124, RestDBP: 76, Drug: conduct.DrugNo, Rhythm: conduct.Sinus, BP: conduct.BPNone}
	began := conduct.Event{Term: 1, N: 1, Kind: conduct.Began, Begin: &conduct.Begin{Format: conduct.FormatVersion, Protocol: p.ID, Version: p.Version, Hash: p.Hash, Inputs: in}}
	return core.Load{Protocol: p, Estimator: e, Events: []conduct.Event{began}}
}

// ask goes through JSON both ways, as the page does.
func ask(t *testing.T, c *core.Core, a core.Ask) core.Answer {
	t.Helper()
	message, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	var out core.Answer
	if err := json.Unmarshal(c.JSON(message), &out); err != nil {
		t.Fatal(err)
	}
	return out
}

// A whole test with the invented participant, told only by instructions, ends with an estimate; a page that comes
// back in the middle goes on to the same result.
func TestWholeTestThroughTheCore(t *testing.T) {
	load := loadMessage(t)
	plain, _ := run(t, load, 0)
	torn, _ := run(t, load, 7*60_000)
	if plain.Verdict == "" || plain.Estimate == nil || !plain.Estimate.Value.Present() {
		t.Fatalf("no result: %+v", plain)
	}
	if plain.End == nil || torn.End == nil || plain.End.Stage != torn.End.Stage || plain.End.WorkW != torn.End.WorkW {
		t.Errorf("without a break %+v, with one %+v", plain.End, torn.End)
	}
}

// run follows the instructions; at the time reload (0: never) the core is thrown away and loaded from its events.
func run(t *testing.T, load core.Load, reload int64) (estimate.Assessment, []conduct.Event) {
	t.Helper()
	c := &core.Core{}
	stored := append([]conduct.Event{}, load.Events...)
	if a := ask(t, c, core.Ask{Op: "load", Load: &load}); a.Error != "" {
		t.Fatal(a.Error)
	}
	var result *core.Outcome
	for at := int64(0); at < 45*60_000; at += 1000 {
		if at == reload && reload > 0 {
			again := load
			again.Events = stored
			c = &core.Core{}
			if a := ask(t, c, core.Ask{Op: "load", Load: &again, At: at}); a.Error != "" {
				t.Fatal(a.Error)
			}
		}
		sample := ask(t, c, core.Ask{Op: "simulate", At: at}).Sample
		tick := ask(t, c, core.Ask{Op: "tick", At: at})
		stored = append(stored, tick.Events...)
		n := tick.View.Next
		var e []conduct.Event
		switch n.Do {
		case conduct.DoBegin, conduct.DoSetWork:
			e = []conduct.Event{{Kind: conduct.StageBegun, Code: n.Part, V: n.Work}}
		case conduct.DoRead:
			if n.What == protocol.HeartRate && tick.View.LeftMs <= 0 {
				e = []conduct.Event{{Kind: conduct.Reading, What: n.What, V: sample.HR, Slot: n.Slot}}
			}
		case conduct.DoEnd:
			e = []conduct.Event{{Kind: conduct.CoolBegun, V: n.Work}}
		case conduct.DoStop, conduct.DoRecover:
			if tick.View.Phase != conduct.Resting {
				e = []conduct.Event{{Kind: conduct.RestBegun}}
			}
		case conduct.DoDecide:
			e = []conduct.Event{{Kind: conduct.Accepted}}
		case conduct.DoClose:
			e = []conduct.Event{{Kind: conduct.Closed, Code: "recovered"}}
		}
		if len(e) > 0 {
			a := ask(t, c, core.Ask{Op: "act", At: at, Events: e, By: "examiner"})
			if a.Error != "" {
				t.Fatalf("at %d: %s", at/1000, a.Error)
			}
			stored = append(stored, a.Events...)
			result = a.View.Result
			if a.View.Phase == conduct.Over {
				break
			}
		}
	}
	if result == nil {
		t.Fatal("the test never ended")
	}
	s, refused, err := conduct.Replay(load.Protocol, stored)
	if err != nil || len(refused) > 0 {
		t.Fatal(err, refused)
	}
	return estimate.Assess(load.Protocol, &s, load.Estimator), stored
}
