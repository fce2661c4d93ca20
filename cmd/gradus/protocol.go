package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"gradus/estimate"
	estimators "gradus/estimate/library"
	"gradus/internal/aloud"
	"gradus/internal/eventfile"
	"gradus/protocol"
	protocols "gradus/protocol/library"
	"gradus/prove"
	"gradus/yamlread"
)

type protocolCmd struct {
	List  protocolListCmd  `cmd:"" help:"List the protocols that come with the program."`
	Show  protocolShowCmd  `cmd:"" help:"Read a protocol aloud, every number with its paper."`
	New   protocolNewCmd   `cmd:"" help:"Write a commented protocol file to begin with."`
	Check protocolCheckCmd `cmd:"" help:"Check a protocol file and prove that no test by it goes astray."`
}

type protocolListCmd struct {
	JSON bool `name:"json" help:"Print JSON."`
}

type listedProtocol struct {
	ID         string         `json:"id"`
	Version    string         `json:"version"`
	Title      string         `json:"title"`
	Family     string         `json:"family"`
	Modality   string         `json:"modality"`
	Purpose    string         `json:"purpose"`
	Population string         `json:"population"`
	Outcome    string         `json:"outcome"`
	Estimator  string         `json:"estimator"`
	Women      string         `json:"estimator_women,omitempty"` // where theirs is another one
	Note       string         `json:"note,omitempty"`
	Suits      protocol.Suits `json:"suits"`
	Hash       string         `json:"hash"`
}

// Run lists the shipped protocols by family.
func (c *protocolListCmd) Run(e *env) error {
	list := []listedProtocol{}
	var all []*protocol.Protocol
	for _, id := range protocols.IDs() {
		p, err := protocols.Load(id, estimators.LineOf)
		if err != nil {
			return err
		}
		all = append(all, p)
	}
	for _, family := range protocol.Families {
		for _, p := range all {
			if p.Family == family {
				list = append(list, listedProtocol{p.ID, p.Version, p.Title, p.Family, p.Modality, p.Purpose, p.Population, p.Outcome.What, p.Outcome.Estimator, p.Outcome.Women, p.Outcome.Note, p.Suits, p.Hash})
			}
		}
	}
	if c.JSON {
		return writeJSON(e.out, list)
	}
	for i, p := range list {
		if i == 0 || p.Family != list[i-1].Family {
			fmt.Fprintf(e.out, "%s\n", strings.ReplaceAll(p.Family, "-", " "))
		}
		effort := ""
		if p.Suits.Effort == "symptom_limited_maximal" {
			effort = " (maximal: the rules of maximal tests hold)"
		}
		fmt.Fprintf(e.out, "  %-33s %s%s\n", p.ID, p.Title, effort)
	}
	_, err := fmt.Fprintln(e.out, "gradus protocol show ID reads one aloud.")
	return err
}

type protocolShowCmd struct {
	Protocol string `arg:"" name:"protocol" placeholder:"ID" help:"Id of a shipped protocol, or a file."`
}

// Run reads a protocol aloud.
func (c *protocolShowCmd) Run(e *env) error {
	plan, err := readPlan(c.Protocol)
	if err != nil {
		return planErrors(e.err, plan, err)
	}
	text, err := aloud.Text(plan.p, plan.name, plan.text)
	if err != nil {
		return err
	}
	_, err = io.WriteString(e.out, text)
	return err
}

type protocolCheckCmd struct {
	Protocol string `arg:"" name:"file" placeholder:"FILE" help:"A protocol file, or the id of a shipped protocol."`
	JSON     bool   `name:"json" help:"Print JSON."`
	Counter  string `name:"counter-example" placeholder:"FILE.jsonl" help:"Write the events that show the first finding to this file; gradus replay runs it."`
}

// checked is the answer of a check as JSON.
type checked struct {
	File   string        `json:"file"`
	OK     bool          `json:"ok"`
	Errors []fileError   `json:"errors"` // of the text; then there is no report
	Report *prove.Report `json:"report"`
}

type fileError struct {
	Line int    `json:"line"`
	Col  int    `json:"col"`
	Msg  string `json:"text"`
	Hint string `json:"hint"`
}

// Run checks the text of a protocol, and then every test that it allows.
func (c *protocolCheckCmd) Run(e *env) error {
	plan, err := readPlan(c.Protocol)
	if err != nil {
		if c.JSON && len(plan.errs) > 0 {
			if err := writeJSON(e.out, checked{File: plan.name, Errors: fileErrors(plan.errs)}); err != nil {
				return err
			}
		}
		return planErrors(e.err, plan, err)
	}
	r := prove.Check(plan.p, needsOf(plan.e))
	if c.Counter != "" && len(r.Findings) > 0 {
		if err := put(e.out, c.Counter, func(out io.Writer) error { return eventfile.Write(out, r.Findings[0].Events) }); err != nil {
			return err
		}
	}
	if c.JSON {
		err = writeJSON(e.out, checked{File: plan.name, OK: r.OK(), Errors: []fileError{}, Report: &r})
	} else {
		err = writeReport(e.out, plan, &r, c.Counter)
	}
	if err == nil && !r.OK() {
		return errReported
	}
	return err
}

// planFile is a protocol with its text, its estimator and the faults of its text.
type planFile struct {
	name string
	text []byte
	p    *protocol.Protocol
	e    *estimate.Estimator // nil: none
	errs []error
}

// errPlan says that a protocol's text has faults; they are in planFile.errs.
var errPlan = errors.New("the protocol has faults")

// readPlan reads a shipped protocol by its id, or a file.
func readPlan(name string) (*planFile, error) {
	plan := &planFile{name: name}
	text, err := planText(name)
	if err != nil {
		return plan, err
	}
	plan.text = text
	if !looksLikeFile(name) {
		plan.name = name + ".yaml"
	}
	plan.p, plan.errs = protocols.Parse(plan.name, text, estimators.LineOf)
	if len(plan.errs) > 0 {
		return plan, errPlan
	}
	o := &plan.p.Outcome
	for path, id := range namedEstimators(o) {
		if _, err := estimators.ByID(id); err != nil {
			plan.errs = append(plan.errs, placed(plan, path, fmt.Sprintf("no estimator has the id %q", id), "see gradus estimators, or write none"))
		}
	}
	if len(plan.errs) > 0 {
		return plan, errPlan
	}
	plan.e, err = estimators.Of(o)
	if err != nil {
		return plan, err
	}
	return plan, nil
}

// namedEstimators are the estimators that an outcome names, by their path in the file.
func namedEstimators(o *protocol.Outcome) map[string]string {
	named := map[string]string{}
	if o.Estimator != "none" {
		named["outcome.estimator"] = o.Estimator
	}
	if o.Women != "" {
		named["outcome.women"] = o.Women
	}
	for i, id := range o.Also {
		named[fmt.Sprintf("outcome.also[%d]", i)] = id
	}
	return named
}

func placed(plan *planFile, path, msg, hint string) error {
	file, err := yamlread.Decode(plan.name, plan.text, nil)
	if err != nil {
		return err
	}
	line, col := file.Pos(path)
	return &yamlread.Error{Name: plan.name, Line: line, Col: col, Msg: path + " " + msg, Hint: hint}
}

func looksLikeFile(name string) bool {
	return strings.ContainsAny(name, `/\.`)
}

// planText is the text of a protocol; a file is read no further than a protocol may be long.
func planText(name string) ([]byte, error) {
	if !looksLikeFile(name) {
		return protocols.Text(name)
	}
	file, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	return io.ReadAll(io.LimitReader(file, yamlread.MaxBytes+1))
}

func planErrors(errw io.Writer, plan *planFile, err error) error {
	if !errors.Is(err, errPlan) {
		return err
	}
	for _, fault := range plan.errs {
		fmt.Fprintln(errw, fault)
	}
	return errReported
}

func fileErrors(errs []error) []fileError {
	list := []fileError{}
	for _, err := range errs {
		var at *yamlread.Error
		if errors.As(err, &at) {
			list = append(list, fileError{at.Line, at.Col, at.Msg, at.Hint})
		}
	}
	return list
}

// needsOf lists what an estimator takes of a test: the roles of its inputs, or their ids where they have none.
func needsOf(e *estimate.Estimator) (needs []string) {
	if e == nil {
		return nil
	}
	return e.Needs()
}

func writeReport(out io.Writer, plan *planFile, r *prove.Report, counter string) error {
	var b strings.Builder
	for i, f := range r.Findings {
		fmt.Fprintf(&b, "%s: %v\n", plan.name, f)
		if i == 0 && counter != "" {
			fmt.Fprintf(&b, "  shown by %s: gradus replay %s --protocol %s\n", counter, counter, plan.name)
		}
	}
	fmt.Fprintf(&b, "%s %s: ", plan.p.ID, plan.p.Version)
	switch len(r.Findings) {
	case 0:
		b.WriteString("nothing was found against it.\n")
	case 1:
		b.WriteString("1 finding.\n")
	default:
		fmt.Fprintf(&b, "%d findings.\n", len(r.Findings))
	}
	fmt.Fprintf(&b, "  Explored: %d states by %d steps, by driving the conductor; %d of the ways into a stop left a stage that counts.\n", r.States, r.Steps, r.Completed)
	fmt.Fprintf(&b, "  Longest test: %v, of which %v until the stop.\n", r.Longest, r.LongestWork)
	var parts, missed []string
	for _, part := range r.Parts {
		if part.Reached {
			parts = append(parts, part.ID)
		} else {
			missed = append(missed, part.ID)
		}
	}
	fmt.Fprintf(&b, "  Parts reached: %s.\n", strings.Join(parts, ", "))
	if len(missed) > 0 {
		fmt.Fprintf(&b, "  Parts never reached: %s.\n", strings.Join(missed, ", "))
	}
	if len(r.Rows) > 0 {
		b.WriteString("  Heart rates of the branch (whole beats a minute, each tried):")
		for _, row := range r.Rows {
			fmt.Fprintf(&b, " %s %g to %g;", row.ID, row.From, row.To)
		}
		b.WriteString(" none is without a row, none has two.\n")
	}
	fmt.Fprintf(&b, "  Tried at every planned moment: %s.\n", strings.Join(r.Watched, "; "))
	_, err := io.WriteString(out, b.String())
	return err
}
