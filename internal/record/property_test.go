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

// plainPeople is merging written down a second time: each has a parent or none, and nothing else is ever changed.
type plainPeople struct {
	parent map[int64]int64
	tests  map[int64][]string
	merges map[int64]record.Merge // those that stand
}

func (p plainPeople) root(id int64) int64 {
	for p.parent[id] != 0 {
		id = p.parent[id]
	}
	return id
}

// Whatever is merged and undone in whatever order, tests are listed where the plain version lists them; and when all
// merges are undone, everybody is as before.
func TestMergeAgreesWithThePlainVersion(t *testing.T) {
	s := open(t, t.TempDir())
	number := 0
	rapid.Check(t, func(t *rapid.T) {
		number++
		plain := plainPeople{map[int64]int64{}, map[int64][]string{}, map[int64]record.Merge{}}
		var ids []int64
		before := map[int64]record.Participant{}
		for i := range 5 {
			p, err := s.AddParticipant(ctx, record.Participant{Code: fmt.Sprintf("%d-%d", number, i), Name: fmt.Sprintf("group%dx", number)})
			if err != nil {
				t.Fatal(err)
			}
			ids, before[p.ID] = append(ids, p.ID), p
		}
		for step := range rapid.IntRange(1, 15).Draw(t, "steps") {
			a, b := rapid.SampledFrom(ids).Draw(t, "a"), rapid.SampledFrom(ids).Draw(t, "b")
			switch rapid.SampledFrom([]string{"merge", "merge", "undo", "test"}).Draw(t, "do") {
			case "merge":
				m, err := s.Merge(ctx, a, b, "KL", "x")
				if allowed := a != b && plain.parent[a] == 0 && plain.parent[b] == 0; allowed != (err == nil) {
					t.Fatalf("merge of %d into %d: %v", a, b, err)
				}
				if err == nil {
					plain.parent[a], plain.merges[m.ID] = b, m
				}
			case "undo":
				for id, m := range plain.merges {
					if m.From != a {
						continue
					}
					if err := s.UndoMerge(ctx, id, "KL", "y"); err != nil {
						t.Fatal(err)
					}
					delete(plain.merges, id)
					delete(plain.parent, a)
				}
			case "test":
				test := recordtest.NewTest(fmt.Sprintf("m%d-%d", number, step))
				test.Participant = a
				if _, err := s.NewTest(ctx, test); err != nil {
					t.Fatal(err)
				}
				plain.tests[a] = append(plain.tests[a], test.ID)
			}
			plain.same(t, s, ids, fmt.Sprintf("group%dx", number))
		}
		for id := range plain.merges {
			if err := s.UndoMerge(ctx, id, "KL", "y"); err != nil {
				t.Fatal(err)
			}
		}
		for _, id := range ids {
			if p, err := s.Participant(ctx, id); err != nil || !reflect.DeepEqual(p, before[id]) {
				t.Fatalf("after all undos %+v, %v; before %+v", p, err, before[id])
			}
		}
	})
}

// same compares lists and tests of everybody who is not merged.
func (p plainPeople) same(t *rapid.T, s *record.SQLite, ids []int64, name string) {
	var roots []int64
	for _, id := range ids {
		stored, err := s.Participant(ctx, id)
		if kept := p.root(id); err != nil || stored.MergedInto != p.parent[id] || kept != id && stored.Kept != kept || kept == id && stored.Kept != 0 {
			t.Fatalf("%d is kept as %d, merged into %d, %v; plain version %d, %d", id, stored.Kept, stored.MergedInto, err, kept, p.parent[id])
		}
		if p.root(id) != id {
			continue
		}
		roots = append(roots, id)
		var want, have []string
		for _, other := range ids {
			if p.root(other) == id {
				want = append(want, p.tests[other]...)
			}
		}
		tests, err := s.Tests(ctx, record.TestFilter{Participant: id})
		if err != nil {
			t.Fatal(err)
		}
		for _, test := range tests {
			have = append(have, test.ID)
		}
		slices.Sort(want)
		slices.Sort(have)
		if !slices.Equal(have, want) {
			t.Fatalf("%d has the tests %v, plain version %v", id, have, want)
		}
	}
	found, err := s.Participants(ctx, record.ParticipantFilter{Query: name})
	if err != nil {
		t.Fatal(err)
	}
	var listed []int64
	for _, person := range found.People {
		listed = append(listed, person.ID)
	}
	slices.Sort(listed)
	slices.Sort(roots)
	if !slices.Equal(listed, roots) {
		t.Fatalf("listed are %v, plain version %v", listed, roots)
	}
}
