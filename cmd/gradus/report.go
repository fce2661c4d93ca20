package main

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"gradus/change"
	"gradus/conduct"
	"gradus/internal/report"
	"gradus/internal/sheet"
	"gradus/interpret"
)

type reportCmd struct {
	Files []string `arg:"" optional:"" name:"file" placeholder:"FILE.csv" help:"Data sheets, as for 'gradus score'. A blank sheet (--kind sheet) with --protocol needs none."`

	Kind     string `name:"kind" default:"note" placeholder:"KIND" help:"note (one page for the clinician), letter (for the participant), comparison, sheet (blank, to write on), plan, or over-time (all tests of the person of --test) (${default})."`
	Test     string `name:"test" placeholder:"ID" help:"Which test; needed when the sheets hold more than one."`
	Out      string `name:"out" placeholder:"FILE" help:"Write to this file; its ending (.pdf, .html, .txt) picks the format. Without it the text is printed. A note as text is the short form for a chart system."`
	Paper    string `name:"paper" default:"a4" placeholder:"SIZE" help:"a4 or letter (${default})."`
	Protocol string `name:"protocol" placeholder:"ID" help:"With --kind sheet: the protocol of the blank sheet, if not that of the test."`

	Asks      string `name:"asks" default:"fitness" placeholder:"WORD" help:"What the referrer asked, answered by the first sentence: fitness, training or change (${default})."`
	Question  string `name:"question" placeholder:"TEXT" help:"The question in the referrer's own words."`
	Referrer  string `name:"referrer" placeholder:"NAME" help:"Who asked."`
	Screening string `name:"screening" placeholder:"TEXT" help:"Outcome of screening before the test."`
	Clinic    string `name:"clinic" placeholder:"NAME" help:"Stands at the head of the note."`
	Condition string `name:"condition" placeholder:"ID" help:"Recommendation for the plan, as for 'gradus prescribe'; else chosen where it is plain."`
	Weeks     int    `name:"weeks" default:"8" placeholder:"N" help:"Length of the plan (${default})."`

	Signed   string `name:"signed-by" placeholder:"NAME" help:"Who signs it as final; else it is a draft."`
	On       string `name:"signed-on" placeholder:"DATE" help:"When (year-month-day)."`
	Version  int    `name:"report-version" default:"1" placeholder:"N" help:"Version of the report (${default})."`
	Replaces string `name:"replaces" placeholder:"TEXT" help:"From version 2: why it replaces the one before."`

	Reference  string `name:"reference" placeholder:"ID" help:"Table for the percentile, as for 'gradus interpret'."`
	Equation   string `name:"equation" placeholder:"ID" help:"Equation for percent of predicted, as for 'gradus interpret'."`
	Meaningful string `name:"meaningful" placeholder:"X" help:"The change that matters, as for 'gradus change'."`
	Today      string `name:"today" placeholder:"DATE" help:"The day that counts as today (year-month-day); later dates are refused."`
}

// Run makes one paper of one test.
func (c *reportCmd) Run(e *env) error {
	format, err := c.format()
	if err != nil {
		return err
	}
	today, err := c.check(e)
	if err != nil {
		return err
	}
	if len(c.Files) == 0 {
		return c.blank(e, format)
	}
	sheets, unread := readSheets(e.err, c.Files)
	scores := sheet.Score(sheets, today, planReader(false, ""))
	complain(e.err, scores, c.Test)
	if unread {
		return errReported
	}
	t, err := c.pick(scores)
	if err != nil {
		return err
	}
	if c.Kind == report.KindOverTime {
		return c.overTime(e, t, scores, format)
	}
	one, err := c.caseOf(t, scores)
	if err != nil {
		return err
	}
	if c.Kind == report.KindSheet && c.Protocol != "" {
		p, eq, err := planReader(false, "")(c.Protocol)
		if err != nil {
			return err
		}
		one.Protocol, one.Estimator = p, eq
	}
	return put(e.out, c.Out, func(out io.Writer) error { return one.Write(out, c.Kind, format, c.Paper) })
}

// overTime makes the paper of all tests of the person of a test.
func (c *reportCmd) overTime(e *env, t *sheet.Scored, scores *sheet.Scores, format string) error {
	if t.Person.Participant == "" {
		return fmt.Errorf("test %s names no participant; there is nothing to put beside it", t.ID)
	}
	choice, err := c.choice()
	if err != nil {
		return err
	}
	own := slices.DeleteFunc(slices.Clone(scores.Tests), func(x *sheet.Scored) bool { return x.Person.Participant != t.Person.Participant })
	course, err := report.CourseOf(own, choice)
	if err != nil {
		return usageError{err.Error()}
	}
	course.Program = programVersion()
	return put(e.out, c.Out, func(out io.Writer) error { return course.Paper().Write(out, format, c.Paper) })
}

// choice is the change that matters.
func (c *reportCmd) choice() (change.Choice, error) {
	v, err := strconv.ParseFloat(c.Meaningful, 64)
	switch {
	case err != nil:
		return change.Choice{ID: c.Meaningful}, nil
	case !(v > 0 && v <= 50):
		return change.Choice{}, usageError{fmt.Sprintf("--meaningful %s is not above 0 and at most 50 mL/kg/min", c.Meaningful)}
	}
	return change.Choice{Threshold: v}, nil
}

func (c *reportCmd) format() (string, error) {
	if c.Out == "" {
		return "txt", nil
	}
	ending := strings.TrimPrefix(strings.ToLower(filepath.Ext(c.Out)), ".")
	if !slices.Contains(report.Formats, ending) {
		return "", usageError{fmt.Sprintf("--out %s: the ending picks the format; use .pdf, .html or .txt", c.Out)}
	}
	return ending, nil
}

func (c *reportCmd) check(e *env) (time.Time, error) {
	today := e.today()
	for _, w := range []struct {
		flag, word string
		words      []string
	}{{"kind", c.Kind, append(slices.Clone(report.Kinds), report.KindOverTime)}, {"paper", c.Paper, report.Papers}, {"asks", c.Asks, report.Questions}} {
		if !slices.Contains(w.words, w.word) {
			return today, usageError{fmt.Sprintf("--%s %q is not one of %s", w.flag, w.word, strings.Join(w.words, ", "))}
		}
	}
	for _, d := range []struct{ flag, text string }{{"today", c.Today}, {"signed-on", c.On}} {
		day, err := time.Parse(time.DateOnly, d.text)
		switch {
		case d.text == "":
		case err != nil:
			return today, usageError{fmt.Sprintf("--%s %q is not a date written year-month-day, such as 2026-03-02", d.flag, d.text)}
		case d.flag == "today":
			today = day
		}
	}
	if _, ok := interpret.ReferenceByID(c.Reference); !ok && c.Reference != "" {
		return today, usageError{fmt.Sprintf("--reference %q is not known; 'gradus references' lists them", c.Reference)}
	}
	if c.Equation != "" && !slices.ContainsFunc(interpret.Equations(), func(x interpret.Equation) bool { return x.ID == c.Equation }) {
		return today, usageError{fmt.Sprintf("--equation %q is not known; 'gradus references' lists them", c.Equation)}
	}
	switch {
	case (c.Signed == "") != (c.On == ""):
		return today, usageError{"--signed-by and --signed-on go together: a report says who signed it and when"}
	case c.Version < 1:
		return today, usageError{fmt.Sprintf("--report-version %d is below 1", c.Version)}
	case c.Version > 1 && c.Replaces == "":
		return today, usageError{fmt.Sprintf("--report-version %d replaces version %d; say why with --replaces", c.Version, c.Version-1)}
	case c.Protocol != "" && c.Kind != report.KindSheet:
		return today, usageError{"--protocol goes with --kind sheet; the other papers take the protocol of the test"}
	case len(c.Files) == 0 && (c.Kind != report.KindSheet || c.Protocol == ""):
		return today, usageError{"name a data sheet, or --kind sheet with --protocol for a blank one"}
	}
	return today, nil
}

// blank makes a sheet for nobody yet.
func (c *reportCmd) blank(e *env, format string) error {
	p, eq, err := planReader(false, "")(c.Protocol)
	if err != nil {
		return err
	}
	d := report.Blank(p, eq, &conduct.Inputs{}, "", "", programVersion())
	return put(e.out, c.Out, func(out io.Writer) error { return d.Write(out, format, c.Paper) })
}

// pick finds the test that is asked for.
func (c *reportCmd) pick(scores *sheet.Scores) (*sheet.Scored, error) {
	var ids []string
	for _, t := range scores.Tests {
		if t.ID == c.Test || c.Test == "" && len(scores.Tests) == 1 {
			if len(t.Faults) > 0 {
				return nil, errReported
			}
			return t, nil
		}
		ids = append(ids, t.ID)
	}
	switch {
	case len(ids) == 0 && scores.Failed():
		return nil, errReported
	case len(ids) == 0:
		return nil, errors.New("the sheets hold no test")
	case c.Test == "":
		return nil, usageError{fmt.Sprintf("the sheets hold %d tests (%s); pick one with --test", len(ids), strings.Join(ids, ", "))}
	}
	return nil, fmt.Errorf("there is no test %s in the sheets; they hold %s", c.Test, strings.Join(ids, ", "))
}

func (c *reportCmd) caseOf(t *sheet.Scored, scores *sheet.Scores) (*report.Case, error) {
	choice, err := c.choice()
	if err != nil {
		return nil, err
	}
	one, err := report.OfSheet(t, scores.Tests, choice)
	if err != nil {
		return nil, usageError{err.Error()}
	}
	one.Asks, one.Question, one.Referrer, one.Screening, one.Clinic = c.Asks, c.Question, c.Referrer, c.Screening, c.Clinic
	one.Reference, one.Equation = c.Reference, c.Equation
	one.PlanFor, one.Weeks, one.Program = c.Condition, c.Weeks, programVersion()
	one.Signing = report.Signing{Version: c.Version, By: c.Signed, On: c.On, Replaces: c.Replaces}
	return one, nil
}
