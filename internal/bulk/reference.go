package bulk

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"sort"
	"strconv"
	"strings"

	"gradus/estimate"
	"gradus/internal/rows"
)

// Limits of a reference table.
const (
	maxReferenceRows  = 10_000
	maxReferenceBytes = 4 << 20
)

// Reference is a table of percentiles: for each sex, bands of age that begin at age_low and reach to the next,
// the last one upwards without end; for each band the value that cuts off a percentage of people.
type Reference struct {
	percents [][]byte // as written, ascending, after "0" for none
	bands    []band   // by sex, then age
}

type band struct {
	sex, from float64
	cuts      []float64 // ascending
	scale     float64   // cells for each unit
	before    [cells]uint8
}

// So many cells that most hold no cut: the search then ends where it begins.
const (
	cells          = 512
	maxPercentiles = 200
)

// ReadReference reads a CSV table with the columns sex, age_low and any number of p columns, such as p5 to
// p95. sex is written as the estimator writes it, or as its code.
func ReadReference(name string, from io.Reader, e *estimate.Estimator) (*Reference, error) {
	sexAt := e.RoleAt("sex")
	if sexAt < 0 || e.RoleAt("age") < 0 {
		return nil, fmt.Errorf("%s: a percentile needs sex and age, and %s does not take both", name, e.ID)
	}
	table, decimalComma, err := readTable(name, from)
	if err != nil {
		return nil, err
	}
	if len(table) < 2 || len(table) > maxReferenceRows {
		return nil, &rows.Error{Name: name, Line: 1, Msg: "the table needs column names and 1 to " + strconv.Itoa(maxReferenceRows) + " rows"}
	}
	r := &Reference{percents: [][]byte{{'0'}}}
	columns, err := r.columns(name, table[0])
	if err != nil {
		return nil, err
	}
	for i, row := range table[1:] {
		b, err := readBand(name, i+2, row, columns, &e.Inputs[sexAt], decimalComma)
		if err != nil {
			return nil, err
		}
		r.bands = append(r.bands, b)
	}
	return r, r.sorted(name)
}

// readTable reads a small CSV file whole; semicolons bring decimal commas.
func readTable(name string, from io.Reader) (table [][]string, decimalComma bool, err error) {
	data, err := io.ReadAll(io.LimitReader(from, maxReferenceBytes+1))
	if err != nil {
		return nil, false, fmt.Errorf("%s: %w", name, err)
	}
	if len(data) > maxReferenceBytes {
		return nil, false, &rows.Error{Name: name, Line: 1, Msg: fmt.Sprintf("the table is longer than %d bytes", maxReferenceBytes), Hint: "check the file"}
	}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	in := csv.NewReader(bytes.NewReader(data))
	in.TrimLeadingSpace = true
	first, _, _ := bytes.Cut(data, []byte{'\n'})
	if decimalComma = bytes.IndexByte(first, ';') >= 0 && bytes.IndexByte(first, ',') < 0; decimalComma {
		in.Comma = ';'
	}
	table, err = in.ReadAll()
	var shape *csv.ParseError
	if errors.As(err, &shape) {
		return nil, false, &rows.Error{Name: name, Line: shape.Line, Msg: shape.Err.Error(), Hint: "each row needs as many fields as the first line"}
	}
	return table, decimalComma, err
}

// layout says in which field of the table a thing stands.
type layout struct {
	sex, age int
	percent  []int
}

func (r *Reference) columns(name string, first []string) (layout, error) {
	l := layout{sex: -1, age: -1}
	last := -1.0
	for i, column := range first {
		column = strings.TrimSpace(column)
		bad := func(msg, hint string) (layout, error) {
			return l, &rows.Error{Name: name, Line: 1, Field: i + 1, Msg: msg, Hint: hint}
		}
		number, isPercent := strings.CutPrefix(column, "p")
		switch percent, err := strconv.ParseFloat(number, 64); {
		case column == "sex" && l.sex < 0:
			l.sex = i
		case column == "age_low" && l.age < 0:
			l.age = i
		case !isPercent || err != nil || !(percent > 0 && percent < 100):
			return bad(fmt.Sprintf("column %q is not known", column), "a reference table has sex, age_low and percentiles such as p5, p50, p95")
		case len(l.percent) == maxPercentiles:
			return bad(fmt.Sprintf("there are more than %d percentiles", maxPercentiles), "")
		case percent <= last:
			return bad("percentile "+column+" is not above the one before it", "put the columns in order")
		default:
			last = percent
			l.percent = append(l.percent, i)
			r.percents = append(r.percents, []byte(number))
		}
	}
	if l.sex < 0 || l.age < 0 || len(l.percent) == 0 {
		return l, &rows.Error{Name: name, Line: 1, Msg: "columns are missing", Hint: "a reference table has sex, age_low and percentiles such as p5, p50, p95"}
	}
	return l, nil
}

func readBand(name string, line int, row []string, l layout, sex *estimate.Input, decimalComma bool) (b band, err error) {
	bad := func(at int, msg, hint string) error {
		return &rows.Error{Name: name, Line: line, Field: at + 1, Msg: msg, Hint: hint}
	}
	known := false
	var words []string
	for _, c := range sex.Codes {
		words = append(words, c.Word)
		cell := strings.TrimSpace(row[l.sex])
		if v, isNumber := rows.Number([]byte(cell), false); strings.EqualFold(c.Word, cell) || isNumber && v == c.Value {
			b.sex, known = c.Value, true
		}
	}
	if !known {
		return b, bad(l.sex, fmt.Sprintf("sex %q is not known", row[l.sex]), "write "+strings.Join(words, " or "))
	}
	var ok bool
	if b.from, ok = rows.Number([]byte(strings.TrimSpace(row[l.age])), decimalComma); !ok || b.from < 0 {
		return b, bad(l.age, fmt.Sprintf("age %q is not a number of years", row[l.age]), "")
	}
	for i, at := range l.percent {
		v, ok := rows.Number([]byte(strings.TrimSpace(row[at])), decimalComma)
		if !ok {
			return b, bad(at, fmt.Sprintf("%q is not a number", row[at]), "")
		}
		if i > 0 && v < b.cuts[i-1] {
			return b, bad(at, fmt.Sprintf("%s is below the percentile before it", row[at]), "values rise from left to right")
		}
		b.cuts = append(b.cuts, v)
	}
	return b, nil
}

func (r *Reference) sorted(name string) error {
	sort.SliceStable(r.bands, func(i, j int) bool {
		a, b := r.bands[i], r.bands[j]
		return a.sex < b.sex || a.sex == b.sex && a.from < b.from
	})
	for i := range r.bands[1:] {
		if a, b := r.bands[i], r.bands[i+1]; a.sex == b.sex && a.from == b.from {
			return &rows.Error{Name: name, Line: 1, Msg: fmt.Sprintf("two rows for one sex begin at age %g", a.from), Hint: "keep one"}
		}
	}
	for i := range r.bands {
		r.bands[i].divide()
	}
	return nil
}

// divide prepares the search: equal cells between the lowest and the highest cut, and for each how many cuts
// lie in the cells before it.
func (b *band) divide() {
	last := b.cuts[len(b.cuts)-1]
	if width := last - b.cuts[0]; width > 0 {
		b.scale = cells / width
	}
	for i := range b.before {
		for _, cut := range b.cuts {
			if b.cell(cut) < i {
				b.before[i]++
			}
		}
	}
}

// cell never falls when v rises; that is all the search relies on.
func (b *band) cell(v float64) int {
	at := (v - b.cuts[0]) * b.scale
	if !(at > 0) {
		return 0
	}
	return int(min(at, cells-1))
}

// reached counts the cuts that v reaches.
func (b *band) reached(v float64) int {
	n := int(b.before[b.cell(v)])
	for n < len(b.cuts) && v >= b.cuts[n] {
		n++
	}
	return n
}

// find returns the band of a person, nil when the age is below the youngest one or the sex is not in the table.
func (r *Reference) find(sex, age float64) (found *band) {
	for i := range r.bands {
		if b := &r.bands[i]; b.sex == sex && b.from <= age {
			found = b
		}
	}
	return found
}

// appendPercentile appends the highest percentile whose cut the value reaches, 0 when it reaches none, and
// nothing without a band.
func (r *Reference) appendPercentile(to []byte, b *band, value float64) []byte {
	if b == nil {
		return to
	}
	text := r.percents[b.reached(value)]
	if len(text) == 2 {
		return append(to, text[0], text[1])
	}
	return append(to, text...)
}
