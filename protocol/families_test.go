package protocol_test

import (
	"math"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"gradus/conduct"
	estimators "gradus/estimate/library"
	"gradus/protocol"
	"gradus/protocol/library"
)

func load(t *testing.T, id string) *protocol.Protocol {
	t.Helper()
	p, err := library.Load(id, estimators.LineOf)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// Treadmill stages row by row: speed in mph, grade in percent, minutes. Sources: Guide to Tests and Assessments,
// chapter 5 (2012), and a nursing handbook table (Bruce, Balke); Naughton: grades at 2 mph seen in a table of a health
// technology assessment, the first stage and the times from memory.
var treadmillStages = map[string][][3]float64{
	"bruce":          {{1.7, 10, 3}, {2.5, 12, 3}, {3.4, 14, 3}, {4.2, 16, 3}, {5.0, 18, 3}, {5.5, 20, 3}, {6.0, 22, 3}, {6.5, 24, 3}, {7.0, 26, 3}, {7.5, 28, 3}},
	"modified-bruce": {{1.7, 0, 3}, {1.7, 5, 3}, {1.7, 10, 3}, {2.5, 12, 3}, {3.4, 14, 3}, {4.2, 16, 3}, {5.0, 18, 3}, {5.5, 20, 3}, {6.0, 22, 3}, {6.5, 24, 3}},
	"balke-men": {{3.3, 0, 1}, {3.3, 1, 1}, {3.3, 2, 1}, {3.3, 3, 1}, {3.3, 4, 1}, {3.3, 5, 1}, {3.3, 6, 1}, {3.3, 7, 1}, {3.3, 8, 1}, {3.3, 9, 1}, {3.3, 10, 1},
		{3.3, 11, 1}, {3.3, 12, 1}, {3.3, 13, 1}, {3.3, 14, 1}},
	"balke-women": {{3, 0, 3}, {3, 2.5, 3}, {3, 5, 3}, {3, 7.5, 3}, {3, 10, 3}, {3, 12.5, 3}, {3, 15, 3}, {3, 17.5, 3}},
	"naughton":    {{1, 0, 2}, {2, 0, 2}, {2, 3.5, 2}, {2, 7, 2}, {2, 10.5, 2}, {2, 14, 2}, {2, 17.5, 2}},
}

func TestTreadmillStagesRowByRow(t *testing.T) {
	for id, rows := range treadmillStages {
		p := load(t, id)
		if len(p.Parts) != len(rows) {
			t.Errorf("%s: %d stages, want %d", id, len(p.Parts), len(rows))
			continue
		}
		for i, row := range rows {
			part := &p.Parts[i]
			if part.Work.SpeedMph != row[0] || math.Abs(part.Work.SpeedKmh-row[0]*1.609344) > 1e-12 || *part.Work.Grade != row[1] || part.Lasts != protocol.Ms(row[2])*protocol.Minute {
				t.Errorf("%s stage %d: %g mph (%g km/h) at %g %% for %v, want %v", id, i+1, part.Work.SpeedMph, part.Work.SpeedKmh, *part.Work.Grade, part.Lasts, row)
			}
		}
	}
}

// The eight survey protocols row by row: warm-up mph and %, stages mph, % and mL/kg/min. Source: procedures manual of
// the survey (rows 1 to 5 read there; oxygen uptakes of 6 to 8 solved from the public file, exact to its rounding).
var surveyRows = [8][8]float64{
	{1.7, 0, 2.1, 0.5, 9.6, 2.1, 4.5, 13.6}, {2.0, 1, 2.3, 2, 11.9, 2.3, 6.5, 16.9}, {2.2, 2, 2.7, 3, 14.6, 2.7, 7.5, 20.6}, {2.7, 2, 3.1, 4, 17.8, 3.1, 8.5, 24.4},
	{3.0, 3, 3.7, 4, 20.6, 3.7, 8, 27.8}, {3.1, 3.5, 3.7, 5.5, 23.3, 3.7, 10, 31.4}, {3.1, 3.5, 3.7, 7, 26.0, 3.7, 12.5, 35.9}, {3.2, 5, 3.7, 8.5, 28.7, 3.7, 14.5, 39.5},
}

func TestSurveyStagesRowByRow(t *testing.T) {
	for i, row := range surveyRows {
		p := load(t, "survey-treadmill-"+string(rune('1'+i)))
		a, b, c := &p.Parts[0], &p.Parts[1], &p.Parts[2]
		mph := func(part *protocol.Part) float64 {
			if part.Work.SpeedMph > 0 {
				return part.Work.SpeedMph
			}
			return math.Round(part.Work.SpeedKmh/protocol.KmhPerMph*1000) / 1000
		}
		got := [8]float64{mph(a), *a.Work.Grade, mph(b), *b.Work.Grade, b.VO2, mph(c), *c.Work.Grade, c.VO2}
		if got != row {
			t.Errorf("%s: %v, want %v", p.ID, got, row)
		}
		if a.Lasts != 2*protocol.Minute || b.Lasts != 3*protocol.Minute || c.Lasts != 3*protocol.Minute || p.CoolDown.It.Lasts != 2*protocol.Minute {
			t.Errorf("%s: %v, %v, %v, %v", p.ID, a.Lasts, b.Lasts, c.Lasts, p.CoolDown.It.Lasts)
		}
		if p.EndPoint.Is() || len(p.Inputs.Required) != 1 || p.Inputs.Required[0] != "age_years" {
			t.Errorf("%s: end point %v, required %v: it has none, and needs neither mass nor sex", p.ID, p.EndPoint.Is(), p.Inputs.Required)
		}
	}
}

// Shuttle levels row by row: m/s, lengths of 10 m in the minute. Source: BMJ Open 2014, doi 10.1136/bmjopen-2014-005216
// (0.50 m/s and 0.17 more each minute); lengths follow from the speed.
func TestShuttleLevelsRowByRow(t *testing.T) {
	p := load(t, "incremental-shuttle-walk")
	rows := []struct {
		speed   float64
		lengths int
	}{{0.50, 3}, {0.67, 4}, {0.84, 5}, {1.01, 6}, {1.18, 7}, {1.35, 8}, {1.52, 9}, {1.69, 10}, {1.86, 11}, {2.03, 12}, {2.20, 13}, {2.37, 14}}
	total := 0
	for i, row := range rows {
		part := &p.Parts[i]
		total += 10 * part.Beeps.InPart
		if math.Abs(part.Work.SpeedKmh-3.6*row.speed) > 1e-9 || part.Beeps.InPart != row.lengths || part.Beeps.Opens != "triple" || part.Lasts != protocol.Minute || part.Course.LengthM != 10 {
			t.Errorf("level %d: %+v", i+1, part)
		}
	}
	// CW32: constructed, stopped after 7 whole lengths of level 6: five levels of 250 m, and 70 m.
	walked := 0
	for i := range 5 {
		walked += 10 * p.Parts[i].Beeps.InPart
	}
	if walked += 7 * int(p.Parts[5].Course.LengthM); walked != 320 {
		t.Errorf("%d m after 7 lengths of level 6, want 320", walked)
	}
	if total != 1020 || len(p.Parts) != len(rows) {
		t.Errorf("%d m in %d levels, want 1020 in 12", total, len(p.Parts))
	}
}

// Step tests row by row: height m, cycles a minute, beat, minutes. Sources: pages that print the Queens College test, a
// step chart of a public-health project, Artery Research 2017;18:29 (notes), Am J Epidemiol 1985;121:382 (rates from memory).
func TestStepTestsRowByRow(t *testing.T) {
	for _, c := range []struct {
		id                 string
		part               int
		height, rate, beat float64
		at, over           string // of the count, after stopping
	}{
		{"queens-college-step-men", 0, 0.413, 24, 96, "0:20", "0:15"},
		{"queens-college-step-women", 0, 0.413, 22, 88, "0:20", "0:15"},
		{"three-minute-step", 0, 0.305, 24, 96, "1:00", "1:00"},
		{"tecumseh-step", 0, 0.203, 24, 96, "1:00", "0:30"},
		{"multistage-step", 0, 0.254, 17, 68, "", ""},
		{"multistage-step", 1, 0.254, 26, 104, "", ""},
		{"multistage-step", 2, 0.254, 34, 136, "", ""},
	} {
		p := load(t, c.id)
		part := &p.Parts[c.part]
		if part.Work.HeightM != c.height || part.Work.Rate != c.rate || part.Beeps.PerMinute != c.beat || part.Lasts != 3*protocol.Minute {
			t.Errorf("%s: %+v", c.id, part)
		}
		if c.at == "" {
			continue
		}
		if r := p.SetOf(1)[0]; r.At.String() != c.at || r.Over.String() != c.over || !r.Count || p.Parts[1].Begins != "clock" {
			t.Errorf("%s: count %+v", c.id, r)
		}
	}
}

// The branch of the cycle test row by row, in kgm/min at 6 per W. Source: the cycle sheet of a certifying body.
func TestBranchingCycleRowByRow(t *testing.T) {
	p := load(t, "branching-cycle")
	rows := [][3]float64{{750, 900, 1050}, {600, 750, 900}, {450, 600, 750}, {300, 450, 600}}
	limits := []float64{80, 90, 101, 0} // below; up to 100
	for i, row := range rows {
		r := &p.Choose.It.Rows[i]
		for k, kgm := range row {
			if *r.Work[k].Watts*6 != kgm || r.Below != limits[i] {
				t.Errorf("row %d: %g W below %g, want %g kgm/min below %g", i+1, *r.Work[k].Watts, r.Below, kgm, limits[i])
			}
		}
	}
	// CW03: constructed, the first load of the row that a steady heart rate calls for, in kgm/min.
	for hr, want := range map[float64]float64{79: 750, 80: 600, 89: 600, 90: 450, 100: 450, 101: 300} {
		for i := range p.Choose.It.Rows {
			if r := &p.Choose.It.Rows[i]; r.Below == 0 || hr < r.Below {
				if got := *r.Work[0].Watts * 6; got != want {
					t.Errorf("%g /min calls for %g kgm/min, want %g", hr, got, want)
				}
				break
			}
		}
	}
	if *p.Parts[0].Work.Watts*6 != 150 || p.Parts[4].Work.AddWatts*6 != 150 || p.Cadence.It.Fixed != 50 {
		t.Errorf("first %g W, then %g W more, at %g /min", *p.Parts[0].Work.Watts, p.Parts[4].Work.AddWatts, p.Cadence.It.Fixed)
	}
}

// A virtual participant runs every shipped test to its end: each part is conducted as the conductor says, the record
// replays to the same state, and a stage counts.
func TestEveryShippedTestRuns(t *testing.T) {
	for _, id := range library.IDs() {
		t.Run(id, func(t *testing.T) {
			p := load(t, id)
			r := &run{t: t, p: p}
			r.read = steadily(r, 72, 0)
			calm := r.read
			r.read = func(what protocol.Quantity, at protocol.Ms) float64 {
				switch {
				case what == protocol.Distance:
					return 12
				case what == protocol.HeartRate && r.s.Phase == conduct.Riding:
					return min(88+float64(6*r.s.NStages), 150)
				}
				return calm(what, at)
			}
			for i := range p.Parts {
				if m := p.Parts[i].UntilM; m > 0 { // covered after ten minutes
					r.happens = map[protocol.Ms][]conduct.Event{10 * protocol.Minute: {{Kind: conduct.Reading, What: protocol.Distance, V: m}}}
				}
			}
			in := adult()
			in.HeightCm = 168
			r.to(in)
			if r.s.LastCounted(p) < 0 {
				t.Errorf("no stage counts; said were\n%s", strings.Join(r.said, "\n"))
			}
			again, refused, err := conduct.Replay(p, r.events)
			if err != nil || len(refused) > 0 || again != r.s {
				t.Errorf("the record replays to another state: %v %v", err, refused)
			}
		})
	}
}

// The shuttle walk runs by the clock: levels begin by themselves at the full minute, beeps come where the speed wants
// them, and lengths that were to be complete count when nothing was entered.
func TestShuttleWalkRunsByTheClock(t *testing.T) {
	p := load(t, "incremental-shuttle-walk")
	r := &run{t: t, p: p, read: func(protocol.Quantity, protocol.Ms) float64 { return 0 }}
	r.happens = map[protocol.Ms][]conduct.Event{3*protocol.Minute + 35*protocol.Second: {{Kind: conduct.Stopped, Code: "breathless"}}}
	r.to(adult())
	if r.s.NStages != 4 || r.s.Stages[3].Began != 3*protocol.Minute {
		t.Errorf("%d levels, the fourth began at %v", r.s.NStages, r.s.Stages[3].Began)
	}
	// 3 + 4 + 5 lengths, then in level 4 one every 10 s: three by 35 s.
	if m, ok := r.s.DistanceM(p, r.s.Now); !ok || m != 150 {
		t.Errorf("%g m, want 150", m)
	}
	var s conduct.State
	for i := range r.events[:2] {
		if err := s.Take(p, &r.events[i]); err != nil {
			t.Fatal(err)
		}
	}
	b, ok := s.NextBeep(p, 41*protocol.Second)
	if !ok || b.AtMs != 60_000 || b.Done != 2 || b.Left != 1 || b.Opens != "triple" || b.Level != "level 1" || b.EveryMs != 20_000 {
		t.Errorf("next beep %+v", b)
	}
}

// Below 130 /min the nomogram test goes on 50 W higher; from 130 on it is done.
func TestSingleStageCycleRestartsLow(t *testing.T) {
	for hr, loads := range map[float64][]float64{120: {100, 150, 200}, 129: {100, 150}, 130: {100}} {
		p := load(t, "single-stage-cycle")
		r := &run{t: t, p: p}
		calm := steadily(r, 70, 0)
		r.read = func(what protocol.Quantity, at protocol.Ms) float64 {
			if what == protocol.HeartRate && r.s.Phase == conduct.Riding {
				return hr + float64(4*(r.s.NStages-1)) // it rises with the work
			}
			return calm(what, at)
		}
		r.wants = func(n conduct.Instruction, _ protocol.Ms) []conduct.Event {
			if n.Do == conduct.DoBegin {
				return []conduct.Event{{Kind: conduct.StageBegun, Code: n.Part, V: 100}}
			}
			return nil
		}
		r.to(adult())
		var got []float64
		for i := range r.s.Stages[:r.s.NStages] {
			got = append(got, r.s.Stages[i].Set)
		}
		if len(got) != len(loads) || got[len(got)-1] != loads[len(loads)-1] {
			t.Errorf("at %g /min loads %v, want %v", hr, got, loads)
		}
	}
}

// The heart rate of each load of the two-work-rate test is the mean of four readings.
func TestTwoWorkRatesTakeTheMeanOfFour(t *testing.T) {
	p := load(t, "two-work-rate-cycle")
	r := &run{t: t, p: p}
	r.read = func(what protocol.Quantity, _ protocol.Ms) float64 {
		if what != protocol.HeartRate || r.s.Phase != conduct.Riding {
			return map[protocol.Quantity]float64{protocol.RPE: 13, protocol.BloodPressure: 125, protocol.HeartRate: 75}[what]
		}
		taken := 0
		for i := range r.s.Stages[:r.s.NStages] {
			for k := range r.s.Stages[i].Readings[:r.s.Stages[i].NReadings] {
				if r.s.Stages[i].Readings[k].What == protocol.HeartRate {
					taken++
				}
			}
		}
		return 91 + float64(taken) // 91 to 94, then 95 to 98
	}
	r.to(adult())
	for i, want := range []float64{92.5, 96.5} {
		if j := r.s.Judge(p, i); j.Last != want || !j.Counts {
			t.Errorf("load %d: %g, counts %v, want %g", i+1, j.Last, j.Counts, want)
		}
	}
	if rise, ok := r.s.Fact(p, 1, "hr_rise_bpm"); !ok || rise != 4 {
		t.Errorf("rise %g %v, want 4", rise, ok)
	}
}

// No code knows a test by its name: choosing another test is choosing another file.
func TestNoProtocolIDInCode(t *testing.T) {
	ids := slices.DeleteFunc(library.IDs(), func(id string) bool { return slices.Contains(protocol.Families, id) }) // a family may be called alike
	pattern := regexp.MustCompile(`"(` + strings.Join(ids, "|") + `)"`)
	// The default of the form, a hint, and the two programs that measure the core name the first shipped test.
	for _, dir := range []string{".", "../conduct", "../prove", "../internal/web/core", "../estimate"} {
		names, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range names {
			if !strings.HasSuffix(name.Name(), ".go") || strings.HasSuffix(name.Name(), "_test.go") {
				continue
			}
			text, err := os.ReadFile(dir + "/" + name.Name())
			if err != nil {
				t.Fatal(err)
			}
			if found := pattern.Find(text); found != nil {
				t.Errorf("%s/%s names the protocol %s", dir, name.Name(), found)
			}
		}
	}
}
