package record_test

import (
	"database/sql"
	"encoding/hex"
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
func BenchmarkAppend(b *testing.B) { benchmarkAppend(b, nil) }

// BenchmarkAppendEncrypted does the same with both encrypted.
func BenchmarkAppendEncrypted(b *testing.B) { benchmarkAppend(b, testKey) }

func benchmarkAppend(b *testing.B, key []byte) {
	s := openKeyed(b, b.TempDir(), key)
	if _, err := s.NewTest(ctx, recordtest.NewTest("t")); err != nil {
		b.Fatal(err)
	}
	bare := bareSQLite(b, key)
	var own, other time.Duration
	// In turns, so that a busy machine strikes both alike; the benchmark counts events of the record. Each turn of the
	// record ends with its log copied, so that no turn of the other carries that work.
	const turn = 200
	for n := uint32(1); b.Loop(); n += turn {
		start := time.Now()
		for i := range uint32(turn) {
			if _, err := s.Append(ctx, "t", []conduct.Event{recordtest.Event(1, n+i)}); err != nil {
				b.Fatal(err)
			}
		}
		if err := s.Settle(); err != nil {
			b.Fatal(err)
		}
		middle := time.Now()
		for i := range uint32(turn) {
			if err := bare(recordtest.Event(1, n+i)); err != nil {
				b.Fatal(err)
			}
		}
		own, other = own+middle.Sub(start), other+time.Since(middle)
	}
	events := float64(turn * b.N)
	b.ReportMetric(events/own.Seconds(), "events/s")
	b.ReportMetric(events/other.Seconds(), "bare/s")
	b.ReportMetric(100*other.Seconds()/own.Seconds(), "%of-bare")
	b.ReportMetric(0, "ns/op")
}

func bareSQLite(b *testing.B, key []byte) func(conduct.Event) error {
	dir := b.TempDir()
	schema := oneTest(b, dir, key)
	address := "file:" + filepath.ToSlash(schema) + "?_pragma=journal_mode(wal)&_pragma=synchronous(full)&_pragma=foreign_keys(on)&_txlock=immediate"
	if key != nil {
		address += "&vfs=adiantum&hexkey=" + hex.EncodeToString(key)
	}
	db, err := sql.Open("sqlite3", address)
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
func oneTest(b *testing.B, dir string, key []byte) string {
	s, err := record.Open(ctx, dir, record.Options{Key: key})
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

// BenchmarkSearch looks among a hundred thousand invented people: for one, for a page of many, for pieces of one and two
// letters, for nobody, and for the first time after the program has started.
func BenchmarkSearch(b *testing.B) {
	dir := b.TempDir()
	crowd(b, dir, 100_000)
	s := open(b, dir)
	if _, err := s.Participants(ctx, record.ParticipantFilter{Limit: 1}); err != nil { // waits for the first reading
		b.Fatal(err)
	}
	look := func(s *record.SQLite, f record.ParticipantFilter, want int) func(*testing.B) {
		return func(b *testing.B) {
			for b.Loop() {
				found, err := s.Participants(ctx, f)
				if err != nil || found.Total != want || len(found.People) != min(want, f.Limit) {
					b.Fatal(len(found.People), found.Total, err)
				}
			}
		}
	}
	for _, c := range []struct {
		name, query  string
		offset, want int
	}{
		{"one", "muller 99100", 0, 1},
		{"identifier", "h-0099100", 0, 1},
		{"everyone", "", 0, 100_000},
		{"last-page", "", 99_980, 100_000},
		{"many", "person", 0, 99_000},
		{"two-letters", "ül", 0, 1_000},
		{"nobody", "zq", 0, 0},
	} {
		b.Run(c.name, look(s, record.ParticipantFilter{Query: c.query, Offset: c.offset, Limit: 20}, c.want))
	}
	b.Run("first-after-start", func(b *testing.B) {
		for b.Loop() {
			b.StopTimer()
			fresh := open(b, dir)
			b.StartTimer()
			if found, err := fresh.Participants(ctx, record.ParticipantFilter{Query: "muller 99100", Limit: 20}); err != nil || found.Total != 1 {
				b.Fatal(found.Total, err)
			}
			b.StopTimer()
			fresh.Close()
			b.StartTimer()
		}
	})
	b.Run("after-a-change", func(b *testing.B) {
		n := 0
		for b.Loop() {
			b.StopTimer()
			n++
			if _, err := s.AddParticipant(ctx, record.Participant{Code: fmt.Sprint("new-", n), Name: "Zq"}); err != nil {
				b.Fatal(err)
			}
			b.StartTimer()
			if found, err := s.Participants(ctx, record.ParticipantFilter{Query: "zq", Limit: 20}); err != nil || found.Total != n {
				b.Fatal(found.Total, err)
			}
		}
	})
}

// BenchmarkDue lists who is due this week and who comes today, among a hundred thousand invented people with three
// visits each, every one with a retest date.
func BenchmarkDue(b *testing.B) {
	dir := b.TempDir()
	crowd(b, dir, 100_000)
	db, err := sql.Open("sqlite3", "file:"+filepath.ToSlash(filepath.Join(dir, record.FileName)))
	if err != nil {
		b.Fatal(err)
	}
	if _, err := db.Exec(`WITH RECURSIVE c(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM c WHERE i < 299999)
		INSERT INTO visits (participant, date, time, retest_due, state, note, created_ms)
		SELECT 1 + i % 100000, date('2024-01-01', (i % 700 + 300 * (i / 100000)) || ' days'), '', date('2024-03-01', (i % 700 + 300 * (i / 100000)) || ' days'), 'done', '', 0 FROM c WHERE true ON CONFLICT DO NOTHING`); err != nil {
		b.Fatal(err)
	}
	db.Close()
	s := open(b, dir)
	for name, f := range map[string]record.VisitFilter{"due": {DueFrom: "2026-01-01", DueTo: "2026-02-01", Limit: 40}, "today": {From: "2025-06-02", To: "2025-06-02", Limit: 100}} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				found, err := s.Visits(ctx, f)
				if err != nil || len(found) != f.Limit {
					b.Fatal(len(found), err)
				}
			}
		})
	}
}

// crowd fills a record with invented people; every hundredth is called Müller and has an identifier.
func crowd(b *testing.B, dir string, people int) {
	file := oneTest(b, dir, nil)
	db, err := sql.Open("sqlite3", "file:"+filepath.ToSlash(file))
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	for _, query := range []string{
		`WITH RECURSIVE c(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM c WHERE i < ?)
			INSERT INTO participants (site, code, name, birth_date, sex, note, created_ms, age_years, age_told, gender, rhythm, condition, conditions, drugs, changed)
			SELECT 1, 'P-' || (i * 7919 % 100003), CASE WHEN i % 100 = 0 THEN 'Anna Müller ' ELSE 'Person ' END || i, '', '', '', 0, 0, '', '', '', '', '[]', '[]', i FROM c`,
		`INSERT INTO identifiers (participant, place, system, value, folded)
			SELECT id, 1, 'hospital', printf('H-%07d', id), printf('hospital|h%07d', id) FROM participants WHERE id % 100 = 0 AND id < ? + 1`,
	} {
		if _, err := db.Exec(query, people); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkOpen opens an existing record: part of what a cold start costs.
func BenchmarkOpen(b *testing.B) {
	dir := b.TempDir()
	oneTest(b, dir, nil)
	for b.Loop() {
		if err := openOnce(dir, record.Options{}); err != nil {
			b.Fatal(err)
		}
	}
	if info, err := os.Stat(filepath.Join(dir, record.FileName)); err != nil || info.Size() == 0 {
		b.Fatal(fmt.Sprint(info, err))
	}
}
