package web

import (
	"cmp"
	"net/http"
	"slices"
	"time"

	"gradus/internal/record"
	"gradus/protocol"
)

// againView are the tests by one plan on one visit, where the plan lets a test be repeated: which one is reported.
type againView struct {
	Rule  slip
	Tests []againLine
	Early string // the later one came too soon
	Offer string // when a second one may be done
	Href  string // to prepare it
}

type againLine struct {
	Text, Href     string
	This, Reported bool
	value          float64
	known          bool
	begun, stopped time.Time
}

// againOf looks for the other tests of the visit by the same plan. It is nil where the plan knows no repetition.
func (s *Server) againOf(r *http.Request, t *told) (*againView, error) {
	plan := t.load.Protocol
	if !plan.Again.Is() || t.test.Visit == 0 || t.test.Running() {
		return nil, nil
	}
	tests, err := s.store.Tests(r.Context(), record.TestFilter{Visit: t.test.Visit})
	if err != nil {
		return nil, err
	}
	v := &againView{Rule: t.ruleSlip("again")}
	for i := range tests {
		if tests[i].Protocol != plan.ID || tests[i].Participant != t.test.Participant || tests[i].Running() {
			continue
		}
		other := *t
		if tests[i].ID != t.test.ID {
			whole, err := s.store.Test(r.Context(), tests[i].ID) // a list holds no plans
			if err != nil {
				return nil, err
			}
			if other, err = s.retellTest(r, whole); err != nil {
				return nil, err
			}
		}
		v.Tests = append(v.Tests, other.againLine(tests[i].ID == t.test.ID))
	}
	slices.SortStableFunc(v.Tests, func(a, b againLine) int { return a.begun.Compare(b.begun) })
	v.judge(&plan.Again.It)
	if len(v.Tests) == 1 && t.person.ID != 0 {
		v.Offer = say("again.offer", plan.Again.It.After, v.Tests[0].stopped.Add(time.Duration(plan.Again.It.After)*time.Millisecond).Local().Format("15:04"), say("plan.again."+plan.Again.It.Report))
		v.Href = personAddress(t.person.ID) + "/new?protocol=" + plan.ID
	}
	return v, nil
}

// againLine is what a test came to: its metres, or else its estimate.
func (t *told) againLine(this bool) againLine {
	begun := t.test.Created
	line := againLine{Href: "/tests/" + t.test.ID, This: this, begun: begun, stopped: begun.Add(time.Duration(t.state.Stop.At) * time.Millisecond)}
	what := say("again.nothing")
	switch o := t.view.Result; {
	case t.view.Ground != nil:
		line.value, line.known = t.view.Ground.DistanceM, t.view.Ground.DistanceM > 0
		what = num(line.value) + thin + "m"
	case o != nil && o.Estimate != nil && o.Estimate.Value.Present():
		line.value, line.known = float64(o.Estimate.Value), true
		what = inUnit(line.value, o.Estimate.Unit) + thin + o.Estimate.Unit
	}
	line.Text = say("again.line", begun.Local().Format("15:04"), what)
	return line
}

// judge marks the test that the plan reports, and says when the later one came too soon.
func (v *againView) judge(rule *protocol.Again) {
	if len(v.Tests) < 2 {
		return
	}
	best := -1
	for i := range v.Tests {
		one := &v.Tests[i]
		if !one.known {
			continue
		}
		if best < 0 || rule.Report == "last" || cmp.Compare(one.value, v.Tests[best].value) > 0 {
			best = i
		}
	}
	if best >= 0 {
		v.Tests[best].Reported = true
	}
	for i := 1; i < len(v.Tests); i++ {
		if pause := v.Tests[i].begun.Sub(v.Tests[i-1].stopped); pause < time.Duration(rule.After)*time.Millisecond {
			v.Early = say("again.early", max(int(pause.Minutes()), 0), rule.After)
		}
	}
}
