package web

import (
	"log/slog"
	"testing"

	"gradus/conduct"
	"gradus/protocol"
)

// The sheet to carry on on paper says minute by minute how long the participant stood still.
func TestRestedIn(t *testing.T) {
	at := func(n uint32, s protocol.Ms, kind conduct.Kind) conduct.Event {
		return conduct.Event{Term: 1, N: n, At: s * protocol.Second, Kind: kind}
	}
	taken := at(8, 250, conduct.Withdraw)
	taken.Ref = conduct.ID{Term: 1, N: 6}
	events := []conduct.Event{at(1, 0, conduct.StageBegun), at(2, 50, conduct.Break), at(3, 75, conduct.BreakOver), at(4, 130, conduct.Break), at(5, 140, conduct.BreakOver),
		at(6, 200, conduct.Break), at(7, 240, conduct.BreakOver), taken, at(9, 290, conduct.Break), at(10, 320, conduct.Stopped)}
	for minute, want := range []protocol.Ms{10, 15, 10, 0, 10, 20} {
		from := protocol.Ms(minute) * protocol.Minute
		if got := restedIn(events, from, from+protocol.Minute) / protocol.Second; got != want {
			t.Errorf("minute %d: %d s, want %d", minute+1, got, want)
		}
	}
	lib := newShelf(newSiteFiles(nobodys{}, slog.New(slog.DiscardHandler)), false)
	for id, want := range map[string]bool{"six-minute-walk": true, "recumbent-stepper": false} {
		plan, err := lib.protocol(id)
		if err != nil {
			t.Fatal(err)
		}
		if rests(plan) != want {
			t.Errorf("%s: rests with the clock running: %v", id, !want)
		}
	}
}
