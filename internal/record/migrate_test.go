package record_test

import (
	"bytes"
	"compress/gzip"
	"database/sql"
	"errors"
	"flag"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"gradus/conduct"
	"gradus/internal/record"
	"gradus/internal/record/recordtest"
)

// writeOld makes the file of an old record anew; only for the version that is being released.
var writeOld = flag.String("write-old", "", "write the record of this version, packed, to this file")

// Invented people and what they did, as they stand in testdata/v1.db.gz.
var (
	oldPerson  = record.Participant{ID: 1, Code: "P-001", Name: "Anna Beispiel", BirthDate: "1950-02-28", Sex: conduct.Female, Note: "invented", Created: oldDay, Site: 1}
	oldDay     = time.Date(2026, 1, 2, 3, 4, 5, 678e6, time.UTC)
	oldEvents  = []conduct.Event{recordtest.Event(1, 1), recordtest.Event(1, 2), recordtest.Event(1, 3), recordtest.Event(2, 1), {Term: 2, N: 2, At: 4321, Kind: conduct.Closed, Code: "recovered"}}
	oldSamples = []record.Sample{{At: 0, V: 90}, {At: 1000, V: 91.5}, {At: 2000, V: 93}}
)

// TestOldRecord opens the record that the first version of the schema wrote. A later version adds a file of its
// own and keeps this one.
func TestOldRecord(t *testing.T) {
	if *writeOld != "" {
		makeOld(t, *writeOld)
	}
	dir := t.TempDir()
	unpack(t, filepath.Join("testdata", "v1.db.gz"), filepath.Join(dir, record.FileName))
	s := open(t, dir)
	if err := intact(s); err != nil {
		t.Fatal(err)
	}
	oldThere(t, s)
	if err := s.Reassign(ctx, "old", 2, "examiner", "still works"); err != nil {
		t.Error(err)
	}
}

func oldThere(t *testing.T, s *record.SQLite) {
	t.Helper()
	if p, err := s.Participant(ctx, 1); err != nil || !reflect.DeepEqual(p, oldPerson) {
		t.Errorf("person %+v, %v", p, err)
	}
	events, err := s.Events(ctx, "old")
	if err != nil || !reflect.DeepEqual(events, oldEvents) {
		t.Errorf("events %+v, %v", events, err)
	}
	want := recordtest.NewTest("old")
	want.Participant, want.Visit, want.Created, want.Closed, want.Site = 1, 1, oldDay, oldDay, 1
	if test, err := s.Test(ctx, "old"); err != nil || !reflect.DeepEqual(test, want) {
		t.Errorf("test %+v, %v", test, err)
	}
	// The test was made before visits were: it has one on the day that the page's clock showed.
	visits, err := s.Visits(ctx, record.VisitFilter{Participant: 1})
	if wantVisit := (record.Visit{ID: 1, Participant: 1, Date: "2026-01-02", State: record.VisitDone, Created: oldDay}); err != nil || len(visits) != 1 || visits[0] != wantVisit {
		t.Errorf("visits %+v, %v", visits, err)
	}
	if found, err := s.Participants(ctx, record.ParticipantFilter{Query: "beispiel"}); err != nil || found.Total != 1 {
		t.Errorf("search %+v, %v", found, err)
	}
	blocks, err := s.Samples(ctx, "old", "heart-rate", 0, 1)
	if err != nil || len(blocks) != 1 {
		t.Fatalf("samples %+v, %v", blocks, err)
	}
	if samples, err := record.Unpack(blocks[0].Payload); err != nil || !reflect.DeepEqual(samples, oldSamples) {
		t.Errorf("samples %+v, %v", samples, err)
	}
}

func makeOld(t *testing.T, to string) {
	dir := t.TempDir()
	s, err := record.Open(ctx, dir, record.Options{Now: func() time.Time { return oldDay }})
	if err != nil {
		t.Fatal(err)
	}
	test := recordtest.NewTest("old")
	test.Participant = 1
	_, e1 := s.AddParticipant(ctx, oldPerson)
	_, e2 := s.AddParticipant(ctx, record.Participant{Code: "P-002"})
	_, e3 := s.NewTest(ctx, test)
	_, e4 := s.Append(ctx, "old", oldEvents)
	e5 := s.AppendSamples(ctx, "old", []record.Block{{Seq: 1, From: 0, To: 2000, Kind: "heart-rate", Payload: record.Pack(oldSamples)}})
	if err := errors.Join(e1, e2, e3, e4, e5, s.Close()); err != nil {
		t.Fatal(err)
	}
	content, err := os.ReadFile(filepath.Join(dir, record.FileName))
	if err != nil {
		t.Fatal(err)
	}
	var packed bytes.Buffer
	z, _ := gzip.NewWriterLevel(&packed, gzip.BestCompression)
	_, e1 = z.Write(content)
	if err := errors.Join(e1, z.Close(), os.WriteFile(to, packed.Bytes(), 0o644)); err != nil {
		t.Fatal(err)
	}
}

func unpack(t *testing.T, from, to string) {
	t.Helper()
	f, err := os.Open(from)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	content, err := io.ReadAll(z)
	if err == nil {
		err = os.WriteFile(to, content, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// next is the shipped schema with one more migration.
func next(t *testing.T, migration string) fs.FS {
	t.Helper()
	own, err := record.Schema()
	if err != nil {
		t.Fatal(err)
	}
	files := fstest.MapFS{"9001_next.sql": {Data: []byte("-- +goose Up\n" + migration)}}
	names, err := fs.Glob(own, "*.sql")
	if err != nil || len(names) == 0 {
		t.Fatalf("%v, %v", names, err)
	}
	for _, name := range names {
		text, err := fs.ReadFile(own, name)
		if err != nil {
			t.Fatal(err)
		}
		files[name] = &fstest.MapFile{Data: text}
	}
	return files
}

// A migration that fails in the middle leaves nothing behind; the cured one then runs on the data, once; and the
// program of before refuses what is newer.
func TestNextMigration(t *testing.T) {
	dir := t.TempDir()
	unpack(t, filepath.Join("testdata", "v1.db.gz"), filepath.Join(dir, record.FileName))
	const good = "ALTER TABLE participants ADD COLUMN height_cm REAL;\nCREATE TABLE rooms (id INTEGER PRIMARY KEY) STRICT;\n"
	if _, err := record.OpenSchema(ctx, dir, next(t, good+"CREATE TABLE rooms (id INTEGER PRIMARY KEY);\n")); err == nil || !strings.Contains(err.Error(), "rooms already exists") {
		t.Fatalf("a bad migration: %v", err)
	}
	s := open(t, dir)
	oldThere(t, s)
	s.Close()
	for range 2 {
		s, err := record.OpenSchema(ctx, dir, next(t, good))
		if err != nil {
			t.Fatal(err)
		}
		oldThere(t, s)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	told(t, openOnce(dir, record.Options{}), record.ErrNewer, dir, "start the newer version")
	_, err := record.OpenSchema(ctx, dir, next(t, good+"-- a word more\n"))
	told(t, err, record.ErrEdited, dir, "nothing was changed")
}

// The table of the people is made anew so that a code is unique in its site: merges, visits and identifiers still hold.
func TestPeopleGetASite(t *testing.T) {
	own, err := record.Schema()
	if err != nil {
		t.Fatal(err)
	}
	files := fstest.MapFS{}
	for _, name := range []string{"0001_bedside.sql", "0002_people_and_visits.sql", "0003_facts_by_kind.sql"} {
		text, err := fs.ReadFile(own, name)
		if err != nil {
			t.Fatal(err)
		}
		files[name] = &fstest.MapFile{Data: text}
	}
	dir := t.TempDir()
	if err := record.Migrated(ctx, dir, files); err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite3", "file:"+filepath.Join(dir, record.FileName))
	if err != nil {
		t.Fatal(err)
	}
	_, err = db.Exec(`INSERT INTO participants (id, code, name, birth_date, sex, note, created_ms, merged_into, kept) VALUES (3, 'C', 'Kept', '', '', '', 1, NULL, NULL), (1, 'A', 'Old', '1950-02-28', '', '', 1, 3, 3);
		INSERT INTO merges (from_id, into_id, by, why, at_ms) VALUES (1, 3, 'KL', 'same', 1);
		INSERT INTO identifiers (participant, place, system, value, folded) VALUES (1, 1, '', '77', '|77');
		INSERT INTO visits (participant, date, time, retest_due, state, note, created_ms) VALUES (1, '2026-01-02', '', '', 'done', '', 1)`)
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
	s := open(t, dir)
	if err := intact(s); err != nil {
		t.Error(err)
	}
	if list, err := s.Merged(ctx, 3); err != nil || len(list) != 1 || list[0].ID != 1 || list[0].Site != record.FirstSite || len(list[0].Identifiers) != 1 {
		t.Errorf("merged %+v, %v", list, err)
	}
	if list, err := s.Visits(ctx, record.VisitFilter{Participant: 3}); err != nil || len(list) != 1 {
		t.Errorf("visits %+v, %v", list, err)
	}
	if err := s.UndoMerge(ctx, 1, "KL", "two people"); err != nil {
		t.Error(err)
	}
}

// Several programs that start at once on a new directory all come up.
func TestOpenedAtOnce(t *testing.T) {
	dir := t.TempDir()
	errs := make(chan error)
	for range 4 {
		go func() { errs <- openOnce(dir, record.Options{}) }()
	}
	for range 4 {
		if err := <-errs; err != nil {
			t.Error(err)
		}
	}
	if err := intact(open(t, dir)); err != nil {
		t.Error(err)
	}
}
