package recordtest

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"

	"gradus/conduct"
	"gradus/internal/record"
)

func cancelledContext() (context.Context, context.CancelFunc) {
	gone, cancel := context.WithCancel(ctx)
	cancel()
	return gone, cancel
}

// together runs functions at once and collects their errors.
func together(t *testing.T, run ...func() error) {
	t.Helper()
	var wait sync.WaitGroup
	errs := make([]error, len(run))
	for i, f := range run {
		wait.Go(func() { errs[i] = f() })
	}
	wait.Wait()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
}

// Two programs send the same events in pieces of their own, as a page does that was cut off and comes back.
func sameWriters(t *testing.T, b *bench) {
	b.test(t, "t")
	const last = 150
	send := func(s record.Store, seed uint64) func() error {
		random := rand.New(rand.NewPCG(seed, 1))
		return func() error {
			for marks := record.Marks(nil); marks.N(1) < last; {
				from := max(1, int(marks.N(1))-random.IntN(3))
				to := min(last, int(marks.N(1))+1+random.IntN(4))
				var err error
				if marks, err = s.Append(ctx, "t", span(1, uint32(from), uint32(to))); err != nil {
					return err
				}
			}
			return nil
		}
	}
	together(t, send(b.Store, 1), send(b.Store, 2), send(b.another(t), 3))
	b.stored(t, "t", span(1, 1, last))
}

// Two devices that both believe they hold the pen write different events under the same ids: each id goes to one
// of them, and the other is told.
func rivals(t *testing.T, b *bench) {
	b.test(t, "t")
	const last = 100
	must(b.Append(ctx, "t", span(1, 1, 1)))(t)
	var won [2][]conduct.Event
	write := func(s record.Store, who int) func() error {
		return func() error {
			for n := uint32(2); n <= last; n++ {
				e := Event(1, n)
				e.By = fmt.Sprint("device ", who)
				var conflict *record.ConflictError
				switch _, err := s.Append(ctx, "t", []conduct.Event{e}); {
				case err == nil:
					won[who] = append(won[who], e)
				case !errors.As(err, &conflict):
					return err
				case conflict.Have.By == e.By:
					return fmt.Errorf("%s is in conflict with itself at %v", e.By, e.ID())
				}
			}
			return nil
		}
	}
	together(t, write(b.Store, 0), write(b.another(t), 1))
	want := span(1, 1, last)
	for _, list := range won {
		for _, e := range list {
			if want[e.N-1].By != "examiner" {
				t.Fatalf("%v was acknowledged to both", e.ID())
			}
			want[e.N-1] = e
		}
	}
	b.stored(t, "t", want)
}

func manyTests(t *testing.T, b *bench) {
	const tests, last = 8, 40
	var run []func() error
	for i := range tests {
		id := b.test(t, fmt.Sprint("t", i))
		run = append(run, func() error {
			for n := uint32(1); n <= last; n++ {
				if _, err := b.Append(ctx, id, span(1, n, n)); err != nil {
					return err
				}
				if err := b.AppendSamples(ctx, id, []record.Block{block(uint64(n), 0)}); err != nil {
					return err
				}
				if got, err := b.EventsSince(ctx, id, record.Marks{{Term: 1, N: n - 1}}); err != nil || len(got) != 1 {
					return fmt.Errorf("%s: %d events after %d were acknowledged: %w", id, len(got), n, err)
				}
			}
			return nil
		})
	}
	together(t, run...)
	for i := range tests {
		b.stored(t, fmt.Sprint("t", i), span(1, 1, last))
	}
}

func reopened(t *testing.T, b *bench) {
	anna := must(b.AddParticipant(ctx, record.Participant{Code: "A", Name: "Anna Beispiel"}))(t)
	test := must(b.NewTest(ctx, NewTest("t")))(t)
	must(b.Append(ctx, "t", append(span(1, 1, 9), span(2, 1, 3)...)))(t)
	if err := b.AppendSamples(ctx, "t", []record.Block{block(1, 0)}); err != nil {
		t.Fatal(err)
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	b.Store = b.another(t)
	equal(t, "person", must(b.Participant(ctx, anna.ID))(t), anna)
	equal(t, "test", must(b.Test(ctx, "t"))(t), test)
	b.stored(t, "t", append(span(1, 1, 9), span(2, 1, 3)...))
	equal(t, "samples", must(b.Samples(ctx, "t", "heart-rate", 0, 1))(t), []record.Block{block(1, 0)})
	equal(t, "marks", must(b.Append(ctx, "t", span(2, 4, 4)))(t), record.Marks{{Term: 1, N: 9}, {Term: 2, N: 4}})
}
