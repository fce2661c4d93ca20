package recordtest

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"gradus/conduct"
	"gradus/internal/record"
)

func events(t *testing.T, b *bench) {
	b.test(t, "t")
	equal(t, "marks of a new test", must(b.Append(ctx, "t", nil))(t), record.Marks(nil))
	equal(t, "events of a new test", len(must(b.Events(ctx, "t"))(t)), 0)
	equal(t, "marks", must(b.Append(ctx, "t", span(1, 1, 3)))(t), record.Marks{{Term: 1, N: 3}})

	backwards := append(span(1, 4, 6), span(3, 1, 2)...)
	slices.Reverse(backwards)
	want := record.Marks{{Term: 1, N: 6}, {Term: 3, N: 2}}
	equal(t, "marks", must(b.Append(ctx, "t", backwards))(t), want)
	want = record.Marks{{Term: 1, N: 7}, {Term: 2, N: 1}, {Term: 3, N: 2}}
	equal(t, "marks", must(b.Append(ctx, "t", append(span(2, 1, 1), Event(1, 7))))(t), want)
	equal(t, "marks without events", must(b.Append(ctx, "t", nil))(t), want)
	b.stored(t, "t", slices.Concat(span(1, 1, 7), span(2, 1, 1), span(3, 1, 2)))

	b.test(t, "other")
	equal(t, "marks of another test", must(b.Append(ctx, "other", span(1, 1, 1)))(t), record.Marks{{Term: 1, N: 1}})
}

func sentTwice(t *testing.T, b *bench) {
	b.test(t, "t")
	for _, list := range [][]conduct.Event{span(1, 1, 4), span(1, 1, 4), span(1, 3, 6), append(span(1, 5, 8), span(1, 6, 7)...), span(1, 2, 2)} {
		must(b.Append(ctx, "t", list))(t)
	}
	b.stored(t, "t", span(1, 1, 8))
}

func eventsRefused(t *testing.T, b *bench) {
	b.test(t, "t")
	_, err := b.Append(ctx, "t", span(1, 2, 2))
	equal(t, "wanted", refused[*record.GapError](t, "no first event", err).Want, conduct.ID{Term: 1, N: 1})
	must(b.Append(ctx, "t", span(1, 1, 3)))(t)
	_, err = b.Append(ctx, "t", span(1, 6, 9))
	equal(t, "gap", *refused[*record.GapError](t, "a gap", err), record.GapError{Got: conduct.ID{Term: 1, N: 6}, Want: conduct.ID{Term: 1, N: 4}})
	_, err = b.Append(ctx, "t", span(2, 2, 2))
	equal(t, "wanted", refused[*record.GapError](t, "a term without its beginning", err).Want, conduct.ID{Term: 2, N: 1})

	other := Event(1, 3)
	other.V++
	_, err = b.Append(ctx, "t", []conduct.Event{other})
	conflict := refused[*record.ConflictError](t, "another event under the same id", err)
	equal(t, "conflict", *conflict, record.ConflictError{Test: "t", ID: other.ID(), Have: Event(1, 3), Got: other})
	twin := Event(1, 4)
	twin.Text = "x"
	_, err = b.Append(ctx, "t", []conduct.Event{Event(1, 4), twin})
	refused[*record.ConflictError](t, "two events of one id in a call", err)

	for what, change := range map[string]func(*conduct.Event){
		"no term":      func(e *conduct.Event) { e.Term = 0 },
		"no n":         func(e *conduct.Event) { e.N = 0 },
		"no number":    func(e *conduct.Event) { e.V = math.NaN() },
		"no end":       func(e *conduct.Event) { e.V2 = math.Inf(1) },
		"unknown kind": func(e *conduct.Event) { e.Kind = 200 },
		"a long text":  func(e *conduct.Event) { e.Text = strings.Repeat("x", 65<<10) },
	} {
		e := Event(1, 4)
		change(&e)
		_, err := b.Append(ctx, "t", []conduct.Event{e})
		refused[*record.InvalidError](t, what, err)
	}
	for _, list := range [][]conduct.Event{nil, span(1, 1, 1)} {
		_, err = b.Append(ctx, "u", list)
		missing(t, "append to an unknown test", err)
	}
	_, err = b.Events(ctx, "u")
	missing(t, "events of an unknown test", err)
	b.stored(t, "t", span(1, 1, 3))
}

func allOrNone(t *testing.T, b *bench) {
	b.test(t, "t")
	must(b.Append(ctx, "t", span(1, 1, 2)))(t)
	other := Event(1, 2)
	other.V++
	bad := Event(2, 2)
	bad.V = math.NaN()
	for what, list := range map[string][]conduct.Event{
		"a gap at the end":      append(span(1, 3, 5), Event(1, 7)),
		"a gap in another term": append(span(1, 3, 5), Event(2, 2)),
		"a conflict":            append(span(1, 3, 5), other),
		"an invalid one":        append(span(1, 3, 5), Event(2, 1), bad),
	} {
		if _, err := b.Append(ctx, "t", list); err == nil {
			t.Errorf("%s passed", what)
		}
		b.stored(t, "t", span(1, 1, 2))
	}
	must(b.Append(ctx, "t", span(1, 3, 5)))(t)
	b.stored(t, "t", span(1, 1, 5))
}

func eventsSince(t *testing.T, b *bench) {
	b.test(t, "t")
	all := slices.Concat(span(1, 1, 5), span(2, 1, 3), span(4, 1, 4))
	must(b.Append(ctx, "t", all))(t)
	for _, marks := range []record.Marks{
		nil, {{Term: 1, N: 5}}, {{Term: 1, N: 2}}, {{Term: 2, N: 1}}, {{Term: 1, N: 5}, {Term: 2, N: 3}, {Term: 4, N: 4}},
		{{Term: 1, N: 1}, {Term: 3, N: 9}, {Term: 4, N: 3}}, {{Term: 9, N: 9}},
	} {
		var want []conduct.Event
		for _, e := range all {
			if e.N > marks.N(e.Term) {
				want = append(want, e)
			}
		}
		equal(t, "events since", must(b.EventsSince(ctx, "t", marks))(t), want)
	}
	_, err := b.EventsSince(ctx, "u", nil)
	missing(t, "events of an unknown test", err)
}

// A closing event of the device that holds the pen ends the test; one that it wrote after it had lost the pen
// does not, in whatever order they arrive.
func closing(t *testing.T, b *bench) {
	end := func(term, n uint32) conduct.Event {
		return conduct.Event{Term: term, N: n, Kind: conduct.Closed, Code: "recovered"}
	}
	took := func(term, seen uint32) conduct.Event {
		return conduct.Event{Term: term, N: 1, Kind: conduct.TookOver, Ref: conduct.ID{Term: term - 1, N: seen}}
	}
	for name, c := range map[string]struct {
		calls   [][]conduct.Event
		running bool
	}{
		"runs":                    {[][]conduct.Event{span(1, 1, 3)}, true},
		"ends":                    {[][]conduct.Event{span(1, 1, 3), {end(1, 4)}}, false},
		"ends-then-note":          {[][]conduct.Event{span(1, 1, 3), {end(1, 4)}, {Event(1, 5)}}, false},
		"late-end-first":          {[][]conduct.Event{span(1, 1, 3), {end(1, 4)}, {took(2, 3)}}, true},
		"late-end-last":           {[][]conduct.Event{span(1, 1, 3), {took(2, 3)}, {end(1, 4)}}, true},
		"late-end-then-end":       {[][]conduct.Event{span(1, 1, 3), {took(2, 3)}, {end(1, 4)}, {end(2, 2)}}, false},
		"took-over-after-the-end": {[][]conduct.Event{span(1, 1, 3), {end(1, 4)}, {took(2, 4)}}, false},
	} {
		b.test(t, name)
		for _, list := range c.calls {
			must(b.Append(ctx, name, list))(t)
		}
		equal(t, name, must(b.Test(ctx, name))(t).Running(), c.running)
	}
}

func cancelled(t *testing.T, b *bench) {
	b.test(t, "t")
	gone, cancel := cancelledContext()
	defer cancel()
	_, err := b.Append(gone, "t", span(1, 1, 3))
	if !errors.Is(err, gone.Err()) {
		t.Errorf("append: %v", err)
	}
	if err := b.AppendSamples(gone, "t", []record.Block{block(1, 0)}); !errors.Is(err, gone.Err()) {
		t.Errorf("samples: %v", err)
	}
	if _, err := b.Events(gone, "t"); !errors.Is(err, gone.Err()) {
		t.Errorf("events: %v", err)
	}
	b.stored(t, "t", nil)
	must(b.Append(ctx, "t", span(1, 1, 3)))(t)
	b.stored(t, "t", span(1, 1, 3))
}
