package stats

import (
	"errors"
	"math"
)

// RepeatError is the error of a measurement that is done twice in people who did not change, in the unit of
// the measurement. It comes from the differences between test and retest, so no spread between people enters.
type RepeatError struct {
	SDDiff float64 // standard deviation of the differences
	N      int     // people
}

// SEM is the standard error of one measurement: SDDiff / √2.
func (e RepeatError) SEM() float64 { return e.SDDiff / math.Sqrt2 }

// MDC95 is the smallest difference between two measurements of one person that is beyond error with 95 %
// confidence: 1.96 · SDDiff = 1.96 · √2 · SEM (normal, not t).
func (e RepeatError) MDC95() float64 { return Z975 * e.SDDiff }

// MDC95Interval is the 95 % interval of MDC95 for the number of people it was found in, by the chi-square
// distribution of a variance with N-1 degrees of freedom. NaN with fewer than two people.
func (e RepeatError) MDC95Interval() (low, high float64) {
	df := float64(e.N - 1)
	return e.MDC95() * math.Sqrt(df/ChiSquareQuantile(0.975, df)), e.MDC95() * math.Sqrt(df/ChiSquareQuantile(0.025, df))
}

// FromSummary finds the error from a published summary of n people measured twice: the two standard deviations
// and the correlation between the visits.
func FromSummary(sd1, sd2, r float64, n int) RepeatError {
	return RepeatError{SDDiff: math.Sqrt(sd1*sd1 + sd2*sd2 - 2*r*sd1*sd2), N: n}
}

// FromSEM is the error whose standard error of measurement is known.
func FromSEM(sem float64, n int) RepeatError { return RepeatError{SDDiff: sem * math.Sqrt2, N: n} }

// FromICC finds the error from a spread between people and an intraclass correlation: SD · √(1 - ICC).
// It is another number than the one from the differences; say which was used.
func FromICC(sd, icc float64, n int) RepeatError { return FromSEM(sd*math.Sqrt(1-icc), n) }

// FromCV is the error of a logarithm whose coefficient of variation is cv (a share, 0.05 for 5 %): ln(1 + cv) for one
// measurement. Use it where the error grows with the value.
func FromCV(cv float64, n int) RepeatError { return FromSEM(math.Log1p(cv), n) }

// RatioLimits are the smallest ratios of a later to an earlier measurement that are beyond error with 95 % confidence,
// downwards and upwards. They hold for an error of logarithms, as from [FromCV].
func (e RepeatError) RatioLimits() (down, up float64) {
	return math.Exp(-e.MDC95()), math.Exp(e.MDC95())
}

// Together is the spread of a sum of independent errors: the root of the sum of their squares.
func Together(errors ...float64) float64 {
	squares := 0.0
	for _, e := range errors {
		squares += e * e
	}
	return math.Sqrt(squares)
}

// FromPairs finds the error from the measurements themselves. It refuses fewer than two pairs.
func FromPairs(first, second []float64) (RepeatError, error) {
	if len(first) != len(second) || len(first) < 2 {
		return RepeatError{}, errors.New("stats: two columns of equal length are needed, with at least two people")
	}
	n := float64(len(first))
	mean := 0.0
	for i := range first {
		mean += (second[i] - first[i]) / n
	}
	squares := 0.0
	for i := range first {
		d := second[i] - first[i] - mean
		squares += d * d
	}
	return RepeatError{SDDiff: math.Sqrt(squares / (n - 1)), N: len(first)}, nil
}

// Averaged is the smallest change of means of k1 first and k2 later measurements that is beyond error with
// 95 % confidence: 1.96 · SEM · √(1/k1 + 1/k2).
func (e RepeatError) Averaged(k1, k2 int) float64 {
	return Z975 * e.SEM() * math.Sqrt(1/float64(k1)+1/float64(k2))
}

// ReliableChange is the difference in units of its error: (after - before - practice) / SDDiff. Beyond ±1.96
// it is beyond error with 95 % confidence.
func (e RepeatError) ReliableChange(before, after, practice float64) float64 {
	return (after - before - practice) / e.SDDiff
}

// ExpectedTrue is what a first measurement regresses to: groupMean + reliability · (observed - groupMean).
func ExpectedTrue(observed, groupMean, reliability float64) float64 {
	return groupMean + reliability*(observed-groupMean)
}

// IndividualResponse is the spread of true responses to a treatment from the standard deviations of change in
// the treated and in a control group: √(treated² - control²). When the control group varies more it is minus
// the root of the absolute value, not zero. It assumes equal noise in both groups, which cannot be tested.
func IndividualResponse(sdTreated, sdControl float64) float64 {
	d := sdTreated*sdTreated - sdControl*sdControl
	return math.Copysign(math.Sqrt(math.Abs(d)), d)
}
