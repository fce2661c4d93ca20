package intake

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"gradus/conduct"
	"gradus/internal/exchange/grid"
	"gradus/internal/mapping"
	"gradus/internal/record"
	"gradus/internal/sheet"
)

// FactSheet is the kind of the fact that says from where a test came.
const FactSheet = "brought-in"

// Origin is the content of that fact.
type Origin struct {
	File    string `json:"file"`
	Sheet   string `json:"sheet,omitempty"`
	Row     int    `json:"row,omitempty"`
	Digest  string `json:"digest"` // SHA-256 of the file
	Mapping string `json:"mapping,omitempty"`
	Test    string `json:"test,omitempty"`

	Said map[string]string `json:"said,omitempty"` // what the file says of the test in its own words, where the record has no place for it
}

// Text says where it was.
func (o Origin) Text() string {
	text := o.File
	if o.Sheet != "" {
		text += ", sheet " + o.Sheet
	}
	if o.Row > 0 {
		text += fmt.Sprintf(", row %d", o.Row)
	}
	return text
}

// Look is what a file would add.
type Look struct {
	File     string
	Sheet    string
	People   []Person
	Problems []grid.Place // each keeps a row, or a reading of it, from being taken
	Notes    []grid.Place

	origin Origin
}

// Person is somebody in the file.
type Person struct {
	record.Participant          // as the record has it, or as it would be added (ID 0)
	Alike              []string // others in the record who may be the same
	Tests              []Test
}

// New reports that the person is not in the record yet.
func (p *Person) New() bool { return p.ID == 0 }

// Test is a test in the file.
type Test struct {
	*sheet.Scored
	StoredAs string // its id in the record
	Row      int
	Readings int
	There    bool // the record has it already, as it is
}

// Counts are how much of it there is, and how much of that is new.
type Counts struct{ People, NewPeople, Tests, NewTests, Readings, Estimates int }

// Counts counts people, tests, readings and estimates.
func (l *Look) Counts() (n Counts) {
	for i := range l.People {
		p := &l.People[i]
		n.People++
		if p.New() {
			n.NewPeople++
		}
		for k := range p.Tests {
			t := &p.Tests[k]
			n.Tests++
			if !t.There {
				n.NewTests++
			}
			n.Readings += t.Readings
			if e := t.Judged.Estimate; e != nil && e.Value.Present() {
				n.Estimates++
			}
		}
	}
	return n
}

// Digest is the SHA-256 of a file.
func Digest(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// Sheets looks at a clinic's table through a mapping. Without a store all are new.
func Sheets(ctx context.Context, store record.Store, t *grid.Table, digest string, m *mapping.Mapping, plans sheet.Plans, now time.Time) (*Look, error) {
	scored, err := m.Score(t, now, plans)
	if err != nil {
		return nil, err
	}
	l := &looker{ctx: ctx, store: store, t: t, now: now, at: map[string]int{}, nth: map[string]int{},
		out: &Look{File: t.File, Sheet: t.Sheet, Problems: scored.Problems, Notes: append(slices.Clone(t.Notes), scored.Notes...), origin: Origin{File: t.File, Sheet: t.Sheet, Digest: digest, Mapping: m.ID + " " + m.Version}}}
	for i := range scored.Tests {
		if err := l.test(&scored.Tests[i]); err != nil {
			return nil, err
		}
	}
	slices.SortStableFunc(l.out.Problems, func(a, b grid.Place) int {
		return cmp.Or(cmp.Compare(a.Row, b.Row), cmp.Compare(a.Column, b.Column))
	})
	return l.out, nil
}

type looker struct {
	ctx   context.Context
	store record.Store // nil: none
	t     *grid.Table
	now   time.Time
	out   *Look
	at    map[string]int // people by code in small letters; -1: one who cannot be taken
	nth   map[string]int // tests of a person on a day by a protocol
}

func (l *looker) problem(row int, format string, args ...any) {
	l.out.Problems = append(l.out.Problems, l.t.At(row, 0, format, args...))
}

func (l *looker) note(row int, format string, args ...any) {
	l.out.Notes = append(l.out.Notes, l.t.At(row, 0, format, args...))
}

func (l *looker) test(t *mapping.Test) error {
	code, day := strings.TrimSpace(t.Person.Participant), t.Person.Date
	switch {
	case code == "":
		l.problem(t.Row, "there is no participant; every row needs the code of the person")
		return nil
	case day == "":
		l.problem(t.Row, "there is no date; without its day a test cannot be put into the record")
		return nil
	}
	who, err := l.person(t, code)
	if err != nil || who < 0 {
		return err
	}
	p := &l.out.People[who]
	if !l.agrees(t, p) {
		return nil
	}
	one := Test{Scored: t.Scored, Row: t.Row, StoredAs: l.id(t, code)}
	for i := range t.Events {
		if t.Events[i].Kind == conduct.Reading {
			one.Readings++
		}
	}
	if one.There, err = l.stored(&one, p); err != nil {
		return err
	}
	p.Tests = append(p.Tests, one)
	return nil
}

// id follows from who, when and what, so that the same test has the same one whenever it is brought in.
func (l *looker) id(t *mapping.Test, code string) string {
	key := strings.Join([]string{strings.ToLower(code), t.Person.Date, t.Person.Protocol, t.Label}, "\x00")
	l.nth[key]++
	sum := sha256.Sum256(fmt.Appendf(nil, "%s\x00%d", key, l.nth[key]))
	return strings.ReplaceAll(t.Person.Date[2:], "-", "") + "-" + hex.EncodeToString(sum[:5])
}

// person finds whose test it is; -1 when it can be nobody's.
func (l *looker) person(t *mapping.Test, code string) (int, error) {
	key := strings.ToLower(code)
	if at, known := l.at[key]; known {
		return at, nil
	}
	p := Person{Participant: record.Participant{Code: code, Name: t.Name, BirthDate: t.Person.Said["birth_date"], Sex: t.State.In.Sex}}
	if l.store != nil {
		have, err := l.store.ParticipantByCode(l.ctx, code)
		switch {
		case err == nil:
			p.Participant = have
		case errors.Is(err, record.ErrNotFound):
			alike, err := l.store.Duplicates(l.ctx, p.Participant)
			if err != nil {
				return -1, err
			}
			for _, other := range alike {
				p.Alike = append(p.Alike, other.Code)
			}
		default:
			return -1, err
		}
	}
	if len([]rune(code)) > 64 {
		l.problem(t.Row, "the participant's code is longer than 64 characters; is it the right column?")
		l.at[key] = -1
		return -1, nil
	}
	if !p.Archived.IsZero() {
		l.note(t.Row, "%s is archived; the test would stand with an archived person", p.Code)
	}
	if len(p.Alike) > 0 {
		l.note(t.Row, "%s is new, but may be the same person as %s in the record; if so, write that code into the table", p.Code, strings.Join(p.Alike, ", "))
	}
	l.at[key] = len(l.out.People)
	l.out.People = append(l.out.People, p)
	return l.at[key], nil
}

// agrees refuses a test that says another sex or birth date than is known of its person, and takes what is not known of a new one.
func (l *looker) agrees(t *mapping.Test, p *Person) bool {
	born, sex := t.Person.Said["birth_date"], t.State.In.Sex
	from := "the record says"
	if p.New() {
		from = "another row says"
		p.Condition |= t.State.In.Condition
		if said := t.Person.Condition; said != "" && t.State.In.Condition != 0 && !slices.Contains(p.Conditions, said) {
			p.Conditions = append(p.Conditions, said)
		}
		if p.BirthDate == "" {
			p.BirthDate = born
		}
		if p.Sex == conduct.SexUnknown {
			p.Sex = sex
		}
		if p.Name == "" {
			p.Name = t.Name
		}
	}
	switch {
	case born != "" && p.BirthDate != "" && born != p.BirthDate:
		l.problem(t.Row, "the birth date is %s, %s %s of %s; is it the same person?", born, from, p.BirthDate, p.Code)
	case sex != conduct.SexUnknown && p.Sex != conduct.SexUnknown && sex != p.Sex:
		l.problem(t.Row, "the sex is %s, %s %s of %s; is it the same person?", word(sex), from, word(p.Sex), p.Code)
	default:
		if t.Name != "" && p.Name != "" && !strings.EqualFold(t.Name, p.Name) {
			l.note(t.Row, "the name is %q, %s %q of %s; the name is not changed", t.Name, from, p.Name, p.Code)
		}
		return true
	}
	return false
}

func word(s conduct.Sex) string {
	text, err := s.MarshalText()
	if err != nil {
		return ""
	}
	return string(text)
}

// stored reports whether the record has the test. Another one under its id, or one of that day that was made here, is told.
func (l *looker) stored(t *Test, p *Person) (there bool, err error) {
	if l.store == nil || p.New() {
		return false, nil
	}
	events, err := l.store.Events(l.ctx, t.StoredAs)
	if err == nil {
		if !same(events, t.Events) {
			l.problem(t.Row, "the record has this test of %s on %s already, with other values; it stays as it is (test %s: correct it on its page)", p.Code, t.Person.Date, t.StoredAs)
		}
		return true, nil
	}
	if !errors.Is(err, record.ErrNotFound) {
		return false, err
	}
	tests, err := l.store.Tests(l.ctx, record.TestFilter{Participant: p.ID})
	if err != nil {
		return false, err
	}
	for _, other := range tests {
		if other.Visit == 0 {
			continue
		}
		v, err := l.store.Visit(l.ctx, other.Visit)
		if err != nil {
			return false, err
		}
		if v.Date == t.Person.Date {
			l.note(t.Row, "%s has a test on %s in the record already (test %s); this one would stand beside it", p.Code, v.Date, other.ID)
		}
	}
	return false, nil
}

// same compares the events of a file with stored ones; what came later, and from where they came, does not count.
func same(stored, events []conduct.Event) bool {
	if len(stored) < len(events) {
		return false
	}
	bare := func(e conduct.Event) string {
		if e.Kind == conduct.Began {
			e.By, e.Text, e.Wall = "", "", ""
			begin := *e.Begin
			begin.Version, begin.Hash, begin.Inputs.First = "", "", "" // of the plan as it is shipped now, and of other rows
			e.Begin = &begin
		}
		text, err := json.Marshal(e)
		if err != nil {
			return err.Error()
		}
		return string(text)
	}
	for i := range events {
		if bare(stored[i]) != bare(events[i]) {
			return false
		}
	}
	return true
}

// Batch is what is to be stored. It is empty when the record has all of it.
func (l *Look) Batch(by string, now time.Time) (record.Batch, error) {
	b := record.Batch{By: by}
	for i := range l.People {
		p := &l.People[i]
		one := record.BatchPerson{Participant: p.Participant}
		for k := range p.Tests {
			t := &p.Tests[k]
			if t.There {
				continue
			}
			if err := l.put(&one, t, now); err != nil {
				return b, fmt.Errorf("row %d: %w", t.Row, err)
			}
		}
		if len(one.Days) > 0 {
			b.People = append(b.People, one)
		}
	}
	return b, nil
}

// put adds a test to the day of a person.
func (l *Look) put(p *record.BatchPerson, t *Test, now time.Time) error {
	date := t.Person.Date
	at := slices.IndexFunc(p.Days, func(d record.BatchDay) bool { return d.Date == date })
	if at < 0 {
		at = len(p.Days)
		p.Days = append(p.Days, record.BatchDay{Date: date, State: record.VisitDone})
	}
	day := &p.Days[at]
	origin := l.origin
	origin.Row, origin.Test, origin.Said = t.Row, t.StoredAs, map[string]string{}
	for _, name := range []string{"condition", "rhythm", "rate_limiting_drug", "drug_dose", "hours_since_dose", "ergometer", "max_hr_formula"} {
		if said := t.Person.Said[name]; said != "" {
			origin.Said[name] = said
		}
	}
	fact, err := json.Marshal(origin)
	if err != nil {
		return err
	}
	sent, err := json.Marshal(t.Protocol)
	if err != nil {
		return err
	}
	made, known, err := moment(t, now)
	if err != nil {
		return err
	}
	events := slices.Clone(t.Events)
	begin := &events[0]
	begin.By, begin.Text = t.Person.Said["examiner"], "Brought in from "+origin.Text()+"."
	if known {
		begin.Wall = made.Format(time.RFC3339)
	}
	plan := t.Protocol
	day.Tests = append(day.Tests, record.BatchTest{Events: events,
		Test: record.Test{ID: t.StoredAs, Protocol: plan.ID, Version: plan.Version, Hash: plan.Hash, Sent: sent, Title: plan.Title, Created: made}})
	day.Facts = append(day.Facts, record.Fact{Kind: FactSheet, JSON: fact})
	return nil
}

// moment is when a test was made: its day at the hour the file tells (known), else at noon, but not later than now.
func moment(t *Test, now time.Time) (made time.Time, known bool, err error) {
	day, err := time.ParseInLocation(time.DateOnly, t.Person.Date, now.Location())
	if err != nil {
		return made, false, err
	}
	hour := t.Visit().Hour
	if known = hour > 0; !known {
		hour = 12
	}
	made = time.Date(day.Year(), day.Month(), day.Day(), 0, int(hour*60+0.5), 0, 0, now.Location())
	if made.After(now) {
		return now, false, nil
	}
	return made, known, nil
}
