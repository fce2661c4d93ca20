package simulate_test

import (
	"fmt"
	"testing"

	"gradus/protocol"
	"gradus/simulate"
)

// Half a minute at a load, heart rate has gone the share 1-exp(-t/tau) of the way; after ten time constants all of it.
func TestRise(t *testing.T) {
	who := simulate.Person{RestHR: 60, Slope: 1, Tau: 30 * protocol.Second, Seed: 1}
	b := simulate.Start(who, 0)
	if s := b.Step(30*protocol.Second, 38, true); s.HR < 91.5 || s.HR > 91.7 { // 60 + 50*0.632
		t.Errorf("after one time constant %v", s.HR)
	}
	if s := b.Step(330*protocol.Second, 38, true); s.HR < 109.9 || s.HR > 110 {
		t.Errorf("steady %v", s.HR)
	}
	if s := b.Step(360*protocol.Second, 0, false); s.HR > 79 || s.Cadence != 0 {
		t.Errorf("recovery %v, cadence %v", s.HR, s.Cadence)
	}
}

func TestSameSeedSameBeats(t *testing.T) {
	for _, who := range simulate.Invented {
		a, b := simulate.Start(who, 0), simulate.Start(who, 0)
		for at := protocol.Ms(0); at < 5*protocol.Minute; at += protocol.Second {
			if x, y := a.Step(at, 75, true), b.Step(at, 75, true); x != y {
				t.Fatalf("%s at %v: %v and %v", who.Label, at, x, y)
			}
		}
	}
}

func ExampleBody_Step() {
	body := simulate.Start(simulate.Invented[0], 0)
	var s simulate.Sample
	for at := protocol.Ms(0); at <= 3*protocol.Minute; at += protocol.Second {
		s = body.Step(at, 30, true)
	}
	fmt.Printf("after 3 min at 30 W: about %.0f /min\n", s.HR)
	// Output: after 3 min at 30 W: about 102 /min
}
