package screen

import (
	"fmt"
	"reflect"
	"slices"
	"testing"
)

// state is one answer to one question, with a mark by which two of them can be ordered.
type state struct {
	field *Field
	index int // of the field in Answers
	value reflect.Value
	none  bool // not answered
}

func (s state) String() string {
	if s.none {
		return s.field.Name + " not answered"
	}
	if s.field.Type == "number" || s.field.Type == "whole" {
		return fmt.Sprintf("%s %v", s.field.Name, s.value.Elem().Float())
	}
	return fmt.Sprintf("%s %v", s.field.Name, s.value)
}

// statesOf gives the answers that can matter to one question: every word, no and one entry of every list, numbers at
// and beside every limit of every rule, and no answer.
func statesOf(index int, f *Field, typ reflect.Type) (states []state) {
	states = append(states, state{f, index, reflect.Zero(typ), true})
	add := func(v any) { states = append(states, state{f, index, reflect.ValueOf(v), false}) }
	switch {
	case f.Type == "yes-no":
		add("yes")
		add("no")
	case f.Type == "word":
		for _, w := range f.Words {
			add(w.Word)
		}
	case f.Type == "words":
		add([]string{})
		for _, w := range f.Words {
			add([]string{w.Word})
		}
	default:
		numbers := []float64{f.Low, f.High}
		for _, r := range shipped().Rules {
			for _, c := range r.When {
				for _, limit := range []*float64{c.Above, c.AtLeast, c.Below, c.AtMost} {
					if c.Field == f.Name && limit != nil {
						numbers = append(numbers, *limit-1, *limit, *limit+1)
					}
				}
			}
		}
		slices.Sort(numbers)
		for _, n := range slices.Compact(numbers) {
			if n >= f.Low && n <= f.High {
				add(num(n))
			}
		}
	}
	return states
}

// worseThan reports whether y is a worse answer than x by the order in the table of fields, or the missing answer
// to a question whose best answer is x.
func (y state) worseThan(x state) bool {
	if x.none {
		return false
	}
	order := y.field.Worse
	switch order.Kind {
	case "words":
		at := slices.Index(order.Words, x.value.String())
		return at >= 0 && (y.none && at == 0 || !y.none && slices.Index(order.Words, y.value.String()) > at)
	case "more":
		return x.value.Len() == 0 && (y.none || y.value.Len() > 0)
	}
	if y.none || order.Kind == "" {
		return false
	}
	from, to := x.value.Elem().Float(), y.value.Elem().Float()
	switch order.Kind {
	case "up":
		return to > from
	case "down":
		return to < from
	}
	return from >= order.From && to > max(from, order.To) || from <= order.To && to < min(from, order.From)
}

// TestWorseIsNeverMilderInPairs goes through every pair of answers to two questions, in several situations, and compares
// every answer with every worse one.
func TestWorseIsNeverMilderInPairs(t *testing.T) {
	var questions [][]state
	typ := reflect.TypeFor[Answers]()
	for i := range typ.NumField() {
		f := &shipped().Fields[i]
		if f.Type != "date" && f.Type != "group" && f.Type != "groups" && f.Name != "glucose_mmol_l" {
			questions = append(questions, statesOf(i, f, typ.Field(i).Type))
		}
	}
	bases := []Answers{well(), well()} // one who exercises, and one who does not and is cleared
	bases[0].RegularExercise = "yes"
	bases[1].KnownDisease = []string{"heart"}
	bases[1].Clearances = []Clear{{By: "D", Role: "physician", Date: "2026-11-01", For: []string{"test"}, SymptomsUnchanged: "yes"}}
	if testing.Short() {
		bases = bases[:1]
	}
	compared, faults := 0, 0
	for b := range bases {
		for q, first := range questions {
			for _, second := range questions[q+1:] {
				outcomes := grid(bases[b], first, second)
				for i := range first {
					for j := range second {
						for k := range first {
							if first[k].worseThan(first[i]) {
								compared++
								faults += milder(t, faults, first[i], first[k], second[j], outcomes[i][j], outcomes[k][j])
							}
						}
						for k := range second {
							if second[k].worseThan(second[j]) {
								compared++
								faults += milder(t, faults, second[j], second[k], first[i], outcomes[i][j], outcomes[i][k])
							}
						}
					}
				}
			}
		}
	}
	t.Logf("%d pairs of answers compared", compared)
	if compared < 100_000 {
		t.Errorf("only %d comparisons", compared)
	}
}

func milder(t *testing.T, faults int, better, worse, beside state, before, after int) int {
	if before < 0 || after < 0 || after >= before {
		return 0
	}
	if faults < 10 {
		t.Errorf("%v to %v, beside %v: %s became %s", better, worse, beside, outcomes[before], outcomes[after])
	}
	return 1
}

// grid judges every pair of answers; -1 where they cannot be right together.
func grid(base Answers, first, second []state) [][]int {
	out := make([][]int, len(first))
	for i, x := range first {
		out[i] = make([]int, len(second))
		for j, y := range second {
			a := base
			v := reflect.ValueOf(&a).Elem()
			v.Field(x.index).Set(x.value)
			v.Field(y.index).Set(y.value)
			out[i][j] = -1
			r := Default().Judge(&a)
			if !has(r, "answers.fault") {
				out[i][j] = r.Outcome.Rank()
			}
		}
	}
	return out
}
