package record_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"

	"gradus/conduct"
	"gradus/internal/record"
)

// Many tests are written at once, so that their writes share commits. What is refused is refused alone, and all else
// is stored.
func TestManyWritersShareCommits(t *testing.T) {
	for name, s := range map[string]record.Store{"SQLite": open(t, t.TempDir()), "PostgreSQL": openDatabase(t, migrated(t))} {
		t.Run(name, func(t *testing.T) { shareCommits(t, s) })
	}
}

func shareCommits(t *testing.T, s record.Store) {
	const tests, each = 40, 25
	for i := range tests {
		if _, err := s.NewTest(ctx, record.Test{ID: fmt.Sprint("t", i), Protocol: "p", Hash: "h", Sent: []byte("{}")}); err != nil {
			t.Fatal(err)
		}
	}
	note := func(n int, text string) []conduct.Event {
		return []conduct.Event{{Term: 1, N: uint32(n), Kind: conduct.Note, Text: text}}
	}
	var all sync.WaitGroup
	for i := range tests {
		id := fmt.Sprint("t", i)
		all.Go(func() {
			for n := 1; n <= each; n++ {
				if marks, err := s.Append(ctx, id, note(n, "kept")); err != nil || marks.N(1) != uint32(n) {
					t.Errorf("%s: event %d: %v %v", id, n, marks, err)
				}
				var gap *record.GapError
				if _, err := s.Append(ctx, id, note(n+2, "gap")); !errors.As(err, &gap) {
					t.Errorf("%s: a gap after %d: %v", id, n, err)
				}
				var conflict *record.ConflictError
				if _, err := s.Append(ctx, id, note(n, "other")); !errors.As(err, &conflict) {
					t.Errorf("%s: another event %d: %v", id, n, err)
				}
				block := record.Block{Seq: uint64(n), To: 1, Kind: "hr", Payload: []byte{1}}
				if err := s.AppendSamples(ctx, id, []record.Block{block}); err != nil {
					t.Errorf("%s: samples %d: %v", id, n, err)
				}
				var taken *record.BlockConflictError
				other := record.Block{Seq: uint64(n), To: 1, Kind: "hr", Payload: []byte{2}}
				late := record.Block{Seq: uint64(n + each), To: 1, Kind: "late", Payload: []byte{3}}
				if err := s.AppendSamples(ctx, id, []record.Block{other}); !errors.As(err, &taken) {
					t.Errorf("%s: other samples %d: %v", id, n, err)
				}
				if n%5 > 0 { // each undoes a commit
					continue
				}
				if err := s.AppendSamples(ctx, id, []record.Block{late, other}); !errors.As(err, &taken) {
					t.Errorf("%s: new samples and other ones %d: %v", id, n, err)
				}
				if err := s.AppendSamples(ctx, id, []record.Block{block, block}); err != nil {
					t.Errorf("%s: samples %d once more: %v", id, n, err)
				}
				if err := s.AppendSamples(ctx, "nobody", []record.Block{block}); !errors.Is(err, record.ErrNotFound) {
					t.Errorf("samples of no test: %v", err)
				}
			}
		})
	}
	all.Wait()
	for i := range tests {
		id := fmt.Sprint("t", i)
		events, err := s.Events(ctx, id)
		if err != nil || len(events) != each {
			t.Errorf("%s: %d events, %v", id, len(events), err)
		}
		for _, e := range events {
			if e.Text != "kept" {
				t.Errorf("%s: event %v is %q", id, e.ID(), e.Text)
			}
		}
		if blocks, err := s.Samples(ctx, id, "late", 0, 10); err != nil || len(blocks) != 0 {
			t.Errorf("%s: %d blocks of calls that were refused, %v", id, len(blocks), err)
		}
		blocks, err := s.Samples(ctx, id, "hr", 0, 10)
		if err != nil || len(blocks) != each {
			t.Errorf("%s: %d blocks, %v", id, len(blocks), err)
		}
	}
	if err := intact(s); err != nil {
		t.Error(err)
	}
}

// A call whose context has ended stores nothing; one that ends while it waits is carried through.
func TestEndedContext(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	s, err := record.Open(ctx, t.TempDir(), record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if _, err := s.NewTest(ctx, record.Test{ID: "t", Protocol: "p", Hash: "h", Sent: []byte("{}")}); err != nil {
		t.Fatal(err)
	}
	cancel()
	if _, err := s.Append(ctx, "t", []conduct.Event{{Term: 1, N: 1, Kind: conduct.Note}}); !errors.Is(err, context.Canceled) {
		t.Errorf("after its end: %v", err)
	}
	if events, err := s.Events(context.Background(), "t"); err != nil || len(events) != 0 {
		t.Errorf("stored %d events, %v", len(events), err)
	}
}
