package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"

	"gradus/conduct"
	"gradus/internal/audit"
)

// wave writes the jobs of one commit. It decides on each by what the record holds and writes all of them at once, so that
// a database on a server is asked a few times for however many jobs.
type wave struct {
	*core
	tx      *sql.Tx
	marks   map[string]Marks // of the tests whose events are written, with those that are decided on
	events  []placedEvent    // decided on, not yet written
	pending map[string]bool  // their tests
}

// placedEvent is an event with its test.
type placedEvent struct {
	eventRow
	test     string
	received int64
}

// placedBlock is a block with its test.
type placedBlock struct {
	Block
	test string
	job  *job
}

// many reads and writes rows of many jobs.
type many interface {
	// marks adds those of the tests that have events.
	marks(ctx context.Context, tx *sql.Tx, tests []string, to map[string]Marks) error
	events(ctx context.Context, tx *sql.Tx, rows []placedEvent) error
	// blocks says of each whether it is new; what is there already stays.
	blocks(ctx context.Context, tx *sql.Tx, rows []placedBlock) (fresh []bool, err error)
	entries(ctx context.Context, tx *sql.Tx, lines []trailLine) error
}

// write gives each job the error that is its own alone, and returns what the trail is to say of the others. Its own
// error means that nothing may be kept.
func (w *wave) write(ctx context.Context, jobs []*job) (entries []audit.Entry, err error) {
	if err := w.writeEvents(ctx, jobs); err != nil {
		return nil, err
	}
	if err := w.writeBlocks(ctx, jobs); err != nil {
		return nil, err
	}
	for _, j := range jobs {
		if j.err != nil {
			continue
		}
		if j.note != nil {
			j.noted = []audit.Entry{*j.note}
		}
		entries = append(entries, j.entries()...)
	}
	return entries, nil
}

func (w *wave) writeEvents(ctx context.Context, jobs []*job) error {
	var tests []string
	for _, j := range jobs {
		j.err, j.noted, j.marks = nil, nil, nil
		if !j.later {
			tests = append(tests, j.test)
		}
	}
	if len(tests) == 0 {
		return nil
	}
	slices.Sort(tests)
	tests = slices.Compact(tests)
	if err := w.hold(ctx, w.tx, tests); err != nil {
		return err
	}
	w.marks, w.pending = map[string]Marks{}, map[string]bool{}
	if err := w.many.marks(ctx, w.tx, tests, w.marks); err != nil {
		return err
	}
	for _, j := range jobs {
		if j.later {
			continue
		}
		if err := w.decide(ctx, j); err != nil {
			if !decided(err) {
				return err
			}
			j.err = err
		}
	}
	if err := w.flush(ctx); err != nil {
		return err
	}
	for _, j := range jobs {
		if j.err == nil && slices.ContainsFunc(j.rows, func(r eventRow) bool { return r.event.Kind == conduct.Closed || r.event.Kind == conduct.TookOver }) {
			if err := settleClosed(ctx, w.tx, j.test); err != nil {
				return err
			}
		}
	}
	return nil
}

// decide takes the events of a job that are new, or refuses all of them.
func (w *wave) decide(ctx context.Context, j *job) error {
	marks := w.marks[j.test]
	if len(marks) == 0 {
		if err := testExists(ctx, w.tx, j.test); err != nil {
			return err
		}
	}
	var fresh []placedEvent
	received := ms(w.now())
	for _, row := range j.rows {
		last := marks.N(row.id.Term)
		switch {
		case row.id.N <= last:
			if w.pending[j.test] {
				if err := w.flush(ctx); err != nil {
					return err
				}
			}
			if err := w.compare(ctx, w.tx, j.test, row); err != nil {
				return err
			}
			continue
		case row.id.N != last+1:
			return fmt.Errorf("record: test %s: %w", j.test, &GapError{Got: row.id, Want: conduct.ID{Term: row.id.Term, N: last + 1}})
		}
		fresh, marks = append(fresh, placedEvent{row, j.test, received}), marks.with(row.id)
	}
	j.marks = marks
	if len(fresh) == 0 {
		return nil
	}
	salt, err := w.salt(ctx, w.tx, j.test)
	if err != nil {
		return err
	}
	var n noted
	for _, row := range fresh {
		n.event(j.test, salt, row.eventRow, received)
	}
	j.noted, w.marks[j.test], w.pending[j.test] = n.entries(), marks, true
	w.events = append(w.events, fresh...)
	return nil
}

// flush writes the events that are decided on.
func (w *wave) flush(ctx context.Context) error {
	if len(w.events) == 0 {
		return nil
	}
	err := w.many.events(ctx, w.tx, w.events)
	w.events = nil
	clear(w.pending)
	return err
}

func (w *wave) writeBlocks(ctx context.Context, jobs []*job) error {
	var rows []placedBlock
	for _, j := range jobs {
		if len(j.blocks) == 0 {
			continue
		}
		if err := w.testKnown(ctx, w.tx, j.test); err != nil {
			if !decided(err) {
				return err
			}
			j.err = err
			continue
		}
		for _, b := range j.blocks {
			rows = append(rows, placedBlock{b, j.test, j})
		}
	}
	if len(rows) == 0 {
		return nil
	}
	// In one order, so that two programs that store the same blocks never wait for each other.
	slices.SortStableFunc(rows, func(a, b placedBlock) int {
		if c := strings.Compare(a.test, b.test); c != 0 {
			return c
		}
		return int(min(max(int64(a.Seq)-int64(b.Seq), -1), 1))
	})
	fresh, err := w.many.blocks(ctx, w.tx, rows)
	if err != nil {
		return err
	}
	wrote, runs := map[*job]bool{}, map[*job]*noted{}
	for i, r := range rows {
		if !fresh[i] {
			continue
		}
		salt, err := w.salt(ctx, w.tx, r.test)
		if err != nil {
			return err
		}
		n := runs[r.job]
		if n == nil {
			n = &noted{}
			runs[r.job] = n
		}
		wrote[r.job] = true
		n.block(r.test, salt, r.Seq, blockDigest(r.Seq, int64(r.From), int64(r.To), r.Kind, r.Payload))
	}
	for i, r := range rows {
		if fresh[i] || r.job.err != nil {
			continue
		}
		err := w.sameBlock(ctx, w.tx, r.test, r.Block)
		var conflict *BlockConflictError
		switch {
		case errors.As(err, &conflict) && !wrote[r.job]:
			r.job.err = err
		case err != nil:
			return spoilt{err}
		}
	}
	for j, n := range runs {
		j.noted = n.entries()
	}
	return nil
}

// oneByOne is for a database in this process, which needs no way to be asked.
type oneByOne struct{ *core }

func (o oneByOne) marks(ctx context.Context, tx *sql.Tx, tests []string, to map[string]Marks) error {
	for _, test := range tests {
		marks, err := o.marksOf(ctx, tx, test)
		if err != nil && !errors.Is(err, ErrNotFound) {
			return err
		}
		to[test] = marks
	}
	return nil
}

func (o oneByOne) events(ctx context.Context, tx *sql.Tx, rows []placedEvent) error {
	for _, r := range rows {
		if err := o.insert(ctx, tx, r.test, r.eventRow, r.received); err != nil {
			return err
		}
	}
	return nil
}

func (o oneByOne) blocks(ctx context.Context, tx *sql.Tx, rows []placedBlock) ([]bool, error) {
	fresh, st := make([]bool, len(rows)), tx.StmtContext(ctx, o.st.block)
	for i, b := range rows {
		done, err := st.ExecContext(ctx, b.test, int64(b.Seq), int64(b.From), int64(b.To), b.Kind, b.Payload)
		if err != nil {
			return nil, err
		}
		n, err := done.RowsAffected()
		if err != nil {
			return nil, err
		}
		fresh[i] = n == 1
	}
	return fresh, nil
}

func (o oneByOne) entries(ctx context.Context, tx *sql.Tx, lines []trailLine) error {
	st := tx.StmtContext(ctx, o.st.entry)
	for _, l := range lines {
		if _, err := st.ExecContext(ctx, l.seq, l.at, l.topic, l.text, l.hash); err != nil {
			return err
		}
	}
	return nil
}

// atOnce is for PostgreSQL: one question, whose text never changes, for all rows.
type atOnce struct{}

func (atOnce) marks(ctx context.Context, tx *sql.Tx, tests []string, to map[string]Marks) error {
	// It finds the last event of each term by the ends of the index, however long the test is.
	return each(ctx, tx, func(rows *sql.Rows) error {
		var test string
		var id conduct.ID
		err := rows.Scan(&test, &id.Term, &id.N)
		to[test] = append(to[test], id)
		return err
	}, `SELECT t.id, m.term, m.n FROM unnest(?::text[]) AS t(id), LATERAL (
		WITH RECURSIVE m AS (
			(SELECT e.term, e.n FROM events e WHERE e.test = t.id ORDER BY e.term DESC, e.n DESC LIMIT 1)
			UNION ALL
			SELECT b.term, b.n FROM m, LATERAL (SELECT e.term, e.n FROM events e WHERE e.test = t.id AND e.term < m.term ORDER BY e.term DESC, e.n DESC LIMIT 1) b
		) SELECT term, n FROM m) m ORDER BY t.id, m.term`, tests)
}

func (atOnce) events(ctx context.Context, tx *sql.Tx, rows []placedEvent) error {
	n := len(rows)
	tests, kinds, texts := make([]string, n), make([]string, n), make([]string, n)
	terms, ns, ats, received := make([]int64, n), make([]int64, n), make([]int64, n), make([]int64, n)
	for i, r := range rows {
		tests[i], kinds[i], texts[i] = r.test, r.event.Kind.String(), string(r.json)
		terms[i], ns[i], ats[i], received[i] = int64(r.id.Term), int64(r.id.N), int64(r.event.At), r.received
	}
	_, err := tx.ExecContext(ctx, `INSERT INTO events (test, term, n, at_ms, kind, json, received_ms)
		SELECT * FROM unnest(?::text[], ?::bigint[], ?::bigint[], ?::bigint[], ?::text[], ?::text[], ?::bigint[])`, tests, terms, ns, ats, kinds, texts, received)
	return err
}

func (atOnce) blocks(ctx context.Context, tx *sql.Tx, rows []placedBlock) ([]bool, error) {
	n := len(rows)
	tests, kinds, payloads := make([]string, n), make([]string, n), make([][]byte, n)
	seqs, from, to := make([]int64, n), make([]int64, n), make([]int64, n)
	for i, b := range rows {
		tests[i], kinds[i], payloads[i] = b.test, b.Kind, b.Payload
		seqs[i], from[i], to[i] = int64(b.Seq), int64(b.From), int64(b.To)
	}
	type place struct {
		test string
		seq  int64
	}
	added := map[place]bool{}
	err := each(ctx, tx, func(rows *sql.Rows) error {
		var p place
		err := rows.Scan(&p.test, &p.seq)
		added[p] = true
		return err
	}, `INSERT INTO samples (test, seq, from_ms, to_ms, kind, payload)
		SELECT * FROM unnest(?::text[], ?::bigint[], ?::bigint[], ?::bigint[], ?::text[], ?::bytea[]) ON CONFLICT (test, seq) DO NOTHING RETURNING test, seq`,
		tests, seqs, from, to, kinds, payloads)
	if err != nil {
		return nil, err
	}
	fresh := make([]bool, n)
	for i := range rows {
		p := place{tests[i], seqs[i]}
		fresh[i] = added[p]
		delete(added, p) // a second one under the same number is not new
	}
	return fresh, nil
}

func (atOnce) entries(ctx context.Context, tx *sql.Tx, lines []trailLine) error {
	n := len(lines)
	seqs, ats := make([]int64, n), make([]int64, n)
	topics, texts, hashes := make([]string, n), make([]string, n), make([]string, n)
	for i, l := range lines {
		seqs[i], ats[i], topics[i], texts[i], hashes[i] = l.seq, l.at, l.topic, l.text, l.hash
	}
	_, err := tx.ExecContext(ctx, `INSERT INTO audit (seq, at_ms, topic, json, hash) SELECT * FROM unnest(?::bigint[], ?::bigint[], ?::text[], ?::text[], ?::text[])`, seqs, ats, topics, texts, hashes)
	return err
}
