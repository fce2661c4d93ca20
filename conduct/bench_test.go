package conduct_test

import (
	"testing"

	"gradus/conduct"
	"gradus/protocol"
)

// wholeTest is a test of four stages with readings, exertion, pressure, window means, an extra minute, cool-down
// and recovery, as a host records it.
func wholeTest(t testing.TB) (*protocol.Protocol, []conduct.Event) {
	pl := play(t, healthy(),
		"0:00 stage stage-1 30", "2:00 hr 95", "2:05 measuring", "2:30 rpe 9", "2:40 bp 130 75", "3:00 hr 98",
		"3:00 stage stage-2 75", "4:00 window hr 108", "5:00 hr 112", "5:05 measuring", "5:30 rpe 11", "5:40 bp 140 75", "6:00 hr 119", "7:00 hr 121",
		"7:00 stage stage-3 100", "8:00 window hr 126", "9:00 hr 129", "9:05 measuring", "9:30 rpe 12", "9:40 bp 150 75", "10:00 hr 131", "10:00 observed 99",
		"10:00 stage stage-4 125", "11:00 window hr 136", "12:00 hr 138", "12:05 measuring", "12:30 rpe 14", "12:40 bp 160 75", "13:00 hr 141",
		"13:00 cool-down 30", "14:00 hr 120", "15:00 recovery", "15:00 hr 105", "15:10 bp 140 70", "16:00 hr 95", "17:00 hr 88", "18:00 hr 84", "18:10 bp 125 70", "18:15 closed recovered")
	return pl.p, pl.events
}

// BenchmarkReplay folds a whole recorded test through the shipped protocol; one op is one event.
func BenchmarkReplay(b *testing.B) {
	p, events := wholeTest(b)
	b.ReportAllocs()
	b.ResetTimer()
	for n := 0; n < b.N; n += len(events) {
		if _, refused, err := conduct.Replay(p, events); err != nil || len(refused) > 0 {
			b.Fatal(err, refused)
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "events/s")
}

// BenchmarkNext asks for the instruction of the moment in the middle of a stage.
func BenchmarkNext(b *testing.B) {
	p, events := wholeTest(b)
	s, _, err := conduct.Replay(p, events[:20])
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		conduct.Next(p, &s, s.Now)
	}
}

// Taking events of a running test allocates nothing.
func TestTakeAllocatesNothing(t *testing.T) {
	p, events := wholeTest(t)
	perRun := testing.AllocsPerRun(20, func() {
		var s conduct.State
		for i := range events {
			if err := s.Take(p, &events[i]); err != nil {
				t.Fatal(err)
			}
		}
	})
	// Only began, which looks up the formula of maximal heart rate, may allocate.
	began := testing.AllocsPerRun(20, func() {
		var s conduct.State
		if err := s.Take(p, &events[0]); err != nil {
			t.Fatal(err)
		}
	})
	if perRun > began {
		t.Errorf("%v allocations for the whole test, %v for its beginning", perRun, began)
	}
}
