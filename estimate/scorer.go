package estimate

import "math"

// Row is the answer for one row of many. When Refused, the numbers mean nothing.
// Low95 and High95 are NaN when no error is known.
type Row struct {
	Value, Low95, High95, See float64
	Cautions                  uint64 // a set; Scorer.AppendCautions names its members
	Refused                   bool
}

// Scorer estimates row after row without using memory. It holds what rows have in common; it may not be
// shared by goroutines, each takes its own.
type Scorer struct {
	e *Estimator
	// always are the cautions that hold for every row while the context is empty.
	always  uint64
	domains []edge // of inputs
	answers []edge // of the answer
	rest    []rest
}

// edge is a range outside which a caution holds.
type edge struct {
	from, to float64
	input    int
	bit      uint64
}

type rest struct {
	check *check
	bit   uint64
}

// Scorer returns one for rows whose context is empty (withContext false) or differs from row to row.
func (e *Estimator) Scorer(withContext bool) *Scorer {
	s := &Scorer{e: e}
	for i := range e.rules {
		k, bit := &e.rules[i], uint64(1)<<i
		switch k.when {
		case whenDomain:
			domain := e.Inputs[k.input].Domain
			s.domains = append(s.domains, edge{domain.From, domain.To, k.input, bit})
		case whenBelow:
			s.answers = append(s.answers, edge{k.limit, math.Inf(1), 0, bit})
		case whenAbove:
			s.answers = append(s.answers, edge{math.Inf(-1), k.limit, 0, bit})
		case whenEndLow:
			s.rest = append(s.rest, rest{k, bit})
		default:
			if withContext && k.when != whenUnverified {
				s.rest = append(s.rest, rest{k, bit})
			} else if e.holds(k, nil, &Context{}, 0) {
				s.always |= bit
			}
		}
	}
	return s
}

// Score fills row for values in the order of the inputs. It does not check the values: see Estimator.Check.
func (s *Scorer) Score(values []float64, c *Context, row *Row) {
	e := s.e
	v := e.run.eval(values)
	row.See = e.see(v)
	half := float64(e.t95 * row.See)
	row.Value, row.Low95, row.High95 = v, v-half, v+half
	row.Refused = e.refuses(v) || e.mustNot(values) >= 0
	set := s.always
	for i := range s.domains {
		d := &s.domains[i]
		if x := values[d.input]; x < d.from || x > d.to {
			set |= d.bit
		}
	}
	for i := range s.answers {
		if a := &s.answers[i]; v < a.from || v > a.to {
			set |= a.bit
		}
	}
	for i := range s.rest {
		if s.e.holds(s.rest[i].check, values, c, v) {
			set |= s.rest[i].bit
		}
	}
	row.Cautions = set
}

// AppendCautions appends the ids of a set, joined by one space, in the order of the file.
func (s *Scorer) AppendCautions(to []byte, set uint64) []byte {
	first := true
	for i := range s.e.rules {
		if set&(1<<i) == 0 {
			continue
		}
		if !first {
			to = append(to, ' ')
		}
		first = false
		to = append(to, s.e.rules[i].id...)
	}
	return to
}
