package record

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Lawful is the part of a store that serves the law: whose test counts, what a person agreed to, and deletion.
type Lawful interface {
	// Countersign notes that a supervisor stands for a student's closed test as its events are. ErrRunning before.
	Countersign(ctx context.Context, c Countersign) (Countersign, error)
	// Countersigns returns them in their order.
	Countersigns(ctx context.Context, test string) ([]Countersign, error)
	// AddConsent notes what a person agreed to, refused or withdrew. Nothing is changed; the last of a purpose holds.
	AddConsent(ctx context.Context, c Consent) (Consent, error)
	// Consents returns what a person, and those who are shown as one with it, said, the oldest first.
	Consents(ctx context.Context, participant int64) ([]Consent, error)
	// KeepUntil is the last day on which a person's record has to be kept by the rule of its site; "" without a rule or a visit.
	KeepUntil(ctx context.Context, participant int64) (string, error)
	// Erase deletes a person with all visits, tests and papers, and those who are shown as one with it. What stays is an
	// empty row and the erasure. A KeepError while the rule of the site says keep, unless the erasure overrules it.
	// ErrRunning while a test of the person runs.
	Erase(ctx context.Context, e Erasure) (Erasure, error)
	// Erasures returns all erasures, the oldest first.
	Erasures(ctx context.Context) ([]Erasure, error)
}

// Countersign is a supervisor's word for a student's test.
type Countersign struct {
	Test    string    `json:"test"`
	N       int       `json:"n"` // 1, 2, …; the last one holds
	Account int64     `json:"account,omitempty"`
	By      string    `json:"by"`
	Note    string    `json:"note,omitempty"`
	Marks   Marks     `json:"marks"` // the events that it is about
	At      time.Time `json:"at"`    // wall time, UTC, to the ms; set by the store
}

// Counts reports whether a test counts: a student's own only while a countersign covers all its events.
func Counts(ctx context.Context, s Store, t Test) (bool, error) {
	if !t.Student {
		return true, nil
	}
	if t.Signed == nil {
		return false, nil
	}
	marks, err := s.Append(ctx, t.ID, nil)
	return err == nil && slices.Equal(marks, t.Signed.Marks), err
}

// Purposes that a person may agree to.
const (
	ForTest     = "test"     // being tested and the record of it
	ForResearch = "research" // use of the data in research
	ForTeaching = "teaching" // use of the data in teaching
)

// Purposes are all of them.
var Purposes = []string{ForTest, ForResearch, ForTeaching}

// Consent is what a person agreed to, refused or withdrew.
type Consent struct {
	Participant int64     `json:"participant"`
	N           int       `json:"n"` // 1, 2, …
	Purpose     string    `json:"purpose"`
	Given       bool      `json:"given"` // false: refused or withdrawn
	Date        string    `json:"date"`  // YYYY-MM-DD
	Note        string    `json:"note,omitempty"`
	By          string    `json:"by"`
	At          time.Time `json:"at"` // wall time, UTC, to the ms; set by the store
}

// Holds returns the last word on each purpose.
func Holds(all []Consent) map[string]Consent {
	last := map[string]Consent{}
	for _, c := range all {
		if have, ok := last[c.Purpose]; !ok || !c.At.Before(have.At) {
			last[c.Purpose] = c
		}
	}
	return last
}

// Erasure is what stays of a person who was deleted.
type Erasure struct {
	ID          int64     `json:"id"`
	Participant int64     `json:"participant"`
	Site        int64     `json:"site"`
	By          string    `json:"by"`
	Why         string    `json:"why"`
	Overrule    bool      `json:"-"`                   // although the rule of the site says keep
	Overruled   string    `json:"overruled,omitempty"` // the day until which the rule said keep
	Tests       int       `json:"tests"`
	Visits      int       `json:"visits"`
	At          time.Time `json:"at"` // wall time, UTC, to the ms; set by the store
}

// KeepError says that a person's record has to be kept.
type KeepError struct{ Until string }

func (e *KeepError) Error() string {
	return fmt.Sprintf("record: by the rule of the site this record has to be kept until %s; an administrator may overrule that with a reason", e.Until)
}

// Countersign notes a supervisor's word.
func (s *core) Countersign(ctx context.Context, c Countersign) (Countersign, error) {
	if err := checkCountersign(&c); err != nil {
		return Countersign{}, err
	}
	err := s.write(ctx, func(tx *sql.Tx) error {
		if err := s.hold(ctx, tx, []string{c.Test}); err != nil {
			return err
		}
		t, err := oneTest(ctx, tx, c.Test)
		switch {
		case err != nil:
			return err
		case t.Running():
			return fmt.Errorf("record: test %s: %w", c.Test, ErrRunning)
		case !t.Student:
			return &InvalidError{"countersign of test " + c.Test, "it is not a student's test and counts as it is"}
		case t.Account != 0 && t.Account == c.Account:
			return &InvalidError{"countersign of test " + c.Test, "nobody countersigns an own test"}
		}
		marks, err := s.marksOf(ctx, tx, c.Test)
		if err != nil {
			return err
		}
		if !slices.Equal(marks, c.Marks) {
			return &ChangedError{"test " + c.Test, int(total(marks)), int(total(c.Marks))}
		}
		if err := tx.QueryRowContext(ctx, `SELECT coalesce(max(n), 0) + 1 FROM countersigns WHERE test = ?`, c.Test).Scan(&c.N); err != nil {
			return err
		}
		c.At = s.stamp()
		return insertCountersign(ctx, tx, c)
	})
	if err != nil {
		return Countersign{}, err
	}
	return c, nil
}

func checkCountersign(c *Countersign) error {
	if c.By = strings.TrimSpace(c.By); c.By == "" || len(c.Note) > 4000 {
		return &InvalidError{"countersign of test " + c.Test, "it needs who, and a note of at most 4000 characters"}
	}
	return nil
}

func insertCountersign(ctx context.Context, tx *sql.Tx, c Countersign) error {
	text, err := json.Marshal(c)
	if err == nil {
		_, err = tx.ExecContext(ctx, `INSERT INTO countersigns (test, n, json) VALUES (?, ?, ?)`, c.Test, c.N, string(text))
	}
	return err
}

func total(m Marks) (n uint32) {
	for _, id := range m {
		n += id.N
	}
	return n
}

// Countersigns returns them in their order.
func (s *core) Countersigns(ctx context.Context, test string) ([]Countersign, error) {
	list, err := countersigns(ctx, s.reader, test)
	return list, s.fault(ctx, err)
}

func countersigns(ctx context.Context, q querier, test string) (list []Countersign, err error) {
	err = each(ctx, q, func(rows *sql.Rows) error {
		var text []byte
		if err := rows.Scan(&text); err != nil {
			return err
		}
		var c Countersign
		err := json.Unmarshal(text, &c)
		list = append(list, c)
		return err
	}, `SELECT json FROM countersigns WHERE test = ? ORDER BY n`, test)
	return list, err
}

// AddConsent notes what a person said.
func (s *core) AddConsent(ctx context.Context, c Consent) (Consent, error) {
	if err := checkConsent(&c); err != nil {
		return Consent{}, err
	}
	c.At = s.stamp()
	err := s.write(ctx, func(tx *sql.Tx) error {
		if err := personExists(ctx, tx, c.Participant); err != nil {
			return err
		}
		return insertConsent(ctx, tx, &c)
	})
	if err != nil {
		return Consent{}, err
	}
	return c, nil
}

func checkConsent(c *Consent) error {
	c.By, c.Note = strings.TrimSpace(c.By), strings.TrimSpace(c.Note)
	switch {
	case !slices.Contains(Purposes, c.Purpose):
		return &InvalidError{"consent", fmt.Sprintf("the purpose %q is none of %s", c.Purpose, strings.Join(Purposes, ", "))}
	case !isDay(c.Date):
		return &InvalidError{"consent", fmt.Sprintf("%q is not a day; write it as 2026-03-02", c.Date)}
	case c.By == "" || len(c.Note) > 4000:
		return &InvalidError{"consent", "it needs who wrote it down, and a note of at most 4000 characters"}
	}
	return nil
}

func insertConsent(ctx context.Context, tx *sql.Tx, c *Consent) error {
	if err := tx.QueryRowContext(ctx, `SELECT coalesce(max(n), 0) + 1 FROM consents WHERE participant = ?`, c.Participant).Scan(&c.N); err != nil {
		return err
	}
	_, err := tx.ExecContext(ctx, `INSERT INTO consents (participant, n, purpose, given, date, note, by, at_ms) VALUES (?, ?, ?, ?, ?, ?, ?, ?)`,
		c.Participant, c.N, c.Purpose, flag(c.Given), c.Date, c.Note, c.By, ms(c.At))
	return err
}

// Consents returns what a person said.
func (s *core) Consents(ctx context.Context, participant int64) (list []Consent, err error) {
	err = each(ctx, s.reader, func(rows *sql.Rows) error {
		var c Consent
		var given int
		var at int64
		err := rows.Scan(&c.Participant, &c.N, &c.Purpose, &given, &c.Date, &c.Note, &c.By, &at)
		c.Given, c.At = given != 0, fromMs(at)
		list = append(list, c)
		return err
	}, `SELECT participant, n, purpose, given, date, note, by, at_ms FROM consents WHERE participant IN (`+shownAs+`) ORDER BY at_ms, participant, n`, participant, participant)
	return list, s.fault(ctx, err)
}

// KeepUntil is the last day on which a person's record has to be kept.
func (s *core) KeepUntil(ctx context.Context, participant int64) (until string, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		if err := personExists(ctx, tx, participant); err != nil {
			return err
		}
		until, err = keepUntil(ctx, tx, participant)
		return err
	})
	return until, err
}

func keepUntil(ctx context.Context, q querier, participant int64) (string, error) {
	var years int
	if err := q.QueryRowContext(ctx, `SELECT keep_years FROM sites WHERE id = (SELECT site FROM participants WHERE id = ?)`, participant).Scan(&years); err != nil {
		return "", err
	}
	var visit string
	if err := q.QueryRowContext(ctx, `SELECT coalesce(max(date), '') FROM visits WHERE participant IN (`+shownAs+`)`, participant, participant).Scan(&visit); err != nil {
		return "", err
	}
	var made int64
	if err := q.QueryRowContext(ctx, `SELECT coalesce(max(created_ms), 0) FROM tests WHERE participant IN (`+shownAs+`)`, participant, participant).Scan(&made); err != nil {
		return "", err
	}
	if made > 0 {
		visit = max(visit, fromMs(made).Format(time.DateOnly))
	}
	last, err := time.Parse(time.DateOnly, visit)
	if years == 0 || err != nil {
		return "", nil
	}
	return last.AddDate(years, 0, 0).Format(time.DateOnly), nil
}

// Erase deletes a person.
func (s *core) Erase(ctx context.Context, e Erasure) (Erasure, error) {
	e.By, e.Why = strings.TrimSpace(e.By), strings.TrimSpace(e.Why)
	if e.By == "" || e.Why == "" || len(e.Why) > 4000 {
		return Erasure{}, &InvalidError{"erasure", "it needs who and why, in at most 4000 characters"}
	}
	var tests []string
	err := s.write(ctx, func(tx *sql.Tx) error {
		people, err := persons(ctx, tx, `id IN (`+shownAs+`)`, e.Participant, e.Participant)
		if err != nil {
			return err
		}
		if len(people) == 0 {
			return noPerson(e.Participant)
		}
		e.Site, e.At = people[0].Site, s.stamp()
		until, err := keepUntil(ctx, tx, e.Participant)
		if err != nil {
			return err
		}
		if until >= e.At.Format(time.DateOnly) {
			if !e.Overrule {
				return &KeepError{until}
			}
			e.Overruled = until
		}
		e.Tests, e.Visits, tests = 0, 0, nil
		for _, p := range people {
			gone, err := s.erasePerson(ctx, tx, p.ID, &e)
			if err != nil {
				return err
			}
			tests = append(tests, gone...)
		}
		return tx.QueryRowContext(ctx, `INSERT INTO erasures (participant, site, by, why, overruled, tests, visits, at_ms) VALUES (?, ?, ?, ?, ?, ?, ?, ?) RETURNING id`,
			e.Participant, e.Site, e.By, e.Why, e.Overruled, e.Tests, e.Visits, ms(e.At)).Scan(&e.ID)
	})
	if err != nil {
		return Erasure{}, err
	}
	for _, id := range tests {
		s.known.Delete(id)
	}
	return e, nil
}

// erasePerson deletes what belongs to one person and empties the row, which others may still point to.
func (s *core) erasePerson(ctx context.Context, tx *sql.Tx, id int64, e *Erasure) (tests []string, err error) {
	running := ""
	err = each(ctx, tx, func(rows *sql.Rows) error {
		var test string
		var closed sql.NullInt64
		err := rows.Scan(&test, &closed)
		if !closed.Valid {
			running = test
		}
		tests = append(tests, test)
		return err
	}, `SELECT id, closed_ms FROM tests WHERE participant = ?`, id)
	if err == nil {
		err = s.hold(ctx, tx, tests)
	}
	if err == nil && running != "" {
		err = fmt.Errorf("record: test %s: %w", running, ErrRunning)
	}
	if err != nil {
		return nil, err
	}
	for _, test := range tests {
		for _, table := range []string{"samples", "events", "papers", "results", "countersigns", "reassignments"} {
			if _, err := tx.ExecContext(ctx, `DELETE FROM `+table+` WHERE test = ?`, test); err != nil {
				return nil, err
			}
		}
		if _, err := tx.ExecContext(ctx, `DELETE FROM tests WHERE id = ?`, test); err != nil {
			return nil, err
		}
	}
	e.Tests += len(tests)
	var visits int
	if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM visits WHERE participant = ?`, id).Scan(&visits); err != nil {
		return nil, err
	}
	e.Visits += visits
	for _, query := range []string{
		`DELETE FROM study_codes WHERE EXISTS (SELECT 1 FROM participants p WHERE p.id = ? AND p.site = study_codes.site AND p.code = study_codes.participant)`,
		`UPDATE tests SET visit = NULL WHERE visit IN (SELECT id FROM visits WHERE participant = ?)`,
		`DELETE FROM facts WHERE visit IN (SELECT id FROM visits WHERE participant = ?)`,
		`DELETE FROM visits WHERE participant = ?`,
		`DELETE FROM identifiers WHERE participant = ?`,
		`DELETE FROM consents WHERE participant = ?`,
		`DELETE FROM merges WHERE from_id = ?`,
		`DELETE FROM merges WHERE into_id = ?`,
		`DELETE FROM links WHERE one_id = ?`,
		`DELETE FROM links WHERE other_id = ?`,
		`UPDATE reassignments SET from_id = NULL WHERE from_id = ?`,
	} {
		if _, err := tx.ExecContext(ctx, query, id); err != nil {
			return nil, err
		}
	}
	_, err = tx.ExecContext(ctx, `UPDATE participants SET code = ?, name = '', birth_date = '', sex = '', note = '', age_years = 0, age_told = '', gender = '', rhythm = '', condition = '',
		conditions = '[]', drugs = '[]', archived_ms = NULL, merged_into = NULL, kept = NULL, erased_ms = ?, changed = `+nextChange+` WHERE id = ?`, fmt.Sprintf("erased-%d", id), ms(e.At), id)
	return tests, err
}

// Erasures returns all erasures.
func (s *core) Erasures(ctx context.Context) (list []Erasure, err error) {
	err = each(ctx, s.reader, func(rows *sql.Rows) error {
		var e Erasure
		var at int64
		err := rows.Scan(&e.ID, &e.Participant, &e.Site, &e.By, &e.Why, &e.Overruled, &e.Tests, &e.Visits, &at)
		e.At = fromMs(at)
		list = append(list, e)
		return err
	}, `SELECT id, participant, site, by, why, overruled, tests, visits, at_ms FROM erasures ORDER BY id`)
	return list, s.fault(ctx, err)
}
