package core_test

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"

	"gradus/conduct"
	"gradus/internal/web/core"
)

// beats makes beats of one interval over a stretch of time, in ms.
func beats(from, to int64, intervalMs float64) (out []core.Dot) {
	for at := float64(from) + intervalMs; at <= float64(to); at += intervalMs {
		out = append(out, core.Dot{AtMs: int64(at), V: intervalMs})
	}
	return out
}

func windowOf(t *testing.T, beats []core.Dot, rates bool) *core.Sensed {
	t.Helper()
	c := &core.Core{}
	load := loadMessage(t)
	ask(t, c, core.Ask{Op: "load", Load: &load})
	a := ask(t, c, core.Ask{Op: "window", Sensor: &core.SensorAsk{Beats: beats, Rates: rates, From: 0, To: 15_000}})
	if a.Error != "" || a.Sensed == nil {
		t.Fatalf("%+v", a)
	}
	return a.Sensed
}

func TestWindowOfBeats(t *testing.T) {
	steady := beats(0, 15_000, 500)
	missed := append([]core.Dot{}, steady...)
	missed[10].V = 1000 // one beat was missed: twice the interval
	var gap, few []core.Dot
	for _, b := range steady {
		if b.AtMs < 6000 || b.AtMs > 9600 {
			gap = append(gap, b)
		}
	}
	few = beats(11_000, 15_000, 1000)
	noisy := append([]core.Dot{}, steady...)
	for i := 3; i < len(noisy); i += 6 {
		noisy[i].V = 90
	}
	for _, c := range []struct {
		name  string
		beats []core.Dot
		rates bool
		good  bool
		hr    float64
		drop  int
		why   string
	}{
		{"steady", steady, false, true, 120, 0, ""},
		{"one beat missed", missed, false, true, 120, 1, ""},
		{"a gap", gap, false, false, 120, 0, "more than 3 s without"},
		{"few beats", few, false, false, 60, 0, "too few beats"},
		{"many impossible", noisy, false, false, 120, 5, "more than 10 % of the beats dropped"},
		{"nothing", nil, false, false, 0, 0, "no beats"},
		{"rates once a second", ratesOf(15, 120), true, true, 120, 0, ""},
	} {
		got := windowOf(t, c.beats, c.rates)
		if got.Good != c.good || math.Abs(got.HR-c.hr) > 0.05 || got.Dropped != c.drop || !strings.Contains(got.Why, c.why) {
			t.Errorf("%s: %+v", c.name, *got)
		}
	}
}

func ratesOf(n int, hr float64) (out []core.Dot) {
	for i := 1; i <= n; i++ {
		out = append(out, core.Dot{AtMs: int64(i) * 1000, V: hr})
	}
	return out
}

// With an irregular rhythm 15 s are too short to be taken without a hand, but a limit is still watched.
func TestWindowOfAnIrregularRhythm(t *testing.T) {
	c := &core.Core{}
	load := loadMessage(t)
	load.Events[0].Begin.Inputs.Rhythm = conduct.AtrialFib
	ask(t, c, core.Ask{Op: "load", Load: &load})
	for _, length := range []int64{15_000, 30_000} {
		a := ask(t, c, core.Ask{Op: "window", Sensor: &core.SensorAsk{Beats: beats(0, length, 500), To: length}})
		if s := a.Sensed; s == nil || s.Good != (length == 30_000) || !s.Enough || math.Abs(s.HR-120) > 0.05 {
			t.Errorf("%d ms: %+v %s", length, s, a.Error)
		}
	}
}

// The mean is one of intervals: a mean of rates would be higher.
func TestWindowAveragesIntervals(t *testing.T) {
	var b []core.Dot
	at := 0.0
	for i := range 15 {
		interval := 1000.0
		if i%3 == 2 {
			interval = 850
		}
		at += interval
		b = append(b, core.Dot{AtMs: int64(at), V: interval})
	}
	want := 60000 / ((1000 + 1000 + 850) / 3.0)
	if got := windowOf(t, b, false); math.Abs(got.HR-want) > 0.05 {
		t.Errorf("%v, want %v", got.HR, want)
	}
}

func TestDecodeThroughTheCore(t *testing.T) {
	c := &core.Core{}
	load := loadMessage(t)
	ask(t, c, core.Ask{Op: "load", Load: &load})
	a := ask(t, c, core.Ask{Op: "decode", Sensor: &core.SensorAsk{UUID: 0x2A37, Device: "d", Data: []byte{0x16, 96, 0x80, 0x02}}})
	if a.Sensed == nil || a.Sensed.HR != 96 || len(a.Sensed.RRms) != 1 || a.Sensed.RRms[0] != 625 || a.Sensed.Contact != "good" {
		t.Errorf("%+v", a)
	}
	if a := ask(t, c, core.Ask{Op: "decode", Sensor: &core.SensorAsk{UUID: 0x2A37, Data: []byte{0x01}}}); a.Error == "" || a.Sensed != nil {
		t.Errorf("a cut packet gave %+v", a)
	}
	// One turn a second: the first packet only sets the counter.
	for i, want := range []string{"null", "60"} {
		data := []byte{0x20, 0, 100, 0, byte(i + 1), 0, 0, byte(4 * i)}
		a := ask(t, c, core.Ask{Op: "decode", At: int64(i) * 1000, Sensor: &core.SensorAsk{UUID: 0x2A63, Device: "m", Data: data}})
		if a.Error != "" {
			t.Fatal(a.Error)
		}
		if got, _ := json.Marshal(a.Sensed.Cadence); string(got) != want || *a.Sensed.Power != 100 {
			t.Errorf("packet %d: cadence %s, want %s; power %v", i, got, want, fmt.Sprint(*a.Sensed.Power))
		}
	}
}
