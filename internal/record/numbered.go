package record

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
)

// numbering opens connections to PostgreSQL that take ? for a value, as SQLite does, where PostgreSQL wants $1, $2, …,
// and that give a step up when nothing is heard of the server for a while.
type numbering struct {
	driver.Connector
	patience time.Duration
}

func numberingConnector(config *pgx.ConnConfig, patience time.Duration, check func(context.Context, *pgx.Conn) error) driver.Connector {
	return numbering{stdlib.GetConnector(*config, stdlib.OptionAfterConnect(check)), patience}
}

func (n numbering) Connect(ctx context.Context) (driver.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, n.patience)
	defer cancel()
	c, err := n.Connector.Connect(ctx)
	if err != nil {
		return nil, err
	}
	return numbered{c.(*stdlib.Conn), n.patience}, nil
}

type numbered struct {
	*stdlib.Conn
	patience time.Duration
}

// PrepareContext keeps the query only: the driver prepares what it is asked for, once for each connection.
func (c numbered) PrepareContext(_ context.Context, query string) (driver.Stmt, error) {
	return prepared{c, query}, nil
}

func (c numbered) Prepare(query string) (driver.Stmt, error) { return prepared{c, query}, nil }

func (c numbered) ExecContext(ctx context.Context, query string, args []driver.NamedValue) (driver.Result, error) {
	ctx, cancel := context.WithTimeout(ctx, c.patience)
	defer cancel()
	return c.Conn.ExecContext(ctx, withNumbers(query), args)
}

func (c numbered) QueryContext(ctx context.Context, query string, args []driver.NamedValue) (driver.Rows, error) {
	ctx, cancel := context.WithCancel(ctx)
	silence := time.AfterFunc(c.patience, cancel)
	rows, err := c.Conn.QueryContext(ctx, withNumbers(query), args)
	if err != nil {
		silence.Stop()
		cancel()
		return nil, err
	}
	return &awaited{rows.(*stdlib.Rows), silence, c.patience, cancel}, nil
}

func (c numbered) ResetSession(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, c.patience)
	defer cancel()
	return c.Conn.ResetSession(ctx)
}

func (c numbered) BeginTx(ctx context.Context, opts driver.TxOptions) (driver.Tx, error) {
	own := pgx.TxOptions{}
	if sql.IsolationLevel(opts.Isolation) == sql.LevelRepeatableRead {
		own.IsoLevel = pgx.RepeatableRead
	}
	if opts.ReadOnly {
		own.AccessMode = pgx.ReadOnly
	}
	ctx, cancel := context.WithTimeout(ctx, c.patience)
	defer cancel()
	if c.Conn.Conn().IsClosed() {
		return nil, driver.ErrBadConn
	}
	tx, err := c.Conn.Conn().BeginTx(ctx, own)
	if err != nil {
		return nil, err
	}
	return pgTx{tx, c.patience}, nil
}

type pgTx struct {
	tx       pgx.Tx
	patience time.Duration
}

func (t pgTx) Commit() error   { return t.end(t.tx.Commit) }
func (t pgTx) Rollback() error { return t.end(t.tx.Rollback) }

func (t pgTx) end(how func(context.Context) error) error {
	ctx, cancel := context.WithTimeout(context.Background(), t.patience)
	defer cancel()
	return how(ctx)
}

// awaited gives rows up when the next one does not come.
type awaited struct {
	*stdlib.Rows
	silence  *time.Timer
	patience time.Duration
	cancel   context.CancelFunc
}

func (r *awaited) Next(row []driver.Value) error {
	r.silence.Reset(r.patience)
	return r.Rows.Next(row)
}

func (r *awaited) Close() error {
	r.silence.Stop()
	defer r.cancel()
	return r.Rows.Close()
}

type prepared struct {
	c     numbered
	query string
}

var errOldDriver = errors.New("record: call without a context")

func (p prepared) Close() error                               { return nil }
func (p prepared) NumInput() int                              { return -1 }
func (p prepared) Exec([]driver.Value) (driver.Result, error) { return nil, errOldDriver }
func (p prepared) Query([]driver.Value) (driver.Rows, error)  { return nil, errOldDriver }
func (p prepared) CheckNamedValue(v *driver.NamedValue) error { return p.c.CheckNamedValue(v) }
func (p prepared) ExecContext(ctx context.Context, args []driver.NamedValue) (driver.Result, error) {
	return p.c.ExecContext(ctx, p.query, args)
}

func (p prepared) QueryContext(ctx context.Context, args []driver.NamedValue) (driver.Rows, error) {
	return p.c.QueryContext(ctx, p.query, args)
}

// already holds the queries that have their numbers. The program's own are few; those made to measure, as for a list
// of persons, are not kept.
var already sync.Map

func withNumbers(query string) string {
	if !strings.Contains(query, "?") {
		return query
	}
	if done, ok := already.Load(query); ok {
		return done.(string)
	}
	var b strings.Builder
	n, quoted := 0, false
	for i := range len(query) {
		switch c := query[i]; {
		case c == '\'':
			quoted = !quoted
			b.WriteByte(c)
		case c == '?' && !quoted:
			n++
			b.WriteString("$" + strconv.Itoa(n))
		default:
			b.WriteByte(c)
		}
	}
	if n < 20 {
		already.Store(query, b.String())
	}
	return b.String()
}
