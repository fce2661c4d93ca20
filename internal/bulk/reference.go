package bulk

import (
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
	percents [][]byte // as written, ascending
	bands    []band   // by sex, then age
}

type band struct {
	sex, from float64
	cuts      []float64
}

// ReadReference reads a CSV table with the columns sex, age_low and any number of p columns, such as p5 to
// p95. sex is written as the estimator writes it.
func ReadReference(name string, from io.Reader, e *estimate.Estimator) (*Reference, error) {
	sexAt := e.RoleAt("sex")
	if sexAt < 0 || e.RoleAt("age") < 0 {
		return nil, fmt.Errorf("%s: a percentile needs sex and age, and %s does not take both", name, e.ID)
	}
	in := csv.NewReader(io.LimitReader(from, maxReferenceBytes))
	in.TrimLeadingSpace = true
	table, err := in.ReadAll()
	var shape *csv.ParseError
	if errors.As(err, &shape) {
		return nil, &rows.Error{Name: name, Line: shape.Line, Msg: shape.Err.Error(), Hint: "each row needs as many fields as the first line"}
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if len(table) < 2 || len(table) > maxReferenceRows {
		return nil, &rows.Error{Name: name, Line: 1, Msg: "the table needs column names and 1 to " + strconv.Itoa(maxReferenceRows) + " rows"}
	}
	r := &Reference{}
	columns, err := r.columns(name, table[0])
	if err != nil {
		return nil, err
	}
	for i, row := range table[1:] {
		b, err := readBand(name, i+2, row, columns, &e.Inputs[sexAt])
		if err != nil {
			return nil, err
		}
		r.bands = append(r.bands, b)
	}
	return r, r.sorted(name)
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
		column = strings.TrimPrefix(strings.TrimSpace(column), "\ufeff")
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

func readBand(name string, line int, row []string, l layout, sex *estimate.Input) (b band, err error) {
	bad := func(at int, msg, hint string) error {
		return &rows.Error{Name: name, Line: line, Field: at + 1, Msg: msg, Hint: hint}
	}
	known := false
	var words []string
	for _, c := range sex.Codes {
		words = append(words, c.Word)
		if strings.EqualFold(c.Word, strings.TrimSpace(row[l.sex])) {
			b.sex, known = c.Value, true
		}
	}
	if !known {
		return b, bad(l.sex, fmt.Sprintf("sex %q is not known", row[l.sex]), "write "+strings.Join(words, " or "))
	}
	var ok bool
	if b.from, ok = rows.Number([]byte(strings.TrimSpace(row[l.age])), false); !ok || b.from < 0 {
		return b, bad(l.age, fmt.Sprintf("age %q is not a number of years", row[l.age]), "")
	}
	for i, at := range l.percent {
		v, ok := rows.Number([]byte(strings.TrimSpace(row[at])), false)
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
	return nil
}

// appendPercentile appends the highest percentile whose cut the value reaches, 0 when it reaches none; nothing
// when the age is below the youngest band, or the sex is not in the table.
func (r *Reference) appendPercentile(to []byte, sex, age, value float64) []byte {
	var found *band
	for i := range r.bands {
		if b := &r.bands[i]; b.sex == sex && b.from <= age {
			found = b
		}
	}
	if found == nil {
		return to
	}
	reached := 0
	for _, cut := range found.cuts {
		if value >= cut {
			reached++
		}
	}
	if reached == 0 {
		return append(to, '0')
	}
	return append(to, r.percents[reached-1]...)
}
