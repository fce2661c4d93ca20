package main

import (
	"bufio"
	"fmt"
	"io"
	"os"

	"gradus/estimate"
	"gradus/internal/bulk"
	"gradus/internal/rows"
)

// rows estimates for every row of a file. The table appears whole, also with bad rows in it; it does not
// appear when the run ends early.
func (c *estimateCmd) rows(e *env, est *estimate.Estimator) error {
	task := &bulk.Task{Estimator: est}
	for _, f := range facts {
		task.Facts = append(task.Facts, bulk.Fact{Name: f.name, Set: f.set})
	}
	if err := c.readReference(task); err != nil {
		return err
	}
	name, in := "standard input", e.in
	if c.In != "-" {
		file, err := os.Open(c.In)
		if err != nil {
			return err
		}
		defer file.Close()
		name, in = c.In, file
	}
	count, err := c.write(e, task, name, in)
	if err != nil {
		return err
	}
	if count.Refused > 0 {
		fmt.Fprintf(e.err, "%s: %d of %d rows give an impossible value and have no estimate; their caution begins with refused\n", name, count.Refused, count.Rows)
	}
	if count.Bad > 0 {
		fmt.Fprintf(e.err, "%s: %d of %d rows are bad and have no estimate\n", name, count.Bad, count.Rows)
		if !c.SkipBad {
			return errReported
		}
	}
	return nil
}

func (c *estimateCmd) readReference(task *bulk.Task) error {
	if c.Reference == "" {
		return nil
	}
	file, err := os.Open(c.Reference)
	if err != nil {
		return err
	}
	defer file.Close()
	task.Reference, err = bulk.ReadReference(c.Reference, file, task.Estimator)
	return err
}

func (c *estimateCmd) write(e *env, task *bulk.Task, name string, in io.Reader) (bulk.Count, error) {
	if c.Out == "" {
		out := bufio.NewWriterSize(e.out, 64<<10)
		count, err := task.Run(name, in, out, e.err)
		if err == nil {
			err = out.Flush()
		}
		return count, err
	}
	out, err := rows.Create(c.Out)
	if err != nil {
		return bulk.Count{}, err
	}
	count, err := task.Run(name, in, out, e.err)
	if err != nil {
		out.Abort()
		return count, err
	}
	return count, out.Commit()
}
