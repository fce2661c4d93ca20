package main

import (
	"context"
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gradus/internal/audit"
	"gradus/internal/pgtest"
	"gradus/internal/record"
)

// command runs the program in this process.
func command(t *testing.T, args ...string) (code int, out, errw string) {
	t.Helper()
	var o, w strings.Builder
	code = run(args, strings.NewReader(""), &o, &w)
	return code, o.String(), w.String()
}

// From a directory to a database and back; what stands beside the record goes along. A second time is refused.
func TestMoveCommand(t *testing.T) {
	ctx := context.Background()
	dir, back := t.TempDir(), filepath.Join(t.TempDir(), "new")
	s, err := record.Open(ctx, dir, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.AddParticipant(ctx, record.Participant{Code: "A"}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	const card = `[{"version":1,"number":"112","by":"k","at":"2026-01-02T03:04:05Z"}]`
	if err := os.WriteFile(filepath.Join(dir, "site.json"), []byte(card), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(dir, "protocols", "ours"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "protocols", "ours", "1.yaml"), []byte("id: ours\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	database := pgtest.Database(t)
	code, out, errw := command(t, "move", "--from", dir, "--to", database)
	if code != exitDone || !strings.Contains(out, "Everything is there") || !strings.Contains(out, "The audit trail came along whole") || !strings.Contains(out, "participants") {
		t.Fatalf("exit %d\n%s%s", code, out, errw)
	}
	if code, _, errw := command(t, "move", "--from", dir, "--to", database); code != exitRefused || !strings.Contains(errw, "not empty") {
		t.Errorf("a second time: exit %d, %s", code, errw)
	}
	if code, _, errw := command(t, "move", "--from", database, "--to", back); code != exitUsage || !strings.Contains(errw, "--plain") {
		t.Errorf("without a word about encryption: exit %d, %s", code, errw)
	}
	if _, out, errw := command(t, "doctor", "--data", dir, "--database", database); !strings.Contains(out, "record: opens and is whole") || !strings.Contains(out, "pg_dump") || strings.Contains(out, "fault      record") {
		t.Errorf("the doctor of a database: %s%s", out, errw)
	}
	if code, out, errw := command(t, "move", "--from", database, "--to", back, "--plain"); code != exitDone {
		t.Fatalf("back: exit %d\n%s%s", code, out, errw)
	}
	if text, err := os.ReadFile(filepath.Join(back, "site.json")); err != nil || !strings.Contains(string(text), `"112"`) {
		t.Errorf("the site's card: %s, %v", text, err)
	}
	moved, err := record.Open(ctx, back, record.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	if f, err := moved.File(ctx, record.FileProtocol, "ours", "1"); err != nil || string(f.Content) != "id: ours\n" {
		t.Errorf("the site's own protocol: %s, %v", f.Content, err)
	}
	if err := moved.Close(); err != nil {
		t.Fatal(err)
	}
	if code, _, errw := command(t, "move", "--from", filepath.Join(dir, "no"), "--to", database); code != exitRefused || !strings.Contains(errw, "there is no record") {
		t.Errorf("from nowhere: exit %d, %s", code, errw)
	}
	if code, _, errw := command(t, "move", "--from", "postgres://u:secret-word@h/d", "--to", database); code != exitUsage || strings.Contains(errw, "secret-word") {
		t.Errorf("a password in the command line: exit %d, %s", code, errw)
	}
	if got := withSecret("postgres://u@h/d", "postgres://u:secret-word@h/d"); got != "postgres://u:secret-word@h/d" {
		t.Errorf("the password of the environment: %s", got)
	}
	if got := withSecret("postgres://u@other/d", "postgres://u:secret-word@h/d"); got != "postgres://u@other/d" {
		t.Errorf("the password of another database: %s", got)
	}
}

// A record that was damaged after it was copied, or whose trail ends before the one it was copied from, is found.
func TestMoveVerifiesTheTrail(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	s, err := record.Open(ctx, dir, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.AddParticipant(ctx, record.Participant{Code: "A"}); err != nil {
		t.Fatal(err)
	}
	head, err := s.Head(ctx)
	if err != nil {
		t.Fatal(err)
	}
	check := func(head audit.Head) (string, error) {
		var out strings.Builder
		err := verifyMoved(ctx, &out, s, head)
		return out.String(), err
	}
	if out, err := check(head); err != nil || !strings.Contains(out, "came along whole, past "+head.Short().String()) {
		t.Errorf("%s %v", out, err)
	}
	if out, err := check(audit.Head{Seq: head.Seq + 1, Hash: head.Hash}); !errors.Is(err, errReported) || !strings.Contains(out, "its end was cut off") {
		t.Errorf("a shorter trail: %s %v", out, err)
	}
	db, err := sql.Open("sqlite3", "file:"+filepath.Join(dir, record.FileName))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for _, q := range []string{`UPDATE participants SET note = 'x'`, `DELETE FROM touched`} {
		if _, err := db.ExecContext(ctx, q); err != nil {
			t.Fatal(err)
		}
	}
	if out, err := check(head); !errors.Is(err, errReported) || !strings.Contains(out, "person/1") || !strings.Contains(out, "changed past the program") {
		t.Errorf("a changed row: %s %v", out, err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}
