package gatt

// What a [Tracker] takes for a stop, a lost stretch and a counter that started anew: our own choices.
const (
	StoppedAfterMs  = 3000  // no revolution for longer: 0 (practice)
	lostAfterMs     = 30000 // below the 32 s in which the fastest event clock turns over
	maxCrankPerMin  = 300
	maxWheelPerMin  = 3000
	crankTicksPerS  = 1024
	crankCounterMax = 1 << 16
)

// Tracker turns a cumulative counter of revolutions into revolutions per minute. Counter and event clock turn
// over; that is taken into account. The zero Tracker is of no use; see [NewCrankTracker] and [NewWheelTracker].
type Tracker struct {
	ticksPerSecond float64
	counter        uint64 // the counter turns over at this number
	maxPerMin      float64

	started     bool
	revolutions uint32
	eventTicks  uint16
	eventAtMs   int64 // arrival of the last packet with a new event
	ratePerMin  float64
	known       bool
}

// NewCrankTracker returns a Tracker for [Crank] counters.
func NewCrankTracker() Tracker {
	return Tracker{ticksPerSecond: crankTicksPerS, counter: crankCounterMax, maxPerMin: maxCrankPerMin}
}

// NewWheelTracker returns a Tracker for [Wheel] counters.
func NewWheelTracker(ticksPerSecond uint16) Tracker {
	return Tracker{ticksPerSecond: float64(ticksPerSecond), counter: 1 << 32, maxPerMin: maxWheelPerMin}
}

// AddCrank takes a crank counter that arrived at atMs; see Add.
func (t *Tracker) AddCrank(atMs int64, c Crank) (float64, bool) {
	return t.Add(atMs, uint32(c.Revolutions), c.EventTicks)
}

// AddWheel takes a wheel counter that arrived at atMs; see Add.
func (t *Tracker) AddWheel(atMs int64, w Wheel) (float64, bool) {
	return t.Add(atMs, w.Revolutions, w.EventTicks)
}

// Add takes a counter that arrived at atMs on the receiver's clock. It returns the revolutions per minute since
// the last event, and false when there was no new event, when it is the first, when the two are so far apart
// that the event clock may have turned over unseen, or when the counter must have started anew.
func (t *Tracker) Add(atMs int64, revolutions uint32, eventTicks uint16) (float64, bool) {
	turned := uint64(revolutions) + t.counter - uint64(t.revolutions)
	if turned >= t.counter {
		turned -= t.counter
	}
	ticks := eventTicks - t.eventTicks // modulo 65536
	if t.started && turned == 0 {
		return 0, false
	}
	usable := t.started && ticks > 0 && atMs >= t.eventAtMs && atMs-t.eventAtMs < lostAfterMs
	var rate float64
	if usable {
		rate = float64(float64(turned)*60*t.ticksPerSecond) / float64(ticks)
		usable = rate <= t.maxPerMin
	}
	t.started, t.revolutions, t.eventTicks, t.eventAtMs = true, revolutions, eventTicks, atMs
	t.ratePerMin, t.known = rate, usable
	if !usable {
		t.ratePerMin = 0
	}
	return t.ratePerMin, usable
}

// Now is the rate to show at nowMs: the last one, 0 when no revolution came for [StoppedAfterMs], and false when
// none is known yet. Slower than 20 /min is therefore shown as 0 between revolutions.
func (t *Tracker) Now(nowMs int64) (float64, bool) {
	if t.started && nowMs-t.eventAtMs > StoppedAfterMs {
		return 0, true
	}
	return t.ratePerMin, t.known
}

// Lost forgets the counter; call it when the connection ends.
func (t *Tracker) Lost() {
	t.started, t.known, t.ratePerMin = false, false, 0
}
