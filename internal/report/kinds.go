package report

import (
	"fmt"
	"io"
	"strings"

	"gradus/change"
	"gradus/estimate"
	"gradus/internal/sheet"
)

// Kinds of papers.
const (
	KindNote       = "note"
	KindLetter     = "letter"
	KindComparison = "comparison"
	KindSheet      = "sheet"
	KindPlan       = "plan"
	KindOverTime   = "over-time" // of a person, not of a test; see [Course]
)

// Kinds lists them.
var Kinds = []string{KindNote, KindLetter, KindComparison, KindSheet, KindPlan}

// Formats a paper is written in.
var Formats = []string{"pdf", "html", "txt"}

// Paper makes a paper of a case.
func (c *Case) Paper(kind string) (*Document, error) {
	switch kind {
	case KindNote:
		return c.Note(), nil
	case KindLetter:
		return c.Letter(), nil
	case KindComparison:
		return c.Comparison()
	case KindSheet:
		return Blank(c.Protocol, c.Estimator, &c.State.In, c.Participant, c.Date, c.Program), nil
	case KindPlan:
		return c.PlanSheet()
	}
	return nil, fmt.Errorf("paper %q is not known; use %s", kind, strings.Join(Kinds, ", "))
}

// Write makes a paper of a case in a format: pdf on a4 or letter, html, or txt. The note as txt is the short text for
// pasting into a chart system.
func (c *Case) Write(w io.Writer, kind, format, paper string) error {
	if kind == KindNote && format == "txt" {
		_, err := io.WriteString(w, c.Chart())
		return err
	}
	d, err := c.Paper(kind)
	if err != nil {
		return err
	}
	return d.Write(w, format, paper)
}

// Write writes a document in a format.
func (d *Document) Write(w io.Writer, format, paper string) error {
	switch format {
	case "pdf":
		return WritePDF(w, d, paper)
	case "html":
		return WriteHTML(w, d, "")
	case "txt":
		return WriteText(w, d)
	}
	return fmt.Errorf("format %q is not known; use %s", format, strings.Join(Formats, ", "))
}

// OfSheet is the case of a scored data sheet without faults; all are the tests it may be compared with.
func OfSheet(t *sheet.Scored, all []*sheet.Scored, meaningful change.Choice) (*Case, error) {
	said := t.Person.Said
	c := &Case{Test: t.ID, Participant: t.Person.Participant, Date: t.Person.Date, Examiner: said["examiner"], Drug: t.Person.DrugName, Dose: said["drug_dose"], SinceDose: said["hours_since_dose"],
		Ergometer: said["ergometer"], Condition: t.Person.Condition, Protocol: t.Protocol, Estimator: t.Estimator, Events: t.Events, State: t.State, Judged: t.Judged}
	if c.State.In.Condition == 0 {
		c.Condition = ""
	}
	var tests []*change.Test
	equations := map[string]*estimate.Estimator{}
	for _, other := range all {
		if len(other.Faults) > 0 || other.Person.Participant == "" || other.Person.Participant != t.Person.Participant {
			continue
		}
		tests = append(tests, other.Visit())
		if other.Estimator != nil {
			equations[other.Estimator.ID] = other.Estimator
		}
	}
	if len(tests) < 2 {
		return c, nil
	}
	h, err := change.Series(tests, func(id string) *estimate.Estimator { return equations[id] }, meaningful)
	if err != nil {
		return nil, err
	}
	c.History = &h
	return c, nil
}
