package centre_test

import (
	"errors"
	"fmt"
	"net/http"
	"os"
	"runtime"
	"sync/atomic"
	"testing"
	"time"

	"gradus/conduct"
	"gradus/internal/record"
	"gradus/internal/record/recordtest"
	"gradus/protocol"
)

// A backlog, broken off in the middle, arrives whole, and sending and taking need little memory: 10,000 tests where
// GRADUS_SOAK is set, as make soak does, 60 in every run.
func TestBacklog(t *testing.T) {
	const events = 120
	people, each := 20, 3
	if os.Getenv("GRADUS_SOAK") != "" {
		people, each = 500, 20
	}
	at := open(t)
	server := serve(t, at)
	s := newSite(t, at, "north", 0)
	for i := range people {
		batch := record.BatchPerson{Participant: record.Participant{Code: fmt.Sprint("P-", i+1), Name: "Anna Beispiel"}}
		for k := range each {
			test := record.BatchTest{Test: recordtest.NewTest(fmt.Sprintf("t-%d-%d", i, k))}
			test.Created = time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)
			for n := range uint32(events) {
				test.Events = append(test.Events, recordtest.Event(1, n+1))
			}
			test.Events = append(test.Events, conduct.Event{Term: 1, N: events + 1, At: 900000, Kind: conduct.Closed, Code: "recovered"})
			batch.Days = append(batch.Days, record.BatchDay{Date: fmt.Sprintf("2026-03-%02d", k+1), State: record.VisitDone, Tests: []record.BatchTest{test}})
		}
		if _, err := s.BringIn(ctx, record.Batch{By: "KL", People: []record.BatchPerson{batch}}); err != nil {
			t.Fatal(err)
		}
		if err := s.AppendSamples(ctx, fmt.Sprintf("t-%d-0", i), []record.Block{{Seq: record.SeqOf(1, 1), To: protocol.Ms(9000), Kind: "hr", Payload: make([]byte, 20<<10)}}); err != nil {
			t.Fatal(err)
		}
	}
	var most atomic.Uint64
	stop := make(chan struct{})
	go func() {
		for {
			select {
			case <-stop:
				return
			case <-time.After(20 * time.Millisecond):
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				most.Store(max(most.Load(), m.HeapAlloc))
			}
		}
	}()
	big := &largest{next: http.DefaultTransport}
	began := time.Now()
	if _, err := s.send(server, &cut{next: big, n: people}); !errors.Is(err, errCut) {
		t.Fatal(err)
	}
	if _, err := s.send(server, big); err != nil {
		t.Fatal(err)
	}
	close(stop)
	found, e1 := at.Tests(ctx, record.TestFilter{})
	if e1 != nil || len(found) != people*each {
		t.Errorf("%d tests, %v", len(found), e1)
	}
	if all, err := s.send(server, big); err != nil || len(all) != 0 {
		t.Error("something was sent again", len(all), err)
	}
	took := time.Since(began)
	t.Logf("%d tests in %v, %d parcels, largest %d KB, heap at most %d MB with the centre in the same process", len(found), took.Round(time.Second), big.requests, big.bytes>>10, most.Load()>>20)
	if big.bytes > 5<<20 || most.Load() > 300<<20 {
		t.Errorf("the largest parcel has %d KB, the heap %d MB", big.bytes>>10, most.Load()>>20)
	}
}
