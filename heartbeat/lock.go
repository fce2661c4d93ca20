package heartbeat

// lockFactors are the multiples of the cadence that an optical sensor is known to settle on; memory.
var lockFactors = [...]float64{0.5, 1, 2}

// LockHint says that the heart rate has been where the cadence is. It is no proof: a heart may really beat at that
// rate. It never makes a reading poor; count the pulse instead.
type LockHint struct {
	Suspected bool
	Factor    float64 // heart rate = Factor times cadence
	ForMs     int64
	Jumped    bool // the heart rate jumped there
	Followed  bool // the cadence changed and the heart rate went with it
}

// LockWatch compares heart rate with cadence. The zero value is ready.
type LockWatch struct {
	started   bool
	atMs      int64
	rate      float64
	stretches [len(lockFactors)]lockStretch
}

// lockStretch is the time that the rate has been at one multiple of the cadence.
type lockStretch struct {
	in         bool
	sinceMs    int64
	jumped     bool
	minCadence float64
	maxCadence float64
}

// Add takes heart rate and cadence, both per minute, at atMs, about once a second. The hint is suspected after
// 20 s within 3 /min of half, once or twice the cadence; with two such multiples the longer stretch is told.
func (l *LockWatch) Add(atMs int64, ratePerMin, cadencePerMin float64) LockHint {
	gap := l.started && atMs-l.atMs > lockGapMs
	step := ratePerMin - l.rate
	jump := l.started && !gap && (step > lockJumpPerMin || -step > lockJumpPerMin)
	for k := range l.stretches {
		l.stretches[k].add(atMs, gap, jump, ratePerMin-float64(lockFactors[k]*cadencePerMin), cadencePerMin)
	}
	l.started, l.atMs, l.rate = true, atMs, ratePerMin
	return l.hint(atMs)
}

func (s *lockStretch) add(atMs int64, gap, jump bool, difference, cadence float64) {
	near := cadence > 0 && difference <= lockPerMin && -difference <= lockPerMin
	if !near {
		*s = lockStretch{}
		return
	}
	if gap || !s.in {
		*s = lockStretch{in: true, sinceMs: atMs, jumped: jump, minCadence: cadence, maxCadence: cadence}
		return
	}
	s.minCadence, s.maxCadence = min(s.minCadence, cadence), max(s.maxCadence, cadence)
}

func (l *LockWatch) hint(atMs int64) LockHint {
	var best LockHint
	for k := range l.stretches {
		s := &l.stretches[k]
		if !s.in || best.Factor != 0 && atMs-s.sinceMs <= best.ForMs {
			continue
		}
		best = LockHint{Factor: lockFactors[k], ForMs: atMs - s.sinceMs, Jumped: s.jumped,
			Followed: float64(lockFactors[k]*(s.maxCadence-s.minCadence)) > lockJumpPerMin}
		best.Suspected = best.ForMs >= lockMs
	}
	return best
}
