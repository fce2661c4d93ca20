package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"

	"gradus/estimate"
	"gradus/internal/mapping"
	"gradus/internal/sheet"
)

// mapped scores a wide table by a mapping, row by row, so that the table may be long.
func (c *scoreCmd) mapped(e *env) error {
	if len(c.Files) != 1 {
		return usageError{"--mapping reads one table"}
	}
	m, err := mapping.Load(c.Mapping)
	if err != nil {
		return err
	}
	if m.Clinic() {
		return c.clinic(e, m)
	}
	form, err := c.ending()
	if err != nil {
		return err
	}
	file, err := os.Open(c.Files[0])
	if err != nil {
		var path *os.PathError
		if errors.As(err, &path) {
			err = path.Err
		}
		return fmt.Errorf("%s: cannot be opened: %w; check the name", c.Files[0], err)
	}
	defer file.Close()
	failed := false
	err = put(e.out, c.Out, func(out io.Writer) error {
		w := &mappedWriter{m: m, form: form}
		if err := w.open(out); err != nil {
			return err
		}
		var err error
		if failed, err = m.Run(c.Files[0], file, planReader(c.Verified, c.Records), w, w.row, e.err); err != nil {
			return err
		}
		return w.close(out)
	})
	if err != nil {
		return err
	}
	if failed {
		return errReported
	}
	return nil
}

// clinic scores a clinic's own table.
func (c *scoreCmd) clinic(e *env, m *mapping.Mapping) error {
	write, err := c.form()
	if err != nil {
		return err
	}
	today, err := c.day(e)
	if err != nil {
		return err
	}
	table, _, err := readGrid(c.Files[0], m, "")
	if err != nil {
		return err
	}
	found, err := m.Score(table, today, planReader(c.Verified, c.Records))
	if err != nil {
		return err
	}
	for _, p := range append(table.Notes, found.Notes...) {
		fmt.Fprintf(e.err, "notice: %s\n", p)
	}
	for _, p := range found.Problems {
		fmt.Fprintln(e.err, p)
	}
	scores := &sheet.Scores{}
	for i := range found.Tests {
		scores.Tests = append(scores.Tests, found.Tests[i].Scored)
	}
	if err := put(e.out, c.Out, func(out io.Writer) error { return write(scores, out) }); err != nil {
		return err
	}
	if len(found.Problems) > 0 {
		return errReported
	}
	return nil
}

// mappedWriter writes scored rows in one of three forms.
type mappedWriter struct {
	m     *mapping.Mapping
	form  string
	out   io.Writer
	begun bool
}

func (w *mappedWriter) open(out io.Writer) error {
	w.out = out
	switch w.form {
	case ".json":
		_, err := io.WriteString(out, "{\"tests\": [")
		return err
	case ".csv":
		line := csv.NewWriter(out)
		if err := line.Write(append(sheet.CSVHeader(w.m.Carry), "estimate_reason")); err != nil {
			return err
		}
		line.Flush()
		return line.Error()
	}
	return nil
}

func (w *mappedWriter) close(out io.Writer) error {
	if w.form != ".json" {
		return nil
	}
	_, err := io.WriteString(out, "\n]}\n")
	return err
}

// Write passes a block on; the first one of a list begins without a comma.
func (w *mappedWriter) Write(p []byte) (int, error) {
	n := len(p)
	if w.form == ".json" && !w.begun && n > 0 {
		p = p[1:]
	}
	w.begun = w.begun || n > 0
	_, err := w.out.Write(p)
	return n, err
}

// notRun is a row without a test, as JSON.
type notRun struct {
	Test     string           `json:"test"`
	File     string           `json:"file"`
	Protocol *string          `json:"protocol"`
	Estimate *estimate.Result `json:"estimate"`
	Reason   string           `json:"estimate_reason"`
	Validity struct {
		Verdict string             `json:"verdict"`
		Reasons []estimate.Caution `json:"reasons"`
	} `json:"validity"`
}

// row appends one scored row.
func (w *mappedWriter) row(to []byte, s *mapping.Score) ([]byte, error) {
	switch w.form {
	case ".json":
		return w.json(to, s)
	case ".csv":
		return w.csv(to, s)
	}
	if s.NotRun != "" {
		return append(to, fmt.Sprintf("Test %s: no result, %s.\n\n", s.ID, s.NotRun)...), nil
	}
	return append(s.AppendText(to), '\n'), nil
}

func (w *mappedWriter) json(to []byte, s *mapping.Score) ([]byte, error) {
	var doc any
	if s.NotRun != "" {
		n := &notRun{Test: s.ID, File: s.File, Reason: s.NotRun}
		n.Validity.Verdict, n.Validity.Reasons = estimate.NotUsable, []estimate.Caution{{ID: "no-protocol", Text: s.NotRun, Source: w.m.Source}}
		doc = n
	} else {
		doc = s.Document()
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(doc); err != nil {
		return to, err
	}
	return append(append(to, ",\n"...), bytes.TrimSuffix(b.Bytes(), []byte("\n"))...), nil
}

func (w *mappedWriter) csv(to []byte, s *mapping.Score) ([]byte, error) {
	record := s.Record(w.m.Carry)
	reason := s.NotRun
	if reason == "" && s.Judged.Estimate == nil {
		reason = s.Judged.NoEstimate
	}
	var b bytes.Buffer
	line := csv.NewWriter(&b)
	if err := line.Write(append(record, reason)); err != nil {
		return to, err
	}
	line.Flush()
	return append(to, b.Bytes()...), line.Error()
}
