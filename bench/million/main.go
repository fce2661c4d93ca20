// Command million fills a PostgreSQL record with invented people and tests and measures what a clinic does all day:
// append to a running test, open a test, look for a person, list. See README.md beside it.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"gradus/conduct"
	"gradus/internal/pgtest"
	"gradus/internal/record"
	"gradus/protocol"
)

var (
	sites  = flag.Int("sites", 1000, "sites")
	people = flag.Int("people", 300_000, "people")
	tests  = flag.Int("tests", 1_000_000, "tests, each with its visit")
	events = flag.Int("events", 8, "events of each test")
	rounds = flag.Int("rounds", 300, "how often each thing is measured")
)

func main() {
	flag.Parse()
	if err := run(context.Background()); err != nil {
		fmt.Fprintln(os.Stderr, "million:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context) error {
	server, err := pgtest.NewOnDisk()
	if err != nil {
		return err
	}
	defer server.Stop()
	s, err := record.OpenDatabase(ctx, server.URL("postgres"), record.Options{})
	if err != nil {
		return err
	}
	if err := s.Close(); err != nil {
		return err
	}
	begin := time.Now()
	if err := fill(server); err != nil {
		return err
	}
	if err := sizes(ctx, server); err != nil {
		return err
	}
	fmt.Printf("%d sites, %d people, %d tests with %d events each: made in %.0f s\n", *sites, *people, *tests, *events, time.Since(begin).Seconds())
	begin = time.Now()
	if s, err = record.OpenDatabase(ctx, server.URL("postgres"), record.Options{}); err != nil {
		return err
	}
	if _, err := s.Participants(ctx, record.ParticipantFilter{Limit: 1}); err != nil {
		return err
	}
	fmt.Printf("opened, and all names read: %.2f s\n", time.Since(begin).Seconds())
	return errors.Join(measure(ctx, s), s.Close())
}

// sizes says what the tables take, with their indexes.
func sizes(ctx context.Context, server *pgtest.Server) error {
	c, err := pgx.Connect(ctx, server.URL("postgres"))
	if err != nil {
		return err
	}
	defer c.Close(ctx)
	rows, err := c.Query(ctx, `SELECT relname::text, pg_size_pretty(pg_total_relation_size(relid)) FROM pg_stat_user_tables ORDER BY pg_total_relation_size(relid) DESC LIMIT 4`)
	if err != nil {
		return err
	}
	var name, size string
	_, err = pgx.ForEachRow(rows, []any{&name, &size}, func() error {
		fmt.Printf("%s: %s\n", name, size)
		return nil
	})
	return err
}

// fill makes everything inside the server. Every hundredth person is called Müller and has an identifier.
func fill(server *pgtest.Server) error {
	const part, placeholder = 100_000, 777_777_777
	text, err := json.Marshal(&conduct.Event{Term: 1, N: placeholder, At: protocol.Second, Wall: "2026-01-02T03:04:05.678+13:00", Kind: conduct.Note, By: "examiner", Text: "an invented entry of ordinary length, as of a reading"})
	if err != nil {
		return err
	}
	texts := []string{
		`SET synchronous_commit = off`,
		`SET session_replication_role = replica`, // what is made here is sound, and no change of a person's
		fmt.Sprintf(`INSERT INTO sites (name, keep_years, created_ms) SELECT 'site ' || i, 0, 0 FROM generate_series(2, %d) i`, *sites),
		fmt.Sprintf(`INSERT INTO participants (site, code, name, birth_date, sex, note, created_ms, age_years, age_told, gender, rhythm, condition, conditions, drugs, changed)
			SELECT 1 + i %% %d, 'P-' || i, CASE WHEN i %% 100 = 0 THEN 'Anna Müller ' ELSE 'Person ' END || i, '', 'female', '', 0, 0, '', '', '', '', '[]', '[]', i FROM generate_series(1, %d) i`, *sites, *people),
		fmt.Sprintf(`INSERT INTO identifiers (participant, place, system, value, folded) SELECT i, 1, 'hospital', 'H-' || i, 'hospital|h' || i FROM generate_series(100, %d, 100) i`, *people),
	}
	for from := 0; from < *tests; from += part {
		to := min(from+part, *tests) - 1
		texts = append(texts,
			fmt.Sprintf(`INSERT INTO visits (id, participant, date, time, retest_due, state, note, created_ms)
				SELECT i + 1, 1 + i %% %d, to_char(date '2020-01-01' + (i %% 2000 + 3 * (i / %d)), 'YYYY-MM-DD'), '', to_char(date '2020-04-01' + (i %% 2000 + 3 * (i / %d)), 'YYYY-MM-DD'), 'done', '', i FROM generate_series(%d, %d) i`,
				*people, *people, *people, from, to),
			fmt.Sprintf(`INSERT INTO tests (id, participant, visit, protocol_id, protocol_version, protocol_hash, protocol_sent, title, demo, created_ms, closed_ms, site)
				SELECT 't-' || i, 1 + i %% %d, i + 1, 'invented', '1', '00ff', '{"id":"invented"}', 'invented test', 0, i, i + 1, 1 + (1 + i %% %d) %% %d FROM generate_series(%d, %d) i`, *people, *people, *sites, from, to),
			fmt.Sprintf(`INSERT INTO events (test, term, n, at_ms, kind, json, received_ms)
				SELECT 't-' || i, 1, n, n * 60000, '%s', replace('%s', '%d', n::text), i FROM generate_series(%d, %d) i, generate_series(1, %d) n`, conduct.Note, text, placeholder, from, to, *events))
	}
	texts = append(texts, `SELECT setval(pg_get_serial_sequence('visits', 'id'), (SELECT max(id) FROM visits))`, `VACUUM ANALYZE`, `CHECKPOINT`)
	return server.Exec("postgres", texts...)
}

func measure(ctx context.Context, s *record.Postgres) error {
	test := func() string { return fmt.Sprint("t-", rand.IntN(*tests)) }
	live := record.Test{ID: "live", Protocol: "invented", Version: "1", Hash: "00ff", Sent: []byte(`{"id":"invented"}`), Title: "invented", Demo: true}
	if _, err := s.NewTest(ctx, live); err != nil {
		return err
	}
	n := uint32(0)
	now := time.Date(2024, 3, 1, 0, 0, 0, 0, time.UTC)
	day := func(i int) string { return now.AddDate(0, 0, i).Format(time.DateOnly) }
	for _, c := range []struct {
		what string
		do   func(i int) error
	}{
		{"append an event, on disk", func(int) error {
			n++
			_, err := s.Append(ctx, "live", []conduct.Event{{Term: 1, N: n, At: protocol.Ms(n), Kind: conduct.Note, Text: "x"}})
			return err
		}},
		{"open a test with its events", func(int) error {
			id := test()
			_, err1 := s.Test(ctx, id)
			found, err2 := s.Events(ctx, id)
			if len(found) != *events {
				err2 = errors.Join(err2, fmt.Errorf("%s has %d events", id, len(found)))
			}
			return errors.Join(err1, err2)
		}},
		{"search: one person of all", func(int) error {
			id := 100 * (1 + rand.IntN(*people/100))
			found, err := s.Participants(ctx, record.ParticipantFilter{Query: fmt.Sprint("muller ", id), Limit: 20})
			if found.Total < 1 {
				err = errors.Join(err, fmt.Errorf("person %d was not found", id))
			}
			return err
		}},
		{"search: a page of many", func(int) error {
			_, err := s.Participants(ctx, record.ParticipantFilter{Query: "person", Limit: 20})
			return err
		}},
		{"a person's tests", func(int) error {
			_, err := s.Tests(ctx, record.TestFilter{Participant: int64(1 + rand.IntN(*people)), Limit: 50})
			return err
		}},
		{"the newest 50 tests", func(int) error { _, err := s.Tests(ctx, record.TestFilter{Limit: 50}); return err }},
		{"tests that run", func(int) error { _, err := s.Tests(ctx, record.TestFilter{Running: true}); return err }},
		{"visits of a day, 50 of them", func(i int) error {
			_, err := s.Visits(ctx, record.VisitFilter{From: day(i), To: day(i), Limit: 50})
			return err
		}},
		{"retests due in a week, 50 of them", func(i int) error {
			_, err := s.Visits(ctx, record.VisitFilter{DueFrom: day(i), DueTo: day(i + 7), Limit: 50})
			return err
		}},
		{"a new person", func(i int) error {
			_, err := s.AddParticipant(ctx, record.Participant{Code: fmt.Sprint("new-", i)})
			return err
		}},
	} {
		var all []time.Duration
		for i := range *rounds {
			begin := time.Now()
			if err := c.do(i); err != nil {
				return fmt.Errorf("%s: %w", c.what, err)
			}
			all = append(all, time.Since(begin))
		}
		slices.Sort(all)
		ms := func(q float64) float64 { return float64(all[int(q*float64(len(all)-1))].Microseconds()) / 1000 }
		fmt.Printf("%-36s median %8.2f ms, 99 %% %8.2f ms\n", c.what, ms(0.5), ms(0.99))
	}
	return nil
}
