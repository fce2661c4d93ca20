// Package exchange hands tests to other systems and takes them back: FHIR files, data packages and workbooks, and the old
// sheets of a clinic. It turns a scored sheet or a recorded test into what the formats write, so that each format is
// written once for the command line and the pages.
package exchange
