package backup_test

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gradus/conduct"
	"gradus/internal/audit"
	"gradus/internal/backup"
	"gradus/internal/record"
	"gradus/internal/record/recordtest"
	"gradus/internal/vault"
)

var (
	ctx = context.Background()
	day = time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)
)

const words = "an invented sentence of mine"

// site is a data directory with a person, a test and what lies beside the record.
type site struct {
	t        *testing.T
	dir      string
	key      *vault.Key
	recovery string
	store    *record.SQLite
	events   uint32
}

func made(t *testing.T, encrypted bool) *site {
	t.Helper()
	s := &site{t: t, dir: t.TempDir()}
	if encrypted {
		d, err := vault.Make(words, day)
		if err != nil {
			t.Fatal(err)
		}
		if s.key, err = d.Keep(s.dir); err != nil {
			t.Fatal(err)
		}
		s.recovery = d.Recovery.String()
	}
	var err error
	if s.store, err = vault.Open(ctx, s.dir, s.key, record.Options{}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.store.Close() })
	if _, err := s.store.AddParticipant(ctx, record.Participant{Code: "P-1", Name: "Wilhelmine Erfundeneder"}); err != nil {
		t.Fatal(err)
	}
	if _, err := s.store.NewTest(ctx, recordtest.NewTest("t-1")); err != nil {
		t.Fatal(err)
	}
	s.append(50)
	if err := os.MkdirAll(filepath.Join(s.dir, "protocols", "ours"), 0o700); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{"site.json": "[]\n", "protocols/ours/1.yaml": "id: ours\n", "protocols/ours/half.yaml.half": "no", "forms.key": "secret"} {
		if err := os.WriteFile(filepath.Join(s.dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return s
}

func (s *site) append(n int) {
	s.t.Helper()
	for range n {
		s.events++
		if _, err := s.store.Append(ctx, "t-1", []conduct.Event{recordtest.Event(1, s.events)}); err != nil {
			s.t.Fatal(err)
		}
	}
}

func (s *site) backup(to string) *backup.Manifest {
	s.t.Helper()
	m, err := backup.Make(ctx, backup.Source{Store: s.store, Key: s.key, Dir: s.dir, Program: "test", Now: func() time.Time { return day }}, to)
	if err != nil {
		s.t.Fatal(err)
	}
	return m
}

func opened(t *testing.T, path string, open func(*vault.File) (*vault.Key, error)) (*backup.Opened, *vault.Key, error) {
	t.Helper()
	o, err := backup.Open(path)
	if err != nil {
		return nil, nil, err
	}
	t.Cleanup(func() { o.Close() })
	if o.Keys == nil {
		return o, nil, nil
	}
	k, err := open(o.Keys)
	return o, k, err
}

func withWords(f *vault.File) (*vault.Key, error) { return f.Unlock(words) }

// A backup is one moment of the record, opens with the passphrase and with the recovery key, and becomes a record again.
func TestBackupAndRestore(t *testing.T) {
	for _, encrypted := range []bool{true, false} {
		s := made(t, encrypted)
		path := filepath.Join(t.TempDir(), backup.Name(day))
		m := s.backup(path)
		s.append(10) // of after the backup
		if m.Contents["participants"] != 1 || m.Contents["events"] != 50 || m.Encrypted != encrypted {
			t.Errorf("%+v", m)
		}
		// The record has gone on; its trail still passes the end that the backup keeps.
		anchor, err := audit.ParseAnchor(m.Trail)
		if err != nil {
			t.Fatal(err)
		}
		if head, faults, err := s.store.VerifyTrail(ctx, []audit.Anchor{anchor}); err != nil || len(faults) > 0 || head.Seq <= anchor.Seq {
			t.Error(head, faults, err)
		}
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Contains(data, []byte("Erfundeneder")) == encrypted {
			t.Errorf("encrypted %v: the name can be read or not", encrypted)
		}
		if left, _ := os.ReadDir(filepath.Dir(path)); len(left) != 1 {
			t.Errorf("left behind: %v", left)
		}
		for _, open := range []func(*vault.File) (*vault.Key, error){withWords, func(f *vault.File) (*vault.Key, error) { return f.Recover(s.recovery) }} {
			o, k, err := opened(t, path, open)
			if err != nil {
				t.Fatal(err)
			}
			d, err := o.Drill(ctx, k)
			if err != nil || d.Test != "t-1" || d.Events != 50 {
				t.Errorf("%+v %v", d, err)
			}
			dir := filepath.Join(t.TempDir(), "new")
			if err := o.Restore(ctx, k, dir); err != nil {
				t.Fatal(err)
			}
			s.same(dir)
			if err := o.Restore(ctx, k, dir); err == nil || !strings.Contains(err.Error(), "not empty") {
				t.Errorf("over a record: %v", err)
			}
		}
		if _, err := backup.Make(ctx, backup.Source{Store: s.store, Key: s.key, Dir: s.dir, Now: time.Now}, path); err == nil || !strings.Contains(err.Error(), "there already") {
			t.Errorf("over another backup: %v", err)
		}
	}
}

// same checks that a restored directory is the record as it was backed up, and that its own key file opens it.
func (s *site) same(dir string) {
	s.t.Helper()
	var k *vault.Key
	if s.key != nil {
		f, err := vault.Load(dir)
		if err != nil {
			s.t.Fatal(err)
		}
		if k, err = f.Unlock(words); err != nil {
			s.t.Fatal(err)
		}
	}
	r, err := vault.Open(ctx, dir, k, record.Options{})
	if err != nil {
		s.t.Fatal(err)
	}
	defer r.Close()
	if p, err := r.ParticipantByCode(ctx, "P-1"); err != nil || p.Name != "Wilhelmine Erfundeneder" {
		s.t.Error(p, err)
	}
	if events, err := r.Events(ctx, "t-1"); err != nil || len(events) != 50 {
		s.t.Error(len(events), err)
	}
	if text, err := os.ReadFile(filepath.Join(dir, "protocols", "ours", "1.yaml")); err != nil || string(text) != "id: ours\n" {
		s.t.Error(string(text), err)
	}
	for _, name := range []string{"forms.key", "protocols/ours/half.yaml.half"} {
		if _, err := os.Stat(filepath.Join(dir, name)); err == nil {
			s.t.Errorf("%s was backed up", name)
		}
	}
}

// No two backups of one record look alike, so that nobody sees what has changed between them.
func TestBackupsDoNotCompare(t *testing.T) {
	s := made(t, true)
	dir := t.TempDir()
	var files [][]byte
	for _, name := range []string{"a.zip", "b.zip"} {
		s.backup(filepath.Join(dir, name))
		z, err := zip.OpenReader(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		f, err := z.Open(record.FileName)
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(f)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, data)
		z.Close()
	}
	for at := 0; at+4096 <= min(len(files[0]), len(files[1])); at += 4096 {
		if bytes.Equal(files[0][at:at+4096], files[1][at:at+4096]) {
			t.Fatalf("block %d is the same in both", at/4096)
		}
	}
}

// Whatever byte is changed, the backup is refused and nothing stays; so it is with another key or another's files.
func TestBackupIsChanged(t *testing.T) {
	for _, encrypted := range []bool{true, false} {
		s := made(t, encrypted)
		path := filepath.Join(t.TempDir(), "b.zip")
		s.backup(path)
		whole, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		random := rand.New(rand.NewPCG(5, 6))
		for range 40 {
			bad := bytes.Clone(whole)
			at := random.IntN(len(bad))
			if random.IntN(3) == 0 { // the small parts at the end
				at = len(bad) - 1 - random.IntN(min(len(bad), 4000))
			}
			bad[at] ^= byte(1 + random.IntN(255))
			s.refused(bad, fmt.Sprintf("encrypted %v, byte %d of %d", encrypted, at, len(bad)))
		}
		for _, n := range []int{0, 100, len(whole) / 2, len(whole) - 1} {
			s.refused(whole[:n], fmt.Sprintf("cut to %d bytes", n))
		}
	}
}

// refused checks that a changed backup does not become a record; a byte that no part of it uses may change.
func (s *site) refused(data []byte, what string) {
	s.t.Helper()
	path := filepath.Join(s.t.TempDir(), "bad.zip")
	if err := os.WriteFile(path, data, 0o600); err != nil {
		s.t.Fatal(err)
	}
	dir := filepath.Join(s.t.TempDir(), "new")
	o, k, err := opened(s.t, path, func(*vault.File) (*vault.Key, error) { return s.key, nil }) // each try of the words takes its time
	if err == nil {
		err = o.Restore(ctx, k, dir)
	}
	if err == nil { // a time or another field of the zip file that nothing hangs on
		s.same(dir)
		return
	}
	if left, _ := os.ReadDir(dir); len(left) > 0 {
		s.t.Errorf("%s: left behind: %v", what, left)
	}
}

// rewritten makes a backup anew with some of its parts changed, all digests right.
func rewritten(t *testing.T, path string, change map[string][]byte) string {
	t.Helper()
	z, err := zip.OpenReader(path)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		if other, ok := change[f.Name]; ok {
			data = other
		}
		e, err := w.CreateHeader(&zip.FileHeader{Name: f.Name})
		if err == nil {
			_, err = e.Write(data)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(t.TempDir(), "forged.zip")
	if err := os.WriteFile(out, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return out
}

// Who does not have the key cannot make a backup that is believed, however right its digests are.
func TestBackupIsForged(t *testing.T) {
	s := made(t, true)
	path := filepath.Join(t.TempDir(), "b.zip")
	m := s.backup(path)
	m.Files[len(m.Files)-1].Size++
	text, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	o, k, err := opened(t, rewritten(t, path, map[string][]byte{"manifest.json": text}), withWords)
	if err != nil {
		t.Fatal(err)
	}
	if err := o.Restore(ctx, k, filepath.Join(t.TempDir(), "new")); !errors.Is(err, backup.ErrTampered) {
		t.Errorf("a manifest of somebody else: %v", err)
	}
	other := made(t, true)
	if o, _, err = opened(t, path, withWords); err != nil {
		t.Fatal(err)
	}
	if err := o.Believe(other.key); !errors.Is(err, backup.ErrTampered) {
		t.Errorf("another record's key: %v", err)
	}
	m.Encrypted = false // to pass it off as a plain one
	text, _ = json.Marshal(m)
	if _, err := backup.Open(rewritten(t, path, map[string][]byte{"manifest.json": text})); !errors.Is(err, backup.ErrDamaged) {
		t.Errorf("an encrypted one passed off as plain: %v", err)
	}
	m.Encrypted, m.Files[0].Name = true, "../escape"
	text, _ = json.Marshal(m)
	if _, err := backup.Open(rewritten(t, path, map[string][]byte{"manifest.json": text})); !errors.Is(err, backup.ErrDamaged) {
		t.Errorf("a name that leaves the directory: %v", err)
	}
	for name, data := range map[string]string{"empty": "", "text": "no zip file at all"} {
		file := filepath.Join(t.TempDir(), name)
		if err := os.WriteFile(file, []byte(data), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := backup.Open(file); !errors.Is(err, backup.ErrNone) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// A backup stays openable by what opened the record when it was made.
func TestBackupOfBefore(t *testing.T) {
	s := made(t, true)
	path := filepath.Join(t.TempDir(), "b.zip")
	s.backup(path)
	if err := s.key.ChangePassphrase(ctx, "a later sentence"); err != nil {
		t.Fatal(err)
	}
	o, k, err := opened(t, path, withWords)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := o.Drill(ctx, k); err != nil {
		t.Error(err)
	}
	if _, err := o.Keys.Unlock("a later sentence"); !errors.Is(err, vault.ErrPassphrase) {
		t.Error(err)
	}
}

func TestRotate(t *testing.T) {
	dir := t.TempDir()
	for n := range 5 {
		for _, name := range []string{backup.Name(day.AddDate(0, 0, n)), fmt.Sprintf("note-%d.txt", n)} {
			if err := os.WriteFile(filepath.Join(dir, name), nil, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	removed, err := backup.Rotate(dir, 2)
	if err != nil || len(removed) != 3 || removed[0] != backup.Name(day) {
		t.Error(removed, err)
	}
	if left, _ := os.ReadDir(dir); len(left) != 7 {
		t.Errorf("%v", left)
	}
	if at, ok := backup.Newest(dir); !ok || !at.Equal(day.AddDate(0, 0, 4)) {
		t.Error(at, ok)
	}
	if _, ok := backup.Newest(t.TempDir()); ok {
		t.Error("a backup where there is none")
	}
}

func FuzzBackup(f *testing.F) {
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	w, err := z.Create("manifest.json")
	if err == nil {
		_, err = w.Write([]byte(`{"format":"gradus-backup","version":1,"files":[{"name":"gradus.db","size":1,"sha256":""}]}`))
	}
	if err == nil {
		err = z.Close()
	}
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b.Bytes())
	f.Fuzz(func(t *testing.T, data []byte) {
		path := filepath.Join(t.TempDir(), "b.zip")
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		o, err := backup.Open(path)
		if err != nil {
			return
		}
		defer o.Close()
		if err := o.Restore(ctx, nil, filepath.Join(t.TempDir(), "new")); err == nil {
			t.Fatal("it was restored")
		}
	})
}

// A backup that unpacks to more than it says, or whose small parts are large, is refused without being unpacked whole.
func TestBackupBomb(t *testing.T) {
	s := made(t, false)
	path := filepath.Join(t.TempDir(), "b.zip")
	s.backup(path)
	zeros := make([]byte, 17<<20)
	if _, err := backup.Open(rewritten(t, path, map[string][]byte{"manifest.json": zeros})); err == nil || !strings.Contains(err.Error(), "too large") {
		t.Errorf("a manifest of 17 MB: %v", err)
	}
	o, err := backup.Open(rewritten(t, path, map[string][]byte{record.FileName: zeros}))
	if err != nil {
		t.Fatal(err)
	}
	defer o.Close()
	dir := filepath.Join(t.TempDir(), "new")
	if err := o.Restore(ctx, nil, dir); !errors.Is(err, backup.ErrDamaged) {
		t.Errorf("a record of another size: %v", err)
	}
	if left, _ := os.ReadDir(dir); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}
