package record_test

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"gradus/conduct"
	"gradus/internal/record"
	"gradus/internal/record/recordtest"
)

// plain is the contract of Append written down a second time, with a map.
type plain map[conduct.ID]conduct.Event

func (p plain) append(events []conduct.Event) (plain, error) {
	next := plain{}
	for id, e := range p {
		next[id] = e
	}
	sorted := slices.Clone(events)
	slices.SortStableFunc(sorted, func(a, b conduct.Event) int {
		if a.ID().Less(b.ID()) {
			return -1
		} else if b.ID().Less(a.ID()) {
			return 1
		}
		return 0
	})
	for _, e := range sorted {
		have, there := next[e.ID()]
		before := conduct.ID{Term: e.Term, N: e.N - 1}
		if _, ok := next[before]; !there && e.N > 1 && !ok {
			return p, &record.GapError{}
		}
		if there && !reflect.DeepEqual(have, e) {
			return p, &record.ConflictError{}
		}
		next[e.ID()] = e
	}
	return next, nil
}

func (p plain) list() []conduct.Event {
	var list []conduct.Event
	for term := range uint32(5) {
		for n := uint32(1); ; n++ {
			e, there := p[conduct.ID{Term: term, N: n}]
			if !there {
				break
			}
			list = append(list, e)
		}
	}
	return list
}

// Whatever is sent in whatever order, the store and the plain version agree: on what is there and on what is
// refused, and a refused call changes nothing.
func TestAppendAgreesWithThePlainVersion(t *testing.T) {
	s := open(t, t.TempDir())
	number := 0
	anEvent := rapid.Custom(func(t *rapid.T) conduct.Event {
		e := recordtest.Event(rapid.Uint32Range(1, 3).Draw(t, "term"), rapid.Uint32Range(1, 5).Draw(t, "n"))
		if rapid.IntRange(0, 9).Draw(t, "other") == 0 {
			e.By = "another"
		}
		return e
	})
	rapid.Check(t, func(t *rapid.T) {
		number++
		id := fmt.Sprint("t", number)
		if _, err := s.NewTest(ctx, recordtest.NewTest(id)); err != nil {
			t.Fatal(err)
		}
		want := plain{}
		for _, call := range rapid.SliceOfN(rapid.SliceOfN(anEvent, 0, 6), 1, 12).Draw(t, "calls") {
			marks, err := s.Append(ctx, id, call)
			next, refused := want.append(call)
			var gap *record.GapError
			var conflict *record.ConflictError
			if (err == nil) != (refused == nil) || err != nil && !errors.As(err, &gap) && !errors.As(err, &conflict) {
				t.Fatalf("store: %v; plain version: %v", err, refused)
			}
			want = next
			for _, mark := range marks {
				if want[mark].N == 0 || want[conduct.ID{Term: mark.Term, N: mark.N + 1}].N != 0 {
					t.Fatalf("mark %v is not the last of its term", mark)
				}
			}
			if have, err := s.Events(ctx, id); err != nil || !reflect.DeepEqual(have, want.list()) {
				t.Fatalf("store has %v, %v; plain version %v", have, err, want.list())
			}
		}
	})
}
