package record_test

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gradus/internal/record"
	"gradus/internal/record/recordtest"
)

// person is somebody whose name must stand in no file.
var person = record.Participant{Code: "Invented-7731", Name: "Wilhelmine Erfundeneder", BirthDate: "1948-11-09", Note: "Knieprothese rechts", Identifiers: []record.Identifier{{System: "Haus", Value: "H-5520177"}}}

func secrets() []string {
	return []string{person.Code, person.Name, "erfundeneder", person.BirthDate, person.Note, person.Identifiers[0].Value, "CREATE TABLE", "SQLite format 3"}
}

// found tells which file of a directory holds a text.
func found(t *testing.T, dir, text string) (files []string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		data, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Contains(bytes.ToLower(data), []byte(strings.ToLower(text))) {
			files = append(files, e.Name())
		}
	}
	return files
}

func addPerson(t *testing.T, s *record.SQLite) {
	t.Helper()
	if _, err := s.AddParticipant(ctx, person); err != nil {
		t.Fatal(err)
	}
	if _, err := s.NewTest(ctx, recordtest.NewTest("t")); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Append(ctx, "t", three()); err != nil {
		t.Fatal(err)
	}
	if people, err := s.Participants(ctx, record.ParticipantFilter{Query: "erfundeneder"}); err != nil || people.Total != 1 {
		t.Fatal(people.Total, err)
	}
}

// Neither the file nor its log, open or closed, shows anything of what is in them. The control finds each in a plain one.
func TestEncryptedShowsNothing(t *testing.T) {
	for _, key := range [][]byte{nil, testKey} {
		dir := t.TempDir()
		s := openKeyed(t, dir, key)
		addPerson(t, s)
		for _, when := range []string{"open", "closed"} {
			for _, text := range secrets() {
				if files := found(t, dir, text); (len(files) == 0) != (key != nil) {
					t.Errorf("%s, key %q: %q stands in %v", when, key, text, files)
				}
			}
			if files, _ := filepath.Glob(filepath.Join(dir, "*")); when == "open" && len(files) < 3 {
				t.Errorf("only %v: the log was not looked at", files)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
		}
		if files := found(t, dir, string(testKey)); len(files) > 0 {
			t.Errorf("the key stands in %v", files)
		}
	}
}

// What was encrypted is read again, also by who only reads, beside the writer.
func TestEncryptedIsRead(t *testing.T) {
	dir := t.TempDir()
	s := openKeyed(t, dir, testKey)
	addPerson(t, s)
	if err := intact(s); err != nil {
		t.Error(err)
	}
	r, err := record.Open(ctx, dir, record.Options{Key: testKey, ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if p, err := r.ParticipantByCode(ctx, person.Code); err != nil || p.Name != person.Name {
		t.Error(p.Name, err)
	}
	if standing, err := record.StandingOf(dir); err != nil || standing != record.Encrypted {
		t.Error(standing, err)
	}
}

func TestWrongKey(t *testing.T) {
	plain, secret := t.TempDir(), t.TempDir()
	addPerson(t, openKeyed(t, plain, nil))
	addPerson(t, openKeyed(t, secret, testKey))
	wrong := bytes.Clone(testKey)
	wrong[31]++
	for name, c := range map[string]struct {
		dir string
		key []byte
	}{"another key": {secret, wrong}, "a plain record": {plain, wrong}} {
		for _, readOnly := range []bool{false, true} {
			before := contents(t, c.dir)
			_, err := record.Open(ctx, c.dir, record.Options{Key: c.key, ReadOnly: readOnly})
			if !errors.Is(err, record.ErrKey) {
				t.Errorf("%s: %v", name, err)
			}
			told(t, err, record.ErrKey, c.dir, "nothing was changed")
			for _, spelled := range []string{string(c.key), hex.EncodeToString(c.key), fmt.Sprint(c.key)} {
				if strings.Contains(err.Error(), spelled) {
					t.Errorf("%s: the error holds the key: %v", name, err)
				}
			}
			if after := contents(t, c.dir); after != before {
				t.Errorf("%s: the file was changed", name)
			}
		}
	}
	if _, err := record.Open(ctx, secret, record.Options{}); err == nil {
		t.Error("an encrypted record was opened without a key")
	}
	if _, err := record.Open(ctx, t.TempDir(), record.Options{Key: []byte("short")}); err == nil || !strings.Contains(err.Error(), "32 bytes") {
		t.Errorf("a short key: %v", err)
	}
}

func contents(t *testing.T, dir string) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(dir, record.FileName))
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

func TestStandingOf(t *testing.T) {
	dir := t.TempDir()
	write := func(text string) string {
		if err := os.WriteFile(filepath.Join(dir, record.FileName), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return dir
	}
	for text, want := range map[string]record.Standing{"": record.Absent, "SQLite format 3\x00\x10": record.Plain, "SQLite": record.Encrypted, "SQLite format 4\x00\x10": record.Encrypted} {
		if got, err := record.StandingOf(write(text)); err != nil || got != want {
			t.Errorf("%q: %v, %v", text, got, err)
		}
	}
	if got, err := record.StandingOf(t.TempDir()); err != nil || got != record.Absent {
		t.Errorf("no file: %v, %v", got, err)
	}
}
