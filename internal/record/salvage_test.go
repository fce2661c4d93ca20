package record_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"gradus/conduct"
	"gradus/internal/record"
	"gradus/internal/record/recordtest"
)

// crowded makes a record with people, tests and events, and returns how many events each test has.
func crowded(t *testing.T, dir string, key []byte) map[string]int {
	t.Helper()
	s := openKeyed(t, dir, key)
	have := map[string]int{}
	for i := range 40 {
		p, err := s.AddParticipant(ctx, record.Participant{Code: fmt.Sprint("P-", i), Name: fmt.Sprint("Invented ", i)})
		if err != nil {
			t.Fatal(err)
		}
		test := recordtest.NewTest(fmt.Sprint("t-", i))
		test.Participant = p.ID
		if _, err := s.NewTest(ctx, test); err != nil {
			t.Fatal(err)
		}
		var events []conduct.Event
		for n := range uint32(60) {
			events = append(events, recordtest.Event(1, n+1))
		}
		if _, err := s.Append(ctx, test.ID, events); err != nil {
			t.Fatal(err)
		}
		have[test.ID] = len(events)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return have
}

// Pages are damaged at random. What is saved is as it was entered, holds together, and what is missing is told.
func TestSalvage(t *testing.T) {
	for _, key := range [][]byte{nil, testKey} {
		dir := t.TempDir()
		have := crowded(t, dir, key)
		whole, err := os.ReadFile(filepath.Join(dir, record.FileName))
		if err != nil {
			t.Fatal(err)
		}
		random := rand.New(rand.NewPCG(9, 10))
		saved, all, gone := 0, 0, 0
		for round := range often(6, 300) {
			hurt := append([]byte(nil), whole...)
			for range 1 + random.IntN(6) {
				page := 1 + random.IntN(len(hurt)/4096-1)
				for i := range 4096 {
					hurt[page*4096+i] ^= byte(1 + random.IntN(255))
				}
			}
			from, to := t.TempDir(), filepath.Join(t.TempDir(), "new")
			if err := os.WriteFile(filepath.Join(from, record.FileName), hurt, 0o600); err != nil {
				t.Fatal(err)
			}
			found, err := record.Salvage(ctx, from, key, to, key)
			if errors.Is(err, record.ErrDamaged) { // the list of tables itself is gone
				gone++
				continue
			}
			if err != nil {
				t.Fatalf("round %d: %v", round, err)
			}
			s := openKeyed(t, to, key)
			if err := s.Check(ctx); err != nil {
				t.Errorf("round %d: what was saved is not sound: %v", round, err)
			}
			n := 0
			for id := range have {
				events, err := s.Events(ctx, id)
				if err != nil && !errors.Is(err, record.ErrNotFound) {
					t.Fatal(err)
				}
				for i, e := range events {
					if !reflect.DeepEqual(e, recordtest.Event(1, uint32(i+1))) {
						t.Fatalf("round %d: event %d of %s is %+v", round, i+1, id, e)
					}
				}
				n += len(events)
			}
			told := false
			for _, f := range found {
				told = told || f.Lost || f.Dropped > 0
			}
			if n < 40*60 && !told {
				t.Errorf("round %d: %d events are missing, and nothing says so: %+v", round, 40*60-n, found)
			}
			saved, all = saved+n, all+40*60
			s.Close()
		}
		t.Logf("key %v: %d of %d events saved; %d times nothing could be read", key != nil, saved, all, gone)
		if saved < all/2 {
			t.Errorf("only %d of %d events were saved", saved, all)
		}
	}
}

// A record that is not damaged is saved whole.
func TestSalvageOfAWholeRecord(t *testing.T) {
	dir, to := t.TempDir(), filepath.Join(t.TempDir(), "new")
	crowded(t, dir, testKey)
	want, err := record.Inspect(ctx, filepath.Join(dir, record.FileName), testKey)
	if err != nil {
		t.Fatal(err)
	}
	found, err := record.Salvage(ctx, dir, testKey, to, otherKey)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range found {
		if f.Lost || f.Dropped > 0 || int64(f.Saved) != want[f.Table] {
			t.Errorf("%+v, there were %d", f, want[f.Table])
		}
	}
	if have, err := record.Inspect(ctx, filepath.Join(to, record.FileName), otherKey); err != nil || !reflect.DeepEqual(have, want) {
		t.Errorf("%v %v, want %v", have, err, want)
	}
	if _, err := os.Stat(filepath.Join(to, "damaged")); err == nil {
		t.Error("the copy of the damaged file was left behind")
	}
}
