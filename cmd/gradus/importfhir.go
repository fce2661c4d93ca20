package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"gradus/internal/exchange/fhir"
	"gradus/internal/intake"
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

	Anyway bool `name:"anyway" help:"Take those who may be somebody in the record already as new people."`
	accepting
}

// Run shows what a file holds and, when it is accepted, stores it. What breaks a rule is left out and named; the exit code
// is then 1.
func (c *importFHIRCmd) Run(e *env) error {
	if err := c.check(); err != nil {
		return err
	}
	if c.JSON && c.Data != "" {
		return usageError{"--json shows the file alone; leave --data out"}
	}
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
	switch {
	case c.JSON:
		err = writeJSON(e.out, in)
	case c.Data != "":
		err = c.record(e, in, intake.Digest(data))
	default:
		err = tellImported(e, in)
	}
	if err == nil && len(in.Left) > 0 {
		return errReported
	}
	return err
}

// record holds what a file has against the record and, when it is accepted, stores it.
func (c *importFHIRCmd) record(e *env, in *fhir.Imported, digest string) (err error) {
	ctx := asCommand()
	store, err := c.store(ctx, e)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	found, err := intake.FHIR(ctx, store, filepath.Base(c.File), digest, in, e.today())
	if err != nil {
		return err
	}
	t := &telling{}
	left := false
	for i := range found.List {
		p := &found.List[i]
		left = left || p.Refused != "" || len(p.Alike) > 0 && !c.Anyway
		t.say("", "Patient %d: %s.", p.Number, c.standing(p))
		for _, d := range p.Days {
			for _, v := range d.Values {
				t.say("    ", "  %s", vitalText(&v))
			}
		}
	}
	for _, note := range found.Notes {
		left = true
		t.say("", "%s.", upperFirst(note))
	}
	t.gap()
	batch, err := found.Batch(c.By, c.Anyway)
	if err != nil {
		return err
	}
	switch {
	case len(batch.People) == 0:
		t.say("", "There is nothing to store.")
	case c.Accept:
		if err := c.bringIn(ctx, t, store, batch); err != nil {
			return err
		}
	default:
		t.say("", "Nothing is stored yet: --accept --by NAME --data DIR stores it.")
	}
	if err := t.to(e.out); err != nil {
		return err
	}
	if left && !c.Accept {
		return errReported
	}
	return nil
}

// standing says whether a patient is in the record.
func (c *importFHIRCmd) standing(p *intake.Patient) string {
	about := aboutPerson(p.Code, p.Name, p.BirthDate)
	alike := strings.Join(p.Alike, ", ")
	switch {
	case p.Refused != "":
		return about + "; not taken: " + p.Refused
	case p.ID != 0:
		return about + "; in the record"
	case alike != "" && c.Anyway:
		return about + "; new, although it may be " + alike
	case alike != "":
		return about + "; may be " + alike + " in the record: not taken. Give that person the identifier of this file, or use --anyway if it is somebody else"
	}
	return about + "; new"
}

func aboutPerson(code, name, born string) string {
	var about []string
	for _, x := range [][2]string{{"code", code}, {"name", name}, {"born", born}} {
		if x[1] != "" {
			about = append(about, x[0]+" "+x[1])
		}
	}
	return strings.Join(about, ", ")
}

func vitalText(v *intake.Vital) string {
	return measuredText(&fhir.Measurement{Kind: v.Kind, Value: v.Value, Value2: v.Value2, Unit: v.Unit, When: v.When, Minute: v.Minute, Note: v.Note})
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
		t.say("  ", "  %s", measuredText(&in.Vitals[i]))
	}
	return t.to(e.out)
}

func measuredText(m *fhir.Measurement) string {
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
	return text
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
