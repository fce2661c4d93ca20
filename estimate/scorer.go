package estimate

// Row is the answer for one row of many. When Refused, the numbers mean nothing.
type Row struct {
	Value, Low95, High95 float64
	Cautions             uint64 // a set; Scorer.AppendCautions names its members
	Refused              bool
}

// Scorer estimates row after row without using memory. It holds what rows have in common; it may not be
// shared by goroutines, each takes its own.
type Scorer struct {
	e *Estimator
	// always are the cautions that hold for every row while the context is empty; rest are to be looked at.
	always uint64
	rest   []check
	bits   []uint64
}

// Scorer returns one for rows whose context is empty (withContext false) or differs from row to row.
func (e *Estimator) Scorer(withContext bool) *Scorer {
	s := &Scorer{e: e}
	for i := range e.rules {
		k, bit := &e.rules[i], uint64(1)<<i
		if !withContext || k.when == whenUnverified {
			switch k.when {
			case whenDomain, whenBelow, whenAbove, whenEndLow:
			default:
				if e.holds(k, nil, &Context{}, 0) {
					s.always |= bit
				}
				continue
			}
		}
		s.rest, s.bits = append(s.rest, *k), append(s.bits, bit)
	}
	return s
}

// Score fills row for values in the order of the inputs. It does not check the values: see Estimator.Check.
func (s *Scorer) Score(values []float64, c *Context, row *Row) {
	e := s.e
	v := e.run.eval(values)
	row.Value, row.Low95, row.High95 = v, v-e.half95, v+e.half95
	row.Refused = e.refuses(v)
	set := s.always
	for i := range s.rest {
		k := &s.rest[i]
		if k.when == whenDomain { // the commonest, hence first and without a call
			domain := e.Inputs[k.input].Domain
			if x := values[k.input]; x >= domain.From && x <= domain.To {
				continue
			}
			set |= s.bits[i]
			continue
		}
		if e.holds(k, values, c, v) {
			set |= s.bits[i]
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
