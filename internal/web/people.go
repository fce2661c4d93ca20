package web

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"gradus/conduct"
	"gradus/internal/record"
	"gradus/screen"
)

// testLine is a test in a list.
type testLine struct {
	ID, Title, Person, When string
	Running                 bool
	Waits                   bool // for a countersign
	Visit                   int64
}

const (
	foundMost  = 25 // people on one page
	visitsMost = 100
)

// lines says of every test whose it is.
func (s *Server) lines(r *http.Request, tests []record.Test) ([]testLine, error) {
	out := make([]testLine, len(tests))
	for i, t := range tests {
		who, err := s.personOf(r, t)
		if err != nil {
			return nil, err
		}
		counts, err := record.Counts(r.Context(), s.store, t)
		if err != nil {
			return nil, err
		}
		out[i] = testLine{Waits: !counts && !t.Running(), ID: t.ID, Title: t.Title, Person: who.Label, When: strings.TrimSuffix(day(t.Created.Local())+", "+hourOf(t), ", "), Running: t.Running(), Visit: t.Visit}
	}
	return out, nil
}

// hourOf is the hour of a test; "" of one that was brought in without one, which stands at noon to the millisecond.
func hourOf(t record.Test) string {
	at := t.Created.Local()
	if at.Equal(time.Date(at.Year(), at.Month(), at.Day(), 12, 0, 0, 0, at.Location())) {
		return ""
	}
	return at.Format("15:04")
}

func day(t time.Time) string { return t.Format("2 January 2006") }

// dayText is a stored day as it is read; what is no day stays.
func dayText(date string) string {
	t, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return date
	}
	return t.Format("Monday 2 January 2006")
}

type peopleBody struct {
	Query      string
	Found      []record.Participant
	Total      int
	From, To   int // which of them are on the page, from 1
	Back, On   string
	Before     int // the page before and the one after
	After      int
	Sent       bool // the search was sent as a form: names stand in no address
	Archived   bool
	Form       form
	Drugs      drugRows
	Duplicates []duplicate
}

// turn leads to another page of a search.
type turn struct {
	Query    string
	Archived bool
	Page     int
	Back     bool
}

// Turn is for the pages.
func (b peopleBody) Turn(page int) turn { return turn{b.Query, b.Archived, page, page == b.Before} }

// duplicate is somebody who may be the same person.
type duplicate struct {
	ID        int64
	Code      string
	Label     string
	BirthDate string
	Why       []string
	Site      string // of one of another site
	Merge     string // address of the page that merges the two, or ""
}

func (s *Server) people(w http.ResponseWriter, r *http.Request) error {
	return s.showPeople(w, r, http.StatusOK, peopleBody{Form: personForm(record.Participant{}), Drugs: rowsOfDrugs(nil)})
}

// showPeople shows a page of those who match beside the form for a new person.
func (s *Server) showPeople(w http.ResponseWriter, r *http.Request, status int, body peopleBody) error {
	q := r.URL.Query()
	if r.URL.Path == "/people/search" {
		q = r.PostForm
		body.Sent = true
	}
	body.Query, body.Archived = strings.TrimSpace(q.Get("q")), q.Get("archived") == "yes"
	page, err := strconv.Atoi(q.Get("page"))
	if err != nil || page < 1 || page > 1<<20 {
		page = 1
	}
	found, err := s.store.Participants(r.Context(), record.ParticipantFilter{Query: body.Query, Archived: body.Archived, Offset: (page - 1) * foundMost, Limit: foundMost})
	if err != nil {
		return err
	}
	body.Found, body.Total = found.People, found.Total
	body.From, body.To = (page-1)*foundMost+1, (page-1)*foundMost+len(found.People)
	body.Before, body.After = page-1, page+1
	at := func(page int) string {
		next := r.URL.Query()
		next.Set("page", strconv.Itoa(page))
		return "/people?" + next.Encode()
	}
	if page > 1 {
		body.Back = at(page - 1)
	}
	if body.To < body.Total {
		body.On = at(page + 1)
	}
	return s.show(w, status, frame{Page: "people", Title: say("people.title"), Purpose: say("people.purpose"), Section: "people", Token: s.token(w, r), Body: body})
}

// personForm is the form of a person.
func personForm(p record.Participant) form {
	identifiers := make([]string, len(p.Identifiers))
	for i, id := range p.Identifiers {
		identifiers[i] = strings.TrimPrefix(id.System+": "+id.Value, ": ")
	}
	years := field{Name: "age_told_years", Kind: "number", Most: 6}
	if p.AgeYears > 0 {
		years.Value = strconv.FormatFloat(p.AgeYears, 'f', -1, 64)
	}
	kinds := manyField("condition", "neurological", "heart", "lung", "other")
	kinds.Values = strings.FieldsFunc(wordFor(p.Condition), func(r rune) bool { return r == '+' })
	return form{Fields: []field{
		textField("code", p.Code, 64),
		textField("name", p.Name, 200),
		{Name: "identifiers", Kind: "area", Value: strings.Join(identifiers, "\n"), Most: 2000},
		{Name: "birth_date", Kind: "date", Value: p.BirthDate},
		years,
		choiceField("sex", wordFor(p.Sex), "", "female", "male"),
		textField("gender", p.Gender, 100),
		choiceField("rhythm", wordFor(p.Rhythm), personRhythms...),
		kinds,
		{Name: "conditions", Kind: "area", Value: strings.Join(p.Conditions, "\n"), Most: 4000},
		{Name: "person_note", Kind: "area", Value: p.Note, Most: 2000},
	}}
}

var personRhythms = []string{"sinus", "atrial-fibrillation", "paced", "heart-transplant", "sci-t6-or-above", "other"}

// drugRows are the lines of the form for drugs: those that are recorded and some to fill.
type drugRows struct {
	Rows    []drugRow
	Classes []option
}

type drugRow struct {
	N int
	record.Drug
}

const emptyDrugRows = 2

func rowsOfDrugs(drugs []record.Drug) drugRows {
	rows := drugRows{Classes: drugClasses()}
	for i := range len(drugs) + emptyDrugRows {
		row := drugRow{N: i + 1}
		if i < len(drugs) {
			row.Drug = drugs[i]
		}
		rows.Rows = append(rows.Rows, row)
	}
	return rows
}

// drugClasses are those of the screening tables, which are read when first asked for.
var drugClasses = sync.OnceValue(func() (list []option) {
	for _, d := range screen.Shipped().Drugs {
		text := strings.ReplaceAll(d.Word, "_", " ")
		if d.Examples != "" {
			text += " (" + d.Examples + ")"
		}
		list = append(list, option{d.Word, text})
	}
	return list
})

func readDrugs(r *http.Request) (drugs []record.Drug) {
	get := func(name string, i int) string {
		values := r.PostForm[name]
		if i >= len(values) {
			return ""
		}
		return strings.TrimSpace(strings.ToValidUTF8(values[i], ""))
	}
	for i := range min(len(r.PostForm["drug_name"]), 100) {
		d := record.Drug{Name: get("drug_name", i), Class: get("drug_class", i), Dose: get("drug_dose", i), Taken: get("drug_taken", i)}
		if !slices.ContainsFunc(drugClasses(), func(o option) bool { return o.Value == d.Class }) {
			d.Class = ""
		}
		if d != (record.Drug{}) {
			drugs = append(drugs, d)
		}
	}
	return drugs
}

// linesOf splits what was entered one a line.
func linesOf(text string) (lines []string) {
	for line := range strings.Lines(text) {
		if line = strings.TrimSpace(line); line != "" {
			lines = append(lines, line)
		}
	}
	return lines
}

func readIdentifiers(text string) (ids []record.Identifier) {
	for _, line := range linesOf(text) {
		system, value, both := strings.Cut(line, ":")
		if !both {
			system, value = "", line
		}
		ids = append(ids, record.Identifier{System: strings.TrimSpace(system), Value: strings.TrimSpace(value)})
	}
	return ids
}

func (s *Server) readPerson(r *http.Request, f *form, p record.Participant) record.Participant {
	f.take(r)
	f.signed(s.signed(r))
	p.Code, p.Name, p.Note, p.BirthDate, p.Gender = f.text("code"), f.text("name"), f.text("person_note"), f.text("birth_date"), f.text("gender")
	p.Identifiers, p.Conditions, p.Drugs = readIdentifiers(f.text("identifiers")), linesOf(f.text("conditions")), readDrugs(r)
	if p.Sex.UnmarshalText([]byte(f.text("sex"))) != nil {
		f.fault("sex", say("form.word"))
	}
	if p.Rhythm.UnmarshalText([]byte(f.text("rhythm"))) != nil {
		f.fault("rhythm", say("form.word"))
	}
	if p.Condition.UnmarshalText([]byte(strings.Join(f.at("condition").Values, "+"))) != nil {
		f.fault("condition", say("form.word"))
	}
	s.readTold(f, &p)
	if strings.HasPrefix(strings.ToUpper(p.Code), "DEMO-") && !s.demo {
		f.fault("code", say("person.code.demo"))
	}
	return p
}

// readTold takes the birth date, or the age with the day on which it was told.
func (s *Server) readTold(f *form, p *record.Participant) {
	if p.BirthDate != "" {
		if _, ok := age(p.BirthDate, s.now()); !ok {
			f.fault("birth_date", say("person.birth.bad"))
		}
	}
	years := f.number("age_told_years")
	switch {
	case years == 0:
		p.AgeYears, p.AgeTold = 0, ""
	case years < 1 || years > 120:
		f.fault("age_told_years", say("person.age.bad"))
	case p.BirthDate != "":
		f.fault("age_told_years", say("person.age.both"))
	case years != p.AgeYears:
		p.AgeYears, p.AgeTold = years, s.day()
	}
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
	body := peopleBody{Drugs: rowsOfDrugs(p.Drugs)}
	if !f.bad() && r.PostForm.Get("do") != "anyway" {
		same, err := s.duplicates(r, p)
		if err != nil {
			return err
		}
		if len(same) > 0 {
			body.Form, body.Duplicates = f, same
			return s.showPeople(w, r, http.StatusOK, body)
		}
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
			http.Redirect(w, r, personAddress(added.ID), http.StatusSeeOther)
			return nil
		}
		if err := storeFault(&f, err); err != nil {
			return err
		}
	}
	body.Form = f
	return s.showPeople(w, r, http.StatusUnprocessableEntity, body)
}

// duplicates says who may be the same person, and why.
func (s *Server) duplicates(r *http.Request, p record.Participant) ([]duplicate, error) {
	found, err := s.store.Duplicates(r.Context(), p)
	if err != nil {
		return nil, err
	}
	var list []duplicate
	for _, d := range found {
		shown := d.Participant
		if shown.Kept != 0 {
			if shown, err = s.store.Participant(r.Context(), shown.Kept); err != nil {
				return nil, err
			}
		}
		line := duplicate{ID: shown.ID, Code: d.Code, Label: label(d.Participant), BirthDate: d.BirthDate}
		for _, why := range d.Why {
			line.Why = append(line.Why, say("duplicate."+why))
		}
		switch {
		case p.ID != 0 && shown.Site != p.Site: // two of different sites stay two
			if line.Site, err = s.siteName(r, shown.Site); err != nil {
				return nil, err
			}
		case p.ID != 0 && p.Kept == 0:
			line.Merge = fmt.Sprintf("%s/merge?with=%d", personAddress(p.ID), shown.ID)
		}
		list = append(list, line)
	}
	return list, nil
}

func personAddress(id int64) string { return "/people/" + strconv.FormatInt(id, 10) }

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
	Person     record.Participant
	Label      string
	About      []slipLine
	Visits     []visitLine
	Loose      []testLine // tests of no visit
	Due        string     // the next retest, as a sentence
	DueLate    bool
	DueDate    string
	Here       int64 // today's visit, or 0
	Duplicates []duplicate
	Also       []record.Participant // shown as this person
	Merges     []mergeLine
	Form       form
	Drugs      drugRows
	Open       bool // the form is open
	Was        string
	Visit      form // for an appointment
	Undo       form
	Done       string
	Archived   bool
}

// visitLine is a visit with its tests.
type visitLine struct {
	record.Visit
	Person, Code string
	Day, State   string
	Tests        []testLine
	Overdue      bool
}

func (s *Server) person(w http.ResponseWriter, r *http.Request) error {
	id, err := pathNumber(r, "person")
	if err != nil {
		return err
	}
	p, err := s.store.Participant(r.Context(), id)
	if err != nil {
		return err
	}
	if p.Kept != 0 {
		http.Redirect(w, r, personAddress(p.Kept)+"?instead="+strconv.FormatInt(p.ID, 10), http.StatusSeeOther)
		return nil
	}
	return s.showPerson(w, r, http.StatusOK, p, personBody{Form: personForm(p), Drugs: rowsOfDrugs(p.Drugs), Visit: appointmentForm(), Undo: whyForm()})
}

// wasDone is what the page says about what was just done.
func (s *Server) wasDone(r *http.Request) (string, error) {
	q := r.URL.Query()
	for _, word := range []string{"saved", "archived", "back", "merged", "unmerged"} {
		if q.Has(word) {
			return say("person.done." + word), nil
		}
	}
	if id, err := strconv.ParseInt(q.Get("instead"), 10, 64); err == nil {
		was, err := s.store.Participant(r.Context(), id)
		if errors.Is(err, record.ErrNotFound) {
			return "", nil
		}
		return say("person.done.instead", was.Code), err
	}
	return "", nil
}

func (s *Server) showPerson(w http.ResponseWriter, r *http.Request, status int, p record.Participant, body personBody) (err error) {
	ctx := r.Context()
	body.Person, body.Label, body.Archived = p, label(p), !p.Archived.IsZero()
	body.About = s.aboutPerson(p)
	body.Was = signOf(p)
	body.Open = body.Form.bad()
	if body.Done, err = s.wasDone(r); err != nil {
		return err
	}
	if err := s.overTime(r, p, &body); err != nil {
		return err
	}
	if body.Duplicates, err = s.duplicates(r, p); err != nil {
		return err
	}
	if body.Also, err = s.store.Merged(ctx, p.ID); err != nil {
		return err
	}
	if body.Merges, err = s.mergeLines(r, p.ID); err != nil {
		return err
	}
	return s.show(w, status, frame{Page: "person", Title: label(p), Purpose: say("person.purpose"), Section: "people", Token: s.token(w, r), Body: body})
}

// overTime puts the visits with their tests on a person's page, the newest first, and what is due next.
func (s *Server) overTime(r *http.Request, p record.Participant, body *personBody) error {
	visits, err := s.store.Visits(r.Context(), record.VisitFilter{Participant: p.ID, Newest: true, Limit: visitsMost})
	if err != nil {
		return err
	}
	tests, err := s.store.Tests(r.Context(), record.TestFilter{Participant: p.ID, Limit: 400})
	if err != nil {
		return err
	}
	lines, err := s.lines(r, tests)
	if err != nil {
		return err
	}
	for _, v := range visits {
		line := s.visitLine(v)
		for _, t := range lines {
			if t.Visit == v.ID {
				line.Tests = append(line.Tests, t)
			}
		}
		if v.Date == s.day() && v.State != record.VisitCancelled && v.State != record.VisitMissed {
			body.Here = v.ID
		}
		body.Visits = append(body.Visits, line)
	}
	for _, t := range lines {
		if !slices.ContainsFunc(visits, func(v record.Visit) bool { return v.ID == t.Visit }) {
			body.Loose = append(body.Loose, t)
		}
	}
	body.Due, body.DueDate, body.DueLate = s.dueNext(visits)
	return nil
}

func (s *Server) visitLine(v record.Visit) visitLine {
	return visitLine{Visit: v, Day: dayText(v.Date), State: say("visit.state." + v.State)}
}

// dueNext says what comes next for a person: an appointment, or the retest of the last visit.
func (s *Server) dueNext(newest []record.Visit) (text, date string, late bool) {
	today := s.day()
	for i := len(newest) - 1; i >= 0; i-- { // the earliest appointment ahead
		if v := newest[i]; v.State == record.VisitPlanned && v.Date >= today {
			return say("person.next", strings.TrimSpace(dayText(v.Date)+" "+v.Time)), "", false
		}
	}
	for _, v := range newest {
		switch v.State {
		case record.VisitMissed, record.VisitCancelled:
			continue
		}
		switch {
		case v.RetestDue == "":
			return "", "", false
		case v.RetestDue < today:
			return say("person.overdue", dayText(v.RetestDue)), today, true
		}
		return say("person.due", dayText(v.RetestDue)), v.RetestDue, false
	}
	return "", "", false
}

// aboutPerson is what is recorded about a person, line by line.
func (s *Server) aboutPerson(p record.Participant) (lines []slipLine) {
	add := func(name, text string) {
		if text != "" {
			lines = append(lines, slipLine{say(name), text})
		}
	}
	add("field.code", p.Code)
	for _, id := range p.Identifiers {
		add("field.identifiers", strings.TrimPrefix(id.System+": "+id.Value, ": "))
	}
	add("field.age_years", s.ageText(p))
	if p.Sex != conduct.SexUnknown {
		add("field.sex", optionText("sex", wordFor(p.Sex)))
	}
	add("field.gender", p.Gender)
	if p.Rhythm != conduct.RhythmNotRecorded {
		add("field.rhythm", optionText("rhythm", wordFor(p.Rhythm)))
	}
	var kinds []string
	for word := range strings.SplitSeq(wordFor(p.Condition), "+") {
		if word != "" {
			kinds = append(kinds, optionText("condition", word))
		}
	}
	add("field.condition", strings.Join(kinds, ", "))
	add("field.conditions", strings.Join(p.Conditions, "; "))
	for _, d := range p.Drugs {
		add("person.drug", drugText(d))
	}
	add("field.person_note", p.Note)
	return lines
}

func drugText(d record.Drug) string {
	var parts []string
	for _, part := range []string{or(d.Name, strings.ReplaceAll(d.Class, "_", " ")), d.Dose, d.Taken} {
		if part != "" {
			parts = append(parts, part)
		}
	}
	return strings.Join(parts, ", ")
}

// ageText is the age today with where it comes from.
func (s *Server) ageText(p record.Participant) string {
	if years, ok := age(p.BirthDate, s.now()); ok {
		return say("person.age.born", years, dayText(p.BirthDate))
	}
	if p.AgeYears > 0 {
		return say("person.age.told", num(p.AgeYears), dayText(p.AgeTold))
	}
	return ""
}

func (s *Server) changePerson(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	f := personForm(p)
	changed := s.readPerson(r, &f, p)
	if was := r.PostForm.Get("was"); was != "" && was != signOf(p) {
		f.General = say("person.changed")
	}
	if changed.Code == "" {
		f.fault("code", say("person.code.none"))
	}
	if !f.bad() {
		err := s.store.UpdateParticipant(r.Context(), changed)
		if err == nil {
			http.Redirect(w, r, personAddress(p.ID)+"?saved", http.StatusSeeOther)
			return nil
		}
		if err := storeFault(&f, err); err != nil {
			return err
		}
	}
	return s.showPerson(w, r, http.StatusUnprocessableEntity, p, personBody{Form: f, Drugs: rowsOfDrugs(changed.Drugs), Visit: appointmentForm(), Undo: whyForm()})
}

// signOf is a short sign of what a form showed of a person, so that nobody overwrites what another changed meanwhile.
func signOf(p record.Participant) string {
	text, err := json.Marshal(p)
	if err != nil {
		panic("web: " + err.Error()) // texts and numbers alone
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:8])
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

func wordFor(v interface{ MarshalText() ([]byte, error) }) string {
	text, err := v.MarshalText()
	if err != nil {
		return ""
	}
	return string(text)
}
