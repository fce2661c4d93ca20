package workbook

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/xuri/excelize/v2"
)

// Bounds of a file that is read.
const (
	MostBytes    = 32 << 20
	mostUnpacked = 256 << 20
	mostRows     = 200_000
	mostColumns  = 500
)

// Read takes the rows of a sheet: that named, else the one called data, else the first. Numbers come with all their digits and a
// decimal point, days as year-month-day, times as hours and minutes, formulas as the value they had last. Rows are as
// long as the longest.
func Read(data []byte, sheet string) (rows [][]string, err error) {
	s, err := ReadSheet(data, sheet)
	if err != nil {
		return nil, err
	}
	return s.Rows, nil
}

// Whole is a sheet with what a reader must know of its cells beside their texts.
type Whole struct {
	Name   string
	Others []string // names of all sheets of the file
	Rows   [][]string
	Odd    []Odd
}

// Kinds of odd cells.
const (
	Formula = "formula" // the text is the value it had last
	Empty   = "empty"   // a formula without a value
	Failed  = "failed"  // an error such as #N/A
	Merged  = "merged"  // joined with others, whose text it has
)

// Odd is a cell, or a block of cells, that needs a word. Row and column count from 1.
type Odd struct {
	Kind                string
	Row, Column         int
	LastRow, LastColumn int // of merged cells; else the cell itself
}

// ReadSheet is Read with the names of all sheets and the odd cells.
func ReadSheet(data []byte, sheet string) (whole *Whole, err error) {
	if len(data) > MostBytes {
		return nil, fmt.Errorf("the file is larger than %d MB", MostBytes>>20)
	}
	f, err := excelize.OpenReader(bytes.NewReader(data), excelize.Options{UnzipSizeLimit: mostUnpacked, UnzipXMLSizeLimit: 16 << 20})
	if err != nil {
		return nil, fmt.Errorf("it cannot be read as a spreadsheet (%v); save it as XLSX without a password, or as CSV", err)
	}
	defer f.Close()
	names := f.GetSheetList()
	if sheet == "" {
		sheet = names[0]
		for _, n := range names {
			if n == DataSheet {
				sheet = n
			}
		}
	}
	if at, err := f.GetSheetIndex(sheet); err != nil || at < 0 {
		return nil, fmt.Errorf("there is no sheet %q; it has %s", sheet, strings.Join(names, ", "))
	}
	r := reader{f: f, sheet: sheet, kinds: map[int]string{}}
	whole = &Whole{Name: sheet, Others: names}
	if whole.Rows, err = r.rows(); err != nil {
		return nil, err
	}
	if err := r.merged(whole.Rows); err != nil {
		return nil, err
	}
	whole.Odd = r.odd
	return whole, nil
}

// merged finds blocks of cells that were joined.
func (r *reader) merged(rows [][]string) error {
	all, err := r.f.GetMergeCells(r.sheet)
	if err != nil {
		return err
	}
	for _, block := range all {
		column, row, err1 := excelize.CellNameToCoordinates(block.GetStartAxis())
		lastColumn, lastRow, err2 := excelize.CellNameToCoordinates(block.GetEndAxis())
		if err := errors.Join(err1, err2); err != nil {
			return err
		}
		if row <= len(rows) {
			r.odd = append(r.odd, Odd{Merged, row, column, min(lastRow, len(rows)), min(lastColumn, mostColumns)})
		}
	}
	return nil
}

type reader struct {
	f     *excelize.File
	sheet string
	kinds map[int]string // of number formats: date, time, moment or ""
	odd   []Odd
}

func (r *reader) rows() (rows [][]string, err error) {
	all, err := r.f.Rows(r.sheet)
	if err != nil {
		return nil, err
	}
	defer all.Close()
	width, filled := 0, 0
	for n := 1; all.Next(); n++ {
		if n > mostRows {
			return nil, fmt.Errorf("the sheet has more than %d rows", mostRows)
		}
		cells, err := all.Columns(excelize.Options{RawCellValue: true})
		if err != nil {
			return nil, err
		}
		if len(cells) > mostColumns {
			return nil, fmt.Errorf("row %d has more than %d columns", n, mostColumns)
		}
		for k, cell := range cells {
			if cells[k], err = r.plain(cell, k+1, n); err != nil {
				return nil, err
			}
			if err := r.note(cells[k], k+1, n); err != nil {
				return nil, err
			}
			if cells[k] != "" {
				filled = n
			}
		}
		rows = append(rows, cells)
		width = max(width, len(cells))
	}
	if err := all.Error(); err != nil {
		return nil, err
	}
	rows = rows[:filled]
	for i := range rows {
		rows[i] = append(rows[i], make([]string, width-len(rows[i]))...)
	}
	return rows, nil
}

// note keeps that a cell is a formula or an error.
func (r *reader) note(cell string, column, row int) error {
	at := name(column, row)
	formula, err := r.f.GetCellFormula(r.sheet, at)
	if err != nil {
		return err
	}
	switch {
	case strings.HasPrefix(cell, "#") && strings.TrimRight(cell, "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789/?!_#") == "":
		kind, err := r.f.GetCellType(r.sheet, at)
		if err != nil {
			return err
		}
		if kind == excelize.CellTypeError {
			r.odd = append(r.odd, Odd{Failed, row, column, row, column})
		}
	case formula == "":
	case cell == "":
		r.odd = append(r.odd, Odd{Empty, row, column, row, column})
	default:
		r.odd = append(r.odd, Odd{Formula, row, column, row, column})
	}
	return nil
}

// plain turns the serial number of a day into the day.
func (r *reader) plain(cell string, column, row int) (string, error) {
	v, err := strconv.ParseFloat(cell, 64)
	if err != nil {
		return cell, nil
	}
	at := name(column, row)
	if kind, err := r.f.GetCellType(r.sheet, at); err != nil || kind == excelize.CellTypeSharedString || kind == excelize.CellTypeInlineString {
		return cell, err
	}
	style, err := r.f.GetCellStyle(r.sheet, at)
	if err != nil {
		return "", err
	}
	kind, known := r.kinds[style]
	if !known {
		s, err := r.f.GetStyle(style)
		if err != nil {
			return "", err
		}
		kind = kindOf(s)
		r.kinds[style] = kind
	}
	if kind == "" {
		return strconv.FormatFloat(v, 'f', -1, 64), nil
	}
	base := time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC)
	if v < 61 && kind != "time" || v < 0 || v > 2_958_465 {
		return cell, nil // before March 1900 the count of spreadsheets is off by one
	}
	when := base.AddDate(0, 0, int(v)).Add(time.Duration(math.Round((v-math.Floor(v))*86400)) * time.Second)
	switch kind {
	case "date":
		return when.Format(time.DateOnly), nil
	case "time":
		return when.Format("15:04"), nil
	}
	return when.Format("2006-01-02 15:04"), nil
}

// kindOf says whether a number format shows a day, a time, or both.
func kindOf(s *excelize.Style) string {
	switch n := s.NumFmt; {
	case n >= 14 && n <= 17, n >= 27 && n <= 31, n == 36, n >= 50 && n <= 54, n == 57, n == 58:
		return "date"
	case n >= 18 && n <= 21, n >= 32 && n <= 35, n == 45, n == 46, n == 47:
		return "time"
	case n == 22:
		return "moment"
	}
	if s.CustomNumFmt == nil {
		return ""
	}
	format := strings.ToLower(*s.CustomNumFmt)
	for _, part := range []string{`"`, `[`} { // texts and colours in a format
		for strings.Count(format, part) > 0 {
			from := strings.Index(format, part)
			to := strings.IndexAny(format[from+1:], `"]`)
			if to < 0 {
				format = format[:from]
				break
			}
			format = format[:from] + format[from+1+to+1:]
		}
	}
	day, clock := strings.ContainsAny(format, "yd"), strings.ContainsAny(format, "hs")
	switch {
	case day && clock:
		return "moment"
	case day:
		return "date"
	case clock:
		return "time"
	}
	return ""
}
