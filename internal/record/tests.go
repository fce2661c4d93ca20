package record

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"
)

const testColumns = `id, participant, visit, protocol_id, protocol_version, protocol_hash, title, demo, created_ms, closed_ms, site, account, student,
	coalesce((SELECT c.json FROM countersigns c WHERE c.test = tests.id ORDER BY c.n DESC LIMIT 1), '')`

// NewTest stores a test before its first event.
func (s *core) NewTest(ctx context.Context, t Test) (Test, error) {
	if err := checkTest(t); err != nil {
		return Test{}, err
	}
	err := s.write(ctx, func(tx *sql.Tx) error {
		have, err := oneTest(ctx, tx, t.ID)
		switch {
		case err == nil && sameTest(have, t):
			t = have
			return nil
		case err == nil:
			return &TestTakenError{t.ID}
		case !errors.Is(err, ErrNotFound):
			return err
		}
		if t.Participant != 0 {
			if err := personExists(ctx, tx, t.Participant); err != nil {
				return err
			}
		}
		if t.Visit != 0 {
			if err := visitFits(ctx, tx, t); err != nil {
				return err
			}
		}
		return s.insertTest(ctx, tx, &t)
	})
	if err != nil {
		return Test{}, err
	}
	return t, nil
}

func (s *core) insertTest(ctx context.Context, tx *sql.Tx, t *Test) error {
	t.Created, t.Closed, t.Signed = s.stamp(), time.Time{}, nil
	t.Site = or0(t.Site, FirstSite)
	if t.Participant != 0 {
		var err error
		if t.Site, err = siteOf(ctx, tx, t.Participant); err != nil {
			return err
		}
	}
	_, err := tx.ExecContext(ctx, `INSERT INTO tests (id, participant, visit, protocol_id, protocol_version, protocol_hash, protocol_sent, title, demo, created_ms, site, account, student) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		t.ID, noneIf0(t.Participant), noneIf0(t.Visit), t.Protocol, t.Version, t.Hash, t.Sent, t.Title, flag(t.Demo), ms(t.Created), t.Site, noneIf0(t.Account), flag(t.Student))
	return err
}

// visitFits refuses a test of one person in the visit of another.
func visitFits(ctx context.Context, q querier, t Test) error {
	v, err := oneVisit(ctx, q, t.Visit)
	if err != nil {
		return err
	}
	var whose int
	if err := q.QueryRowContext(ctx, `SELECT count(DISTINCT coalesce(kept, id)) FROM participants WHERE id IN (?, ?)`, v.Participant, t.Participant).Scan(&whose); err != nil {
		return err
	}
	if t.Participant == 0 || whose != 1 {
		return &InvalidError{"test " + t.ID, "its visit is of another participant"}
	}
	return nil
}

// Test returns one test with its protocol.
func (s *core) Test(ctx context.Context, id string) (Test, error) {
	t, err := oneTest(ctx, s.reader, id)
	return t, s.typed(ctx, err)
}

func oneTest(ctx context.Context, q querier, id string) (t Test, err error) {
	row := q.QueryRowContext(ctx, `SELECT `+testColumns+`, protocol_sent FROM tests WHERE id = ?`, id)
	err = scanTest(row, &t, &t.Sent)
	if errors.Is(err, sql.ErrNoRows) {
		return t, noTest(id)
	}
	return t, err
}

// Tests lists tests, the newest first.
func (s *core) Tests(ctx context.Context, f TestFilter) ([]Test, error) {
	query := `SELECT ` + testColumns + ` FROM tests`
	var where []string
	var args []any
	if f.Participant != 0 {
		where, args = append(where, "participant IN ("+shownAs+")"), append(args, f.Participant, f.Participant)
	}
	if f.Visit != 0 {
		where, args = append(where, "visit = ?"), append(args, f.Visit)
	}
	if f.Site != 0 {
		where, args = append(where, "site = ?"), append(args, f.Site)
	}
	if f.Running {
		where = append(where, "closed_ms IS NULL")
	}
	if len(where) > 0 {
		query += " WHERE " + strings.Join(where, " AND ")
	}
	query += " ORDER BY created_ms DESC, id"
	if f.Limit > 0 {
		query, args = query+" LIMIT ?", append(args, f.Limit)
	}
	var found []Test
	err := each(ctx, s.reader, func(rows *sql.Rows) error {
		var t Test
		err := scanTest(rows, &t)
		found = append(found, t)
		return err
	}, query, args...)
	return found, s.fault(ctx, err)
}

func scanTest(row interface{ Scan(...any) error }, t *Test, more ...any) error {
	var participant, visit, closed, site, account sql.NullInt64
	var created int64
	var signed []byte
	err := row.Scan(append([]any{&t.ID, &participant, &visit, &t.Protocol, &t.Version, &t.Hash, &t.Title, &t.Demo, &created, &closed, &site, &account, &t.Student, &signed}, more...)...)
	if err != nil {
		return err
	}
	t.Participant, t.Visit, t.Created, t.Site, t.Account = participant.Int64, visit.Int64, fromMs(created), site.Int64, account.Int64
	if len(signed) > 0 {
		t.Signed = &Countersign{}
		if err := json.Unmarshal(signed, t.Signed); err != nil {
			return err
		}
	}
	if closed.Valid {
		t.Closed = fromMs(closed.Int64)
	}
	return nil
}

// Reassign corrects whose test it is and keeps the correction.
func (s *core) Reassign(ctx context.Context, test string, participant int64, by, why string) error {
	by, why = strings.TrimSpace(by), strings.TrimSpace(why)
	if by == "" || why == "" {
		return &InvalidError{"reassignment of test " + test, "it needs who and why"}
	}
	return s.write(ctx, func(tx *sql.Tx) error {
		t, err := oneTest(ctx, tx, test)
		switch {
		case err != nil:
			return err
		case t.Running():
			return fmt.Errorf("record: test %s: %w", test, ErrRunning)
		case t.Participant == participant:
			return &InvalidError{"reassignment of test " + test, "it is that participant's already"}
		}
		if err := personExists(ctx, tx, participant); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO reassignments (test, from_id, to_id, by, why, at_ms) VALUES (?, ?, ?, ?, ?, ?)`,
			test, noneIf0(t.Participant), participant, by, why, ms(s.now())); err != nil {
			return err
		}
		visit, err := s.visitOfOther(ctx, tx, t, participant)
		if err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `UPDATE tests SET participant = ?, visit = ? WHERE id = ?`, participant, noneIf0(visit), test)
		return err
	})
}

// visitOfOther is the visit of another person on the day of a test's visit.
func (s *core) visitOfOther(ctx context.Context, tx *sql.Tx, t Test, participant int64) (int64, error) {
	if t.Visit == 0 {
		return 0, nil
	}
	own, err := oneVisit(ctx, tx, t.Visit)
	if err != nil {
		return 0, err
	}
	other, err := visitOn(ctx, tx, participant, own.Date)
	if errors.Is(err, ErrNotFound) {
		other = Visit{Participant: participant, Date: own.Date, State: VisitDone}
		err = s.insertVisit(ctx, tx, &other)
	}
	return other.ID, err
}

// Reassignments returns the corrections of whose test it is.
func (s *core) Reassignments(ctx context.Context, test string) ([]Reassignment, error) {
	var list []Reassignment
	err := each(ctx, s.reader, func(rows *sql.Rows) error {
		var r Reassignment
		var from sql.NullInt64
		var at int64
		err := rows.Scan(&from, &r.To, &r.By, &r.Why, &at)
		r.From, r.When = from.Int64, fromMs(at)
		list = append(list, r)
		return err
	}, `SELECT from_id, to_id, by, why, at_ms FROM reassignments WHERE test = ? ORDER BY id`, test)
	return list, s.fault(ctx, err)
}

func checkTest(t Test) error {
	odd := func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("._-", r))
	}
	switch {
	case t.ID == "" || len(t.ID) > 64 || strings.ContainsFunc(t.ID, odd):
		return &InvalidError{"test", fmt.Sprintf("id %q is not 1 to 64 letters, digits, dots, dashes and underscores", t.ID)}
	case t.Protocol == "" || t.Hash == "":
		return &InvalidError{"test " + t.ID, "it names no protocol with its hash"}
	case !json.Valid(t.Sent):
		return &InvalidError{"test " + t.ID, "the protocol as sent is not JSON"}
	case len(t.Title) > 1024 || !utf8.ValidString(t.Title):
		return &InvalidError{"test " + t.ID, "the title is too long or not UTF-8"}
	}
	return nil
}

// sameTest reports whether what the caller gives is what is stored.
func sameTest(have, t Test) bool {
	return bytes.Equal(have.Sent, t.Sent) && have.Participant == t.Participant && have.Visit == t.Visit && have.Protocol == t.Protocol &&
		have.Version == t.Version && have.Hash == t.Hash && have.Title == t.Title && have.Demo == t.Demo
}

func noTest(id string) error { return fmt.Errorf("record: test %s: %w", id, ErrNotFound) }

func flag(b bool) int {
	if b {
		return 1
	}
	return 0
}
