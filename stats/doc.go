// Package stats holds the statistics that judging tests and studies needs. So far: the probabilities and
// quantiles behind an interval, and the error of a measurement that is repeated.
//
// [Below] and [ChiSquareQuantile] are the distributions; [RepeatError] turns two columns of a test and its
// retest, or their published summary, into the smallest change that is beyond error. Everything is compared
// with recorded answers of another program. The API is meant to stay.
package stats
