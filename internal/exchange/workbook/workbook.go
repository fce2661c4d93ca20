// Package workbook writes tests as a spreadsheet file (XLSX) that can be read, computed with and taken back: a sheet of the data as
// they were entered, a sheet of results whose estimate is a live formula over its inputs, and a sheet that explains the columns.
//
// Numbers are numbers, dates are dates, and a text is never a formula. Equal content gives equal bytes. [Read] takes the rows of a
// sheet back, of ours or of a clinic, within bounds.
package workbook

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/xuri/excelize/v2"

	"gradus/estimate"
)

// Names of the sheets.
const (
	ResultSheet = "result"
	DataSheet   = "data"
	GuideSheet  = "columns"
	tableSheet  = "tables"
	lineSheet   = "lines"
)

// Book is what is written.
type Book struct {
	Results []Result
	Data    Sheet
	Guide   Sheet
	Note    string // what must be said of the data as a whole
}

// Sheet is a table of cells; Types of its columns are number, date or string.
type Sheet struct {
	Head, Types []string
	Rows        [][]string
}

// Result is the result of one test.
type Result struct {
	About     [][2]string // heading and text: test, participant, day …
	Estimator *estimate.Estimator
	Estimate  *estimate.Result // nil: none
	Why       string           // why there is none
	Verdict   string
	Reasons   string
}

// mostFormula is how long a formula may be in a spreadsheet, in characters.
const mostFormula = 8192

type writer struct {
	f     *excelize.File
	b     *Book
	err   error
	style struct{ head, bold, wrap, day, one, open int }
	spans map[string]map[string]span // of the tables, by estimator
	line  int                        // next row of the sheet of lines
	row   int                        // next row of the sheet of tables
}

// Write writes the book.
func (b *Book) Write(out io.Writer) error {
	w := &writer{f: excelize.NewFile(), b: b, spans: map[string]map[string]span{}, line: 1, row: 1}
	defer w.f.Close()
	w.styles()
	w.do(w.f.SetSheetName("Sheet1", ResultSheet))
	for _, name := range []string{DataSheet, GuideSheet} {
		_, err := w.f.NewSheet(name)
		w.do(err)
	}
	w.results()
	w.sheet(DataSheet, &b.Data)
	w.sheet(GuideSheet, &b.Guide)
	yes := true
	w.do(w.f.SetCalcProps(&excelize.CalcPropsOptions{FullCalcOnLoad: &yes}))
	w.do(w.f.SetDocProps(&excelize.DocProperties{Creator: "gradus", Created: "2006-01-01T00:00:00Z", Modified: "2006-01-01T00:00:00Z"}))
	if w.err != nil {
		return w.err
	}
	var raw bytes.Buffer
	if err := w.f.Write(&raw); err != nil {
		return err
	}
	return repack(out, raw.Bytes())
}

func (w *writer) do(err error) {
	if w.err == nil {
		w.err = err
	}
}

func (w *writer) styles() {
	make := func(s *excelize.Style) int {
		id, err := w.f.NewStyle(s)
		w.do(err)
		return id
	}
	iso, one := "yyyy-mm-dd", "0.0"
	w.style.head = make(&excelize.Style{Font: &excelize.Font{Bold: true}, Alignment: &excelize.Alignment{WrapText: true, Vertical: "top"}})
	w.style.bold = make(&excelize.Style{Font: &excelize.Font{Bold: true}})
	w.style.wrap = make(&excelize.Style{Alignment: &excelize.Alignment{WrapText: true, Vertical: "top"}})
	w.style.day = make(&excelize.Style{CustomNumFmt: &iso})
	w.style.one = make(&excelize.Style{CustomNumFmt: &one, Font: &excelize.Font{Bold: true}})
	w.style.open = make(&excelize.Style{Fill: excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{"FFF2CC"}}})
}

func name(column, row int) string {
	cell, err := excelize.CoordinatesToCellName(column, row)
	if err != nil {
		panic("workbook: " + err.Error())
	}
	return cell
}

func (w *writer) text(sheet string, column, row int, text string, style int) {
	if r := []rune(text); len(r) > excelize.TotalCellChars {
		w.do(fmt.Errorf("a text has %d characters; a cell of a spreadsheet holds at most %d", len(r), excelize.TotalCellChars))
	}
	w.do(w.f.SetCellStr(sheet, name(column, row), text))
	if style != 0 {
		w.do(w.f.SetCellStyle(sheet, name(column, row), name(column, row), style))
	}
}

func (w *writer) number(sheet string, column, row int, v float64, style int) {
	w.do(w.f.SetCellFloat(sheet, name(column, row), v, -1, 64))
	if style != 0 {
		w.do(w.f.SetCellStyle(sheet, name(column, row), name(column, row), style))
	}
}

// sheet writes a table, numbers as numbers and days as days.
func (w *writer) sheet(sheet string, s *Sheet) {
	for k, head := range s.Head {
		w.text(sheet, k+1, 1, head, w.style.head)
	}
	for i, row := range s.Rows {
		for k, cell := range row {
			if cell == "" {
				continue
			}
			w.cell(sheet, k+1, i+2, cell, s.Types[k])
		}
	}
	if len(s.Head) > 0 {
		w.do(w.f.SetColWidth(sheet, "A", column(len(s.Head)), 14))
		w.do(w.f.SetPanes(sheet, &excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}))
	}
}

func column(n int) string {
	text, err := excelize.ColumnNumberToName(n)
	if err != nil {
		panic("workbook: " + err.Error())
	}
	return text
}

func (w *writer) cell(sheet string, column, row int, cell, kind string) {
	switch kind {
	case "number":
		if v, err := strconv.ParseFloat(cell, 64); err == nil && strconv.FormatFloat(v, 'f', -1, 64) == cell {
			w.number(sheet, column, row, v, 0)
			return
		}
	case "date":
		if day, err := time.Parse(time.DateOnly, cell); err == nil && day.Year() >= 1901 {
			w.do(w.f.SetCellValue(sheet, name(column, row), day))
			w.do(w.f.SetCellStyle(sheet, name(column, row), name(column, row), w.style.day))
			return
		}
	}
	w.text(sheet, column, row, cell, 0)
}

// results writes a block for each test: what it was, its inputs, and the estimate as a formula over them.
func (w *writer) results() {
	landscape, fit, high := "landscape", 1, 0
	yes := true
	w.do(w.f.SetPageLayout(ResultSheet, &excelize.PageLayoutOptions{Orientation: &landscape, FitToWidth: &fit, FitToHeight: &high}))
	w.do(w.f.SetSheetProps(ResultSheet, &excelize.SheetPropsOptions{FitToPage: &yes}))
	w.do(w.f.SetColWidth(ResultSheet, "A", "A", 44))
	w.do(w.f.SetColWidth(ResultSheet, "B", "B", 20))
	w.do(w.f.SetColWidth(ResultSheet, "C", "C", 80))
	row := 1
	put := func(label string, style int) {
		w.text(ResultSheet, 1, row, label, style)
	}
	put("Estimated from submaximal tests, not measured. Change a coloured cell and the estimate follows.", w.style.bold)
	row++
	if w.b.Note != "" {
		put(w.b.Note, 0)
		row++
	}
	for i := range w.b.Results {
		r := &w.b.Results[i]
		row++
		for k, about := range r.About {
			style := 0
			if k == 0 {
				style = w.style.bold
			}
			put(about[0], style)
			w.text(ResultSheet, 2, row, about[1], style)
			row++
		}
		row = w.result(r, row)
	}
}

func (w *writer) result(r *Result, row int) int {
	line := func(label string, value func(), note string) {
		w.text(ResultSheet, 1, row, label, 0)
		value()
		if note != "" {
			w.text(ResultSheet, 3, row, note, w.style.wrap)
		}
		row++
	}
	words := func(text string) func() { return func() { w.text(ResultSheet, 2, row, text, 0) } }
	defer func() { w.line++ }()
	if r.Estimate == nil || !r.Estimate.Value.Present() {
		line("Estimate", words("none"), r.Why)
		line("Verdict", words(r.Verdict), r.Reasons)
		return row
	}
	e := r.Estimate
	cells := map[string]string{}
	for _, used := range e.Inputs {
		cells[used.ID] = name(2, row)
		label, unit := used.Label, used.Unit
		if used.Word != "" {
			unit = ""
		}
		line(joined(label, unit), func() {
			if used.Word != "" {
				w.text(ResultSheet, 2, row, used.Word, w.style.open)
			} else {
				w.number(ResultSheet, 2, row, used.Value, w.style.open)
			}
		}, "")
	}
	formula, why := w.formula(r, cells)
	at := name(2, row)
	note := "by " + e.Estimator + ": " + e.Source
	if why != "" {
		note = "this number does not follow: " + why
	}
	label := joined("Estimated "+e.What, e.Unit)
	if r.Verdict == estimate.NotUsable {
		label += " (not usable, for the record)"
	}
	line(label, func() { w.live(row, float64(e.Value), formula) }, note)
	if e.NoError == "" && e.SEE.Present() {
		w.interval(&row, r, at)
	} else {
		line("95 % range", words("none"), e.NoError)
	}
	line("Verdict", words(r.Verdict), r.Reasons)
	return row
}

func joined(label, unit string) string {
	if unit == "" {
		return label
	}
	return label + ", " + unit
}

// interval writes the standard error and the ends of the range, which follow the estimate.
func (w *writer) interval(row *int, r *Result, at string) {
	e := r.Estimate
	half := float64(e.High95 - e.Value)
	see, width := "", literal(half)
	if p := r.Estimator.Error.Percent; p > 0 {
		see = literal(p) + "*ABS(" + at + ")/100"
		width = literal(half/math.Abs(float64(e.Value))) + "*ABS(" + at + ")"
	}
	put := func(label string, v estimate.Number, formula, note string) {
		w.text(ResultSheet, 1, *row, label, 0)
		w.live(*row, float64(v), formula)
		if note != "" {
			w.text(ResultSheet, 3, *row, note, w.style.wrap)
		}
		*row++
	}
	note := e.ErrorSource
	if e.Extrapolation != nil {
		note = "of this line; it does not follow when a cell is changed"
	}
	put("Standard error", e.SEE, see, note)
	put("95 % range, lower end", e.Low95, at+"-"+width, e.Covers)
	put("95 % range, upper end", e.High95, at+"+"+width, "")
}

// live writes a number with the formula behind it.
func (w *writer) live(row int, v float64, formula string) {
	w.number(ResultSheet, 2, row, v, w.style.one)
	if formula != "" {
		if len(formula) > mostFormula {
			w.do(fmt.Errorf("a formula is longer than a spreadsheet takes"))
			return
		}
		w.do(w.f.SetCellFormula(ResultSheet, name(2, row), formula))
	}
}

// formula is the formula of an estimate; why says why there is none.
func (w *writer) formula(r *Result, cells map[string]string) (formula, why string) {
	if x := r.Estimate.Extrapolation; x != nil {
		return w.extended(x), ""
	}
	e := r.Estimator
	if e == nil {
		return "", "its equation is not known"
	}
	for i := range e.Inputs {
		if cells[e.Inputs[i].ID] == "" {
			return "", "input " + e.Inputs[i].Label + " is not among the cells"
		}
	}
	return formulaOf(e, func(i int) string { return cells[e.Inputs[i].ID] }, w.tables(e))
}

// tables writes the tables of an estimator, once.
func (w *writer) tables(e *estimate.Estimator) map[string]span {
	if spans, done := w.spans[e.ID]; done || len(e.Tables) == 0 {
		return spans
	}
	w.need(tableSheet)
	spans := map[string]span{}
	for k := range e.Tables {
		t := &e.Tables[k]
		w.text(tableSheet, 1, w.row, e.ID+", "+t.ID, w.style.head)
		w.text(tableSheet, 3, w.row, t.XUnit, w.style.head)
		w.text(tableSheet, 4, w.row, t.YUnit, w.style.head)
		w.text(tableSheet, 5, w.row, t.Source, 0)
		first := w.row + 1
		for n, p := range t.Points {
			w.number(tableSheet, 3, first+n, p.X, 0)
			w.number(tableSheet, 4, first+n, p.Y, 0)
		}
		spans[t.ID] = span{tableSheet, "C", "D", first, first + len(t.Points) - 1, t}
		w.row = first + len(t.Points) + 1
	}
	w.spans[e.ID] = spans
	return spans
}

func (w *writer) need(sheet string) {
	if at, err := w.f.GetSheetIndex(sheet); err == nil && at >= 0 {
		return
	}
	_, err := w.f.NewSheet(sheet)
	w.do(err)
}

// extended writes the stages of a line, and the formula that extends it to maximal heart rate.
func (w *writer) extended(x *estimate.Extrapolation) string {
	w.need(lineSheet)
	for k, head := range []string{"oxygen uptake", "heart rate", "maximal heart rate"} {
		w.text(lineSheet, k+1, w.line, head, w.style.head)
	}
	first := w.line + 1
	w.line++
	w.number(lineSheet, 3, first, x.MaxHR, w.style.open)
	for _, p := range x.Points {
		if p.Used {
			w.number(lineSheet, 1, w.line, p.X, w.style.open)
			w.number(lineSheet, 2, w.line, p.HR, w.style.open)
			w.line++
		}
	}
	xs := fmt.Sprintf("%s!$A$%d:$A$%d", lineSheet, first, w.line-1)
	hrs := fmt.Sprintf("%s!$B$%d:$B$%d", lineSheet, first, w.line-1)
	return fmt.Sprintf("AVERAGE(%s)+(%s!$C$%d-AVERAGE(%s))/SLOPE(%s,%s)", xs, lineSheet, first, hrs, hrs, xs)
}

// cached is a cell with a formula whose last value was written as text; it is a number.
var cached = regexp.MustCompile(`(<c r="[A-Z]+[0-9]+"(?: s="[0-9]+")?) t="str"><f>`)

var epoch = time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)

// repack writes the parts in one order and with one date.
func repack(out io.Writer, raw []byte) error {
	in, err := zip.NewReader(bytes.NewReader(raw), int64(len(raw)))
	if err != nil {
		return err
	}
	parts := slices.Clone(in.File)
	first := func(f *zip.File) int { return strings.Compare(f.Name, "[Content_Types].xml") }
	slices.SortFunc(parts, func(a, b *zip.File) int {
		if x, y := first(a) == 0, first(b) == 0; x != y {
			return map[bool]int{true: -1, false: 1}[x] // the list of parts stands in front
		}
		return strings.Compare(a.Name, b.Name)
	})
	z := zip.NewWriter(out)
	for _, part := range parts {
		r, err := part.Open()
		if err != nil {
			return err
		}
		data, err := io.ReadAll(r)
		r.Close()
		if err != nil {
			return err
		}
		if strings.HasPrefix(part.Name, "xl/worksheets/") {
			data = cached.ReplaceAll(data, []byte("$1><f>"))
		}
		p, err := z.CreateHeader(&zip.FileHeader{Name: part.Name, Method: zip.Deflate, Modified: epoch})
		if err != nil {
			return err
		}
		if _, err := p.Write(data); err != nil {
			return err
		}
	}
	return z.Close()
}
