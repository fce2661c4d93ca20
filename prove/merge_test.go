package prove

import (
	"testing"

	estimators "gradus/estimate/library"
	"gradus/protocol"
	"gradus/protocol/library"

	"gradus/conduct"
)

// answer is what the conductor says in a state, apart from texts and absolute times.
type answer struct {
	do      conduct.Do
	rule    conduct.Rule
	what    protocol.Quantity
	part    string
	left    protocol.Ms
	confirm bool
	due     conduct.Kind
}

// States that are taken for one get the same answer: else the exploration would skip something.
func TestMergedStatesAnswerAlike(t *testing.T) {
	for id, least := range map[string]int{"recumbent-stepper": 1000, "single-stage-cycle": 100, "two-work-rate-cycle": 10, "walk-jog-run": 10,
		"six-minute-walk": 5, "one-mile-walk": 5, "incremental-shuttle-walk": 10, "tecumseh-step": 5, "naughton": 100} {
		t.Run(id, func(t *testing.T) { mergedAlike(t, id, least) })
	}
}

func mergedAlike(t *testing.T, id string, least int) {
	p, err := library.Load(id, estimators.LineOf)
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range walkers(p) {
		x := newExplorer(newBook(p), w, nil)
		first := map[key]answer{}
		merged, differ := 0, 0
		x.watch = func(k key, n *node, ins *conduct.Instruction) {
			a := answer{ins.Do, ins.Rule, ins.What, ins.Part, ins.Left, ins.Confirm != "", 0}
			if n.danger != safe {
				a.left, a.part = 0, ""
				if n.s.Phase == conduct.Riding {
					a.do, a.rule = 0, "" // which of the ends it is does not matter; that it is one was checked
				}
			}
			if act, ok := n.s.Due(p, n.at); ok {
				a.due = act.Kind
			}
			if was, known := first[k]; !known {
				first[k] = a
			} else if merged++; was != a {
				if differ++; differ <= 3 {
					t.Errorf("%s: taken for one: %+v and %+v at %v", w.name, was, a, n.at)
				}
			}
		}
		x.run()
		if merged < least {
			t.Errorf("%s: only %d merged states were compared", w.name, merged)
		}
		if differ > 0 {
			t.Errorf("%s: %d of %d merged states answer otherwise", w.name, differ, merged)
		}
	}
}
