package heartbeat

// The numbers of the rules, each with how it is known.
const (
	// Fence: an interval outside is no beat to beat interval. 2000 ms = 30/min; practice. 250 ms = 240/min, so that
	// exercise up to 220/min is inside; memory.
	shortestMs = 250.0
	longestMs  = 2000.0

	// An interval that differs by more than this share from the last accepted one is implausible: the 20 % rule of
	// heart rate variability (Malik 1989 and later); memory, high confidence.
	jumpShare = 0.20
	// ... unless it lies this close to the median of its neighbours: choice, found on recorded beats with planted
	// faults. It halves the false alarms of the 20 % rule after a beat that was itself a little off.
	medianShare = 0.10
	// After so many rejections in a row the local median becomes the reference: 3 to 5 in use; memory.
	restartAfter = 4
	// The local median is over so many intervals before and after: 11 in all; memory (adaptive method,
	// J Med Eng Technol 2019;43:173-181, doi 10.1080/03091902.2019.1640306, window of the median seen).
	medianReach = 5
	// Two parts that add up to one interval, or one that holds two, may miss it by this share: choice, as jumpShare.
	sumShare = 0.20
	// A displaced beat leaves the mean of its two intervals this close to the usual one: choice, as medianShare.
	pairShare = 0.10

	// Quality: above this share of dropped beats, or after a longer stretch without a usable beat, the reading is
	// not to be used by itself; practice.
	droppedShare = 0.10
	gapMs        = 3000.0
	// Fewer intervals (or one-second rates) than this make no mean: choice; 10 s at 30/min hold 5.
	fewestBeats = 5
	// Irregular rhythms need a mean over 30 to 60 s; memory, high confidence.
	irregularMs = 30000

	// Cadence lock: as close to the cadence (or half or double) for as long; memory, no published constant found.
	lockPerMin = 3.0
	lockMs     = 20000
	// A change of heart rate from one sample to the next, or of cadence while locked, that makes the hint
	// stronger: choice.
	lockJumpPerMin = 8.0
	// Samples further apart do not belong to one stretch: as gapMs.
	lockGapMs = 3000
)
