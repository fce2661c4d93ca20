package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"gradus/internal/intake"
	"gradus/internal/record"
)

// Kinds of facts that the pages of a visit write.
const (
	factFit  = "fit"
	factRest = "rest"
)

func pathNumber(r *http.Request, name string) (int64, error) {
	id, err := strconv.ParseInt(r.PathValue(name), 10, 64)
	if err != nil || id <= 0 {
		return 0, record.ErrNotFound
	}
	return id, nil
}

func visitAddress(id int64) string { return "/visits/" + strconv.FormatInt(id, 10) }

// visitAt is the visit that the address names, with the person it is shown under.
func (s *Server) visitAt(r *http.Request) (record.Visit, record.Participant, error) {
	id, err := pathNumber(r, "visit")
	if err != nil {
		return record.Visit{}, record.Participant{}, err
	}
	v, err := s.store.Visit(r.Context(), id)
	if err != nil {
		return v, record.Participant{}, err
	}
	p, err := s.keptPerson(r, v.Participant)
	return v, p, err
}

// appointmentForm asks for a new visit.
func appointmentForm() form {
	return form{Fields: []field{{Name: "visit_date", Kind: "date", Need: true}, {Name: "visit_time", Kind: "time"}, textField("visit_note", "", 1000)}}
}

func visitForm(v record.Visit) form {
	return form{Fields: []field{{Name: "visit_date", Kind: "date", Value: v.Date, Need: true}, {Name: "visit_time", Kind: "time", Value: v.Time},
		choiceField("visit_state", v.State, record.VisitStates...), {Name: "retest_due", Kind: "date", Value: v.RetestDue}, {Name: "visit_note", Kind: "area", Value: v.Note, Most: 1000}}}
}

// addVisit makes an appointment, or opens the visit of today.
func (s *Server) addVisit(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	f := appointmentForm()
	f.take(r)
	f.signed(s.signed(r))
	if r.PostForm.Get("do") == "today" && f.General == "" {
		v, err := s.store.VisitOn(r.Context(), p.ID, s.day())
		if err != nil {
			return err
		}
		http.Redirect(w, r, visitAddress(v.ID), http.StatusSeeOther)
		return nil
	}
	if f.text("visit_date") == "" {
		f.fault("visit_date", say("form.empty"))
	}
	if !f.bad() {
		v, err := s.store.AddVisit(r.Context(), record.Visit{Participant: p.ID, Date: f.text("visit_date"), Time: f.text("visit_time"), Note: f.text("visit_note"), State: record.VisitPlanned})
		if err == nil {
			http.Redirect(w, r, visitAddress(v.ID), http.StatusSeeOther)
			return nil
		}
		if err := visitFault(&f, err); err != nil {
			return err
		}
	}
	return s.showPerson(w, r, http.StatusUnprocessableEntity, p, personBody{Form: personForm(p), Drugs: rowsOfDrugs(p.Drugs), Visit: f, Undo: whyForm()})
}

// visitFault puts what the record refused to the field it is about.
func visitFault(f *form, err error) error {
	var taken *record.DayTakenError
	var invalid *record.InvalidError
	switch {
	case errors.As(err, &taken):
		f.fault("visit_date", say("visit.taken"))
	case errors.As(err, &invalid) && strings.Contains(invalid.Why, "retest"):
		f.fault("retest_due", invalid.Why)
	case errors.As(err, &invalid) && strings.HasPrefix(invalid.Why, "time"):
		f.fault("visit_time", invalid.Why)
	case errors.As(err, &invalid):
		f.fault("visit_date", invalid.Why)
	default:
		return err
	}
	return nil
}

type visitBody struct {
	Visit    visitLine
	Person   record.Participant
	Label    string
	Steps    []visitStep
	Tests    []testLine
	Cautions []string
	Facts    []factLine
	Form     form
	Open     bool
	Saved    bool
	Retest   bool // there is a retest date, so there is a card
}

// visitStep is a part of the visit on the way to the result.
type visitStep struct {
	Name, At string
	Done     string // what is recorded, or ""
	By       string
	Press    string // text of the link
}

// factLine is a fact in the list of all that was recorded.
type factLine struct {
	Kind, By, At string
	Lines        []slipLine
	Replaced     bool
}

func (s *Server) visit(w http.ResponseWriter, r *http.Request) error {
	v, p, err := s.visitAt(r)
	if err != nil {
		return err
	}
	return s.showVisit(w, r, http.StatusOK, v, p, visitForm(v))
}

func (s *Server) showVisit(w http.ResponseWriter, r *http.Request, status int, v record.Visit, p record.Participant, f form) error {
	facts, err := s.store.Facts(r.Context(), v.ID)
	if err != nil {
		return err
	}
	tests, err := s.store.Tests(r.Context(), record.TestFilter{Visit: v.ID})
	if err != nil {
		return err
	}
	body := visitBody{Visit: s.visitLine(v), Person: p, Label: label(p), Form: f, Open: f.bad(), Saved: r.URL.Query().Has("saved"), Retest: v.RetestDue != ""}
	if body.Tests, err = s.lines(r, tests); err != nil {
		return err
	}
	view := record.InView(facts)
	body.Steps, body.Cautions = s.steps(v, p, view, body.Tests)
	for _, fact := range facts {
		body.Facts = append(body.Facts, factLine{Kind: or(english["fact."+fact.Kind], fact.Kind), By: fact.By, At: fact.At.Local().Format("15:04"),
			Lines: s.factLines(fact), Replaced: view[fact.Kind].N != fact.N && !adds(fact.Kind)})
	}
	return s.show(w, status, frame{Page: "visit", Title: say("visit.title", label(p), dayText(v.Date)), Purpose: say("visit.purpose"), Section: "people", Token: s.token(w, r), Body: body})
}

// adds reports whether facts of a kind stand beside one another: a later one replaces none.
func adds(kind string) bool {
	return kind == factEmergency || kind == factIncident || kind == factSessions || kind == intake.FactSheet || kind == intake.FactVitals
}

// steps are the way through a visit, each with what is recorded of it.
func (s *Server) steps(v record.Visit, p record.Participant, view map[string]record.Fact, tests []testLine) (steps []visitStep, cautions []string) {
	at := visitAddress(v.ID)
	add := func(kind, address string, tell func(record.Fact) (string, []string)) {
		st := visitStep{Name: say("step." + kind), At: address, Press: say("step.press." + kind)}
		if fact, there := view[kind]; there {
			var warn []string
			st.Done, warn = tell(fact)
			st.By = say("step.by", fact.By, fact.At.Local().Format("15:04"))
			cautions = append(cautions, warn...)
		}
		steps = append(steps, st)
	}
	if v.Date == s.day() {
		add(factScreening, screeningPath(p), func(f record.Fact) (string, []string) { return screeningSentence(f), screeningCautions(f) })
	} else if fact, there := view[factScreening]; there {
		steps = append(steps, visitStep{Name: say("step.screening"), Done: screeningSentence(fact), By: say("step.by", fact.By, fact.At.Local().Format("15:04"))})
	}
	add(factAbilities, at+"/which", func(f record.Fact) (string, []string) { return abilitiesSentence(f), nil })
	add(factFit, at+"/fit", func(f record.Fact) (string, []string) { fit := readFit(f); return fit.sentence(), fit.cautions() })
	add(factRest, at+"/rest", func(f record.Fact) (string, []string) { rest := readRest(f); return rest.sentence(), rest.cautions() })
	test := visitStep{Name: say("step.test")}
	if v.Date == s.day() {
		test.At, test.Press = personAddress(p.ID)+"/new", say("step.press.test")
	}
	if len(tests) > 0 {
		test.Done = say("step.tests", len(tests))
		if test.At != "" {
			test.Press = say("step.press.again")
		}
	}
	return append(steps, test), cautions
}

// screeningSentence is what a screening came to.
func screeningSentence(f record.Fact) string {
	var found screening
	if json.Unmarshal(f.JSON, &found) != nil {
		return ""
	}
	return ended(outcomeText(found.Result.Outcome))
}

// screeningCautions say what stands against a test.
func screeningCautions(f record.Fact) (list []string) {
	var found screening
	if json.Unmarshal(f.JSON, &found) != nil || !found.Result.Outcome.Blocks() {
		return nil
	}
	list = append(list, say("plan.blocked", outcomeText(found.Result.Outcome)))
	for _, reason := range found.Result.Blocking() {
		list = append(list, reason.Text)
	}
	return list
}

func screeningLines(f record.Fact) []slipLine {
	var found notTested // a screening has its result in the same place, and answers beside it
	if json.Unmarshal(f.JSON, &found) != nil {
		return nil
	}
	lines := []slipLine{{say("fact.outcome"), outcomeText(found.Result.Outcome)}}
	for _, reason := range found.Result.Reasons {
		lines = append(lines, slipLine{say("fact.reason"), reason.Text})
	}
	if found.Note != "" {
		lines = append(lines, slipLine{say("field.visit_note"), found.Note})
	}
	return lines
}

// factLines show a fact of any kind by its own names.
func (s *Server) factLines(f record.Fact) (lines []slipLine) {
	switch f.Kind {
	case factFit:
		return readFit(f).lines()
	case factRest:
		return readRest(f).lines()
	case intake.FactSheet:
		return originLines(f)
	case intake.FactVitals:
		return vitalLines(f)
	case factReport:
		return reportLines(f)
	case factSessions:
		return sessionLines(f)
	case factEmergency:
		return s.emergencyLines(f)
	case factIncident:
		return incidentLines(f)
	case factScreening, factNotTested:
		return screeningLines(f)
	}
	var fields map[string]any
	if json.Unmarshal(f.JSON, &fields) != nil {
		return []slipLine{{say("fact.text"), strings.Trim(string(f.JSON), `"`)}}
	}
	var names []string
	for name := range fields {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		lines = append(lines, slipLine{or(english["field."+name], strings.ReplaceAll(name, "_", " ")), fmt.Sprint(fields[name])})
	}
	return lines
}

func (s *Server) changeVisit(w http.ResponseWriter, r *http.Request) error {
	v, p, err := s.visitAt(r)
	if err != nil {
		return err
	}
	f := visitForm(v)
	f.take(r)
	f.signed(s.signed(r))
	if !f.bad() {
		changed := v
		changed.Date, changed.Time, changed.State, changed.RetestDue, changed.Note = f.text("visit_date"), f.text("visit_time"), f.text("visit_state"), f.text("retest_due"), f.text("visit_note")
		err := s.store.UpdateVisit(r.Context(), changed)
		if err == nil {
			http.Redirect(w, r, visitAddress(v.ID)+"?saved", http.StatusSeeOther)
			return nil
		}
		if err := visitFault(&f, err); err != nil {
			return err
		}
	}
	return s.showVisit(w, r, http.StatusUnprocessableEntity, v, p, f)
}

type cardBody struct {
	Person record.Participant
	Label  string
	Visit  int64
	Lines  []slipLine
}

// card is what a person takes home, so that the next test is comparable with this one.
func (s *Server) card(w http.ResponseWriter, r *http.Request) error {
	v, p, err := s.visitAt(r)
	if err != nil {
		return err
	}
	body := cardBody{Person: p, Label: label(p), Visit: v.ID}
	add := func(name, text string) { body.Lines = append(body.Lines, slipLine{say(name), text}) }
	add("card.when", or(dayText(v.RetestDue), say("card.open")))
	hour, err := s.hourOf(r, v)
	if err != nil {
		return err
	}
	if hour == "" {
		add("card.hour", say("card.hour.unknown"))
	} else {
		add("card.hour", say("card.hour.about", hour))
	}
	fit, err := s.lastFit(r, p.ID, "")
	if err != nil {
		return err
	}
	add("card.drugs", say("card.drugs.same"))
	for _, d := range p.Drugs {
		add("card.drug", drugText(d))
	}
	add("card.shoes", or(fit.Shoes, say("card.shoes.same")))
	if fit.Orthosis != "" {
		add("card.orthosis", fit.Orthosis)
	}
	add("card.before", say("card.before.text"))
	return s.show(w, http.StatusOK, frame{Page: "card", Title: say("card.title", label(p)), Purpose: say("card.purpose"), Section: "people", Body: body})
}

// hourOf is the hour at which the tests of a visit began, else that of the appointment.
func (s *Server) hourOf(r *http.Request, v record.Visit) (string, error) {
	tests, err := s.store.Tests(r.Context(), record.TestFilter{Visit: v.ID})
	if err != nil || len(tests) == 0 {
		return v.Time, err
	}
	return tests[len(tests)-1].Created.Local().Format("15:04"), nil
}
