package record_test

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/url"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"gradus/conduct"
	"gradus/internal/pgtest"
	"gradus/internal/record"
	"gradus/internal/record/recordtest"
)

// toldBy checks that an error is of a kind, names the database and says what to do, but no password.
func toldBy(t *testing.T, err, kind error, parts ...string) {
	t.Helper()
	var storage *record.StorageError
	if !errors.Is(err, kind) || !errors.As(err, &storage) {
		t.Fatalf("got error %v, want %v", err, kind)
	}
	if storage.Hint() == "" || !strings.HasSuffix(err.Error(), storage.Hint()) {
		t.Errorf("error %q does not say what to do", err)
	}
	for _, part := range parts {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("error %q does not say %q", err, part)
		}
	}
	if strings.Contains(err.Error(), secret) {
		t.Errorf("error %q shows the password", err)
	}
}

const secret = "s3cret-word"

// with gives an address other parts.
func with(t *testing.T, address string, set map[string]string) string {
	t.Helper()
	u, err := url.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	q := u.Query()
	for name, value := range set {
		q.Set(name, value)
	}
	u.RawQuery = q.Encode()
	return u.String()
}

func nameOf(t *testing.T, address string) string {
	t.Helper()
	u, err := url.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimPrefix(u.Path, "/")
}

func openFails(address string, o record.Options) error {
	s, err := record.OpenDatabase(ctx, address, o)
	if err == nil {
		s.Close()
	}
	return err
}

func TestDatabaseAddress(t *testing.T) {
	for _, c := range []struct {
		address string
		kind    error
		says    string
	}{
		{"postgres://u:" + secret + "@h:no-port/d", record.ErrAddress, "postgres://user@host/database"},
		{"postgres://u:" + secret + "%zz@h/d", record.ErrAddress, "%40"},
		{"postgres://u:" + secret + "@db.example/d?sslmode=strange", record.ErrAddress, "postgres://"},
		{"postgres://u:" + secret + "@db.example/d?sslmode=disable", record.ErrClear, "postgres://db.example:5432/d"},
		{"postgres://u:" + secret + "@db.example/d?sslmode=prefer", record.ErrClear, "sslmode is prefer"},
		{"postgres://u:" + secret + "@127.0.0.1,192.0.2.7/d?sslmode=allow", record.ErrClear, "sslmode is allow"},
		{"postgres://u:" + secret + "@127.0.0.1:1/d", record.ErrAway, "postgres://127.0.0.1:1/d"},
		{"postgres:///d?host=/nowhere&user=u&password=" + secret, record.ErrAway, "postgres:///nowhere/d"},
	} {
		toldBy(t, openFails(c.address, record.Options{}), c.kind, c.says)
	}
}

// What is refused at opening is not touched.
func TestDatabaseRefused(t *testing.T) {
	for name, c := range map[string]struct {
		change []string
		kind   error
		says   string
	}{
		"newer":    {[]string{`INSERT INTO schema_version (version_id, is_applied) VALUES (77, true)`, `INSERT INTO schema_sum VALUES (77, 'x')`}, record.ErrNewer, "its schema is 77"},
		"edited":   {[]string{`UPDATE schema_sum SET sum = 'x'`}, record.ErrEdited, "start the version that made it"},
		"sum lost": {[]string{`DELETE FROM schema_sum`}, record.ErrEdited, "start the version that made it"},
		"foreign":  {[]string{`DROP TABLE schema_sum`}, record.ErrForeign, "name an empty database"},
	} {
		t.Run(name, func(t *testing.T) {
			address := migrated(t)
			if err := pgtest.Shared(t).Exec(nameOf(t, address), c.change...); err != nil {
				t.Fatal(err)
			}
			for _, o := range []record.Options{{}, {ReadOnly: true}} {
				toldBy(t, openFails(address, o), c.kind, c.says, nameOf(t, address))
			}
		})
	}
	empty := pgtest.Database(t)
	toldBy(t, openFails(empty, record.Options{ReadOnly: true}), record.ErrMissing, "start the program once")
	toldBy(t, openFails(pgtest.Shared(t).URL("nobody_made_it"), record.Options{}), record.ErrMissing, "make the database")
}

// Settings of server, database or role that would lose a commit are overruled or refused.
func TestDatabaseSettings(t *testing.T) {
	address := migrated(t)
	server := pgtest.Shared(t)
	if err := server.Exec("postgres", `ALTER DATABASE `+nameOf(t, address)+` SET synchronous_commit = off`); err != nil {
		t.Fatal(err)
	}
	openDatabase(t, address)
	if err := server.Exec("postgres", `CREATE DATABASE latin ENCODING 'LATIN1' TEMPLATE template0`); err != nil {
		t.Fatal(err)
	}
	toldBy(t, openFails(server.URL("latin"), record.Options{}), record.ErrSettings, "server_encoding is LATIN1")
	risky, err := pgtest.New("fsync=off")
	if err != nil {
		t.Fatal(err)
	}
	defer risky.Stop()
	toldBy(t, openFails(risky.URL("postgres"), record.Options{}), record.ErrSettings, "fsync is off")
}

func TestDatabaseRights(t *testing.T) {
	address := migrated(t)
	server := pgtest.Shared(t)
	s := openDatabase(t, address)
	if _, err := s.NewTest(ctx, recordtest.NewTest("t")); err != nil {
		t.Fatal(err)
	}
	if err := server.Exec(nameOf(t, address), `CREATE ROLE looks LOGIN`, `GRANT SELECT ON ALL TABLES IN SCHEMA public TO looks`); err != nil {
		t.Fatal(err)
	}
	other := openDatabase(t, with(t, address, map[string]string{"user": "looks"}))
	_, err := other.AddParticipant(ctx, record.Participant{Code: "A"})
	toldBy(t, err, record.ErrReadOnly, "permission denied", "right to make and write tables")
	_, err = other.Append(ctx, "t", three())
	toldBy(t, err, record.ErrReadOnly)
	reader, err := record.OpenDatabase(ctx, address, record.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	_, err = reader.Append(ctx, "t", three())
	toldBy(t, err, record.ErrReadOnly, "opened for reading only")
	if _, err := s.AddParticipant(ctx, record.Participant{Code: "zero\x00"}); !errors.As(err, new(*record.InvalidError)) {
		t.Errorf("a character that no database takes: %v", err)
	}
}

// A server that is away and comes back: the calls meanwhile say so, and the same record goes on.
func TestServerAway(t *testing.T) {
	server, err := pgtest.New()
	if err != nil {
		t.Fatal(err)
	}
	defer server.Stop()
	s := openDatabase(t, server.URL("postgres"))
	if _, err := s.NewTest(ctx, recordtest.NewTest("t")); err != nil {
		t.Fatal(err)
	}
	if err := server.Kill(); err != nil {
		t.Fatal(err)
	}
	_, err = s.Append(ctx, "t", three())
	toldBy(t, err, record.ErrAway, "send it again")
	_, err = s.AddParticipant(ctx, record.Participant{Code: "A"})
	toldBy(t, err, record.ErrAway)
	_, err = s.Events(ctx, "t")
	toldBy(t, err, record.ErrAway)
	if err := server.Start(); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Append(ctx, "t", three()); err != nil {
		t.Errorf("afterwards: %v", err)
	}
	if events, err := s.Events(ctx, "t"); err != nil || len(events) != 3 {
		t.Errorf("afterwards %d events, %v", len(events), err)
	}
}

// A password that is wrong, a server that wants one, and one that offers no TLS.
func TestServerRefuses(t *testing.T) {
	server, err := pgtest.NewSecret(secret)
	if err != nil {
		t.Fatal(err)
	}
	defer server.Stop()
	if s, err := record.OpenDatabase(ctx, server.URL("postgres"), record.Options{}); err != nil {
		t.Fatal(err)
	} else {
		s.Close()
	}
	wrong := with(t, server.URL("postgres"), map[string]string{"password": secret + "-not"})
	toldBy(t, openFails(wrong, record.Options{}), record.ErrSignIn, "check user and password")
	toldBy(t, openFails(with(t, server.URL("postgres"), map[string]string{"sslmode": "verify-full", "host": "localhost", "port": fmt.Sprint(plainServer(t))}), record.Options{}), record.ErrTrust, "certificate")
}

// plainServer answers as a server does that has no TLS.
func plainServer(t *testing.T) int {
	l, err := net.Listen("tcp", "localhost:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			_, _ = c.Read(make([]byte, 8))
			_, _ = c.Write([]byte("N"))
			c.Close()
		}
	}()
	return l.Addr().(*net.TCPAddr).Port
}

func TestNextMigrationPostgres(t *testing.T) {
	address := migrated(t)
	own, err := record.SchemaPostgres()
	if err != nil {
		t.Fatal(err)
	}
	later := func(text string) fs.FS {
		files := fstest.MapFS{"9001_next.sql": {Data: []byte("-- +goose Up\n" + text)}}
		names, _ := fs.Glob(own, "*.sql")
		for _, name := range names {
			content, err := fs.ReadFile(own, name)
			if err != nil {
				t.Fatal(err)
			}
			files[name] = &fstest.MapFile{Data: content}
		}
		return files
	}
	const good = "ALTER TABLE participants ADD COLUMN height_cm DOUBLE PRECISION;\nCREATE TABLE rooms (id BIGINT PRIMARY KEY);\n"
	if _, err := record.OpenDatabaseSchema(ctx, address, later(good+"CREATE TABLE rooms (id BIGINT);\n")); err == nil || !strings.Contains(err.Error(), "already exists") {
		t.Fatalf("a bad migration: %v", err)
	}
	openDatabase(t, address).Close() // as it was
	var wait sync.WaitGroup
	for range 4 {
		wait.Go(func() {
			s, err := record.OpenDatabaseSchema(ctx, address, later(good))
			if err != nil {
				t.Error(err)
				return
			}
			s.Close()
		})
	}
	wait.Wait()
	toldBy(t, openFails(address, record.Options{}), record.ErrNewer, "start the newer version")
}

// Several programs that start at once on an empty database all come up.
func TestDatabaseOpenedAtOnce(t *testing.T) {
	address := pgtest.Database(t)
	var wait sync.WaitGroup
	for range 4 {
		wait.Go(func() {
			if err := openFails(address, record.Options{}); err != nil {
				t.Error(err)
			}
		})
	}
	wait.Wait()
	if err := intact(openDatabase(t, address)); err != nil {
		t.Error(err)
	}
}

// A program that is cut off in the middle of a transaction holds the others up for a few seconds only.
func TestCutOffInTheMiddle(t *testing.T) {
	address := migrated(t)
	s := openDatabase(t, address)
	if _, err := s.NewTest(ctx, recordtest.NewTest("t")); err != nil {
		t.Fatal(err)
	}
	other := openDatabase(t, address)
	release, err := other.HoldAll(ctx, "t")
	if err != nil {
		t.Fatal(err)
	}
	defer release()
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	if _, err := s.Append(ctx, "t", three()); err != nil {
		t.Errorf("events: %v", err)
	}
	if _, err := s.AddParticipant(ctx, record.Participant{Code: "A"}); err != nil {
		t.Errorf("a person: %v", err)
	}
}

// Four programs write the same tests at once, in batches that overlap: no deadlock, no gap, nothing twice.
func TestManyProgramsOneDatabase(t *testing.T) {
	address := migrated(t)
	first := openDatabase(t, address)
	const programs, tests, last = 4, 12, 30
	for i := range tests {
		if _, err := first.NewTest(ctx, recordtest.NewTest(fmt.Sprint("t", i))); err != nil {
			t.Fatal(err)
		}
	}
	var wait sync.WaitGroup
	for p := range programs {
		s := openDatabase(t, address)
		for i := range tests {
			wait.Go(func() {
				id := fmt.Sprint("t", (i+3*p)%tests)
				for n := uint32(1); n <= last; n++ {
					if _, err := s.Append(ctx, id, []conduct.Event{recordtest.Event(1, n)}); err != nil {
						t.Errorf("program %d: %s: %v", p, id, err)
						return
					}
				}
			})
		}
	}
	wait.Wait()
	for i := range tests {
		if events, err := first.Events(ctx, fmt.Sprint("t", i)); err != nil || len(events) != last {
			t.Errorf("test %d: %d events, %v", i, len(events), err)
		}
	}
	if err := intact(first); err != nil {
		t.Error(err)
	}
}
