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
	task     *Task
	scorer   *estimate.Scorer
	plan     []use
	columns  []string
	comma    byte
	point    byte      // decimal mark
	facts    bool      // some column is a fact
	inputs   []numeric // by input
	inputsAt []numeric // by column
	bands    [2][128]yearBand
	values   []float64
	row      estimate.Row
	about    estimate.Context
	see      []byte            // with the commas around it
	fixedSee bool              // one standard error for every row
	names    map[uint64][]byte // cautions, written out
	ref      *Reference
	ageAt    int
	sexAt    int
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
		n := numeric{input: i, codes: e.Inputs[i].Codes}
		if p := e.Inputs[i].Plausible; p != nil {
			n.low, n.high = p.From, p.To
		}
		n.byLetter = firstLetters(n.codes)
		w.inputs = append(w.inputs, n)
	}
	for _, u := range plan {
		n := numeric{input: -1}
		if u.input >= 0 {
			n = w.inputs[u.input]
		}
		w.inputsAt = append(w.inputsAt, n)
	}
	w.scorer = e.Scorer(w.facts)
	w.fixedSee = e.Error.None == "" && e.Error.Percent == 0
	w.see = append(rows.AppendFixed3([]byte{w.comma}, e.Error.SEE, w.point), w.comma)
	return w
}

// Do estimates for every record of the block.
func (w *worker) Do(b *rows.Block) {
	line, data, out := b.Line, b.Data, b.Out
	for at := 0; at < len(data); {
		if !b.Quoted && !w.facts {
			if end, next := w.fast(data, at); next > 0 {
				out = w.answer(append(out, data[at:end]...), b, data[end:next])
				b.Records++
				line++
				at = next
				continue
			}
		}
		n := 0
		if b.Quoted {
			n = max(rows.RecordEnd(data[at:], w.comma), 0)
		} else {
			n = bytes.IndexByte(data[at:], '\n') + 1
		}
		if n == 0 {
			n = len(data) - at
		}
		record, end := trimEnd(data[at : at+n])
		if len(record) > 0 {
			out = w.record(out, b, line, record, end)
			b.Records++
		}
		line += bytes.Count(data[at:at+n], newline)
		at += n
	}
	b.Out = out
}

var newline = []byte{'\n'}

// trimEnd parts a record from its line end; the last line of a file may lack one.
func trimEnd(record []byte) (rest, end []byte) {
	n := len(record)
	switch {
	case n > 1 && record[n-1] == '\n' && record[n-2] == '\r':
		return record[:n-2], record[n-2:]
	case n > 0 && record[n-1] == '\n':
		return record[:n-1], record[n-1:]
	}
	return record, newline
}

// record answers a record of any spelling.
func (w *worker) record(out []byte, b *rows.Block, line int, record, end []byte) []byte {
	fields, fault := w.read(record)
	if fields != len(w.plan) {
		record = w.fitted(record, fields)
	}
	out = append(out, record...)
	if fault.Msg == "" {
		return w.answer(out, b, end)
	}
	if b.Quoted && rows.RecordEnd(append(record[:len(record):len(record)], '\n'), w.comma) < 0 {
		out = append(out, '"') // a mark that does not close would swallow the cells that follow
	}
	fault.Line = line
	b.Bad++
	if len(b.Faults) < maxReported {
		b.Faults = append(b.Faults, fault.Fault)
	}
	for range len(w.plan) - fields {
		out = append(out, w.comma)
	}
	out = append(append(w.noNumbers(out), "error:"...), fault.column...)
	return append(w.noPercentile(out), end...)
}

// answer adds the cells for w.values and the line end.
func (w *worker) answer(out []byte, b *rows.Block, end []byte) []byte {
	row, comma, point := &w.row, w.comma, w.point
	w.scorer.Score(w.values, &w.about, row)
	if row.Refused {
		return w.refusal(out, b, end)
	}
	out = rows.AppendFixed3(append(out, comma), row.Value, point)
	switch {
	case w.fixedSee:
		out = append(out, w.see...)
		out = rows.AppendFixed3(out, row.Low95, point)
		out = rows.AppendFixed3(append(out, comma), row.High95, point)
	case row.See != row.See: // no error is known
		out = append(out, comma, comma, comma)
	default:
		out = rows.AppendFixed3(append(out, comma), row.See, point)
		out = rows.AppendFixed3(append(out, comma), row.Low95, point)
		out = rows.AppendFixed3(append(out, comma), row.High95, point)
	}
	out = append(out, comma)
	if row.Cautions != 0 {
		out = append(out, w.cautions(row.Cautions)...)
	}
	if w.ref != nil {
		out = w.ref.appendPercentile(append(out, comma), w.band(), row.Value)
	}
	if len(end) == 1 {
		return append(out, '\n')
	}
	return append(out, end...)
}

func (w *worker) refusal(out []byte, b *rows.Block, end []byte) []byte {
	b.Marked++
	out = append(w.noNumbers(out), "refused"...)
	if set := w.row.Cautions; set != 0 {
		out = append(append(out, ' '), w.cautions(set)...)
	}
	return append(w.noPercentile(out), end...)
}

// band returns the row of the reference table for the person; whole years are looked up once.
func (w *worker) band() *band {
	sex, age := w.values[w.sexAt], w.values[w.ageAt]
	if year := int(age); sex == 0 || sex == 1 {
		if slot := &w.bands[int(sex)]; float64(year) == age && year >= 0 && year < len(slot) {
			if !slot[year].known {
				slot[year] = yearBand{true, w.ref.find(sex, age)}
			}
			return slot[year].band
		}
	}
	return w.ref.find(sex, age)
}

type yearBand struct {
	known bool
	band  *band
}

// noNumbers leaves the cells of the numbers empty.
func (w *worker) noNumbers(out []byte) []byte {
	for range appended {
		out = append(out, w.comma)
	}
	return out
}

func (w *worker) noPercentile(out []byte) []byte {
	if w.ref == nil {
		return out
	}
	return append(out, w.comma)
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
			if rows.Unclosed(record[at:]) {
				fault = cellFault{rows.Fault{Field: i + 1, Msg: "a quotation mark opens here and does not close; the rows after it are in this cell"}, "columns"}
			} else if i+1 < len(w.plan) {
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
