package doctor

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"gradus/internal/backup"
	"gradus/internal/localca"
	"gradus/internal/record"
)

// clinic is a directory with everything in order.
func clinic(t *testing.T) (Looking, time.Time) {
	t.Helper()
	dir := t.TempDir()
	if err := os.Chmod(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	store, err := record.Open(context.Background(), dir, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := store.NewTest(context.Background(), record.Test{ID: "t-1", Protocol: "invented", Version: "1", Hash: "00ff", Sent: []byte(`{"id":"invented"}`), Title: "invented test", Demo: true}); err != nil {
		t.Fatal(err)
	}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	now := time.Now()
	l := Looking{Dir: dir, Backups: filepath.Join(dir, Backups), Now: func() time.Time { return now },
		Open: func(ctx context.Context) (Record, error) {
			return record.Open(ctx, dir, record.Options{ReadOnly: true})
		}}
	if err := os.Mkdir(l.Backups, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(l.Backups, backup.Name(now)), []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := localca.Make(filepath.Join(dir, localca.Folder), localca.Ask{Names: []string{"gradus.ward.example"}, Now: now}); err != nil {
		t.Fatal(err)
	}
	return l, now
}

func levels(all []Finding) map[string]Finding {
	out := map[string]Finding{}
	for _, f := range all {
		out[f.What] = f
	}
	return out
}

func TestAllInOrder(t *testing.T) {
	l, _ := clinic(t)
	for _, f := range Look(context.Background(), l) {
		if f.What == "time server" || f.What == "disk space" || f.What == "disk speed" {
			continue // those of the machine that tests
		}
		if f.Level != OK || f.Do != "" || f.Said == "" {
			t.Errorf("%+v", f)
		}
	}
	if left, _ := filepath.Glob(filepath.Join(l.Dir, ".doctor*")); len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
}

// Each thing that can be wrong is found, by itself, with what to do.
func TestEachFault(t *testing.T) {
	day := 24 * time.Hour
	for name, c := range map[string]struct {
		spoil func(*testing.T, *Looking, time.Time)
		what  string
		level Level
		said  string
	}{
		"no directory":   {func(_ *testing.T, l *Looking, _ time.Time) { l.Dir = filepath.Join(l.Dir, "none") }, "data directory", Fault, "none"},
		"open directory": {func(t *testing.T, l *Looking, _ time.Time) { must(t, os.Chmod(l.Dir, 0o755)) }, "data directory", Attention, "others"},
		"open key": {func(t *testing.T, l *Looking, _ time.Time) {
			must(t, os.Chmod(filepath.Join(l.Dir, localca.Folder, localca.ServerKey), 0o644))
		}, "key files", Fault, localca.ServerKey},
		"damaged record": {func(t *testing.T, l *Looking, _ time.Time) {
			must(t, os.WriteFile(filepath.Join(l.Dir, record.FileName), []byte(strings.Repeat("no record ", 1000)), 0o600))
		}, "record", Fault, record.FileName},
		"locked record": {func(_ *testing.T, l *Looking, _ time.Time) {
			l.Open = func(context.Context) (Record, error) { return nil, ErrLocked }
		}, "record", Attention, "encrypted"},
		"other fault": {func(_ *testing.T, l *Looking, _ time.Time) {
			l.Open = func(context.Context) (Record, error) { return nil, errors.New("invented") }
		}, "record", Fault, "invented"},
		"no backup":       {func(t *testing.T, l *Looking, _ time.Time) { must(t, os.RemoveAll(l.Backups)) }, "backup", Attention, "none"},
		"old backup":      {func(t *testing.T, l *Looking, now time.Time) { age(t, l, now.Add(-3*day)) }, "backup", Attention, "72 hours"},
		"very old backup": {func(t *testing.T, l *Looking, now time.Time) { age(t, l, now.Add(-15*day)) }, "backup", Fault, "360 hours"},
		"ended":           {at(398 * day), "certificate", Fault, "ends"},
		"not yet begun":   {at(-2 * day), "certificate", Fault, "begins"},
		"key put away": {func(t *testing.T, l *Looking, now time.Time) {
			must(t, os.Remove(filepath.Join(l.Dir, localca.Folder, localca.AuthorityKey)))
			l.Now = func() time.Time { return now.Add(380 * day) }
		}, "certificate", Attention, "ends"},
		"clock went back": {at(-time.Hour), "clock and record", Fault, "has not reached"},
		"clock of nowhere": {func(_ *testing.T, l *Looking, _ time.Time) {
			l.Now = func() time.Time { return time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC) }
		}, "clock", Fault, "1970"},
	} {
		t.Run(name, func(t *testing.T) {
			if runtime.GOOS == "windows" && strings.HasPrefix(name, "open ") {
				return
			}
			l, now := clinic(t)
			c.spoil(t, &l, now)
			f := levels(Look(context.Background(), l))[c.what]
			if f.Level != c.level || !strings.Contains(f.Said, c.said) || f.Do == "" {
				t.Errorf("%+v, want %s with %q", f, c.level, c.said)
			}
		})
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func at(later time.Duration) func(*testing.T, *Looking, time.Time) {
	return func(_ *testing.T, l *Looking, now time.Time) { l.Now = func() time.Time { return now.Add(later) } }
}

// age puts one backup of a moment in the place of the others.
func age(t *testing.T, l *Looking, when time.Time) {
	t.Helper()
	must(t, os.RemoveAll(l.Backups))
	must(t, os.Mkdir(l.Backups, 0o700))
	must(t, os.WriteFile(filepath.Join(l.Backups, backup.Name(when)), []byte("x"), 0o600))
}

func TestClockThatJumps(t *testing.T) {
	now := time.Date(2026, 11, 28, 9, 0, 0, 0, time.FixedZone("CET", 3600))
	if f := clock(now, time.Second, time.Second+clockJump); f.Level != OK || !strings.Contains(f.Said, "zone CET (UTC+1:00)") {
		t.Errorf("%+v", f)
	}
	if f := clock(now, time.Hour, time.Second); f.Level != Attention || !strings.Contains(f.Said, "jumped by 3599.0 s") {
		t.Errorf("%+v", f)
	}
}

func TestWorst(t *testing.T) {
	if Worst([]Finding{{Level: OK}, {Level: Attention}}) != Attention || Worst([]Finding{{Level: Fault}, {Level: Attention}}) != Fault || Worst(nil) != OK {
		t.Error("the gravest is not found")
	}
}
