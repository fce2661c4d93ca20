package gatt

import (
	"math"
	"math/rand/v2"
	"testing"
)

// A pedaller at a steady cadence, with packets once a second on a slightly uneven clock, across many turns of
// both counters: each new rate is within 2 % of the true one.
func TestTrackerSteadyCadence(t *testing.T) {
	random := rand.New(rand.NewPCG(60, 1))
	for _, cadence := range []float64{25, 41, 50, 60.5, 75, 90, 110, 160} {
		tracker := NewCrankTracker()
		start := random.IntN(1 << 16)
		news := 0
		for second := range 1200 {
			atMs := int64(second)*1000 + random.Int64N(80)
			turns := math.Floor(float64(atMs) / 60000 * cadence)
			eventMs := turns / cadence * 60000
			crank := Crank{Revolutions: uint16(start + int(turns)), EventTicks: uint16(int(eventMs*1.024) & 0xFFFF)}
			rate, ok := tracker.AddCrank(atMs, crank)
			if !ok {
				continue
			}
			news++
			if math.Abs(rate-cadence) > 0.02*cadence {
				t.Fatalf("cadence %v at %d ms: %v", cadence, atMs, rate)
			}
			if now, known := tracker.Now(atMs + 900); !known || now != rate {
				t.Fatalf("a moment later %v %v", now, known)
			}
		}
		if news < int(1000*math.Min(1, cadence/60)) {
			t.Errorf("cadence %v: only %d rates", cadence, news)
		}
	}
}

func TestTrackerTurnsOver(t *testing.T) {
	tracker := NewCrankTracker()
	tracker.AddCrank(0, Crank{65535, 65000})
	if rate, ok := tracker.AddCrank(1000, Crank{0, 488}); !ok || rate != 60 {
		t.Errorf("got %v %v, want 60", rate, ok)
	}
	wheel := NewWheelTracker(2048)
	wheel.AddWheel(0, Wheel{Revolutions: 4294967295, EventTicks: 65000, TicksPerSecond: 2048})
	if rate, ok := wheel.AddWheel(1000, Wheel{Revolutions: 3, EventTicks: 1512, TicksPerSecond: 2048}); !ok || rate != 240 {
		t.Errorf("got %v %v, want 240", rate, ok)
	}
}

func TestTrackerStops(t *testing.T) {
	tracker := NewCrankTracker()
	if _, known := tracker.Now(0); known {
		t.Error("a rate before the first packet")
	}
	tracker.AddCrank(0, Crank{10, 0})
	if _, known := tracker.Now(1000); known {
		t.Error("a rate from one packet")
	}
	tracker.AddCrank(1000, Crank{11, 1024})
	for _, c := range []struct {
		nowMs int64
		want  float64
	}{{1000, 60}, {4000, 60}, {4001, 0}, {60000, 0}} {
		tracker.AddCrank(c.nowMs, Crank{11, 1024}) // still sending, not turning
		if rate, known := tracker.Now(c.nowMs); !known || rate != c.want {
			t.Errorf("at %d ms: %v %v, want %v", c.nowMs, rate, known, c.want)
		}
	}
	if _, ok := tracker.AddCrank(70000, Crank{12, 5000}); ok {
		t.Error("a rate across a pause in which the clock turned over")
	}
	if rate, ok := tracker.AddCrank(71000, Crank{13, 6024}); !ok || rate != 60 {
		t.Errorf("after the pause: %v %v", rate, ok)
	}
}

func TestTrackerRestartsAndNonsense(t *testing.T) {
	tracker := NewCrankTracker()
	tracker.AddCrank(0, Crank{500, 10000})
	if rate, ok := tracker.AddCrank(1000, Crank{2, 700}); ok {
		t.Errorf("the counter began anew, yet %v", rate)
	}
	if rate, ok := tracker.AddCrank(2000, Crank{3, 1724}); !ok || rate != 60 {
		t.Errorf("after it: %v %v", rate, ok)
	}
	if rate, ok := tracker.AddCrank(3000, Crank{4, 1724}); ok {
		t.Errorf("a revolution in no time: %v", rate)
	}
	tracker.Lost()
	if _, ok := tracker.AddCrank(4000, Crank{5, 3000}); ok {
		t.Error("a rate across a lost connection")
	}
}
