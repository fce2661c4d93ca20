package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/internal/record"
)

// corrected are the inputs that can be put right after a test, in the order of the form.
var correctedNumbers = []string{"age_years", "mass_kg", "height_cm", "rest_hr_bpm", "rest_sbp_mmhg", "rest_dbp_mmhg", "max_hr_bpm", "hours_since_dose"}

// byRecord marks the term in which the page of the result writes: it takes the pen as a device of its own.
const byRecord = "record"

type correctBody struct {
	Test    record.Test
	Person  personAnswer
	Version int
	Form    form
	Papers  []paperLine
}

// correctForm has what the test was begun with, as it is known now.
func correctForm(in *conduct.Inputs) form {
	f := form{Fields: []field{choiceField("rate_limiting_drug", textOf(in.Drug), "no", "yes", "unknown"), textField("drug_name", in.DrugName, 200), choiceField("rhythm", textOf(in.Rhythm), "sinus", "atrial-fibrillation", "paced", "heart-transplant", "sci-t6-or-above", "other"),
		manyField("condition", "neurological", "heart", "lung", "other"), choiceField("sex", textOf(in.Sex), "female", "male")}}
	if text := textOf(in.Condition); text != "" {
		f.at("condition").Values = strings.Split(text, "+")
	}
	for _, name := range correctedNumbers {
		e := field{Name: name, Kind: "number", Most: 8}
		if v := numberOf(in, name); v != 0 {
			e.Value = strconv.FormatFloat(v, 'f', -1, 64)
		}
		f.Fields = append(f.Fields, e)
	}
	f.Fields = append(f.Fields, choiceField("machine_shows", textOf(in.Machine), "watts", "levels", "levels-only", "mets"), field{Name: "correct_why", Kind: "text", Most: 500, Need: true}, field{Name: "by", Kind: "text", Most: 80, Need: true})
	return f
}

// numberOf is an input by its name, as it is written.
func numberOf(in *conduct.Inputs, name string) float64 {
	v, _ := fieldsOf(in)[name].(float64)
	return v
}

func fieldsOf(in *conduct.Inputs) (fields map[string]any) {
	if text, err := json.Marshal(in); err == nil {
		_ = json.Unmarshal(text, &fields) // it was written just now
	}
	return fields
}

func (s *Server) correct(w http.ResponseWriter, r *http.Request) error {
	t, err := s.retell(r)
	if err != nil {
		return err
	}
	return s.showCorrect(w, r, http.StatusOK, &t, correctForm(&t.state.In))
}

func (s *Server) showCorrect(w http.ResponseWriter, r *http.Request, status int, t *told, f form) error {
	if t.test.Running() {
		f.General = say("correct.running")
	}
	body := correctBody{Test: t.test, Person: t.person, Version: t.state.Version(), Form: f}
	var err error
	if body.Papers, err = s.papersOf(r, t); err != nil {
		return err
	}
	return s.show(w, status, frame{Page: "correct", Title: say("correct.title", t.person.Label), Purpose: say("correct.purpose"), Section: "people", Token: s.token(w, r), Body: body})
}

// corrected appends what was put right as events: each makes another version of the result.
func (s *Server) corrected(w http.ResponseWriter, r *http.Request) error {
	t, err := s.retell(r)
	if err != nil {
		return err
	}
	f := correctForm(&t.state.In)
	f.take(r)
	f.signed(s.signed(r))
	events := s.corrections(&t, &f)
	for _, name := range []string{"correct_why", "by"} {
		if f.text(name) == "" {
			f.fault(name, say("form.empty"))
		}
	}
	if !f.bad() && len(events) == 0 {
		f.General = say("correct.nothing")
	}
	if t.test.Running() {
		f.General = say("correct.running")
	}
	if !f.bad() {
		if err := s.keepResults(r, &t); err != nil { // the version that is replaced
			return err
		}
		events = inOwnTerm(t.load.Events, events)
		tryOut(&t, events, &f)
	}
	if f.bad() {
		return s.showCorrect(w, r, http.StatusUnprocessableEntity, &t, f)
	}
	l, err := s.liveTest(r.Context(), t.test.ID)
	if err != nil {
		return err
	}
	if _, err := s.keep(r, l, events); err != nil {
		return err
	}
	now, err := s.retell(r)
	if err != nil {
		return err
	}
	if err := s.keepResults(r, &now); err != nil {
		return err
	}
	http.Redirect(w, r, "/tests/"+t.test.ID+"?corrected", http.StatusSeeOther)
	return nil
}

// corrections are the events of the fields that say something else than the test.
func (s *Server) corrections(t *told, f *form) (events []conduct.Event) {
	have := t.state.In
	add := func(name, word string, v float64) {
		in := t.state.In
		if err := in.Set(name, word, v); err != nil {
			f.fault(name, plainly(name, err))
			return
		}
		if in == have {
			return
		}
		events = append(events, conduct.Event{Kind: conduct.Input, Code: name, Word: word, V: v, At: t.state.Now, By: f.text("by"), Wall: s.now().Format(time.RFC3339), Text: f.text("correct_why")})
	}
	for _, name := range []string{"rate_limiting_drug", "rhythm", "sex", "machine_shows"} {
		word := f.text(name)
		if drug := strings.Join(strings.Fields(f.text("drug_name")), " "); name == "rate_limiting_drug" && word == "yes" && drug != "" {
			word += ": " + drug
		}
		if word != "" {
			add(name, word, 0)
		}
	}
	add("condition", strings.Join(f.at("condition").Values, "+"), 0)
	for _, name := range correctedNumbers {
		v := f.number(name)
		if f.at(name).Fault == "" {
			add(name, "", v)
		}
	}
	if sbp, dbp := f.number("rest_sbp_mmhg"), f.number("rest_dbp_mmhg"); sbp > 0 && dbp >= sbp {
		f.fault("rest_dbp_mmhg", say("plan.pressure"))
	}
	return events
}

// inOwnTerm numbers events as those of a device that takes the pen of the finished test, or holds it since an earlier
// correction.
func inOwnTerm(have, add []conduct.Event) []conduct.Event {
	last := have[len(have)-1].ID()
	for i := range have {
		if id := have[i].ID(); last.Less(id) {
			last = id
		}
	}
	first := slices.IndexFunc(have, func(e conduct.Event) bool { return e.ID() == conduct.ID{Term: last.Term, N: 1} })
	id := conduct.ID{Term: last.Term, N: last.N}
	var out []conduct.Event
	if first < 0 || have[first].Kind != conduct.TookOver || have[first].Code != byRecord {
		id = conduct.ID{Term: last.Term + 1, N: 1}
		out = append(out, conduct.Event{Term: id.Term, N: id.N, At: add[0].At, Kind: conduct.TookOver, Ref: last, Code: byRecord, By: add[0].By, Wall: add[0].Wall})
	}
	for _, e := range add {
		id.N++
		e.Term, e.N = id.Term, id.N
		out = append(out, e)
	}
	return out
}

// tryOut puts what the conductor would refuse into the form, before anything is stored.
func tryOut(t *told, events []conduct.Event, f *form) {
	state := t.state
	for i := range events {
		next, err := conduct.Apply(t.load.Protocol, state, &events[i])
		var refused *conduct.RefusedError
		switch {
		case errors.As(err, &refused):
			f.General = strings.TrimSuffix(refused.Msg+"; "+refused.Hint, "; ")
			return
		case err != nil:
			f.General = err.Error()
			return
		}
		state = next
	}
}

// kept is a version of a result as it is stored.
type keptResult struct {
	Version int `json:"version"`
	estimate.Stand
}

// keepResults stores the versions of the result that are not stored yet: papers name the version they carry.
func (s *Server) keepResults(r *http.Request, t *told) error {
	if t.test.Running() {
		return nil
	}
	have, err := s.store.Results(r.Context(), t.test.ID)
	if err != nil {
		return err
	}
	var all []estimate.Replaced
	if t.state.Revised > 0 {
		all = estimate.Replacements(t.load.Protocol, t.load.Events, t.load.Estimator)
	}
	for n := len(have) + 1; n <= t.state.Version(); n++ {
		one := record.Result{Test: t.test.ID, By: say("plan.examiner")}
		stand := t.stand()
		switch {
		case n > 1:
			was := all[n-2]
			stand, one.Why, one.By = was.After, was.What, or(was.By, one.By)
		case len(all) > 0:
			stand = all[0].Before
		}
		if one.JSON, err = json.Marshal(keptResult{n, stand}); err != nil {
			return err
		}
		if _, err := s.store.AddResult(r.Context(), one); err != nil {
			return err
		}
	}
	return nil
}

// stand is the result in short.
func (t *told) stand() estimate.Stand {
	o := t.view.Result
	if o == nil {
		return estimate.Stand{Verdict: estimate.NotUsable, Value: estimate.Absent, Why: say("result.no.stage"), Limit: t.state.Limits.EndBeat}
	}
	out := estimate.Stand{Verdict: o.Verdict, Value: estimate.Absent, Why: o.NoEstimate, Limit: t.state.Limits.EndBeat}
	if o.Estimate != nil {
		if out.Value = o.Estimate.Value; !out.Value.Present() {
			out.Why = o.Estimate.Why
		}
	}
	return out
}

// paperLine is a paper that was handed out.
type paperLine struct {
	Text string
	Old  bool // it carries a version that was replaced
}

func (s *Server) papersOf(r *http.Request, t *told) (lines []paperLine, err error) {
	papers, err := s.store.Papers(r.Context(), t.test.ID)
	for _, p := range papers {
		lines = append(lines, paperLine{say("paper.line", day(p.At.Local()), p.At.Local().Format("15:04"), p.What, p.Version, p.To, p.By), p.Version < t.state.Version()})
	}
	return lines, err
}

// handOut notes that a paper or a file with the present version left the house.
func (s *Server) handOut(r *http.Request, t *told, what, to, by string) error {
	if err := s.keepResults(r, t); err != nil {
		return err
	}
	unsaid := say("paper.unsaid")
	_, err := s.store.HandOut(r.Context(), record.Paper{Test: t.test.ID, Version: t.state.Version(), What: what, To: or(to, unsaid), By: or(by, unsaid)})
	return err
}

// paperKinds are what can be handed out of a test.
var paperKinds = []string{"result", "sheet", "log", "letter", "other"}

func paperForm() form {
	what := choiceField("paper_what", "result", paperKinds...)
	what.Need = true
	return form{Fields: []field{what, textField("paper_to", "", 200), textField("paper_by", "", 80)}}
}

// handedOut takes the form that says what was handed out and to whom.
func (s *Server) handedOut(w http.ResponseWriter, r *http.Request) error {
	t, err := s.retell(r)
	if err != nil {
		return err
	}
	f := paperForm()
	f.take(r)
	f.signed(s.signed(r))
	if t.test.Running() {
		f.General = say("paper.running")
	}
	if f.bad() {
		return &askError{http.StatusUnprocessableEntity, "paper", or(f.General, say("form.word")), say("form.again")}
	}
	if err := s.handOut(r, &t, optionText("paper_what", f.text("paper_what")), f.text("paper_to"), f.text("paper_by")); err != nil {
		return err
	}
	http.Redirect(w, r, "/tests/"+t.test.ID+"?handed", http.StatusSeeOther)
	return nil
}

type paperAsk struct {
	What string `json:"what"`
}

type paperAnswer struct {
	Version int    `json:"version"`
	Said    string `json:"said"`
}

// printed notes that a page was printed: the page says so when its browser prints.
func (s *Server) printed(r *http.Request) (any, error) {
	var ask paperAsk
	if err := readJSON(r, maxText, &ask); err != nil {
		return nil, err
	}
	if !slices.Contains(paperKinds, ask.What) {
		return nil, &askError{http.StatusBadRequest, "what", fmt.Sprintf("%q", ask.What), strings.Join(paperKinds, ", ")}
	}
	t, err := s.retell(r)
	if err != nil {
		return nil, err
	}
	if t.test.Running() {
		return nil, &askError{http.StatusConflict, "test", say("paper.running"), say("form.again")}
	}
	if err := s.handOut(r, &t, optionText("paper_what", ask.What), "", ""); err != nil {
		return nil, err
	}
	return paperAnswer{t.state.Version(), say("paper.noted", t.state.Version())}, nil
}
