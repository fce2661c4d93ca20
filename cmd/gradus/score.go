package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"gradus/estimate"
	estimators "gradus/estimate/library"
	"gradus/internal/sheet"
	"gradus/internal/verified"
	"gradus/protocol"
	protocols "gradus/protocol/library"
)

type scoreCmd struct {
	Files []string `arg:"" name:"file" placeholder:"FILE.csv" help:"Data sheets: CSV, one row for each reading."`

	JSON     bool   `name:"json" help:"Print one JSON document."`
	CSV      bool   `name:"csv" help:"Print one CSV row for each test."`
	Out      string `name:"out" placeholder:"FILE" help:"Write to this file; its ending (.json, .csv, .txt) picks the format."`
	Mapping  string `name:"mapping" placeholder:"NAME" help:"Read one wide table, a row for each test, by this mapping: a shipped one or a .yaml file."`
	Records  string `name:"verified" type:"path" placeholder:"DIR" help:"Records of comparisons with the papers: the folder verified that 'gradus files --to' writes."`
	Verified bool   `name:"require-verified" help:"Give no estimate by an equation whose coefficients nobody has compared with the paper."`
	Today    string `name:"today" placeholder:"DATE" help:"The day that counts as today (year-month-day); later dates are refused."`
}

// Run scores data sheets. Notices and faults go to stderr; the results of the other tests are written all the
// same.
func (c *scoreCmd) Run(e *env) error {
	if c.Mapping != "" {
		return c.mapped(e)
	}
	write, err := c.form()
	if err != nil {
		return err
	}
	today, err := c.day(e)
	if err != nil {
		return err
	}
	sheets, unread := readSheets(e.err, c.Files)
	scores := sheet.Score(sheets, today, planReader(c.Verified, c.Records))
	complain(e.err, scores, "")
	if err := put(e.out, c.Out, func(out io.Writer) error { return write(scores, out) }); err != nil {
		return err
	}
	if unread || scores.Failed() {
		return errReported
	}
	return nil
}

// day is the day that counts as today.
func (c *scoreCmd) day(e *env) (time.Time, error) {
	if c.Today == "" {
		return e.today(), nil
	}
	today, err := time.Parse(time.DateOnly, c.Today)
	if err != nil {
		return today, usageError{fmt.Sprintf("--today %q is not a date written year-month-day, such as 2026-03-02", c.Today)}
	}
	return today, nil
}

// form picks how the results are written.
func (c *scoreCmd) form() (func(*sheet.Scores, io.Writer) error, error) {
	ending, err := c.ending()
	if err != nil {
		return nil, err
	}
	switch ending {
	case ".json":
		return (*sheet.Scores).WriteJSON, nil
	case ".csv":
		return (*sheet.Scores).WriteCSV, nil
	}
	return (*sheet.Scores).WriteText, nil
}

// ending is the form of the results: .txt, .json or .csv.
func (c *scoreCmd) ending() (string, error) {
	if c.JSON && c.CSV {
		return "", usageError{"--json and --csv exclude each other; --out FILE writes to a file"}
	}
	ending := ""
	switch {
	case c.JSON:
		ending = ".json"
	case c.CSV:
		ending = ".csv"
	}
	if c.Out != "" {
		picked := strings.ToLower(filepath.Ext(c.Out))
		if ending != "" && ending != picked {
			return "", usageError{fmt.Sprintf("--out %s asks for another format than --%s", c.Out, ending[1:])}
		}
		ending = picked
		if ending == "" {
			ending = "none"
		}
	}
	switch ending {
	case "":
		return ".txt", nil
	case ".txt", ".json", ".csv":
		return ending, nil
	}
	return "", usageError{fmt.Sprintf("--out %s: the ending picks the format; use .json, .csv or .txt", c.Out)}
}

// readSheets reads the files that can be opened and says which cannot.
func readSheets(errw io.Writer, names []string) (sheets []*sheet.Sheet, unread bool) {
	for _, name := range names {
		file, err := os.Open(name)
		if err != nil {
			var path *os.PathError
			if errors.As(err, &path) {
				err = path.Err
			}
			fmt.Fprintf(errw, "%s: cannot be opened: %v; check the name\n", name, err)
			unread = true
			continue
		}
		sheets = append(sheets, sheet.Read(name, file))
		file.Close()
	}
	return sheets, unread
}

// planReader loads each protocol once, with its estimator.
func planReader(demand bool, records string) sheet.Plans {
	type plan struct {
		p   *protocol.Protocol
		e   *estimate.Estimator
		err error
	}
	loaded := map[string]plan{}
	return func(id string) (*protocol.Protocol, *estimate.Estimator, error) {
		if l, ok := loaded[id]; ok {
			return l.p, l.e, l.err
		}
		var l plan
		l.p, l.err = protocols.Load(id, estimators.LineOf)
		if l.err == nil {
			if l.e, l.err = estimators.Of(&l.p.Outcome); l.err != nil {
				l.err = fmt.Errorf("protocol %s names estimator %w", id, l.err)
			}
			if faults := verified.Folder(records).Apply(l.e); len(faults) > 0 && l.err == nil {
				l.err = faults[0]
			}
			if l.e != nil && demand {
				l.e.Demand()
			}
		}
		loaded[id] = l
		return l.p, l.e, l.err
	}
}

// complain writes notices and faults; notices only of one test where one is named.
func complain(errw io.Writer, s *sheet.Scores, only string) {
	for _, text := range s.Notices {
		fmt.Fprintf(errw, "notice: %s\n", text)
	}
	for _, f := range s.Faults {
		fmt.Fprintln(errw, f)
	}
	for _, t := range s.Tests {
		for _, text := range t.Notices {
			if only != "" && t.ID != only {
				continue
			}
			fmt.Fprintf(errw, "notice: %s\n", text)
		}
		for _, f := range t.Faults {
			fmt.Fprintln(errw, f)
		}
		if t.Unsaid > 0 {
			fmt.Fprintf(errw, "%s: test %s has %d more faults\n", t.File, t.ID, t.Unsaid)
		}
	}
}
