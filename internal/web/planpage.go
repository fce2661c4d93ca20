package web

import (
	"html/template"
	"net/http"

	"gradus/internal/record"
	"gradus/internal/report"
	"gradus/prescribe"
)

// planBody is the plan of a test as it was computed and as the clinician changed it.
type planBody struct {
	Test     record.Test
	Person   personAnswer
	Standing string
	Plan     template.HTML
	Loose    bool
	Changed  int
	Kept     bool
	Form     form
}

// planNumbers are the fields of a change of the plan, with the least and the most that can be meant.
var planNumbers = []struct {
	name      string
	low, high float64
}{{"week_from", 1, prescribe.MostWeeks}, {"week_to", 1, prescribe.MostWeeks}, {"plan_sessions", 1, 14}, {"plan_minutes", 1, 240}, {"plan_rpe_from", 6, 20}, {"plan_rpe_to", 6, 20},
	{"plan_hr_from", 30, 230}, {"plan_hr_to", 30, 230}, {"plan_w_from", 0.5, 1000}, {"plan_w_to", 0.5, 1000}}

func changeForm(again bool) form {
	var f form
	for _, n := range planNumbers {
		f.Fields = append(f.Fields, field{Name: n.name, Kind: "number", Most: 5, Need: n.name == "week_from"})
	}
	f.Fields = append(f.Fields, textField("plan_why", "", 300))
	if again {
		f.Fields = append(f.Fields, field{Name: "report_why", Kind: "text", Most: 500, Need: true})
	}
	f.Fields = append(f.Fields, field{Name: "by", Kind: "text", Most: 80, Need: true})
	return f
}

func (s *Server) planPage(w http.ResponseWriter, r *http.Request) error {
	t, st, err := s.standingAt(r)
	if err != nil {
		return err
	}
	return s.showTraining(w, r, http.StatusOK, t, st, changeForm(st.signed != nil))
}

func (s *Server) showTraining(w http.ResponseWriter, r *http.Request, status int, t *told, st *standing, f form) error {
	c, err := s.caseOf(r, t, &st.now, st.signing(t))
	if err != nil {
		return err
	}
	body := planBody{Test: t.test, Person: t.person, Standing: c.Signing.Text(), Loose: t.test.Participant == 0, Changed: len(st.now.Changes), Kept: r.URL.Query().Has("kept"), Form: f}
	if body.Plan, err = report.HTML(c.WholePlanBlocks()); err != nil {
		return err
	}
	return s.show(w, status, frame{Page: "plan", Title: say("plan.page.title", t.person.Label), Purpose: say("plan.page.purpose"), Section: "people", Token: s.token(w, r), Body: body})
}

// changedPlan keeps a change of the plan, or takes the last one back. What was computed stays; who changed what and when stands
// beside it.
func (s *Server) changedPlan(w http.ResponseWriter, r *http.Request) error {
	t, st, err := s.standingAt(r)
	if err != nil {
		return err
	}
	f := changeForm(st.signed != nil)
	f.take(r)
	f.signed(s.signed(r))
	back := r.PostForm.Get("do") == "back"
	one := st.now
	one.Test, one.Final, one.Marks, one.Said, one.Label, one.Person = t.test.ID, false, nil, "", "", 0
	if st.now.Final {
		one.Report++
	}
	if st.signed != nil {
		if one.Why = f.text("report_why"); one.Why == "" {
			f.fault("report_why", say("papers.why"))
		}
	}
	switch {
	case f.text("by") == "":
		f.fault("by", say("form.empty"))
	case t.test.Participant == 0:
		f.General = say("papers.loose")
	}
	plan, why := s.planWith(r, t, &one)
	switch {
	case plan == nil:
		f.General = say("papers.noplan", why)
	case back && len(one.Changes) > 0:
		one.Changes = one.Changes[:len(one.Changes)-1]
	case back:
		f.General = say("plan.page.none")
	default:
		edit := f.edit(s.day())
		if err := edit.Check(len(plan.Weeks)); err != nil && !f.bad() {
			f.General = err.Error()
		}
		one.Changes = append(one.Changes[:len(one.Changes):len(one.Changes)], edit)
	}
	if f.bad() {
		return s.showTraining(w, r, http.StatusUnprocessableEntity, t, st, f)
	}
	if err := s.keepReport(r, t, &one, f.text("by")); err != nil {
		return err
	}
	http.Redirect(w, r, "/tests/"+t.test.ID+"/plan?kept", http.StatusSeeOther)
	return nil
}

// edit reads a change of the plan.
func (f *form) edit(today string) prescribe.Edit {
	n := map[string]float64{}
	for _, x := range planNumbers {
		n[x.name] = f.within(x.name, x.low, x.high)
	}
	e := prescribe.Edit{FromWeek: int(n["week_from"]), ToWeek: int(n["week_to"]), Sessions: n["plan_sessions"], Minutes: n["plan_minutes"], RPEFrom: n["plan_rpe_from"], RPETo: n["plan_rpe_to"],
		HRLow: n["plan_hr_from"], HRHigh: n["plan_hr_to"], WorkLow: n["plan_w_from"], WorkHigh: n["plan_w_to"], Why: f.text("plan_why"), By: f.text("by"), On: today}
	if e.ToWeek == 0 {
		e.ToWeek = e.FromWeek
	}
	return e
}
