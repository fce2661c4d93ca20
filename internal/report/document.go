package report

import "regexp"

// Document is the content of a paper.
type Document struct {
	Title    string
	Standing string // draft or final, by whom and when, what it replaces
	Who      string // whose paper it is, one line
	Blocks   []Block
	Foot     string // program and versions, one line
	Large    bool   // for reading without glasses
	OnePage  bool   // set as small as needed (and still legible) to stay on one page
	Day      string // the day it speaks of, year-month-day: the date inside the PDF
}

// Block is a part of a paper: Heading, Para, List, Pairs, Table, Box, Picture or Twin.
type Block interface{ block() }

// Heading opens a section.
type Heading string

// Para is a paragraph; Lead sets it larger, Label before it in bold.
type Para struct {
	Label, Text string
	Lead, Small bool
}

// List is a list of short lines. With Square each begins with a box to tick.
type List struct {
	Items  []string
	Square bool
}

// Pair is a name with its value.
type Pair struct{ Name, Value string }

// Pairs is a list of names with values.
type Pairs []Pair

// Table is a table; widths are relative. A table of boxes is written in by hand: an empty cell is a box, one with a
// dash is not asked for.
type Table struct {
	Caption string
	Head    []string
	Widths  []float64
	Rows    [][]string
	Behind  [][]string // beside Rows: how a cell was made and where from, opened by one click on a page; shorter or nil: nothing
	Boxes   bool
}

// add appends a row; what stands behind its cells follows them in order, "" for nothing.
func (t *Table) add(cells []string, behind ...string) {
	for len(t.Behind) < len(t.Rows) {
		t.Behind = append(t.Behind, nil)
	}
	t.Rows, t.Behind = append(t.Rows, cells), append(t.Behind, behind)
}

// behind is what stands behind a cell; nothing stands behind an empty one.
func (t Table) behind(row, column int) string {
	if row >= len(t.Behind) || column >= len(t.Behind[row]) || t.Rows[row][column] == "" {
		return ""
	}
	return t.Behind[row][column]
}

// Box is framed: what must not be missed.
type Box struct {
	Title string
	Lines []Pair
}

// Picture is a drawing with its description in words.
type Picture struct {
	Title, Text string
	Drawing     Drawing
}

// Twin sets two columns side by side; one after the other where there is no room.
type Twin struct {
	Left, Right []Block
	Share       float64 // of the width that the left one takes
}

func (Heading) block() {}
func (Para) block()    {}
func (List) block()    {}
func (Pairs) block()   {}
func (Table) block()   {}
func (Box) block()     {}
func (Picture) block() {}
func (Twin) block()    {}

// Drawing is a picture as lines, areas and words, in points on a field of W by H, y downwards. It is black, white
// and grey only: what tells things apart is shape, dash and word.
type Drawing struct {
	W, H  float64
	Marks []Mark
}

// Mark is one stroke of a drawing.
type Mark struct {
	Kind   string // line, box, dot, ring or text
	X, Y   float64
	X2, Y2 float64 // end of a line, opposite corner of a box
	R      float64 // radius of a dot or ring
	Width  float64 // of the stroke
	Dash   bool
	Grey   float64 // of a box: 0 white to 1 black
	Text   string
	Size   float64
	Bold   bool
	Align  string // of a text: start, middle or end at X
}

func (d *Drawing) line(x, y, x2, y2, width float64, dash bool) {
	d.Marks = append(d.Marks, Mark{Kind: "line", X: x, Y: y, X2: x2, Y2: y2, Width: width, Dash: dash})
}

func (d *Drawing) box(x, y, x2, y2, grey, width float64) {
	d.Marks = append(d.Marks, Mark{Kind: "box", X: x, Y: y, X2: x2, Y2: y2, Grey: grey, Width: width})
}

func (d *Drawing) dot(x, y, r float64, filled bool) {
	kind := "ring"
	if filled {
		kind = "dot"
	}
	d.Marks = append(d.Marks, Mark{Kind: kind, X: x, Y: y, R: r, Width: 1})
}

func (d *Drawing) text(x, y, size float64, align, text string) {
	d.Marks = append(d.Marks, Mark{Kind: "text", X: x, Y: y, Size: size, Align: align, Text: text})
}

const held = "\u00a0" // a space that does not break

var numberUnit = regexp.MustCompile(`(\d) (%|W\b|kg\b|cm\b|mmHg\b|mL\b|min\b|h\b|/min|METs?\b|L/min|years\b|kcal\b)`)

// hold keeps a number and its unit on one line.
func hold(text string) string { return numberUnit.ReplaceAllString(text, "$1"+held+"$2") }
