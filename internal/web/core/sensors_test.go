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

// What an oximeter, a cuff and a scale send, before and while a test is loaded.
func TestDecodeSingleMeasurements(t *testing.T) {
	number := func(v *float64) string {
		if v == nil {
			return "-"
		}
		return fmt.Sprint(*v)
	}
	for _, c := range []struct {
		name string
		uuid uint16
		data []byte
		want string // saturation, systolic, diastolic, mass
		good bool
		why  string
	}{
		{"continuous", 0x2A5F, []byte{0, 96, 0, 112, 0}, "96 - - -", true, ""},
		{"low perfusion", 0x2A5F, []byte{0x08, 96, 0, 112, 0, 0x20, 0, 0}, "96 - - -", false, "doubts"},
		{"off the finger", 0x2A5F, []byte{0x08, 96, 0, 112, 0, 0x00, 0x08, 0}, "- - - -", false, "no signal"},
		{"no number", 0x2A5F, []byte{0, 0xFF, 0x07, 0xFF, 0x07}, "- - - -", false, "no signal"},
		{"spot check", 0x2A5E, []byte{0, 97, 0, 80, 0}, "97 - - -", true, ""},
		{"cuff", 0x2A35, []byte{0, 142, 0, 82, 0, 102, 0}, "- 142 82 -", true, ""},
		{"cuff in kPa", 0x2A35, []byte{1, 0xBD, 0xF0, 0x6D, 0xF0, 0x88, 0xF0}, "- 142 82 -", true, ""},
		{"arm moved", 0x2A35, []byte{0x10, 142, 0, 82, 0, 102, 0, 1, 0}, "- 142 82 -", false, "moved"},
		{"cuff failed", 0x2A35, []byte{0, 0xFF, 0x07, 0xFF, 0x07, 0xFF, 0x07}, "- - - -", false, "no pressure"},
		{"scale", 0x2A9D, []byte{0, 0x78, 0x37}, "- - - 71", false, ""},
		{"scale without a weighing", 0x2A9D, []byte{0, 0xFF, 0xFF}, "- - - -", false, ""},
	} {
		a := (&core.Core{}).Answer(core.Ask{Op: "decode", Sensor: &core.SensorAsk{UUID: c.uuid, Data: c.data, Device: "d"}})
		if a.Sensed == nil {
			t.Fatalf("%s: %+v", c.name, a)
		}
		s := a.Sensed
		got := strings.Join([]string{number(s.SpO2), number(s.SBP), number(s.DBP), number(s.MassKg)}, " ")
		if got != c.want || s.Good != c.good || !strings.Contains(s.Why, c.why) || (c.why == "") != (s.Why == "") {
			t.Errorf("%s: %s, good %v, why %q", c.name, got, s.Good, s.Why)
		}
	}
	a := (&core.Core{}).Answer(core.Ask{Op: "decode", Sensor: &core.SensorAsk{UUID: 0x2A36, Data: []byte{0, 120, 0, 0xFF, 0x07, 0xFF, 0x07}}})
	if a.Sensed == nil || !a.Sensed.Cuff || a.Sensed.SBP != nil {
		t.Errorf("a cuff at work: %+v", a.Sensed)
	}
}

// A heart rate that stays at the step rate, or at twice it, is hinted at after 20 s; one that only passes is not.
func TestLockThroughTheCore(t *testing.T) {
	for _, c := range []struct {
		name            string
		rate, cadence   float64
		drift, factor   float64
		seconds, silent int
	}{
		{"once", 101, 100, 0, 1, 30, 20},
		{"twice", 161, 80, 0, 2, 30, 20},
		{"apart", 120, 100, 0, 0, 60, 60},
		{"passing", 90, 100, 0.5, 0, 60, 60},
	} {
		k := &core.Core{}
		load := loadMessage(t)
		ask(t, k, core.Ask{Op: "load", Load: &load})
		for s := range c.seconds {
			a := ask(t, k, core.Ask{Op: "lock", At: int64(s) * 1000, Sensor: &core.SensorAsk{Rate: c.rate + float64(s)*c.drift, Cadence: c.cadence}})
			want := c.factor
			if s < c.silent {
				want = 0
			}
			if a.Sensed == nil || a.Sensed.Factor != want || a.View != nil {
				t.Fatalf("%s after %d s: %+v", c.name, s, a.Sensed)
			}
		}
	}
}
