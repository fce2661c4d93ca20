package conduct_test

// Each test proves one rule of the recumbent-stepper protocol as it stands in its file; the rule is named
// in the test, the source in the file's list of papers.

import (
	"encoding/json"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/protocol"
)

// Worked example (34 y, male, 82.0 kg, maximum 186, end point 158.1): stage 1 96, 98; 75 W 119, 122;
// 100 W 135, 139; 125 W 152, then 159: at the end point, not counted. W 100 and 139 give 40.4420.
func TestWorkedTestA(t *testing.T) {
	in := conduct.Inputs{AgeYears: 34, Sex: conduct.Male, MassKg: 82, Drug: conduct.DrugNo, Rhythm: conduct.Sinus, BP: conduct.BPNone}
	pl := play(t, in,
		"0:00 stage stage-1 30", "2:00 hr 96", "3:00 hr 98",
		"3:00 stage stage-2 75", "5:00 hr 119", "6:00 hr 122",
		"6:00 stage stage-3 100", "8:00 hr 135", "9:00 hr 139",
		"9:00 stage stage-4 125", "11:00 hr 152", "12:00 hr 159")
	n := pl.expect("12:00", conduct.DoEnd, "Planned end reached. Set the cool-down, 30 W.")
	if n.Rule != "end_point.percent" {
		t.Errorf("rule %s", n.Rule)
	}
	pl.play("12:05 cool-down 30")
	if pl.s.Stop.Code != "end-point" {
		t.Errorf("stopped by %q", pl.s.Stop.Code)
	}
	a := pl.assess()
	if a.Estimate == nil || math.Abs(float64(a.Estimate.Value)-40.4420) > 5e-5 || a.End.WorkW != 100 || a.End.HR != 139 {
		t.Errorf("estimate %+v end %+v", a.Estimate, a.End)
	}
	if got := pl.s.Limits.EndPoint; math.Abs(got-158.1) > 1e-9 || pl.s.Limits.EndBeat != 159 {
		t.Errorf("end point %v, first beat %d", got, pl.s.Limits.EndBeat)
	}
	// With the interrupted stage the reference gives 36.6; that is within one standard error: a caution.
	if a.Unfinished == nil || math.Abs(float64(a.Unfinished.Value)-36.617) > 0.001 || a.Verdict != estimate.WithCaution || reasonIDs(a) != "unfinished-stage" {
		t.Errorf("unfinished %+v verdict %s reasons %s", a.Unfinished, a.Verdict, reasonIDs(a))
	}
	if row, hr, _ := pl.s.RowCalled(pl.p); row != 3 || hr != 98 {
		t.Errorf("row %d for %v", row, hr)
	}
	if d := pl.departures(); len(d) != 0 {
		t.Errorf("departures %v", d)
	}
}

// Branch: below 80, 80 to 89, 90 to 100, above 100; a mean of samples becomes a whole beat, halves upwards,
// before anything else: 89.5 is 90, 100.4 is 100, 100.6 is 101.
func TestBranchRows(t *testing.T) {
	for _, c := range []struct {
		hr        float64
		row, near int
		work      float64
	}{
		{60, 1, 0, 125}, {77, 1, 0, 125}, {78, 1, 2, 125}, {79, 1, 2, 125}, {79.4, 1, 2, 125}, {79.5, 2, 1, 100}, {80, 2, 1, 100}, {81, 2, 1, 100}, {82, 2, 1, 100}, {83, 2, 0, 100},
		{85, 2, 0, 100}, {87, 2, 0, 100}, {88, 2, 3, 100}, {89.4, 2, 3, 100}, {89.5, 3, 2, 75}, {90, 3, 2, 75}, {92, 3, 2, 75}, {93, 3, 0, 75}, {95, 3, 0, 75}, {97, 3, 0, 75}, {98, 3, 4, 75}, {99, 3, 4, 75}, {100, 3, 4, 75}, {100.4, 3, 4, 75},
		{100.6, 4, 3, 50}, {101, 4, 3, 50}, {102, 4, 3, 50}, {103, 4, 0, 50}, {120, 4, 0, 50},
	} {
		pl := play(t, healthy(), "0:00 stage stage-1 30")
		pl.add(conduct.Event{At: 2 * protocol.Minute, Kind: conduct.Reading, What: protocol.HeartRate, V: c.hr})
		pl.add(conduct.Event{At: 3 * protocol.Minute, Kind: conduct.Reading, What: protocol.HeartRate, V: c.hr})
		n := pl.next("3:00")
		row, hr, near := pl.s.RowCalled(pl.p)
		if row != c.row || near != c.near || n.Do != conduct.DoSetWork || n.Work != c.work || hr != math.Floor(c.hr+0.5) {
			t.Errorf("%v: row %d near %d, %v %v W (heart rate %v), want row %d near %d, %v W", c.hr, row, near, n.Do, n.Work, hr, c.row, c.near, c.work)
		}
		offers := 0
		for _, choice := range n.Choices {
			if strings.Contains(choice.Say, "lies within 2 beats") {
				offers++
			}
		}
		if (near != 0) != (offers == 1) {
			t.Errorf("%v: near row %d, offered %d times", c.hr, near, offers)
		}
	}
}

// Steady: 5 apart is steady, 6 is not. Each extra minute compares with the one before, up to three; then
// the examiner is asked.
func TestSteadyStateAndExtension(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 90", "3:00 hr 95")
	pl.expect("3:00", conduct.DoSetWork, "Set 75 W.")

	pl = play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 90", "3:00 hr 96")
	n := pl.expect("3:00", conduct.DoWait, "Read heart rate in 1:00.")
	if n.Why != "90, then 96: 6 apart, more than 5." {
		t.Errorf("why %q", n.Why)
	}
	pl.play("4:00 hr 102", "5:00 hr 108")
	pl.expect("5:00", conduct.DoWait, "")
	pl.play("6:00 hr 114")
	n = pl.expect("6:00", conduct.DoDecide, "Accept")
	if len(n.Choices) != 2 || pl.s.Row != 0 {
		t.Errorf("choices %v row %d", n.Choices, pl.s.Row)
	}
	pl.play("6:05 accepted")
	pl.expect("6:06", conduct.DoSetWork, "Set 50 W.")
	pl.play("6:10 stage stage-2 50", "8:10 hr 118", "9:10 hr 119", "9:10 stop wish")
	a := pl.assess()
	if a.Verdict == estimate.NotUsable || a.End.WorkW != 50 {
		t.Errorf("%s %+v", a.Verdict, a.End)
	}
	// A stage that is accepted unsteady counts, usable with caution at best.
	pl = play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 95", "3:00 hr 98", "3:00 stage stage-2 75", "5:00 hr 112", "6:00 hr 118",
		"7:00 hr 124", "8:00 hr 130", "9:00 hr 136", "9:05 accepted", "9:10 stop wish")
	a = pl.assess()
	if a.Verdict != estimate.WithCaution || a.End.HR != 136 || !strings.Contains(reasonIDs(a), "unsteady-stage") {
		t.Errorf("%s %+v %s", a.Verdict, a.End, reasonIDs(a))
	}
}

// Large steps: a second confirmation and the next gentler row are offered, with the reason.
func TestAskBeforeLargeSteps(t *testing.T) {
	base := healthy()
	for _, c := range []struct {
		name   string
		change func(*conduct.Inputs)
		hr     float64
		why    string
	}{
		{"nothing special, row 3 is 45 W up", func(*conduct.Inputs) {}, 95, ""},
		{"drug", func(i *conduct.Inputs) { i.Drug = conduct.DrugYes }, 75, "rate-limiting drug is taken"},
		{"drug unknown", func(i *conduct.Inputs) { i.Drug = conduct.DrugNotKnown }, 75, "not known whether a rate-limiting drug"},
		{"drug not recorded", func(i *conduct.Inputs) { i.Drug = conduct.DrugNotRecorded }, 75, "not known whether"},
		{"rhythm", func(i *conduct.Inputs) { i.Rhythm = conduct.AtrialFib }, 85, "rhythm is not sinus"},
		{"age", func(i *conduct.Inputs) { i.AgeYears = 70 }, 85, "age is 70 or more"},
		{"stroke", func(i *conduct.Inputs) { i.Condition = conduct.CondNeurological }, 85, "condition is recorded"},
		{"lung", func(i *conduct.Inputs) { i.Condition = conduct.CondLung }, 85, "lung condition"},
		// Woman of 50, 70 kg: median 23.4, 7 fitter is 30.4; at 125 W the equation expects
		// (125.707 - 0.476*50 - 0.451*70 + 0.179*125 - 30.4)/0.415 = 149.9, above 144.5.
		{"pulse unusually low", func(*conduct.Inputs) {}, 75, "near 150 is expected"},
	} {
		in := base
		c.change(&in)
		pl := play(t, in, "0:00 stage stage-1 30", "2:00 hr "+num(c.hr), "3:00 hr "+num(c.hr))
		n := pl.expect("3:00", conduct.DoSetWork, "Set ")
		if (c.why == "") != (n.Confirm == "") || !strings.Contains(n.Confirm, c.why) {
			t.Errorf("%s: confirm %q, want %q", c.name, n.Confirm, c.why)
		}
		gentler := false
		for _, choice := range n.Choices {
			gentler = gentler || strings.Contains(choice.Say, "gentler row")
		}
		if c.why != "" && !gentler {
			t.Errorf("%s: no gentler row among %v", c.name, n.Choices)
		}
		pl.play("3:01 confirmed")
		if n := pl.next("3:01"); n.Confirm != "" {
			t.Errorf("%s: asked again: %q", c.name, n.Confirm)
		}
	}
}

func num(v float64) string { return strings.TrimSuffix(strings.TrimRight(fmtFloat(v), "0"), ".") }

// End point: 85 % of 220-50 is 144.5, so 145 is the first whole beat that ends the test; 144 does not.
// A reading of 144.5 becomes 145. A limit below the end point ends first and is a caution.
func TestEndPointAndSafetyLimit(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 140", "3:00 hr 144")
	pl.expect("3:00", conduct.DoSetWork, "Set 50 W.")
	pl = play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 142", "3:00 hr 144.5")
	n := pl.expect("3:00", conduct.DoEnd, "Planned end reached. Set the cool-down, 30 W.")
	if n.Why != "145 is at or above 145, the first whole beat at 85 % of 170." {
		t.Error(n.Why)
	}
	// The last reading of a stage at the end point, steady: the stage counts.
	if got := pl.s.LastCounted(pl.p); got != 0 {
		t.Errorf("last counted %d", got)
	}
	in := healthy()
	in.HRLimit, in.LimitsBy = 130, "Dr A (invented), 2026-11-01"
	pl = play(t, in, "0:00 stage stage-1 30", "2:00 hr 95", "3:00 hr 98", "3:00 stage stage-2 75", "5:00 hr 120", "6:00 hr 124",
		"6:00 stage stage-3 100", "8:00 hr 130")
	n = pl.expect("8:00", conduct.DoEnd, "Safety limit reached. Set the cool-down, 30 W.")
	if n.Rule != "limits.heart_rate" || !strings.Contains(n.Why, "Dr A (invented)") {
		t.Errorf("%s %s", n.Rule, n.Why)
	}
	pl.play("8:05 cool-down 30")
	a := pl.assess()
	if a.Verdict != estimate.WithCaution || !strings.Contains(reasonIDs(a), "ended-at-safety-limit") {
		t.Errorf("%s %s", a.Verdict, reasonIDs(a))
	}
	// Above the end point the safety limit is never reached first.
	in.HRLimit = 150
	pl = play(t, in, "0:00 stage stage-1 30", "2:00 hr 142", "3:00 hr 151")
	pl.expect("3:00", conduct.DoEnd, "Planned end reached.")
	// Systolic, saturation and exertion limits of the referrer.
	for _, c := range []struct {
		set  func(*conduct.Inputs)
		line string
		rule conduct.Rule
	}{
		{func(i *conduct.Inputs) { i.SBPLimit = 180 }, "2:40 bp 180 80", "limits.sbp"},
		{func(i *conduct.Inputs) { i.SpO2Limit = 90 }, "2:40 spo2 90", "limits.spo2"},
		{func(i *conduct.Inputs) { i.RPELimit = 13 }, "2:40 rpe 13", "limits.rpe"},
	} {
		in := healthy()
		c.set(&in)
		pl := play(t, in, "0:00 stage stage-1 30", "2:00 hr 95", c.line)
		if n := pl.expect("2:41", conduct.DoEnd, "Safety limit reached."); n.Rule != c.rule {
			t.Errorf("%s: rule %s", c.line, n.Rule)
		}
	}
}

// Live heart rate is judged on a mean over 10 s of good beats.
func TestWindowEndsTheTest(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 140", "2:20 window hr 144.4")
	if n := pl.next("2:20"); n.Do == conduct.DoEnd {
		t.Error("ended below the end point")
	}
	pl.play("2:21 window hr 144.5")
	pl.expect("2:21", conduct.DoEnd, "Planned end reached.")
}

// Exertion ends at 17 (alert 15); at 15 (alert 13) with a neurological, heart or lung condition or where heart
// rate cannot lead. A site may choose otherwise.
func TestExertion(t *testing.T) {
	for _, c := range []struct {
		name       string
		change     func(*conduct.Inputs)
		alert, end float64
	}{
		{"healthy", func(*conduct.Inputs) {}, 15, 17},
		{"stroke", func(i *conduct.Inputs) { i.Condition = conduct.CondNeurological }, 13, 15},
		{"heart", func(i *conduct.Inputs) { i.Condition = conduct.CondHeart }, 13, 15},
		{"lung", func(i *conduct.Inputs) { i.Condition = conduct.CondLung }, 13, 15},
		{"drug", func(i *conduct.Inputs) { i.Drug = conduct.DrugYes }, 13, 15},
		{"pacemaker", func(i *conduct.Inputs) { i.Rhythm = conduct.PacedRhythm }, 13, 15},
		{"site", func(i *conduct.Inputs) {
			i.RPEEnd, i.RPEAlert, i.RPEReason = 14, 12, "policy of 2026 (invented)"
		}, 12, 14},
	} {
		in := healthy()
		c.change(&in)
		pl := play(t, in, "0:00 stage stage-1 30", "2:00 hr 95", "2:30 rpe "+num(c.alert-1))
		if n := pl.next("2:31"); warned(n, "Exertion") || n.Do == conduct.DoEnd {
			t.Errorf("%s: too early: %v %v", c.name, n.Do, n.Warnings)
		}
		pl.play("2:32 rpe " + num(c.alert))
		if n := pl.next("2:33"); !warned(n, "Exertion") {
			t.Errorf("%s: no alert at %v: %v", c.name, c.alert, n.Warnings)
		}
		pl.play("2:34 rpe " + num(c.end))
		pl.expect("2:35", conduct.DoEnd, "Exertion limit reached.")
	}
}

func warned(n conduct.Instruction, text string) bool {
	for _, w := range n.Warnings {
		if strings.Contains(w.Say, text) {
			return true
		}
	}
	return false
}

// Where heart rate cannot lead, the state says what does, and the result is not a usable peak uptake.
func TestHeartRateCannotLead(t *testing.T) {
	for _, set := range []func(*conduct.Inputs){
		func(i *conduct.Inputs) { i.Drug = conduct.DrugYes }, func(i *conduct.Inputs) { i.Rhythm = conduct.AtrialFib },
		func(i *conduct.Inputs) { i.Rhythm = conduct.PacedRhythm }, func(i *conduct.Inputs) { i.Rhythm = conduct.Transplant },
		func(i *conduct.Inputs) { i.Rhythm = conduct.SpinalLesionT6 },
	} {
		in := healthy()
		set(&in)
		pl := play(t, in, "0:00 stage stage-1 30", "2:00 hr 95", "3:00 hr 98", "3:00 stage stage-2 75", "5:00 hr 126", "6:00 hr 128", "6:00 stop wish")
		if n := pl.next("6:01"); n.Leads != "exertion and symptoms" {
			t.Errorf("leads %q", n.Leads)
		}
		a := pl.assess()
		if a.Verdict != estimate.NotUsable || a.Estimate == nil || !a.Estimate.Value.Present() {
			t.Errorf("%+v: %s, estimate %v", in, a.Verdict, a.Estimate)
		}
	}
	pl := play(t, healthy(), "0:00 stage stage-1 30")
	if n := pl.next("0:30"); n.Leads != "heart rate" {
		t.Errorf("leads %q", n.Leads)
	}
}

// Cadence twice more than 10 % below the own target for 15 s ends the test.
func TestCadence(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 30", "0:30 window cadence 90", "1:00 window cadence 89.9")
	if n := pl.next("1:00"); n.Do == conduct.DoEnd || !warned(n, "Cadence fell") {
		t.Errorf("%v %v", n.Do, n.Warnings)
	}
	pl.play("1:30 window cadence 80")
	pl.expect("1:30", conduct.DoEnd, "Cadence not kept.")
}

// Cuff: still running at 2:45 gives the stage a minute, which does not count as unsteady.
func TestCuff(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 95", "2:05 measuring", "2:44 note")
	if pl.s.Stages[0].Extra[conduct.ForCuff] != 0 {
		t.Error("extended before 2:45")
	}
	pl.play("2:45 note", "2:50 bp 140 80", "3:00 hr 97")
	if pl.s.Stages[0].Extra[conduct.ForCuff] != 1 {
		t.Error("no minute for the cuff")
	}
	pl.expect("3:05", conduct.DoWait, "Read heart rate in 0:55.")
	pl.play("4:00 hr 98")
	pl.expect("4:00", conduct.DoSetWork, "Set 75 W.")
	if d := pl.departures(); len(d) != 0 {
		t.Errorf("departures %v", d)
	}
}

// Late: a reading typed up to 60 s late fills its slot; later it does not.
func TestLateReadings(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 95", "3:55 hr 97 ago 0:55")
	if j := pl.s.Judge(pl.p, 0); !j.Complete || j.Last != 97 {
		t.Errorf("%+v", j)
	}
	pl = play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 95", "4:00 hr 97 slot 3")
	if j := pl.s.Judge(pl.p, 0); !j.Complete {
		t.Errorf("exactly 60 s late: %+v", j)
	}
	pl = play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 95", "4:01 hr 97 ago 1:01")
	if j := pl.s.Judge(pl.p, 0); j.N != 1 || j.Missing != 3 {
		t.Errorf("61 s late: %+v", j)
	}
	if pl.s.Stages[0].Extra[conduct.ForMissing] != 1 {
		t.Error("no extra minute for the missing reading")
	}
	// A reading for a slot, taken outside its window, fills it with a warning.
	pl = play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 95", "2:40 hr 97 slot 3")
	if n := pl.next("2:41"); !warned(n, "97 was read outside the window of minute 3") {
		t.Errorf("%v", n.Warnings)
	}
	// A late reading of the stage before belongs to that stage.
	pl = play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 95", "3:10 stage stage-2 50", "3:20 hr 97 ago 0:20")
	if j := pl.s.Judge(pl.p, 0); !j.Complete || !j.Steady {
		t.Errorf("%+v", j)
	}
}

// Breaks: up to 15 s go on; 16 to 60 s one extra minute; more restarts the stage; more than 3 min ends.
func TestBreaks(t *testing.T) {
	for _, c := range []struct {
		over     string
		extra    uint8
		restarts uint8
		end      bool
	}{
		{"1:15", 0, 0, false}, {"1:16", 1, 0, false}, {"2:00", 1, 0, false}, {"2:01", 0, 1, false}, {"4:00", 0, 1, false}, {"4:01", 0, 0, true},
	} {
		pl := play(t, healthy(), "0:00 stage stage-1 30", "1:00 break", c.over+" break-over")
		st := &pl.s.Stages[0]
		n := pl.next(c.over)
		if st.Extra[conduct.ForBreak] != c.extra || st.Restarts != c.restarts || (n.Do == conduct.DoEnd) != c.end {
			t.Errorf("break 1:00 to %s: extra %d restarts %d %v %q", c.over, st.Extra[conduct.ForBreak], st.Restarts, n.Do, n.Say)
		}
		if c.restarts == 1 && st.From != ms(t, c.over) {
			t.Errorf("restarts from %v", st.From)
		}
	}
	pl := play(t, healthy(), "0:00 stage stage-1 30", "1:00 break")
	pl.expect("1:30", conduct.DoBreak, "Break: 0:30.")
	pl.expect("4:30", conduct.DoEnd, "too long")
}

// Wrong work rate: put right within the first minute the stage goes on; later its minutes restart; a whole
// stage at a wrong constant load counts with the real load.
func TestWrongWork(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 50", "1:00 work 30")
	if st := &pl.s.Stages[0]; st.From != 0 || st.Set != 30 {
		t.Errorf("%+v", st)
	}
	pl = play(t, healthy(), "0:00 stage stage-1 50", "1:01 work 30", "3:01 hr 95", "4:01 hr 96")
	if st := &pl.s.Stages[0]; st.From != ms(t, "1:01") || !pl.s.Judge(pl.p, 0).Counts {
		t.Errorf("%+v", st)
	}
	pl = play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 95", "3:00 hr 98", "3:00 stage stage-2 75", "5:00 hr 120", "6:00 hr 124")
	stage := conduct.ID{Term: 1, N: pl.s.Stages[1].Ref.N}
	pl.add(conduct.Event{At: ms(t, "6:05"), Kind: conduct.Correct, Ref: stage, V: 90})
	pl.play("6:10 stop wish")
	if a := pl.assess(); a.End.WorkW != 90 || !strings.Contains(strings.Join(pl.departures(), "\n"), "stage 2 at 90 W, planned 75 W") {
		t.Errorf("%+v %v", a.End, pl.departures())
	}
}

// Observed work rate: more than the larger of 5 W and 5 % off is a caution with the alternative estimate.
func TestObservedWorkRate(t *testing.T) {
	for _, c := range []struct {
		set, observed float64
		differs       bool
	}{{75, 80, false}, {75, 80.1, true}, {75, 69.9, true}, {150, 157.5, false}, {150, 157.6, true}} {
		st := conduct.Stage{Set: c.set, Observed: c.observed}
		if got := conduct.ObservedDiffers(stepper(t), &st); got != c.differs {
			t.Errorf("%v against %v: %v", c.observed, c.set, got)
		}
	}
	pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 95", "3:00 hr 98", "3:00 stage stage-2 75", "5:00 hr 126", "6:00 hr 128", "6:00 observed 85", "6:01 stop wish")
	a := pl.assess()
	// 0.179 W-term: 10 W more is 1.79 more.
	want := "with the measured one the estimate would be " + fixed1(float64(a.Estimate.Value)+1.79)
	if a.Verdict != estimate.WithCaution || !strings.Contains(textOf(a, "observed-work-rate"), want) {
		t.Errorf("%s: %q, want %q", a.Verdict, textOf(a, "observed-work-rate"), want)
	}
}

// Disturbed: the reading is not used and a minute is offered.
func TestDisturbed(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 95")
	// The mark comes with the reading, before any act is due.
	pl.add(conduct.Event{At: ms(t, "3:00"), Kind: conduct.Reading, What: protocol.HeartRate, V: 99})
	pl.add(conduct.Event{At: ms(t, "3:00"), Kind: conduct.Disturbed, Ref: pl.ref()})
	n := pl.next("3:00")
	if st := &pl.s.Stages[0]; st.Extra[conduct.ForDisturbed] != 1 || n.Do != conduct.DoWait {
		t.Errorf("%v %q extra %v", n.Do, n.Say, st.Extra)
	}
	pl.play("4:00 hr 97")
	pl.expect("4:00", conduct.DoSetWork, "Set 75 W.")
	if j := pl.s.Judge(pl.p, 0); j.Prev != 95 || j.Last != 97 {
		t.Errorf("%+v", j)
	}
}

// A correction that gives a gentler row than is ridden says so at once and restarts the stage; a harder one is
// only offered from the next stage; the ridden stages stay as they are.
func TestCorrectionChangesRow(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 86", "3:00 hr 88")
	reading := readingID(pl, 88)
	pl.play("3:00 confirmed", "3:00 stage stage-2 100")
	pl.add(conduct.Event{At: ms(t, "3:40"), Kind: conduct.Correct, Ref: reading, V: 91})
	n := pl.expect("3:40", conduct.DoLower, "Lower to 75 W now.")
	if n.Row != "row-3" || pl.s.Stages[1].Set != 100 || pl.s.Stages[1].Planned != 100 {
		t.Errorf("row %s, stage %+v", n.Row, pl.s.Stages[1])
	}
	pl.play("4:05 work 75")
	if st := &pl.s.Stages[1]; st.From != ms(t, "4:05") || st.Set != 75 {
		t.Errorf("%+v", st)
	}
	pl.play("6:05 hr 110", "7:05 hr 112")
	pl.expect("7:05", conduct.DoSetWork, "Set 100 W.") // row 3, not row 2

	// the other way round: 91 becomes 88
	pl = play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 89", "3:00 hr 91")
	reading = readingID(pl, 91)
	pl.play("3:00 stage stage-2 75")
	pl.add(conduct.Event{At: ms(t, "3:40"), Kind: conduct.Correct, Ref: reading, V: 88})
	if n := pl.next("3:41"); n.Do == conduct.DoLower || pl.s.Row != 3 {
		t.Errorf("%v row %d", n.Do, pl.s.Row)
	}
	if d := strings.Join(pl.departures(), "\n"); !strings.Contains(d, "gentler row is always allowed") {
		t.Errorf("departures %q", d)
	}
}

func readingID(pl *player, v float64) conduct.ID {
	for i := len(pl.events) - 1; i >= 0; i-- {
		if e := &pl.events[i]; e.Kind == conduct.Reading && e.V == v {
			return e.ID()
		}
	}
	return conduct.ID{}
}

// A corrected heart rate at or over a limit gives the stop instruction at once, and the other way round.
func TestCorrectionAcrossALimit(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 104")
	reading := pl.ref()
	pl.add(conduct.Event{At: ms(t, "2:10"), Kind: conduct.Correct, Ref: reading, V: 146})
	pl.expect("2:10", conduct.DoEnd, "Planned end reached.")
	pl.add(conduct.Event{At: ms(t, "2:20"), Kind: conduct.Correct, Ref: reading, V: 104})
	if n := pl.next("2:20"); n.Do == conduct.DoEnd {
		t.Error("a slip still ends the test")
	}
}

// A gentler row is recorded and does not lower the verdict; a harder one is a departure that does.
func TestOtherRows(t *testing.T) {
	ride := func(row string, w2, w3 string) *player {
		return play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 93", "3:00 hr 95", "3:00 branch "+row, "3:00 stage stage-2 "+w2,
			"5:00 hr 114", "6:00 hr 116", "6:00 stage stage-3 "+w3, "8:00 hr 130", "9:00 hr 133", "9:00 stop wish")
	}
	pl := ride("row-4", "50", "75")
	if a := pl.assess(); a.Verdict != estimate.Usable || len(a.Departures) != 1 || !strings.Contains(a.Departures[0].Text, "gentler") {
		t.Errorf("%s %s %+v", a.Verdict, reasonIDs(a), a.Departures)
	}
	pl = ride("row-2", "100", "125")
	if a := pl.assess(); a.Verdict != estimate.WithCaution || reasonIDs(a) != "departure" {
		t.Errorf("%s %s %v", a.Verdict, reasonIDs(a), a.Departures)
	}
	pl = ride("row-3", "75", "100")
	if a := pl.assess(); a.Verdict != estimate.Usable || len(a.Departures) != 0 {
		t.Errorf("%s %s %v", a.Verdict, reasonIDs(a), a.Departures)
	}
}

// Load raised although the stage was unsteady: put it back for one minute, or go on without that stage.
func TestRaisedTooEarly(t *testing.T) {
	start := []string{"0:00 stage stage-1 30", "2:00 hr 95", "3:00 hr 98", "3:00 stage stage-2 75", "5:00 hr 112", "6:00 hr 120", "6:10 stage stage-3 100"}
	pl := play(t, healthy(), start...)
	n := pl.expect("6:15", conduct.DoPutBack, "Put back 75 W for one minute, or go on.")
	if !strings.Contains(n.Why, "stage 2 was unsteady (112, then 120)") || !strings.Contains(n.Why, "stage 2 will not count") {
		t.Error(n.Why)
	}
	pl.play("6:20 stage stage-2 75")
	pl.expect("6:30", conduct.DoWait, "Read heart rate in 0:50.")
	pl.play("7:20 hr 123")
	pl.expect("7:20", conduct.DoSetWork, "Set 100 W.")
	if i := pl.s.LastCounted(pl.p); i < 0 || pl.s.Stages[i].Set != 75 {
		t.Errorf("counted %d", i)
	}
	pl = play(t, healthy(), append(start, "8:10 hr 130", "9:10 hr 132", "9:10 stop wish")...)
	a := pl.assess()
	if a.End.WorkW != 100 || pl.s.Judge(pl.p, 1).Counts {
		t.Errorf("%+v", a.End)
	}
	if d := strings.Join(pl.departures(), "\n"); !strings.Contains(d, "stage 2 was not extended although 112 and 120 differ by 8") {
		t.Error(d)
	}
}

// Stages of +25 W beyond the fourth are allowed and marked.
func TestBeyondTheGrid(t *testing.T) {
	lines := []string{"0:00 stage stage-1 30", "2:00 hr 104", "3:00 hr 105", "3:00 stage stage-2 50", "5:00 hr 110", "6:00 hr 112",
		"6:00 stage stage-3 75", "8:00 hr 116", "9:00 hr 118", "9:00 stage stage-4 100", "11:00 hr 122", "12:00 hr 124"}
	pl := play(t, healthy(), lines...)
	n := pl.expect("12:00", conduct.DoEnd, "All planned stages are done.")
	if len(n.Choices) != 1 || !strings.Contains(n.Choices[0].Say, "125 W (beyond the published grid)") {
		t.Errorf("%v", n.Choices)
	}
	pl.play("12:05 stage more 125", "14:05 hr 128", "15:05 hr 130", "15:10 stage more 150", "17:10 hr 135", "18:10 hr 136", "18:15 cool-down 30")
	a := pl.assess()
	if a.End.WorkW != 150 || a.Verdict != estimate.WithCaution || !strings.Contains(reasonIDs(a), "marked-stage") {
		t.Errorf("%s %+v %s", a.Verdict, a.End, reasonIDs(a))
	}
}

// Only stage 1 counts and its heart rate is more than 20 below the end point (144.5): not usable.
func TestOnlyStageOne(t *testing.T) {
	for _, c := range []struct {
		hr      string
		verdict string
	}{{"124", estimate.NotUsable}, {"125", estimate.Usable}} {
		pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr "+c.hr, "3:00 hr "+c.hr, "3:00 stop wish")
		if a := pl.assess(); a.Verdict != c.verdict || a.Estimate == nil {
			t.Errorf("%s: %s %s", c.hr, a.Verdict, reasonIDs(a))
		}
	}
}

// The answers with and without the unfinished stage differ by more than one standard error: not usable.
func TestUnfinishedStageDisagrees(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 74", "3:00 hr 75", "3:00 branch row-1", "3:00 stage stage-2 125", "5:00 hr 142", "5:10 stop wish")
	a := pl.assess()
	if a.Verdict != estimate.NotUsable || !strings.Contains(reasonIDs(a), "unfinished-stage-disagrees") {
		t.Errorf("%s %s", a.Verdict, reasonIDs(a))
	}
}

// A test that goes on past its end point while heart rate keeps rising; a stage left early; a planned end that
// nothing reached.
func TestDeparturesOfTheEnd(t *testing.T) {
	in := conduct.Inputs{AgeYears: 34, Sex: conduct.Male, MassKg: 82, Drug: conduct.DrugNo, Rhythm: conduct.Sinus, BP: conduct.BPNone}
	pl := play(t, in, "0:00 stage stage-1 30", "2:00 hr 96", "3:00 hr 98", "3:00 stage stage-2 75", "5:00 hr 128", "6:00 hr 130",
		"6:00 stage stage-3 100", "8:00 hr 155", "9:00 hr 159", "9:00 stage stage-4 125", "11:00 hr 170", "12:00 hr 171", "12:00 stop end-point")
	a := pl.assess()
	if d := strings.Join(pl.departures(), "\n"); a.Verdict != estimate.WithCaution || !strings.Contains(d, "10: the test went on with 125 W after: 159 is at or above 159") {
		t.Errorf("%s %s", a.Verdict, d)
	}
	pl = play(t, in, "0:00 stage stage-1 30", "2:00 hr 96", "3:00 hr 98", "3:00 stage stage-2 75", "5:00 hr 119", "5:00 stage stage-3 100", "7:00 hr 130", "8:00 hr 133", "8:00 stop end-point")
	d := strings.Join(pl.departures(), "\n")
	if !strings.Contains(d, "stage 2 was left after 2:00") || !strings.Contains(d, "no heart rate reached 159") {
		t.Error(d)
	}
}

// No stage counts: no estimate, but what was measured stays.
func TestNoStageCounts(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 95", "2:30 stop fatigue")
	a := pl.assess()
	if a.Verdict != estimate.NotUsable || a.Estimate != nil || a.NoEstimate == "" || a.Unfinished == nil || a.Unfinished.HR != 95 {
		t.Errorf("%+v", a)
	}
}

func textOf(a estimate.Assessment, id string) string {
	for _, r := range a.Reasons {
		if r.ID == id {
			return r.Text
		}
	}
	return ""
}

// Each input of inputs.csv goes to the field of its name.
func TestInputsGoToTheirFields(t *testing.T) {
	names := 0
	for _, line := range strings.Split(strings.TrimSpace(readFile(t, "inputs.csv")), "\n")[1:] {
		name, low, _ := strings.Cut(line, ",")
		low, _, _ = strings.Cut(low, ",")
		v, err := strconv.ParseFloat(low, 64)
		if err != nil {
			t.Fatal(err)
		}
		var in conduct.Inputs
		if err := in.Set(name, "", v); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		text, err := json.Marshal(in)
		if err != nil || !strings.Contains(string(text), `"`+name+`":`+low) {
			t.Errorf("%s: %s %v", name, text, err)
		}
		names++
	}
	if names < 15 {
		t.Errorf("only %d inputs", names)
	}
}

func readFile(t *testing.T, name string) string {
	t.Helper()
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// A load set before a row was known is compared with the row that the last reading of stage 1 calls for: at once,
// when a late reading comes, and in the departures.
func TestLoadBeforeARow(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 100", "3:02 stage stage-2 125", "3:20 hr 104 ago 0:20")
	pl.expect("3:20", conduct.DoLower, "Lower to 50 W now.")
	pl.play("3:25 work 50")
	if n := pl.next("3:26"); n.Do == conduct.DoLower {
		t.Errorf("%v after the load was lowered", n.Do)
	}

	pl = play(t, healthy(), "0:00 stage stage-1 30", "3:00 hr 103", "3:02 stage stage-2 50")
	if row, hr, _ := pl.s.RowCalled(pl.p); row != 4 || hr != 103 {
		t.Errorf("row %d for %v", row, hr)
	}
	if n := pl.next("3:05"); n.Do == conduct.DoLower {
		t.Errorf("%v at the load of the row", n.Do)
	}

	// nothing is called for while stage 1 waits for its second reading
	pl = play(t, healthy(), "0:00 stage stage-1 30", "3:00 hr 103")
	if row, _, _ := pl.s.RowCalled(pl.p); row != 0 {
		t.Errorf("row %d", row)
	}

	// a row taken without any heart rate is a departure
	pl = play(t, healthy(), "0:00 stage stage-1 30", "3:00 branch row-1", "3:00 stage stage-2 125", "5:00 hr 120", "6:00 hr 121")
	if d := strings.Join(pl.departures(), "\n"); !strings.Contains(d, "although no heart rate calls for a row") {
		t.Errorf("departures %q", d)
	}
}
