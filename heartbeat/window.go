package heartbeat

const (
	// beatsKept holds 60 s at the highest rate inside the fence, and the neighbours of the oldest of them.
	beatsKept = 256
	// ratesKept holds 60 s of one rate a second, twice.
	ratesKept = 128
)

// The usual windows in ms: the default of a planned reading, and the one of fast protocols.
const (
	Window15s int64 = 15000
	Window10s int64 = 10000
)

// Window holds what a sensor sent lately and gives the heart rate of the last LengthMs, 10000 to 60000. It holds no
// pointer and allocates nothing; copy it to keep a state. All times are ms on one clock of the receiver that does
// not jump.
//
// Set Irregular for atrial fibrillation and other rhythms without a usual interval: then only the fence of 250 to
// 2000 ms is applied, and the window must be 30 s or longer.
type Window struct {
	LengthMs  int64
	Irregular bool

	beats     [beatsKept]beat
	beatCount int
	rates     [ratesKept]rate
	rateCount int
	lastMs    int64
	started   bool
}

// beat is an interval and the time of the beat that ends it, as near as the arrival tells.
type beat struct{ endMs, intervalMs float64 }

type rate struct {
	atMs   int64
	perMin float64
}

// NewWindow returns an empty window over the last lengthMs.
func NewWindow(lengthMs int64) Window { return Window{LengthMs: lengthMs} }

// AddIntervals takes the intervals of one notification, in 1/1024 s, oldest first, that arrived at atMs. Do not
// add what came while the sensor had no contact. It reports false, and takes nothing, when atMs lies before an
// earlier arrival.
func (w *Window) AddIntervals(atMs int64, ticks []uint16) bool {
	if !w.arrive(atMs) {
		return false
	}
	end := float64(atMs)
	for _, t := range ticks {
		end -= ms(t)
	}
	for _, t := range ticks {
		end += ms(t)
		w.beats[w.beatCount%beatsKept] = beat{endMs: end, intervalMs: ms(t)}
		w.beatCount++
	}
	return true
}

func ms(ticks uint16) float64 { return float64(float64(ticks)*1000) / 1024 }

// AddRate takes the sensor's own heart rate per minute, sent about once a second. It is used only when no interval
// came within the window. Do not add what came while the sensor had no contact.
func (w *Window) AddRate(atMs int64, perMin float64) bool {
	if !w.arrive(atMs) {
		return false
	}
	w.rates[w.rateCount%ratesKept] = rate{atMs: atMs, perMin: perMin}
	w.rateCount++
	return true
}

func (w *Window) arrive(atMs int64) bool {
	if w.started && atMs < w.lastMs {
		return false
	}
	w.started, w.lastMs = true, atMs
	return true
}

// Clear forgets everything that was sent.
func (w *Window) Clear() { *w = Window{LengthMs: w.LengthMs, Irregular: w.Irregular} }

// Reading is the heart rate of the window that ends at nowMs.
func (w *Window) Reading(nowMs int64) Reading {
	r, any := w.fromBeats(nowMs)
	if !any {
		r = w.fromRates(nowMs)
	}
	if w.Irregular && w.LengthMs < irregularMs && r.Poor == None {
		r.Poor = ShortForIrregular
	}
	return r
}

// fromBeats cleans the intervals of the window together with some before it, which give them neighbours.
func (w *Window) fromBeats(nowMs int64) (Reading, bool) {
	from, now := float64(nowMs-w.LengthMs), float64(nowMs)
	var held [beatsKept]beat
	n, first := 0, -1
	for i := max(0, w.beatCount-beatsKept); i < w.beatCount; i++ {
		b := w.beats[i%beatsKept]
		if b.endMs > now {
			break
		}
		if first < 0 && b.endMs > from {
			first = n
		}
		held[n] = b
		n++
	}
	if first < 0 {
		return Reading{}, false
	}
	skip := max(0, first-2*medianReach)
	t := w.tally(held[skip:n], from, now)
	return t.reading(), true
}

func (w *Window) tally(held []beat, from, now float64) tally {
	var intervals [beatsKept]float64
	var room [beatsKept]Verdict
	for i, b := range held {
		intervals[i] = b.intervalMs
	}
	verdicts := w.judge(room[:0], intervals[:len(held)])
	var t tally
	covered := from
	for i, v := range verdicts {
		count, timeMs := usable(intervals[:], verdicts, i)
		begin := held[i].endMs - max(timeMs, held[i].intervalMs)
		if begin < from {
			covered = max(covered, min(held[i].endMs, now))
			continue // it began before the window
		}
		if faulty(v) {
			t.dropped++
		}
		if count == 0 {
			continue
		}
		if v == Accepted {
			t.used++
		}
		t.beats += count
		t.timeMs += timeMs
		t.gapMs = max(t.gapMs, begin-covered)
		covered = max(covered, held[i].endMs)
	}
	t.gapMs = max(t.gapMs, now-covered)
	return t
}

func (w *Window) judge(out []Verdict, intervals []float64) []Verdict {
	if !w.Irregular {
		return Clean(out, intervals)
	}
	for _, v := range intervals {
		verdict := Accepted
		if !possible(v) {
			verdict = OutOfRange
		}
		out = append(out, verdict)
	}
	return out
}

// fromRates is the plain mean of the rates inside the fence.
func (w *Window) fromRates(nowMs int64) Reading {
	var t tally
	sum, covered := 0.0, nowMs-w.LengthMs
	longest := int64(0)
	for i := max(0, w.rateCount-ratesKept); i < w.rateCount; i++ {
		r := w.rates[i%ratesKept]
		if r.atMs <= nowMs-w.LengthMs || r.atMs > nowMs {
			continue
		}
		if r.perMin < 60000/longestMs || !(r.perMin <= 60000/shortestMs) {
			t.dropped++
			continue
		}
		t.used++
		sum += r.perMin
		longest = max(longest, r.atMs-covered)
		covered = r.atMs
	}
	t.gapMs = float64(max(longest, nowMs-covered))
	reading := Reading{Used: t.used, Dropped: t.dropped, FromRates: true, Poor: t.poor()}
	if t.used > 0 {
		reading.RatePerMin = sum / float64(t.used)
	}
	return reading
}
