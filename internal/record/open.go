package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"time"

	_ "github.com/ncruces/go-sqlite3/driver" // registers the driver "sqlite3"
)

// FileName is the name of the record in a data directory.
const FileName = "gradus.db"

// readers is how many reads run beside the one writer.
const readers = 4

// Options say how a record is opened; the zero value is for a program that writes.
type Options struct {
	// ReadOnly opens an existing record beside a program that writes, and changes nothing.
	ReadOnly bool
	// VFS names the registered file layer of the driver that the files go through; "" is the system's own.
	VFS string
	// Key, of KeySize bytes, is what the files are encrypted with; nil: they are plain.
	Key []byte
	// Now is the wall clock; nil is time.Now. It stamps what is received and is never subtracted.
	Now func() time.Time
}

// SQLite is a record in one SQLite file. It has one writing connection.
type SQLite struct {
	core
	probe  func(dir string) error // what the disk says to a small file
	tidier *tidier
	before string // the copy that was made before it was brought up to date
}

var _ Store = (*SQLite)(nil)

// sqlite needs no locks: every writing transaction holds the whole file.
func (s *SQLite) sqlite() dialect {
	return dialect{
		end:     trailEnd,
		codeIs:  `code = ?`,
		many:    oneByOne{&s.core},
		samples: 24,
		alone:   func(context.Context, *sql.Tx) error { return nil },
		hold:    func(context.Context, *sql.Tx, []string) error { return nil },
		blame:   s.says,
		wrote:   func(jobs int) { s.tidier.wrote(jobs) },
	}
}

// DefaultDir is where the record lies when nobody names another place: the user's own data directory.
func DefaultDir() (string, error) {
	if dir := os.Getenv("XDG_DATA_HOME"); filepath.IsAbs(dir) {
		return filepath.Join(dir, "gradus"), nil
	}
	if runtime.GOOS == "windows" || runtime.GOOS == "darwin" {
		dir, err := os.UserConfigDir()
		return filepath.Join(dir, "gradus"), err
	}
	home, err := os.UserHomeDir()
	return filepath.Join(home, ".local", "share", "gradus"), err
}

// Open opens the record in a data directory, and makes both when they are missing and it may write. The
// directory and the file are for this user alone. It refuses a file that a newer version wrote, that is no record
// or that is damaged before it touches it, and a database that does not keep the settings of a durable commit.
func Open(ctx context.Context, dir string, o Options) (*SQLite, error) {
	path, err := filepath.Abs(filepath.Join(dir, FileName))
	if err != nil {
		return nil, err
	}
	if err := prepareFile(path, o.ReadOnly); err != nil {
		return nil, err
	}
	b := backend{driver: "sqlite3", path: path, vfs: o.VFS, modeOf: runtime.GOOS != "windows", want: durable}
	if b, err = b.keyed(o.Key); err != nil {
		return nil, err
	}
	return open(ctx, b, o)
}

// prepareFile sees to an empty file for this user alone, so that no moment of the record is open to others.
func prepareFile(path string, readOnly bool) error {
	if readOnly {
		if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
			return &StorageError{Path: path, Kind: ErrMissing}
		} else if err != nil {
			return fileFault(path, err)
		}
		return nil
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return fileFault(path, err)
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return fileFault(path, err)
	}
	return f.Close()
}

func fileFault(path string, err error) error {
	kind := kindOf(err)
	if kind == nil {
		kind = ErrReadOnly
	}
	return &StorageError{Path: path, Kind: kind, Err: err}
}

// backend is a driver with the file it opens and the settings it must keep.
type backend struct {
	driver, path, vfs string
	modeOf            bool // give the files beside the database its permissions
	want              settings
	extra             []string // more pragmas
	word              string   // of the key in the keyring; "": not encrypted
}

// keyed is the backend with its files encrypted, unless the key is nil.
func (b backend) keyed(key []byte) (_ backend, err error) {
	if key == nil {
		return b, nil
	}
	if b.vfs == "" {
		b.vfs = encryptedVFS
	}
	b.word, err = keyring.word(key)
	return b, err
}

// settings are the pragmas that make a commit durable.
type settings struct{ journal, synchronous, foreignKeys string }

// durable is what the record needs: in write-ahead mode only FULL (2) syncs at every commit.
var durable = settings{"wal", "2", "1"}

// dsn is the address of the file for the driver; query holds what is particular to one use of it.
func (b backend) dsn(query url.Values, pragmas ...string) string {
	for _, p := range append(append([]string{"busy_timeout(10000)"}, pragmas...), b.extra...) {
		query.Add("_pragma", p)
	}
	if b.vfs != "" {
		query.Set("vfs", b.vfs)
	}
	if b.word != "" {
		query.Set("textkey", b.word)
	}
	if b.modeOf {
		query.Set("modeof", b.path)
	}
	return (&url.URL{Scheme: "file", OmitHost: true, Path: filepath.ToSlash(b.path), RawQuery: query.Encode()}).String()
}

func open(ctx context.Context, b backend, o Options) (*SQLite, error) {
	own, err := ownSchema()
	if err != nil {
		return nil, err
	}
	return openSchema(ctx, b, o, own)
}

func openSchema(ctx context.Context, b backend, o Options, own schema) (_ *SQLite, err error) {
	s := &SQLite{core: core{place: b.path, now: o.Now}, probe: probe}
	s.dialect = s.sqlite()
	if s.now == nil {
		s.now = time.Now
	}
	defer func() {
		if err != nil {
			s.Close()
		}
	}()
	done, err := s.look(ctx, b, own)
	if err != nil {
		return nil, s.fault(ctx, err)
	}
	if o.ReadOnly {
		if !done {
			return nil, &StorageError{Path: b.path, Kind: ErrMissing, Err: errors.New("its schema is not complete; start the program once with it")}
		}
		s.reader, err = b.connect(readers, "deferred", "query_only(on)")
		return s, s.fault(ctx, err)
	}
	// Two programs that make the same record at the same moment are in each other's way, and SQLite does not wait
	// where it would be a deadlock.
	for try := 0; ; try++ {
		err := s.connect(ctx, b, own, done)
		if err == nil {
			return s, nil
		}
		if codeOf(err) != codeBusy || try == 100 {
			return nil, s.fault(ctx, err)
		}
		s.Close()
		if err := pause(ctx, 20*time.Millisecond); err != nil {
			return nil, s.fault(ctx, err)
		}
	}
}

func pause(ctx context.Context, d time.Duration) error {
	select {
	case <-time.After(d):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// look judges the file through a connection that cannot write. Where a crash has left work to be undone or redone
// first, SQLite must be let do that; it changes nothing that was ever committed.
func (s *SQLite) look(ctx context.Context, b backend, own schema) (done bool, err error) {
	info, err := os.Stat(b.path)
	if err != nil || info.Size() == 0 {
		return false, nil
	}
	for _, mode := range []string{"ro", "rw"} {
		if done, err = b.judge(ctx, own, mode); codeOf(err) != codeReadOnly {
			break
		}
	}
	if b.word != "" && codeOf(err) == codeNotADB {
		err = &StorageError{Kind: ErrKey}
	}
	var known *StorageError
	if errors.As(err, &known) {
		known.Path = b.path
	}
	return done, err
}

func (b backend) judge(ctx context.Context, own schema, mode string) (bool, error) {
	db, err := sql.Open(b.driver, b.dsn(url.Values{"mode": {mode}}))
	if err != nil {
		return false, err
	}
	defer db.Close()
	return own.judge(ctx, db)
}

func (s *SQLite) connect(ctx context.Context, b backend, own schema, done bool) (err error) {
	if !done {
		if err := b.writeAhead(ctx); err != nil {
			return err
		}
	}
	keep := []string{"journal_mode(" + b.want.journal + ")", "synchronous(" + b.want.synchronous + ")", "foreign_keys(" + b.want.foreignKeys + ")", "wal_autocheckpoint(" + logPages + ")", "secure_delete(on)"}
	if s.writer, err = b.connect(1, "immediate", keep...); err != nil {
		return err
	}
	if err := s.settings(ctx, b.want); err != nil {
		return err
	}
	if !done {
		if err := s.keepBefore(ctx, b, own); err != nil {
			return err
		}
		if err := s.migrate(ctx, own); err != nil {
			return err
		}
	}
	if s.reader, err = b.connect(readers, "deferred", "query_only(on)"); err != nil {
		return err
	}
	beside, err := b.connect(1, "deferred", keep...)
	if err != nil {
		return err
	}
	s.tidier = newTidier(beside)
	if err := s.st.prepare(ctx, s.writer, s.end); err != nil {
		return err
	}
	if err := s.complete(ctx); err != nil {
		return err
	}
	s.warm()
	return nil
}

// writeAhead sets a new file to write-ahead mode. That removes a rollback journal, and EXTRA makes the removal
// durable: a journal that came back after a power cut would undo everything written since.
func (b backend) writeAhead(ctx context.Context) error {
	db, err := b.connect(1, "immediate")
	if err != nil {
		return err
	}
	defer db.Close()
	if _, err := db.ExecContext(ctx, "PRAGMA synchronous = EXTRA"); err != nil {
		return err
	}
	var mode string
	return db.QueryRowContext(ctx, "PRAGMA journal_mode = WAL").Scan(&mode)
}

func (b backend) connect(connections int, lock string, pragmas ...string) (*sql.DB, error) {
	db, err := sql.Open(b.driver, b.dsn(url.Values{"_txlock": {lock}}, pragmas...))
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(connections)
	db.SetMaxIdleConns(connections)
	return db, nil
}

// settings reads the pragmas back: a network drive or a foreign setting may have kept the database from them.
func (s *SQLite) settings(ctx context.Context, want settings) error {
	var have settings
	for _, p := range []struct {
		name       string
		have, want *string
	}{
		{"journal_mode", &have.journal, &want.journal},
		{"synchronous", &have.synchronous, &want.synchronous},
		{"foreign_keys", &have.foreignKeys, &want.foreignKeys},
	} {
		if err := s.writer.QueryRowContext(ctx, "PRAGMA "+p.name).Scan(p.have); err != nil {
			return err
		}
		if *p.have != *p.want {
			return &StorageError{Path: s.place, Kind: ErrSettings, Err: fmt.Errorf("%s is %s, not %s", p.name, *p.have, *p.want)}
		}
	}
	return nil
}

// migrate brings the schema up to date. Another program may do the same at this moment: then what it has done
// counts, and the rest is tried again as long as somebody gets on.
func (s *SQLite) migrate(ctx context.Context, own schema) error {
	for {
		before := own.ran(ctx, s.writer)
		failed := own.apply(ctx, s.writer)
		if failed == nil {
			return nil
		}
		if done, err := own.judge(ctx, s.writer); err == nil && done {
			return nil
		}
		if own.ran(ctx, s.writer) == before {
			return failed
		}
	}
}

// Close lets go of the file.
func (s *SQLite) Close() error {
	if s.cool != nil {
		s.cool()
	}
	s.st.close()
	var errs []error
	if s.tidier != nil {
		errs = append(errs, s.tidier.close())
	}
	for _, db := range []*sql.DB{s.reader, s.writer} {
		if db != nil {
			errs = append(errs, db.Close())
		}
	}
	return errors.Join(errs...)
}

// Check reads the whole file: its structure, its references, and that no term has a gap.
func (s *SQLite) Check(ctx context.Context) error {
	return s.check(ctx, `PRAGMA integrity_check(20)`, `SELECT 'a row of ' || "table" || ' refers to nothing' FROM pragma_foreign_key_check`)
}

// check tells of every row that the queries find, and of gaps.
func (s *core) check(ctx context.Context, queries ...string) error {
	gaps := `SELECT 'test ' || test || ' has ' || count(*) || ' events in term ' || term || ', the last is ' || max(n) FROM events GROUP BY test, term HAVING count(*) <> max(n)`
	for _, query := range append(queries, gaps) {
		var faults []error
		err := each(ctx, s.reader, func(rows *sql.Rows) error {
			var text string
			if err := rows.Scan(&text); err != nil || text == "ok" {
				return err
			}
			faults = append(faults, errors.New(text))
			return nil
		}, query)
		if err != nil {
			return s.fault(ctx, err)
		}
		if len(faults) > 0 {
			return &StorageError{Path: s.place, Kind: ErrDamaged, Err: errors.Join(faults...)}
		}
	}
	return nil
}
