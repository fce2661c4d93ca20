package record

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"gradus/conduct"
)

// maxEvent is the longest event as JSON, in bytes.
const maxEvent = 64 << 10

// eventRow is an event as it is stored.
type eventRow struct {
	event *conduct.Event
	id    conduct.ID
	json  []byte
}

// Append stores events of a test.
func (s *core) Append(ctx context.Context, test string, events []conduct.Event) (Marks, error) {
	rows, err := rowsOf(test, events)
	if err != nil {
		return nil, err
	}
	j := &job{test: test, rows: rows}
	if err := s.together(ctx, j); err != nil {
		return nil, err
	}
	return j.marks, nil
}

// rowsOf checks events, sorts them by id and drops doubles.
func rowsOf(test string, events []conduct.Event) ([]eventRow, error) {
	rows := make([]eventRow, len(events))
	for i := range events {
		e := &events[i]
		text, err := encode(e)
		if err != nil {
			return nil, &InvalidError{fmt.Sprintf("test %s: event %v", test, e.ID()), err.Error()}
		}
		rows[i] = eventRow{e, e.ID(), text}
	}
	slices.SortStableFunc(rows, func(a, b eventRow) int {
		switch {
		case a.id.Less(b.id):
			return -1
		case b.id.Less(a.id):
			return 1
		}
		return 0
	})
	for i := 1; i < len(rows); i++ {
		if a, b := rows[i-1], rows[i]; a.id == b.id && !bytes.Equal(a.json, b.json) {
			return nil, &ConflictError{Test: test, ID: a.id, Have: *a.event, Got: *b.event}
		}
	}
	return slices.CompactFunc(rows, func(a, b eventRow) bool { return a.id == b.id }), nil
}

// encode writes an event and makes sure that it can be read again.
func encode(e *conduct.Event) ([]byte, error) {
	if e.Term == 0 || e.N == 0 {
		return nil, errors.New("term and n count from 1; give the event its id")
	}
	text, err := json.Marshal(e)
	if err != nil {
		return nil, err
	}
	if len(text) > maxEvent {
		return nil, fmt.Errorf("it has %d bytes, more than %d; shorten its text", len(text), maxEvent)
	}
	var back conduct.Event
	return text, json.Unmarshal(text, &back)
}

func (s *core) insert(ctx context.Context, tx *sql.Tx, test string, row eventRow, received int64) error {
	e := row.event
	_, err := tx.StmtContext(ctx, s.st.insert).ExecContext(ctx, test, e.Term, e.N, int64(e.At), e.Kind.String(), string(row.json), received)
	return err
}

// compare looks whether an event that is there already is the same. An older version of the program may have
// written it in other words.
func (s *core) compare(ctx context.Context, tx *sql.Tx, test string, row eventRow) error {
	var text []byte
	if err := tx.StmtContext(ctx, s.st.event).QueryRowContext(ctx, test, row.id.Term, row.id.N).Scan(&text); err != nil {
		return err
	}
	if bytes.Equal(text, row.json) {
		return nil
	}
	have, err := decode(test, row.id, text)
	if err != nil {
		return err
	}
	if again, err := json.Marshal(have); err != nil || bytes.Equal(again, row.json) {
		return err
	}
	return &ConflictError{Test: test, ID: row.id, Have: have, Got: *row.event}
}

func decode(test string, id conduct.ID, text []byte) (e conduct.Event, err error) {
	if err := json.Unmarshal(text, &e); err != nil {
		return e, fmt.Errorf("test %s: stored event %v cannot be read: %w; start the version of the program that wrote it", test, id, err)
	}
	return e, nil
}

// marksOf finds the last event of each term by the ends of the index, however long the test is.
func (s *core) marksOf(ctx context.Context, tx *sql.Tx, test string) (Marks, error) {
	var marks Marks
	var id conduct.ID
	err := tx.StmtContext(ctx, s.st.top).QueryRowContext(ctx, test).Scan(&id.Term, &id.N)
	for err == nil {
		marks = append(marks, id)
		if id.Term == 1 {
			break
		}
		err = tx.StmtContext(ctx, s.st.below).QueryRowContext(ctx, test, id.Term).Scan(&id.Term, &id.N)
	}
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return nil, err
	}
	slices.Reverse(marks)
	if len(marks) == 0 {
		return nil, testExists(ctx, tx, test)
	}
	return marks, nil
}

func testExists(ctx context.Context, q querier, test string) error {
	var one int
	err := q.QueryRowContext(ctx, `SELECT 1 FROM tests WHERE id = ?`, test).Scan(&one)
	if errors.Is(err, sql.ErrNoRows) {
		return noTest(test)
	}
	return err
}

// settleClosed notes when the closing event was received. One that a device wrote after it had lost the pen
// closes nothing: the next term's take-over has not seen it.
func settleClosed(ctx context.Context, tx *sql.Tx, test string) error {
	var closed any
	seen := map[uint32]uint32{} // per term, the last n that the next one had seen
	type ending struct {
		id       conduct.ID
		received int64
	}
	var endings []ending
	err := each(ctx, tx, func(rows *sql.Rows) error {
		var text []byte
		var end ending
		if err := rows.Scan(&end.id.Term, &end.id.N, &text, &end.received); err != nil {
			return err
		}
		e, err := decode(test, end.id, text)
		switch {
		case err != nil:
			return err
		case e.Kind == conduct.Closed:
			endings = append(endings, end)
		case e.N == 1 && e.Ref.Term < e.Term:
			seen[e.Ref.Term] = e.Ref.N
		}
		return nil
	}, `SELECT term, n, json, received_ms FROM events WHERE test = ? AND kind IN (?, ?) ORDER BY term, n`,
		test, conduct.Closed.String(), conduct.TookOver.String())
	if err != nil {
		return err
	}
	for _, end := range endings {
		if last, lost := seen[end.id.Term]; !lost || end.id.N <= last {
			closed = end.received
			break
		}
	}
	_, err = tx.ExecContext(ctx, `UPDATE tests SET closed_ms = ? WHERE id = ?`, closed, test)
	return err
}

// Events returns all events of a test.
func (s *core) Events(ctx context.Context, test string) ([]conduct.Event, error) {
	return s.EventsSince(ctx, test, nil)
}

// EventsSince returns the events that marks do not cover.
func (s *core) EventsSince(ctx context.Context, test string, marks Marks) ([]conduct.Event, error) {
	var events []conduct.Event
	err := s.read(ctx, func(tx *sql.Tx) error {
		if err := testExists(ctx, tx, test); err != nil {
			return err
		}
		add := func(rows *sql.Rows) error {
			var id conduct.ID
			var text []byte
			if err := rows.Scan(&id.Term, &id.N, &text); err != nil {
				return err
			}
			e, err := decode(test, id, text)
			events = append(events, e)
			return err
		}
		var done uint32
		for _, mark := range marks {
			if err := each(ctx, tx, add, `SELECT term, n, json FROM events WHERE test = ? AND term > ? AND term < ? ORDER BY term, n`, test, done, mark.Term); err != nil {
				return err
			}
			if err := each(ctx, tx, add, `SELECT term, n, json FROM events WHERE test = ? AND term = ? AND n > ? ORDER BY n`, test, mark.Term, mark.N); err != nil {
				return err
			}
			done = mark.Term
		}
		return each(ctx, tx, add, `SELECT term, n, json FROM events WHERE test = ? AND term > ? ORDER BY term, n`, test, done)
	})
	if err != nil {
		return nil, err
	}
	return events, nil
}
