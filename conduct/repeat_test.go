package conduct_test

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"gradus/conduct"
	"gradus/estimate"
)

// again is a test of someone who has been tested before, on a row of the plan.
func again(t testing.TB, in conduct.Inputs, row string, lines ...string) *player {
	t.Helper()
	pl := &player{t: t, p: stepper(t)}
	pl.add(conduct.Event{Kind: conduct.Began, Begin: &conduct.Begin{Format: conduct.FormatVersion, Protocol: pl.p.ID, Version: pl.p.Version, Hash: pl.p.Hash, Inputs: in, RowBefore: row}})
	pl.play(lines...)
	return pl
}

func repeatOf(n conduct.Instruction) (conduct.Choice, bool) {
	for _, c := range n.Choices {
		if c.Rule == "conductor.repeat" {
			return c, true
		}
	}
	return conduct.Choice{}, false
}

// At a retest the row by rule is the default, and the first test's row is offered beside it with its reason. A row that asks
// for more work wants a second confirmation, and so does a large step.
func TestRepeatTheFirstRow(t *testing.T) {
	stage1 := []string{"0:00 stage stage-1 30", "2:00 hr 94", "3:00 hr 95"}
	for _, c := range []struct {
		name, row string
		in        conduct.Inputs
		offers    bool
		confirm   string
	}{
		{"the same row", "row-3", healthy(), false, ""},
		{"no earlier test", "", healthy(), false, ""},
		{"a row of another plan", "row-9", healthy(), false, ""},
		{"a gentler row", "row-4", healthy(), true, ""},
		{"a harder row", "row-2", healthy(), true, "100 W is more than the 75 W of today's reading"},
		{"a much harder row, at 75 years", "row-1", older(), true, "age is 70 or more"},
	} {
		pl := again(t, c.in, c.row, stage1...)
		n := pl.next("3:00")
		choice, offered := repeatOf(n)
		if n.Do != conduct.DoSetWork || n.Work != 75 || n.Row != "row-3" || offered != c.offers {
			t.Errorf("%s: %v %g %s, offered %v", c.name, n.Do, n.Work, n.Row, offered)
		}
		if !offered {
			continue
		}
		if !strings.Contains(choice.Say, "1 to 2 mL/kg/min without any change in fitness") || !strings.Contains(choice.Confirm, c.confirm) || (c.confirm == "") != (choice.Confirm == "") {
			t.Errorf("%s: %q, confirm %q", c.name, choice.Say, choice.Confirm)
		}
		for _, e := range choice.Events {
			e.At = ms(t, "3:05")
			pl.add(e)
		}
		if c.confirm != "" {
			n := pl.expect("3:06", conduct.DoSetWork, "Set ")
			if !strings.Contains(n.Confirm, c.confirm) || n.Row != c.row || len(n.Choices) == 0 || !strings.Contains(n.Choices[0].Say, "Set 75 W instead") {
				t.Errorf("%s: %s %q %v", c.name, n.Row, n.Confirm, n.Choices)
			}
			pl.play("3:07 confirmed")
			if n := pl.next("3:08"); n.Confirm != "" {
				t.Errorf("%s: asked again: %q", c.name, n.Confirm)
			}
			pl.play("3:08 stage stage-2 " + num(n.Work))
		}
		if want := c.row; pl.p.Choose.It.Rows[pl.s.Row-1].ID != want || pl.s.Stages[1].Confirmed != (c.confirm != "") {
			t.Errorf("%s: row %d, confirmed %v", c.name, pl.s.Row, pl.s.Stages[1].Confirmed)
		}
		pl.play("5:05 hr 100", "6:05 hr 101")
		if _, offered := repeatOf(pl.next("6:05")); offered {
			t.Errorf("%s: offered again", c.name)
		}
		pl.play("6:10 stop wish")
		d := strings.Join(pl.departures(), ";")
		if !strings.Contains(d, "the first test's work rates are repeated") || strings.Contains(reasonIDs(pl.assess()), "departure") {
			t.Errorf("%s: %s %s", c.name, d, reasonIDs(pl.assess()))
		}
	}
	// A harder row recorded without its stage still wants the confirmation, and without one it lowers the result.
	pl := again(t, healthy(), "row-2", stage1...)
	pl.next("3:00")
	pl.add(conduct.Event{At: ms(t, "3:01"), Kind: conduct.Branched, Code: "row-2", Word: conduct.RepeatWord})
	if n := pl.next("3:02"); n.Work != 100 || !strings.Contains(n.Confirm, "more than the 75 W") {
		t.Errorf("%g %q", n.Work, n.Confirm)
	}
	pl.play("3:05 stage stage-2 100", "5:05 hr 100", "6:05 hr 101", "6:10 stop wish")
	if !strings.Contains(reasonIDs(pl.assess()), "departure") {
		t.Error(reasonIDs(pl.assess()))
	}
}

func older() conduct.Inputs {
	in := healthy()
	in.AgeYears, in.MaxHR = 75, 180
	return in
}

// Whatever the readings and the earlier row: the row by rule is the default, and a harder one is never offered or taken
// without a confirmation.
func TestNeverAHarderRowSilently(t *testing.T) {
	p := stepper(t)
	rapid.Check(t, func(rt *rapid.T) {
		in := healthy()
		in.AgeYears = rapid.SampledFrom([]float64{40, 50, 75}).Draw(rt, "age")
		in.Drug = rapid.SampledFrom([]conduct.Drug{conduct.DrugNo, conduct.DrugYes}).Draw(rt, "drug")
		row := rapid.IntRange(0, 4).Draw(rt, "row")
		id := ""
		if row > 0 {
			id = p.Choose.It.Rows[row-1].ID
		}
		hr := float64(rapid.IntRange(60, 120).Draw(rt, "hr"))
		pl := again(t, in, id, "0:00 stage stage-1 30", "2:00 hr "+num(hr), "3:00 hr "+num(hr+float64(rapid.IntRange(-5, 5).Draw(rt, "apart"))))
		n := pl.next("3:00")
		if n.Do != conduct.DoSetWork {
			return
		}
		called, _, _ := pl.s.RowCalled(p)
		if n.Row != p.Choose.It.Rows[called-1].ID {
			rt.Fatalf("the default is %s, called is row %d", n.Row, called)
		}
		c, offered := repeatOf(n)
		if offered != (row > 0 && row != called) {
			rt.Fatalf("row %d before, %d called: offered %v", row, called, offered)
		}
		if !offered {
			return
		}
		work := *p.Choose.It.Rows[row-1].Work[0].Watts
		_, ask := pl.s.AskFirst(p, work)
		need := ask || conduct.Harder(p, row, called)
		if begins := c.Events[len(c.Events)-1].Kind == conduct.StageBegun; need != (c.Confirm != "") || need == begins {
			rt.Fatalf("row %d for %d: needed %v, said %q, begins a stage %v", row, called, need, c.Confirm, begins)
		}
		for _, e := range c.Events {
			pl.add(e)
		}
		if n := pl.next("3:01"); need && (n.Do != conduct.DoSetWork || n.Work != work || n.Confirm == "") {
			rt.Fatalf("row %d taken for %d: %v %g W, confirm %q", row, called, n.Do, n.Work, n.Confirm)
		}
	})
}

// A machine that shows only METs gives no estimate, and says why; the level stands beside the load.
func TestOnlyMETs(t *testing.T) {
	in := healthy()
	in.Machine, in.MachineID = conduct.ShowsMETs, "stepper by the window"
	pl := play(t, in)
	pl.add(conduct.Event{Kind: conduct.StageBegun, Code: "stage-1", V: 30, Level: 3})
	pl.play("2:00 hr 96", "2:30 rpe 11", "3:00 hr 97")
	if pl.s.Stages[0].Level != 3 {
		t.Errorf("level %g", pl.s.Stages[0].Level)
	}
	pl.add(conduct.Event{At: ms(t, "3:05"), Kind: conduct.WorkSet, V: 30, Level: 4})
	if pl.s.Stages[0].Level != 4 || pl.s.Stages[0].Changed {
		t.Errorf("level %g, changed %v", pl.s.Stages[0].Level, pl.s.Stages[0].Changed)
	}
	pl.play("3:10 stop wish")
	a := pl.assess()
	if a.Estimate != nil || a.End != nil || a.Verdict != estimate.NotUsable || !strings.Contains(reasonText(a, "machine-shows-mets"), "assume a weight and a formula") {
		t.Errorf("%+v", a)
	}
	for _, shows := range []conduct.Shows{conduct.ShowsWatts, conduct.ShowsLevels, conduct.ShowsNotRecorded} {
		in.Machine = shows
		pl := play(t, in, "0:00 stage stage-1 30", "2:00 hr 130", "3:00 hr 131", "3:10 stop wish")
		if a := pl.assess(); a.Estimate == nil {
			t.Errorf("shows %d: no estimate: %s", shows, a.NoEstimate)
		}
	}
}

// A rate-limiting drug found after the test: a new verdict in a new version that says what it replaces; before the close a
// correction makes no new version.
func TestDrugFoundAfterwards(t *testing.T) {
	lines := []string{"0:00 stage stage-1 30", "2:00 hr 94", "3:00 hr 95", "3:00 stage stage-2 75", "5:00 hr 124", "6:00 hr 125", "6:05 stop wish",
		"6:30 input mass_kg 71", "6:40 recovery", "12:00 hr 80", "12:05 bp 120 70", "12:10 closed recovered"}
	pl := play(t, healthy(), lines...)
	before := pl.assess()
	if before.Version != 1 || before.Verdict == estimate.NotUsable || len(estimate.Replacements(pl.p, pl.events, estimator(t))) != 0 {
		t.Fatalf("version %d, %s", before.Version, before.Verdict)
	}
	pl.add(conduct.Event{At: ms(t, "12:20"), Kind: conduct.Note, Text: "seen in the letter"})
	pl.add(conduct.Event{At: ms(t, "12:30"), By: "KL", Kind: conduct.Input, Code: "rate_limiting_drug", Word: "yes"})
	after := pl.assess()
	all := estimate.Replacements(pl.p, pl.events, estimator(t))
	if after.Version != 2 || after.Verdict != estimate.NotUsable || len(all) != 1 {
		t.Fatalf("version %d, %s, %d replaced", after.Version, after.Verdict, len(all))
	}
	r := all[0]
	if r.Version != 2 || r.By != "KL" || r.What != "rate limiting drug: no, now yes" || !r.Changed() || r.Before.Verdict != before.Verdict || r.After.Verdict != estimate.NotUsable ||
		r.Before.Value != before.Estimate.Value {
		t.Errorf("%+v", r)
	}
	if got := r.Before.Text("mL/kg/min"); !strings.Contains(got, fixed1(float64(before.Estimate.Value))+" mL/kg/min, "+before.Verdict) {
		t.Error(got)
	}
	// A corrected reading is another version; what was said before stays in the record.
	pl.add(conduct.Event{At: ms(t, "12:40"), Kind: conduct.Correct, Ref: readingID(pl, 125), V: 127})
	all = estimate.Replacements(pl.p, pl.events, estimator(t))
	if len(all) != 2 || all[1].Version != 3 || all[1].What != "heart rate at 6:00: 125, now 127" || all[1].Before.Verdict != all[0].After.Verdict {
		t.Errorf("%+v", all)
	}
	// A refused correction makes none.
	if err := pl.try(pl.parse("12:50 input mass_kg 7000")); err == nil {
		t.Error("taken")
	}
	if pl.s.Version() != 3 {
		t.Error(pl.s.Version())
	}
}

// The versions of a result are one more than the corrections after the close, in whatever order the events are delivered.
func TestVersionsInAnyOrder(t *testing.T) {
	p := stepper(t)
	e := estimator(t)
	rapid.Check(t, func(rt *rapid.T) {
		events := drawTest(rt, p)
		s, _, _ := conduct.Replay(p, events)
		id := s.NextID()
		add := func(e conduct.Event) {
			e.Term, e.N, e.At = id.Term, id.N, s.Now
			id.N++
			events = append(events, e)
		}
		add(conduct.Event{Kind: conduct.Closed, Code: "examiner"})
		for range rapid.IntRange(0, 4).Draw(rt, "corrections") {
			add(rapid.SampledFrom([]conduct.Event{{Kind: conduct.Input, Code: "rate_limiting_drug", Word: "yes"}, {Kind: conduct.Input, Code: "mass_kg", V: 80},
				{Kind: conduct.Input, Code: "mass_kg", V: -4}, {Kind: conduct.Note}}).Draw(rt, "correction"))
		}
		want, _, err := conduct.Replay(p, events)
		if err != nil {
			rt.Fatal(err)
		}
		back := make([]conduct.Event, 0, len(events))
		for i := range events {
			back = append(back, events[len(events)-1-i])
		}
		for _, list := range [][]conduct.Event{events, back} {
			all := estimate.Replacements(p, list, e)
			if len(all) != int(want.Revised) || want.Version() != len(all)+1 {
				rt.Fatalf("%d replaced, %d corrections", len(all), want.Revised)
			}
			for i := range all {
				if all[i].Version != i+2 || i > 0 && !equal(all[i].Before, all[i-1].After) {
					rt.Fatalf("version %d after %d does not follow", all[i].Version, i+1)
				}
			}
		}
	})
}

// equal compares versions; a missing value is like another.
func equal(a, b estimate.Stand) bool {
	if !a.Value.Present() && !b.Value.Present() {
		a.Value, b.Value = 0, 0
	}
	return a == b
}
