// Package report makes the papers of a test: the clinician's note, the participant's letter, the comparison with
// earlier tests, the blank data sheet, the exercise plan with its log, and the letter that calls papers back.
//
// Each paper is one [Document]: sections, tables and a drawing, without a word about its look. [WritePDF] sets it on
// A4 or Letter, [WriteHTML] makes the version for screen readers and zoom, [WriteText] the plain text. Equal input
// gives equal bytes: no clock is asked and nothing is counted up.
package report
