package bulk

import (
	"bytes"
	"fmt"
	"strconv"

	"gradus/estimate"
	"gradus/internal/rows"
)

// worker makes answers out of blocks. All of its memory is used again and again.
type worker struct {
	task    *Task
	scorer  *estimate.Scorer
	plan    []use
	columns []string
	comma   byte
	point   byte // decimal mark
	facts   bool // some column is a fact
	inputs  []numeric
	values  []float64
	row     estimate.Row
	about   estimate.Context
	see     []byte            // with the commas around it
	names   map[uint64][]byte // cautions, written out
	ref     *Reference
	ageAt   int
	sexAt   int
}

// numeric is what the fast path knows of an input.
type numeric struct {
	low, high float64 // plausible
	codes     []estimate.Code
}

func (t *Task) worker(file *rows.File, plan []use) *worker {
	e := t.Estimator
	w := &worker{task: t, plan: plan, columns: file.Columns, comma: file.Comma, point: '.', names: map[uint64][]byte{}, ref: t.Reference,
		values: make([]float64, len(e.Inputs)), ageAt: e.RoleAt("age"), sexAt: e.RoleAt("sex")}
	if file.DecimalComma() {
		w.point = ','
	}
	for _, u := range plan {
		w.facts = w.facts || u.fact >= 0
	}
	for i := range e.Inputs {
		n := numeric{codes: e.Inputs[i].Codes}
		if p := e.Inputs[i].Plausible; p != nil {
			n.low, n.high = p.From, p.To
		}
		w.inputs = append(w.inputs, n)
	}
	w.scorer = e.Scorer(w.facts)
	w.see = append(rows.AppendFixed3([]byte{w.comma}, e.Error.SEE, w.point), w.comma)
	return w
}

// Do estimates for every record of the block.
func (w *worker) Do(b *rows.Block) {
	line, out := b.Line, b.Out
	for data := b.Data; len(data) > 0; {
		n := 0
		if b.Quoted {
			n = rows.RecordEnd(data, w.comma)
		} else {
			n = bytes.IndexByte(data, '\n') + 1
		}
		if n <= 0 {
			n = len(data)
		}
		record, end := trimEnd(data[:n])
		if len(record) > 0 {
			out = w.record(out, b, line, record, end)
			b.Records++
		}
		if line++; b.Quoted {
			line += bytes.Count(record, []byte{'\n'})
		}
		data = data[n:]
	}
	b.Out = out
}

// trimEnd parts a record from its line end; the last line of a file may lack one.
func trimEnd(record []byte) (rest []byte, end string) {
	n := len(record)
	switch {
	case n > 1 && record[n-1] == '\n' && record[n-2] == '\r':
		return record[:n-2], "\r\n"
	case n > 0 && record[n-1] == '\n':
		return record[:n-1], "\n"
	}
	return record, "\n"
}

func (w *worker) record(out []byte, b *rows.Block, line int, record []byte, end string) []byte {
	fields, fault := w.read(record)
	if fields != len(w.plan) {
		record = w.fitted(record, fields)
	}
	out = append(out, record...)
	if fault.Msg != "" {
		fault.Line = line
		b.Bad++
		if len(b.Faults) < maxReported {
			b.Faults = append(b.Faults, fault.Fault)
		}
		for range len(w.plan) - fields {
			out = append(out, w.comma)
		}
		out = append(append(w.noNumbers(out), "error:"...), fault.column...)
		return w.finish(out, nil, end)
	}
	row := &w.row
	w.scorer.Score(w.values, &w.about, row)
	if row.Refused {
		b.Marked++
		out = append(w.noNumbers(out), "refused"...)
		if row.Cautions != 0 {
			out = append(append(out, ' '), w.cautions(row.Cautions)...)
		}
		return w.finish(out, nil, end)
	}
	comma := w.comma
	out = rows.AppendFixed3(append(out, comma), row.Value, w.point)
	out = append(out, w.see...)
	out = rows.AppendFixed3(out, row.Low95, w.point)
	out = rows.AppendFixed3(append(out, comma), row.High95, w.point)
	out = append(out, comma)
	if row.Cautions != 0 {
		out = append(out, w.cautions(row.Cautions)...)
	}
	return w.finish(out, row, end)
}

// noNumbers leaves the cells of the numbers empty.
func (w *worker) noNumbers(out []byte) []byte {
	for range appended {
		out = append(out, w.comma)
	}
	return out
}

// finish adds the percentile, empty without a row, and the line end.
func (w *worker) finish(out []byte, row *estimate.Row, end string) []byte {
	if w.ref != nil {
		out = append(out, w.comma)
		if row != nil {
			out = w.ref.appendPercentile(out, w.values[w.sexAt], w.values[w.ageAt], row.Value)
		}
	}
	return append(out, end...)
}

// fitted cuts what follows the last column, so that the table stays a table.
func (w *worker) fitted(record []byte, fields int) []byte {
	if fields <= len(w.plan) {
		return record
	}
	at := 0
	for range w.plan {
		_, next := rows.Cell(record[at:], w.comma)
		at += next
	}
	return record[:at-1]
}

func (w *worker) cautions(set uint64) []byte {
	text, known := w.names[set]
	if !known {
		text = w.scorer.AppendCautions(nil, set)
		w.names[set] = text
	}
	return text
}

// cellFault is a bad cell with the name of its column.
type cellFault struct {
	rows.Fault
	column string
}

// read fills w.values and w.about from a record. It returns the number of fields and the first fault.
func (w *worker) read(record []byte) (fields int, fault cellFault) {
	if w.facts {
		w.about = estimate.Context{}
	}
	at := 0
	for i := range w.plan {
		u := &w.plan[i]
		next, done := 0, false
		if u.input >= 0 {
			next, done = w.quick(record, at, u.input)
		}
		if !done {
			var cell []byte
			cell, next = rows.Cell(record[at:], w.comma)
			if next >= 0 {
				next += at
			}
			if fault.Msg == "" && (u.input >= 0 || u.fact >= 0) {
				fault = w.cell(i, cell)
			}
		}
		if next < 0 {
			if i+1 < len(w.plan) {
				fault = w.misfit(i + 1)
			}
			return i + 1, fault
		}
		at = next
	}
	fields, full := w.beyond(record[at:])
	if full {
		fault = w.misfit(fields)
	}
	return fields, fault
}

// beyond counts the fields when something follows the last column. Empty ones do no harm, and are cut.
func (w *worker) beyond(rest []byte) (fields int, full bool) {
	fields = len(w.plan)
	for next := 0; next >= 0; fields++ {
		var cell []byte
		cell, next = rows.Cell(rest, w.comma)
		full = full || len(bytes.TrimSpace(cell)) > 0
		rest = rest[max(next, 0):]
	}
	return fields, full
}

func (w *worker) misfit(fields int) cellFault {
	msg := fmt.Sprintf("the row has %d fields, the first line %d; check commas and quotation marks", fields, len(w.plan))
	return cellFault{rows.Fault{Field: fields, Msg: msg}, "columns"}
}

// quick reads the common spelling of an input that begins at a place of the record. It returns where the next
// field begins (-1: none); done is false when the slow way must look.
func (w *worker) quick(record []byte, at, input int) (next int, done bool) {
	n := &w.inputs[input]
	v, taken := 0.0, 0
	if len(n.codes) == 0 {
		v, taken = rows.Decimal(record[at:], w.point)
		if taken == 0 || v < n.low || v > n.high {
			return 0, false
		}
	} else if v, taken = n.code(record[at:]); taken == 0 {
		return 0, false
	}
	w.values[input] = v
	end := at + taken
	if end == len(record) {
		return -1, true
	}
	return end + 1, record[end] == w.comma
}

// code finds the word that text begins with.
func (n *numeric) code(text []byte) (v float64, taken int) {
	for i := range n.codes {
		c := &n.codes[i]
		if len(c.Word) > taken && len(text) >= len(c.Word) && string(text[:len(c.Word)]) == c.Word {
			v, taken = c.Value, len(c.Word)
		}
	}
	return v, taken
}

// cell reads an input or a fact of any spelling, and says what is wrong with it.
func (w *worker) cell(column int, cell []byte) (fault cellFault) {
	u, text := w.plan[column], rows.Text(cell)
	bad := func(err error) cellFault {
		return cellFault{rows.Fault{Field: column + 1, Msg: err.Error()}, w.columns[column]}
	}
	v, isNumber := rows.Number(text, w.point == ',')
	if u.fact >= 0 {
		word := string(text)
		if isNumber && w.point == ',' {
			word = strconv.FormatFloat(v, 'f', -1, 64)
		}
		fact := &w.task.Facts[u.fact]
		if err := fact.Set(&w.about, word); err != nil {
			return bad(fmt.Errorf("%s: %w", fact.Name, err))
		}
		return fault
	}
	e := w.task.Estimator
	var err error
	if isNumber && len(w.inputs[u.input].codes) == 0 {
		err = e.Check(u.input, v)
	} else {
		v, err = e.Parse(u.input, string(text))
	}
	if err != nil {
		return bad(err)
	}
	w.values[u.input] = v
	return fault
}
