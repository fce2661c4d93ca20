package main

import (
	"errors"
	"fmt"
	"os"
	"strings"

	"gradus/conduct"
	"gradus/estimate"
	estimators "gradus/estimate/library"
	"gradus/internal/eventfile"
	"gradus/internal/verified"
	"gradus/protocol"
)

type replayCmd struct {
	File     string `arg:"" name:"file" placeholder:"FILE.jsonl" help:"Events of one test, one a line; - reads them from standard input."`
	Protocol string `name:"protocol" placeholder:"ID" help:"The protocol, an id or a file; else the one that the test names."`
	At       string `name:"at" placeholder:"M:SS" help:"Moment of the instruction; else that of the last event."`
	Records  string `name:"verified" type:"path" placeholder:"DIR" help:"Records of comparisons with the papers: the folder verified that 'gradus files --to' writes."`
	JSON     bool   `name:"json" help:"Print JSON."`
}

// replayed is a test made from its events.
type replayed struct {
	list    *eventfile.List
	plan    *planFile
	state   conduct.State
	refused []conduct.Refused
	at      protocol.Ms
	next    conduct.Instruction
	verdict estimate.Assessment
}

// Run replays a test to its state and result.
func (c *replayCmd) Run(e *env) error {
	at := protocol.Ms(-1)
	if c.At != "" {
		if err := at.UnmarshalText([]byte(c.At)); err != nil {
			return usageError{fmt.Sprintf("--at: %v", err)}
		}
	}
	list, err := readEvents(e, c.File)
	if err != nil {
		return err
	}
	plan, err := c.plan(list)
	if err != nil {
		return planErrors(e.err, plan, err)
	}
	r := &replayed{list: list, plan: plan, at: at}
	if r.state, r.refused, err = conduct.Replay(plan.p, list.Events); err != nil {
		return fmt.Errorf("%s: %w", placeOf(c.File, list, err), err)
	}
	for _, no := range r.refused {
		fmt.Fprintf(e.err, "%s:%d:1: %v\n", c.File, list.Lines[no.Index], no.Err)
	}
	if r.at < 0 {
		r.at = r.state.Now
	}
	r.next = conduct.Next(plan.p, &r.state, r.at)
	beside, err := estimators.WithExpectations(plan.e, &r.state.In)
	if err != nil {
		return err
	}
	if faults := verified.Folder(c.Records).Apply(beside); len(faults) > 0 {
		return faults[0]
	}
	r.verdict = estimate.Assess(plan.p, &r.state, beside)
	if c.JSON {
		err = writeJSON(e.out, r.json())
	} else {
		err = r.write(e.out)
	}
	if err == nil && len(r.refused) > 0 {
		return errReported
	}
	return err
}

// placeOf is the file, with the line of the event before which others are missing.
func placeOf(name string, list *eventfile.List, err error) string {
	var gap *conduct.GapError
	if !errors.As(err, &gap) {
		return name
	}
	for i := range list.Events {
		if list.Events[i].ID() == gap.Got {
			return fmt.Sprintf("%s:%d:1", name, list.Lines[i])
		}
	}
	return name
}

func readEvents(e *env, name string) (*eventfile.List, error) {
	from := e.in
	if name != "-" {
		file, err := os.Open(name)
		if err != nil {
			return nil, err
		}
		defer file.Close()
		from = file
	}
	list, faults := eventfile.Read(name, from)
	for _, fault := range faults {
		fmt.Fprintln(e.err, fault)
	}
	if len(faults) > 0 {
		return nil, errReported
	}
	return list, nil
}

// plan reads the protocol that the test was run by, and refuses another version of it.
func (c *replayCmd) plan(list *eventfile.List) (*planFile, error) {
	began := list.Began()
	if began == nil {
		return &planFile{}, fmt.Errorf("%s: no event began; a test begins with it", c.File)
	}
	name := c.Protocol
	if name == "" {
		if looksLikeFile(began.Protocol) {
			return &planFile{}, fmt.Errorf("%s: the test names the protocol %q, which is no id; give it with --protocol", c.File, began.Protocol)
		}
		name = began.Protocol
	}
	plan, err := readPlan(name)
	if err != nil {
		return plan, err
	}
	if p := plan.p; began.Protocol != p.ID || began.Hash != "" && began.Hash != p.Hash {
		return plan, fmt.Errorf("%s: the test was run by protocol %s %s (hash %.12s), but here is %s %s (hash %.12s); give its file with --protocol",
			c.File, began.Protocol, began.Version, orNone(began.Hash), p.ID, p.Version, p.Hash)
	}
	return plan, nil
}

func orNone(text string) string {
	if text == "" {
		return "none"
	}
	return text
}

// eventLine says an event in one line.
func eventLine(e *conduct.Event) string {
	parts := []string{e.Kind.String()}
	add := func(is bool, format string, args ...any) {
		if is {
			parts = append(parts, fmt.Sprintf(format, args...))
		}
	}
	add(e.What != protocol.NoQuantity, "%s", strings.ReplaceAll(e.What.String(), "_", " "))
	add(!e.Ref.IsZero(), "of event %v", e.Ref)
	add(e.Code != "", "%s", e.Code)
	add(e.Word != "", "%s", e.Word)
	switch {
	case e.V2 != 0 && e.What == protocol.BloodPressure:
		add(true, "%g/%g", e.V, e.V2)
	case e.V2 != 0:
		add(true, "%g, %g", e.V, e.V2)
	default:
		add(e.V != 0, "%g", e.V)
	}
	add(e.Ago > 0, "(of %v before)", e.Ago)
	add(e.By != "", "by %s", e.By)
	add(e.Text != "", "%q", e.Text)
	return strings.Join(parts, " ")
}
