// Package interpret says what a peak oxygen uptake means: its place in a named reference table, how much of
// it daily tasks cost, how likely it is that it lies below a threshold, and what heart rate and pressure tell.
//
// [Of] is the way in. It takes a value with its standard error; no answer comes without the error. Tables,
// equations and cut-offs are data files that say how each number is known; a table that rests on memory says
// so in the answer. Cut-offs made from measured uptake are not applied to an estimate. The API may change.
package interpret
