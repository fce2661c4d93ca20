package protocol_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gradus/conduct"
	estimators "gradus/estimate/library"
	"gradus/protocol"
	"gradus/protocol/library"
	"gradus/prove"
)

func family(t *testing.T, id string) *protocol.Protocol {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("testdata", "families", id+".yaml"))
	if err != nil {
		t.Fatal(err)
	}
	p, errs := library.Parse(id+".yaml", data, estimators.LineOf)
	for _, err := range errs {
		t.Error(err)
	}
	if p == nil {
		t.FailNow()
	}
	return p
}

// A run is a test that an obedient examiner conducts: every instruction is followed when it comes.
type run struct {
	t       *testing.T
	p       *protocol.Protocol
	s       conduct.State
	events  []conduct.Event
	said    []string                                                    // instructions in turn, with their time
	read    func(what protocol.Quantity, at protocol.Ms) float64        // 0: no reading
	happens map[protocol.Ms][]conduct.Event                             // what the participant does besides
	wants   func(n conduct.Instruction, at protocol.Ms) []conduct.Event // another answer than the plain one; nil: plain
}

func (r *run) take(e conduct.Event) {
	r.t.Helper()
	id := r.s.NextID()
	e.Term, e.N = id.Term, id.N
	if err := r.s.Take(r.p, &e); err != nil {
		r.t.Fatalf("%v: %v", e.At, err)
	}
	r.events = append(r.events, e)
}

// to conducts the test second by second until it is closed; each act takes the examiner a second.
func (r *run) to(in conduct.Inputs) {
	r.t.Helper()
	r.take(conduct.Event{Kind: conduct.Began, Begin: &conduct.Begin{Format: conduct.FormatVersion, Protocol: r.p.ID, Version: r.p.Version, Hash: r.p.Hash, Inputs: in}})
	last := ""
	for at := protocol.Ms(0); at < 2*protocol.Hour && r.s.Phase != conduct.Over; at += protocol.Second {
		for _, e := range r.happens[at] {
			e.At = at
			r.take(e)
		}
		for {
			act, ok := r.s.Due(r.p, at)
			if !ok {
				break
			}
			r.take(act)
		}
		n := conduct.Next(r.p, &r.s, at)
		if n.Do == conduct.DoNothing {
			r.t.Fatalf("%v: %s", at, n.Say)
		}
		if n.Say != last && n.Do != conduct.DoWait && n.Do != conduct.DoBreak && n.Do != conduct.DoCool {
			r.said = append(r.said, at.String()+" "+n.Say)
			last = n.Say
		}
		for _, e := range r.answer(n, at) {
			e.At = at
			r.take(e)
		}
	}
	if r.s.Phase != conduct.Over {
		r.t.Fatalf("not closed after two hours; last: %q", last)
	}
}

func (r *run) answer(n conduct.Instruction, at protocol.Ms) []conduct.Event {
	if r.wants != nil {
		if events := r.wants(n, at); events != nil {
			return events
		}
	}
	one := func(e conduct.Event) []conduct.Event { return []conduct.Event{e} }
	switch n.Do {
	case conduct.DoBegin, conduct.DoSetWork:
		w := &r.p.Parts[r.p.Find(n.Part)].Work
		e := conduct.Event{Kind: conduct.StageBegun, Code: n.Part, V: n.Work, V2: w.HeightM}
		if w.Grade != nil {
			e.V2 = *w.Grade
		}
		return one(e)
	case conduct.DoRead:
		if v := r.read(n.What, at); v != 0 && at >= n.NextAt {
			e := conduct.Event{Kind: conduct.Reading, What: n.What, V: v, Slot: n.Slot}
			if n.What == protocol.BloodPressure {
				e.V2 = 80
			}
			return one(e)
		}
	case conduct.DoEnd, conduct.DoStop:
		switch {
		case r.p.CoolDown.Is() && n.Do == conduct.DoEnd:
			return one(conduct.Event{Kind: conduct.CoolBegun, V: n.Work})
		case r.s.Phase == conduct.Riding:
			code := "completed"
			if end := r.s.Standing(r.p, at); end.Code != "" {
				code = end.Code
			}
			return one(conduct.Event{Kind: conduct.Stopped, Code: code})
		}
		return one(conduct.Event{Kind: conduct.RestBegun})
	case conduct.DoRecover:
		if r.s.Phase == conduct.Cooling {
			return one(conduct.Event{Kind: conduct.RestBegun})
		}
	case conduct.DoClose:
		return one(conduct.Event{Kind: conduct.Closed, Code: "recovered"})
	case conduct.DoPhysician:
		return one(conduct.Event{Kind: conduct.Closed, Code: "physician"})
	}
	return nil
}

func (r *run) expectSaid(lines ...string) {
	r.t.Helper()
	all := strings.Join(r.said, "\n")
	for _, line := range lines {
		if !strings.Contains(all, line) {
			r.t.Errorf("never said %q; said were\n%s", line, all)
		}
	}
}

func adult() conduct.Inputs {
	return conduct.Inputs{AgeYears: 50, Sex: conduct.Female, MassKg: 70, RestHR: 70, RestSBP: 120, RestDBP: 80, Drug: conduct.DrugNo, Rhythm: conduct.Sinus, BP: conduct.BPNone}
}

// steadily answers heart rates that fit the work rate, and calm values for the rest.
func steadily(r *run, rest, perWork float64) func(protocol.Quantity, protocol.Ms) float64 {
	return func(what protocol.Quantity, at protocol.Ms) float64 {
		switch what {
		case protocol.HeartRate:
			if i := r.s.Current(); r.s.Phase == conduct.Riding {
				return rest + float64(perWork*r.s.Stages[i].Set)
			}
			return rest
		case protocol.RPE:
			return 12
		case protocol.BloodPressure:
			return 130
		case protocol.SpO2:
			return 95
		case protocol.Breathless:
			return 3
		}
		return 0
	}
}

// The shipped families and those of testdata: none does what a plan must not do.
func TestFamiliesCanDoNoHarm(t *testing.T) {
	files, err := filepath.Glob("testdata/families/*.yaml")
	if err != nil || len(files) < 6 {
		t.Fatal(files, err)
	}
	for _, file := range files {
		p := family(t, strings.TrimSuffix(filepath.Base(file), ".yaml"))
		for _, f := range prove.Check(p, nil).Findings {
			t.Errorf("%s: %v", p.ID, f)
		}
	}
}

// Six-minute walk: own pace, a rest of 50 s with the clock running, distance summed, lowest saturation kept,
// no end point although the heart rate is 170.
func TestSixMinuteWalk(t *testing.T) {
	p := family(t, "six-minute-walk")
	r := &run{t: t, p: p}
	r.read = func(what protocol.Quantity, at protocol.Ms) float64 {
		switch what {
		case protocol.SpO2:
			return map[protocol.Ms]float64{protocol.Minute: 94, 3 * protocol.Minute: 89, 5 * protocol.Minute: 92}[at]
		case protocol.Distance:
			return 14 // metres beyond the last whole lap
		case protocol.Breathless:
			return 4
		}
		return 0
	}
	lap := conduct.Event{Kind: conduct.Reading, What: protocol.Distance, V: 60}
	r.happens = map[protocol.Ms][]conduct.Event{
		50 * protocol.Second: {lap}, 100 * protocol.Second: {lap},
		120 * protocol.Second: {{Kind: conduct.Break}, {Kind: conduct.Reading, What: protocol.HeartRate, V: 170}},
		170 * protocol.Second: {{Kind: conduct.BreakOver}},
		250 * protocol.Second: {lap}, 310 * protocol.Second: {lap},
	}
	r.to(adult())
	st := &r.s.Stages[0]
	if r.s.NStages != 1 || st.Ended-st.Began < 6*protocol.Minute || st.Ended-st.Began > 6*protocol.Minute+protocol.Minute {
		t.Errorf("walked %v", st.Ended-st.Began)
	}
	if st.Distance != 254 || st.LowSpO2 != 89 {
		t.Errorf("distance %g m, lowest saturation %g %%, want 254 and 89", st.Distance, st.LowSpO2)
	}
	if r.s.Stop.Code != "completed" || r.s.Limits.EndPoint != 0 || r.s.LastCounted(p) != 0 {
		t.Errorf("stop %q, end point %g, counted %d", r.s.Stop.Code, r.s.Limits.EndPoint, r.s.LastCounted(p))
	}
	r.expectSaid("0:00 Let the participant go, walking at the own pace.", "Read the distance.", "All planned stages are done.")
	if !p.Again.Is() || p.Again.It.Report != "longer" || p.Again.It.After != 30*protocol.Minute {
		t.Errorf("again %+v", p.Again)
	}
}

// A saturation below 80 makes the walker rest with the clock running; from 85 on the walk may go on.
func TestSixMinuteWalkRestsForASign(t *testing.T) {
	p := family(t, "six-minute-walk")
	var s conduct.State
	take := func(e conduct.Event) {
		t.Helper()
		id := s.NextID()
		e.Term, e.N = id.Term, id.N
		if err := s.Take(p, &e); err != nil {
			t.Fatal(err)
		}
	}
	take(conduct.Event{Kind: conduct.Began, Begin: &conduct.Begin{Format: conduct.FormatVersion, Protocol: p.ID, Hash: p.Hash, Inputs: adult()}})
	take(conduct.Event{Kind: conduct.StageBegun, Code: "walk"})
	for _, c := range []struct {
		second protocol.Ms
		spo2   float64
		rest   bool
	}{{70, 80, false}, {90, 79, true}, {110, 84, true}, {130, 85, false}, {150, 84, false}} {
		at := c.second * protocol.Second
		take(conduct.Event{At: at, Kind: conduct.Reading, What: protocol.SpO2, V: c.spo2})
		n := conduct.Next(p, &s, at)
		if rest := n.Do == conduct.DoBreak; rest != c.rest || rest && n.Say != "Let the participant rest. The clock runs." {
			t.Errorf("saturation %g at %v: %v %q %q", c.spo2, at, n.Do, n.Say, n.Why)
		}
	}
}

// A walk in which the participant rests and does not go on ends at six minutes all the same.
func TestSixMinuteWalkEndsDuringARest(t *testing.T) {
	r := &run{t: t, p: family(t, "six-minute-walk")}
	r.read = func(what protocol.Quantity, _ protocol.Ms) float64 {
		return map[protocol.Quantity]float64{protocol.Distance: 20}[what]
	}
	r.happens = map[protocol.Ms][]conduct.Event{4 * protocol.Minute: {{Kind: conduct.Break}}}
	r.to(adult())
	if st := &r.s.Stages[0]; st.Ended > 7*protocol.Minute || r.s.Stop.Code != "completed" {
		t.Errorf("ended at %v, %s", st.Ended, r.s.Stop.Code)
	}
}

// Single stage: the examiner picks 100 W; minutes five and six agree within 5 beats, so it counts.
func TestSingleStageCycle(t *testing.T) {
	r := &run{t: t, p: family(t, "single-stage-cycle")}
	r.read = steadily(r, 70, 0.6)
	r.wants = func(n conduct.Instruction, _ protocol.Ms) []conduct.Event {
		if n.Do == conduct.DoBegin {
			return []conduct.Event{{Kind: conduct.StageBegun, Code: n.Part, V: 100}}
		}
		return nil
	}
	r.to(adult())
	if r.s.NStages != 1 || r.s.LastCounted(r.p) != 0 || r.s.Stages[0].Set != 100 {
		t.Errorf("%d stages, counted %d, %g W", r.s.NStages, r.s.LastCounted(r.p), r.s.Stages[0].Set)
	}
	if hr, _, _ := r.s.LastHeart(r.p, 0); hr != 130 {
		t.Errorf("heart rate %g", hr)
	}
	r.expectSaid("0:00 Choose and set the work rate, 50 to 150 W.", "6:01 All planned stages are done.")
}

// Treadmill: four stages of speed and grade; 70 % of the reserve between 70 and 208 - 0.7 x 50 = 173 is 142.1.
func TestTreadmillStages(t *testing.T) {
	r := &run{t: t, p: family(t, "treadmill-stages")}
	minutes := map[protocol.Ms]float64{3: 90, 6: 105, 9: 125, 12: 143}
	r.read = func(what protocol.Quantity, at protocol.Ms) float64 {
		if what == protocol.HeartRate {
			return minutes[at/protocol.Minute]
		}
		return 12
	}
	r.to(adult())
	if r.s.NStages != 4 || r.s.Stages[3].Set != 4 || r.s.Stages[3].Set2 != 12 {
		t.Errorf("%d stages, the last at %g km/h and %g %%", r.s.NStages, r.s.Stages[3].Set, r.s.Stages[3].Set2)
	}
	if r.s.Limits.EndBeat != 143 || r.s.Stop.Code != "end-point" {
		t.Errorf("end beat %d, stopped for %s", r.s.Limits.EndBeat, r.s.Stop.Code)
	}
	r.expectSaid("3:01 Set 2.7 km/h at 5 % grade.", "12:04 Planned end reached.")
}

// Bench: three minutes of 24 cycles a minute onto 0.305 m, then a minute's count that does not count as a stage.
func TestBenchStep(t *testing.T) {
	r := &run{t: t, p: family(t, "bench-step")}
	r.read = steadily(r, 98, 0)
	r.to(adult())
	if r.s.NStages != 2 || r.s.Stages[0].Set != 24 || r.s.Stages[0].Set2 != 0.305 || r.s.LastCounted(r.p) != 0 {
		t.Errorf("%d stages, first at %g a minute onto %g m, counted %d", r.s.NStages, r.s.Stages[0].Set, r.s.Stages[0].Set2, r.s.LastCounted(r.p))
	}
	if hr, _, ok := r.s.LastHeart(r.p, 1); !ok || hr != 98 {
		t.Errorf("the count gave %g", hr)
	}
	r.expectSaid("0:00 Set the beat to 24 steps a minute, step 0.305 m.", "3:00 Let the participant rest.", "4:00 Read heart rate now.")
}

// Shuttle walk: level speeds as measured in the source of the file (0.50 m/s, then 0.17 m/s more a level);
// the participant cannot keep up in level 5.
func TestShuttleWalk(t *testing.T) {
	p := family(t, "shuttle-walk")
	for i := range p.Parts {
		if want := float64(3.6 * (0.5 + float64(0.17*float64(i)))); want-p.Parts[i].Work.SpeedKmh > 1e-9 || p.Parts[i].Work.SpeedKmh-want > 1e-9 {
			t.Errorf("level %d: %g km/h, want %g", i+1, p.Parts[i].Work.SpeedKmh, want)
		}
	}
	r := &run{t: t, p: p}
	r.read = func(what protocol.Quantity, _ protocol.Ms) float64 {
		return float64(10 * (r.s.Current() + 3)) // shuttles completed in the level
	}
	r.happens = map[protocol.Ms][]conduct.Event{4*protocol.Minute + 30*protocol.Second: {{Kind: conduct.Stopped, Code: "fatigue"}}}
	r.to(adult())
	total := 0.0
	for i := range r.s.Stages[:r.s.NStages] {
		total += r.s.Stages[i].Distance
	}
	if total != 30+40+50+60 || r.s.NStages != 5 || r.s.Stop.Code != "fatigue" {
		t.Errorf("%g m in %d levels, stopped for %s", total, r.s.NStages, r.s.Stop.Code)
	}
}

// Gentle rows: 92 in stage 1 takes the middle row, 25 and 35 W, in small steps that need no confirmation.
func TestGentleBranching(t *testing.T) {
	r := &run{t: t, p: family(t, "gentle-branching")}
	r.read = steadily(r, 80, 0.8)
	r.to(adult())
	var loads []float64
	for i := range r.s.Stages[:r.s.NStages] {
		loads = append(loads, r.s.Stages[i].Set)
	}
	if len(loads) != 3 || loads[0] != 15 || loads[1] != 25 || loads[2] != 35 || r.s.Row != 2 || r.s.LastCounted(r.p) != 2 {
		t.Errorf("loads %v, row %d, counted %d", loads, r.s.Row, r.s.LastCounted(r.p))
	}
}
