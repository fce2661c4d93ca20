package prescribe

import (
	"strings"
	"testing"
)

// Every session of every plan stands in its week, on a day of its own, and the doses of a week's sessions make the week's.
func TestSessionBySession(t *testing.T) {
	for _, rec := range recommendations {
		p := prescribed(t, sound(), Choice{Condition: rec.ID, Weeks: 12})
		n := 0
		for _, w := range p.Weeks {
			sum, days := 0.0, map[int]bool{}
			for k := range int(w.Sessions) {
				x := p.Sessions[n]
				if x.Session != n+1 || x.Week != w.Week || days[x.Day] || x.Day < 1 || x.Day > 7 || x.Minutes != w.Minutes || x.Style != Continuous || len(x.Parts) != 3 {
					t.Fatalf("%s, session %d (%d of week %d): %+v", rec.ID, n+1, k+1, w.Week, x)
				}
				days[x.Day] = true
				sum += *x.METMinutes
				n++
			}
			within(t, rec.ID+" dose", sum, *w.METMinutes, 1e-9)
		}
		if n != len(p.Sessions) {
			t.Errorf("%s: %d sessions, want %d", rec.ID, len(p.Sessions), n)
		}
	}
}

// One interval session a week. 24.5 mL/kg/min are 7 METs: at once; below 5 METs from week 5. Ten bouts of 60 s at 80 to 89 % of
// reserve with as much at 30 to 40 % between; the cap of 116 /min (51 % of 68 to 162) lowers them: (3.5 + 48 / 94 × 21 + 3.5 + 0.35 × 21) / 2 /
// 3.5 METs over 20 min.
func TestIntervalSessions(t *testing.T) {
	p := prescribed(t, sound(), Choice{Condition: "stroke", Weeks: 8, Interval: "stroke-10-by-60"})
	x := p.Sessions[0]
	if x.Style != Intervals || x.Minutes != 20 || len(x.Parts) != 4 || x.Parts[1].Times != 10 || x.Parts[1].Minutes != 1 || p.Weeks[0].Intervals != 1 || p.Sessions[1].Style != Continuous {
		t.Fatalf("%+v", x)
	}
	within(t, "dose", *x.METMinutes, 20*(3.5+48.0/94*21+3.5+0.35*21)/2/3.5, 1e-9)
	if hard := x.Parts[1]; *hard.HRHigh != 116 || *hard.WorkHigh != 75 {
		t.Errorf("not capped by what was reached without symptoms: %v /min, %v W", *hard.HRHigh, *hard.WorkHigh)
	}
	within(t, "the week's dose", *p.Weeks[0].METMinutes, *x.METMinutes+2**p.Sessions[1].METMinutes, 1e-9)

	weak := sound()
	weak.VO2Peak = 16
	p = prescribed(t, weak, Choice{Condition: "stroke", Weeks: 8, Interval: "stroke-10-by-60"})
	for _, w := range p.Weeks {
		if (w.Intervals > 0) != (w.Week >= 5) {
			t.Errorf("below 5 METs, week %d: %d interval sessions", w.Week, w.Intervals)
		}
	}
	// 70 and 10 % of the work rate at 162 /min on 80 + 0.48 W: 170.8 W, so 119.6 W, capped at the tested 75 W, and 17.1 W.
	p = prescribed(t, sound(), Choice{Condition: "healthy", Weeks: 1, Interval: "stepper-low-volume"})
	within(t, "hard", *p.Sessions[0].Parts[1].WorkHigh, 75, 0)
	within(t, "easy", *p.Sessions[0].Parts[2].WorkHigh, 0.1*(162-80)/0.48, 1e-9)
	if p.Sessions[0].METMinutes != nil || p.Weeks[0].METMinutes != nil {
		t.Error("a dose was made up where no uptake is known")
	}
	drugged := sound()
	drugged.Drug = "yes"
	if hard := prescribed(t, drugged, Choice{Condition: "stroke", Weeks: 1, Interval: "stroke-10-by-60"}).Sessions[0].Parts[1]; hard.HRLow != nil || hard.WorkLow != nil || *hard.RPETo != 17 {
		t.Errorf("on a rate-limiting drug: %+v", hard)
	}
	for condition, interval := range map[string]string{"stroke": "heart-long", "cancer": "heart-long"} {
		if _, err := For(sound(), Choice{Condition: condition, Interval: interval}); err == nil || !strings.Contains(err.Error(), "interval") {
			t.Errorf("%s: %v", condition, err)
		}
	}
}

// What the clinician sets stands beside what was computed, and is followed from there on.
func TestEdits(t *testing.T) {
	p := prescribed(t, sound(), Choice{Condition: "stroke", Weeks: 4})
	before := *p.Weeks[0].METMinutes
	edits := []Edit{{FromWeek: 1, ToWeek: 4, Sessions: 2, Why: "transport", By: "KL", On: "2026-03-02"}, {FromWeek: 1, ToWeek: 1, Minutes: 10, HRLow: 95, HRHigh: 120, WorkLow: 20, WorkHigh: 80, By: "MN", On: "2026-03-03"}}
	for i := range edits {
		if err := edits[i].Check(4); err != nil {
			t.Fatal(err)
		}
	}
	e := p.Edited(edits)
	w := e.Weeks[0]
	if w.Sessions != 2 || w.Minutes != 10 || *w.HRHigh != 120 || *w.WorkHigh != 80 || !w.Edited || len(e.Sessions) != 8 || e.Weeks[3].Sessions != 2 {
		t.Errorf("%+v, %d sessions", w, len(e.Sessions))
	}
	within(t, "dose", *w.METMinutes, before*2*10/(3*20), 1e-9)
	if p.Weeks[0].Sessions != 3 || p.Weeks[0].Edited || len(p.Sessions) != 12 || *p.Weeks[0].METMinutes != before || *target(t, p, "heart-rate-reserve").High == 120 {
		t.Error("the computed plan was changed")
	}
	x := target(t, e, "heart-rate-reserve")
	if *x.High != 120 || x.HighSD != nil || !strings.Contains(strings.Join(x.Notes, " "), "set by MN on 2026-03-03; computed 106 to 115") {
		t.Errorf("%+v", x)
	}
	said := ""
	for _, c := range e.Cautions {
		said += c.ID + " "
	}
	if !strings.Contains(said, "edit-jump") || !strings.Contains(said, "edit-above-cap") || !strings.Contains(said, "edit-above-tested") {
		t.Errorf("beyond the test or a jump from 20 to 40 min, and no caution: %s", said)
	}
	if got := edits[0].Text(); got != "week 1 to 4: 2 sessions a week (transport), by KL on 2026-03-02" {
		t.Error(got)
	}
	for name, bad := range map[string]Edit{"no week": {FromWeek: 0, ToWeek: 1, Minutes: 10}, "beyond": {FromWeek: 3, ToWeek: 5, Minutes: 10}, "nothing": {FromWeek: 1, ToWeek: 1},
		"one end": {FromWeek: 1, ToWeek: 1, HRHigh: 100}, "turned": {FromWeek: 1, ToWeek: 1, RPEFrom: 14, RPETo: 11}, "too much": {FromWeek: 1, ToWeek: 1, Minutes: 500}, "half": {FromWeek: 1, ToWeek: 1, Sessions: 2.5}} {
		if bad.Check(4) == nil {
			t.Errorf("%s: taken", name)
		}
	}
}
