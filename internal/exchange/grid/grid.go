// Package grid reads the spreadsheet of a clinic, XLSX or CSV, as a table of texts whose every cell can be named as a
// spreadsheet names it. It computes nothing: what a formula said when the file was saved counts, and is told.
//
// A file is read within bounds. What makes a cell unfit (an error, a formula without a value, cells joined across columns) is
// kept with the cell, so that only a row that needs it falls out.
package grid

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"
	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"

	"gradus/internal/exchange/workbook"
	"gradus/internal/rows"
)

// Bounds of a table. A clinic's own sheet has some hundred rows.
const (
	MostBytes   = workbook.MostBytes
	MostRows    = 20_000
	mostColumns = 500
)

// Table is a table with its headings.
type Table struct {
	File   string
	Sheet  string   // "" of a CSV file
	Sheets []string // of the file
	Head   int      // row of the headings
	Heads  []string // made different from one another: the second "HR" is "HR (2)", one without a text "column D"
	Rows   []Row
	Typed  bool // numbers are numbers and days are days; a CSV file has texts alone

	Notes []Place           // what is well to know
	unfit map[[2]int]string // by row and column
}

// Row is a row below the headings. N is its number as a spreadsheet counts, which in a CSV file is its line.
type Row struct {
	N     int
	Cells []string
}

// Place is a word about a cell. Row and Column count from 1; Column 0 stands for the whole row, Row 0 for the table.
type Place struct {
	File, Sheet string
	Row, Column int
	Heading     string
	Msg         string
}

// Cell names the cell as a spreadsheet does.
func (p Place) Cell() string {
	switch {
	case p.Row == 0:
		return ""
	case p.Column == 0:
		return "row " + strconv.Itoa(p.Row)
	}
	return Letter(p.Column) + strconv.Itoa(p.Row)
}

// String tells where and what.
func (p Place) String() string {
	where := p.File
	if p.Sheet != "" {
		where += ", sheet " + p.Sheet
	}
	if cell := p.Cell(); cell != "" {
		where += ", " + cell
	}
	if p.Heading != "" {
		where += " (" + p.Heading + ")"
	}
	return where + ": " + p.Msg
}

// Letter is the letter of a column, counted from 1.
func Letter(column int) string {
	text, err := excelize.ColumnNumberToName(column)
	if err != nil {
		return strconv.Itoa(column)
	}
	return text
}

// At is a word about a cell of this table.
func (t *Table) At(row, column int, format string, args ...any) Place {
	p := Place{File: t.File, Sheet: t.Sheet, Row: row, Column: column, Msg: fmt.Sprintf(format, args...)}
	if column > 0 && column <= len(t.Heads) {
		p.Heading = t.Heads[column-1]
	}
	return p
}

// Column is the number of a column by its heading, from 1; 0 when there is none.
func (t *Table) Column(heading string) int {
	return slices.Index(t.Heads, strings.TrimSpace(heading)) + 1
}

// Unfit says why the text of a cell cannot be used; "" when it can.
func (t *Table) Unfit(row, column int) string { return t.unfit[[2]int{row, column}] }

// Read reads a file: a sheet of an XLSX file ("": the first), or a CSV file. head is the row of the headings; 0 stands for
// the first row with a text in it.
func Read(name string, data []byte, sheet string, head int) (*Table, error) {
	t := &Table{File: filepath.Base(name), unfit: map[[2]int]string{}}
	if len(data) > MostBytes {
		return nil, fmt.Errorf("%s: the file is larger than %d MB; take out pictures and sheets that hold no tests, or split it", t.File, MostBytes>>20)
	}
	var rows []Row
	var err error
	switch {
	case bytes.HasPrefix(data, []byte("PK\x03\x04")):
		rows, err = t.book(data, sheet)
	case bytes.HasPrefix(data, []byte("\xd0\xcf\x11\xe0")):
		err = errors.New("it is a spreadsheet of an old form, or has a password; open it and save it as XLSX without one")
	case sheet != "":
		err = fmt.Errorf("only an XLSX file has sheets; leave %q out", sheet)
	default:
		rows, err = t.csv(data)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", t.File, err)
	}
	if err := t.headings(rows, head); err != nil {
		return nil, fmt.Errorf("%s: %w", t.File, err)
	}
	return t, nil
}

func (t *Table) book(data []byte, sheet string) (rows []Row, err error) {
	whole, err := workbook.ReadSheet(data, sheet)
	if err != nil {
		return nil, err
	}
	t.Sheet, t.Sheets, t.Typed = whole.Name, whole.Others, true
	formulas := 0
	for _, odd := range whole.Odd {
		switch odd.Kind {
		case workbook.Formula:
			formulas++
		case workbook.Empty:
			t.unfit[[2]int{odd.Row, odd.Column}] = "the formula here has no value; open the file in a spreadsheet, save it, and bring it in again"
		case workbook.Failed:
			t.unfit[[2]int{odd.Row, odd.Column}] = fmt.Sprintf("the cell shows the error %s; put the value in", whole.Rows[odd.Row-1][odd.Column-1])
		case workbook.Merged:
			t.joined(whole.Rows, odd)
		}
	}
	if formulas > 0 {
		t.Notes = append(t.Notes, t.At(0, 0, "cells with formulas: %d; the value they had when the file was saved counts", formulas))
	}
	for i, cells := range whole.Rows {
		rows = append(rows, Row{i + 1, cells})
	}
	return rows, nil
}

// joined gives cells of one column that were joined the text they show. Across columns nobody can know what is meant.
func (t *Table) joined(rows [][]string, odd workbook.Odd) {
	if odd.Column > len(rows[odd.Row-1]) {
		return // beyond the last column with anything in it
	}
	text := rows[odd.Row-1][odd.Column-1]
	for row := odd.Row; row <= odd.LastRow; row++ {
		for column := odd.Column; column <= min(odd.LastColumn, len(rows[row-1])); column++ {
			switch {
			case odd.Column == odd.LastColumn:
				rows[row-1][column-1] = text
			default:
				t.unfit[[2]int{row, column}] = fmt.Sprintf("the cells %s%d to %s%d are joined across columns; part them and write each value in its own", Letter(odd.Column), odd.Row, Letter(odd.LastColumn), odd.LastRow)
			}
		}
	}
	if odd.Column == odd.LastColumn && odd.Row < odd.LastRow && text != "" {
		t.Notes = append(t.Notes, t.At(odd.Row, odd.Column, "joined with the cells below it, to row %d: %q counts for each of these rows", odd.LastRow, text))
	}
}

func (t *Table) csv(data []byte) (all []Row, err error) {
	data, err = t.text(data)
	if err != nil {
		return nil, err
	}
	if len(bytes.TrimSpace(data)) == 0 {
		return nil, errors.New("the file is empty")
	}
	r := csv.NewReader(bytes.NewReader(data))
	r.FieldsPerRecord, r.Comma = -1, rune(rows.Separator(data, true))
	for {
		cells, err := r.Read()
		var bad *csv.ParseError
		switch {
		case err == io.EOF:
			return all, nil
		case errors.As(err, &bad):
			return nil, fmt.Errorf("line %d: %w; check the quotation marks", bad.Line, bad.Err)
		case err != nil:
			return nil, err
		case len(cells) > mostColumns:
			return nil, fmt.Errorf("line %d has more than %d columns; is it a table?", len(all)+1, mostColumns)
		}
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
		}
		line, _ := r.FieldPos(0)
		all = append(all, Row{line, cells})
		if len(all) > MostRows+1000 {
			return nil, fmt.Errorf("the table has more than %d rows; split it", MostRows)
		}
	}
}

// text gives the text of a CSV file in UTF-8.
func (t *Table) text(data []byte) ([]byte, error) {
	var from encoding.Encoding
	switch {
	case bytes.HasPrefix(data, []byte("\xff\xfe")), bytes.HasPrefix(data, []byte("\xfe\xff")):
		from = unicode.UTF16(unicode.LittleEndian, unicode.UseBOM)
	case bytes.IndexByte(data, 0) >= 0:
		return nil, errors.New("this is neither an XLSX nor a CSV file; save the table as one of them")
	case !utf8.Valid(data):
		from = charmap.Windows1252
		t.Notes = append(t.Notes, t.At(0, 0, "the text is not in UTF-8 and was read as Windows-1252 (Western Europe); look at names with accents"))
	default:
		return bytes.TrimPrefix(data, []byte("\ufeff")), nil
	}
	out, err := from.NewDecoder().Bytes(data)
	if err != nil {
		return nil, fmt.Errorf("the text cannot be read (%w); save the table as CSV in UTF-8", err)
	}
	return out, nil
}

// headings takes the row of the headings and those below it.
func (t *Table) headings(rows []Row, head int) error {
	filled := func(r Row) bool { return strings.TrimSpace(strings.Join(r.Cells, "")) != "" }
	at := slices.IndexFunc(rows, func(r Row) bool { return r.N == head || head == 0 && filled(r) })
	switch {
	case at < 0 && head == 0:
		return errors.New("there is nothing in it")
	case at < 0:
		return fmt.Errorf("there is no row %d, where the headings are to stand", head)
	}
	t.Head = rows[at].N
	width := 0
	for _, r := range rows[at:] {
		for k, cell := range r.Cells {
			if cell != "" {
				width = max(width, k+1)
			}
		}
	}
	seen := map[string]int{}
	for k := range width {
		heading := ""
		if k < len(rows[at].Cells) {
			heading = strings.Join(strings.Fields(rows[at].Cells[k]), " ")
		}
		if heading == "" {
			heading = "column " + Letter(k+1)
		}
		seen[heading]++
		if n := seen[heading]; n > 1 {
			heading += fmt.Sprintf(" (%d)", n)
		}
		t.Heads = append(t.Heads, heading)
	}
	for _, r := range rows[at+1:] {
		if !filled(r) {
			continue
		}
		cells := make([]string, width)
		for k := range min(width, len(r.Cells)) {
			cells[k] = strings.TrimSpace(r.Cells[k])
		}
		t.Rows = append(t.Rows, Row{r.N, cells})
	}
	for i := range t.Notes {
		if k := t.Notes[i].Column; k > 0 && k <= width {
			t.Notes[i].Heading = t.Heads[k-1]
		}
	}
	switch {
	case len(t.Rows) == 0:
		return fmt.Errorf("there is no row below the headings in row %d", t.Head)
	case len(t.Rows) > MostRows:
		return fmt.Errorf("the table has more than %d rows; split it", MostRows)
	}
	return nil
}
