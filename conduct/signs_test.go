package conduct_test

import (
	"errors"
	"strings"
	"testing"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/protocol"
)

// After a stop for chest discomfort, near-faint, confusion, pallor or a new neurological sign the advice is to
// stop stepping and stay seated; never a work rate. Told fatigue or a wish leads to the cool-down.
func TestAdviceAfterStop(t *testing.T) {
	for _, sign := range []string{"chest-discomfort", "near-faint", "confusion", "pallor", "neuro-sign", "rhythm-change"} {
		pl := play(t, healthy(), "0:00 stage stage-1 30", "1:00 sign "+sign)
		n := pl.expect("1:00", conduct.DoStop, "Stop now.")
		if n.Rule != "signs" || n.Source == "" {
			t.Errorf("%s: rule %s source %q", sign, n.Rule, n.Source)
		}
		pl.play("1:05 stop " + sign)
		n = pl.expect("1:06", conduct.DoStop, "Stay seated")
		if strings.Contains(n.Say, " W") || len(n.Choices) != 0 {
			t.Errorf("%s: %q %v", sign, n.Say, n.Choices)
		}
	}
	for _, reason := range []string{"fatigue", "wish", "end-point", "cadence"} {
		pl := play(t, healthy(), "0:00 stage stage-1 30", "1:00 stop "+reason)
		pl.expect("1:05", conduct.DoEnd, "Set the cool-down, 30 W.")
	}
	// A symptom told after an ordinary stop takes over.
	pl := play(t, healthy(), "0:00 stage stage-1 30", "1:00 stop wish", "1:05 sign chest-discomfort")
	pl.expect("1:06", conduct.DoStop, "Stay seated")
	// Going straight on with the cool-down although a stop sign stands: the reason is kept.
	pl = play(t, healthy(), "0:00 stage stage-1 30", "1:00 sign pallor", "1:05 recovery")
	if pl.s.Stop.Code != "pallor" {
		t.Errorf("code %q", pl.s.Stop.Code)
	}
}

// Raising the load past a stop sign or past the end point is possible, but never silent.
func TestNeverSilentlyPastAStop(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 95", "3:00 hr 97", "3:00 sign near-faint", "3:05 stage stage-2 75", "5:05 hr 118")
	pl.expect("5:06", conduct.DoStop, "Stop now.")
	if d := strings.Join(pl.departures(), "\n"); !strings.Contains(d, "went on with 75 W after: Light-headed") {
		t.Error(d)
	}
	if a := pl.assess(); a.Verdict == estimate.Usable {
		t.Error(a.Verdict)
	}
	pl = play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 143", "3:00 hr 146", "3:05 stage stage-2 50", "5:05 hr 140")
	pl.expect("5:06", conduct.DoEnd, "Planned end reached.")
	if d := strings.Join(pl.departures(), "\n"); !strings.Contains(d, "went on with 50 W after: 146 is at or above 145") {
		t.Error(d)
	}
}

// Stop signs that are numbers, each side of each limit (the table of stop signs).
func TestMeasuredSigns(t *testing.T) {
	for _, c := range []struct {
		line string
		stop bool
	}{
		{"2:10 bp 250 100", false}, {"2:10 bp 251 100", true}, {"2:10 bp 200 115", false}, {"2:10 bp 200 116", true},
		{"2:10 spo2 81", false}, {"2:10 spo2 80", true},
	} {
		pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 95", c.line)
		if n := pl.next("2:11"); (n.Do == conduct.DoStop) != c.stop {
			t.Errorf("%s: %v %q", c.line, n.Do, n.Say)
		}
	}
	pl := play(t, healthy(), "0:00 stage stage-1 30", "2:10 spo2 88")
	if n := pl.next("2:11"); !warned(n, "Oxygen saturation 88 % or less") || n.Do == conduct.DoStop {
		t.Errorf("%v %v", n.Do, n.Warnings)
	}
}

// A systolic fall of 10 or more with more work, a systolic below rest, a pulse that does not rise: hold the load and
// measure again, with a countdown; stop when confirmed, when not measured in time, or with any symptom.
func TestCheckAgain(t *testing.T) {
	start := []string{"0:00 stage stage-1 30", "2:00 hr 95", "2:10 bp 150 80", "3:00 hr 97", "3:00 stage stage-2 75", "5:00 hr 112"}
	with := func(more ...string) *player {
		return play(t, healthy(), append(append([]string{}, start...), more...)...)
	}

	pl := with("5:10 bp 141 80")
	if n := pl.next("5:11"); n.Do == conduct.DoHoldCheck || n.Do == conduct.DoStop {
		t.Errorf("a fall of 9: %v", n.Do)
	}
	pl = with("5:10 bp 140 80")
	n := pl.expect("5:20", conduct.DoHoldCheck, "Measure blood pressure again: 0:50 left.")
	if n.Source == "" || !strings.Contains(n.Why, "140, against 150 before") {
		t.Errorf("%q %q", n.Why, n.Source)
	}
	pl.expect("6:11", conduct.DoStop, "Stop now.")
	pl.play("5:40 bp 150 80")
	if n := pl.next("5:41"); n.Do == conduct.DoHoldCheck || n.Do == conduct.DoStop {
		t.Errorf("cleared, yet %v", n.Do)
	}
	pl = with("5:10 bp 140 80", "5:40 bp 139 80")
	pl.expect("5:41", conduct.DoStop, "Stop now.")
	pl.play("5:45 stop sbp-falls")
	pl.expect("5:46", conduct.DoStop, "Stay seated")
	pl = with("5:10 bp 140 80", "5:20 sign other-symptom")
	pl.expect("5:21", conduct.DoStop, "Stop now.")
	// below rest (120), in the first stage
	pl = play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 95", "2:10 bp 119 80")
	pl.expect("2:11", conduct.DoHoldCheck, "Measure blood pressure again")
	// pulse not rising: judged at the end of the stage
	pl = with("6:00 hr 97")
	pl.expect("6:00", conduct.DoHoldCheck, "Feel the pulse and enter it: 0:30 left.")
	pl.play("6:15 hr 113")
	if n := pl.next("6:16"); n.Do == conduct.DoHoldCheck || n.Do == conduct.DoStop {
		t.Errorf("pulse rose, yet %v", n.Do)
	}
	pl = with("6:00 hr 97")
	pl.expect("6:31", conduct.DoStop, "Stop now.")
}

// A stop by mistake can be taken back within 10 s, and is recorded.
func TestStopByMistake(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 95", "2:30 stop examiner")
	n := pl.next("2:35")
	if len(n.Choices) != 1 || !strings.Contains(n.Choices[0].Say, "mistake") {
		t.Errorf("%v", n.Choices)
	}
	pl.play("2:40 unstopped", "3:00 hr 97")
	pl.expect("3:00", conduct.DoSetWork, "Set 75 W.")
	if pl.s.Stop.Taken != 1 || !strings.Contains(strings.Join(pl.departures(), "\n"), "taken back") {
		t.Errorf("%+v %v", pl.s.Stop, pl.departures())
	}
	pl = play(t, healthy(), "0:00 stage stage-1 30", "2:30 stop examiner")
	if err := pl.try(pl.parse("2:41 unstopped")); refusedBy(err) != "stop_by_mistake" {
		t.Errorf("after 11 s: %v", err)
	}
}

// Recovery: within 20 of own rest, systolic within 20 on either side and not below 90, no symptom, 5 min at least.
func TestRecovery(t *testing.T) {
	start := []string{"0:00 stage stage-1 30", "2:00 hr 95", "3:00 hr 97", "3:00 stop wish", "3:05 cool-down 30"}
	with := func(in conduct.Inputs, more ...string) *player {
		return play(t, in, append(append([]string{}, start...), more...)...)
	}
	pl := with(healthy(), "5:05 recovery", "7:00 hr 85", "7:10 bp 130 70")
	pl.expect("7:45", conduct.DoRecover, "")
	pl.expect("8:00", conduct.DoClose, "Recovered.")
	for _, c := range []struct {
		lines []string
		ok    bool
	}{
		{[]string{"8:00 hr 90", "8:10 bp 130 70"}, true}, {[]string{"8:00 hr 91", "8:10 bp 130 70"}, false},
		{[]string{"8:00 hr 85", "8:10 bp 140 70"}, true}, {[]string{"8:00 hr 85", "8:10 bp 141 70"}, false},
		{[]string{"8:00 hr 85", "8:10 bp 100 70"}, true}, {[]string{"8:00 hr 85", "8:10 bp 99 70"}, false},
		{[]string{"8:00 hr 85"}, false},
	} {
		pl := with(healthy(), append([]string{"5:05 recovery"}, c.lines...)...)
		if r := pl.s.RecoveredAt(pl.p, ms(t, "9:00")); r.All != c.ok {
			t.Errorf("%v: %+v", c.lines, r)
		}
	}
	low := healthy()
	low.RestSBP = 105
	pl = with(low, "5:05 recovery", "8:00 hr 85", "8:10 bp 89 50")
	if r := pl.s.RecoveredAt(pl.p, ms(t, "9:00")); r.All {
		t.Error("systolic 89 is not recovered")
	}
	// Unresolved at 15 min after the stop: ask a physician.
	pl = with(healthy(), "5:05 recovery", "17:00 hr 99", "17:10 bp 130 70")
	if n := pl.next("17:40"); n.Do == conduct.DoPhysician {
		t.Error("too early")
	}
	pl.expect("18:00", conduct.DoPhysician, "Ask a physician.")
	// Heart disease: 15 min of observation after the cool-down.
	heart := healthy()
	heart.Condition = conduct.CondHeart
	pl = with(heart, "5:05 recovery", "19:00 hr 80", "19:10 bp 120 70")
	if n := pl.next("20:04"); n.Do == conduct.DoClose {
		t.Error("closed before 15 min of observation")
	}
	pl.expect("20:05", conduct.DoClose, "Recovered.")
	// A symptom in recovery acts at once; when it is over, recovery goes on.
	pl = with(healthy(), "5:05 recovery", "6:10 sign near-faint")
	pl.expect("6:10", conduct.DoSymptom, "Stay seated")
	pl.add(conduct.Event{At: ms(t, "7:00"), Kind: conduct.SignGone, Ref: pl.ref()})
	pl.play("8:10 hr 80", "8:15 bp 120 70")
	pl.expect("8:20", conduct.DoClose, "Recovered.")
	pl.play("8:25 closed examiner")
	if pl.s.Phase != conduct.Over || !strings.Contains(strings.Join(pl.departures(), ";"), "closed before recovery") {
		t.Error(pl.departures())
	}
}

// A symptom given only as the reason of the stop must be over before recovery is complete.
func TestSymptomAsReason(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 95", "2:30 stop chest-discomfort")
	stop := pl.ref()
	pl.play("2:40 recovery", "8:00 hr 75", "8:05 bp 120 70")
	if n := pl.next("8:10"); n.Do == conduct.DoClose {
		t.Errorf("%v %q although the symptom stands", n.Do, n.Say)
	}
	pl.add(conduct.Event{At: ms(t, "8:20"), Kind: conduct.SignGone, Ref: stop})
	pl.expect("8:21", conduct.DoClose, "Recovered.")
	pl = play(t, healthy(), "0:00 stage stage-1 30", "2:30 stop near-faint", "2:35 unstopped")
	if n := pl.next("2:36"); n.Do == conduct.DoStop {
		t.Error("a stop taken back leaves its symptom behind")
	}
}

// The cool-down runs at or below the first stage.
func TestCoolDown(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 30", "1:00 stop wish", "1:05 cool-down 50")
	pl.expect("1:06", conduct.DoLower, "Lower to 30 W now.")
	pl.play("1:10 work 25")
	pl.expect("1:15", conduct.DoCool, "Cool-down, 1:50 left.")
	pl.play("2:00 hr 90")
	pl.expect("3:10", conduct.DoRecover, "Let the participant stop and sit")
}

// Order: a live host refuses a gap and names what it wants; duplicates change nothing.
func TestOrder(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 30")
	before := pl.s
	_, err := conduct.Apply(pl.p, pl.s, &conduct.Event{Term: 1, N: 9, Kind: conduct.Note})
	var gap *conduct.GapError
	if !errors.As(err, &gap) || gap.Want != before.NextID() {
		t.Errorf("%v", err)
	}
	after, err := conduct.Apply(pl.p, pl.s, &pl.events[1])
	if err != nil || after != before {
		t.Errorf("duplicate: %v", err)
	}
	if _, err := conduct.Apply(pl.p, pl.s, &conduct.Event{Term: 2, N: 1, Kind: conduct.Note}); !errors.As(err, &gap) {
		t.Errorf("a new term without a take-over: %v", err)
	}
}

// Take-over: the new device's term rises; what the old one wrote afterwards may fill an empty slot or stand as a
// note, but moves no clock and decides nothing.
func TestTakeOver(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 95")
	seen := pl.ref()
	pl.add(conduct.Event{Term: 2, N: 1, At: ms(t, "2:20"), Kind: conduct.TookOver, Ref: seen})
	if id := pl.s.NextID(); id != (conduct.ID{Term: 2, N: 2}) {
		t.Errorf("next id %v", id)
	}
	old := []conduct.Event{
		{Term: 1, N: seen.N + 1, At: ms(t, "3:00"), Kind: conduct.Reading, What: protocol.HeartRate, V: 97},
		{Term: 1, N: seen.N + 2, At: ms(t, "3:01"), Kind: conduct.StageBegun, Code: "stage-2", V: 75},
		{Term: 1, N: seen.N + 3, At: ms(t, "3:05"), Kind: conduct.SignSeen, Code: "pallor"},
		{Term: 1, N: seen.N + 4, At: ms(t, "3:06"), Kind: conduct.Reading, What: protocol.HeartRate, V: 170},
	}
	for _, e := range old {
		next, err := conduct.Apply(pl.p, pl.s, &e)
		if err != nil {
			t.Fatal(err)
		}
		pl.s = next
	}
	if pl.s.Now != ms(t, "2:20") || pl.s.NStages != 1 {
		t.Errorf("now %v, %d stages", pl.s.Now, pl.s.NStages)
	}
	n := conduct.Next(pl.p, &pl.s, ms(t, "3:10"))
	if n.Do == conduct.DoEnd || n.Do == conduct.DoStop || !warned(n, "other device recorded a stop sign") || !warned(n, "heart rate of 170") {
		t.Errorf("%v %v", n.Do, n.Warnings)
	}
	if j := pl.s.Judge(pl.p, 0); !j.Complete || j.Last != 97 {
		t.Errorf("the late reading fills no slot: %+v", j)
	}
	// Whatever the order of delivery, Replay gives the same state.
	all := append(append([]conduct.Event{}, pl.events...), old...)
	want, _, err := conduct.Replay(pl.p, all)
	if err != nil || want != pl.s {
		t.Errorf("replay differs: %v", err)
	}
	back := make([]conduct.Event, 0, 2*len(all))
	for i := range all {
		back = append(back, all[len(all)-1-i], all[i])
	}
	if got, _, err := conduct.Replay(pl.p, back); err != nil || got != want {
		t.Errorf("reversed and doubled: %v", err)
	}
	// A take-over that had seen less than what was applied asks for a replay.
	pl2 := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 95", "2:10 note")
	var rewind *conduct.RewindError
	if err := pl2.try(conduct.Event{Term: 2, N: 1, At: ms(t, "2:20"), Kind: conduct.TookOver, Ref: conduct.ID{Term: 1, N: 2}}); !errors.As(err, &rewind) {
		t.Errorf("%v", err)
	}
}

// Time: it never falls; after a crash the best clock gives a new anchor, more than 5 s of doubt is a caution.
func TestTime(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 95", "1:00 note")
	if pl.s.Now != ms(t, "2:00") || pl.s.ClockBad != 1 {
		t.Errorf("now %v, %d", pl.s.Now, pl.s.ClockBad)
	}
	for _, c := range []struct {
		clocks conduct.Clocks
		code   string
		at     string
		ask    bool
	}{
		{conduct.Clocks{LastAt: 120000, SameBoot: true, Boot: 30000, HasWall: true, Wall: 3600000}, "boot", "2:30", false},
		{conduct.Clocks{LastAt: 120000, HasWall: true, Wall: 45000}, "wall", "2:45", false},
		{conduct.Clocks{LastAt: 120000, HasWall: true, Wall: 30 * protocol.Minute}, "wall", "32:00", false},
		{conduct.Clocks{LastAt: 120000, HasWall: true, Wall: 30*protocol.Minute + 1}, "", "", true},
		{conduct.Clocks{LastAt: 120000, HasWall: true, Wall: -1}, "", "", true},
		{conduct.Clocks{LastAt: 120000}, "", "", true},
	} {
		e, ask := conduct.Anchor(c.clocks)
		if ask != c.ask || e.Code != c.code || !ask && e.At != ms(t, c.at) {
			t.Errorf("%+v: %+v %v", c.clocks, e, ask)
		}
	}
	e := conduct.AnchorByExaminer(conduct.Clocks{LastAt: 120000}, 3)
	if e.At != ms(t, "2:30") {
		t.Errorf("%v", e.At)
	}
	pl = play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 125")
	pl.add(e)
	pl.play("3:00 hr 126", "3:00 stop wish")
	if a := pl.assess(); a.Verdict != estimate.WithCaution || !strings.Contains(reasonIDs(a), "uncertain-time") {
		t.Errorf("%s %s", a.Verdict, reasonIDs(a))
	}
}

// What cannot be is refused with a place, a reason and a hint, and changes nothing.
func TestRefusals(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 95")
	for _, c := range []struct {
		line string
		rule conduct.Rule
	}{
		{"2:10 hr 412", "conductor.fence"}, {"2:10 hr -5", "conductor.fence"}, {"2:10 rpe 21", "conductor.fence"},
		{"2:10 bp 80 120", "conductor.fence"}, {"2:10 sign nonsense", "signs"}, {"2:10 stop nonsense", "conductor.stop"},
		{"2:10 stage nonsense 30", "parts"}, {"2:10 stage stage-1 30", "parts.at_most"}, {"2:10 stage stage-2 -4", "conductor.fence"},
		{"2:10 branch row-9", "choose.rows"}, {"2:10 input age_years 400", "conductor.input"}, {"2:10 input nonsense 4", "conductor.input"}, {"2:10 input age_years 0", "inputs.required"},
		{"2:10 break-over", "breaks"}, {"2:10 correct 99 120", "conductor.correction"}, {"2:10 unstopped", "stop_by_mistake"},
	} {
		before := pl.s
		if err := pl.try(pl.parse(c.line)); refusedBy(err) != c.rule || pl.s != before {
			t.Errorf("%s: %v", c.line, err)
		}
	}
}

// Undo of a slip: a stage confirmed too soon, a sign that was not there.
func TestWithdraw(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 95", "2:10 sign pallor")
	pl.add(conduct.Event{At: ms(t, "2:12"), Kind: conduct.Withdraw, Ref: pl.ref()})
	if n := pl.next("2:12"); n.Do == conduct.DoStop {
		t.Error("a withdrawn sign stops")
	}
	pl.play("2:20 stage stage-2 75")
	pl.add(conduct.Event{At: ms(t, "2:22"), Kind: conduct.Withdraw, Ref: pl.ref()})
	if pl.s.NStages != 1 || !pl.s.Stages[0].Running() {
		t.Errorf("%d stages", pl.s.NStages)
	}
	pl.play("3:00 hr 97")
	pl.expect("3:00", conduct.DoSetWork, "Set 75 W.")
}

// A cool-down set after a sign for which one stays seated does not change the advice, and is a departure.
func TestCoolDownAfterAGraveSign(t *testing.T) {
	for _, lines := range [][]string{
		{"0:00 stage stage-1 30", "1:00 stop chest-discomfort", "1:05 cool-down 30"},
		{"0:00 stage stage-1 30", "1:00 sign near-faint", "1:05 cool-down 30"},
	} {
		pl := play(t, healthy(), lines...)
		pl.expect("1:06", conduct.DoStop, "Stay seated.")
		if d := strings.Join(pl.departures(), ";"); !strings.Contains(d, "for which one stays seated") {
			t.Error(d)
		}
	}
}

// Closing as recovered is believed only as far as the readings go.
func TestClosedAsRecovered(t *testing.T) {
	lines := []string{"0:00 stage stage-1 30", "1:00 stop wish", "1:05 recovery"}
	pl := play(t, healthy(), append(lines, "2:00 hr 120", "2:10 closed recovered")...)
	if d := strings.Join(pl.departures(), ";"); !strings.Contains(d, "closed as recovered") {
		t.Error(d)
	}
	pl = play(t, healthy(), append(lines, "6:30 hr 80", "6:40 bp 120 75", "7:00 closed recovered")...)
	if d := pl.departures(); len(d) != 0 {
		t.Error(d)
	}
}

// What the examiner was told to do is no deviation to be warned of: the load lowered to the corrected row, and the
// readings of a stage that was taken up again.
func TestNoWarningForWhatWasAskedFor(t *testing.T) {
	pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 86", "3:00 hr 88")
	reading := readingID(pl, 88)
	pl.play("3:00 stage stage-2 100")
	pl.add(conduct.Event{At: ms(t, "3:40"), Kind: conduct.Correct, Ref: reading, V: 91})
	pl.play("3:45 work 75")
	if w := pl.next("3:50").Warnings; len(w) != 0 {
		t.Error(w)
	}
	pl = play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 96", "3:00 hr 98", "3:00 stage stage-2 75", "5:00 hr 119", "6:00 hr 126",
		"6:05 stage stage-3 100", "6:20 stage stage-2 75", "7:20 hr 127")
	for _, w := range pl.next("7:20").Warnings {
		if strings.Contains(w.Say, "outside the window") {
			t.Error(w.Say)
		}
	}
	if d := strings.Join(pl.departures(), ";"); strings.Contains(d, "outside its window") {
		t.Error(d)
	}
}

// What a former device knew and would have stopped the test does not go unsaid, neither while it runs nor in the result.
func TestLateFactsAreNotSilent(t *testing.T) {
	for _, late := range []conduct.Event{
		{Kind: conduct.Reading, What: protocol.HeartRate, V: 170},
		{Kind: conduct.Reading, What: protocol.BloodPressure, V: 255, V2: 90},
		{Kind: conduct.Reading, What: protocol.SpO2, V: 79},
		{Kind: conduct.Reading, What: protocol.RPE, V: 18},
		{Kind: conduct.SignSeen, Code: "pallor"},
		{Kind: conduct.Stopped, Code: "chest-discomfort"},
		{Kind: conduct.Reading, What: protocol.HeartRate, V: 120}, // the last one is harmless
	} {
		pl := play(t, healthy(), "0:00 stage stage-1 30", "2:00 hr 95")
		seen := pl.ref()
		pl.add(conduct.Event{Term: 2, N: 1, At: ms(t, "2:20"), Kind: conduct.TookOver, Ref: seen})
		late.Term, late.N, late.At = 1, seen.N+1, ms(t, "2:30")
		next, err := conduct.Apply(pl.p, pl.s, &late)
		if err != nil {
			t.Fatal(err)
		}
		pl.s = next
		harmless := late.V == 120
		if got := warned(pl.next("2:40"), "The other device recorded"); got == harmless {
			t.Errorf("%v %v: warned %v", late.Kind, late.What, got)
		}
		pl.play("3:00 hr 97", "5:00 stop wish", "5:05 recovery", "5:10 closed examiner")
		if got := strings.Contains(strings.Join(pl.departures(), ";"), "came late"); got == harmless {
			t.Errorf("%v %v: departure %v", late.Kind, late.What, got)
		}
		if a := pl.assess(); !harmless && a.Verdict == estimate.Usable {
			t.Error("usable")
		}
	}
}

// A safety limit above the end point that is passed as well is said beside the planned end.
func TestLimitAboveTheEndPoint(t *testing.T) {
	in := healthy()
	in.HRLimit = 150
	pl := play(t, in, "0:00 stage stage-1 30", "2:00 hr 146")
	if n := pl.expect("2:00", conduct.DoEnd, "Planned end reached."); warned(n, "limit of 150") {
		t.Error(n.Warnings)
	}
	pl.play("2:30 hr 151")
	if n := pl.expect("2:31", conduct.DoEnd, "Planned end reached."); !warned(n, "Heart rate 151 is at or above the limit of 150") {
		t.Error(n.Warnings)
	}
}
