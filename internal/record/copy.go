package record

import (
	"cmp"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"math"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	"github.com/ncruces/go-sqlite3"
	"github.com/ncruces/go-sqlite3/driver"

	"gradus/internal/audit"
	"gradus/internal/whole"
)

// pagesAtOnce is how many pages a copy takes before it looks whether it is still wanted.
const pagesAtOnce = 2000

// fileBackend is a database file of this program, encrypted unless the key is nil.
func fileBackend(path string, key []byte) (backend, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return backend{}, err
	}
	return backend{driver: "sqlite3", path: path, modeOf: runtime.GOOS != "windows", want: durable}.keyed(key)
}

// Fits reports whether a key opens the record of a data directory; an empty one is opened by any key.
func Fits(dir string, key []byte) (bool, error) {
	if len(key) != KeySize {
		return false, fmt.Errorf("record: a key has %d bytes, not %d", KeySize, len(key))
	}
	path := filepath.Join(dir, FileName)
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return true, nil
	}
	if err != nil {
		return false, fileFault(path, err)
	}
	defer f.Close()
	block := make([]byte, 4096) // what the encryption works on at once; the tweak of the first is its offset, 0
	switch _, err := io.ReadFull(f, block); {
	case errors.Is(err, io.EOF):
		return true, nil
	case errors.Is(err, io.ErrUnexpectedEOF):
		return false, nil
	case err != nil:
		return false, fileFault(path, err)
	}
	return strings.HasPrefix(string(keyring.HBSH(key).Decrypt(block, make([]byte, 8))), magic), nil
}

// Contents says what stands in a database file: the number of rows of each table.
type Contents map[string]int64

// CopyTo writes the record as it stands at this moment into a new file, beside whoever writes, encrypted with a key of its
// own (nil: plain), reads the copy through and returns what is in it.
func (s *SQLite) CopyTo(ctx context.Context, path string, key []byte) (Contents, error) {
	to, err := fileBackend(path, key)
	if err != nil {
		return nil, err
	}
	conn, err := s.reader.Conn(ctx)
	if err != nil {
		return nil, s.fault(ctx, err)
	}
	defer conn.Close()
	if err := copyPages(ctx, conn, to); err != nil {
		return nil, s.fault(ctx, err)
	}
	return Inspect(ctx, path, key)
}

// copyPages copies the database of a connection into a new file, as it stands when the copy begins.
func copyPages(ctx context.Context, conn *sql.Conn, to backend) error {
	removeDatabase(to.path)
	if err := prepareFile(to.path, false); err != nil {
		return err
	}
	return conn.Raw(func(c any) (err error) {
		from := c.(driver.Conn).Raw()
		// One reading transaction around all the steps, so that no writer makes the copy begin anew.
		if err := from.Exec(`BEGIN; SELECT count(*) FROM sqlite_schema`); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, from.Exec(`COMMIT`)) }()
		b, err := from.BackupInit("main", to.dsn(url.Values{}))
		if err != nil {
			return err
		}
		defer func() { err = cmp.Or(err, b.Close()) }()
		for {
			if done, err := b.Step(pagesAtOnce); done || err != nil {
				return err
			}
			if err := ctx.Err(); err != nil {
				return err
			}
		}
	})
}

// removeDatabase removes a database file and what SQLite puts beside it.
func removeDatabase(path string) {
	for _, tail := range []string{"", "-wal", "-shm", "-journal"} {
		_ = os.Remove(path + tail) // what stays is in the way of the next step, which says so
	}
}

// Inspect reads a database file from its first to its last page and returns what is in it. A fault in its structure is
// ErrDamaged, another key ErrKey.
func Inspect(ctx context.Context, path string, key []byte) (Contents, error) {
	in, _, err := inspect(ctx, path, key, false)
	return in, err
}

func inspect(ctx context.Context, path string, key []byte, digest bool) (Contents, []byte, error) {
	b, err := fileBackend(path, key)
	if err != nil {
		return nil, nil, err
	}
	db, err := b.connect(1, "deferred", "query_only(on)")
	if err != nil {
		return nil, nil, err
	}
	defer db.Close()
	s := &SQLite{core: core{place: b.path, reader: db}, probe: probe}
	s.dialect = s.sqlite()
	if err := s.Check(ctx); err != nil {
		if key != nil && codeOf(err) == codeNotADB {
			err = &StorageError{Path: b.path, Kind: ErrKey}
		}
		return nil, nil, err
	}
	in, err := contents(ctx, db)
	if err != nil || !digest {
		return in, nil, s.fault(ctx, err)
	}
	sum, err := digestOf(ctx, db)
	return in, sum, s.fault(ctx, err)
}

// TrailOf returns the end of the audit trail in a database file.
func TrailOf(ctx context.Context, path string, key []byte) (audit.Head, error) {
	b, err := fileBackend(path, key)
	if err != nil {
		return audit.Head{}, err
	}
	db, err := b.connect(1, "deferred", "query_only(on)")
	if err != nil {
		return audit.Head{}, err
	}
	defer db.Close()
	s := &SQLite{core: core{place: b.path, reader: db}, probe: probe}
	s.dialect = s.sqlite()
	return s.Head(ctx)
}

// tables lists the tables of a database; what SQLite keeps for itself is not among them.
func tables(ctx context.Context, q querier) (names []string, err error) {
	rows, err := q.QueryContext(ctx, `SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite\_%' ESCAPE '\' ORDER BY name`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			return nil, err
		}
		names = append(names, name)
	}
	return names, rows.Err()
}

func contents(ctx context.Context, q querier) (Contents, error) {
	names, err := tables(ctx, q)
	if err != nil {
		return nil, err
	}
	in := Contents{}
	for _, name := range names {
		var n int64
		if err := q.QueryRowContext(ctx, `SELECT count(*) FROM `+sqlite3.QuoteIdentifier(name)).Scan(&n); err != nil {
			return nil, err
		}
		in[name] = n
	}
	return in, nil
}

// digestOf is a sum over every value of every row. Two copies of the same pages give the same one.
func digestOf(ctx context.Context, q querier) ([]byte, error) {
	names, err := tables(ctx, q)
	if err != nil {
		return nil, err
	}
	sum := sha256.New()
	for _, name := range names {
		fmt.Fprintf(sum, "table %q\n", name)
		if err := addTable(ctx, q, name, sum); err != nil {
			return nil, err
		}
	}
	return sum.Sum(nil), nil
}

func addTable(ctx context.Context, q querier, name string, sum hash.Hash) error {
	rows, err := q.QueryContext(ctx, `SELECT * FROM `+sqlite3.QuoteIdentifier(name))
	if err != nil {
		return err
	}
	defer rows.Close()
	columns, err := rows.Columns()
	if err != nil {
		return err
	}
	values, into := make([]any, len(columns)), make([]any, len(columns))
	for i := range values {
		into[i] = &values[i]
	}
	for rows.Next() {
		if err := rows.Scan(into...); err != nil {
			return err
		}
		for _, v := range values {
			addValue(sum, v)
		}
	}
	return rows.Err()
}

// addValue adds a value with its kind and length, so that no two rows look alike.
func addValue(sum hash.Hash, v any) {
	number := func(kind byte, bits uint64) { sum.Write(binary.BigEndian.AppendUint64([]byte{kind}, bits)) }
	switch v := v.(type) {
	case nil:
		sum.Write([]byte{0})
	case int64:
		number(1, uint64(v))
	case float64:
		number(2, math.Float64bits(v))
	case string:
		number(3, uint64(len(v)))
		io.WriteString(sum, v)
	case []byte:
		number(4, uint64(len(v)))
		sum.Write(v)
	default:
		text := fmt.Sprint(v)
		number(5, uint64(len(text)))
		io.WriteString(sum, text)
	}
}

// Held is a record that nobody else can open until it is let go, so that its file can be replaced.
type Held struct {
	at    backend
	key   []byte
	db    *sql.DB
	conn  *sql.Conn
	fresh string // the copy that is to take its place
}

// Hold opens an existing record for this program alone. It is ErrBusy while somebody has it open.
func Hold(ctx context.Context, dir string, key []byte) (*Held, error) {
	path, err := filepath.Abs(filepath.Join(dir, FileName))
	if err != nil {
		return nil, err
	}
	if err := prepareFile(path, true); err != nil {
		return nil, err
	}
	b, err := fileBackend(path, key)
	if err != nil {
		return nil, err
	}
	h := &Held{at: b, key: key, fresh: path + ".fresh"}
	if err := h.open(ctx); err != nil {
		if key != nil && codeOf(err) == codeNotADB {
			err = &StorageError{Kind: ErrKey}
		}
		return nil, errors.Join(h.fault(ctx, err), h.Close())
	}
	return h, nil
}

func (h *Held) open(ctx context.Context) (err error) {
	if h.db, err = h.at.connect(1, "exclusive", "busy_timeout(2000)", "locking_mode(exclusive)"); err != nil {
		return err
	}
	if h.conn, err = h.db.Conn(ctx); err != nil {
		return err
	}
	own, err := ownSchema()
	if err != nil {
		return err
	}
	if _, err := own.judge(ctx, h.conn); err != nil {
		return err
	}
	// A plain reading would leave a record that is not in write-ahead mode open to others.
	if _, err := h.conn.ExecContext(ctx, `BEGIN EXCLUSIVE; COMMIT`); err != nil {
		return err
	}
	// All that stands in the log comes into the file; nothing of it must be taken for a part of the new one.
	var busy, log, done int
	if err := h.conn.QueryRowContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`).Scan(&busy, &log, &done); err != nil {
		return err
	}
	if busy != 0 {
		return sqlite3.BUSY
	}
	return nil
}

func (h *Held) fault(ctx context.Context, err error) error {
	s := &SQLite{core: core{place: h.at.path}, probe: probe}
	s.dialect = s.sqlite()
	if known := new(StorageError); errors.As(err, &known) && known.Path == "" {
		known.Path = h.at.path
	}
	return s.fault(ctx, err)
}

// Copy makes a copy under another key (nil: plain), brings it to disk and compares every value of it with the record.
func (h *Held) Copy(ctx context.Context, key []byte) error {
	to, err := fileBackend(h.fresh, key)
	if err != nil {
		return err
	}
	err = h.copy(ctx, to, key)
	if err != nil {
		removeDatabase(h.fresh)
	}
	return h.fault(ctx, err)
}

func (h *Held) copy(ctx context.Context, to backend, key []byte) error {
	if err := copyPages(ctx, h.conn, to); err != nil {
		return err
	}
	want, err := digestOf(ctx, h.conn)
	if err != nil {
		return err
	}
	_, have, err := inspect(ctx, h.fresh, key, true)
	if err != nil {
		return err
	}
	if string(have) != string(want) {
		return errors.New("the copy is not like the record; nothing was changed")
	}
	f, err := os.OpenFile(h.fresh, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close(), whole.SyncDir(filepath.Dir(h.fresh)))
}

// Swap puts the copy into the place of the record. A power cut leaves the one or the other.
func (h *Held) Swap() error {
	if runtime.GOOS == "windows" { // no open file can be replaced there
		if err := h.Close(); err != nil {
			return err
		}
	}
	if err := os.Rename(h.fresh, h.at.path); err != nil {
		return fileFault(h.at.path, err)
	}
	return whole.SyncDir(filepath.Dir(h.at.path))
}

// Close lets the record go.
func (h *Held) Close() error {
	if h.db == nil {
		return nil
	}
	var err error
	if h.conn != nil {
		err = h.conn.Close()
	}
	err = errors.Join(err, h.db.Close())
	h.db, h.conn = nil, nil
	return err
}
