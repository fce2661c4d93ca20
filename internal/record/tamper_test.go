package record_test

import (
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	_ "github.com/jackc/pgx/v5/stdlib" // registers the driver "pgx"

	"gradus/conduct"
	"gradus/internal/audit"
	"gradus/internal/record"
	"gradus/internal/record/recordtest"
)

// tampered are changes past the program, by somebody who has the whole database, and where verifying finds them. The
// record holds person 1 with visit 1, a fact of it, and test T with events 1.1, then 1.2 to 1.5 at once, and samples 1 and 2.
var tampered = []struct {
	name string
	do   []string
	at   []string // what the faults name, in order
}{
	{"nothing", nil, nil},
	{"a byte of an event", []string{`UPDATE events SET json = replace(json, 'examiner', 'examineR') WHERE n = 1`}, []string{"test/T, event 1.1"}},
	{"a byte of one of several events", []string{`UPDATE events SET json = replace(json, 'examiner', 'examineR') WHERE n = 3`}, []string{"test/T, event 1.3"}},
	{"when an event came", []string{`UPDATE events SET received_ms = received_ms - 1 WHERE n = 4`}, []string{"test/T, event 1.4"}},
	{"an event removed", []string{`DELETE FROM events WHERE n = 4`}, []string{"test/T, event 1.4"}},
	{"the last event removed", []string{`DELETE FROM events WHERE n = 5`}, []string{"test/T, event 1.5"}},
	{"an event put in", []string{`INSERT INTO events SELECT test, term, 6, at_ms, kind, json, received_ms FROM events WHERE n = 5`}, []string{"test/T, event 1.6"}},
	{"two events change places", []string{`UPDATE events SET n = 99 WHERE n = 2`, `UPDATE events SET n = 2 WHERE n = 3`, `UPDATE events SET n = 3 WHERE n = 99`}, []string{"test/T, event 1.2", "test/T, event 1.3"}},
	{"an event in another test", []string{`UPDATE events SET test = 'U' WHERE n = 5`}, []string{"test/T, event 1.5", "test/U, event 1.5"}},
	{"samples", []string{`UPDATE samples SET to_ms = to_ms + 1 WHERE seq = 2`}, []string{"test/T, samples 2"}},
	{"samples removed", []string{`DELETE FROM samples WHERE seq = 1`}, []string{"test/T, samples 1"}},
	{"a name", []string{`UPDATE participants SET name = 'Berta Beispeil' WHERE id = 1`}, []string{"person/1"}},
	{"a fact", []string{`UPDATE facts SET by = 'nobody'`}, []string{"visit/1/fact/1"}},
	{"a fact removed", []string{`DELETE FROM facts`}, []string{"visit/1/fact/1"}},
	{"a fact put in", []string{`INSERT INTO facts SELECT visit, 2, kind, json, by, at_ms FROM facts`}, []string{"visit/1/fact/2"}},
	{"whose test it is", []string{`UPDATE tests SET participant = NULL WHERE id = 'T'`}, []string{"test/T"}},
	{"who did it", []string{`UPDATE audit SET json = replace(json, 'account/7', 'account/8') WHERE seq = 4`}, []string{"entry 4"}},
	{"a hash", []string{`UPDATE audit SET hash = '` + strings.Repeat("0", 64) + `' WHERE seq = 4`}, []string{"entry 4", "entry 5"}},
	{"no hash", []string{`UPDATE audit SET hash = 'x' WHERE seq = 4`}, []string{"entry 4", "entry 5"}},
	{"an entry removed", []string{`DELETE FROM audit WHERE seq = 4`}, []string{"entry 5"}},
	{"an entry hidden from the list of a person", []string{`UPDATE audit SET topic = 'else' WHERE seq = 4`}, []string{"entry 4"}},
	{"the time of an entry in the list", []string{`UPDATE audit SET at_ms = at_ms + 86400000 WHERE seq = 4`}, []string{"entry 4"}},
	{"two entries change places", []string{`UPDATE audit SET seq = 999 WHERE seq = 4`, `UPDATE audit SET seq = 4 WHERE seq = 5`, `UPDATE audit SET seq = 5 WHERE seq = 999`}, []string{"entry 4"}},
	{"the end cut off, with what it covers", []string{`DELETE FROM audit WHERE seq = (SELECT max(seq) FROM audit)`, `DELETE FROM samples`}, []string{"end"}},
	{"salts", []string{`UPDATE digests SET salt = '00' WHERE entity = 'person/1'`}, []string{"person/1"}},
}

// sealed makes a record with a little in it and returns its end.
func sealed(t *testing.T, s record.Store) audit.Head {
	t.Helper()
	who := audit.With(ctx, audit.Who{Actor: "account/7"})
	p, err := s.AddParticipant(who, record.Participant{Code: "P-1", Name: "Berta Beispiel"})
	if err != nil {
		t.Fatal(err)
	}
	v, err := s.AddVisit(who, record.Visit{Participant: p.ID, Date: "2026-01-02", State: record.VisitOpen})
	if err != nil {
		t.Fatal(err)
	}
	_, err = s.AddFact(who, record.Fact{Visit: v.ID, Kind: "rest", JSON: []byte(`{"hr":60}`), By: "examiner"})
	if err != nil {
		t.Fatal(err)
	}
	for _, id := range []string{"U", "T"} {
		test := recordtest.NewTest(id)
		test.Participant, test.Visit = p.ID, v.ID
		if _, err := s.NewTest(who, test); err != nil {
			t.Fatal(err)
		}
	}
	var events []conduct.Event
	for n := range uint32(5) {
		events = append(events, recordtest.Event(1, n+1))
	}
	for _, part := range [][]conduct.Event{events[:1], events[1:]} {
		if _, err := s.Append(who, "T", part); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.AppendSamples(who, "T", []record.Block{{Seq: 1, To: 1, Kind: "heart-rate", Payload: []byte{1}}, {Seq: 2, To: 1, Kind: "heart-rate", Payload: []byte{2}}}); err != nil {
		t.Fatal(err)
	}
	head, err := s.Head(ctx)
	if err != nil {
		t.Fatal(err)
	}
	return head
}

// intact reads a whole record and holds it against its audit trail.
func intact(s record.Store) error {
	errs := []error{s.Check(ctx)}
	_, faults, err := s.VerifyTrail(ctx, nil)
	for _, f := range faults {
		errs = append(errs, errors.New(f.String()))
	}
	return errors.Join(append(errs, err)...)
}

// located verifies a record and compares the places of the faults.
func located(t *testing.T, s record.Store, anchor audit.Head, want []string) {
	t.Helper()
	_, faults, err := s.VerifyTrail(ctx, []audit.Anchor{anchor.Anchor()})
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	for _, f := range faults {
		all = append(all, f.String())
	}
	if len(want) == 1 && want[0] == "end" {
		if len(faults) != 1 || !strings.Contains(all[0], "cut off") && !strings.Contains(all[0], "made anew") {
			t.Errorf("found %q", all)
		}
		return
	}
	if len(want) == 0 && len(all) == 0 {
		return
	}
	if len(all) < len(want) || len(want) == 0 {
		t.Fatalf("found %q, want %q", all, want)
	}
	for i, place := range want {
		if !strings.Contains(all[i]+":", place+":") && !strings.Contains(all[i]+",", place+",") {
			t.Errorf("found %q, want %q", all, want)
		}
	}
}

func TestTamperedSQLite(t *testing.T) {
	for _, c := range tampered {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			s := open(t, dir)
			anchor := sealed(t, s)
			db, err := sql.Open("sqlite3", "file:"+filepath.ToSlash(filepath.Join(dir, record.FileName))+"?_pragma=busy_timeout(10000)")
			if err != nil {
				t.Fatal(err)
			}
			defer db.Close()
			if c.do == nil {
				for _, text := range []string{`UPDATE audit SET topic = ''`, `DELETE FROM audit`, `UPDATE events SET n = n`, `UPDATE samples SET kind = 'x'`} {
					if _, err := db.Exec(text); err == nil || !strings.Contains(err.Error(), "only added") {
						t.Errorf("%s: %v", text, err)
					}
				}
			}
			for _, name := range []string{"audit_no_update", "audit_no_delete", "events_no_update", "samples_no_update"} {
				if _, err := db.Exec(`DROP TRIGGER ` + name); err != nil {
					t.Fatal(err)
				}
			}
			for _, text := range c.do {
				if _, err := db.Exec(text); err != nil {
					t.Fatal(text, err)
				}
			}
			located(t, s, anchor, c.at)
			// What the program writes next does not cover up what was done past it.
			if _, err := s.AddParticipant(ctx, record.Participant{Code: "next"}); err == nil {
				located(t, s, anchor, c.at)
			}
		})
	}
}

func TestTamperedPostgres(t *testing.T) {
	for i, c := range tampered {
		if testing.Short() && i%4 != 0 {
			continue
		}
		t.Run(c.name, func(t *testing.T) {
			address := migrated(t)
			s := openDatabase(t, address)
			anchor := sealed(t, s)
			db, err := sql.Open("pgx", address)
			if err != nil {
				t.Fatal(err)
			}
			defer db.Close()
			if c.do == nil {
				for _, text := range []string{`UPDATE audit SET topic = ''`, `DELETE FROM audit`, `TRUNCATE audit`, `UPDATE events SET n = n`, `UPDATE samples SET kind = 'x'`} {
					if _, err := db.Exec(text); err == nil || !strings.Contains(err.Error(), "only added") {
						t.Errorf("%s: %v", text, err)
					}
				}
			}
			for _, table := range []string{"audit", "events", "samples"} {
				if _, err := db.Exec(`ALTER TABLE ` + table + ` DISABLE TRIGGER USER`); err != nil {
					t.Fatal(err)
				}
			}
			for _, text := range c.do {
				if _, err := db.Exec(text); err != nil {
					t.Fatal(text, err)
				}
			}
			located(t, s, anchor, c.at)
			if _, err := s.AddParticipant(ctx, record.Participant{Code: "next"}); err == nil {
				located(t, s, anchor, c.at)
			}
		})
	}
}

// TestOneTrail: several programs on one database add to one trail.
func TestOneTrail(t *testing.T) {
	address := migrated(t)
	const programs, each = 3, 25
	errs := make(chan error)
	for i := range programs {
		s := openDatabase(t, address)
		go func() {
			id := fmt.Sprint("t", i)
			_, err := s.NewTest(ctx, recordtest.NewTest(id))
			for n := uint32(1); n <= each && err == nil; n++ {
				if _, err = s.Append(ctx, id, []conduct.Event{recordtest.Event(1, n)}); err == nil {
					_, err = s.AddParticipant(ctx, record.Participant{Code: fmt.Sprint(i, "-", n)})
				}
			}
			errs <- err
		}()
	}
	for range programs {
		if err := <-errs; err != nil {
			t.Error(err)
		}
	}
	head, faults, err := openDatabase(t, address).VerifyTrail(ctx, nil)
	if err != nil || len(faults) > 0 || head.Seq < programs*(1+2*each) {
		t.Error(head, faults, err)
	}
}

// TestEveryTableIsCovered: a table that a later version adds is covered by the trail, or stands here with the reason why not.
func TestEveryTableIsCovered(t *testing.T) {
	beside := map[string]string{
		"events": "covered by their own entries", "samples": "covered by their own entries",
		"audit": "the trail itself", "digests": "what the trail is held against", "touched": "empty outside a transaction",
		"machines": "numbers alone", "sessions": "signing in and out is entered", "attempts": "each failure is entered",
		"kept": "no data of people: clocks, the key of the forms, the site's card", "to_complete": "empty once opened", "schema_version": "the schema", "schema_sum": "the schema",
	}
	dir := t.TempDir()
	open(t, dir)
	db, err := sql.Open("sqlite3", "file:"+filepath.ToSlash(filepath.Join(dir, record.FileName)))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	rows, err := db.Query(`SELECT name, (SELECT count(*) FROM sqlite_schema g WHERE g.type = 'trigger' AND g.tbl_name = t.name AND g.sql LIKE '%INSERT INTO touched%') FROM sqlite_schema t WHERE type = 'table' AND name NOT LIKE 'sqlite%'`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var name string
		var triggers int
		if err := rows.Scan(&name, &triggers); err != nil {
			t.Fatal(err)
		}
		if known := record.Covered(name); known != (triggers == 3) || known == (beside[name] != "") {
			t.Errorf("table %s: known to the trail: %v, triggers: %d", name, known, triggers)
		}
	}
}
