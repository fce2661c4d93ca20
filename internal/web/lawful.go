package web

import (
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"gradus/internal/access"
	"gradus/internal/record"
)

// studentBody is what the result page says of a student's test.
type studentBody struct {
	Counts bool
	Signed string // who stands for it, and when
	Note   string
	Late   bool // something came after the countersign
	May    bool // whoever looks may countersign
	Marks  string
}

// studentOf says whether a student's test counts; nil for any other test.
func (s *Server) studentOf(r *http.Request, t record.Test) (*studentBody, error) {
	if !t.Student {
		return nil, nil
	}
	counts, err := record.Counts(r.Context(), s.store, t)
	if err != nil {
		return nil, err
	}
	marks, err := s.store.Append(r.Context(), t.ID, nil)
	if err != nil {
		return nil, err
	}
	who := visitorOf(r).who
	b := &studentBody{Counts: counts, May: !t.Running() && !counts && who.May(access.Sign) && (t.Account == 0 || who.Account != t.Account), Marks: marksText(marks)}
	if t.Signed != nil {
		b.Signed, b.Note, b.Late = say("student.signed", t.Signed.By, moment(t.Signed.At)), t.Signed.Note, !counts
	}
	return b, nil
}

// countersigned takes a supervisor's word for the events that were on the page.
func (s *Server) countersigned(w http.ResponseWriter, r *http.Request) error {
	id := r.PathValue("test")
	if !s.signed(r) {
		return &askError{http.StatusUnprocessableEntity, "form", say("form.unsigned"), say("form.again")}
	}
	marks, ok := readMarks(r.PostForm.Get("marks"))
	if !ok {
		return &askError{http.StatusUnprocessableEntity, "form", say("form.unread"), say("form.again")}
	}
	_, err := s.store.Countersign(r.Context(), record.Countersign{Test: id, Marks: marks, Note: shorten(r.PostForm.Get("note"), 1000), By: or(visitorOf(r).who.Name, say("owner.name"))})
	var changed *record.ChangedError
	var invalid *record.InvalidError
	switch {
	case errors.As(err, &changed):
		return &askError{http.StatusConflict, "test", say("student.changed"), say("form.again")}
	case errors.As(err, &invalid):
		return &askError{http.StatusUnprocessableEntity, "test", invalid.Why, say("form.again")}
	case errors.Is(err, record.ErrRunning):
		return &askError{http.StatusConflict, "test", say("student.running"), say("form.again")}
	case err != nil:
		return err
	}
	http.Redirect(w, r, "/tests/"+id, http.StatusSeeOther)
	return nil
}

// counting leaves out the tests of students that nobody has countersigned.
func (s *Server) counting(r *http.Request, tests []record.Test) ([]record.Test, error) {
	out := make([]record.Test, 0, len(tests))
	for _, t := range tests {
		ok, err := record.Counts(r.Context(), s.store, t)
		if err != nil {
			return nil, err
		}
		if ok {
			out = append(out, t)
		}
	}
	return out, nil
}

type consentBody struct {
	Person record.Participant
	Holds  []consentLine
	All    []consentLine
	Form   form
	Saved  bool
}

type consentLine struct {
	Purpose, Said, Date, By, Note string
	Given                         bool
}

func consentForm(day string) form {
	purpose := choiceField("purpose", "", record.Purposes...)
	purpose.Need = true
	given := choiceField("consent_said", "", "given", "refused", "withdrawn")
	given.Need = true
	return form{Fields: []field{purpose, given, {Name: "consent_date", Kind: "date", Value: day, Need: true}, textField("consent_note", "", 1000), {Name: "by", Kind: "text", Most: 80, Need: true}}}
}

func lineOf(c record.Consent) consentLine {
	said := say("consent.not")
	if c.Given {
		said = say("consent.given")
	}
	return consentLine{Purpose: optionText("purpose", c.Purpose), Said: said, Date: dayText(c.Date), By: c.By, Note: c.Note, Given: c.Given}
}

// consent is what a person agreed to, by purpose, with its history.
func (s *Server) consent(w http.ResponseWriter, r *http.Request) error {
	return s.showConsent(w, r, http.StatusOK, consentForm(s.day()))
}

func (s *Server) showConsent(w http.ResponseWriter, r *http.Request, status int, f form) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	all, err := s.store.Consents(r.Context(), p.ID)
	if err != nil {
		return err
	}
	b := consentBody{Person: p, Form: f, Saved: r.URL.Query().Has("saved")}
	holds := record.Holds(all)
	for _, purpose := range record.Purposes {
		if c, ok := holds[purpose]; ok {
			b.Holds = append(b.Holds, lineOf(c))
		} else {
			b.Holds = append(b.Holds, consentLine{Purpose: optionText("purpose", purpose), Said: say("consent.none")})
		}
	}
	for _, c := range all {
		b.All = append(b.All, lineOf(c))
	}
	slices.Reverse(b.All)
	return s.show(w, status, frame{Page: "consent", Title: say("consent.title", label(p)), Purpose: say("consent.purpose"), Section: "people", Token: s.token(w, r), Body: b})
}

func (s *Server) tookConsent(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	f := consentForm("")
	f.take(r)
	f.signed(s.signed(r))
	for _, name := range []string{"purpose", "consent_said", "by"} {
		if f.text(name) == "" {
			f.fault(name, say("form.empty"))
		}
	}
	day, err := time.Parse(time.DateOnly, f.text("consent_date"))
	if err != nil || day.After(s.now().AddDate(0, 0, 1)) {
		f.fault("consent_date", say("consent.date"))
	}
	if f.bad() {
		return s.showConsent(w, r, http.StatusUnprocessableEntity, f)
	}
	if _, err := s.store.AddConsent(r.Context(), record.Consent{Participant: p.ID, Purpose: f.text("purpose"), Given: f.text("consent_said") == "given", Date: f.text("consent_date"),
		Note: strings.TrimSpace(f.text("consent_note")), By: f.text("by")}); err != nil {
		return err
	}
	http.Redirect(w, r, personAddress(p.ID)+"/consent?saved", http.StatusSeeOther)
	return nil
}

type erasuresBody struct {
	Form     form
	Until    string // the rule of the site says keep
	Overrule bool   // whoever looks may overrule it
	Done     []erasureLine
	Gone     bool
}

type erasureLine struct {
	Number, Tests, Visits    int64
	When, By, Why, Overruled string
}

func eraseForm() form {
	sure := field{Name: "erase_sure", Kind: "text", Most: 64, Need: true}
	return form{Fields: []field{{Name: "erase_code", Kind: "text", Most: 64, Need: true}, sure, {Name: "erase_why", Kind: "area", Most: 1000, Need: true}}}
}

// erasures is where a person is deleted, and the list of those who were.
func (s *Server) erasures(w http.ResponseWriter, r *http.Request) error {
	return s.showErasures(w, r, http.StatusOK, erasuresBody{Form: eraseForm()})
}

func (s *Server) showErasures(w http.ResponseWriter, r *http.Request, status int, b erasuresBody) error {
	all, err := s.store.Erasures(r.Context())
	if err != nil {
		return err
	}
	for _, e := range slices.Backward(all) {
		b.Done = append(b.Done, erasureLine{Number: e.Participant, Tests: int64(e.Tests), Visits: int64(e.Visits), When: moment(e.At), By: e.By, Why: e.Why, Overruled: e.Overruled})
	}
	b.Overrule, b.Gone = visitorOf(r).who.May(access.Overrule), r.URL.Query().Has("gone")
	return s.show(w, status, frame{Page: "erasures", Title: say("erasures.title"), Purpose: say("erasures.purpose"), Section: "erasures", Token: s.token(w, r), Body: b})
}

// erase deletes the person with a code, which is entered twice. An administrator sees nothing of the person.
func (s *Server) erase(w http.ResponseWriter, r *http.Request) error {
	b := erasuresBody{Form: eraseForm()}
	f := &b.Form
	f.take(r)
	f.signed(s.signed(r))
	for _, name := range []string{"erase_code", "erase_why"} {
		if f.text(name) == "" {
			f.fault(name, say("form.empty"))
		}
	}
	if f.text("erase_sure") != f.text("erase_code") {
		f.fault("erase_sure", say("erasures.differ"))
	}
	if f.bad() {
		return s.showErasures(w, r, http.StatusUnprocessableEntity, b)
	}
	who := visitorOf(r).who
	p, err := s.raw.ParticipantAt(r.Context(), who.Site, f.text("erase_code"))
	if errors.Is(err, record.ErrNotFound) {
		f.fault("erase_code", say("erasures.unknown"))
		return s.showErasures(w, r, http.StatusUnprocessableEntity, b)
	}
	if err != nil {
		return err
	}
	_, err = s.store.Erase(r.Context(), record.Erasure{Participant: p.ID, Why: f.text("erase_why"), By: or(who.Name, say("owner.name")), Overrule: r.PostForm.Get("overrule") == "yes"})
	var keep *record.KeepError
	switch {
	case errors.As(err, &keep):
		b.Until = dayText(keep.Until)
		f.fault("erase_code", say("erasures.keep", b.Until))
		return s.showErasures(w, r, http.StatusConflict, b)
	case errors.Is(err, record.ErrRunning):
		f.fault("erase_code", say("erasures.running"))
		return s.showErasures(w, r, http.StatusConflict, b)
	case err != nil:
		return err
	}
	s.log.Warn("a person was deleted", "number", p.ID, "account", who.Account)
	http.Redirect(w, r, "/erasures?gone", http.StatusSeeOther)
	return nil
}
