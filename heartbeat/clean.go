package heartbeat

// Verdict is what cleaning says about one interval.
type Verdict uint8

// The verdicts.
const (
	Accepted    Verdict = iota
	OutOfRange          // outside 250 to 2000 ms
	Missed              // holds two beats: one was not seen. Counts as two intervals
	Extra               // with the next one it is a single interval: a beat was seen that was none
	Displaced           // an early or late beat: with the next one it makes two intervals of the usual length
	Partner             // the second interval of an Extra or Displaced one
	Implausible         // none of these; its time is left out
)

var verdictNames = [...]string{"accepted", "out of range", "missed beat", "extra beat", "displaced beat", "partner", "implausible"}

func (v Verdict) String() string { return verdictNames[v] }

// Clean judges the intervals, in ms, oldest first, and appends the verdicts to out. An interval is accepted when it
// is within 20 % of the last accepted one or within 10 % of the median of the 11 around it. Others are tried as a
// missed, extra or displaced beat: their time is real, and their number of beats can be told, so the mean keeps
// both. What is none of these is left out.
func Clean(out []Verdict, intervalsMs []float64) []Verdict {
	from := len(out)
	for range intervalsMs {
		out = append(out, Accepted)
	}
	verdicts := out[from:]
	last, rejected := 0.0, 0
	for i := 0; i < len(intervalsMs); i++ {
		middle := localMedian(intervalsMs, i)
		if last == 0 {
			last = middle
		}
		if v := intervalsMs[i]; possible(v) && (within(v, last, jumpShare) || within(v, middle, medianShare)) {
			last, rejected = v, 0
			continue
		}
		verdicts[i] = judge(intervalsMs, i, middle)
		if verdicts[i] == Extra || verdicts[i] == Displaced {
			i++
			verdicts[i] = Partner
		}
		if rejected++; rejected >= restartAfter {
			last, rejected = middle, 0
		}
	}
	return out
}

// judge names the fault of interval i against the usual length at that place.
func judge(ms []float64, i int, usual float64) Verdict {
	v := ms[i]
	switch {
	case usual == 0:
		return OutOfRange
	case v > usual && within(v/2, usual, sumShare):
		return Missed
	case i+1 < len(ms) && v < usual && ms[i+1] < usual && within(v+ms[i+1], usual, sumShare):
		return Extra
	case i+1 < len(ms) && (v < usual) == (ms[i+1] > usual) && within((v+ms[i+1])/2, usual, pairShare):
		return Displaced
	case !possible(v):
		return OutOfRange
	}
	return Implausible
}

func possible(ms float64) bool { return ms >= shortestMs && ms <= longestMs }

// within reports whether v lies within a share of the reference; a number that is none lies nowhere.
func within(v, reference, share float64) bool {
	limit := float64(share * reference)
	return v-reference <= limit && reference-v <= limit
}

// localMedian is the median of the possible intervals among the 11 around i, and 0 when there is none.
func localMedian(ms []float64, i int) float64 {
	var sorted [2*medianReach + 1]float64
	n := 0
	for _, v := range ms[max(0, i-medianReach):min(len(ms), i+medianReach+1)] {
		if !possible(v) {
			continue
		}
		at := n
		for at > 0 && sorted[at-1] > v {
			sorted[at] = sorted[at-1]
			at--
		}
		sorted[at] = v
		n++
	}
	if n == 0 {
		return 0
	}
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
}

// usable gives how many intervals the verdict stands for, and their time; 0 when it is left out or told by its
// partner.
func usable(ms []float64, verdicts []Verdict, i int) (count int, timeMs float64) {
	switch verdicts[i] {
	case Accepted:
		return 1, ms[i]
	case Missed:
		return 2, ms[i]
	case Partner:
		if verdicts[i-1] == Extra {
			return 1, ms[i-1] + ms[i]
		}
		return 2, ms[i-1] + ms[i]
	}
	return 0, 0
}

// faulty reports whether the verdict counts as a dropped beat; of a pair one does.
func faulty(v Verdict) bool { return v != Accepted && v != Partner }
