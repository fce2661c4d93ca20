package record

import (
	"context"
	"database/sql"
	"time"
)

// statements are the ones that run at every reading of every test.
type statements struct {
	top, below, event, insert, sample, block, end, entry *sql.Stmt
}

func (st *statements) prepare(ctx context.Context, db *sql.DB, end string) error {
	for _, s := range []struct {
		to    **sql.Stmt
		query string
	}{
		{&st.top, `SELECT term, n FROM events WHERE test = ? ORDER BY term DESC, n DESC LIMIT 1`},
		{&st.below, `SELECT term, n FROM events WHERE test = ? AND term < ? ORDER BY term DESC, n DESC LIMIT 1`},
		{&st.event, `SELECT json FROM events WHERE test = ? AND term = ? AND n = ?`},
		{&st.insert, `INSERT INTO events (test, term, n, at_ms, kind, json, received_ms) VALUES (?, ?, ?, ?, ?, ?, ?)`},
		{&st.sample, `SELECT from_ms, to_ms, kind, payload FROM samples WHERE test = ? AND seq = ?`},
		{&st.block, `INSERT INTO samples (test, seq, from_ms, to_ms, kind, payload) VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (test, seq) DO NOTHING`},
		{&st.end, end},
		{&st.entry, insertEntry},
	} {
		var err error
		if *s.to, err = db.PrepareContext(ctx, s.query); err != nil {
			return err
		}
	}
	return nil
}

func (st *statements) close() {
	for _, s := range []*sql.Stmt{st.top, st.below, st.event, st.insert, st.sample, st.block, st.end, st.entry} {
		if s != nil {
			s.Close()
		}
	}
}

// write runs do in one transaction, adds what it changed to the audit trail, and returns when both are on the disk.
func (s *core) write(ctx context.Context, do func(tx *sql.Tx) error) error {
	if s.writer == nil {
		return &StorageError{Path: s.place, Server: s.server, Kind: ErrReadOnly, Err: errOpenedReadOnly}
	}
	tx, err := s.writer.BeginTx(ctx, nil)
	if err != nil {
		return s.fault(ctx, err)
	}
	defer tx.Rollback()
	if err := s.alone(ctx, tx); err != nil {
		return s.fault(ctx, err)
	}
	if err := forgetTouched(ctx, tx); err != nil {
		return s.fault(ctx, err)
	}
	if err := do(tx); err != nil {
		return s.typed(ctx, err)
	}
	if err := s.seal(ctx, tx); err != nil {
		return s.fault(ctx, err)
	}
	return s.fault(ctx, tx.Commit())
}

// read runs do in one transaction that sees one state of the record.
func (s *core) read(ctx context.Context, do func(tx *sql.Tx) error) error {
	tx, err := s.reader.BeginTx(ctx, s.snapshot)
	if err != nil {
		return s.fault(ctx, err)
	}
	defer tx.Rollback()
	return s.typed(ctx, do(tx))
}

// each calls row for every row of a query.
func each(ctx context.Context, q querier, row func(*sql.Rows) error, query string, args ...any) error {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := row(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

// ms is a wall time as it is stored.
func ms(t time.Time) int64 { return t.UnixMilli() }

func fromMs(ms int64) time.Time { return time.UnixMilli(ms).UTC() }

// stamp is the present moment as it will be read back.
func (s *core) stamp() time.Time { return fromMs(ms(s.now())) }

// noneIf0 stores the number of nobody as NULL.
func noneIf0(id int64) any {
	if id == 0 {
		return nil
	}
	return id
}
