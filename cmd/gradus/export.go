package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"gradus/internal/audit"
	"gradus/internal/exchange"
	"gradus/internal/exchange/fhir"
	"gradus/internal/record"
	"gradus/internal/sheet"
)

type exportCmd struct {
	FHIR exportFHIRCmd `cmd:"" name:"fhir" help:"One HL7 FHIR R4 transaction Bundle: person, readings, estimate with its error, report, plan."`
	Data exportDataCmd `cmd:"" name:"data" help:"A Frictionless data package for research, de-identified unless told otherwise."`
	XLSX exportXLSXCmd `cmd:"" name:"xlsx" help:"A workbook: data, results whose estimate is a live formula, columns explained. De-identified unless told otherwise."`
}

// source is what is exported: data sheets, or tests of the record.
type source struct {
	From []string `arg:"" name:"from" placeholder:"SHEET.csv|TEST" help:"Data sheets, or with --data the ids of recorded tests ('gradus log' lists them)."`
	Data string   `name:"data" type:"path" placeholder:"DIR" help:"Data directory of the record: FROM are tests in it."`
	databaseFlag
	passphraseFile

	Today string `name:"today" placeholder:"DATE" help:"The day that counts as today (year-month-day); later dates are refused."`
	Out   string `name:"out" placeholder:"FILE" help:"Write to this file; it appears whole or not at all."`
}

// sheets scores the data sheets. A test with faults is named and left out; then failed is true.
func (c *source) sheets(e *env) (tests []*sheet.Scored, failed bool, err error) {
	today := e.today()
	if c.Today != "" {
		if today, err = time.Parse(time.DateOnly, c.Today); err != nil {
			return nil, false, usageError{fmt.Sprintf("--today %q is not a date written year-month-day, such as 2026-03-02", c.Today)}
		}
	}
	sheets, unread := readSheets(e.err, c.From)
	scores := sheet.Score(sheets, today, planReader(false, ""))
	complain(e.err, scores, "")
	for _, t := range scores.Tests {
		if len(t.Faults) == 0 {
			tests = append(tests, t)
		}
	}
	return tests, unread || scores.Failed(), nil
}

// ofRecord reports whether tests of a record are meant, not data sheets.
func (c *source) ofRecord() bool { return c.Data != "" || c.Database != "" }

// recorded reads tests of the record.
func (c *source) recorded(e *env) (tests []*exchange.Recorded, err error) {
	ctx := asCommand()
	store, err := openToRead(ctx, e, c.Data, c.databaseFlag, c.passphraseFile)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	for _, id := range c.From {
		t, err := exchange.ReadTest(ctx, store, id)
		if errors.Is(err, record.ErrNotFound) {
			return nil, fmt.Errorf("%w; gradus log with the same record lists them", err)
		}
		if err != nil {
			return nil, err
		}
		if err := store.Note(ctx, audit.Entry{Action: "export", Entity: "test/" + t.Test.ID}); err != nil {
			return nil, err
		}
		tests = append(tests, t)
	}
	return tests, exchange.AsOne(ctx, store, tests)
}

type exportFHIRCmd struct {
	source

	SignedBy string `name:"signed-by" placeholder:"NAME" help:"Who signed the report; without it the result of a sheet is preliminary, that of the record stands as it was signed there."`
	Report   string `name:"report" type:"existingfile" placeholder:"FILE.pdf" help:"The report to attach, with one test."`
	Plan     string `name:"plan" placeholder:"CONDITION" help:"Add an exercise plan for this condition, as 'gradus prescribe' proposes it."`
	Weeks    int    `name:"weeks" default:"8" placeholder:"N" help:"Length of the plan (${default})."`
	Zone     string `name:"zone" placeholder:"+01:00" help:"Time zone of the sheets' clock; without it readings carry the day alone."`
	NoNames  bool   `name:"no-names" help:"Leave out names and birth dates; the codes stay."`
	NoLOINC  bool   `name:"no-loinc" help:"The estimate carries our own code alone."`
}

// Run writes a Bundle.
func (c *exportFHIRCmd) Run(e *env) error {
	tests, failed, err := c.tests(e)
	if err != nil {
		return err
	}
	if len(tests) == 0 {
		return errReported
	}
	if c.Report != "" {
		if len(tests) > 1 {
			return usageError{"--report belongs to one test; export the tests one by one"}
		}
		if tests[0].Report, err = readSmall(c.Report, 32<<20); err != nil {
			return err
		}
		if !strings.HasPrefix(string(tests[0].Report[:min(5, len(tests[0].Report))]), "%PDF-") {
			return fmt.Errorf("%s: this is no PDF", c.Report)
		}
	}
	for i := range tests {
		if c.SignedBy != "" {
			tests[i].SignedBy, tests[i].Amends = c.SignedBy, tests[i].Amends || tests[i].Version > 1
		}
		if c.NoNames {
			tests[i].Person.Name, tests[i].Person.BirthDate, tests[i].Person.Identifiers = "", "", nil
		}
	}
	if err := put(e.out, c.Out, func(out io.Writer) error {
		return fhir.Write(out, tests, fhir.Options{Program: "gradus", NoLOINC: c.NoLOINC})
	}); err != nil {
		return err
	}
	if failed {
		return errReported
	}
	return nil
}

func (c *exportFHIRCmd) tests(e *env) (tests []fhir.Test, failed bool, err error) {
	if c.ofRecord() {
		all, err := c.recorded(e)
		if err != nil {
			return nil, false, err
		}
		for _, r := range all {
			t := r.FHIR()
			if c.Plan != "" {
				if t.Plan, err = r.Plan(c.Plan, c.Weeks); err != nil {
					return nil, false, fmt.Errorf("test %s: %w", t.ID, err)
				}
			}
			tests = append(tests, t)
		}
		return tests, false, nil
	}
	var zone *time.Location
	if c.Zone != "" {
		at, err := time.Parse("Z07:00", c.Zone)
		if err != nil {
			return nil, false, usageError{fmt.Sprintf("--zone %q is not a time zone such as +01:00 or Z", c.Zone)}
		}
		zone = at.Location()
	}
	all, failed, err := c.sheets(e)
	if err != nil {
		return nil, false, err
	}
	for _, s := range all {
		t := exchange.FromSheet(s, zone)
		if c.Plan != "" {
			if t.Plan, err = exchange.PlanOf(s, c.Plan, c.Weeks); err != nil {
				return nil, false, fmt.Errorf("test %s: %w", t.ID, err)
			}
		}
		tests = append(tests, t)
	}
	return tests, failed, nil
}

// readSmall reads a file up to a size, "-" is not one.
func readSmall(name string, most int64) ([]byte, error) {
	file, err := os.Open(name)
	if err != nil {
		var path *os.PathError
		if errors.As(err, &path) {
			err = path.Err
		}
		return nil, fmt.Errorf("%s: cannot be opened: %w; check the name", name, err)
	}
	defer file.Close()
	data, err := io.ReadAll(io.LimitReader(file, most+1))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if int64(len(data)) > most {
		return nil, fmt.Errorf("%s: the file is larger than %d MB and is not read", name, most>>20)
	}
	return data, nil
}
