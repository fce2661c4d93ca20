// Package bulk estimates for every row of a large CSV file: each row gets estimate, standard error, interval
// and cautions, and a percentile when a reference table is given. The other columns pass through as they are.
//
// A row that cannot be read is marked in the output (error:NAME of the column) and reported with its line and
// field; the rows after it are unharmed. A row whose answer is impossible keeps its place without a number
// and with the caution "refused".
package bulk

import (
	"fmt"
	"io"
	"runtime"

	"gradus/estimate"
	"gradus/internal/rows"
)

// appended are the columns that are added, in this order; percentile only with a reference table.
var appended = []string{"estimate", "see", "low95", "high95", "cautions"}

const percentile = "percentile"

// Fact is a column that tells about the test without being an input of the equation.
type Fact struct {
	Name string
	Set  func(about *estimate.Context, text string) error
}

// Task is what is to be done with a file.
type Task struct {
	Estimator *estimate.Estimator
	Facts     []Fact     // columns that are understood when they occur
	Reference *Reference // nil = no percentile
}

// Count says what came of a file.
type Count struct{ Rows, Bad, Refused int }

// maxReported bad rows are named; the rest is only counted.
const maxReported = 20

// Run reads name from in, writes the table to out and reports bad rows to complain. An error means that the
// table could not be made; bad rows are no error.
func (t *Task) Run(name string, in io.Reader, out, complain io.Writer) (Count, error) {
	var count Count
	file, err := rows.Open(name, in)
	if err != nil {
		return count, err
	}
	plan, err := t.plan(file)
	if err != nil {
		return count, err
	}
	if _, err := out.Write(t.header(file)); err != nil {
		return count, err
	}
	cpus := runtime.GOMAXPROCS(0)
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(cpus + 2))
	workers := make([]rows.Worker, cpus)
	for i := range workers {
		workers[i] = t.worker(file, plan)
	}
	reported := 0
	err = file.Each(workers, func(b *rows.Block) error {
		count.Bad += b.Bad
		count.Refused += b.Marked
		count.Rows += b.Records
		for _, fault := range b.Faults {
			if reported++; reported > maxReported {
				break
			}
			fmt.Fprintf(complain, "%s:%d:%d: %s\n", name, fault.Line, fault.Field, fault.Msg)
		}
		_, err := out.Write(b.Out)
		return err
	})
	if count.Bad > maxReported {
		fmt.Fprintf(complain, "%s: %d more bad rows are not listed here; their caution begins with error:\n", name, count.Bad-maxReported)
	}
	return count, err
}

func (t *Task) header(file *rows.File) []byte {
	line := append([]byte(nil), file.Header...)
	for _, name := range t.columns() {
		line = append(append(line, file.Comma), name...)
	}
	return append(line, file.Newline...)
}

func (t *Task) columns() []string {
	if t.Reference == nil {
		return appended
	}
	return append(append([]string(nil), appended...), percentile)
}

// use says what a column of the file is for.
type use struct {
	input int // index of the input, or -1
	fact  int // index into Task.Facts, or -1
}

// plan finds the columns. A missing input, or a column of a name that is to be added, is an error.
func (t *Task) plan(file *rows.File) ([]use, error) {
	plan := make([]use, len(file.Columns))
	for i := range plan {
		plan[i] = use{-1, -1}
	}
	for _, name := range t.columns() {
		if at, there, err := file.Column(name); err != nil || there {
			return nil, &rows.Error{Name: file.Name, Line: 1, Field: at + 1, Msg: "column " + name + " is already there", Hint: "rename or remove it; this name is for the answer"}
		}
	}
	for i, in := range t.Estimator.Inputs {
		at, there, err := file.Column(in.ID)
		if err != nil {
			return nil, err
		}
		if !there {
			return nil, &rows.Error{Name: file.Name, Line: 1, Msg: "column " + in.ID + " is missing", Hint: t.Estimator.ID + " needs " + t.inputs() + ", separated by commas or semicolons"}
		}
		plan[at].input = i
	}
	for i, fact := range t.Facts {
		at, there, err := file.Column(fact.Name)
		if err != nil {
			return nil, err
		}
		if there && plan[at].input < 0 {
			plan[at].fact = i
		}
	}
	return plan, nil
}

func (t *Task) inputs() (list string) {
	for i, in := range t.Estimator.Inputs {
		if i > 0 {
			list += ", "
		}
		list += in.ID
	}
	return list
}
