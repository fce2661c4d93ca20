package heartbeat

import (
	"math"
	"math/rand/v2"
	"testing"
)

const tick800 = 819 // 799.8 ms

// steady sends one interval of 800 ms about every 800 ms.
func steady(w *Window, fromMs, toMs int64) {
	for now := fromMs; now <= toMs; now += 800 {
		w.AddIntervals(now, []uint16{tick800})
	}
}

func TestWindowQuality(t *testing.T) {
	for _, c := range []struct {
		name string
		send func(w *Window)
		now  int64
		poor Reason
		used int
	}{
		{"nothing", func(*Window) {}, 15000, NoData, 0},
		{"steady", func(w *Window) { steady(w, 0, 16000) }, 16000, None, 18},
		{"just begun", func(w *Window) { steady(w, 13000, 15000) }, 15000, TooFew, 3},
		{"half a window", func(w *Window) { steady(w, 8000, 16000) }, 16000, Gap, 11},
		{"silent for 3 s", func(w *Window) { steady(w, 0, 16000) }, 19000, None, 15},
		{"silent for longer", func(w *Window) { steady(w, 0, 16000) }, 19001, Gap, 14},
		{"a hole", func(w *Window) { steady(w, 0, 8000); steady(w, 12000, 16000) }, 16000, Gap, 14},
		{"a small hole", func(w *Window) { steady(w, 0, 8000); steady(w, 11200, 16000) }, 16000, None, 15},
		{"old beats", func(w *Window) { steady(w, 0, 16000) }, 40000, NoData, 0},
	} {
		w := NewWindow(Window15s)
		c.send(&w)
		r := w.Reading(c.now)
		if r.Poor != c.poor || r.Used != c.used {
			t.Errorf("%s: %v; want %q with %d", c.name, r, c.poor, c.used)
		}
		if r.Used > 0 && math.Abs(r.RatePerMin-60000/799.8046875) > 1e-9 {
			t.Errorf("%s: %v", c.name, r)
		}
	}
}

// Two faults among 20 beats are not more than 10 %, three are.
func TestWindowManyDropped(t *testing.T) {
	for faults, want := range map[int]Reason{0: None, 1: None, 2: ManyDropped} {
		w := NewWindow(Window15s)
		steady(&w, 0, 4000)
		at := int64(4000)
		for range faults {
			at += 1600
			w.AddIntervals(at, []uint16{2 * tick800}) // a missed beat
			at += 800
			w.AddIntervals(at, []uint16{tick800})
		}
		steady(&w, at+800, 16000)
		r := w.Reading(16000)
		if r.Dropped != faults || r.Poor != want || math.Abs(r.RatePerMin-75) > 0.1 {
			t.Errorf("%d missed beats: %v", faults, r)
		}
	}
}

func TestVerdicts(t *testing.T) {
	base := []float64{800, 805, 795, 800, 810, 800}
	for _, c := range []struct {
		name  string
		in    []float64
		want  []Verdict
		count int
	}{
		{"missed", []float64{1600}, []Verdict{Missed}, 2},
		{"extra", []float64{300, 500}, []Verdict{Extra, Partner}, 1},
		{"early", []float64{520, 1080}, []Verdict{Displaced, Partner}, 2},
		{"late", []float64{1050, 550}, []Verdict{Displaced, Partner}, 2},
		{"too long", []float64{2600}, []Verdict{OutOfRange}, 0},
		{"no interval", []float64{0}, []Verdict{OutOfRange}, 0},
		{"not a number", []float64{math.NaN()}, []Verdict{OutOfRange}, 0},
		{"stray", []float64{1100}, []Verdict{Implausible}, 0},
	} {
		in := append(append(append([]float64(nil), base...), c.in...), base...)
		got := Clean(nil, in)
		beats := 0
		for i, v := range got {
			n, _ := usable(in, got, i)
			beats += n
			want := Accepted
			if k := i - len(base); k >= 0 && k < len(c.want) {
				want = c.want[k]
			}
			if v != want {
				t.Errorf("%s: interval %d is %v, want %v", c.name, i, v, want)
			}
		}
		if beats != 2*len(base)+c.count {
			t.Errorf("%s: %d beats, want %d", c.name, beats, 2*len(base)+c.count)
		}
	}
}

// A true jump of the rate is followed: the reference does not stay behind.
func TestCleanFollowsAJump(t *testing.T) {
	var ms []float64
	for range 20 {
		ms = append(ms, 900)
	}
	for range 20 {
		ms = append(ms, 600)
	}
	rejected := 0
	for _, v := range Clean(nil, ms) {
		rejected += one(v != Accepted)
	}
	if rejected > restartAfter {
		t.Errorf("%d intervals rejected", rejected)
	}
}

func TestCleanAppends(t *testing.T) {
	got := Clean([]Verdict{Missed}, []float64{800, 800})
	if len(got) != 3 || got[0] != Missed || got[2] != Accepted {
		t.Errorf("%v", got)
	}
	if len(Clean(nil, nil)) != 0 {
		t.Error("verdicts on nothing")
	}
}

func TestRates(t *testing.T) {
	w := NewWindow(Window15s)
	for s := range int64(20) {
		v := 120 + float64(s%2)
		if s == 10 {
			v = 0
		}
		w.AddRate(s*1000, v)
	}
	r := w.Reading(19000)
	if !r.FromRates || r.Used != 14 || r.Dropped != 1 || !r.OK() || math.Abs(r.RatePerMin-120.5714286) > 1e-6 {
		t.Errorf("%v %+v", r, r)
	}
	w.AddIntervals(19000, []uint16{500, 500, 500})
	if r := w.Reading(19000); r.FromRates {
		t.Error("rates were used although intervals came")
	}
	if w.AddRate(18000, 120) || w.AddIntervals(18999, nil) {
		t.Error("an arrival before an earlier one was taken")
	}
	w.Clear()
	if r := w.Reading(19000); r.Poor != NoData || !w.AddRate(1, 80) {
		t.Errorf("after Clear: %v", r)
	}
}

func TestRatesGapAndFence(t *testing.T) {
	w := NewWindow(Window10s)
	for _, s := range []int64{0, 1, 2, 3, 4, 5, 9} {
		w.AddRate(s*1000, 100)
	}
	if r := w.Reading(9500); r.Poor != Gap {
		t.Errorf("a hole of 4 s: %v", r)
	}
	for _, v := range []float64{29.9, 240.1, math.NaN(), -5, math.Inf(1)} {
		w := NewWindow(Window10s)
		for s := range int64(10) {
			w.AddRate(s*1000, v)
		}
		if r := w.Reading(9000); r.Used != 0 || r.Dropped != 10 || r.OK() || r.RatePerMin != 0 {
			t.Errorf("%v: %v", v, r)
		}
	}
}

// In atrial fibrillation every interval within the fence counts, and 15 s are not enough.
func TestIrregular(t *testing.T) {
	for _, c := range []struct {
		length int64
		poor   Reason
	}{{Window15s, ShortForIrregular}, {30000, None}} {
		w := NewWindow(c.length)
		w.Irregular = true
		at, sum, n := int64(0), 0.0, 0
		for _, v := range irregular(100) {
			at += int64(v)
			w.AddIntervals(at, []uint16{uint16(v * 1.024)})
		}
		r := w.Reading(at)
		regular := w
		regular.Irregular = false
		if r.Poor != c.poor || r.Dropped != 0 {
			t.Errorf("%v", r)
		}
		if got := regular.Reading(at); got.OK() {
			t.Errorf("as a regular rhythm: %v", got)
		}
		for i := 99; i >= 0; i-- {
			v := irregular(100)[i]
			if sum+v > float64(c.length) {
				break
			}
			sum += v
			n++
		}
		if want := 60000 * float64(n) / sum; math.Abs(r.RatePerMin-want) > 2 {
			t.Errorf("%v, want %v", r, want)
		}
	}
}

func irregular(n int) []float64 {
	random := rand.New(rand.NewPCG(7, 7))
	all := make([]float64, n)
	for i := range all {
		all[i] = 450 + math.Floor(700*random.Float64())
	}
	return all
}

// A flood of samples and random bytes: no panic, and never a good reading from noise outside the fence.
func TestFlood(t *testing.T) {
	random := rand.New(rand.NewPCG(9, 9))
	w := NewWindow(Window15s)
	for at := int64(0); at < 60000; at += 10 {
		w.AddIntervals(at, []uint16{uint16(random.IntN(200)), uint16(3000 + random.IntN(60000))})
		if at%1000 == 0 {
			if r := w.Reading(at); r.OK() || r.Used > 0 {
				t.Fatalf("%d: %v", at, r)
			}
		}
	}
	steady(&w, 60000, 100000)
	if r := w.Reading(100000); !r.OK() {
		t.Errorf("after the flood: %v", r)
	}
}

func TestNoAllocation(t *testing.T) {
	w := NewWindow(Window15s)
	steady(&w, 0, 20000)
	at := int64(20000)
	ticks := []uint16{tick800}
	if n := testing.AllocsPerRun(100, func() {
		at += 800
		w.AddIntervals(at, ticks)
		if r := w.Reading(at); !r.OK() {
			t.Fatal(r)
		}
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func TestCadenceLock(t *testing.T) {
	var watch LockWatch
	var hint LockHint
	for s := range int64(60) { // the heart is at 118, then the sensor jumps to the step rate and follows it
		cadence, rate := 90.0, 118.0
		if s >= 20 {
			rate = 91
		}
		if s >= 40 {
			cadence, rate = 104, 103
		}
		hint = watch.Add(s*1000, rate, cadence)
		if want := s >= 40; hint.Suspected != want {
			t.Errorf("at %d s: %+v", s, hint)
		}
	}
	if hint.Factor != 1 || !hint.Jumped || !hint.Followed || hint.ForMs != 39000 {
		t.Errorf("%+v", hint)
	}
	if hint = watch.Add(60000, 130, 104); hint != (LockHint{}) {
		t.Errorf("away from the cadence: %+v", hint)
	}
}

// A heart that climbs through the cadence is not suspected; neither is anything without a cadence.
func TestNoCadenceLock(t *testing.T) {
	var watch LockWatch
	for s := range int64(120) {
		if hint := watch.Add(s*1000, 80+0.5*float64(s), 100); hint.Suspected {
			t.Errorf("at %d s: %+v", s, hint)
		}
	}
	var still LockWatch
	for s := range int64(60) {
		if hint := still.Add(s*1000, 2, 0); hint.Suspected {
			t.Errorf("standing still: %+v", hint)
		}
	}
	var double LockWatch
	var hint LockHint
	for s := range int64(21) {
		hint = double.Add(s*1000, 121, 60)
	}
	if !hint.Suspected || hint.Factor != 2 || hint.Jumped || hint.Followed {
		t.Errorf("%+v", hint)
	}
	if hint = double.Add(30000, 121, 60); hint.Suspected {
		t.Errorf("across a pause of the sensor: %+v", hint)
	}
}

func FuzzWindow(f *testing.F) {
	f.Add([]byte{0, 4, 51, 3, 0, 4, 52, 3}, false)
	f.Fuzz(func(t *testing.T, data []byte, irregular bool) {
		w := NewWindow(Window10s)
		w.Irregular = irregular
		at := int64(0)
		for ; len(data) >= 4; data = data[4:] {
			at += int64(data[0]) * 8
			w.AddIntervals(at, []uint16{uint16(data[2]) | uint16(data[3])<<8})
			if data[1] > 128 {
				w.AddRate(at, float64(data[1]))
			}
			r := w.Reading(at)
			if r.OK() && !(r.RatePerMin >= 25 && r.RatePerMin <= 250) || r.Used < 0 || r.Dropped < 0 {
				t.Fatalf("%v", r)
			}
		}
	})
}

func BenchmarkReading(b *testing.B) {
	w := NewWindow(Window15s)
	at := int64(0)
	for ; at < 20000; at += 400 {
		w.AddIntervals(at, []uint16{410})
	}
	for b.Loop() {
		if r := w.Reading(20000); !r.OK() {
			b.Fatal(r)
		}
	}
}
