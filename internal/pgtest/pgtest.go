//go:build unix

// Package pgtest starts a PostgreSQL server for the tests of one program: a real one, in a directory of its own, that
// ends with it. It needs the server's programs on this machine (make deps) and no right, no network and no running
// server. As root, which PostgreSQL refuses, it starts the server as user postgres.
package pgtest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

// Server is a PostgreSQL server of a test's own.
type Server struct {
	dir      string // its files and its socket; short, since the socket's path may have 107 bytes at most
	port     int    // part of the socket's name; it listens to no network unless told
	more     []string
	password string
	cred     *syscall.Credential
	mu       sync.Mutex
	run      *exec.Cmd
	ended    chan struct{}
	log      bytes.Buffer
	next     atomic.Int64
}

// New makes a server's files and starts it with settings beside its own, as "fsync=off".
func New(settings ...string) (*Server, error) { return newServer(inMemory(), "", settings) }

// NewSecret makes a server that asks for a password.
func NewSecret(password string) (*Server, error) { return newServer(inMemory(), password, nil) }

// NewOnDisk makes a server whose files are on the disk of temporary files, for measurements.
func NewOnDisk() (*Server, error) { return newServer("", "", nil) }

// inMemory is where files lie in memory: hundreds of databases are made there without a word to the disk. What a test
// kills are processes, and those take nothing with them that was written.
func inMemory() string {
	const dir, enough = "/dev/shm", 2 << 30
	if roomIn(dir) < enough {
		return ""
	}
	return dir
}

func newServer(base, password string, settings []string) (_ *Server, err error) {
	bin, err := programs()
	if err != nil {
		return nil, err
	}
	s := &Server{port: 5432, more: settings, password: password}
	if s.dir, err = os.MkdirTemp(base, "pg"); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			s.Stop()
		}
	}()
	if os.Geteuid() == 0 {
		if s.cred, err = serverUser(s.dir); err != nil {
			return nil, err
		}
	}
	args := []string{"-D", s.data(), "-U", "postgres", "-A", "trust", "-E", "UTF8", "--locale=C", "--no-sync"}
	if password != "" {
		file := filepath.Join(s.dir, "password")
		if err := os.WriteFile(file, []byte(password), 0o644); err != nil {
			return nil, err
		}
		args[5] = "scram-sha-256"
		args = append(args, "--pwfile", file)
	}
	initdb := s.command(filepath.Join(bin, "initdb"), args...)
	if out, err := initdb.CombinedOutput(); err != nil {
		return nil, fmt.Errorf("pgtest: initdb: %w: %s", err, out)
	}
	return s, s.Start()
}

// programs is where the newest server of this machine has its programs.
func programs() (string, error) {
	if found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/postgres"); len(found) > 0 {
		return filepath.Dir(found[len(found)-1]), nil
	}
	if path, err := exec.LookPath("initdb"); err == nil {
		return filepath.Dir(path), nil
	}
	return "", errors.New("pgtest: PostgreSQL's server is not on this machine; run make deps, or install Debian's postgresql")
}

func serverUser(dir string) (*syscall.Credential, error) {
	u, err := user.Lookup("postgres")
	if err != nil {
		return nil, fmt.Errorf("pgtest: %w; PostgreSQL does not run as root, and Debian's postgresql brings that user", err)
	}
	uid, err1 := strconv.Atoi(u.Uid)
	gid, err2 := strconv.Atoi(u.Gid)
	if err := errors.Join(err1, err2, os.Chown(dir, uid, gid)); err != nil {
		return nil, err
	}
	return &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}, nil
}

func (s *Server) data() string { return filepath.Join(s.dir, "data") }

// Dir is the directory of the server.
func (s *Server) Dir() string { return s.dir }

func (s *Server) command(name string, args ...string) *exec.Cmd {
	c := exec.Command(name, args...)
	c.Dir = s.dir
	c.SysProcAttr = attributes(s.cred)
	return c
}

// Start starts the server again.
func (s *Server) Start() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	bin, err := programs()
	if err != nil {
		return err
	}
	args := []string{"-D", s.data(), "-k", s.dir, "-p", strconv.Itoa(s.port), "-c", "listen_addresses=", "-c", "max_connections=200", "-c", "log_min_messages=fatal"}
	for _, set := range s.more {
		args = append(args, "-c", set)
	}
	s.log.Reset()
	s.ended = make(chan struct{})
	started := make(chan error)
	go func(ended chan struct{}) {
		// The server is told to stop when the thread that started it ends.
		runtime.LockOSThread()
		s.run = s.command(filepath.Join(bin, "postgres"), args...)
		s.run.Stdout, s.run.Stderr = &s.log, &s.log
		err := s.run.Start()
		started <- err
		if err == nil {
			_ = s.run.Wait()
		}
		close(ended)
	}(s.ended)
	if err := <-started; err != nil {
		return err
	}
	return s.ready()
}

func (s *Server) ready() error {
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	for {
		c, err := pgx.Connect(ctx, s.URL("postgres"))
		if err == nil {
			return c.Close(ctx)
		}
		select {
		case <-s.ended:
			return fmt.Errorf("pgtest: the server ended: %s", s.log.String())
		case <-ctx.Done():
			return fmt.Errorf("pgtest: the server does not answer: %w", err)
		case <-time.After(10 * time.Millisecond):
		}
	}
}

// Kill ends the server and all its processes as kill -9 does, and waits until they are gone.
func (s *Server) Kill() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.run == nil {
		return nil
	}
	err := killAll(s.run.Process.Pid)
	<-s.ended
	s.run = nil
	return err
}

// Stop ends the server and removes its files.
func (s *Server) Stop() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.run != nil {
		_ = s.run.Process.Signal(syscall.SIGQUIT)
		<-s.ended
		s.run = nil
	}
	return os.RemoveAll(s.dir)
}

// URL is the address of a database of the server.
func (s *Server) URL(database string) string {
	q := url.Values{"host": {s.dir}, "port": {strconv.Itoa(s.port)}, "user": {"postgres"}}
	if s.password != "" {
		q.Set("password", s.password)
	}
	return "postgres:///" + database + "?" + q.Encode()
}

// Exec runs statements in a database.
func (s *Server) Exec(database string, statements ...string) error {
	ctx := context.Background()
	c, err := pgx.Connect(ctx, s.URL(database))
	if err != nil {
		return err
	}
	defer c.Close(ctx)
	for _, text := range statements {
		if _, err := c.Exec(ctx, text); err != nil {
			return fmt.Errorf("%s: %w", text, err)
		}
	}
	return nil
}

// New makes a database, as a copy of another where template is not "", and returns its name.
func (s *Server) New(template string) (string, error) {
	name := fmt.Sprint("t", s.next.Add(1))
	text := "CREATE DATABASE " + name
	if template != "" {
		text += " TEMPLATE " + template
	}
	return name, s.Exec("postgres", text)
}

var shared struct {
	sync.Mutex
	server    *Server
	templates map[string]bool
}

// Shared is the server that the tests of a program share; it is started when the first of them asks.
func Shared(t testing.TB) *Server {
	t.Helper()
	shared.Lock()
	defer shared.Unlock()
	if shared.server == nil {
		s, err := New()
		if err != nil {
			t.Fatal(err)
		}
		shared.server, shared.templates = s, map[string]bool{}
	}
	return shared.server
}

// Database returns the address of a new, empty database on the shared server.
func Database(t testing.TB) string {
	t.Helper()
	s := Shared(t)
	name, err := s.New("")
	if err != nil {
		t.Fatal(err)
	}
	return s.URL(name)
}

// Copy returns the address of a new database that begins with what fill puts into one, once for each name.
func Copy(t testing.TB, name string, fill func(address string) error) string {
	t.Helper()
	s := Shared(t)
	template := "template_" + strings.ToLower(name)
	shared.Lock()
	if !shared.templates[template] {
		err := s.Exec("postgres", "CREATE DATABASE "+template)
		if err == nil {
			err = fill(s.URL(template))
		}
		if err != nil {
			shared.Unlock()
			t.Fatal(err)
		}
		shared.templates[template] = true
	}
	shared.Unlock()
	database, err := s.New(template)
	if err != nil {
		t.Fatal(err)
	}
	return s.URL(database)
}

// Main runs the tests of a package and stops the shared server after them.
func Main(m *testing.M) int {
	code := m.Run()
	shared.Lock()
	defer shared.Unlock()
	if shared.server != nil {
		if err := shared.server.Stop(); err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
	}
	return code
}

// Socket is the path of the server's socket.
func (s *Server) Socket() string { return filepath.Join(s.dir, ".s.PGSQL."+strconv.Itoa(s.port)) }
