package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"
)

// typed runs a command without a terminal.
func typed(t *testing.T, args ...string) (code int, out, errs string) {
	t.Helper()
	var o, e bytes.Buffer
	code = run(args, strings.NewReader(""), &o, &e)
	return code, o.String(), e.String()
}

func mustRun(t *testing.T, args ...string) string {
	t.Helper()
	code, out, errs := typed(t, args...)
	if code != exitDone {
		t.Fatalf("gradus %s: %d: %s", strings.Join(args, " "), code, errs)
	}
	return out
}

func refusedWith(t *testing.T, want string, args ...string) {
	t.Helper()
	if code, out, errs := typed(t, args...); code == exitDone || !strings.Contains(errs, want) || strings.Contains(errs+out, words) {
		t.Errorf("gradus %s: %d: %s%s\nwant %q", strings.Join(args, " "), code, out, errs, want)
	}
}

const words = "an invented sentence of mine"

func written(t *testing.T, text string) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "words")
	if err := os.WriteFile(name, []byte(text+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return name
}

// A record from the command line: plain, encrypted in its place, read with the passphrase, backed up, tried, restored;
// passphrase, sheet and key changed.
func TestKeysAndBackups(t *testing.T) {
	top := t.TempDir()
	dir := filepath.Join(top, "clinic")
	if err := inventRecord(dir); err != nil {
		t.Fatal(err)
	}
	mine, other, weak := written(t, words), written(t, "another sentence"), written(t, "password1")
	refusedWith(t, "is not encrypted", "keys", "passphrase", "--data", dir, "--passphrase-file", mine)
	refusedWith(t, "among the first", "keys", "encrypt", "--data", dir, "--new-passphrase-file", weak)
	sheet := filepath.Join(top, "sheet.txt")
	if out := mustRun(t, "keys", "encrypt", "--data", dir, "--new-passphrase-file", mine, "--sheet", sheet); !strings.Contains(out, "is encrypted") {
		t.Error(out)
	}
	refusedWith(t, "is encrypted already", "keys", "encrypt", "--data", dir, "--new-passphrase-file", mine)
	refusedWith(t, "no terminal", "log", "--data", dir)
	refusedWith(t, "does not open", "log", "--data", dir, "--passphrase-file", other)
	if out := mustRun(t, "log", "--data", dir, "--passphrase-file", mine); !strings.Contains(out, "t-1") {
		t.Error(out)
	}
	t.Setenv("CREDENTIALS_DIRECTORY", filepath.Dir(mine))
	if err := os.Rename(mine, filepath.Join(filepath.Dir(mine), credential)); err != nil {
		t.Fatal(err)
	}
	mustRun(t, "log", "--data", dir)
	t.Setenv("CREDENTIALS_DIRECTORY", "")
	mine = filepath.Join(filepath.Dir(mine), credential)

	stick := filepath.Join(top, "stick")
	if err := os.Mkdir(stick, 0o700); err != nil {
		t.Fatal(err)
	}
	out := mustRun(t, "backup", "--data", dir, "--to", stick, "--passphrase-file", mine)
	found, _ := filepath.Glob(filepath.Join(stick, "*.zip"))
	if len(found) != 1 || !strings.Contains(out, "1 person, 2 tests, 3 events") {
		t.Fatalf("%v %s", found, out)
	}
	if out := mustRun(t, "restore", "--check", found[0], "--passphrase-file", mine); !strings.Contains(strings.Join(strings.Fields(out), " "), "can be restored") {
		t.Error(out)
	}
	recovery := written(t, keyOf(t, sheet))
	again := filepath.Join(top, "again")
	mustRun(t, "restore", found[0], "--data", again, "--recovery-file", recovery)
	if a, b := mustRun(t, "log", "t-1", "--data", dir, "--passphrase-file", mine), mustRun(t, "log", "t-1", "--data", again, "--passphrase-file", mine); a != b || a == "" {
		t.Error("the restored test is another")
	}
	refusedWith(t, "not empty", "restore", found[0], "--data", again, "--passphrase-file", mine)
	refusedWith(t, "--check to try", "restore", found[0])
	refusedWith(t, "no backup", "restore", "--check", sheet)

	hurt := filepath.Join(top, "hurt")
	if err := os.CopyFS(hurt, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(hurt, "gradus.db")
	for before := sizeOf(t, file); sizeOf(t, file) == before; { // each look is entered, until the last page is one of the trail
		mustRun(t, "log", "--data", hurt, "--passphrase-file", mine)
	}
	spoil(t, file)
	refusedWith(t, "damaged", "backup", "--data", hurt, "--to", filepath.Join(top, "bad.zip"), "--passphrase-file", mine)
	if out := mustRun(t, "restore", "--salvage", hurt, "--data", filepath.Join(top, "saved"), "--passphrase-file", mine); !strings.Contains(out, "events: 3 rows saved") {
		t.Error(out) // the damaged page is of the trail: all events are there
	}
	mustRun(t, "log", "--data", filepath.Join(top, "saved"), "--passphrase-file", mine)
	mustRun(t, "keys", "passphrase", "--data", dir, "--recovery-file", recovery, "--new-passphrase-file", other)
	refusedWith(t, "does not open", "log", "--data", dir, "--passphrase-file", mine)
	second := keyOf(t, written(t, mustRun(t, "keys", "recovery", "--data", dir, "--passphrase-file", other)))
	refusedWith(t, "does not open", "keys", "passphrase", "--data", dir, "--recovery-file", recovery, "--new-passphrase-file", mine)
	mustRun(t, "keys", "passphrase", "--data", dir, "--recovery-file", written(t, second), "--new-passphrase-file", mine)
	mustRun(t, "keys", "renew", "--data", dir, "--passphrase-file", mine, "--new-passphrase-file", other)
	if out := mustRun(t, "log", "--data", dir, "--passphrase-file", other); !strings.Contains(out, "t-1") {
		t.Error(out)
	}
}

func sizeOf(t *testing.T, name string) int64 {
	t.Helper()
	about, err := os.Stat(name)
	if err != nil {
		t.Fatal(err)
	}
	return about.Size()
}

// spoil damages the last page of a file: it is in use, since the file was never cut.
func spoil(t *testing.T, name string) {
	t.Helper()
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 4096 {
		text[len(text)-4096+i] ^= 0xa5
	}
	if err := os.WriteFile(name, text, 0o600); err != nil {
		t.Fatal(err)
	}
}

// keyOf reads the recovery key off a sheet.
func keyOf(t *testing.T, sheet string) string {
	t.Helper()
	text, err := os.ReadFile(sheet)
	if err != nil {
		t.Fatal(err)
	}
	var groups []string
	for _, m := range regexp.MustCompile(`(?m)^  [1-8]  ([0-9A-Z]{5})$`).FindAllStringSubmatch(string(text), -1) {
		groups = append(groups, m[1])
	}
	if len(groups) != 8 {
		t.Fatalf("no recovery key on %q", text)
	}
	return strings.Join(groups, " ")
}

// The server opens an encrypted record with the passphrase it was started with, and makes backups by itself; without it,
// the pages are locked.
func TestServeEncrypted(t *testing.T) {
	top := t.TempDir()
	dir, stick, mine := filepath.Join(top, "data"), filepath.Join(top, "stick"), written(t, words)
	serve := []string{"serve", "--listen", "127.0.0.1:0", "--no-browser", "--data", dir}
	refusedWith(t, "keys make", append(serve, "--passphrase-file", mine)...)
	mustRun(t, "keys", "make", "--data", dir, "--new-passphrase-file", mine)
	refusedWith(t, "leave --plain out", append(serve, "--plain")...)
	refusedWith(t, "does not open", append(serve, "--passphrase-file", written(t, "quite other words"))...)
	refusedWith(t, "--backup-every", append(serve, "--backup-dir", stick, "--backup-every", "1s")...)

	cmd, address, said := program(t, append(serve, "--passphrase-file", mine, "--backup-dir", stick, "--keep", "2")...)
	if text := fetch(t, address+"people"); strings.Contains(text, "not encrypted") {
		t.Error("the page says that the record is not encrypted")
	}
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if found, _ := filepath.Glob(filepath.Join(stick, "*.zip")); len(found) == 1 {
			mustRun(t, "restore", "--check", found[0], "--passphrase-file", mine)
			break
		}
		if time.Now().After(end) {
			t.Fatal("no backup was made")
		}
	}
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if code := ended(t, cmd); code != exitDone || strings.Contains(said.String(), words) {
		t.Errorf("%d %s", code, said.String())
	}
	_, address, _ = program(t, serve...)
	if text := fetch(t, address); !strings.Contains(text, "The record is locked") {
		t.Error("it is not locked")
	}
}
