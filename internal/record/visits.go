package record

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"gradus/conduct"
)

const visitColumns = `v.id, v.participant, v.date, v.time, v.retest_due, v.state, v.note, v.created_ms`

// AddVisit stores a new visit.
func (s *core) AddVisit(ctx context.Context, v Visit) (Visit, error) {
	v, err := checkVisit(v)
	if err != nil {
		return Visit{}, err
	}
	err = s.write(ctx, func(tx *sql.Tx) error {
		if err := personExists(ctx, tx, v.Participant); err != nil {
			return err
		}
		if err := dayFree(ctx, tx, v); err != nil {
			return err
		}
		return s.insertVisit(ctx, tx, &v)
	})
	if err != nil {
		return Visit{}, err
	}
	return v, nil
}

func (s *core) insertVisit(ctx context.Context, tx *sql.Tx, v *Visit) error {
	v.Created = s.stamp()
	return insertVisitAsIs(ctx, tx, v)
}

func insertVisitAsIs(ctx context.Context, tx *sql.Tx, v *Visit) error {
	return tx.QueryRowContext(ctx, `INSERT INTO visits (participant, date, time, retest_due, state, note, created_ms) VALUES (?, ?, ?, ?, ?, ?, ?) RETURNING id`,
		v.Participant, v.Date, v.Time, v.RetestDue, v.State, v.Note, ms(v.Created)).Scan(&v.ID)
}

func dayFree(ctx context.Context, q querier, v Visit) error {
	have, err := visitOn(ctx, q, v.Participant, v.Date)
	switch {
	case errors.Is(err, ErrNotFound), err == nil && have.ID == v.ID:
		return nil
	case err != nil:
		return err
	}
	return &DayTakenError{Date: v.Date, By: have.ID}
}

func visitOn(ctx context.Context, q querier, participant int64, date string) (v Visit, err error) {
	row := q.QueryRowContext(ctx, `SELECT `+visitColumns+` FROM visits v WHERE participant = ? AND date = ?`, participant, date)
	err = scanVisit(row, &v)
	if errors.Is(err, sql.ErrNoRows) {
		return v, fmt.Errorf("record: visit of participant %d on %s: %w", participant, date, ErrNotFound)
	}
	return v, err
}

// VisitOn returns the visit of a person on a day, making it when there is none.
func (s *core) VisitOn(ctx context.Context, participant int64, date string) (v Visit, err error) {
	fresh, err := checkVisit(Visit{Participant: participant, Date: date, State: VisitOpen})
	if err != nil {
		return v, err
	}
	err = s.write(ctx, func(tx *sql.Tx) error {
		v, err = visitOn(ctx, tx, participant, date)
		if !errors.Is(err, ErrNotFound) {
			return err
		}
		if err := personExists(ctx, tx, participant); err != nil {
			return err
		}
		v = fresh
		return s.insertVisit(ctx, tx, &v)
	})
	if err != nil {
		return Visit{}, err
	}
	return v, nil
}

// UpdateVisit replaces everything about a visit but number, person and moment of creation.
func (s *core) UpdateVisit(ctx context.Context, v Visit) error {
	v, err := checkVisit(v)
	if err != nil {
		return err
	}
	return s.write(ctx, func(tx *sql.Tx) error {
		have, err := oneVisit(ctx, tx, v.ID)
		if err != nil {
			return err
		}
		v.Participant = have.Participant
		if err := dayFree(ctx, tx, v); err != nil {
			return err
		}
		return replaceVisit(ctx, tx, v)
	})
}

func replaceVisit(ctx context.Context, tx *sql.Tx, v Visit) error {
	_, err := tx.ExecContext(ctx, `UPDATE visits SET date = ?, time = ?, retest_due = ?, state = ?, note = ? WHERE id = ?`, v.Date, v.Time, v.RetestDue, v.State, v.Note, v.ID)
	return err
}

// Visit returns one visit.
func (s *core) Visit(ctx context.Context, id int64) (Visit, error) {
	v, err := oneVisit(ctx, s.reader, id)
	return v, s.typed(ctx, err)
}

func oneVisit(ctx context.Context, q querier, id int64) (v Visit, err error) {
	err = scanVisit(q.QueryRowContext(ctx, `SELECT `+visitColumns+` FROM visits v WHERE id = ?`, id), &v)
	if errors.Is(err, sql.ErrNoRows) {
		return v, noVisit(id)
	}
	return v, err
}

func noVisit(id int64) error { return fmt.Errorf("record: visit %d: %w", id, ErrNotFound) }

// Visits lists visits by day and time.
func (s *core) Visits(ctx context.Context, f VisitFilter) ([]Visit, error) {
	where := []string{"1 = 1"}
	var args []any
	add := func(condition string, values ...any) {
		where, args = append(where, condition), append(args, values...)
	}
	if f.Participant != 0 {
		add(`v.participant IN (`+shownAs+`)`, f.Participant, f.Participant)
	} else {
		add(`NOT EXISTS (SELECT 1 FROM participants p JOIN participants k ON k.id = coalesce(p.kept, p.id) WHERE p.id = v.participant AND k.archived_ms IS NOT NULL)`)
	}
	if f.Site != 0 {
		add(`EXISTS (SELECT 1 FROM participants p WHERE p.id = v.participant AND p.site = ?)`, f.Site)
	}
	if f.From != "" {
		add(`v.date >= ?`, f.From)
	}
	if f.To != "" {
		add(`v.date <= ?`, f.To)
	}
	if f.DueFrom != "" || f.DueTo != "" {
		add(`v.retest_due <> '' AND v.retest_due >= ? AND v.retest_due <= ?`, f.DueFrom, or(f.DueTo, "9999"))
		// A later visit that took place, or is to take place, is the retest.
		add(`NOT EXISTS (SELECT 1 FROM participants a JOIN participants o ON o.id = coalesce(a.kept, a.id) OR o.kept = coalesce(a.kept, a.id) JOIN visits l ON l.participant = o.id
			WHERE a.id = v.participant AND l.date > v.date AND l.state IN ('` + VisitPlanned + `', '` + VisitOpen + `', '` + VisitDone + `'))`)
	}
	if f.State != "" {
		add(`v.state = ?`, f.State)
	}
	order := ` ORDER BY v.date, v.time, v.id`
	switch {
	case f.Newest:
		order = ` ORDER BY v.date DESC, v.time DESC, v.id DESC`
	case f.DueFrom != "" || f.DueTo != "":
		order = ` ORDER BY v.retest_due, v.id`
	}
	query := `SELECT ` + visitColumns + ` FROM visits v WHERE ` + strings.Join(where, " AND ") + order
	if f.Limit > 0 {
		query, args = query+` LIMIT ?`, append(args, f.Limit)
	}
	var found []Visit
	err := each(ctx, s.reader, func(rows *sql.Rows) error {
		var v Visit
		err := scanVisit(rows, &v)
		found = append(found, v)
		return err
	}, query, args...)
	return found, s.fault(ctx, err)
}

func or(text, other string) string {
	if text == "" {
		return other
	}
	return text
}

func scanVisit(row interface{ Scan(...any) error }, v *Visit) error {
	var created int64
	err := row.Scan(&v.ID, &v.Participant, &v.Date, &v.Time, &v.RetestDue, &v.State, &v.Note, &created)
	v.Created = fromMs(created)
	return err
}

func checkVisit(v Visit) (Visit, error) {
	v.Note = strings.TrimSpace(v.Note)
	what := "visit on " + v.Date
	switch {
	case !isDay(v.Date):
		return v, &InvalidError{"visit", fmt.Sprintf("date %q is not a day; write it as 2026-03-02", v.Date)}
	case v.RetestDue != "" && !isDay(v.RetestDue):
		return v, &InvalidError{what, fmt.Sprintf("retest date %q is not a day; write it as 2026-03-02", v.RetestDue)}
	case v.RetestDue != "" && v.RetestDue <= v.Date:
		return v, &InvalidError{what, "the retest is not after the visit; check both days"}
	case v.Time != "" && !isHour(v.Time):
		return v, &InvalidError{what, fmt.Sprintf("time %q is not an hour; write it as 09:30", v.Time)}
	case !slices.Contains(VisitStates, v.State):
		return v, &InvalidError{what, fmt.Sprintf("state %q is none of %s", v.State, strings.Join(VisitStates, ", "))}
	case len(v.Note) > 64<<10 || !utf8.ValidString(v.Note):
		return v, &InvalidError{what, "the note is too long or not UTF-8"}
	}
	return v, nil
}

func isHour(text string) bool {
	t, err := time.Parse("15:04", text)
	return err == nil && t.Format("15:04") == text
}

// AddFact appends a fact to a visit.
func (s *core) AddFact(ctx context.Context, f Fact) (Fact, error) {
	f.By = strings.TrimSpace(f.By)
	if err := checkFact(f); err != nil {
		return Fact{}, err
	}
	f.At = s.stamp()
	err := s.write(ctx, func(tx *sql.Tx) error {
		if _, err := oneVisit(ctx, tx, f.Visit); err != nil {
			return err
		}
		return insertFact(ctx, tx, &f)
	})
	if err != nil {
		return Fact{}, err
	}
	return f, nil
}

func insertFact(ctx context.Context, tx *sql.Tx, f *Fact) error {
	return tx.QueryRowContext(ctx, `INSERT INTO facts (visit, n, kind, json, by, at_ms) VALUES (?, (SELECT coalesce(max(n), 0) + 1 FROM facts WHERE visit = ?), ?, ?, ?, ?) RETURNING n`,
		f.Visit, f.Visit, f.Kind, string(f.JSON), f.By, ms(f.At)).Scan(&f.N)
}

func checkFact(f Fact) error {
	what := fmt.Sprintf("fact of visit %d", f.Visit)
	switch {
	case !isWord(f.Kind):
		return &InvalidError{what, fmt.Sprintf("kind %q is not a word of small letters, digits and dashes", f.Kind)}
	case f.By == "":
		return &InvalidError{what, "it needs who"}
	case len(f.JSON) > maxFact:
		return &InvalidError{what, fmt.Sprintf("it is longer than %d bytes", maxFact)}
	case !json.Valid(f.JSON) || !utf8.Valid(f.JSON):
		return &InvalidError{what, "it is not JSON"}
	}
	return nil
}

const maxFact = 64 << 10

func isWord(text string) bool {
	odd := func(r rune) bool { return !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-') }
	return text != "" && len(text) <= 64 && !strings.ContainsFunc(text, odd)
}

const factColumns = `f.visit, f.n, f.kind, f.json, f.by, f.at_ms`

// Facts returns all facts of a visit in their order.
func (s *core) Facts(ctx context.Context, visit int64) (list []Fact, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		if _, err := oneVisit(ctx, tx, visit); err != nil {
			return err
		}
		return each(ctx, tx, func(rows *sql.Rows) error {
			var f Fact
			err := scanFact(rows, &f)
			list = append(list, f)
			return err
		}, `SELECT `+factColumns+` FROM facts f WHERE visit = ? ORDER BY n`, visit)
	})
	return list, err
}

// LastFact returns the newest fact of a kind of a person.
func (s *core) LastFact(ctx context.Context, participant int64, kind, before string) (f Fact, err error) {
	query := `SELECT ` + factColumns + ` FROM facts f JOIN visits v ON v.id = f.visit WHERE v.participant IN (` + shownAs + `) AND f.kind = ?`
	args := []any{participant, participant, kind}
	if before != "" {
		query, args = query+` AND v.date < ?`, append(args, before)
	}
	err = scanFact(s.reader.QueryRowContext(ctx, query+` ORDER BY v.date DESC, v.id DESC, f.n DESC LIMIT 1`, args...), &f)
	if errors.Is(err, sql.ErrNoRows) {
		return Fact{}, fmt.Errorf("record: %s of participant %d: %w", kind, participant, ErrNotFound)
	}
	return f, s.fault(ctx, err)
}

func scanFact(row interface{ Scan(...any) error }, f *Fact) error {
	var text string
	var at int64
	err := row.Scan(&f.Visit, &f.N, &f.Kind, &text, &f.By, &at)
	f.JSON, f.At = json.RawMessage(text), fromMs(at)
	return err
}

// complete does what a migration leaves to the program.
func (s *core) complete(ctx context.Context) error {
	var left int
	if err := s.writer.QueryRowContext(ctx, `SELECT count(*) FROM to_complete`).Scan(&left); err != nil || left == 0 {
		return err
	}
	return s.write(ctx, func(tx *sql.Tx) error {
		todo := map[string]func(context.Context, *sql.Tx) error{"visits-of-tests": visitsOfTests, "audit": beginTrail}
		for _, what := range []string{"visits-of-tests", "audit"} {
			done, err := tx.ExecContext(ctx, `DELETE FROM to_complete WHERE what = ?`, what)
			if err != nil {
				return err
			}
			n, err := done.RowsAffected()
			if err == nil && n > 0 {
				err = todo[what](ctx, tx)
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
}

// visitsOfTests makes the visits of the tests that are older than visits. The day is that of the first event, as the
// clock of the page showed it.
func visitsOfTests(ctx context.Context, tx *sql.Tx) error {
	type old struct {
		id          string
		participant int64
		day         string
		created     int64
		running     bool
	}
	var tests []old
	err := each(ctx, tx, func(rows *sql.Rows) error {
		var o old
		var first sql.NullString
		err := rows.Scan(&o.id, &o.participant, &o.created, &o.running, &first)
		o.day = dayOf(first.String, fromMs(o.created))
		tests = append(tests, o)
		return err
	}, `SELECT t.id, t.participant, t.created_ms, t.closed_ms IS NULL, e.json FROM tests t LEFT JOIN events e ON e.test = t.id AND e.term = 1 AND e.n = 1
		WHERE t.participant IS NOT NULL AND t.visit IS NULL ORDER BY t.created_ms`)
	if err != nil {
		return err
	}
	for _, o := range tests {
		state := VisitDone
		if o.running {
			state = VisitOpen
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO visits (participant, date, time, retest_due, state, note, created_ms) VALUES (?, ?, '', '', ?, '', ?) ON CONFLICT (participant, date) DO NOTHING`,
			o.participant, o.day, state, o.created); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `UPDATE tests SET visit = (SELECT id FROM visits WHERE participant = ? AND date = ?) WHERE id = ?`, o.participant, o.day, o.id); err != nil {
			return err
		}
	}
	return nil
}

// dayOf is the day of a first event, else of the moment the test was made.
func dayOf(event string, created time.Time) string {
	var e conduct.Event
	if json.Unmarshal([]byte(event), &e) == nil && len(e.Wall) >= len(time.DateOnly) && isDay(e.Wall[:len(time.DateOnly)]) {
		return e.Wall[:len(time.DateOnly)]
	}
	return created.Local().Format(time.DateOnly)
}
