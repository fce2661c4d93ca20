package web

import (
	"encoding"
	"errors"
	"net/http"
	"strconv"
	"strings"
	"time"

	"gradus/internal/record"
)

// testLine is a test in a list.
type testLine struct {
	ID, Title, Person, When string
	Running                 bool
}

type todayBody struct {
	Running []testLine
	Recent  []testLine
	People  []record.Participant
}

const (
	recentTests  = 8
	recentPeople = 8
	foundMost    = 50
)

func (s *Server) today(w http.ResponseWriter, r *http.Request) error {
	running, err := s.store.Tests(r.Context(), record.TestFilter{Running: true, Limit: foundMost})
	if err != nil {
		return err
	}
	all, err := s.store.Tests(r.Context(), record.TestFilter{Limit: recentTests + len(running)})
	if err != nil {
		return err
	}
	body := todayBody{}
	if body.Running, err = s.lines(r, running); err != nil {
		return err
	}
	finished := all[:0]
	for _, t := range all {
		if !t.Running() && len(finished) < recentTests {
			finished = append(finished, t)
		}
	}
	if body.Recent, err = s.lines(r, finished); err != nil {
		return err
	}
	found, err := s.store.Participants(r.Context(), record.ParticipantFilter{Limit: recentPeople})
	if err != nil {
		return err
	}
	body.People = found.People
	return s.show(w, http.StatusOK, frame{Page: "today", Title: say("today.title"), Purpose: say("today.purpose"), Section: "today", Body: body})
}

// lines says of every test whose it is.
func (s *Server) lines(r *http.Request, tests []record.Test) ([]testLine, error) {
	out := make([]testLine, len(tests))
	for i, t := range tests {
		who, err := s.personOf(r, t)
		if err != nil {
			return nil, err
		}
		out[i] = testLine{ID: t.ID, Title: t.Title, Person: who.Label, When: day(t.Created.Local()) + ", " + t.Created.Local().Format("15:04"), Running: t.Running()}
	}
	return out, nil
}

func day(t time.Time) string { return t.Format("2 January 2006") }

type peopleBody struct {
	Query string
	Found []record.Participant
	More  bool
	Form  form
}

func (s *Server) people(w http.ResponseWriter, r *http.Request) error {
	return s.showPeople(w, r, http.StatusOK, personForm(record.Participant{}))
}

func (s *Server) showPeople(w http.ResponseWriter, r *http.Request, status int, f form) error {
	query := strings.TrimSpace(r.URL.Query().Get("q"))
	found, err := s.store.Participants(r.Context(), record.ParticipantFilter{Query: query, Limit: foundMost})
	if err != nil {
		return err
	}
	body := peopleBody{Query: query, Found: found.People, More: found.Total > foundMost, Form: f}
	return s.show(w, status, frame{Page: "people", Title: say("people.title"), Purpose: say("people.purpose"), Section: "people", Token: s.token(w, r), Body: body})
}

// personForm is the form of a person.
func personForm(p record.Participant) form {
	return form{Fields: []field{
		textField("code", p.Code, 64),
		textField("name", p.Name, 200),
		{Name: "birth_date", Kind: "date", Value: p.BirthDate},
		choiceField("sex", wordOf(p.Sex), "", "female", "male"),
		{Name: "note", Kind: "area", Value: p.Note, Most: 2000},
	}}
}

func (s *Server) readPerson(r *http.Request, f *form, p record.Participant) record.Participant {
	f.take(r)
	f.signed(s.signed(r))
	p.Code, p.Name, p.Note, p.BirthDate = f.text("code"), f.text("name"), f.text("note"), f.text("birth_date")
	if err := p.Sex.UnmarshalText([]byte(f.text("sex"))); err != nil {
		f.fault("sex", say("form.word"))
	}
	if p.BirthDate != "" {
		if _, ok := age(p.BirthDate, s.now()); !ok {
			f.fault("birth_date", say("person.birth.bad"))
		}
	}
	if strings.HasPrefix(strings.ToUpper(p.Code), "DEMO-") && !s.demo {
		f.fault("code", say("person.code.demo"))
	}
	return p
}

// storeFault puts what the record refused to the field it is about; other errors are returned.
func storeFault(f *form, err error) error {
	var taken *record.CodeTakenError
	var invalid *record.InvalidError
	switch {
	case errors.As(err, &taken):
		f.fault("code", say("person.code.taken", taken.Code))
	case errors.As(err, &invalid):
		f.fault("code", invalid.Why)
	default:
		return err
	}
	return nil
}

func (s *Server) addPerson(w http.ResponseWriter, r *http.Request) error {
	f := personForm(record.Participant{})
	p := s.readPerson(r, &f, record.Participant{})
	if p.Code == "" && p.Name == "" {
		f.fault("code", say("person.nameless"))
	}
	if !f.bad() && p.Code == "" {
		code, err := s.freeCode(r)
		if err != nil {
			return err
		}
		p.Code = code
	}
	if !f.bad() {
		added, err := s.store.AddParticipant(r.Context(), p)
		if err == nil {
			http.Redirect(w, r, "/people/"+strconv.FormatInt(added.ID, 10), http.StatusSeeOther)
			return nil
		}
		if err := storeFault(&f, err); err != nil {
			return err
		}
	}
	return s.showPeople(w, r, http.StatusUnprocessableEntity, f)
}

// freeCode makes a code for a person who was given none.
func (s *Server) freeCode(r *http.Request) (string, error) {
	for n := 1; ; n++ {
		code := "P-" + s.now().Format("060102") + "-" + strconv.Itoa(n)
		_, err := s.store.ParticipantByCode(r.Context(), code)
		switch {
		case errors.Is(err, record.ErrNotFound):
			return code, nil
		case err != nil:
			return "", err
		}
	}
}

type personBody struct {
	Person record.Participant
	Label  string
	Age    string
	Tests  []testLine
	Form   form
	Open   bool // the form is open
	Saved  bool
}

func (s *Server) person(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	return s.showPerson(w, r, http.StatusOK, p, personForm(p))
}

func (s *Server) showPerson(w http.ResponseWriter, r *http.Request, status int, p record.Participant, f form) error {
	tests, err := s.store.Tests(r.Context(), record.TestFilter{Participant: p.ID, Limit: 200})
	if err != nil {
		return err
	}
	body := personBody{Person: p, Label: label(p), Form: f, Open: f.bad(), Saved: r.URL.Query().Has("saved")}
	if years, ok := age(p.BirthDate, s.now()); ok {
		body.Age = strconv.Itoa(years)
	}
	if body.Tests, err = s.lines(r, tests); err != nil {
		return err
	}
	return s.show(w, status, frame{Page: "person", Title: label(p), Purpose: say("person.purpose"), Section: "people", Token: s.token(w, r), Body: body})
}

func (s *Server) changePerson(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	f := personForm(p)
	changed := s.readPerson(r, &f, p)
	if changed.Code == "" {
		f.fault("code", say("person.code.none"))
	}
	if !f.bad() {
		err := s.store.UpdateParticipant(r.Context(), changed)
		if err == nil {
			http.Redirect(w, r, "/people/"+strconv.FormatInt(p.ID, 10)+"?saved", http.StatusSeeOther)
			return nil
		}
		if err := storeFault(&f, err); err != nil {
			return err
		}
	}
	return s.showPerson(w, r, http.StatusUnprocessableEntity, p, f)
}

// age is the completed years on a day; false when the birth date is no day or not in the past 120 years.
func age(birth string, on time.Time) (int, bool) {
	b, err := time.Parse(time.DateOnly, birth)
	if err != nil {
		return 0, false
	}
	years := on.Year() - b.Year()
	if on.Month() < b.Month() || on.Month() == b.Month() && on.Day() < b.Day() {
		years--
	}
	return years, years >= 0 && years <= 120
}

func wordOf(s encoding.TextMarshaler) string {
	text, err := s.MarshalText()
	if err != nil {
		return ""
	}
	return string(text)
}
