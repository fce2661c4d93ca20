package heartbeat

import "strconv"

// Reason says why a reading is poor.
type Reason uint8

// The reasons. The first that holds is given.
const (
	None Reason = iota
	NoData
	TooFew
	Gap
	ManyDropped
	ShortForIrregular // an irregular rhythm asks for a window of 30 s or more
)

var reasonTexts = [...]string{"", "no beats", "too few beats", "more than 3 s without a usable beat",
	"more than 10 % of the beats dropped", "window shorter than 30 s for an irregular rhythm"}

func (r Reason) String() string { return reasonTexts[r] }

// Reading is the heart rate of a window. RatePerMin is given whenever it can be computed; only when OK is it fit to
// be taken without a look.
type Reading struct {
	RatePerMin float64 // beats/min, not rounded; 0 = none
	Used       int     // intervals, or one-second rates, that were accepted as sent
	Dropped    int     // beats or rates that were implausible
	FromRates  bool    // from the sensor's own rates, as it sends no intervals
	Poor       Reason
}

// OK reports whether the quality is good enough to take the reading.
func (r Reading) OK() bool { return r.Poor == None }

// String is what a page shows beside the number.
func (r Reading) String() string {
	text := strconv.FormatFloat(r.RatePerMin, 'f', 1, 64) + " /min, " + strconv.Itoa(r.Used) + " beats used, " +
		strconv.Itoa(r.Dropped) + " dropped"
	if r.Poor != None {
		text += ", poor: " + r.Poor.String()
	}
	return text
}

// tally adds up a window.
type tally struct {
	beats   int
	timeMs  float64
	used    int
	dropped int
	gapMs   float64 // the longest stretch without a usable beat
}

func (t *tally) reading() Reading {
	r := Reading{Used: t.used, Dropped: t.dropped}
	if t.timeMs > 0 {
		r.RatePerMin = float64(60000*float64(t.beats)) / t.timeMs
	}
	r.Poor = t.poor()
	return r
}

func (t *tally) poor() Reason {
	switch {
	case t.used == 0 && t.dropped == 0:
		return NoData
	case t.used < fewestBeats:
		return TooFew
	case t.gapMs > gapMs:
		return Gap
	case float64(t.dropped) > float64(droppedShare*float64(t.used+t.dropped)):
		return ManyDropped
	}
	return None
}

// Rate is the mean heart rate of a whole recording of intervals in ms that follow one another: 60000 times the
// number of intervals over their time, after cleaning.
func Rate(intervalsMs []float64) Reading {
	verdicts := Clean(make([]Verdict, 0, len(intervalsMs)), intervalsMs)
	var t tally
	missing := 0.0
	for i, v := range verdicts {
		count, timeMs := usable(intervalsMs, verdicts, i)
		t.beats += count
		t.timeMs += timeMs
		switch {
		case v == Accepted:
			t.used++
		case faulty(v):
			t.dropped++
		}
		missing = stretch(&t, missing, v, intervalsMs[i])
	}
	return t.reading()
}

// stretch follows the time that is left out, and keeps the longest.
func stretch(t *tally, missing float64, v Verdict, ms float64) float64 {
	if v != OutOfRange && v != Implausible {
		return 0
	}
	missing += ms
	t.gapMs = max(t.gapMs, missing)
	return missing
}
