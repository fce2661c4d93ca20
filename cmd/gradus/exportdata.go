package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"gradus/internal/exchange"
	tables "gradus/internal/exchange/table"
)

// deidentifying are the choices of what names a person.
type deidentifying struct {
	Codes      string   `name:"codes" placeholder:"FILE.csv" help:"List of study codes: participant and code. Codes that are missing are drawn by chance and added. Keep it apart from the data."`
	Identified bool     `name:"identified" help:"Do not de-identify: codes, days and free text as they are. What was exported so comes back unchanged by 'gradus import data'."`
	StudyDays  bool     `name:"study-days" help:"Days counted from the first test as well. Not Safe Harbor: an expert has to determine whether it still hides a person."`
	Review     bool     `name:"review" help:"Print the free texts that would be left out, to be looked through, and write nothing."`
	Keep       []string `name:"keep" placeholder:"COLUMN" help:"Columns of free text that were looked through and stay."`
}

type exportDataCmd struct {
	source
	deidentifying

	Title string `name:"title" placeholder:"TEXT" help:"Title of the package."`
}

type exportXLSXCmd struct {
	source
	deidentifying
}

// cases are the tests as tables show them. Where a person's code stands for the person, it must be that of one alone.
func (c *source) cases(e *env, alone bool) (all []exchange.Case, failed bool, err error) {
	if c.ofRecord() {
		tests, err := c.recorded(e)
		if err != nil {
			return nil, false, err
		}
		unasked := 0
		whose := map[string]int64{}
		for _, r := range tests {
			who := r.Stands()
			if other, there := whose[who.Code]; alone && there && other != who.ID {
				return nil, false, fmt.Errorf("test %s: people of two sites have the code %s and would be taken for one; export the tests of each site by themselves", r.Test.ID, who.Code)
			}
			whose[who.Code] = who.ID
			switch c := r.Research; {
			case c == nil:
				unasked++
			case !c.Given:
				return nil, false, fmt.Errorf("test %s: the person refused or withdrew the use of the data in research on %s; leave this test out", r.Test.ID, c.Date)
			}
			all = append(all, r.CaseOf())
		}
		if unasked > 0 {
			fmt.Fprintf(e.err, "notice: of %d of %d tests nobody has written down whether the person agrees to the use in research\n", unasked, len(tests))
		}
		return all, false, nil
	}
	tests, failed, err := c.sheets(e)
	for _, t := range tests {
		all = append(all, exchange.CaseOf(t))
	}
	return all, failed, err
}

// Run writes a data package.
func (c *exportDataCmd) Run(e *env) error {
	if c.Out != "" && !strings.HasSuffix(strings.ToLower(c.Out), ".zip") {
		return usageError{fmt.Sprintf("--out %s: a package is a zip file; let the name end in .zip", c.Out)}
	}
	return c.deidentifying.run(e, &c.source, func(cases []exchange.Case, choice exchange.Choice) (func(io.Writer) error, []exchange.Free, error) {
		choice.Title = c.Title
		study, left, err := exchange.Study(cases, choice)
		if err != nil {
			return nil, nil, err
		}
		return study.Write, left, nil
	})
}

// Run writes a workbook.
func (c *exportXLSXCmd) Run(e *env) error {
	if c.Out != "" && !strings.HasSuffix(strings.ToLower(c.Out), ".xlsx") {
		return usageError{fmt.Sprintf("--out %s: let the name end in .xlsx", c.Out)}
	}
	return c.deidentifying.run(e, &c.source, func(cases []exchange.Case, choice exchange.Choice) (func(io.Writer) error, []exchange.Free, error) {
		book, left, err := exchange.Workbook(cases, choice)
		if err != nil {
			return nil, nil, err
		}
		return book.Write, left, nil
	})
}

// run makes a file of the tests and writes it, with what must be said about it.
func (c *deidentifying) run(e *env, from *source, build func([]exchange.Case, exchange.Choice) (func(io.Writer) error, []exchange.Free, error)) error {
	switch {
	case from.Out == "" && !c.Review:
		return usageError{"--out FILE is missing"}
	case c.Identified && (c.StudyDays || c.Codes != ""):
		return usageError{"--identified excludes --codes and --study-days"}
	case !c.Identified && !c.Review && c.Codes == "":
		return usageError{"de-identified data need --codes FILE.csv, where the study codes are kept; --identified writes the data as they are"}
	}
	cases, failed, err := from.cases(e, !c.Identified)
	if err != nil {
		return err
	}
	if len(cases) == 0 {
		return errReported
	}
	choice := exchange.Choice{Identified: c.Identified, StudyDays: c.StudyDays, Keep: c.Keep}
	added := 0
	if !c.Identified {
		if choice.Codes, added, err = c.codes(cases); err != nil {
			return err
		}
	}
	write, left, err := build(cases, choice)
	if err != nil {
		return err
	}
	if c.Review {
		return review(e.out, left)
	}
	c.warn(e, cases, left)
	if added > 0 {
		if err := writeCodes(c.Codes, choice.Codes); err != nil {
			return err
		}
		fmt.Fprintf(e.err, "notice: %d study codes were drawn and written to %s; keep that file apart from the data\n", added, c.Codes)
	}
	if err := put(e.out, from.Out, write); err != nil {
		return err
	}
	if failed {
		return errReported
	}
	return nil
}

// codes reads the list of study codes and adds those that are missing.
func (c *deidentifying) codes(cases []exchange.Case) (codes map[string]string, added int, err error) {
	codes = map[string]string{}
	if c.Codes != "" {
		if _, err := os.Stat(c.Codes); err == nil {
			data, err := readSmall(c.Codes, 16<<20)
			if err != nil {
				return nil, 0, err
			}
			if codes, err = exchange.ReadCodes(c.Codes, data); err != nil {
				return nil, 0, err
			}
		} else if !errors.Is(err, os.ErrNotExist) {
			return nil, 0, err
		}
	}
	added, err = exchange.AddCodes(codes, cases)
	return codes, added, err
}

// writeCodes writes the list where only its owner reads it.
func writeCodes(name string, codes map[string]string) error {
	if err := put(io.Discard, name, func(out io.Writer) error { return exchange.WriteCodes(out, codes) }); err != nil {
		return err
	}
	return os.Chmod(name, 0o600)
}

func (c *deidentifying) warn(e *env, cases []exchange.Case, left []exchange.Free) {
	say := func(format string, args ...any) { fmt.Fprintf(e.err, "notice: "+format+"\n", args...) }
	if c.Identified {
		say("%s", exchange.WarnIdentified)
		return
	}
	if c.StudyDays {
		say("%s", exchange.WarnStudyDays)
	}
	for _, f := range left {
		say("column %s is free text and left out (%d texts); --review shows them, --keep %s keeps them", f.Column, len(f.Texts), f.Column)
	}
	if groups := exchange.SmallGroups(cases); len(groups) > 0 {
		say("fewer than 5 people share age, sex and condition, and may be recognised by them: %s", strings.Join(groups, "; "))
	}
}

func review(out io.Writer, left []exchange.Free) error {
	t := &telling{}
	if len(left) == 0 {
		t.say("", "There is no free text in these tests.")
	}
	for _, f := range left {
		t.say("", "%s:", f.Column)
		for _, text := range f.Texts {
			t.say("  ", "  %q", text)
		}
	}
	return t.to(out)
}

type importDataCmd struct {
	File string `arg:"" name:"file" placeholder:"FILE.zip" help:"A data package that this program wrote."`
	Out  string `name:"out" placeholder:"SHEET.csv" help:"Write to this file; it appears whole or not at all."`
}

// Run writes the tests of a package as a data sheet.
func (c *importDataCmd) Run(e *env) error {
	files, err := readPackage(c.File)
	if err != nil {
		return err
	}
	if faults := tables.Check(files); len(faults) > 0 {
		tellPackage(e, c.File, faults)
		return errReported
	}
	return put(e.out, c.Out, func(out io.Writer) error {
		if err := exchange.Sheet(out, files); err != nil {
			return fmt.Errorf("%s: %w", c.File, err)
		}
		return nil
	})
}

func readPackage(name string) (map[string][]byte, error) {
	data, err := readSmall(name, tables.MostUnpacked)
	if err != nil {
		return nil, err
	}
	files, err := tables.Unzip(data)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return files, nil
}

type checkDataCmd struct {
	Files []string `arg:"" name:"file" placeholder:"FILE.zip" help:"Data packages: zip files with datapackage.json and the tables in it."`
}

// Run holds the tables of packages against their own description.
func (c *checkDataCmd) Run(e *env) error {
	bad := false
	for _, name := range c.Files {
		files, err := readPackage(name)
		if err != nil {
			return err
		}
		faults := tables.Check(files)
		if bad = bad || len(faults) > 0; len(faults) == 0 {
			fmt.Fprintf(e.out, "%s: the tables are as the package says\n", name)
		}
		tellPackage(e, name, faults)
	}
	if bad {
		return errReported
	}
	return nil
}

func tellPackage(e *env, name string, faults []tables.Fault) {
	for i := range faults {
		fmt.Fprintf(e.err, "%s: %v\n", name, &faults[i])
	}
}
