package screen

import (
	"slices"
	"strings"
	"testing"

	"gradus/protocol"
)

func TestPapersSayWhyWhatWho(t *testing.T) {
	r := judge(t, func(a *Answers) {
		a.KnownDisease, a.Contraindications, a.Drugs = []string{"brain_vessels"}, []string{"recent_stroke_or_tia"}, []string{"beta_blocker"}
		a.RestSBPmmHg = num(206)
	})
	v := Visit{Code: "D-17", Date: "2026-11-25", Tester: "T", To: "Referring physician"}
	for _, p := range []Paper{r.Note(v), r.Letter(v)} {
		for i, heading := range []string{"Why", "What is needed", "Who decides"} {
			if p.Sections[i].Heading != heading || len(p.Sections[i].Lines) == 0 {
				t.Errorf("%s: section %d is %+v", p.Kind, i, p.Sections[i])
			}
		}
		why := strings.Join(p.Sections[0].Lines, "\n")
		for _, reason := range r.Blocking() {
			if !strings.Contains(why, reason.Text) || !strings.Contains(why, reason.Source) {
				t.Errorf("%s does not give %s with its source", p.Kind, reason.ID)
			}
		}
	}
	request := r.Request(v)
	points := strings.Join(request.Sections[0].Lines, "\n")
	for _, id := range []string{"screening.A2", "contra.recent_stroke_or_tia", "rest.sbp.physician"} {
		if !strings.Contains(points, "["+id+"]") {
			t.Errorf("the request does not name %s:\n%s", id, points)
		}
	}
	// The answer to the request, recorded as it is, lets the test go on.
	a := well()
	a.KnownDisease, a.Contraindications, a.RestSBPmmHg = []string{"brain_vessels"}, []string{"recent_stroke_or_tia"}, num(206)
	clear := Clear{By: "D", Role: "physician", Date: "2026-11-25"}
	for _, reason := range r.Blocking() {
		clear.For = append(clear.For, reason.ID)
	}
	a.Clearances = []Clear{clear}
	if after := Default().Judge(&a); after.Outcome != GoWithCautions {
		t.Errorf("cleared as asked: %s %v", after.Outcome, ids(after))
	}
}

func TestRequestLeavesOutWhatNobodyCanClear(t *testing.T) {
	r := judge(t, func(a *Answers) { a.Consent = "no" })
	if points := r.Request(Visit{}).Sections[0].Lines; slices.ContainsFunc(points, func(l string) bool { return strings.Contains(l, "consent") }) {
		t.Errorf("%v", points)
	}
}

func TestFit(t *testing.T) {
	plans := []Plan{
		{ID: "stepper", Needs: []string{"sit", "both_legs", "follow_instructions"}, Machine: "recumbent_stepper", EndsByHeartRate: true, EstimateFromHR: true},
		{ID: "walk", Needs: []string{"walk", "follow_instructions"}, Machine: "course", SpaceM: 30},
		{ID: "shuttle", Needs: []string{"walk_fast", "hear_beeps", "follow_instructions"}, Machine: "course", SpaceM: 10},
		{ID: "bench", Needs: []string{"climb_step", "balance", "keep_rhythm"}, Machine: "step_bench", EndsByHeartRate: true},
	}
	space := 12.0
	p := Person{Can: map[string]bool{"walk_fast": true, "both_legs": true, "sit": true, "follow_instructions": true, "balance": false},
		Machines: []string{"recumbent_stepper"}, SpaceM: &space, HeartRate: HeartRate{Estimate: "blocked unless adjusted"}}
	got := map[string]Match{}
	order := ""
	for _, m := range Fit(p, plans) {
		got[m.ID] = m
		order += m.ID + " "
	}
	if order != "stepper shuttle walk bench " {
		t.Errorf("order %s", order)
	}
	if m := got["stepper"]; m.Fits != "yes" || len(m.Cautions) != 2 {
		t.Errorf("%+v", m)
	}
	if m := got["shuttle"]; m.Fits != "ask" || !slices.Equal(m.Why, []string{"not asked: hears the beeps"}) {
		t.Errorf("%+v", m)
	}
	if m := got["walk"]; m.Fits != "no" || m.Why[0] != "needs a straight course of 30 m; 12 m are at hand" {
		t.Errorf("%+v", m)
	}
	if m := got["bench"]; m.Fits != "no" || len(m.Why) != 4 {
		t.Errorf("%+v", m)
	}
}

// TestPlanOfShipped: every shipped protocol says whom it suits in words this package knows.
func TestPlanOfShipped(t *testing.T) {
	var abilities, machines []string
	for _, a := range Abilities() {
		abilities = append(abilities, a.ID)
	}
	for _, m := range Machines() {
		machines = append(machines, m.ID)
	}
	slices.Sort(abilities)
	known := slices.Clone(protocol.Abilities)
	slices.Sort(known)
	if !slices.Equal(abilities, known) || !slices.Equal(machines, protocol.Machines) {
		t.Errorf("protocols know %v and %v; here are %v and %v", known, protocol.Machines, abilities, machines)
	}
	p := protocol.Protocol{ID: "x", Suits: protocol.Suits{Needs: []string{"sit"}, Machine: "cycle", Effort: "symptom_limited_maximal"}}
	m := Fit(Person{Can: map[string]bool{"sit": true}, Machines: []string{"cycle"}, HeartRate: HeartRate{Leads: true}}, []Plan{PlanOf(&p)})
	if m[0].Fits != "yes" || len(m[0].Cautions) != 1 || !strings.Contains(m[0].Cautions[0], "maximal") {
		t.Errorf("%+v", m)
	}
	if m := Fit(Person{}, []Plan{PlanOf(&protocol.Protocol{ID: "y"})}); m[0].Fits != "ask" {
		t.Errorf("a protocol that does not say whom it suits: %+v", m)
	}
}

// TestCanOf: a tick carries what it builds on; what was asked beside it is no; what was not asked stays open.
func TestCanOf(t *testing.T) {
	can := CanOf([]string{"walk_fast"}, []string{"stand", "walk", "walk_fast", "run"})
	for id, want := range map[string]bool{"stand": true, "walk": true, "walk_fast": true, "run": false} {
		if got, asked := can[id]; got != want || !asked {
			t.Errorf("%s: %v, asked %v", id, got, asked)
		}
	}
	if _, asked := can["grip"]; asked {
		t.Error("grip was not asked")
	}
}

// TestFitContradiction: every ability builds on known ones, and no contradiction makes a test fit.
func TestFitContradiction(t *testing.T) {
	known := map[string]bool{}
	for _, a := range Abilities() {
		known[a.ID] = true
	}
	for _, a := range Abilities() {
		for _, below := range a.BuildsOn {
			if !known[below] {
				t.Errorf("%s builds on %s", a.ID, below)
			}
		}
	}
	for range 20 { // map order
		m := Fit(Person{Can: map[string]bool{"run": true, "stand": false}}, []Plan{{ID: "run", Needs: []string{"run"}}})
		if m[0].Fits != "no" {
			t.Fatalf("runs and cannot stand: %+v", m[0])
		}
	}
}
