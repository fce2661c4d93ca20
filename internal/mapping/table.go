package mapping

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"runtime"
	"strings"
	"sync"

	"gradus/internal/sheet"
)

// Score is what became of one row. It holds until the next row of the same worker is scored.
type Score struct {
	*sheet.Scored
	// NotRun says why the row has no test at all: then only ID and File of the embedded value hold.
	NotRun string
}

// Fault is something in the table that cannot be read.
type Fault struct {
	Name        string
	Line, Field int
	Msg         string
}

func (f *Fault) Error() string { return fmt.Sprintf("%s:%d:%d: %s", f.Name, f.Line, f.Field, f.Msg) }

// row is a record with the place of its fields.
type row struct {
	line  int
	cells []string
}

const blockRows = 64

// block is some rows on their way to their texts.
type block struct {
	rows    []row
	out     []byte
	said    []string // faults
	notices []string
	err     error
	done    chan struct{}
}

// Run reads the table and hands each scored row to write in the order of the table; what write appends to to is
// written to out, said goes to complain. Rows are scored side by side.
func (m *Mapping) Run(name string, in io.Reader, plans sheet.Plans, out io.Writer, write func(to []byte, s *Score) ([]byte, error), complain io.Writer) (failed bool, err error) {
	t := &table{m: m, name: name}
	if err := t.open(in, complain); err != nil {
		return false, err
	}
	todo, order := make(chan *block, 4), make(chan *block, 16)
	var mutex sync.Mutex
	shared := plans
	locked := func(id string) (p planned) {
		mutex.Lock()
		defer mutex.Unlock()
		p.p, p.e, p.err = shared(id)
		return p
	}
	var workers sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		workers.Go(func() {
			w := &worker{t: t, plans: map[string]planned{}, load: locked}
			for b := range todo {
				for i := range b.rows {
					if b.err = w.write(b, &b.rows[i], write); b.err != nil {
						break
					}
				}
				close(b.done)
			}
		})
	}
	var readErr error
	go func() {
		readErr = t.read(todo, order)
		close(todo)
		close(order)
	}()
	for b := range order {
		<-b.done
		if err != nil {
			continue
		}
		for _, text := range b.notices {
			fmt.Fprintln(complain, "notice: "+text)
		}
		for _, text := range b.said {
			failed = true
			fmt.Fprintln(complain, text)
		}
		if err = b.err; err == nil {
			_, err = out.Write(b.out)
		}
	}
	workers.Wait()
	return failed, errors.Join(err, readErr)
}

// table is an open table.
type table struct {
	m       *Mapping
	name    string
	csv     *csv.Reader
	columns map[string]int
}

func (t *table) open(in io.Reader, complain io.Writer) error {
	t.csv = csv.NewReader(in)
	header, err := t.csv.Read()
	if err != nil {
		return fmt.Errorf("%s:1:1: the table has no first line with column names (%v)", t.name, err)
	}
	t.columns = map[string]int{}
	for i, column := range header {
		column = strings.TrimSpace(strings.TrimPrefix(column, "\ufeff"))
		if _, twice := t.columns[column]; twice {
			return fmt.Errorf("%s:1:%d: column %s appears twice; rename one", t.name, i+1, column)
		}
		t.columns[column] = i
	}
	var absent []string
	for _, c := range t.m.wanted() {
		if _, there := t.columns[c.name]; there || c.name == "" {
			continue
		}
		if c.needed {
			return fmt.Errorf("%s:1:1: column %s is missing; mapping %s needs it", t.name, c.name, t.m.ID)
		}
		absent = append(absent, c.name)
	}
	if len(absent) > 0 {
		fmt.Fprintf(complain, "notice: %s has no column %s; what would stand there counts as not recorded\n", t.name, strings.Join(absent, ", "))
	}
	return nil
}

type wanted struct {
	name   string
	needed bool
}

// wanted lists the columns that the mapping names.
func (m *Mapping) wanted() []wanted {
	all := []wanted{{m.Test, true}, {m.Protocol.Column, true}}
	for name, v := range m.Person {
		all = append(all, wanted{v.Column, name == "age_years"})
	}
	for _, s := range m.Stages {
		all = append(all, wanted{s.Minutes, false}, wanted{s.HeartRate, true}, wanted{s.RPE, false}, wanted{s.SBP, false}, wanted{s.DBP, false}, wanted{s.SpO2, false}, wanted{s.Work, false})
	}
	for _, r := range m.After {
		all = append(all, wanted{r.Minutes, false}, wanted{r.HeartRate, false}, wanted{r.SBP, false}, wanted{r.DBP, false}, wanted{r.RPE, false}, wanted{r.SpO2, false})
	}
	if m.Stop != nil {
		all = append(all, wanted{m.Stop.Column, false})
	}
	if m.Official != nil {
		all = append(all, wanted{m.Official.Column, true}, wanted{m.Official.Value, false})
	}
	return all
}

func (t *table) read(todo, order chan<- *block) error {
	b := &block{done: make(chan struct{})}
	flush := func() {
		if len(b.rows) > 0 {
			order <- b
			todo <- b
			b = &block{done: make(chan struct{})}
		}
	}
	defer flush()
	for {
		record, err := t.csv.Read()
		var fault *csv.ParseError
		switch {
		case err == io.EOF:
			return nil
		case errors.As(err, &fault):
			return fmt.Errorf("%s:%d:%d: %v; check commas and quotation marks", t.name, fault.Line, fault.Column, fault.Err)
		case err != nil:
			return err
		}
		line, _ := t.csv.FieldPos(0)
		b.rows = append(b.rows, row{line, record})
		if len(b.rows) == blockRows {
			flush()
		}
	}
}

// cell is the text of a column; "" when the table has no such column.
func (t *table) cell(r *row, column string) string {
	i, there := t.columns[column]
	if !there || column == "" {
		return ""
	}
	return strings.TrimSpace(r.cells[i])
}
