package record

import (
	"context"
	"database/sql"
	"errors"
	"io/fs"
	"path/filepath"
)

// OpenDriver opens the record of a directory through another driver.
func OpenDriver(ctx context.Context, driver, dir string) (*SQLite, error) {
	path := filepath.Join(dir, FileName)
	if err := prepareFile(path, false); err != nil {
		return nil, err
	}
	return open(ctx, backend{driver: driver, path: path, want: durable}, Options{})
}

// Encrypting puts the encryption over a file layer.
var Encrypting = encrypting

// OpenUnsynced opens the record with syncing as told, and more pragmas, through a file layer.
func OpenUnsynced(ctx context.Context, dir, vfs string, key []byte, synchronous string, extra ...string) (*SQLite, error) {
	path := filepath.Join(dir, FileName)
	if err := prepareFile(path, false); err != nil {
		return nil, err
	}
	want := settings{durable.journal, synchronous, durable.foreignKeys}
	b, err := backend{driver: "sqlite3", path: path, vfs: vfs, want: want, extra: extra}.keyed(key)
	if err != nil {
		return nil, err
	}
	return open(ctx, b, Options{})
}

// OpenSchema opens the record with other migrations.
func OpenSchema(ctx context.Context, dir string, files fs.FS) (*SQLite, error) {
	path := filepath.Join(dir, FileName)
	if err := prepareFile(path, false); err != nil {
		return nil, err
	}
	own, err := newSchema(files)
	if err != nil {
		return nil, err
	}
	return openSchema(ctx, backend{driver: "sqlite3", path: path, want: durable}, Options{}, own)
}

// Migrated makes a file with other migrations and does not open it as a record.
func Migrated(ctx context.Context, dir string, files fs.FS) error {
	own, err := newSchema(files)
	if err != nil {
		return err
	}
	db, err := sql.Open("sqlite3", "file:"+filepath.Join(dir, FileName))
	if err != nil {
		return err
	}
	return errors.Join(own.apply(ctx, db), db.Close())
}

// Schema is the shipped one.
func Schema() (fs.FS, error) { return fs.Sub(embedded, "schema") }

// Probe replaces what the disk says when it is asked again.
func (s *SQLite) Probe(says func(dir string) error) { s.probe = says }

// KindOf classifies an error; Fill writes what a probe writes.
var (
	KindOf = kindOf
	Fill   = fill
)

// Settle waits for the copying of the log that may be under way, and copies the rest.
func (s *SQLite) Settle() error {
	_, err := s.tidier.db.ExecContext(context.Background(), "PRAGMA wal_checkpoint(PASSIVE)")
	return err
}

// SchemaPostgres is the shipped one for PostgreSQL.
func SchemaPostgres() (fs.FS, error) { return fs.Sub(embedded, "schema/postgres") }

// OpenDatabaseSchema opens the record of a database with other migrations.
func OpenDatabaseSchema(ctx context.Context, address string, files fs.FS) (*Postgres, error) {
	own, err := pgSchema()
	if err != nil {
		return nil, err
	}
	other, err := newSchema(files)
	if err != nil {
		return nil, err
	}
	own.files, own.sums, own.last = other.files, other.sums, other.last
	return openDatabase(ctx, address, Options{}, own)
}

// HoldAll takes the locks of all writes and of a test and keeps them.
func (s *Postgres) HoldAll(ctx context.Context, test string) (release func() error, err error) {
	tx, err := s.writer.BeginTx(ctx, nil)
	if err != nil {
		return nil, err
	}
	return tx.Rollback, errors.Join(s.alone(ctx, tx), s.hold(ctx, tx, []string{test}))
}

// Reader reads as the record does.
func (s *SQLite) Reader() *sql.DB { return s.reader }

// Dir is the data directory.
func (s *SQLite) Dir() string { return filepath.Dir(s.place) }

// Covered reports whether the audit trail covers a table.
func Covered(table string) bool {
	_, ok := coveredTable(table)
	return ok
}
