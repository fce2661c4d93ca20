package web

import (
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"gradus/estimate"
	estimators "gradus/estimate/library"
	"gradus/internal/aloud"
	"gradus/internal/record"
	"gradus/internal/verified"
)

type equationsBody struct{ Groups []equationGroup }

type equationGroup struct {
	Title string
	Lines []equationLine
}

type equationLine struct{ ID, Title, Unit, Verified string }

// equationKinds are the kinds of equations in the order of the list.
var equationKinds = []string{"submaximal", "maximal", "none", "group", "step"}

// equations lists every equation by what it needs.
func (s *Server) equations(w http.ResponseWriter, _ *http.Request) error {
	all, err := estimators.All()
	if err != nil {
		return err
	}
	for _, e := range all {
		s.lib.applyRecords(e)
	}
	body := equationsBody{}
	for _, kind := range equationKinds {
		group := equationGroup{Title: say("equations." + kind)}
		for _, e := range all {
			if or(e.Test, "submaximal") == kind {
				group.Lines = append(group.Lines, equationLine{e.ID, e.Title, e.Outcome.Unit, verifiedText(e)})
			}
		}
		body.Groups = append(body.Groups, group)
	}
	return s.show(w, http.StatusOK, frame{Page: "equations", Title: say("equations.title"), Purpose: say("equations.purpose"), Section: "protocols", Body: body})
}

type equationBody struct {
	ID, Text, Verified string
	Faults             []string // records that do not fit
	Numbers            []comparedNumber
	Form               form
	Open, Done         bool
}

// comparedNumber is a number of an equation that somebody types from the paper.
type comparedNumber struct {
	Name, Label, Unit, Value, Fault string
	want                            float64
}

// numbersOf are all numbers of an equation that a person can compare: coefficients, numbers of the formula, tables.
func numbersOf(e *estimate.Estimator) (out []comparedNumber) {
	add := func(label, unit string, want float64) {
		out = append(out, comparedNumber{Name: fmt.Sprintf("number-%d", len(out)+1), Label: label, Unit: unit, want: want})
	}
	for _, t := range e.Terms {
		add(or(t.Input+t.Of, say("compare.constant")), t.Unit, t.Coefficient)
	}
	if e.Formula != nil {
		for i, n := range e.Formula.Numbers {
			add(say("compare.number", i+1), n.Unit, n.Value)
		}
	}
	for i := range e.Tables {
		for _, p := range e.Tables[i].Points {
			add(say("compare.point", e.Tables[i].ID, num(p.X), e.Tables[i].XUnit), e.Tables[i].YUnit, p.Y)
		}
	}
	return out
}

// recordOf is the record of a comparison in which every number was found equal.
func recordOf(e *estimate.Estimator, f *form) *estimate.Verification {
	v := &estimate.Verification{Estimator: e.ID, By: f.text("compared_by"), On: f.text("compared_on"), Against: f.text("compared_against")}
	for _, t := range e.Terms {
		if v.Coefficients == nil {
			v.Coefficients = map[string]float64{}
		}
		v.Coefficients[or(t.Input+t.Of, "constant")] = t.Coefficient
	}
	if e.Formula != nil {
		for _, n := range e.Formula.Numbers {
			v.Numbers = append(v.Numbers, n.Value)
		}
	}
	for i := range e.Tables {
		if v.Tables == nil {
			v.Tables = map[string][]float64{}
		}
		for _, p := range e.Tables[i].Points {
			v.Tables[e.Tables[i].ID] = append(v.Tables[e.Tables[i].ID], p.Y)
		}
	}
	return v
}

func compareForm(day string) form {
	return form{Fields: []field{{Name: "compared_by", Kind: "text", Most: 120, Need: true}, {Name: "compared_on", Kind: "date", Value: day, Need: true}, {Name: "compared_against", Kind: "text", Most: 300, Need: true}}}
}

// equation shows an equation with every number of it, in the words of the command, and who compared it with the paper.
func (s *Server) equation(w http.ResponseWriter, r *http.Request) error {
	e, err := equationNamed(r.PathValue("estimator"))
	if err != nil {
		return err
	}
	return s.showEquation(w, r, http.StatusOK, e, equationBody{Numbers: numbersOf(e), Form: compareForm(s.day()), Done: r.URL.Query().Has("compared")})
}

func (s *Server) showEquation(w http.ResponseWriter, r *http.Request, status int, e *estimate.Estimator, body equationBody) error {
	for _, err := range verified.Apply(e, s.lib.recordOf) {
		body.Faults = append(body.Faults, err.Error())
	}
	body.ID, body.Text, body.Verified = e.ID, aloud.Estimator(e), verifiedText(e)
	return s.show(w, status, frame{Page: "equation", Title: e.Title, Purpose: say("equation.purpose"), Section: "protocols", Token: s.token(w, r), Body: body})
}

// compareEquation takes what a person read in the paper. Only when every number is the same a record is kept.
func (s *Server) compareEquation(w http.ResponseWriter, r *http.Request) error {
	e, err := equationNamed(r.PathValue("estimator"))
	if err != nil {
		return err
	}
	body := equationBody{Numbers: numbersOf(e), Form: compareForm(""), Open: true}
	f := &body.Form
	s.readForm(r, f)
	for _, name := range []string{"compared_by", "compared_on", "compared_against"} {
		if f.text(name) == "" {
			f.fault(name, say("form.empty"))
		}
	}
	bad := f.bad()
	for i := range body.Numbers {
		n := &body.Numbers[i]
		n.Value = strings.TrimSpace(r.PostForm.Get(n.Name))
		v, err := strconv.ParseFloat(strings.NewReplacer(",", ".", "\u2212", "-").Replace(n.Value), 64)
		switch {
		case n.Value == "":
			n.Fault = say("form.empty")
		case err != nil:
			n.Fault = say("form.number", n.Value)
		case v != n.want:
			n.Fault = say("compare.differs", num(n.want))
		}
		bad = bad || n.Fault != ""
	}
	if bad {
		return s.showEquation(w, r, http.StatusUnprocessableEntity, e, body)
	}
	text, err := verified.Checked(e, recordOf(e, f))
	if err != nil {
		f.General = err.Error()
		return s.showEquation(w, r, http.StatusUnprocessableEntity, e, body)
	}
	if err := s.keepFile(r.Context(), record.File{Kind: record.FileVerified, Name: e.ID, Title: e.Title, Content: []byte(text)}, true); err != nil {
		return err
	}
	http.Redirect(w, r, "/estimators/"+e.ID+"?compared", http.StatusSeeOther)
	return nil
}

func equationNamed(id string) (*estimate.Estimator, error) {
	e, err := estimators.ByID(id)
	if errors.Is(err, estimators.ErrUnknown) {
		return nil, record.ErrNotFound
	}
	return e, err
}
