package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/url"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/pressly/goose/v3/database"
)

// Postgres is a record in a PostgreSQL database, which several programs may write at once. Events of a test are
// written under the lock of its row, everything else under one lock of the database, so that what a step decides
// still holds when it writes.
type Postgres struct {
	core
	config *pgx.ConnConfig
	feed   *feed // nil when it was opened for reading only
}

var _ Store = (*Postgres)(nil)

// How long the server may say nothing before a step is given up: a network that was cut is silent. Reading may take
// longer, since a large answer may. The server itself ends a transaction that hears nothing of its program, and one
// that waits for a lock too long, so that nobody waits for a program that is gone.
const (
	writePatience   = 15 * time.Second
	readPatience    = time.Minute
	migratePatience = time.Hour
	serverIdle      = "4s"
	lockPatience    = "8s"
)

// Connections of one program: events and samples take one; the others are for all other writes.
const pgWriters, pgReaders = 4, 6

// IsDatabase reports whether a place is the address of a database on a server, not a directory.
func IsDatabase(place string) bool {
	return strings.HasPrefix(place, "postgres://") || strings.HasPrefix(place, "postgresql://")
}

// OpenAny opens the record in a data directory or, by its address, in a database.
func OpenAny(ctx context.Context, place string, o Options) (Store, error) {
	if IsDatabase(place) {
		return OpenDatabase(ctx, place, o)
	}
	return Open(ctx, place, o)
}

// OpenDatabase opens the record in the PostgreSQL database of an address, postgres://user@host/database, and makes
// its tables when there are none. Beyond this machine it demands TLS with a verified certificate. It refuses a
// database that a newer version wrote, that holds something else, or that does not keep a commit on disk. No error
// shows the password.
func OpenDatabase(ctx context.Context, address string, o Options) (*Postgres, error) {
	own, err := pgSchema()
	if err != nil {
		return nil, err
	}
	return openDatabase(ctx, address, o, own)
}

func openDatabase(ctx context.Context, address string, o Options, own schema) (_ *Postgres, err error) {
	config, err := pgConfig(address)
	if err != nil {
		return nil, err
	}
	s := &Postgres{core: core{place: placeOf(config), now: o.Now}, config: config}
	s.dialect = s.postgres()
	if s.now == nil {
		s.now = time.Now
	}
	defer func() {
		if err != nil {
			s.Close()
			err = s.fault(ctx, err)
		}
	}()
	s.reader = s.pool(pgReaders, readPatience, map[string]string{"default_transaction_read_only": "on"})
	done, err := own.judge(ctx, s.reader)
	if known := new(StorageError); errors.As(err, &known) {
		known.Path, known.Server = s.place, true
	}
	switch {
	case err != nil:
		return nil, err
	case o.ReadOnly && !done:
		return nil, &StorageError{Path: s.place, Server: true, Kind: ErrMissing, Err: errors.New("its schema is not complete; start the program once with it")}
	case o.ReadOnly:
		return s, nil
	case !done:
		if err := s.migrate(ctx, own); err != nil {
			return nil, err
		}
	}
	s.writer = s.pool(pgWriters, writePatience, map[string]string{
		"idle_in_transaction_session_timeout": serverIdle, "lock_timeout": lockPatience, "default_transaction_read_only": "off"})
	if err := s.st.prepare(ctx, s.writer, s.end); err != nil {
		return nil, err
	}
	if err := s.complete(ctx); err != nil {
		return nil, err
	}
	s.warm()
	s.feed = newFeed()
	go s.tell()
	return s, nil
}

func pgSchema() (schema, error) {
	files, err := fs.Sub(embedded, "schema/postgres")
	if err != nil {
		return schema{}, err
	}
	s, err := newSchema(files)
	s.dialect, s.tables = database.DialectPostgres, `SELECT count(*), count(*) FILTER (WHERE relname IN ('`+versionTable+`', '`+sumTable+`')) FROM pg_class WHERE relkind IN ('r', 'p') AND relnamespace = current_schema()::regnamespace`
	return s, err
}

// pgConfig reads an address. What the driver says about a bad one is not passed on, since it may quote a part of it.
func pgConfig(address string) (*pgx.ConnConfig, error) {
	config, err := pgx.ParseConfig(address)
	if err != nil {
		return nil, &StorageError{Path: "the address of the database", Server: true, Kind: ErrAddress}
	}
	u, err := url.Parse(address)
	if err != nil {
		return nil, &StorageError{Path: "the address of the database", Server: true, Kind: ErrAddress}
	}
	if mode := u.Query().Get("sslmode"); !onThisMachine(config) && mode != "verify-full" && mode != "verify-ca" && mode != "require" {
		if mode != "" {
			return nil, &StorageError{Path: placeOf(config), Server: true, Kind: ErrClear, Err: fmt.Errorf("sslmode is %s", mode)}
		}
		q := u.Query()
		q.Set("sslmode", "verify-full")
		u.RawQuery = q.Encode()
		if config, err = pgx.ParseConfig(u.String()); err != nil {
			return nil, &StorageError{Path: "the address of the database", Server: true, Kind: ErrAddress}
		}
	}
	if config.ConnectTimeout == 0 {
		config.ConnectTimeout = 5 * time.Second
	}
	config.RuntimeParams["application_name"] = "gradus"
	return config, nil
}

func onThisMachine(config *pgx.ConnConfig) bool {
	for _, host := range append([]string{config.Host}, fallbackHosts(config)...) {
		ip := net.ParseIP(host)
		if !filepath.IsAbs(host) && host != "localhost" && (ip == nil || !ip.IsLoopback()) {
			return false
		}
	}
	return true
}

func fallbackHosts(config *pgx.ConnConfig) (hosts []string) {
	for _, f := range config.Fallbacks {
		hosts = append(hosts, f.Host)
	}
	return hosts
}

// placeOf is the address of a database without user and password.
func placeOf(config *pgx.ConnConfig) string {
	host := net.JoinHostPort(config.Host, strconv.Itoa(int(config.Port)))
	if filepath.IsAbs(config.Host) {
		host = config.Host
	}
	return "postgres://" + host + "/" + config.Database
}

func (s *Postgres) pool(connections int, patience time.Duration, settings map[string]string) *sql.DB {
	config := s.config.Copy()
	for name, value := range settings {
		config.RuntimeParams[name] = value
	}
	if settings["default_transaction_read_only"] == "off" && config.ValidateConnect == nil {
		config.ValidateConnect = pgconn.ValidateConnectTargetSessionAttrsReadWrite
	}
	config.RuntimeParams["synchronous_commit"] = "on"
	db := sql.OpenDB(numberingConnector(config, patience, s.durable))
	db.SetMaxOpenConns(connections)
	db.SetMaxIdleConns(connections)
	return db
}

// durable looks at every new connection, since it may lead to another server than the one before: a commit must be on
// its disk.
func (s *Postgres) durable(ctx context.Context, c *pgx.Conn) error {
	var version int
	var commit, sync, pages, encoding string
	err := c.QueryRow(ctx, `SELECT current_setting('server_version_num')::int, current_setting('synchronous_commit'), current_setting('fsync'), current_setting('full_page_writes'), current_setting('server_encoding')`).
		Scan(&version, &commit, &sync, &pages, &encoding)
	if err != nil {
		return err
	}
	for _, set := range []struct {
		name, have string
		ok         bool
	}{
		{"server_version_num", strconv.Itoa(version), version >= 150000},
		{"synchronous_commit", commit, commit == "on"},
		{"fsync", sync, sync == "on"},
		{"full_page_writes", pages, pages == "on"},
		{"server_encoding", encoding, encoding == "UTF8"},
	} {
		if !set.ok {
			return &StorageError{Path: s.place, Server: true, Kind: ErrSettings, Err: fmt.Errorf("%s is %s", set.name, set.have)}
		}
	}
	return nil
}

// migrate brings the schema up to date under a lock, so that several programs that start at once do it one after
// the other.
func (s *Postgres) migrate(ctx context.Context, own schema) error {
	db := s.pool(2, migratePatience, map[string]string{"default_transaction_read_only": "off"})
	defer db.Close()
	lock, err := db.Conn(ctx)
	if err != nil {
		return err
	}
	defer lock.Close()
	if _, err := lock.ExecContext(ctx, `SELECT pg_advisory_lock(?)`, migrateLock); err != nil {
		return err
	}
	defer lock.ExecContext(context.WithoutCancel(ctx), `SELECT pg_advisory_unlock(?)`, migrateLock)
	if done, err := own.judge(ctx, lock); err != nil || done {
		return err
	}
	return own.apply(ctx, db)
}

// The locks of a database that the record takes.
const (
	migrateLock int64 = 0x6772_6164_7573_01
	writeLock   int64 = 0x6772_6164_7573_02
	trailLock   int64 = 0x6772_6164_7573_03
)

func (s *Postgres) postgres() dialect {
	return dialect{
		end:      fmt.Sprintf(`SELECT seq, at_ms, hash FROM audit_end(%d)`, trailLock),
		many:     atOnce{},
		samples:  128,
		codeIs:   `lower(code) = lower(CAST(? AS TEXT) COLLATE "C")`,
		snapshot: &sql.TxOptions{Isolation: sql.LevelRepeatableRead, ReadOnly: true},
		alone: func(ctx context.Context, tx *sql.Tx) error {
			_, err := tx.ExecContext(ctx, `SELECT pg_advisory_xact_lock(?)`, writeLock)
			return err
		},
		hold: func(ctx context.Context, tx *sql.Tx, tests []string) error {
			// In one order, so that two programs never wait for each other.
			_, err := tx.ExecContext(ctx, `SELECT 1 FROM tests WHERE id = ANY (?) ORDER BY id FOR NO KEY UPDATE`, tests)
			return err
		},
		server: true,
		blame:  pgBlame,
		wrote:  func(int) {},
	}
}

// Close lets go of the database.
func (s *Postgres) Close() error {
	if s.feed != nil {
		s.feed.end()
		<-s.feed.ended
	}
	if s.cool != nil {
		s.cool()
	}
	s.st.close()
	var errs []error
	for _, db := range []*sql.DB{s.reader, s.writer} {
		if db != nil {
			errs = append(errs, db.Close())
		}
	}
	return errors.Join(errs...)
}

// Check finds gaps. That each page of its files is whole is for the server to find (data checksums, pg_amcheck).
func (s *Postgres) Check(ctx context.Context) error { return s.check(ctx) }
