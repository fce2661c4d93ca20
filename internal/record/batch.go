package record

import (
	"bytes"
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"gradus/conduct"
)

// Batch is what is brought in from elsewhere in one go: people with their days, and on each day what was found and done.
type Batch struct {
	By     string // who accepted it
	People []BatchPerson
}

// BatchPerson is somebody who is known (ID set; nothing about the person is changed) or new (ID 0).
type BatchPerson struct {
	Participant
	Days []BatchDay
}

// BatchDay is a day of a person. A visit on that day takes what comes; where there is none, one is made in this state.
type BatchDay struct {
	Date  string
	State string
	Facts []Fact // Kind and JSON; who and when where they are known, else who accepted it and now; the visit follows
	Tests []BatchTest
}

// BatchTest is a closed test that was made elsewhere, at the moment Created.
type BatchTest struct {
	Test
	Events []conduct.Event
}

// BroughtIn counts what a batch added. What was in the record already is not counted.
type BroughtIn struct{ People, Visits, Tests, Facts int }

// None reports that everything was there already.
func (b BroughtIn) None() bool { return b == BroughtIn{} }

// BringIn stores a batch, all or none.
func (s *core) BringIn(ctx context.Context, b Batch) (added BroughtIn, err error) {
	if b.By = strings.TrimSpace(b.By); b.By == "" {
		return added, &InvalidError{"what is brought in", "it needs who accepted it"}
	}
	err = s.write(ctx, func(tx *sql.Tx) error {
		added = BroughtIn{}
		for i := range b.People {
			if err := s.bringPerson(ctx, tx, b.By, &b.People[i], &added); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return BroughtIn{}, err
	}
	return added, nil
}

func (s *core) bringPerson(ctx context.Context, tx *sql.Tx, by string, p *BatchPerson, added *BroughtIn) error {
	id := p.ID
	if id == 0 {
		fresh, err := checkPerson(p.Participant)
		if err != nil {
			return err
		}
		fresh.Created, fresh.Archived, fresh.MergedInto, fresh.Kept = s.stamp(), time.Time{}, 0, 0
		if err := s.insertPerson(ctx, tx, &fresh); err != nil {
			return err
		}
		id = fresh.ID
		added.People++
	} else if err := personExists(ctx, tx, id); err != nil {
		return err
	}
	for i := range p.Days {
		if err := s.bringDay(ctx, tx, by, id, &p.Days[i], added); err != nil {
			return err
		}
	}
	return nil
}

func (s *core) bringDay(ctx context.Context, tx *sql.Tx, by string, person int64, d *BatchDay, added *BroughtIn) error {
	v, err := checkVisit(Visit{Participant: person, Date: d.Date, State: d.State})
	if err != nil {
		return err
	}
	have, err := visitOn(ctx, tx, person, d.Date)
	switch {
	case errors.Is(err, ErrNotFound):
		if err := s.insertVisit(ctx, tx, &v); err != nil {
			return err
		}
		added.Visits++
	case err != nil:
		return err
	default:
		v = have
	}
	for i := range d.Tests {
		t := &d.Tests[i]
		t.Participant, t.Visit = person, v.ID
		fresh, err := s.bringTest(ctx, tx, t)
		if err != nil {
			return err
		}
		if fresh {
			added.Tests++
		}
	}
	for _, f := range d.Facts {
		f.Visit, f.By = v.ID, cmp.Or(f.By, by)
		fresh, err := s.bringFact(ctx, tx, f)
		if err != nil {
			return err
		}
		if fresh {
			added.Facts++
		}
	}
	return nil
}

// bringTest stores a closed test. The same test once more is no error; another one under its id is a TestTakenError.
func (s *core) bringTest(ctx context.Context, tx *sql.Tx, t *BatchTest) (fresh bool, err error) {
	if err := checkTest(t.Test); err != nil {
		return false, err
	}
	rows, err := rowsOf(t.ID, t.Events)
	if err != nil {
		return false, err
	}
	_, err = oneTest(ctx, tx, t.ID)
	if err == nil {
		return false, s.sameEvents(ctx, tx, t.ID, rows)
	}
	if !errors.Is(err, ErrNotFound) {
		return false, err
	}
	made := t.Created
	if made.IsZero() || made.After(s.now()) {
		return false, &InvalidError{"test " + t.ID, "it is brought in without the moment it was made, or with one that is still to come"}
	}
	if err := s.insertTest(ctx, tx, &t.Test); err != nil {
		return false, err
	}
	if _, err := tx.ExecContext(ctx, `UPDATE tests SET created_ms = ? WHERE id = ?`, ms(made), t.ID); err != nil {
		return false, err
	}
	marks := Marks{}
	for _, row := range rows {
		if want := marks.N(row.id.Term) + 1; row.id.N != want {
			return false, fmt.Errorf("record: test %s: %w", t.ID, &GapError{Got: row.id, Want: conduct.ID{Term: row.id.Term, N: want}})
		}
		if err := s.insert(ctx, tx, t.ID, row, ms(s.now())); err != nil {
			return false, err
		}
		marks = marks.with(row.id)
	}
	if err := settleClosed(ctx, tx, t.ID); err != nil {
		return false, err
	}
	stored, err := oneTest(ctx, tx, t.ID)
	if err == nil && stored.Running() {
		err = &InvalidError{"test " + t.ID, "it is not closed; only a finished test is brought in"}
	}
	return true, err
}

// sameEvents refuses a test whose events are not those that are stored. What came after it, such as a correction, is
// no difference.
func (s *core) sameEvents(ctx context.Context, tx *sql.Tx, test string, rows []eventRow) error {
	for _, row := range rows {
		err := s.compare(ctx, tx, test, row)
		var conflict *ConflictError
		if errors.As(err, &conflict) || errors.Is(err, sql.ErrNoRows) {
			return &TestTakenError{test}
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// bringFact appends a fact unless the visit has one of the same kind and content.
func (s *core) bringFact(ctx context.Context, tx *sql.Tx, f Fact) (fresh bool, err error) {
	if err := checkFact(f); err != nil {
		return false, err
	}
	var short bytes.Buffer
	if err := json.Compact(&short, f.JSON); err != nil {
		return false, err
	}
	there := false
	err = each(ctx, tx, func(rows *sql.Rows) error {
		var have Fact
		if err := scanFact(rows, &have); err != nil {
			return err
		}
		var b bytes.Buffer
		if err := json.Compact(&b, have.JSON); err != nil {
			return err
		}
		there = there || bytes.Equal(b.Bytes(), short.Bytes())
		return nil
	}, `SELECT `+factColumns+` FROM facts f WHERE visit = ? AND kind = ?`, f.Visit, f.Kind)
	if err != nil || there {
		return false, err
	}
	if f.At.IsZero() || f.At.After(s.now()) {
		f.At = s.stamp()
	}
	return true, insertFact(ctx, tx, &f)
}
