package vault_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gradus/internal/record"
	"gradus/internal/vault"
)

var (
	ctx = context.Background()
	day = time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)
)

const (
	words      = "an invented sentence of mine"
	otherWords = "quite another sentence"
)

func made(t *testing.T, passphrase string) *vault.Draft {
	t.Helper()
	d, err := vault.Make(passphrase, day)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// kept makes an encrypted record with one person.
func kept(t *testing.T, dir string) (*vault.Key, vault.Recovery) {
	t.Helper()
	d := made(t, words)
	k, err := d.Keep(dir)
	if err != nil {
		t.Fatal(err)
	}
	fill(t, dir, k)
	return k, d.Recovery
}

func fill(t *testing.T, dir string, k *vault.Key) {
	t.Helper()
	s, err := vault.Open(ctx, dir, k, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if _, err := s.AddParticipant(ctx, record.Participant{Code: "P-1", Name: "Wilhelmine Erfundeneder"}); err != nil {
		t.Fatal(err)
	}
}

// there checks that a passphrase opens the record and that the person is in it.
func there(dir, passphrase string) error {
	f, err := vault.Load(dir)
	if err != nil {
		return err
	}
	k, err := f.Unlock(passphrase)
	if err != nil {
		return err
	}
	return readable(dir, k)
}

func recovers(dir, typed string) error {
	f, err := vault.Load(dir)
	if err != nil {
		return err
	}
	k, err := f.Recover(typed)
	if err != nil {
		return err
	}
	return readable(dir, k)
}

func readable(dir string, k *vault.Key) error {
	for _, readOnly := range []bool{true, false} {
		s, err := vault.Open(ctx, dir, k, record.Options{ReadOnly: readOnly})
		if err != nil {
			return err
		}
		_, err = s.ParticipantByCode(ctx, "P-1")
		if err == nil {
			err = s.Check(ctx)
		}
		if err = errors.Join(err, s.Close()); err != nil {
			return err
		}
	}
	return nil
}

func TestPassphraseAndRecoveryKeyOpen(t *testing.T) {
	dir := t.TempDir()
	k, r := kept(t, dir)
	if err := there(dir, words); err != nil {
		t.Error(err)
	}
	for _, typed := range []string{r.String(), strings.ToLower(r.String()), strings.Join(r.Groups(), "  "), strings.ReplaceAll(r.String(), "-", "")} {
		if err := recovers(dir, typed); err != nil {
			t.Error(err)
		}
	}
	if err := there(dir, words+"."); !errors.Is(err, vault.ErrPassphrase) {
		t.Error(err)
	}
	if err := recovers(dir, vault.NewRecovery().String()); !errors.Is(err, vault.ErrRecovery) {
		t.Error(err)
	}
	if err := k.Verify(words); err != nil {
		t.Error(err)
	}
	if err := k.Verify(otherWords); !errors.Is(err, vault.ErrPassphrase) {
		t.Error(err)
	}
	text, err := os.ReadFile(filepath.Join(dir, vault.FileName))
	if err != nil {
		t.Fatal(err)
	}
	for name, secret := range map[string][]byte{"passphrase": []byte(words), "recovery key": []byte(r.String()), "record's key": k.Record()} {
		if bytes.Contains(text, secret) {
			t.Errorf("the key file holds the %s", name)
		}
	}
	if info, err := os.Stat(filepath.Join(dir, vault.FileName)); err != nil || info.Mode().Perm() != 0o600 {
		t.Error(info.Mode(), err)
	}
	if _, err := made(t, otherWords).Keep(dir); err == nil {
		t.Error("a second key file was put over the first")
	}
}

// The cost is the second choice of RFC 9106, section 4: 3 passes, 64 MiB, 4 lanes.
func TestCostOfAPassphrase(t *testing.T) {
	if passes, kib, lanes := vault.Cost(); passes != 3 || kib != 64*1024 || lanes != 4 {
		t.Error(passes, kib, lanes)
	}
}

// The same letters from another keyboard: ü as one character or as two.
func TestPassphraseFromAnotherKeyboard(t *testing.T) {
	dir := t.TempDir()
	if _, err := made(t, "Übungen für alle").Keep(dir); err != nil {
		t.Fatal(err)
	}
	f, err := vault.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Unlock("U\u0308bungen fu\u0308r alle"); err != nil {
		t.Error(err)
	}
}

func TestChangePassphraseAndRecoveryKey(t *testing.T) {
	dir := t.TempDir()
	k, r := kept(t, dir)
	if err := k.ChangePassphrase(ctx, "short"); !errors.As(err, new(*vault.WeakError)) {
		t.Error(err)
	}
	if err := k.ChangePassphrase(ctx, otherWords); err != nil {
		t.Fatal(err)
	}
	if err := there(dir, words); !errors.Is(err, vault.ErrPassphrase) {
		t.Errorf("the old passphrase: %v", err)
	}
	if err := errors.Join(there(dir, otherWords), recovers(dir, r.String()), k.Verify(otherWords)); err != nil {
		t.Error(err)
	}
	next := vault.NewRecovery()
	if err := k.ChangeRecovery(ctx, next); err != nil {
		t.Fatal(err)
	}
	if err := recovers(dir, r.String()); !errors.Is(err, vault.ErrRecovery) {
		t.Errorf("the old recovery key: %v", err)
	}
	if err := errors.Join(there(dir, otherWords), recovers(dir, next.String())); err != nil {
		t.Error(err)
	}
}

func TestRenew(t *testing.T) {
	dir := t.TempDir()
	k, r := kept(t, dir)
	old, err := os.ReadFile(filepath.Join(dir, vault.FileName))
	if err != nil {
		t.Fatal(err)
	}
	d := made(t, otherWords)
	s, err := vault.Open(ctx, dir, k, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := vault.Renew(ctx, k, d); !errors.Is(err, record.ErrBusy) {
		t.Errorf("beside a program that writes: %v", err)
	}
	s.Close()
	if err := there(dir, words); err != nil {
		t.Fatal(err)
	}
	if _, err := vault.Renew(ctx, k, d); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(there(dir, otherWords), recovers(dir, d.Recovery.String())); err != nil {
		t.Error(err)
	}
	if there(dir, words) == nil || recovers(dir, r.String()) == nil {
		t.Error("what opened the record before opens it still")
	}
	// A thief who has kept the old key file and knows the old passphrase has nothing of it.
	if err := os.WriteFile(filepath.Join(dir, vault.FileName), old, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := there(dir, words); !errors.Is(err, record.ErrKey) {
		t.Errorf("with the old key file: %v", err)
	}
}

func TestEncrypt(t *testing.T) {
	dir := t.TempDir()
	fill(t, dir, nil)
	if state, err := vault.StateOf(dir); err != nil || state != vault.Plain {
		t.Fatal(state, err)
	}
	d := made(t, words)
	if _, err := vault.Encrypt(ctx, dir, d); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(there(dir, words), recovers(dir, d.Recovery.String())); err != nil {
		t.Error(err)
	}
	if state, err := vault.StateOf(dir); err != nil || state != vault.Locked {
		t.Error(state, err)
	}
	err := filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		data, err := os.ReadFile(path)
		if bytes.Contains(data, []byte("Erfundeneder")) {
			t.Errorf("the name stands in %s", path)
		}
		return err
	})
	if err != nil {
		t.Error(err)
	}
}

func TestStateOf(t *testing.T) {
	fresh := t.TempDir()
	if state, err := vault.StateOf(filepath.Join(fresh, "none")); err != nil || state != vault.New {
		t.Error(state, err)
	}
	if _, err := made(t, words).Keep(fresh); err != nil { // set up, not opened yet
		t.Fatal(err)
	}
	if state, err := vault.StateOf(fresh); err != nil || state != vault.Locked {
		t.Error(state, err)
	}
	lost := t.TempDir()
	kept(t, lost)
	if err := os.Remove(filepath.Join(lost, vault.FileName)); err != nil {
		t.Fatal(err)
	}
	if _, err := vault.StateOf(lost); err == nil || !strings.Contains(err.Error(), "there is no key file gradus.key beside it") {
		t.Error(err)
	}
}

// A change of the key that is broken off at any point leaves a record that opens: with the old passphrase before the
// record was replaced, with the new one after.
func TestRenewBrokenOff(t *testing.T) {
	before, after := t.TempDir(), t.TempDir()
	kept(t, before)
	copyDir(t, before, after)
	oldFile := keyFile(t, before)
	f, err := vault.Load(after)
	if err != nil {
		t.Fatal(err)
	}
	same, err := f.Unlock(words)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := vault.Renew(ctx, same, made(t, otherWords)); err != nil {
		t.Fatal(err)
	}
	newFile := keyFile(t, after)
	both := map[string]any{"format": newFile["format"], "version": newFile["version"], "sets": append(oldFile["sets"].([]any), newFile["sets"].([]any)...)}
	text, err := json.Marshal(both)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ dir, opens, not string }{{before, words, otherWords}, {after, otherWords, words}} {
		if err := os.WriteFile(filepath.Join(c.dir, vault.FileName), text, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := there(c.dir, c.not); !errors.Is(err, vault.ErrPassphrase) || !strings.Contains(err.Error(), "broken off") {
			t.Errorf("the passphrase that is not in force: %v", err)
		}
		if err := there(c.dir, c.opens); err != nil {
			t.Error(err)
		}
		if n := len(keyFile(t, c.dir)["sets"].([]any)); n != 1 {
			t.Errorf("%d sets are left after the record was opened", n)
		}
		if err := there(c.dir, c.opens); err != nil {
			t.Error(err)
		}
	}
}

func keyFile(t *testing.T, dir string) (f map[string]any) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, vault.FileName))
	if err == nil {
		err = json.Unmarshal(text, &f)
	}
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func copyDir(t *testing.T, from, to string) {
	t.Helper()
	if err := os.CopyFS(to, os.DirFS(from)); err != nil {
		t.Fatal(err)
	}
}

const childDir = "GRADUS_VAULT_DIR"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		fmt.Fprintln(os.Stderr, renewForever(dir))
		os.Exit(3)
	}
	os.Exit(m.Run())
}

// renewForever encrypts a plain record and then changes its key again and again, under the same passphrase.
func renewForever(dir string) error {
	d, err := vault.Make(words, day)
	if err != nil {
		return err
	}
	k, err := vault.Encrypt(ctx, dir, d)
	if err != nil {
		return err
	}
	for {
		fmt.Println("renewed")
		if d, err = vault.Make(words, day); err != nil {
			return err
		}
		if k, err = vault.Renew(ctx, k, d); err != nil {
			return err
		}
	}
}

// TestKilledWhileTheKeyChanges kills a program that changes the key, at any moment. The record is plain and whole, or
// opens with the passphrase.
func TestKilledWhileTheKeyChanges(t *testing.T) {
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	rounds := 10
	if os.Getenv("GRADUS_SOAK") != "" {
		rounds = 200
	}
	random := rand.New(rand.NewPCG(3, 4))
	plain, locked := 0, 0
	for round := range rounds {
		dir := t.TempDir()
		fill(t, dir, nil)
		c := exec.Command(program)
		c.Env = append(os.Environ(), childDir+"="+dir)
		c.Stderr = os.Stderr
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Duration(random.IntN(900)) * time.Millisecond)
		if err := c.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		_ = c.Wait()
		state, err := vault.StateOf(dir)
		switch {
		case err != nil:
		case state == vault.Plain:
			plain++
			err = readable(dir, nil)
		default:
			locked++
			err = there(dir, words)
		}
		if err != nil {
			t.Fatalf("round %d: state %d: %v", round, state, err)
		}
	}
	t.Logf("%d kills: %d before the record was encrypted, %d after", rounds, plain, locked)
}

func TestRecoveryKeyFindsSlips(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := vault.NewRecovery()
		text := []byte(strings.ReplaceAll(r.String(), "-", ""))
		at := rapid.IntRange(0, len(text)-1).Draw(t, "at")
		switch rapid.SampledFrom([]string{"one wrong", "two exchanged", "groups exchanged"}).Draw(t, "slip") {
		case "one wrong":
			text[at] = rapid.SampledFrom([]byte("0123456789ABCDEFGHJKMNPQRSTVWXYZ")).Draw(t, "other")
		case "two exchanged":
			if at%5 == 4 {
				at--
			}
			text[at], text[at+1] = text[at+1], text[at]
		case "groups exchanged":
			other := rapid.IntRange(0, 7).Draw(t, "other")
			a, b := text[at/5*5:at/5*5+5], text[other*5:other*5+5]
			kept := string(a)
			copy(a, b)
			copy(b, kept)
		}
		got, err := vault.ParseRecovery(string(text))
		if same := string(text) == strings.ReplaceAll(r.String(), "-", ""); same != (err == nil) {
			t.Fatalf("%s typed as %s: %v", r, text, err)
		}
		if err == nil && got != r {
			t.Fatalf("%s was read as %s", r, got)
		}
	})
}

func TestRecoveryKeyProof(t *testing.T) {
	r := vault.NewRecovery()
	for i, g := range r.Groups() {
		if len(g) != 5 || !r.Proves(i+1, strings.ToLower(g)+" ") || r.Proves((i+1)%8+1, g) && g != r.Groups()[(i+1)%8] {
			t.Errorf("group %d %q", i+1, g)
		}
	}
	if r.Proves(0, "") || r.Proves(9, "") {
		t.Error("a group that no key has was proved")
	}
	for _, typed := range []string{"", "ABC", r.String() + "A", strings.Replace(r.String(), r.Groups()[3], "!!!!!", 1)} {
		if _, err := vault.ParseRecovery(typed); err == nil || !strings.Contains(err.Error(), "sheet") {
			t.Errorf("%q: %v", typed, err)
		}
	}
}

func TestPassphrases(t *testing.T) {
	for passphrase, want := range map[string]string{
		"":         "0 characters",
		"sieben7":  "7 characters",
		"Grün und": "", "acht Uhr": "", "ein langer Satz von mir": "",
		"Password": "first", "passwort123!": "first", "P a s s w o r d": "first", "Qwertzuiop": "first", "Sommer2026": "first", "Hospital1": "first", "gradus2026": "first",
		"aaaaaaaaaa": "first", "abcabcabcabc": "first", "abcdefgh": "first", "87654321": "first", "12345678": "first",
		strings.Repeat("lang ", 300): "more than 1024",
		"bad\xffutf8 text":           "no text",
	} {
		err := vault.Check(passphrase)
		if (err == nil) != (want == "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%.30q: %v", passphrase, err)
		}
		if err != nil && passphrase != "" && strings.Contains(err.Error(), passphrase) {
			t.Errorf("the answer repeats the passphrase: %v", err)
		}
	}
}

func TestSealedFiles(t *testing.T) {
	k, _ := kept(t, t.TempDir())
	text := []byte("when the test ran")
	shut := k.Seal("clocks/t-1", text)
	if bytes.Contains(shut, []byte("test")) {
		t.Error("it is readable")
	}
	if got, err := k.Unseal("clocks/t-1", shut); err != nil || !bytes.Equal(got, text) {
		t.Error(string(got), err)
	}
	if _, err := k.Unseal("clocks/t-2", shut); err == nil {
		t.Error("a file under another name was taken")
	}
	shut[len(shut)-1]++
	for _, bad := range [][]byte{shut, nil, shut[:10]} {
		if _, err := k.Unseal("clocks/t-1", bad); err == nil {
			t.Error("a damaged file was taken")
		}
	}
}

// A damaged key file never opens and never costs more than a try.
func FuzzKeyFile(f *testing.F) {
	dir := f.TempDir()
	d, err := vault.Make(words, day)
	if err != nil {
		f.Fatal(err)
	}
	if _, err := d.Keep(dir); err != nil {
		f.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(dir, vault.FileName))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add([]byte(`{"format":"gradus-keys","version":2,"sets":[{}]}`))
	f.Add([]byte(`{"format":"gradus-keys","version":1,"sets":[{"passphrase":{"by":"argon2id","time":4294967295,"memory_kib":4294967295}}]}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, vault.FileName), text, 0o600); err != nil {
			t.Fatal(err)
		}
		file, err := vault.Load(dir)
		if err != nil {
			return
		}
		for i := range file.Sets {
			file.Sets[i].Passphrase.Time = min(file.Sets[i].Passphrase.Time, 1) // the cost is limited elsewhere; here many are tried
			file.Sets[i].Passphrase.Memory = min(file.Sets[i].Passphrase.Memory, 64)
		}
		if k, err := file.Unlock("some other words"); err == nil {
			t.Fatalf("it opened: %v", k)
		}
	})
}

// FuzzRecovery: whatever somebody types from the sheet, a key that is taken is written again in the same groups.
func FuzzRecovery(f *testing.F) {
	f.Add(vault.NewRecovery().String())
	f.Add("kjrj9 by494-faGVG\n")
	f.Fuzz(func(t *testing.T, text string) {
		r, err := vault.ParseRecovery(text)
		if err != nil {
			return
		}
		again, err := vault.ParseRecovery(r.String())
		if err != nil || again.String() != r.String() {
			t.Fatalf("%q was taken and is %q, %v", text, again.String(), err)
		}
	})
}
