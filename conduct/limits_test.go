package conduct_test

import (
	"os"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/protocol"
)

// The margins of limits.csv, each beside its source.
func TestMarginsAsPublished(t *testing.T) {
	text, err := os.ReadFile("limits.csv")
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")[1:]
	want := []struct{ begins, source string }{
		{"device-margin,20,/min,seen,", "20 below the detection rate in testing and training of 92 patients (abstract)"},
		{"device-margin,15,/min,seen,", "10 to 15 below the detection rate (published advice)"},
		{"device-margin,10,/min,seen,", "10 to 15 below the detection rate (published advice)"},
		{"ischaemia-margin,10,/min,memory,", "10 below the ischaemic threshold, from memory; 5 to 10 was seen"},
		{"headroom-low,30,/min,choice,", "own choice"},
		{"headroom-none,10,/min,choice,", "own choice"},
	}
	if len(lines) != len(want) {
		t.Fatalf("%d lines, compared are %d", len(lines), len(want))
	}
	for i, w := range want {
		if !strings.HasPrefix(lines[i], w.begins) {
			t.Errorf("line %d is %q; %s gives %q", i+2, lines[i], w.source, w.begins)
		}
	}
}

// The lowest of all limits of heart rate ends the test, and the result says which one it is and whose.
func TestLowestHeartRateLimit(t *testing.T) {
	for _, c := range []struct {
		name                         string
		given, device, margin, ischa float64
		limit                        float64
		of                           string
		why                          string
	}{
		{"none", 0, 0, 0, 0, 0, "", ""},
		{"given", 130, 0, 0, 0, 130, "given", "set by Dr Example, 2026-03-02"},
		{"device, careful choice", 0, 150, 0, 0, 130, "device", "20 below the device's rate of 150, set by Dr Example, 2026-03-02"},
		{"device, 15", 0, 150, 15, 0, 135, "device", "15 below the device's rate of 150"},
		{"device, 10", 0, 150, 10, 0, 140, "device", "10 below the device's rate of 150"},
		{"ischaemia", 0, 0, 0, 120, 110, "ischaemia", "10 below the ischaemic heart rate of 120"},
		{"device below given", 135, 150, 0, 0, 130, "device", "device"},
		{"given below device", 125, 150, 0, 0, 125, "given", "set by"},
		{"ischaemia lowest", 125, 150, 0, 120, 110, "ischaemia", "ischaemic"},
		{"equal: the one that was given", 130, 150, 0, 0, 130, "given", "set by"},
	} {
		in := healthy()
		in.HRLimit, in.DeviceRate, in.DeviceBelow, in.IschaemiaHR = c.given, c.device, c.margin, c.ischa
		in.LimitsBy, in.LimitsOn = "Dr Example", "2026-03-02"
		pl := play(t, in, "0:00 stage stage-1 30")
		l := &pl.s.Limits
		if l.HRLimit != c.limit || l.HRLimitOf.String() != c.of || !strings.Contains(conduct.HRLimitWhy(&pl.s.In, l), c.why) {
			t.Errorf("%s: %g %v %q", c.name, l.HRLimit, l.HRLimitOf, conduct.HRLimitWhy(&pl.s.In, l))
		}
		if c.limit == 0 {
			continue
		}
		pl.play("2:00 hr " + num(c.limit-1))
		if n := pl.next("2:01"); n.Do == conduct.DoEnd {
			t.Errorf("%s: ended at %g", c.name, c.limit-1)
		}
		pl.play("2:05 hr " + num(c.limit))
		n := pl.expect("2:06", conduct.DoEnd, "Safety limit reached.")
		if !strings.Contains(n.Why, c.why) || n.Rule != "limits.heart_rate" {
			t.Errorf("%s: %q %s", c.name, n.Why, n.Rule)
		}
		pl.play("2:10 stop safety-limit")
		if a := pl.assess(); !strings.Contains(reasonText(a, "ended-at-safety-limit"), c.why) {
			t.Errorf("%s: %q", c.name, reasonText(a, "ended-at-safety-limit"))
		}
	}
	pl := play(t, healthy(), "0:00 stage stage-1 30")
	if err := pl.try(pl.parse("0:30 input device_margin_bpm 12")); refusedBy(err) != "conductor.input" {
		t.Errorf("a margin of 12: %v", err)
	}
}

func reasonText(a estimate.Assessment, id string) string {
	for _, r := range a.Reasons {
		if r.ID == id {
			return r.Text
		}
	}
	return ""
}

// Headroom: at 10 beats or less the test is not begun as planned, below 30 something gentler is offered.
func TestHeadroom(t *testing.T) {
	for _, c := range []struct {
		rest, limit float64
		do          conduct.Do
		warned      bool
	}{
		{114.5, 0, conduct.DoBegin, false}, // 144.5 - 114.5 = 30
		{115, 0, conduct.DoBegin, true},
		{134, 0, conduct.DoBegin, true}, // 10.5
		{134.5, 0, conduct.DoNothing, false},
		{140, 0, conduct.DoNothing, false},
		{90, 120, conduct.DoBegin, false},
		{91, 120, conduct.DoBegin, true},
		{110, 120, conduct.DoNothing, false},
		{0, 0, conduct.DoBegin, false}, // not known
	} {
		in := healthy()
		in.RestHR, in.HRLimit = c.rest, c.limit
		pl := play(t, in)
		n := pl.next("0:00")
		if n.Do != c.do || warned(n, "small steps") != c.warned {
			t.Errorf("rest %g, limit %g: %v %q %v", c.rest, c.limit, n.Do, n.Say, n.Warnings)
		}
		if n.Do == conduct.DoNothing && (!strings.Contains(n.Say, "not as planned") || n.Rule != "conductor.headroom") {
			t.Errorf("%q %s", n.Say, n.Rule)
		}
	}
	// A resting value taken again opens the test; one begun all the same is a departure.
	in := healthy()
	in.RestHR = 140
	pl := play(t, in, "0:10 hr 88")
	pl.expect("0:11", conduct.DoBegin, "Set 30 W.")
	pl = play(t, in, "0:00 stage stage-1 30")
	if d := strings.Join(pl.departures(), ";"); !strings.Contains(d, "begun with only 4.5 beats") {
		t.Error(d)
	}
}

// A silent sensor: the pulse is asked for with a countdown, and without one the test stops at 60 s.
func TestSilentSensor(t *testing.T) {
	lost := func(at string) conduct.Event { return conduct.Event{At: ms(t, at), Kind: conduct.Sensor, Code: "lost"} }
	back := func(at string) conduct.Event { return conduct.Event{At: ms(t, at), Kind: conduct.Sensor, Code: "back"} }
	pl := play(t, healthy(), "0:00 stage stage-1 30")
	pl.add(lost("1:00"))
	n := pl.expect("1:00", conduct.DoHoldCheck, "Take the pulse by hand")
	if n.What != protocol.HeartRate || n.Left != ms(t, "1:00") || n.NextAt != ms(t, "2:00") {
		t.Errorf("%+v", n)
	}
	pl.expect("2:00", conduct.DoHoldCheck, "0:00 left")
	n = pl.expect("2:01", conduct.DoStop, "Stop now.")
	if !strings.Contains(n.Why, "sensor is silent") || !strings.Contains(n.Source, "our own choice") {
		t.Errorf("%q %q", n.Why, n.Source)
	}
	// Another loss reported in between changes nothing.
	pl.add(lost("1:30"))
	pl.expect("2:01", conduct.DoStop, "Stop now.")
	// A pulse by hand, a mean of the sensor, or the sensor itself clears it; a sign meanwhile stops at once.
	for _, c := range []struct {
		line string
		do   conduct.Do
	}{{"1:40 hr 95", conduct.DoWait}, {"1:40 window hr 96", conduct.DoWait}, {"1:40 rpe 11", conduct.DoHoldCheck}, {"1:40 sign other-symptom", conduct.DoStop}, {"1:40 sign pallor", conduct.DoStop}} {
		pl := play(t, healthy(), "0:00 stage stage-1 30")
		pl.add(lost("1:00"))
		pl.play(c.line)
		if n := pl.next("1:41"); n.Do != c.do {
			t.Errorf("%s: %v %q", c.line, n.Do, n.Say)
		}
	}
	pl = play(t, healthy(), "0:00 stage stage-1 30")
	pl.add(lost("1:00"))
	pl.add(back("1:20"))
	if n := pl.next("1:21"); n.Do != conduct.DoWait {
		t.Errorf("back: %v %q", n.Do, n.Say)
	}
	// While the sensor stays silent, the planned readings must come by hand: one that does not is asked for, then stops.
	pl = play(t, healthy(), "0:00 stage stage-1 30")
	pl.add(lost("1:00"))
	pl.play("1:40 hr 95")
	if n := pl.next("2:00"); n.Do != conduct.DoRead {
		t.Errorf("%v %q", n.Do, n.Say)
	}
	pl.expect("2:30", conduct.DoHoldCheck, "0:30 left")
	pl.expect("3:01", conduct.DoStop, "Stop now.")
	pl.play("3:02 hr 96")
	if n := pl.next("3:03"); n.Do == conduct.DoStop {
		t.Errorf("%v %q", n.Do, n.Say)
	}
	// It was longer than allowed: that stands in the result.
	pl.play("3:10 stop wish")
	if d := strings.Join(pl.departures(), ";"); !strings.Contains(d, "no heart rate could be read for 1:02") {
		t.Error(d)
	}
	// Silent before the first stage: asked from its beginning.
	pl = play(t, healthy())
	pl.add(lost("0:10"))
	pl.play("1:00 stage stage-1 30")
	if n := pl.expect("1:05", conduct.DoHoldCheck, "Take the pulse by hand"); n.Left != ms(t, "0:55") {
		t.Errorf("%v", n.Left)
	}
	if err := pl.try(conduct.Event{At: ms(t, "1:06"), Kind: conduct.Sensor, Code: "gone"}); refusedBy(err) != "conductor.sensor" {
		t.Error(err)
	}
}

// Oxygen saturation: 88 warns, 80 stops, and 85 stops where no medical cover is at hand.
func TestSaturationLines(t *testing.T) {
	for _, c := range []struct {
		cover conduct.Cover
		spo2  string
		do    conduct.Do
		warn  bool
	}{
		{conduct.CoverNo, "86", conduct.DoWait, true}, {conduct.CoverNo, "85", conduct.DoStop, true}, {conduct.CoverNo, "80", conduct.DoStop, true}, {conduct.CoverNo, "89", conduct.DoWait, false},
		{conduct.CoverYes, "85", conduct.DoWait, true}, {conduct.CoverYes, "81", conduct.DoWait, true}, {conduct.CoverYes, "80", conduct.DoStop, true}, {conduct.CoverNotRecorded, "85", conduct.DoWait, true},
	} {
		in := healthy()
		in.Cover = c.cover
		pl := play(t, in, "0:00 stage stage-1 30", "1:00 spo2 "+c.spo2)
		if n := pl.next("1:01"); n.Do != c.do || warned(n, "88 % or less") != c.warn {
			t.Errorf("cover %d, %s %%: %v %q %v", c.cover, c.spo2, n.Do, n.Say, n.Warnings)
		}
	}
}

// Whatever happens in whatever order: the limit in force is the lowest, a heart rate at or over it is answered by an end, a
// saturation at or below the line in force too, and a sensor that has been silent for more than 60 s without any value
// by a stop.
func TestIndividualLimitsAreNeverMissed(t *testing.T) {
	p := stepper(t)
	rapid.Check(t, func(rt *rapid.T) {
		in := healthy()
		in.Cover = conduct.Cover(rapid.IntRange(0, 2).Draw(rt, "cover"))
		in.HRLimit = rapid.SampledFrom([]float64{0, 110, 130, 150}).Draw(rt, "given")
		in.DeviceRate = rapid.SampledFrom([]float64{0, 130, 150, 180}).Draw(rt, "device")
		in.DeviceBelow = rapid.SampledFrom([]float64{0, 10, 15, 20}).Draw(rt, "margin")
		in.IschaemiaHR = rapid.SampledFrom([]float64{0, 115, 140}).Draw(rt, "ischaemia")
		lowest := 144.5
		for _, v := range []float64{in.HRLimit, in.DeviceRate - in.Margin(), in.IschaemiaHR - 10} {
			if v > 0 && v < lowest {
				lowest = v
			}
		}
		var s conduct.State
		at := protocol.Ms(0)
		take := func(e conduct.Event) bool {
			id := s.NextID()
			e.Term, e.N, e.At = id.Term, id.N, at
			return s.Take(p, &e) == nil
		}
		take(conduct.Event{Kind: conduct.Began, Begin: &conduct.Begin{Format: conduct.FormatVersion, Protocol: p.ID, Hash: p.Hash, Inputs: in}})
		take(conduct.Event{Kind: conduct.StageBegun, Code: "stage-1", V: 30})
		over, silent := false, protocol.Ms(-1)
		for range rapid.IntRange(1, 30).Draw(rt, "events") {
			at += protocol.Ms(rapid.SampledFrom([]int{0, 1000, 20000, 59000, 61000}).Draw(rt, "pause"))
			n := conduct.Next(p, &s, at)
			if silent >= 0 && at-silent > protocol.Minute && n.Do != conduct.DoStop && n.Do != conduct.DoEnd {
				rt.Fatalf("silent since %v, at %v: %v %q", silent, at, n.Do, n.Say)
			}
			switch rapid.IntRange(0, 4).Draw(rt, "what") {
			case 0, 1:
				v := rapid.SampledFrom([]float64{90, 104, 105, 109, 110, 119, 120, 129, 130, 144, 145}).Draw(rt, "hr")
				take(conduct.Event{Kind: conduct.Reading, What: protocol.HeartRate, V: v})
				over = over || v >= lowest
				if silent != at {
					silent = -1
				}
			case 2:
				v := rapid.SampledFrom([]float64{96, 86, 85, 81, 80}).Draw(rt, "spo2")
				take(conduct.Event{Kind: conduct.Reading, What: protocol.SpO2, V: v})
				over = over || v <= 80 || v <= 85 && in.Cover == conduct.CoverNo
			case 3:
				take(conduct.Event{Kind: conduct.Sensor, Code: "lost"})
				if silent < 0 && !s.NoSense {
					rt.Fatal("the loss was not noted")
				}
				if _, heard := heardSince(&s); !heard {
					silent = s.Silent
				}
			case 4:
				take(conduct.Event{Kind: conduct.Sensor, Code: "back"})
				silent = -1
			}
			if n := conduct.Next(p, &s, at); over && n.Do != conduct.DoEnd && n.Do != conduct.DoStop {
				rt.Fatalf("a limit was reached, yet %v %q", n.Do, n.Say)
			}
		}
	})
}

// heardSince reports whether a heart rate came since the sensor fell silent, by a plain second reading of the state.
func heardSince(s *conduct.State) (conduct.Value, bool) {
	for i := range s.Stages[:s.NStages] {
		for _, r := range s.Stages[i].Readings[:s.Stages[i].NReadings] {
			if r.What == protocol.HeartRate && r.Moment > s.Silent {
				return r, true
			}
		}
	}
	return s.LastHR, s.LastHR.Moment > s.Silent && !s.LastHR.Ref.IsZero()
}
