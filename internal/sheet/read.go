package sheet

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"gradus/internal/rows"
)

// Sheet is a data sheet as it was read: its tests in the order of the file.
type Sheet struct {
	Name     string
	Headings []string // as they stand in the file
	Faults   []*Fault // of the file as a whole
	Notices  []string

	at           map[string]int // field number from 0 of the known columns
	carried      []int          // fields of the unknown ones
	decimalComma bool
	tests        []*test
	unsaid       int // faults of the file beyond the most that are listed
}

// line is a row of the file with its number.
type line struct {
	n     int
	cells []string
}

// test is the rows of one test, and what is wrong with them.
type test struct {
	sheet  *Sheet
	id     string
	lines  []line
	faults []*Fault
	unsaid int  // faults beyond the most that are listed
	twin   bool // its id stands for another test too

	notices []*Fault
}

func (t *test) fault(n, field int, column, format string, args ...any) {
	t.sheet.note(t, &Fault{t.sheet.Name, n, field + 1, column, fmt.Sprintf(format, args...)})
}

// note keeps a fault with its test, or with the file when it belongs to none.
func (s *Sheet) note(t *test, f *Fault) {
	switch {
	case t == nil && len(s.Faults) >= int(limits["most_faults"]):
		s.unsaid++
	case t == nil:
		s.Faults = append(s.Faults, f)
	case len(t.faults) >= int(limits["most_faults"]):
		t.unsaid++
	default:
		t.faults = append(t.faults, f)
	}
}

// heading is the name of a field; "" beyond the last.
func (s *Sheet) heading(field int) string {
	if field < len(s.Headings) {
		return s.Headings[field]
	}
	return ""
}

func (t *test) notice(n, field int, column, format string, args ...any) {
	t.notices = append(t.notices, &Fault{t.sheet.Name, n, field + 1, column, fmt.Sprintf(format, args...)})
}

// faultAt names the cell of a column in a row, or the first line when the sheet has no such column.
func (t *test) faultAt(l *line, column, format string, args ...any) {
	if field, ok := t.sheet.at[column]; ok {
		t.fault(l.n, field, column, format, args...)
		return
	}
	t.fault(1, 0, column, format, args...)
}

// cell is the text of a known column in a row; "" when it is blank or the sheet has no such column.
func (t *test) cell(l *line, column string) string {
	if field, ok := t.sheet.at[column]; ok {
		return l.cells[field]
	}
	return ""
}

// Read reads a data sheet. Whatever is wrong stands in the sheet; the tests that can be read are there.
func Read(name string, from io.Reader) *Sheet {
	s := &Sheet{Name: name}
	f, err := rows.Open(name, from)
	if err != nil {
		s.failed(err)
		return s
	}
	s.decimalComma = f.DecimalComma()
	if !s.columns(f.Columns) {
		return s
	}
	f.ByLine = true
	err = f.Each([]rows.Worker{&taker{sheet: s, comma: f.Comma}}, func(*rows.Block) error { return nil })
	if err != nil {
		s.failed(err)
		if n := len(s.tests); n > 0 {
			last := s.tests[n-1]
			last.fault(last.lines[len(last.lines)-1].n, 0, "", "the file could not be read beyond this test, which may lack rows")
		}
	}
	return s
}

// Typed is a row that is given instead of read, with its number.
type Typed struct {
	N     int
	Cells []string
}

// Of makes a sheet of rows that were read elsewhere, with a decimal point and as many cells as headings.
func Of(name string, headings []string, rows []Typed) *Sheet {
	s := &Sheet{Name: name}
	if !s.columns(headings) {
		return s
	}
	k := taker{sheet: s}
	for _, r := range rows {
		l := line{n: r.N, cells: r.Cells}
		var faults []Fault
		for field, text := range r.Cells {
			if msg := cellFault(text); msg != "" {
				faults = append(faults, Fault{Field: field, Msg: msg})
				l.cells[field] = s.rest(field, text)
			}
		}
		k.take(&l, faults)
	}
	return s
}

// failed notes why the file cannot be read further.
func (s *Sheet) failed(err error) {
	var place *rows.Error
	if !errors.As(err, &place) {
		s.Faults = append(s.Faults, &Fault{File: s.Name, Msg: strings.TrimPrefix(err.Error(), s.Name+": ")})
		return
	}
	msg := place.Msg
	if place.Hint != "" {
		msg += "; " + place.Hint
	}
	s.Faults = append(s.Faults, &Fault{s.Name, place.Line, max(1, place.Field), "", msg})
}

// columns finds the known columns in the first line.
func (s *Sheet) columns(headings []string) bool {
	s.Headings = headings
	s.at = map[string]int{}
	for field, heading := range headings {
		name := columnName(heading)
		switch _, twice := s.at[name]; {
		case !utf8.ValidString(heading):
			s.headFault(field, "", "the heading is not in UTF-8; save the table as CSV in UTF-8")
		case known[name] && twice:
			s.headFault(field, name, "the column stands here a second time; remove or rename one")
		case known[name]:
			s.at[name] = field
		default:
			s.carried = append(s.carried, field)
			f := Fault{s.Name, 1, field + 1, heading, "this column is not known; it is carried through and used for nothing"}
			if heading != "" {
				s.Notices = append(s.Notices, f.Error())
			}
		}
	}
	for _, name := range []string{"test", "protocol", "stage"} {
		if _, ok := s.at[name]; !ok {
			s.headFault(0, name, "there is no column of this name; the first line must hold the column names, separated by commas or semicolons")
		}
	}
	_, minute := s.at["minute"]
	_, stageMinute := s.at["stage_minute"]
	if !minute && !stageMinute {
		s.headFault(0, "minute", "there is no column of this name and no stage_minute; one of the two must say when a reading was taken")
	}
	return len(s.Faults) == 0
}

func (s *Sheet) headFault(field int, column, msg string) {
	s.Faults = append(s.Faults, &Fault{s.Name, 1, field + 1, column, msg})
}

// taker takes blocks of rows apart. One of it sees them in order.
type taker struct {
	sheet *Sheet
	comma byte
}

// Do takes the rows of a block.
func (k *taker) Do(b *rows.Block) {
	n, data := b.Line, b.Data
	for len(data) > 0 {
		end := k.recordEnd(data)
		k.row(n, bytes.TrimRight(data[:end], "\r\n"))
		n += bytes.Count(data[:end], []byte{'\n'})
		data = data[end:]
	}
}

// recordEnd is the length of the first record of data. A record of several lines that does not make a row is taken
// line by line: a stray quotation mark must not swallow the tests after it.
func (k *taker) recordEnd(data []byte) int {
	end := rows.RecordEnd(data, k.comma)
	if end < 0 {
		end = len(data)
	}
	firstLine := bytes.IndexByte(data, '\n') + 1
	if firstLine > 0 && firstLine < end && !k.makesRow(bytes.TrimRight(data[:end], "\r\n")) {
		return firstLine
	}
	return end
}

// makesRow reports whether a record has as many cells as the first line, with quotation marks that close.
func (k *taker) makesRow(record []byte) bool {
	l := line{}
	for next := 0; next >= 0; {
		var raw []byte
		raw, next = rows.Cell(record, k.comma)
		if openQuote(raw) {
			return false
		}
		l.cells = append(l.cells, string(rows.Text(raw)))
		if next >= 0 {
			record = record[next:]
		}
	}
	return k.sheet.fit(&l) == ""
}

// cell takes the first cell off a record. A quotation mark that does not close is passed over, so that the cells
// after it, and the test the row belongs to, are still known.
func (k *taker) cell(record []byte) (text, msg string, next int) {
	raw, next := rows.Cell(record, k.comma)
	if !openQuote(raw) {
		text = string(rows.Text(raw))
		return text, cellFault(text), next
	}
	raw, next = record, -1
	if n := bytes.IndexByte(record, k.comma); n >= 0 {
		raw, next = record[:n], n+1
	}
	text = strings.TrimSpace(strings.ReplaceAll(string(raw), `"`, ""))
	return text, "a quotation mark opens here and does not close at the end of the cell; remove it, or put one behind the cell too", next
}

func (k *taker) row(n int, record []byte) {
	l := line{n: n}
	var faults []Fault
	for next := 0; next >= 0; {
		var text, msg string
		text, msg, next = k.cell(record)
		if msg != "" {
			faults = append(faults, Fault{Field: len(l.cells), Msg: msg})
			text = k.sheet.rest(len(l.cells), text)
		}
		l.cells = append(l.cells, text)
		if next >= 0 {
			record = record[next:]
		}
	}
	if len(faults) == 0 && strings.Join(l.cells, "") == "" {
		return // a line without content, as tables leave them at their end
	}
	k.take(&l, faults)
}

// take puts a row into the test it belongs to.
func (k *taker) take(l *line, faults []Fault) {
	n := l.n
	if msg := k.sheet.fit(l); msg != "" {
		faults = append(faults, Fault{Field: min(len(k.sheet.Headings), len(l.cells)) - 1, Msg: msg})
		l.cells = append(l.cells, make([]string, max(0, len(k.sheet.Headings)-len(l.cells)))...)
	}
	t := k.sheet.testOf(l)
	for _, f := range faults {
		f.File, f.Line, f.Field, f.Column = k.sheet.Name, n, f.Field+1, k.sheet.heading(f.Field)
		k.sheet.note(t, &f)
	}
	if t == nil {
		if len(faults) == 0 {
			k.sheet.note(nil, &Fault{k.sheet.Name, n, k.sheet.at["test"] + 1, "test", "the row names no test, and none stands above it; give every test an id"})
		}
		return
	}
	if len(t.lines) >= int(limits["most_rows"]) {
		if len(t.lines) == int(limits["most_rows"]) {
			t.fault(n, k.sheet.at["test"], "test", "the test has more than %g rows; is the column right?", limits["most_rows"])
			t.lines = append(t.lines, *l)
		}
		return
	}
	t.lines = append(t.lines, *l)
}

// rest is what is kept of a faulty cell: the name of the test, so that the row spoils no other one.
func (s *Sheet) rest(field int, text string) string {
	if field == s.at["test"] {
		return strings.ToValidUTF8(text, "?")
	}
	return ""
}

// openQuote reports whether a cell begins with a quotation mark and does not end with its fellow.
func openQuote(raw []byte) bool {
	raw = bytes.TrimSpace(raw)
	return rows.Unclosed(raw) || len(raw) > 0 && raw[0] == '"' && raw[len(raw)-1] != '"'
}

// cellFault says what is wrong with the text of a cell, or "".
func cellFault(text string) string {
	switch {
	case !utf8.ValidString(text):
		return "the text is not in UTF-8; save the table as CSV in UTF-8"
	case strings.ContainsFunc(text, func(r rune) bool { return r < ' ' && r != '\n' && r != '\r' && r != '\t' || r == 0x7f }):
		return "the cell holds a control character; check the entry"
	}
	return ""
}

// fit checks the number of cells. Blank cells beyond the last column are left off.
func (s *Sheet) fit(l *line) string {
	want := len(s.Headings)
	for len(l.cells) > want && l.cells[len(l.cells)-1] == "" {
		l.cells = l.cells[:len(l.cells)-1]
	}
	switch {
	case len(l.cells) < want:
		return fmt.Sprintf("the row has %d cells, the first line has %d; check the separators", len(l.cells), want)
	case len(l.cells) > want:
		return fmt.Sprintf("the row has %d cells, the first line has %d; put quotation marks around a text that holds the separator, and write numbers with a decimal point where the separator is a comma", len(l.cells), want)
	}
	return ""
}

// testOf finds the test a row belongs to: the one it names, or the one above when it names none; nil when there
// is none above.
func (s *Sheet) testOf(l *line) *test {
	id := l.cells[s.at["test"]]
	var last *test
	if n := len(s.tests); n > 0 {
		last = s.tests[n-1]
	}
	switch {
	case last != nil && (id == "" || id == last.id):
		return last
	case id == "":
		return nil
	}
	t := &test{sheet: s, id: id}
	s.tests = append(s.tests, t)
	return t
}

// refuseTwins finds ids that stand for more than one test, in one sheet or in several. None of them can be
// scored: it cannot be known which row belongs to which.
func refuseTwins(sheets []*Sheet) {
	first := map[string]*test{}
	for _, s := range sheets {
		for _, t := range s.tests {
			twin, ok := first[t.id]
			if !ok {
				first[t.id] = t
				continue
			}
			field := s.at["test"]
			t.twin, twin.twin = true, true
			t.fault(t.lines[0].n, field, "test", "test %q stands already in %s:%d; give every test an id of its own and keep its rows together", t.id, twin.sheet.Name, twin.lines[0].n)
			twin.fault(twin.lines[0].n, twin.sheet.at["test"], "test", "test %q stands again in %s:%d; give every test an id of its own and keep its rows together", t.id, s.Name, t.lines[0].n)
		}
	}
}
