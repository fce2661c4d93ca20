package record_test

import (
	"errors"
	"fmt"
	"path/filepath"
	"reflect"
	"testing"

	"gradus/conduct"
	"gradus/internal/pgtest"
	"gradus/internal/record"
	"gradus/internal/record/recordtest"
)

// full makes a record with something in every corner: merged people, accents, a closed test, samples, machines.
func full(t *testing.T, s record.Store) {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	for i := range 30 {
		_, err := s.AddParticipant(ctx, record.Participant{Code: fmt.Sprintf("P-%03d", 30-i), Name: "Änne Beispiel “ü” " + fmt.Sprint(i), AgeYears: 60.25, AgeTold: "2026-01-02",
			Identifiers: []record.Identifier{{System: "hospital", Value: fmt.Sprint(i)}}, Drugs: []record.Drug{{Name: "x"}}})
		must(err)
	}
	_, err := s.Merge(ctx, 3, 2, "k", "same")
	must(err)
	_, err = s.Merge(ctx, 2, 20, "k", "same") // refers to a later row
	must(err)
	v, err := s.VisitOn(ctx, 1, "2026-01-02")
	must(err)
	_, err = s.AddFact(ctx, record.Fact{Visit: v.ID, Kind: "rest", JSON: []byte(`{"a":1.50}`), By: "k"})
	must(err)
	test := recordtest.NewTest("t")
	test.Participant, test.Visit = 1, v.ID
	_, err = s.NewTest(ctx, test)
	must(err)
	_, err = s.Append(ctx, "t", append(three(), recordtest.Event(2, 1), conduct.Event{Term: 2, N: 2, Kind: conduct.Closed, Code: "recovered"}))
	must(err)
	must(s.AppendSamples(ctx, "t", []record.Block{{Seq: 1, Kind: "hr", Payload: []byte{0, 1, 255}}}))
	_, err = s.AddResult(ctx, record.Result{Test: "t", JSON: []byte(`{"v":1e-3}`), By: "k"})
	must(err)
	_, err = s.HandOut(ctx, record.Paper{Test: "t", Version: 1, What: "note", To: "x", By: "k"})
	must(err)
}

// same reads both records through their interface.
func same(t *testing.T, a, b record.Store) {
	t.Helper()
	for what, read := range map[string]func(record.Store) (any, error){
		"people":  func(s record.Store) (any, error) { return s.Participants(ctx, record.ParticipantFilter{}) },
		"merges":  func(s record.Store) (any, error) { return s.Merges(ctx, 20) },
		"visits":  func(s record.Store) (any, error) { return s.Visits(ctx, record.VisitFilter{}) },
		"facts":   func(s record.Store) (any, error) { return s.Facts(ctx, 1) },
		"test":    func(s record.Store) (any, error) { return s.Test(ctx, "t") },
		"events":  func(s record.Store) (any, error) { return s.Events(ctx, "t") },
		"samples": func(s record.Store) (any, error) { return s.Samples(ctx, "t", "hr", 0, 10) },
		"results": func(s record.Store) (any, error) { return s.Results(ctx, "t") },
		"papers":  func(s record.Store) (any, error) { return s.Papers(ctx, "t") },
		"accented": func(s record.Store) (any, error) {
			return s.Participants(ctx, record.ParticipantFilter{Query: "anne 7"})
		},
	} {
		x, err1 := read(a)
		y, err2 := read(b)
		if err := errors.Join(err1, err2); err != nil || !reflect.DeepEqual(x, y) {
			t.Errorf("%s: %+v and %+v, %v", what, x, y, err)
		}
	}
	if err := intact(b); err != nil {
		t.Error(err)
	}
}

// A record goes from a directory to a database, on to another database and back, and nothing about it changes; what is
// added afterwards gets numbers of its own.
func TestMove(t *testing.T) {
	dir := t.TempDir()
	first := open(t, dir)
	full(t, first)
	second, third, last := openDatabase(t, pgtest.Database(t)), openDatabase(t, migrated(t)), open(t, t.TempDir())
	digests := map[string]string{}
	for i, step := range []struct{ from, to record.Movable }{{first, second}, {second, third}, {third, last}} {
		rows := int64(0)
		err := record.Move(ctx, step.from, step.to, func(m record.Moved) {
			if i > 0 && digests[m.Table] != m.Digest {
				t.Errorf("step %d: %s has %s, had %s", i, m.Table, m.Digest, digests[m.Table])
			}
			digests[m.Table] = m.Digest
			rows += m.Rows
		})
		if err != nil || rows < 60 {
			t.Fatalf("step %d: %d rows, %v", i, rows, err)
		}
		same(t, first, step.to)
	}
	for _, s := range []record.Store{second, last} {
		p, err := s.AddParticipant(ctx, record.Participant{Code: "new"})
		if err != nil || p.ID <= 30 {
			t.Errorf("somebody new has number %d, %v", p.ID, err)
		}
	}
	var full *record.NotEmptyError
	if err := record.Move(ctx, first, third, func(record.Moved) {}); !errors.As(err, &full) || full.Rows == 0 {
		t.Errorf("a record that is not empty: %v", err)
	}
}

// A move that breaks in the middle leaves the other record empty, so that it can be begun again.
func TestMoveBroken(t *testing.T) {
	from := open(t, t.TempDir())
	full(t, from)
	if _, err := from.AddParticipant(ctx, record.Participant{Code: "zero", Note: "a\x00b"}); err != nil {
		t.Fatal(err)
	}
	address := pgtest.Database(t)
	to := openDatabase(t, address)
	if err := record.Move(ctx, from, to, func(record.Moved) {}); !errors.As(err, new(*record.InvalidError)) {
		t.Fatalf("text that PostgreSQL does not take: %v", err)
	}
	change(t, filepath.Join(from.Dir(), record.FileName), `UPDATE participants SET note = '' WHERE code = 'zero'`)
	if err := pgtest.Shared(t).Exec(nameOf(t, address), `CREATE FUNCTION lose() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN NULL; END'`,
		`CREATE TRIGGER loses BEFORE INSERT ON papers FOR EACH ROW EXECUTE FUNCTION lose()`); err != nil {
		t.Fatal(err)
	}
	if err := record.Move(ctx, from, to, func(record.Moved) {}); err == nil {
		t.Error("a row that was lost on the way was not noticed")
	}
	if found, err := to.Participants(ctx, record.ParticipantFilter{}); err != nil || found.Total != 0 {
		t.Errorf("after a broken move %d people are there, %v", found.Total, err)
	}
	if err := pgtest.Shared(t).Exec(nameOf(t, address), `DROP TRIGGER loses ON papers`); err != nil {
		t.Fatal(err)
	}
	if err := record.Move(ctx, from, to, func(record.Moved) {}); err != nil {
		t.Fatal(err)
	}
}
