package web

import (
	"errors"
	"net/http"
	"strconv"

	"gradus/internal/record"
)

// mergeLine is a merge in the list of a person's page.
type mergeLine struct {
	record.Merge
	Text   string
	Stands bool
}

func (s *Server) mergeLines(r *http.Request, id int64) ([]mergeLine, error) {
	merges, err := s.store.Merges(r.Context(), id)
	if err != nil {
		return nil, err
	}
	var list []mergeLine
	for _, m := range merges {
		from, err := s.store.Participant(r.Context(), m.From)
		if err != nil {
			return nil, err
		}
		into, err := s.store.Participant(r.Context(), m.Into)
		if err != nil {
			return nil, err
		}
		line := mergeLine{Merge: m, Stands: m.Undone.IsZero(), Text: say("merge.line", day(m.When.Local()), from.Code, into.Code, m.By, m.Why)}
		if !line.Stands {
			line.Text += " " + say("merge.line.undone", day(m.Undone.Local()), m.UndoneBy, m.UndoneWhy)
		}
		list = append(list, line)
	}
	return list, nil
}

// whyForm asks for who and why.
func whyForm() form {
	return form{Fields: []field{textField("merge_by", "", 80), textField("why", "", 500)}}
}

type mergeBody struct {
	Keep, Other  record.Participant
	Label        string
	Rows         []compared
	Form         form
	With, Swap   string
	KeepN, OtheN int // tests of each
}

// compared is one line about two persons.
type compared struct {
	Name, Keep, Other string
	Differs           bool
}

// mergePage shows two persons side by side before one is shown as the other.
func (s *Server) mergePage(w http.ResponseWriter, r *http.Request) error {
	return s.showMerge(w, r, http.StatusOK, r.URL.Query().Get("with"), whyForm())
}

func (s *Server) showMerge(w http.ResponseWriter, r *http.Request, status int, with string, f form) error {
	keep, err := s.personAt(r)
	if err != nil {
		return err
	}
	id, err := strconv.ParseInt(with, 10, 64)
	if err != nil {
		return record.ErrNotFound
	}
	other, err := s.keptPerson(r, id)
	if err != nil {
		return err
	}
	if other.ID == keep.ID {
		http.Redirect(w, r, personAddress(keep.ID), http.StatusSeeOther)
		return nil
	}
	body := mergeBody{Keep: keep, Other: other, Label: label(keep), Form: f, With: strconv.FormatInt(other.ID, 10),
		Swap: personAddress(other.ID) + "/merge?with=" + strconv.FormatInt(keep.ID, 10)}
	if body.Rows, err = s.compare(r, keep, other); err != nil {
		return err
	}
	return s.show(w, status, frame{Page: "merge", Title: say("merge.title"), Purpose: say("merge.purpose"), Section: "people", Token: s.token(w, r), Body: body})
}

func (s *Server) compare(r *http.Request, a, b record.Participant) ([]compared, error) {
	var names []string
	of := map[string][2]string{}
	put := func(which int, name, text string) {
		pair, known := of[name]
		if !known {
			names = append(names, name)
		}
		if pair[which] != "" {
			text = pair[which] + "; " + text
		}
		pair[which] = text
		of[name] = pair
	}
	for which, p := range []record.Participant{a, b} {
		put(which, say("field.name"), p.Name)
		for _, line := range s.aboutPerson(p) {
			put(which, line.Name, line.Text)
		}
		tests, err := s.store.Tests(r.Context(), record.TestFilter{Participant: p.ID})
		if err != nil {
			return nil, err
		}
		put(which, say("person.tests"), strconv.Itoa(len(tests)))
	}
	var rows []compared
	for _, name := range names {
		rows = append(rows, compared{name, of[name][0], of[name][1], of[name][0] != of[name][1]})
	}
	return rows, nil
}

// merged shows one person as another.
func (s *Server) merged(w http.ResponseWriter, r *http.Request) error {
	f, with := whyForm(), r.PostForm.Get("with")
	keep, err := s.personAt(r)
	if err != nil {
		return err
	}
	s.readWhy(r, &f)
	other, err := strconv.ParseInt(with, 10, 64)
	if err != nil {
		return record.ErrNotFound
	}
	if f.bad() {
		return s.showMerge(w, r, http.StatusUnprocessableEntity, with, f)
	}
	_, err = s.store.Merge(r.Context(), other, keep.ID, f.text("merge_by"), f.text("why"))
	var invalid *record.InvalidError
	if errors.As(err, &invalid) {
		f.General = invalid.Why
		return s.showMerge(w, r, http.StatusUnprocessableEntity, with, f)
	}
	if err != nil {
		return err
	}
	http.Redirect(w, r, personAddress(keep.ID)+"?merged", http.StatusSeeOther)
	return nil
}

func (s *Server) readWhy(r *http.Request, f *form) {
	f.take(r)
	f.signed(s.signed(r))
	for _, name := range []string{"merge_by", "why"} {
		if f.text(name) == "" {
			f.fault(name, say("form.empty"))
		}
	}
}

// unmerged splits two persons again.
func (s *Server) unmerged(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	f := whyForm()
	s.readWhy(r, &f)
	id, err := strconv.ParseInt(r.PostForm.Get("merge"), 10, 64)
	if err != nil {
		return record.ErrNotFound
	}
	if !f.bad() {
		err := s.store.UndoMerge(r.Context(), id, f.text("merge_by"), f.text("why"))
		var invalid *record.InvalidError
		switch {
		case err == nil:
			http.Redirect(w, r, personAddress(p.ID)+"?unmerged", http.StatusSeeOther)
			return nil
		case !errors.As(err, &invalid):
			return err
		}
		f.General = invalid.Why
	}
	return s.showPerson(w, r, http.StatusUnprocessableEntity, p, personBody{Form: personForm(p), Drugs: rowsOfDrugs(p.Drugs), Visit: appointmentForm(), Undo: f})
}

// archive takes a person out of the lists, or puts it back.
func (s *Server) archive(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	if !s.signed(r) {
		return &askError{http.StatusForbidden, "form", say("form.unsigned"), say("form.again")}
	}
	archived := r.PostForm.Get("do") == "archive"
	if err := s.store.Archive(r.Context(), p.ID, archived); err != nil {
		return err
	}
	word := "?back"
	if archived {
		word = "?archived"
	}
	http.Redirect(w, r, personAddress(p.ID)+word, http.StatusSeeOther)
	return nil
}
