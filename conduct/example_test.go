package conduct_test

import (
	"fmt"

	"gradus/conduct"
	estimators "gradus/estimate/library"
	"gradus/protocol"
	"gradus/protocol/library"
)

// shipped loads the stepper test with the equation that it looks ahead with.
func shipped() *protocol.Protocol {
	p, err := library.Load("recumbent-stepper", estimators.LineOf)
	if err != nil {
		panic(err)
	}
	return p
}

// invented is a participant of 50 years, so the test ends at 85 % of 220 - 50: 144.5, the whole beat 145.
var invented = conduct.Inputs{AgeYears: 50, Sex: conduct.Female, MassKg: 70, RestHR: 70,
	Drug: conduct.DrugNo, Rhythm: conduct.Sinus, Cadence: 100, BP: conduct.BPNone}

// A live test, as a page runs it: once a second the host records what is due, asks what to do, and records
// what the examiner did. Here the examiner does at once what the instruction says, and the heart rates come
// from a list.
func Example() {
	p := shipped()
	var s conduct.State
	record := func(e conduct.Event) {
		id := s.NextID()
		e.Term, e.N = id.Term, id.N
		next, err := conduct.Apply(p, s, &e) // a host stores the event before it shows the new state
		if err != nil {
			fmt.Println(err)
			return
		}
		s = next
	}
	heart := []float64{96, 98, 119, 122, 126, 133, 135, 141, 146}
	follow := func(now protocol.Ms, do conduct.Instruction) (done bool) {
		switch {
		case do.Do == conduct.DoBegin || do.Do == conduct.DoSetWork:
			fmt.Println(now, do.Say)
			record(conduct.Event{At: now, Kind: conduct.StageBegun, Code: do.Part, V: do.Work})
		case do.Do == conduct.DoRead && do.What == protocol.RPE:
			record(conduct.Event{At: now, Kind: conduct.Reading, What: do.What, V: 12})
		case do.Do == conduct.DoRead && do.Left <= 0: // the window of the heart rate ends
			record(conduct.Event{At: now, Kind: conduct.Reading, What: do.What, V: heart[0], Src: conduct.Strap})
			heart = heart[1:]
		case do.Do == conduct.DoEnd:
			fmt.Println(now, do.Say, do.Why)
			record(conduct.Event{At: now, Kind: conduct.Stopped, Code: "end-point"})
		default:
			return false
		}
		return true
	}

	record(conduct.Event{Kind: conduct.Began, Begin: &conduct.Begin{
		Format: conduct.FormatVersion, Protocol: p.ID, Version: p.Version, Hash: p.Hash, Inputs: invented}})
	for now := protocol.Ms(0); s.Phase <= conduct.Riding; now += protocol.Second {
		for {
			if act, ok := s.Due(p, now); ok {
				record(act)
				fmt.Println(now, "by rule:", act.Kind, act.Code, "-", conduct.Next(p, &s, now).Why)
			} else if !follow(now, conduct.Next(p, &s, now)) || s.Phase > conduct.Riding {
				break
			}
		}
	}
	last := s.LastCounted(p)
	fmt.Printf("%d stages; the last that counts: %g W, steady: %v\n", s.NStages, s.Stages[last].Set, s.Judge(p, last).Steady)
	// Output:
	// 0:00 Set 30 W.
	// 3:00 by rule: branched row-3 - Last reading of stage 1: 98, so row 3 (90 to 100). Row 4 (above 100) is within 2 beats.
	// 3:00 Set 75 W.
	// 6:00 Set 100 W.
	// 9:00 by rule: extended steady - 126, then 133: 7 apart, more than 5.
	// 10:00 Set 125 W.
	// 13:00 Planned end reached. Set the cool-down, 30 W. 146 is at or above 145, the first whole beat at 85 % of 170.
	// 4 stages; the last that counts: 125 W, steady: true
}

// A record arrives in any order, some events twice, and one reading was mistyped and corrected. The state is
// the same as if all had come in order; what was done stays done, what was read counts as corrected.
func ExampleReplay() {
	p := shipped()
	at := func(n uint32, at protocol.Ms, e conduct.Event) conduct.Event {
		e.Term, e.N, e.At = 1, n, at
		return e
	}
	heart := func(v float64) conduct.Event {
		return conduct.Event{Kind: conduct.Reading, What: protocol.HeartRate, V: v}
	}
	events := []conduct.Event{
		at(4, 3*protocol.Minute, heart(89)),
		at(1, 0, conduct.Event{Kind: conduct.Began, Begin: &conduct.Begin{Format: conduct.FormatVersion, Protocol: p.ID, Hash: p.Hash, Inputs: invented}}),
		at(3, 2*protocol.Minute, heart(95)),
		at(2, 0, conduct.Event{Kind: conduct.StageBegun, Code: "stage-1", V: 30}),
		at(3, 2*protocol.Minute, heart(95)), // delivered twice
		at(7, 4*protocol.Minute, conduct.Event{Kind: conduct.Correct, Ref: conduct.ID{Term: 1, N: 4}, V: 98}),
		at(6, 3*protocol.Minute, conduct.Event{Kind: conduct.StageBegun, Code: "stage-2", V: 100}),
		at(5, 3*protocol.Minute, conduct.Event{Kind: conduct.Branched, Code: "row-2"}),
	}
	s, refused, err := conduct.Replay(p, events)
	fmt.Println(len(refused), err)
	do := conduct.Next(p, &s, s.Now)
	fmt.Println(do.Say, do.Why)
	for _, d := range conduct.Departures(p, &s) {
		fmt.Printf("minute %d: %s\n", d.Minute, d.Text)
	}
	// Output:
	// 0 <nil>
	// Lower to 75 W now. Last reading of stage 1: 98, so row 3 (90 to 100). Row 4 (above 100) is within 2 beats.
	// minute 4: row 2 (100, 125, 150 W) ridden, 98 calls for row 3 (75, 100, 125 W)
}

// A stop sign outranks everything, and what follows depends on the sign: after chest discomfort nobody is
// told to set 30 W.
func ExampleNext() {
	p := shipped()
	s, _, err := conduct.Replay(p, []conduct.Event{
		{Term: 1, N: 1, Kind: conduct.Began, Begin: &conduct.Begin{Format: conduct.FormatVersion, Protocol: p.ID, Hash: p.Hash, Inputs: invented}},
		{Term: 1, N: 2, Kind: conduct.StageBegun, Code: "stage-1", V: 30},
		{Term: 1, N: 3, At: 80 * protocol.Second, Kind: conduct.SignSeen, Code: "chest-discomfort"},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	do := conduct.Next(p, &s, s.Now)
	fmt.Println(do.Do, do.Say, do.Why)
	fmt.Println(do.Rule, "/", do.Source)
	s, err = conduct.Apply(p, s, &conduct.Event{Term: 1, N: 4, At: 82 * protocol.Second, Kind: conduct.Stopped, Code: "chest-discomfort"})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(conduct.Next(p, &s, s.Now).Say)
	// Output:
	// stop Stop now. Chest pain, pressure or tightness.
	// signs / Guidelines for exercise testing and prescription: general indications for stopping an exercise test in low-risk adults (read in the source)
	// Stop stepping. Stay seated. Heart rate and blood pressure now. Follow the emergency plan.
}
