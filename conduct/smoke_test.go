package conduct_test

import (
	"testing"

	"gradus/conduct"
	"gradus/protocol"
	"gradus/protocol/library"
)

var line = protocol.Line{Constant: 125.707, Age: -0.476, Mass: -0.451, Male: 7.686, Work: 0.179, HeartRate: -0.415}

func stepper(t testing.TB) *protocol.Protocol {
	p, err := library.Load("recumbent-stepper", func(string) (protocol.Line, bool) { return line, true })
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// run drives a test minute by minute: answers gives the heart rate at the end of test minute m.
func TestSmoke(t *testing.T) {
	p := stepper(t)
	var s conduct.State
	take := func(e conduct.Event) {
		id := s.NextID()
		e.Term, e.N = id.Term, id.N
		if err := s.Take(p, &e); err != nil {
			t.Fatal(err)
		}
	}
	take(conduct.Event{Kind: conduct.Began, Begin: &conduct.Begin{Format: 1, Protocol: p.ID, Hash: p.Hash,
		Inputs: conduct.Inputs{AgeYears: 34, Sex: conduct.Male, MassKg: 82, RestHR: 65, RestSBP: 120, Drug: conduct.DrugNo, BP: conduct.BPNone}}})
	answers := map[int]float64{2: 96, 3: 98, 5: 119, 6: 126, 7: 124, 9: 135, 10: 139, 12: 152, 13: 159, 14: 120, 15: 110, 16: 100, 17: 90, 18: 84, 19: 80}
	last := ""
	for at := protocol.Ms(0); at < 25*protocol.Minute; at += protocol.Second {
		for {
			act, ok := s.Due(p, at)
			if !ok {
				break
			}
			t.Logf("%v   ACT %v %s", at, act.Kind, act.Code)
			take(act)
		}
		n := conduct.Next(p, &s, at)
		if n.Say != last && at%(15*protocol.Second) == 0 || n.Do != conduct.DoWait && n.Say != last {
			t.Logf("%v %v | %s | %s | %s %s", at, n.Do, n.Say, n.Why, n.Rule, n.Source)
			for _, w := range n.Warnings {
				t.Logf("      ! %s", w.Say)
			}
			for _, c := range n.Choices {
				t.Logf("      > %s", c.Say)
			}
			if n.Confirm != "" {
				t.Logf("      ? %s", n.Confirm)
			}
			last = n.Say
		}
		switch n.Do {
		case conduct.DoBegin, conduct.DoSetWork:
			take(conduct.Event{At: at, Kind: conduct.StageBegun, Code: n.Part, V: n.Work})
		case conduct.DoRead:
			if n.What == protocol.HeartRate && n.Left <= 0 {
				if hr, ok := answers[int(at/protocol.Minute)]; ok {
					take(conduct.Event{At: at, Kind: conduct.Reading, What: n.What, V: hr, Slot: n.Slot})
				}
			} else if n.What == protocol.RPE {
				take(conduct.Event{At: at, Kind: conduct.Reading, What: n.What, V: 11, Slot: n.Slot})
			}
		case conduct.DoEnd:
			take(conduct.Event{At: at, Kind: conduct.CoolBegun, V: n.Work})
		case conduct.DoRecover:
			if s.Phase == conduct.Cooling {
				take(conduct.Event{At: at, Kind: conduct.RestBegun})
			}
		case conduct.DoClose:
			take(conduct.Event{At: at, Kind: conduct.Closed, Code: "recovered"})
		}
	}
	for _, d := range conduct.Departures(p, &s) {
		t.Logf("departure %d: %s", d.Minute, d.Text)
	}
	t.Logf("last counted %d stop %s", s.LastCounted(p), s.Stop.Code)
}
