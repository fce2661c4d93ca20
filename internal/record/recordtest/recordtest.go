// Package recordtest defines what a store of the record must do. A new backend passes Run before anyone relies on
// it at the bedside: events exactly once and without a gap, all or none of a call, typed errors, two writers at
// once, and everything there again after reopening.
package recordtest

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"testing"

	"gradus/conduct"
	"gradus/internal/record"
	"gradus/protocol"
)

// Open opens the store kept in a place; the same place again gives the same store, also while it is open. The
// place is a directory of the test's own.
type Open func(t *testing.T, place string) record.Store

// Run runs the whole suite.
func Run(t *testing.T, open Open) {
	for _, c := range []struct {
		name string
		test func(*testing.T, *bench)
	}{
		{"participants", participants},
		{"search", search},
		{"participants refused", participantsRefused},
		{"details of a person", details},
		{"search of everything", searchAll},
		{"archive", archive},
		{"duplicates", duplicates},
		{"merges", merges},
		{"visits", visits},
		{"visits refused", visitsRefused},
		{"due", due},
		{"tests of visits", testsOfVisits},
		{"facts", facts},
		{"facts at once", factsAtOnce},
		{"facts of a kind", factsOfKind},
		{"visits at once", visitsAtOnce},
		{"results and papers", results},
		{"brought in", bringIn},
		{"bringing in refused", bringInRefused},
		{"machines", machines},
		{"control runs", controlRuns},
		{"tests", tests},
		{"tests refused", testsRefused},
		{"reassign", reassign},
		{"events", events},
		{"events sent twice", sentTwice},
		{"events refused", eventsRefused},
		{"all or none", allOrNone},
		{"events since", eventsSince},
		{"closing", closing},
		{"samples", samples},
		{"samples refused", samplesRefused},
		{"cancelled", cancelled},
		{"two writers of the same events", sameWriters},
		{"two writers of different events", rivals},
		{"many tests at once", manyTests},
		{"sites", sites},
		{"accounts", accounts},
		{"credentials", credentials},
		{"sessions", sessions},
		{"attempts", attempts},
		{"countersigned tests", countersigned},
		{"consents", consents},
		{"erasure", erasure},
		{"files", files},
		{"study codes", studyCodes},
		{"links", links},
		{"audit trail", trail},
		{"reopened", reopened},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := &bench{place: t.TempDir(), open: open}
			b.Store = b.another(t)
			c.test(t, b)
			if err := b.Check(context.Background()); err != nil {
				t.Errorf("check: %v", err)
			}
			b.whole(t)
		})
	}
}

// bench is an open store and the means to open it again.
type bench struct {
	record.Store
	place string
	open  Open
}

func (b *bench) another(t *testing.T) record.Store {
	s := b.open(t, b.place)
	t.Cleanup(func() { s.Close() })
	return s
}

var ctx = context.Background()

// must returns the value or ends the test.
func must[T any](v T, err error) func(*testing.T) T {
	return func(t *testing.T) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func equal(t *testing.T, what string, got, want any) {
	t.Helper()
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%s: got %+v, want %+v", what, got, want)
	}
}

// refused checks that an error is of a type.
func refused[E error](t *testing.T, what string, err error) E {
	t.Helper()
	var want E
	if !errors.As(err, &want) {
		t.Fatalf("%s: got error %v, want a %T", what, err, want)
	}
	return want
}

func missing(t *testing.T, what string, err error) {
	t.Helper()
	if !errors.Is(err, record.ErrNotFound) {
		t.Errorf("%s: got error %v, want %v", what, err, record.ErrNotFound)
	}
}

// NewTest is a test of nobody by an invented protocol.
func NewTest(id string) record.Test {
	return record.Test{ID: id, Protocol: "invented", Version: "1", Hash: "00ff", Sent: []byte(`{"id":"invented"}`), Title: "invented test", Demo: true}
}

func (b *bench) test(t *testing.T, id string) string {
	t.Helper()
	must(b.NewTest(ctx, NewTest(id)))(t)
	return id
}

// Event is the nth event of a term: began, took-over, or a heart rate that tells n.
func Event(term, n uint32) conduct.Event {
	e := conduct.Event{Term: term, N: n, At: protocol.Ms(n) * protocol.Second, Wall: "2026-01-02T03:04:05.678+13:00", By: "examiner"}
	switch {
	case n == 1 && term == 1:
		e.Kind, e.Begin = conduct.Began, &conduct.Begin{Format: conduct.FormatVersion, Protocol: "invented", Version: "1", Hash: "00ff"}
	case n == 1:
		e.Kind, e.Ref = conduct.TookOver, conduct.ID{Term: term - 1, N: 1}
	default:
		e.Kind, e.What, e.V, e.Src, e.Used, e.Text = conduct.Window, 1, 100+float64(n)/8, conduct.Strap, 15, "ü “quoted” <b>"
	}
	return e
}

// Run of events from n = from to n = to of a term.
func span(term, from, to uint32) []conduct.Event {
	var list []conduct.Event
	for n := from; n <= to; n++ {
		list = append(list, Event(term, n))
	}
	return list
}

// stored checks which events a test has.
func (b *bench) stored(t *testing.T, test string, want []conduct.Event) {
	t.Helper()
	equal(t, "events of "+test, ids(must(b.Events(ctx, test))(t)), ids(want))
	equal(t, "events of "+test, must(b.Events(ctx, test))(t), want)
}

func ids(events []conduct.Event) string {
	var list []conduct.ID
	for i := range events {
		list = append(list, events[i].ID())
	}
	return fmt.Sprint(list)
}
