package conduct

import (
	"errors"
	"sort"

	"gradus/protocol"
)

// Refused is an event of a record that made no sense where it stands. It was counted and passed over.
type Refused struct {
	Index int // place in the list given to Replay
	Err   *RefusedError
}

// Replay folds a list of events, in whatever order and however often they were delivered, into the state of
// the test. Events that a device wrote after it had lost the pen come last, as late facts. Events that make
// no sense are passed over and returned. An error means that an event is missing: the state is that of the
// events before the gap.
func Replay(p *protocol.Protocol, events []Event) (State, []Refused, error) {
	var s State
	var refused []Refused
	if plainOrder(events) {
		for i := range events {
			if err := s.Take(p, &events[i]); err != nil {
				if refused, err = note(refused, i, err); err != nil {
					return s, refused, err
				}
			}
		}
		return s, refused, nil
	}
	for _, i := range inOrder(events) {
		if err := s.Take(p, &events[i]); err != nil {
			if refused, err = note(refused, i, err); err != nil {
				return s, refused, err
			}
		}
	}
	return s, refused, nil
}

// Revision is a correction made after a test was closed, with the state before and after it. Each makes another version of
// the result: the first result is version 1.
type Revision struct {
	Version       int
	Index         int // place of the event in the list
	Before, After State
}

// Revisions lists the corrections made after the test was closed, in order.
func Revisions(p *protocol.Protocol, events []Event) (out []Revision) {
	var s State
	for _, i := range inOrder(events) {
		before := s
		_ = s.Take(p, &events[i]) // a refused event changes no result; Replay returns it
		if s.Revised > before.Revised {
			out = append(out, Revision{Version: s.Version(), Index: i, Before: before, After: s})
		}
	}
	return out
}

// Version counts the results of a test: 1, and one more for each correction after it was closed.
func (s *State) Version() int { return 1 + int(s.Revised) }

// note keeps a refusal and lets every other error through.
func note(refused []Refused, i int, err error) ([]Refused, error) {
	var r *RefusedError
	if !errors.As(err, &r) {
		return refused, err
	}
	return append(refused, Refused{i, r}), nil
}

// plainOrder reports whether the events are those of one term in order.
func plainOrder(events []Event) bool {
	for i := range events {
		if e := &events[i]; e.Term != 1 || i > 0 && e.N < events[i-1].N {
			return false
		}
	}
	return true
}

// inOrder gives the places of the events sorted by id, with those that a take-over had not seen at the end.
func inOrder(events []Event) []int {
	order := make([]int, len(events))
	seen := map[uint32]uint32{} // per term, the last n the next term had seen
	for i := range events {
		order[i] = i
		if e := &events[i]; e.Kind == TookOver && e.N == 1 && e.Ref.Term < e.Term {
			seen[e.Ref.Term] = e.Ref.N
		}
	}
	late := func(i int) bool {
		n, closed := seen[events[i].Term]
		return closed && events[i].N > n
	}
	sort.SliceStable(order, func(a, b int) bool {
		i, j := order[a], order[b]
		if li, lj := late(i), late(j); li != lj {
			return lj
		}
		return events[i].ID().Less(events[j].ID())
	})
	return order
}
