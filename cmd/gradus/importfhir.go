package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"

	"gradus/internal/exchange/fhir"
)

type importCmd struct {
	Sheets importSheetsCmd `cmd:"" name:"sheets" help:"Bring in the tests of a clinic's own spreadsheet, XLSX or CSV: look first, store what is accepted."`

	FHIR importFHIRCmd `cmd:"" name:"fhir" help:"Read patients and vital signs out of a FHIR R4 file and show them; with --data against the record."`
	Data importDataCmd `cmd:"" name:"data" help:"Turn a data package of ours back into a data sheet."`
}

type checkCmd struct {
	FHIR checkFHIRCmd `cmd:"" name:"fhir" help:"Check FHIR R4 resources and Bundles: structure, invariants, vital signs, references, and that an estimate says so."`
	Data checkDataCmd `cmd:"" name:"data" help:"Hold the tables of a data package against what the package says of them."`
}

type importFHIRCmd struct {
	File string `arg:"" name:"file" placeholder:"FILE.json" help:"A resource or a Bundle."`
	JSON bool   `name:"json" help:"Print JSON."`
}

// Run shows what a file holds. What breaks a rule is left out and named; the exit code is then 1.
func (c *importFHIRCmd) Run(e *env) error {
	data, err := readSmall(c.File, fhir.MostBytes)
	if err != nil {
		return err
	}
	in, err := fhir.Import(data)
	if err != nil {
		return fmt.Errorf("%s: %w", c.File, err)
	}
	for _, f := range in.Left {
		fmt.Fprintf(e.err, "%s: %v; left out\n", c.File, f)
	}
	if c.JSON {
		err = writeJSON(e.out, in)
	} else {
		err = tellImported(e, in)
	}
	if err == nil && len(in.Left) > 0 {
		return errReported
	}
	return err
}

func tellImported(e *env, in *fhir.Imported) error {
	t := &telling{}
	for i := range in.People {
		p := &in.People[i]
		var about []string
		for _, x := range []struct{ what, text string }{{"code", p.Code}, {"name", p.Name}, {"born", p.BirthDate}, {"sex", p.Sex}} {
			if x.text != "" {
				about = append(about, x.what+" "+x.text)
			}
		}
		t.say("", "Patient %d: %s.", i+1, strings.Join(about, ", "))
	}
	for i := range in.Vitals {
		m := &in.Vitals[i]
		value := fmt.Sprintf("%g", m.Value)
		if m.Value2 > 0 {
			value += fmt.Sprintf("/%g", m.Value2)
		}
		text := fmt.Sprintf("%s: %s %s, %s", upperFirst(strings.ReplaceAll(m.Kind, "-", " ")), value, m.Unit, m.When)
		if m.Minute > 0 {
			text += fmt.Sprintf(", minute %g", m.Minute)
		}
		if m.Note != "" {
			text += " (" + m.Note + ")"
		}
		t.say("  ", "  %s", text)
	}
	return t.to(e.out)
}

type checkFHIRCmd struct {
	Files []string `arg:"" name:"file" placeholder:"FILE.json" help:"Resources or Bundles; a file may also hold one resource a line."`
	JSON  bool     `name:"json" help:"Print JSON."`
}

// checkedFile is what was found in one resource.
type checkedFile struct {
	File   string       `json:"file"`
	Line   int          `json:"line,omitempty"` // with one resource a line
	Valid  bool         `json:"valid"`
	Faults []fhir.Fault `json:"faults"`
}

// Run checks files; the exit code is 1 when one of them breaks a rule.
func (c *checkFHIRCmd) Run(e *env) error {
	all, bad := []checkedFile{}, false
	for _, name := range c.Files {
		data, err := readSmall(name, fhir.MostBytes)
		if err != nil {
			return err
		}
		found := checkAll(name, data)
		for _, f := range found {
			bad = bad || !f.Valid
		}
		all = append(all, found...)
	}
	if c.JSON {
		if err := writeJSON(e.out, all); err != nil {
			return err
		}
	} else {
		tellChecked(e, all)
	}
	if bad {
		return errReported
	}
	return nil
}

// checkAll checks a file as one resource, or line by line when each line is a JSON value of its own.
func checkAll(name string, data []byte) (all []checkedFile) {
	if lines := bytes.Split(bytes.TrimSpace(data), []byte("\n")); len(lines) > 1 && json.Valid(lines[0]) && json.Valid(bytes.TrimSpace(lines[1])) {
		for i, line := range lines {
			if line = bytes.TrimSpace(line); len(line) > 0 {
				all = append(all, one(name, i+1, line))
			}
		}
		return all
	}
	return []checkedFile{one(name, 0, data)}
}

func one(name string, line int, data []byte) checkedFile {
	faults := fhir.Check(data)
	if faults == nil {
		faults = []fhir.Fault{}
	}
	return checkedFile{name, line, len(faults) == 0, faults}
}

func tellChecked(e *env, all []checkedFile) {
	for _, f := range all {
		where := f.File
		if f.Line > 0 {
			where += fmt.Sprintf(":%d", f.Line)
		}
		if f.Valid {
			fmt.Fprintf(e.out, "%s: no rule is broken\n", where)
		}
		for _, x := range f.Faults {
			fmt.Fprintf(e.err, "%s: %v\n", where, x)
		}
	}
}
