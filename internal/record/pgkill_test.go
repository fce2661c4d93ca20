package record_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"reflect"
	"sync"
	"testing"
	"time"

	"gradus/conduct"
	"gradus/internal/pgtest"
	"gradus/internal/record"
	"gradus/internal/record/recordtest"
)

// TestKillServer kills the database server and all its processes with kill -9 while two programs write, again and
// again. After each restart the record agrees with its audit trail. What was acknowledged is there; what was not is sent
// again by its program, as a page does.
func TestKillServer(t *testing.T) {
	server, err := pgtest.New()
	if err != nil {
		t.Fatal(err)
	}
	defer server.Stop()
	writers := [2]*record.Postgres{openDatabase(t, server.URL("postgres")), openDatabase(t, server.URL("postgres"))}
	const tests = 3 // of each program, and one that both write
	for i := range 2*tests + 1 {
		if _, err := writers[0].NewTest(ctx, recordtest.NewTest(fmt.Sprint("t", i))); err != nil {
			t.Fatal(err)
		}
	}
	var mu sync.Mutex
	acknowledged := map[string]uint32{} // the last event of each test
	random := rand.New(rand.NewPCG(1, 2))
	rounds, total := often(20, 1000), 0
	for round := range rounds {
		var wait sync.WaitGroup
		for w, s := range writers {
			for _, i := range []int{tests * w, tests*w + 1, tests*w + 2, 2 * tests} {
				id := fmt.Sprint("t", i)
				wait.Go(func() {
					for {
						mu.Lock()
						n := acknowledged[id]
						mu.Unlock()
						events := []conduct.Event{recordtest.Event(1, n+1), recordtest.Event(1, n+2)}
						marks, err := s.Append(ctx, id, events)
						if err != nil {
							if !errors.Is(err, record.ErrAway) && !errors.Is(err, record.ErrBusy) {
								t.Errorf("round %d: %v", round, err)
							}
							return
						}
						mu.Lock()
						acknowledged[id] = max(acknowledged[id], marks.N(1))
						mu.Unlock()
					}
				})
			}
		}
		time.Sleep(time.Duration(5+random.IntN(60)) * time.Millisecond)
		if err := server.Kill(); err != nil {
			t.Fatal(err)
		}
		wait.Wait()
		if err := server.Start(); err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		if err := intactAt(server.URL("postgres")); err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
	}
	after := openDatabase(t, server.URL("postgres"))
	for id, last := range acknowledged {
		events, err := after.Events(ctx, id)
		if err != nil || len(events) < int(last) {
			t.Errorf("%s: %d events are there, %d were acknowledged, %v", id, len(events), last, err)
		}
		for i, e := range events {
			if !reflect.DeepEqual(e, recordtest.Event(1, uint32(i+1))) {
				t.Fatalf("%s: event %d is %v", id, i+1, e.ID())
			}
		}
		total += int(last)
	}
	t.Logf("%d kills of the server, %d events acknowledged", rounds, total)
	if total < rounds {
		t.Errorf("only %d events were acknowledged in %d rounds; that proves little", total, rounds)
	}
}

// intactAt holds a record against its audit trail through connections of its own: those of before a kill are cut.
func intactAt(address string) error {
	s, err := record.OpenDatabase(ctx, address, record.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	return errors.Join(intact(s), s.Close())
}
