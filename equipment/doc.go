// Package equipment answers two questions about a machine that people are tested on: may a peak oxygen uptake be
// estimated from what it shows, and does it still do what it did? A [Profile] says what the machine shows, its
// calibrations and the site's own table of levels; [Judge] compares repeated tests of one healthy staff member with
// control limits from that person's own runs, so that a drifting machine is noticed.
//
// A machine that shows METs alone gives no estimate: its METs assume a weight and a formula that nobody can see.
// The limits are those of a chart for single values; their numbers stand in control.csv. The package may change.
package equipment
