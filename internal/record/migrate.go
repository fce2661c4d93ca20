package record

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"path"
	"strconv"
	"strings"

	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/database"
)

//go:embed schema/*.sql schema/postgres/*.sql
var embedded embed.FS

// versionTable holds which migrations ran, sumTable the checksum of each.
const (
	versionTable = "schema_version"
	sumTable     = "schema_sum"
)

// schema is the list of migrations a record must have.
type schema struct {
	files   fs.FS
	sums    map[int64]string
	last    int64
	dialect database.Dialect
	tables  string // counts the tables of a database, and those of versionTable and sumTable
}

func ownSchema() (schema, error) {
	files, err := fs.Sub(embedded, "schema")
	if err != nil {
		return schema{}, err
	}
	return newSchema(files)
}

const sqliteTables = `SELECT count(*), count(*) FILTER (WHERE name IN ('` + versionTable + `', '` + sumTable + `')) FROM sqlite_schema WHERE type = 'table'`

func newSchema(files fs.FS) (schema, error) {
	s := schema{files: files, sums: make(map[int64]string), dialect: database.DialectSQLite3, tables: sqliteTables}
	names, err := fs.Glob(files, "*.sql")
	if err != nil {
		return s, err
	}
	for _, name := range names {
		number, _, _ := strings.Cut(path.Base(name), "_")
		version, err := strconv.ParseInt(number, 10, 64)
		if err != nil {
			return s, fmt.Errorf("record: migration %s: its name begins with no number", name)
		}
		text, err := fs.ReadFile(files, name)
		if err != nil {
			return s, err
		}
		sum := sha256.Sum256(text)
		s.sums[version], s.last = hex.EncodeToString(sum[:]), max(s.last, version)
	}
	return s, nil
}

// querier is a connection or a transaction.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// judge compares the migrations that ran in a database with these, changing nothing. done says that none is
// missing. An error is a StorageError (ErrForeign, ErrNewer, ErrEdited) without its path, or one of the database.
func (s schema) judge(ctx context.Context, q querier) (done bool, err error) {
	var tables, known int
	err = q.QueryRowContext(ctx, s.tables).Scan(&tables, &known)
	switch {
	case err != nil:
		return false, err
	case tables == 0:
		return false, nil
	case known != 2:
		return false, &StorageError{Kind: ErrForeign}
	}
	rows, err := q.QueryContext(ctx, `SELECT v.version_id, coalesce(s.sum, '') FROM `+versionTable+` v LEFT JOIN `+sumTable+` s ON s.version = v.version_id WHERE v.version_id > 0`)
	if err != nil {
		return false, err
	}
	defer rows.Close()
	edited, ran := false, 0
	for rows.Next() {
		var version int64
		var sum string
		if err := rows.Scan(&version, &sum); err != nil {
			return false, err
		}
		if version > s.last {
			return false, &StorageError{Kind: ErrNewer, Err: fmt.Errorf("its schema is %d, this version knows %d", version, s.last)}
		}
		edited = edited || sum != s.sums[version]
		ran++
	}
	if edited {
		return false, &StorageError{Kind: ErrEdited}
	}
	return ran == len(s.sums), rows.Err()
}

func (s schema) sumTable() string {
	if s.dialect == database.DialectPostgres {
		return `CREATE TABLE ` + sumTable + ` (version BIGINT PRIMARY KEY, sum TEXT NOT NULL)`
	}
	return `CREATE TABLE ` + sumTable + ` (version INTEGER PRIMARY KEY, sum TEXT NOT NULL) STRICT`
}

// ran is how many migrations have run; 0 for a database that has none or cannot be asked.
func (s schema) ran(ctx context.Context, q querier) (n int) {
	if err := q.QueryRowContext(ctx, `SELECT count(*) FROM `+versionTable+` WHERE version_id > 0`).Scan(&n); err != nil {
		return 0
	}
	return n
}

// apply runs the missing migrations, forward only, each in one transaction with its checksum.
func (s schema) apply(ctx context.Context, db *sql.DB) error {
	versions, err := database.NewStore(s.dialect, versionTable)
	if err != nil {
		return err
	}
	store := summingStore{versions, s.sums, s.sumTable()}
	p, err := goose.NewProvider(goose.DialectCustom, db, s.files, goose.WithStore(store), goose.WithDisableGlobalRegistry(true))
	if err != nil {
		return err
	}
	_, err = p.Up(ctx)
	return err
}

// summingStore notes the checksum of a migration in the transaction that notes its version.
type summingStore struct {
	database.Store
	sums     map[int64]string
	sumTable string
}

func (s summingStore) CreateVersionTable(ctx context.Context, db database.DBTxConn) error {
	if err := s.Store.CreateVersionTable(ctx, db); err != nil {
		return err
	}
	_, err := db.ExecContext(ctx, s.sumTable)
	return err
}

func (s summingStore) Insert(ctx context.Context, db database.DBTxConn, req database.InsertRequest) error {
	if err := s.Store.Insert(ctx, db, req); err != nil || req.Version == 0 {
		return err
	}
	_, err := db.ExecContext(ctx, `INSERT INTO `+sumTable+` (version, sum) VALUES (?, ?)`, req.Version, s.sums[req.Version])
	return err
}
