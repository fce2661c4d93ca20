package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/ncruces/go-sqlite3"
	"github.com/ncruces/go-sqlite3/driver"
)

// Salvaged says what became of the rows of a table.
type Salvaged struct {
	Table   string
	Saved   int
	Dropped int  // read, but of something that is lost: events after a gap, rows of a lost test
	Lost    bool // part of it could not be read; how much nobody can know
}

// mostReads is how often a damaged table is asked before the rest is given up.
const mostReads = 20_000

// Salvage saves what can be read of a damaged record into a new one, and says what is lost. The damaged directory is not
// touched: a copy of its files is read, in the new directory and encrypted as they are. A person that is lost while a test or
// a visit of that person was saved comes back with a code that says so.
func Salvage(ctx context.Context, from string, key []byte, to string, newKey []byte) (found []Salvaged, err error) {
	hurt := filepath.Join(to, "damaged")
	if err := os.MkdirAll(hurt, 0o700); err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(hurt)) }()
	for _, tail := range []string{"", "-wal"} {
		if err := copyFile(filepath.Join(from, FileName+tail), filepath.Join(hurt, FileName+tail)); err != nil && (tail == "" || !errors.Is(err, os.ErrNotExist)) {
			return nil, err
		}
	}
	into, err := Open(ctx, to, Options{Key: newKey})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, into.Close()) }()
	b, err := fileBackend(filepath.Join(hurt, FileName), key)
	if err != nil {
		return nil, err
	}
	// A log that cannot be read back must not keep the file itself from being read.
	db, err := b.connect(1, "deferred", "query_only(on)")
	if err != nil {
		return nil, err
	}
	defer db.Close()
	var n int
	if err := db.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_schema`).Scan(&n); err != nil {
		if key != nil && codeOf(err) == codeNotADB {
			err = fmt.Errorf("its beginning is damaged or the key is another one: %w", err)
		}
		return nil, &StorageError{Path: filepath.Join(from, FileName), Kind: ErrDamaged, Err: err}
	}
	sv := &salvage{from: db}
	return sv.run(ctx, into)
}

// triggers turns them on or off: what is saved was entered before, and is no new entry.
func triggers(conn *sql.Conn, on bool) error {
	return conn.Raw(func(c any) error {
		_, err := c.(driver.Conn).Raw().Config(sqlite3.DBCONFIG_ENABLE_TRIGGER, on)
		return err
	})
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}

type salvage struct {
	from  querier
	conn  *sql.Conn // writes, with references not enforced
	reads int
}

// column is one of a table; place is its place in the primary key, from 1.
type column struct {
	name  string
	place int
}

func (s *salvage) run(ctx context.Context, into *SQLite) (found []Salvaged, err error) {
	if s.conn, err = into.writer.Conn(ctx); err != nil {
		return nil, err
	}
	defer s.conn.Close()
	if _, err := s.conn.ExecContext(ctx, `PRAGMA foreign_keys = off`); err != nil {
		return nil, err
	}
	if err := triggers(s.conn, false); err != nil {
		return nil, err
	}
	defer func() {
		_, on := s.conn.ExecContext(ctx, `PRAGMA foreign_keys = on`)
		err = errors.Join(err, on, triggers(s.conn, true))
	}()
	names, err := tables(ctx, s.conn)
	if err != nil {
		return nil, err
	}
	for _, name := range names {
		if name == versionTable || name == sumTable || name == "touched" { // what a transaction has touched is gone with it
			continue
		}
		s.reads = mostReads
		one, err := s.table(ctx, name)
		if err != nil {
			return nil, err
		}
		found = append(found, one)
	}
	return found, s.mend(ctx, found)
}

// table copies what can be read of a table, in one transaction.
func (s *salvage) table(ctx context.Context, name string) (Salvaged, error) {
	one := Salvaged{Table: name}
	columns, err := columnsOf(ctx, s.conn, name)
	if err != nil {
		return one, err
	}
	have, err := columnsOf(ctx, s.from, name)
	if err != nil || len(have) == 0 { // of an older schema, or the schema itself is damaged
		one.Lost = err != nil
		return one, nil
	}
	columns = slices.DeleteFunc(columns, func(c column) bool {
		return !slices.ContainsFunc(have, func(h column) bool { return h.name == c.name })
	})
	var quoted, marks []string
	for _, c := range columns {
		quoted, marks = append(quoted, sqlite3.QuoteIdentifier(c.name)), append(marks, "?")
	}
	// What a new record begins with comes back where the damaged one has lost it.
	var seeds [][]any
	seed := &reader{s: &salvage{from: s.conn, conn: s.conn, reads: 1}, name: name, columns: columns, quoted: quoted, put: func(row []any) error { seeds = append(seeds, row); return nil }}
	if _, _, err := seed.read(ctx, "", nil, ""); err != nil {
		return one, err
	}
	if _, err := s.conn.ExecContext(ctx, `BEGIN IMMEDIATE; DELETE FROM `+sqlite3.QuoteIdentifier(name)); err != nil {
		return one, err
	}
	insert, err := s.conn.PrepareContext(ctx, `INSERT OR IGNORE INTO `+sqlite3.QuoteIdentifier(name)+` (`+strings.Join(quoted, ", ")+`) VALUES (`+strings.Join(marks, ", ")+`)`)
	if err != nil {
		return one, err
	}
	defer insert.Close()
	r := &reader{s: s, name: name, columns: columns, quoted: quoted, put: func(row []any) error {
		result, err := insert.ExecContext(ctx, row...)
		if err != nil { // no row that this table may hold: what was read is rubbish
			one.Lost = true
			return nil //nolint:nilerr // it is told
		}
		n, err := result.RowsAffected()
		one.Saved += int(n)
		return err
	}}
	if err := r.all(ctx); err != nil {
		_, back := s.conn.ExecContext(ctx, `ROLLBACK`)
		return one, errors.Join(err, back)
	}
	one.Lost = one.Lost || r.lost
	for _, row := range seeds {
		if _, err := insert.ExecContext(ctx, row...); err != nil {
			return one, err
		}
	}
	_, err = s.conn.ExecContext(ctx, `COMMIT`)
	return one, err
}

func columnsOf(ctx context.Context, q querier, table string) (all []column, err error) {
	rows, err := q.QueryContext(ctx, `SELECT name, pk FROM pragma_table_info(?)`, table)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var c column
		if err := rows.Scan(&c.name, &c.place); err != nil {
			return nil, err
		}
		all = append(all, c)
	}
	return all, rows.Err()
}

// reader reads the rows of a damaged table: from both ends up to where it breaks, then what lies between.
type reader struct {
	s       *salvage
	name    string
	columns []column
	quoted  []string
	put     func([]any) error
	lost    bool
}

// keys are the columns that the rows are sorted by.
func (r *reader) keys(ctx context.Context) (names []string, err error) {
	var without int
	if err := r.s.conn.QueryRowContext(ctx, `SELECT wr FROM pragma_table_list WHERE name = ?`, r.name).Scan(&without); err != nil || without == 0 {
		return []string{"rowid"}, err
	}
	for place := 1; ; place++ {
		i := slices.IndexFunc(r.columns, func(c column) bool { return c.place == place })
		if i < 0 {
			return names, nil
		}
		names = append(names, sqlite3.QuoteIdentifier(r.columns[i].name))
	}
}

// mostTerms is how many terms of one test are looked through where its events are damaged.
const mostTerms = 8

func (r *reader) all(ctx context.Context) error {
	keys, err := r.keys(ctx)
	if err != nil {
		return err
	}
	if len(keys) == 1 {
		return r.between(ctx, "", nil, keys[0])
	}
	if _, whole, err := r.read(ctx, " ORDER BY "+strings.Join(keys, ", "), nil, ""); whole || err != nil {
		return err
	}
	// A key of several columns: what belongs together is read for each of its owners.
	r.lost = true
	owners, err := r.owners(ctx, keys[0])
	if err != nil {
		return err
	}
	for _, owner := range owners {
		where, args := " WHERE "+keys[0]+" = ?", []any{owner}
		if len(keys) == 2 {
			if err := r.between(ctx, where, args, keys[1]); err != nil {
				return err
			}
			continue
		}
		for middle := range int64(mostTerms) {
			if err := r.between(ctx, where+" AND "+keys[1]+" = ?", append(slices.Clone(args), middle), keys[2]); err != nil {
				return err
			}
		}
	}
	return nil
}

// owners are the values that the first column of a key may have: the keys of what it refers to.
func (r *reader) owners(ctx context.Context, key string) (all []any, err error) {
	rows, err := r.s.conn.QueryContext(ctx, `SELECT "table", coalesce("to", 'id') FROM pragma_foreign_key_list(?) WHERE '"' || "from" || '"' = ?`, r.name, key)
	if err != nil {
		return nil, err
	}
	var parent, column string
	for rows.Next() {
		err = errors.Join(err, rows.Scan(&parent, &column))
	}
	if err = errors.Join(err, rows.Err(), rows.Close()); err != nil || parent == "" {
		return nil, err
	}
	// Of the damaged record and of the new one: either may know more.
	seen := map[any]bool{}
	for _, q := range []querier{r.s.from, r.s.conn} {
		rows, err := q.QueryContext(ctx, `SELECT `+sqlite3.QuoteIdentifier(column)+` FROM `+sqlite3.QuoteIdentifier(parent))
		if err != nil {
			continue
		}
		for rows.Next() {
			var v any
			if rows.Scan(&v) == nil && !seen[v] {
				seen[v], all = true, append(all, v)
			}
		}
		rows.Close()
	}
	return all, nil
}

// read puts the rows of a query until its end or its first fault, and returns the key of the last one.
func (r *reader) read(ctx context.Context, tail string, args []any, key string) (last int64, whole bool, err error) {
	if r.s.reads--; r.s.reads < 0 {
		r.lost = true
		return 0, true, ctx.Err()
	}
	first := "0"
	if key != "" {
		first = key
	}
	rows, err := r.s.from.QueryContext(ctx, `SELECT `+first+`, `+strings.Join(r.quoted, ", ")+` FROM `+sqlite3.QuoteIdentifier(r.name)+` NOT INDEXED`+tail, args...)
	if err != nil {
		return 0, false, ctx.Err()
	}
	defer rows.Close()
	for rows.Next() {
		var at any
		row, into := make([]any, len(r.columns)), []any{&at}
		for i := range row {
			into = append(into, &row[i])
		}
		if rows.Scan(into...) != nil {
			return last, false, ctx.Err()
		}
		number, ok := at.(int64)
		if last = number; !ok {
			last = notNumbered
		}
		if err := r.put(row); err != nil {
			return last, false, err
		}
	}
	return last, rows.Err() == nil, ctx.Err()
}

// notNumbered is in the place of a key that is no number: what lies between cannot be looked for.
const notNumbered = -1

// blind is how far numbers are looked through where no row could be read from either end.
const blind = 64

// between reads rows from both ends up to where it breaks, then what lies between, by halves. The key is a number.
func (r *reader) between(ctx context.Context, where string, args []any, key string) error {
	low, whole, err := r.read(ctx, where+" ORDER BY "+key, args, key)
	if whole || err != nil {
		return err
	}
	r.lost = true
	high, _, err := r.read(ctx, where+" ORDER BY "+key+" DESC", args, key)
	if err != nil {
		return err
	}
	if low == notNumbered || high == notNumbered {
		return nil
	}
	if high == 0 {
		high = low + blind
	}
	and := " WHERE "
	if where != "" {
		and = where + " AND "
	}
	return r.halve(ctx, and+key+" BETWEEN ? AND ?", args, key, low+1, high-1)
}

func (r *reader) halve(ctx context.Context, where string, args []any, key string, low, high int64) error {
	if low > high || r.s.reads <= 0 {
		return ctx.Err()
	}
	_, whole, err := r.read(ctx, where+` ORDER BY `+key, append(slices.Clone(args), low, high), key)
	if err != nil || whole || low == high {
		return err
	}
	middle := low + (high-low)/2
	if err := r.halve(ctx, where, args, key, low, middle); err != nil {
		return err
	}
	return r.halve(ctx, where, args, key, middle+1, high)
}

// mend makes the new record whole in itself: lost people get a stand-in, rows of what is lost and events after a gap are
// dropped, and counted.
func (s *salvage) mend(ctx context.Context, found []Salvaged) error {
	const owed = `SELECT participant FROM tests UNION SELECT participant FROM visits UNION SELECT participant FROM identifiers UNION SELECT from_id FROM merges UNION SELECT into_id FROM merges
		UNION SELECT from_id FROM reassignments UNION SELECT to_id FROM reassignments UNION SELECT merged_into FROM participants UNION SELECT kept FROM participants`
	if _, err := s.conn.ExecContext(ctx, `INSERT INTO participants (id, code, name, birth_date, sex, note, created_ms, changed)
		SELECT participant, 'lost-' || participant, '', '', '', 'The record was damaged; who this is was lost.', 0, (SELECT coalesce(max(changed), 0) FROM participants) + row_number() OVER ()
		FROM (`+owed+`) WHERE participant IS NOT NULL AND participant NOT IN (SELECT id FROM participants)`); err != nil {
		return err
	}
	drop := func(table, where string) error {
		result, err := s.conn.ExecContext(ctx, `DELETE FROM `+sqlite3.QuoteIdentifier(table)+` WHERE `+where)
		if err != nil {
			return err
		}
		n, err := result.RowsAffected()
		for i := range found {
			if found[i].Table == table {
				found[i].Saved -= int(n)
				found[i].Dropped += int(n)
			}
		}
		return err
	}
	// Events that follow a gap: the first number that is missing ends the term.
	if err := drop("events", `n > (SELECT min(k) FROM (SELECT e.n + 1 AS k FROM events e WHERE e.test = events.test AND e.term = events.term
		AND NOT EXISTS (SELECT 1 FROM events f WHERE f.test = e.test AND f.term = e.term AND f.n = e.n + 1)
		UNION SELECT 1 WHERE NOT EXISTS (SELECT 1 FROM events g WHERE g.test = events.test AND g.term = events.term AND g.n = 1)))`); err != nil {
		return err
	}
	for range 10 { // what refers to a dropped row goes as well
		again := false
		rows, err := s.conn.QueryContext(ctx, `SELECT "table", rowid FROM pragma_foreign_key_check`)
		if err != nil {
			return err
		}
		hurt := map[string]bool{}
		for rows.Next() {
			var table string
			var row sql.NullInt64
			if err := rows.Scan(&table, &row); err != nil {
				return errors.Join(err, rows.Close())
			}
			hurt[table] = true
		}
		if err := errors.Join(rows.Err(), rows.Close()); err != nil {
			return err
		}
		for table := range hurt {
			again = true
			where, err := s.orphan(ctx, table)
			if err != nil {
				return err
			}
			if err := drop(table, where); err != nil {
				return err
			}
		}
		if !again {
			return nil
		}
	}
	return errors.New("what was saved does not hold together")
}

// orphan is the condition that a row refers to something that is not there.
func (s *salvage) orphan(ctx context.Context, table string) (string, error) {
	rows, err := s.conn.QueryContext(ctx, `SELECT id, "table", "from", coalesce("to", 'id') FROM pragma_foreign_key_list(?) ORDER BY id, seq`, table)
	if err != nil {
		return "", err
	}
	defer rows.Close()
	type reference struct {
		parent   string
		from, to []string
	}
	all := map[int]*reference{}
	for rows.Next() {
		var id int
		var parent, from, to string
		if err := rows.Scan(&id, &parent, &from, &to); err != nil {
			return "", err
		}
		if all[id] == nil {
			all[id] = &reference{parent: parent}
		}
		all[id].from, all[id].to = append(all[id].from, from), append(all[id].to, to)
	}
	var conditions []string
	own := sqlite3.QuoteIdentifier(table)
	for _, r := range all {
		var given, same []string
		for i := range r.from {
			from := own + "." + sqlite3.QuoteIdentifier(r.from[i])
			given = append(given, from+" IS NOT NULL")
			same = append(same, "p."+sqlite3.QuoteIdentifier(r.to[i])+" = "+from)
		}
		conditions = append(conditions, "("+strings.Join(given, " AND ")+" AND NOT EXISTS (SELECT 1 FROM "+sqlite3.QuoteIdentifier(r.parent)+" p WHERE "+strings.Join(same, " AND ")+"))")
	}
	return strings.Join(conditions, " OR "), rows.Err()
}
