// Package sheet scores filled-in data sheets: one row per reading, typed from paper into a CSV file.
//
// [Read] takes the file apart into tests and names file, line and field of whatever cannot be true; [Score]
// turns the rows of a test into the events of package conduct, replays them, and has package estimate judge
// the whole. No rule of a test is written here a second time: what a row does not say is asked of the conductor.
//
// A fault in one test leaves the others unharmed. [Report] writes the results as text that can be read aloud,
// as JSON, or as one CSV row for each test.
package sheet

import (
	"fmt"
	"strings"
)

// Fault is something in a sheet that cannot be true or cannot be understood. Line and Field count from 1;
// both are 0 when the file could not be read at all.
type Fault struct {
	File        string
	Line, Field int
	Column      string // name of the column; "" when the whole line or file is meant
	Msg         string // what is wrong, and what to do
}

// Error gives file:line:field: column: message.
func (f *Fault) Error() string {
	var b strings.Builder
	b.WriteString(f.File)
	if f.Line > 0 {
		fmt.Fprintf(&b, ":%d:%d", f.Line, f.Field)
	}
	b.WriteString(": ")
	if f.Column != "" {
		b.WriteString(f.Column + ": ")
	}
	b.WriteString(f.Msg)
	return b.String()
}
