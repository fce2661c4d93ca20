package record

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"math"
	"os"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"
)

// Movable is a record of which everything can be copied into another one.
type Movable interface {
	Store
	still(ctx context.Context) (held, error)
	tables() string
}

// held is a record that nobody else can write meanwhile.
type held interface {
	querier
	fill(ctx context.Context, t *table, next func() ([]any, error)) error // next gives nil after the last row
	exec(ctx context.Context, query string, args ...any) error
	keep(ctx context.Context) error // makes what was written last
	let(ctx context.Context)        // lets go; what was not made to last is undone
}

// Moved says of one table what was copied.
type Moved struct {
	Table  string
	Rows   int64
	Digest string // SHA-256 of its content, hexadecimal; the same in both databases
}

// NotEmptyError says that there is something in the record that another was to be moved to.
type NotEmptyError struct {
	Place, Table string
	Rows         int64
}

func (e *NotEmptyError) Error() string {
	return fmt.Sprintf("record: %s: not empty, %s has %d rows; nothing was changed; name a new directory or an empty database", e.Place, e.Table, e.Rows)
}

// table is a table of the record with its columns in one order for both databases.
type table struct {
	name         string
	columns, key []string
	needs        []string // tables that its rows refer to
}

// Move copies everything of one record into an empty other one and reads both to compare them, all in one transaction:
// whatever happens before its end, the other stays empty, and the first is only read. told is called after each table. While it runs, nobody can write either.
func Move(ctx context.Context, from, to Movable, told func(Moved)) (err error) {
	tables, err := sameTables(ctx, from, to)
	if err != nil {
		return err
	}
	fresh, err := freshCounts(ctx)
	if err != nil {
		return err
	}
	source, err := from.still(ctx)
	if err != nil {
		return err
	}
	defer source.let(ctx)
	target, err := to.still(ctx)
	if err != nil {
		return err
	}
	defer target.let(ctx)
	for _, t := range slices.Backward(tables) {
		if err := empty(ctx, target, t, placeOfStore(to), fresh[t.name]); err != nil {
			return err
		}
	}
	for _, t := range tables {
		moved, err := moveTable(ctx, source, target, t)
		if err != nil {
			return fmt.Errorf("record: table %s: %w", t.name, err)
		}
		told(moved)
	}
	if err := target.exec(ctx, `DELETE FROM touched`); err != nil { // the trail came along, it is not added to
		return err
	}
	return target.keep(ctx)
}

func placeOfStore(s Movable) string {
	switch s := s.(type) {
	case *SQLite:
		return s.place
	case *Postgres:
		return s.place
	}
	return ""
}

// freshCounts is how many rows the tables of a record have that was just made.
func freshCounts(ctx context.Context) (counts map[string]int64, err error) {
	dir, err := os.MkdirTemp("", "gradus-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	s, err := Open(ctx, dir, Options{})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	tables, err := tablesOf(ctx, s, s.reader)
	if err != nil {
		return nil, err
	}
	counts = map[string]int64{}
	for _, t := range tables {
		if counts[t.name], err = count(ctx, s.reader, t); err != nil {
			return nil, err
		}
	}
	return counts, nil
}

func count(ctx context.Context, q querier, t *table) (n int64, err error) {
	err = q.QueryRowContext(ctx, `SELECT count(*) FROM `+quote(t.name)).Scan(&n)
	return n, err
}

// empty refuses a table with more rows than a new record has, and takes those away.
func empty(ctx context.Context, target held, t *table, place string, fresh int64) error {
	n, err := count(ctx, target, t)
	switch {
	case err != nil:
		return err
	case n > fresh:
		return &NotEmptyError{place, t.name, n}
	}
	return target.exec(ctx, `DELETE FROM `+quote(t.name))
}

func moveTable(ctx context.Context, source, target held, t *table) (Moved, error) {
	here := newDigest()
	rows, err := source.QueryContext(ctx, t.all())
	if err != nil {
		return Moved{}, err
	}
	defer rows.Close()
	err = target.fill(ctx, t, func() ([]any, error) {
		if !rows.Next() {
			return nil, rows.Err()
		}
		row, err := scanRow(rows, len(t.columns))
		if err == nil {
			err = here.add(row)
		}
		return row, err
	})
	if err != nil {
		return Moved{}, err
	}
	there := newDigest()
	err = each(ctx, target, func(rows *sql.Rows) error {
		row, err := scanRow(rows, len(t.columns))
		if err != nil {
			return err
		}
		return there.add(row)
	}, t.all())
	switch {
	case err != nil:
		return Moved{}, err
	case here.rows != there.rows || here.sum() != there.sum():
		return Moved{}, fmt.Errorf("%d rows %s were read, %d rows %s are there after writing them; nothing was changed", here.rows, here.sum(), there.rows, there.sum())
	}
	return Moved{Table: t.name, Rows: here.rows, Digest: here.sum()}, nil
}

func (t *table) all() string {
	return `SELECT ` + quoteAll(t.columns) + ` FROM ` + quote(t.name) + ` ORDER BY ` + quoteAll(t.key)
}

func quote(name string) string { return `"` + strings.ReplaceAll(name, `"`, `""`) + `"` }

func quoteAll(names []string) string {
	quoted := make([]string, len(names))
	for i, name := range names {
		quoted[i] = quote(name)
	}
	return strings.Join(quoted, ", ")
}

func scanRow(rows *sql.Rows, columns int) ([]any, error) {
	row, to := make([]any, columns), make([]any, columns)
	for i := range row {
		to[i] = &row[i]
	}
	return row, rows.Scan(to...)
}

// digest sums up rows, each value with its type and its length.
type digest struct {
	rows int64
	hash hash.Hash
	line bytes.Buffer
}

func newDigest() *digest { return &digest{hash: sha256.New()} }

func (d *digest) sum() string { return hex.EncodeToString(d.hash.Sum(nil)) }

func (d *digest) add(row []any) error {
	d.line.Reset()
	put := func(kind byte, content []byte) {
		d.line.WriteByte(kind)
		d.line.Write(binary.AppendUvarint(nil, uint64(len(content))))
		d.line.Write(content)
	}
	for _, v := range row {
		switch v := v.(type) {
		case nil:
			put('-', nil)
		case int64:
			put('i', binary.BigEndian.AppendUint64(nil, uint64(v)))
		case float64:
			put('f', binary.BigEndian.AppendUint64(nil, math.Float64bits(v)))
		case string:
			put('t', []byte(v))
		case []byte:
			put('b', v)
		default:
			return fmt.Errorf("a value of type %T is not known here", v)
		}
	}
	d.rows++
	_, err := d.hash.Write(d.line.Bytes())
	return err
}

// sameTables lists the tables of both records, each after those that it refers to.
func sameTables(ctx context.Context, from, to Movable) ([]*table, error) {
	var lists [2][]*table
	for i, s := range []Movable{from, to} {
		held, err := s.still(ctx)
		if err != nil {
			return nil, err
		}
		lists[i], err = tablesOf(ctx, s, held)
		held.let(ctx)
		if err != nil {
			return nil, err
		}
	}
	text := func(list []*table) (lines []string) {
		for _, t := range list {
			lines = append(lines, t.name+"("+strings.Join(t.columns, ",")+")")
		}
		slices.Sort(lines)
		return lines
	}
	if a, b := text(lists[0]), text(lists[1]); !slices.Equal(a, b) {
		return nil, fmt.Errorf("record: the records have not the same tables: %v and %v; bring both up to date by starting the program once with each", a, b)
	}
	return inOrderOfNeed(lists[1])
}

// tablesOf reads the tables of a record, but for those that say what schema it has.
func tablesOf(ctx context.Context, s Movable, q querier) (list []*table, err error) {
	byName := map[string]*table{}
	err = each(ctx, q, func(rows *sql.Rows) error {
		var name, kind, value string
		if err := rows.Scan(&name, &kind, &value); err != nil {
			return err
		}
		if name == versionTable || name == sumTable || name == "to_complete" || name == "touched" {
			return nil
		}
		t := byName[name]
		if t == nil {
			t = &table{name: name}
			byName[name], list = t, append(list, t)
		}
		switch kind {
		case "column":
			t.columns = append(t.columns, value)
		case "key":
			t.key = append(t.key, value)
		case "needs":
			if value != name && !slices.Contains(t.needs, value) {
				t.needs = append(t.needs, value)
			}
		}
		return nil
	}, s.tables())
	for _, t := range list {
		slices.Sort(t.columns)
		if len(t.key) == 0 {
			t.key = t.columns
		}
	}
	return list, err
}

func inOrderOfNeed(list []*table) (ordered []*table, err error) {
	done := map[string]bool{}
	for len(ordered) < len(list) {
		before := len(ordered)
		for _, t := range list {
			if !done[t.name] && !slices.ContainsFunc(t.needs, func(name string) bool { return !done[name] }) {
				ordered, done[t.name] = append(ordered, t), true
			}
		}
		if len(ordered) == before {
			return nil, errors.New("record: tables refer to each other in a ring")
		}
	}
	return ordered, nil
}

func (s *SQLite) tables() string {
	return `SELECT m.name, 'column', c.name FROM sqlite_schema m, pragma_table_info(m.name) c WHERE m.type = 'table' AND m.name NOT LIKE 'sqlite_%'
		UNION ALL SELECT * FROM (SELECT m.name, 'key', c.name FROM sqlite_schema m, pragma_table_info(m.name) c WHERE m.type = 'table' AND c.pk > 0 ORDER BY m.name, c.pk)
		UNION ALL SELECT m.name, 'needs', f."table" FROM sqlite_schema m, pragma_foreign_key_list(m.name) f WHERE m.type = 'table'`
}

func (s *Postgres) tables() string {
	return `SELECT c.relname::text, 'column', a.attname::text FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum > 0 AND NOT a.attisdropped
			WHERE c.relkind = 'r' AND c.relnamespace = current_schema()::regnamespace
		UNION ALL (SELECT c.relname::text, 'key', a.attname::text FROM pg_class c JOIN pg_index i ON i.indrelid = c.oid AND i.indisprimary
			JOIN LATERAL unnest(i.indkey) WITH ORDINALITY k (num, place) ON true JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum = k.num
			WHERE c.relkind = 'r' AND c.relnamespace = current_schema()::regnamespace ORDER BY c.relname, k.place)
		UNION ALL SELECT c.relname::text, 'needs', r.relname::text FROM pg_constraint f JOIN pg_class c ON c.oid = f.conrelid JOIN pg_class r ON r.oid = f.confrelid
			WHERE f.contype = 'f' AND c.relnamespace = current_schema()::regnamespace`
}

// heldFile holds the write lock of an SQLite file.
type heldFile struct {
	*sql.Tx
	s *SQLite
}

func (s *SQLite) still(ctx context.Context) (held, error) {
	if s.writer == nil {
		return nil, &StorageError{Path: s.place, Kind: ErrReadOnly, Err: errOpenedReadOnly}
	}
	tx, err := s.writer.BeginTx(ctx, nil)
	if err != nil {
		return nil, s.fault(ctx, err)
	}
	return heldFile{tx, s}, nil
}

func (h heldFile) exec(ctx context.Context, query string, args ...any) error {
	_, err := h.ExecContext(ctx, query, args...)
	return h.s.fault(ctx, err)
}

func (h heldFile) fill(ctx context.Context, t *table, next func() ([]any, error)) error {
	// Rows of a table may refer to later ones of it; that is looked at when the transaction ends.
	if err := h.exec(ctx, `PRAGMA defer_foreign_keys = on`); err != nil {
		return err
	}
	insert, err := h.PrepareContext(ctx, `INSERT INTO `+quote(t.name)+` (`+quoteAll(t.columns)+`) VALUES (?`+strings.Repeat(", ?", len(t.columns)-1)+`)`)
	if err != nil {
		return err
	}
	defer insert.Close()
	for {
		row, err := next()
		if err != nil || row == nil {
			return err
		}
		if _, err := insert.ExecContext(ctx, row...); err != nil {
			return h.s.fault(ctx, err)
		}
	}
}

func (h heldFile) keep(ctx context.Context) error { return h.s.fault(ctx, h.Commit()) }
func (h heldFile) let(context.Context)            { _ = h.Rollback() }

// heldDatabase holds the locks of all writers of a database.
type heldDatabase struct {
	*sql.Conn
	db *sql.DB
	s  *Postgres
}

func (s *Postgres) still(ctx context.Context) (_ held, err error) {
	db := s.pool(1, migratePatience, map[string]string{"default_transaction_read_only": "off", "lock_timeout": lockPatience})
	h := heldDatabase{db: db, s: s}
	defer func() {
		if err != nil {
			h.let(ctx)
			err = s.fault(ctx, err)
		}
	}()
	if h.Conn, err = db.Conn(ctx); err != nil {
		return nil, err
	}
	if err := h.exec(ctx, `BEGIN`); err != nil {
		return nil, err
	}
	if err := h.exec(ctx, `SELECT pg_advisory_xact_lock(?)`, writeLock); err != nil {
		return nil, err
	}
	return h, h.exec(ctx, `LOCK TABLE participants, visits, tests, events, samples, kept IN SHARE ROW EXCLUSIVE MODE`)
}

func (h heldDatabase) exec(ctx context.Context, query string, args ...any) error {
	_, err := h.ExecContext(ctx, query, args...)
	return h.s.fault(ctx, err)
}

func (h heldDatabase) fill(ctx context.Context, t *table, next func() ([]any, error)) error {
	err := h.Raw(func(c any) error {
		_, err := c.(numbered).Conn.Conn().CopyFrom(ctx, pgx.Identifier{t.name}, t.columns, pgx.CopyFromFunc(next))
		return err
	})
	if err != nil {
		return h.s.typed(ctx, err)
	}
	var counts bool
	if err := h.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM pg_attribute WHERE attrelid = CAST(? AS TEXT)::regclass AND attname = 'id' AND attidentity <> '')`, quote(t.name)).Scan(&counts); err != nil || !counts {
		return err
	}
	return h.exec(ctx, `SELECT setval(pg_get_serial_sequence(?, 'id'), coalesce(max(id), 1), max(id) IS NOT NULL) FROM `+quote(t.name), quote(t.name))
}

func (h heldDatabase) keep(ctx context.Context) error {
	if err := h.exec(ctx, `COMMIT`); err != nil {
		return err
	}
	return h.exec(ctx, `ANALYZE`)
}

// let ends the transaction, if it has not ended, with its connection.
func (h heldDatabase) let(context.Context) {
	if h.Conn != nil {
		_, _ = h.ExecContext(context.Background(), `ROLLBACK`)
		_ = h.Conn.Close()
	}
	_ = h.db.Close()
}
