package record_test

import (
	"database/sql"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"gradus/conduct"
	"gradus/internal/record"
	"gradus/internal/record/recordtest"
)

// BenchmarkAppend appends single events to a test, each on disk before the next, in turns with bare SQLite: the same
// driver, settings, table and row, one prepared INSERT in a transaction of its own, and no promise beside. It gives
// what the record reaches of the bare rate.
func BenchmarkAppend(b *testing.B) {
	s := open(b, b.TempDir())
	if _, err := s.NewTest(ctx, recordtest.NewTest("t")); err != nil {
		b.Fatal(err)
	}
	bare := bareSQLite(b)
	var own, other time.Duration
	// In turns of 50, so that a busy machine strikes both alike; the benchmark counts events of the record.
	for n := uint32(1); b.Loop(); n += 50 {
		start := time.Now()
		for i := range uint32(50) {
			if _, err := s.Append(ctx, "t", []conduct.Event{recordtest.Event(1, n+i)}); err != nil {
				b.Fatal(err)
			}
		}
		middle := time.Now()
		for i := range uint32(50) {
			if err := bare(recordtest.Event(1, n+i)); err != nil {
				b.Fatal(err)
			}
		}
		own, other = own+middle.Sub(start), other+time.Since(middle)
	}
	events := float64(50 * b.N)
	b.ReportMetric(events/own.Seconds(), "events/s")
	b.ReportMetric(events/other.Seconds(), "bare/s")
	b.ReportMetric(100*other.Seconds()/own.Seconds(), "%of-bare")
	b.ReportMetric(0, "ns/op")
}

func bareSQLite(b *testing.B) func(conduct.Event) error {
	dir := b.TempDir()
	schema := oneTest(b, dir)
	db, err := sql.Open("sqlite3", "file:"+filepath.ToSlash(schema)+"?_pragma=journal_mode(wal)&_pragma=synchronous(full)&_pragma=foreign_keys(on)&_txlock=immediate")
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { db.Close() })
	db.SetMaxOpenConns(1)
	insert, err := db.Prepare(`INSERT INTO events (test, term, n, at_ms, kind, json, received_ms) VALUES ('t', ?, ?, ?, ?, ?, ?)`)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { insert.Close() })
	return func(e conduct.Event) error {
		text, err := json.Marshal(&e)
		if err != nil {
			return err
		}
		tx, err := db.Begin()
		if err != nil {
			return err
		}
		if _, err := tx.Stmt(insert).Exec(e.Term, e.N, int64(e.At), e.Kind.String(), string(text), time.Now().UnixMilli()); err != nil {
			return err
		}
		return tx.Commit()
	}
}

// oneTest makes a record with one test and returns its file.
func oneTest(b *testing.B, dir string) string {
	s, err := record.Open(ctx, dir, record.Options{})
	if err != nil {
		b.Fatal(err)
	}
	if _, err := s.NewTest(ctx, recordtest.NewTest("t")); err != nil {
		b.Fatal(err)
	}
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	return filepath.Join(dir, record.FileName)
}

// BenchmarkAppendHundred appends what a page held back while the network was away, a hundred events at once.
func BenchmarkAppendHundred(b *testing.B) {
	s := open(b, b.TempDir())
	if _, err := s.NewTest(ctx, recordtest.NewTest("t")); err != nil {
		b.Fatal(err)
	}
	n := uint32(1)
	for b.Loop() {
		var events []conduct.Event
		for range 100 {
			events = append(events, recordtest.Event(1, n))
			n++
		}
		if _, err := s.Append(ctx, "t", events); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(n-1)/b.Elapsed().Seconds(), "events/s")
}

// BenchmarkSamples stores 10 s of 1 Hz heart rate a call.
func BenchmarkSamples(b *testing.B) {
	s := open(b, b.TempDir())
	if _, err := s.NewTest(ctx, recordtest.NewTest("t")); err != nil {
		b.Fatal(err)
	}
	seq := uint64(0)
	for b.Loop() {
		seq++
		if err := s.AppendSamples(ctx, "t", []record.Block{{Seq: seq, From: 0, To: 9000, Kind: "heart-rate", Payload: make([]byte, 40)}}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkSearch looks for one among a hundred thousand invented people.
func BenchmarkSearch(b *testing.B) {
	dir := b.TempDir()
	file := oneTest(b, dir)
	db, err := sql.Open("sqlite3", "file:"+filepath.ToSlash(file))
	if err != nil {
		b.Fatal(err)
	}
	_, err = db.Exec(`WITH RECURSIVE c(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM c WHERE i < 100000)
		INSERT INTO participants (code, name, birth_date, sex, note, search, created_ms)
		SELECT 'P-' || i, 'Person ' || (i * 7919 % 100003), '', '', '', 'p-' || i || ' person ' || (i * 7919 % 100003), 0 FROM c`)
	if err != nil {
		b.Fatal(err)
	}
	db.Close()
	s := open(b, dir)
	for b.Loop() {
		found, err := s.Participants(ctx, "person 9914", 20)
		if err != nil || len(found) == 0 {
			b.Fatal(len(found), err)
		}
	}
}

// BenchmarkOpen opens an existing record: part of what a cold start costs.
func BenchmarkOpen(b *testing.B) {
	dir := b.TempDir()
	oneTest(b, dir)
	for b.Loop() {
		if err := openOnce(dir, record.Options{}); err != nil {
			b.Fatal(err)
		}
	}
	if info, err := os.Stat(filepath.Join(dir, record.FileName)); err != nil || info.Size() == 0 {
		b.Fatal(fmt.Sprint(info, err))
	}
}
