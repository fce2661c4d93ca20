package conduct_test

import (
	"math/rand"
	"testing"

	"pgregory.net/rapid"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/protocol"
)

// drawEvent makes one event of any kind with values at and around the numbers that matter.
func drawEvent(rt *rapid.T, p *protocol.Protocol, s *conduct.State, at protocol.Ms) conduct.Event {
	kinds := []conduct.Kind{conduct.Reading, conduct.Reading, conduct.Reading, conduct.Reading, conduct.StageBegun, conduct.StageBegun,
		conduct.Window, conduct.Observed, conduct.SignSeen, conduct.SignGone, conduct.Measuring, conduct.Break, conduct.BreakOver, conduct.Sensor,
		conduct.Note, conduct.Correct, conduct.Withdraw, conduct.Disturbed, conduct.WorkSet, conduct.Extended, conduct.Branched,
		conduct.Confirmed, conduct.Accepted, conduct.Stopped, conduct.Unstopped, conduct.CoolBegun, conduct.RestBegun, conduct.Closed, conduct.Resumed, conduct.Input}
	e := conduct.Event{At: at, Kind: rapid.SampledFrom(kinds).Draw(rt, "kind")}
	e.Ago = protocol.Ms(rapid.SampledFrom([]int{0, 0, 0, 5000, 30000, 60000, 90000}).Draw(rt, "ago"))
	e.What = rapid.SampledFrom([]protocol.Quantity{protocol.HeartRate, protocol.HeartRate, protocol.HeartRate, protocol.RPE, protocol.BloodPressure, protocol.SpO2, protocol.CadenceRate, 0}).Draw(rt, "what")
	switch e.What {
	case protocol.HeartRate:
		e.V = rapid.SampledFrom([]float64{70, 79, 80, 89, 90, 95, 100, 101, 106, 120, 130, 143.4, 144.4, 144.5, 160, 300, -1}).Draw(rt, "hr")
	case protocol.RPE:
		e.V = rapid.SampledFrom([]float64{6, 11, 13, 15, 17, 20, 25}).Draw(rt, "rpe")
	case protocol.BloodPressure:
		e.V = rapid.SampledFrom([]float64{90, 119, 140, 150, 251, 400}).Draw(rt, "sbp")
		e.V2 = rapid.SampledFrom([]float64{60, 80, 116, 200}).Draw(rt, "dbp")
	case protocol.SpO2:
		e.V = rapid.SampledFrom([]float64{80, 81, 88, 96}).Draw(rt, "spo2")
	default:
		e.V = rapid.SampledFrom([]float64{0, 30, 50, 75, 85, 100, 125, 1e9}).Draw(rt, "v")
	}
	switch e.Kind {
	case conduct.StageBegun:
		e.Code = rapid.SampledFrom([]string{"", "", "stage-1", "stage-2", "stage-3", "more", "none"}).Draw(rt, "part")
		e.V = rapid.SampledFrom([]float64{30, 50, 75, 100, 125}).Draw(rt, "w")
	case conduct.SignSeen:
		e.Code = p.Table[rapid.IntRange(0, len(p.Table)-1).Draw(rt, "sign")].ID
	case conduct.Stopped:
		e.Code = rapid.SampledFrom([]string{"wish", "fatigue", "pallor", "examiner", "nonsense"}).Draw(rt, "reason")
	case conduct.Extended:
		e.Code = rapid.SampledFrom([]string{"steady", "cuff", "missing", "examiner", ""}).Draw(rt, "why")
	case conduct.Branched:
		e.Code = rapid.SampledFrom([]string{"row-1", "row-2", "row-3", "row-4", "row-5"}).Draw(rt, "row")
	case conduct.Input:
		e.Code = rapid.SampledFrom([]string{"age_years", "mass_kg", "hr_limit_bpm", "rest_hr_bpm", "nothing"}).Draw(rt, "input")
	}
	if n := s.NextID(); n.N > 1 {
		e.Ref = conduct.ID{Term: n.Term, N: uint32(rapid.IntRange(1, int(n.N)).Draw(rt, "ref"))}
	}
	e.Slot = uint16(rapid.SampledFrom([]int{0, 0, 2, 3, 4, 9}).Draw(rt, "slot"))
	return e
}

// drawTest makes a record: began, then random events in rising time, with the acts that are due, and now and
// then a take-over. Refused events are part of the record, as in a damaged one.
func drawTest(rt *rapid.T, p *protocol.Protocol) []conduct.Event {
	var s conduct.State
	var events []conduct.Event
	take := func(e conduct.Event) {
		if e.Kind != conduct.TookOver {
			id := s.NextID()
			e.Term, e.N = id.Term, id.N
		}
		events = append(events, e)
		_ = s.Take(p, &e) // refusals are counted by the state; they are part of what is tested
	}
	take(conduct.Event{Kind: conduct.Began, Begin: &conduct.Begin{Format: conduct.FormatVersion, Protocol: p.ID, Hash: p.Hash, Inputs: healthy()}})
	at := protocol.Ms(0)
	for range rapid.IntRange(0, 60).Draw(rt, "events") {
		at += protocol.Ms(rapid.SampledFrom([]int{0, 1000, 9000, 15000, 30000, 60000, 61000, 200000}).Draw(rt, "pause"))
		if rapid.IntRange(0, 2).Draw(rt, "due") > 0 {
			for range 4 {
				act, ok := s.Due(p, at)
				if !ok {
					break
				}
				take(act)
			}
		}
		if id := s.NextID(); s.NTerms < conduct.MaxTerms-1 && rapid.IntRange(0, 40).Draw(rt, "pen") == 0 {
			take(conduct.Event{Term: id.Term + 1, N: 1, At: at, Kind: conduct.TookOver, Ref: conduct.ID{Term: id.Term, N: id.N - 1}})
			continue
		}
		take(drawEvent(rt, p, &s, at))
	}
	return events
}

// Replay of any prefix plus the rest equals the whole; any order of delivery with any duplicates gives the same
// state; time never goes back; the instruction is always defined; nothing panics.
func TestReplayProperties(t *testing.T) {
	p := stepper(t)
	e := estimator(t)
	rapid.Check(t, func(rt *rapid.T) {
		events := drawTest(rt, p)
		whole, refused, err := conduct.Replay(p, events)
		if err != nil {
			rt.Fatalf("replay: %v", err)
		}
		if int(whole.Ignored) != len(refused) {
			rt.Fatalf("%d ignored, %d refused", whole.Ignored, len(refused))
		}
		var s conduct.State
		last := protocol.Ms(0)
		for i := range events {
			_ = s.Take(p, &events[i])
			if s.Now < last {
				rt.Fatalf("time fell from %v to %v", last, s.Now)
			}
			last = s.Now
			if n := conduct.Next(p, &s, s.Now); n.Say == "" || n.Rule == "" || n.Source == "" {
				rt.Fatalf("no instruction after %d events: %+v", i+1, n)
			}
			_ = s.Take(p, &events[i]) // a duplicate
		}
		if s != whole {
			rt.Fatalf("taken one by one, and twice, the state differs")
		}
		shuffled := append([]conduct.Event{}, events...)
		shuffled = append(shuffled, events[len(events)/2:]...)
		rand.New(rand.NewSource(int64(rapid.IntRange(0, 1000).Draw(rt, "order")))).Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		if got, _, err := conduct.Replay(p, shuffled); err != nil || got != whole {
			rt.Fatalf("delivered in another order the state differs (%v)", err)
		}
		estimate.Assess(p, &whole, e)
	})
}

// What a device wrote after it lost the pen gives the same state whenever it arrives.
func TestLateFactsInAnyOrder(t *testing.T) {
	p := stepper(t)
	rapid.Check(t, func(rt *rapid.T) {
		events := drawTest(rt, p)
		s, _, _ := conduct.Replay(p, events)
		last := s.NextID()
		take := conduct.Event{Term: last.Term + 1, N: 1, At: s.Now, Kind: conduct.TookOver, Ref: conduct.ID{Term: last.Term, N: last.N - 1}}
		var late, fresh []conduct.Event
		for i := range rapid.IntRange(1, 20).Draw(rt, "late") {
			e := drawEvent(rt, p, &s, s.Now+protocol.Ms(i)*1000)
			e.Term, e.N = last.Term, last.N+uint32(i)
			late = append(late, e)
		}
		for i := range rapid.IntRange(0, 10).Draw(rt, "fresh") {
			e := drawEvent(rt, p, &s, s.Now+protocol.Ms(i)*1000)
			e.Term, e.N = last.Term+1, uint32(i+2)
			fresh = append(fresh, e)
		}
		want, _, err := conduct.Replay(p, append(append(append(append([]conduct.Event{}, events...), take), fresh...), late...))
		if err != nil {
			rt.Fatal(err)
		}
		got := s
		_ = got.Take(p, &take)
		l, f := 0, 0
		for l < len(late) || f < len(fresh) {
			if f == len(fresh) || l < len(late) && rapid.Bool().Draw(rt, "late first") {
				_ = got.Take(p, &late[l])
				l++
			} else {
				_ = got.Take(p, &fresh[f])
				f++
			}
		}
		if got != want {
			rt.Fatal("late facts change the state by when they arrive")
		}
	})
}

// Limits and stop signs are never missed: while a stage runs, a usable heart rate at or over the end point, an
// exertion at its limit, or a told stop sign is always answered by an order to end or to stop.
func TestLimitsAreNeverMissed(t *testing.T) {
	p := stepper(t)
	rapid.Check(t, func(rt *rapid.T) {
		events := drawTest(rt, p)
		var s conduct.State
		over := map[conduct.ID]bool{} // facts that end the test, kept here by a plain second reading of the rules
		for i := range events {
			e := &events[i]
			before := s.Phase
			err := s.Take(p, e)
			if err != nil {
				continue
			}
			riding := before == conduct.Riding && s.Phase == conduct.Riding
			switch e.Kind {
			case conduct.Reading:
				hr := e.What == protocol.HeartRate && e.V >= 144.5
				if riding && (hr || e.What == protocol.RPE && e.V >= 17) && e.Ago == 0 {
					over[e.ID()] = true
				}
			case conduct.SignSeen:
				if p.Table[p.SignIndex(e.Code)].Does == protocol.DoesStop && riding && e.Ago == 0 {
					over[e.ID()] = true
				}
			case conduct.Correct, conduct.Withdraw:
				delete(over, e.Ref)
			case conduct.Input:
				over = map[conduct.ID]bool{} // age and limits change what is over; the next reading counts again
			}
			n := conduct.Next(p, &s, s.Now)
			if s.Phase == conduct.Riding && len(over) > 0 && s.NSigns < conduct.MaxSignsIn && n.Do != conduct.DoEnd && n.Do != conduct.DoStop {
				if s.Limits.EndPoint <= 144.5 || hasSign(events, over) {
					rt.Fatalf("after event %d (%v %v %v): %v %q", i, e.Kind, e.What, e.V, n.Do, n.Say)
				}
			}
			if n.Do == conduct.DoSetWork && s.Standing(p, s.Now).Severity != conduct.NotEnding {
				rt.Fatalf("told to raise the load although something stands against it")
			}
		}
	})
}

func hasSign(events []conduct.Event, ids map[conduct.ID]bool) bool {
	for i := range events {
		if ids[events[i].ID()] && events[i].Kind == conduct.SignSeen {
			return true
		}
	}
	return false
}

// FuzzReplay feeds the conductor events made from bytes: no panic, the instruction is defined.
func FuzzReplay(f *testing.F) {
	p := stepper(f)
	f.Add([]byte{2, 10, 95, 3, 4, 30})
	f.Add([]byte{18, 0, 30, 4, 120, 95, 4, 60, 97, 18, 0, 75})
	f.Fuzz(func(t *testing.T, data []byte) {
		var s conduct.State
		begin := conduct.Event{Term: 1, N: 1, Kind: conduct.Began, Begin: &conduct.Begin{Format: 1, Protocol: p.ID, Inputs: healthy()}}
		if err := s.Take(p, &begin); err != nil {
			t.Fatal(err)
		}
		at := protocol.Ms(0)
		for i := 0; i+2 < len(data); i += 3 {
			at += protocol.Ms(data[i+1]) * 500
			id := s.NextID()
			e := conduct.Event{Term: id.Term, N: id.N, At: at, Kind: conduct.Kind(data[i] % 40), What: protocol.Quantity(data[i+1] % 10), V: float64(data[i+2]), V2: float64(data[i]),
				Ago: protocol.Ms(data[i+2]) * 300, Slot: uint16(data[i] % 7), Ref: conduct.ID{Term: 1, N: uint32(data[i+2] % 30)}}
			if int(data[i+1]) < len(p.Table) {
				e.Code = p.Table[data[i+1]].ID
			}
			_ = s.Take(p, &e)
			if n := conduct.Next(p, &s, at); n.Say == "" {
				t.Fatalf("no instruction: %+v", s.Phase)
			}
		}
	})
}
