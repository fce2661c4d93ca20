package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"strings"

	"gradus/screen"
)

type screenCmd struct {
	File     string `arg:"" optional:"" placeholder:"FILE.json" help:"Answers of a visit, or - for standard input."`
	Policy   string `placeholder:"FILE" help:"The site's policy."`
	JSON     bool   `name:"json" help:"Print JSON."`
	Template bool   `help:"Print a file of answers to fill in, with explanations."`
	Rules    bool   `help:"List every rule with its source, and the choices where sources disagree."`
}

// Help ends the help text of the command with an example.
func (c *screenCmd) Help() string {
	return "Example:\n  gradus screen --template > visit.json   (fill it in)\n  gradus screen visit.json\n\n" +
		"The outcome is go, go with cautions, pause and ask, or do not test. The exit code says only whether the file could be read."
}

// Run says whether a person may be tested today, and why not.
func (c *screenCmd) Run(e *env) error {
	if modes := count(c.Template, c.Rules, c.File != ""); modes != 1 {
		return usageError{"screen: give a file of answers, --template or --rules"}
	}
	if c.Template {
		if c.JSON || c.Policy != "" {
			return usageError{"screen: --template goes alone"}
		}
		_, err := e.out.Write(screen.Template())
		return err
	}
	site, err := siteOf(e, c.Policy)
	if err != nil {
		return err
	}
	if c.Rules {
		return c.rules(e, site)
	}
	data, err := readInput(e, c.File)
	if err != nil {
		return err
	}
	answers, errs := screen.Read(c.File, data)
	if len(errs) > 0 {
		return reportAll(e, errs)
	}
	result := site.Judge(answers)
	if c.JSON {
		return writeJSON(e.out, result)
	}
	return writeScreening(e.out, result)
}

// siteOf reads a site's policy, or takes the shipped rules where none is named.
func siteOf(e *env, policy string) (*screen.Site, error) {
	if policy == "" {
		return screen.Default(), nil
	}
	data, err := os.ReadFile(policy)
	if err != nil {
		return nil, fmt.Errorf("%w; check the name of the policy", err)
	}
	site, errs := screen.ReadPolicy(policy, data)
	if len(errs) > 0 {
		return nil, reportAll(e, errs)
	}
	return site, nil
}

func readInput(e *env, name string) ([]byte, error) {
	if name == "-" {
		return io.ReadAll(io.LimitReader(e.in, screen.MaxBytes+1))
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, fmt.Errorf("%w; check the name of the file", err)
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, screen.MaxBytes+1))
}

func reportAll(e *env, errs []error) error {
	for _, err := range errs {
		fmt.Fprintln(e.err, err)
	}
	return errReported
}

func count(flags ...bool) (n int) {
	for _, f := range flags {
		if f {
			n++
		}
	}
	return n
}

// rules prints the rules in force.
func (c *screenCmd) rules(e *env, site *screen.Site) error {
	tables := screen.Shipped()
	if c.JSON {
		return writeJSON(e.out, struct {
			Rules   []screen.Rule   `json:"rules"`
			Choices []screen.Choice `json:"choices"`
			Sources []screen.Source `json:"sources"`
		}{site.Rules(), tables.Choices, tables.Sources})
	}
	var b bytes.Buffer
	for _, r := range site.Rules() {
		fmt.Fprintf(&b, "%s: %s\n    %s; %s\n    source: %s (%s)\n", r.ID, r.Does, r.Text, r.Lift.Words(), r.Source, r.How)
	}
	b.WriteString("\nChoices where sources disagree; the first is in force:\n")
	for _, choice := range tables.Choices {
		fmt.Fprintf(&b, "%s: %s\n", choice.ID, choice.About)
		for _, o := range choice.Options {
			fmt.Fprintf(&b, "    %s: %s (%s)\n", o.ID, o.Text, o.Source)
		}
	}
	_, err := e.out.Write(b.Bytes())
	return err
}

// writeScreening prints a screening for people.
func writeScreening(w io.Writer, r screen.Result) error {
	var b strings.Builder
	fmt.Fprintf(&b, "Outcome: %s\n", r.Outcome)
	if r.Outcome.Blocks() {
		switch r.Overridable {
		case true:
			b.WriteString("The clinician may go on with a reason and a name for each point below.\n")
		case false:
			b.WriteString("The clinician alone may not go on; what is needed stands below.\n")
		}
	}
	last := screen.Outcome("")
	for _, reason := range r.Reasons {
		if reason.Outcome != last {
			last = reason.Outcome
			fmt.Fprintf(&b, "\n%s\n", heading(last))
		}
		writeReason(&b, reason)
	}
	fmt.Fprintf(&b, "\nHeart rate: %s\n", heartRateWords(r.HeartRate))
	for _, why := range r.HeartRate.Why {
		fmt.Fprintf(&b, "  %s\n", why)
	}
	for _, line := range r.NotTaken {
		fmt.Fprintf(&b, "\nNot taken: %s\n", line)
	}
	if r.Policy != nil {
		fmt.Fprintf(&b, "\nSite policy by %s, %s\n", r.Policy.Author, r.Policy.Date)
		for _, line := range r.Policy.Looser {
			fmt.Fprintf(&b, "  looser than the shipped limits: %s\n", line)
		}
	}
	b.WriteString("\nIt informs; the clinician decides.\n")
	_, err := io.WriteString(w, b.String())
	return err
}

func heading(o screen.Outcome) string {
	switch o {
	case screen.DoNotTest:
		return "Do not test"
	case screen.PauseAndAsk:
		return "Pause and ask"
	case screen.GoWithCautions:
		return "Cautions"
	}
	return "Notes"
}

func writeReason(b *strings.Builder, r screen.Reason) {
	fmt.Fprintf(b, "  %s  %s\n", r.ID, r.Said())
	switch {
	case r.Outcome.Blocks():
		fmt.Fprintf(b, "      needed: %s\n", r.Needed)
		fmt.Fprintf(b, "      decides: %s (%s)\n", r.Decides, r.Lift.Words())
	case r.Needed != "" && r.Lifted == "":
		fmt.Fprintf(b, "      to do: %s\n", r.Needed)
	}
	if r.Lifted != "" {
		fmt.Fprintf(b, "      was %s; %s\n", r.Was, r.Lifted)
	}
	fmt.Fprintf(b, "      source: %s (%s)\n", r.Source, r.How)
	for _, p := range r.Also {
		fmt.Fprintf(b, "      also in print: %s (%s)\n", p.Text, p.Source)
	}
	if r.Note != "" {
		fmt.Fprintf(b, "      note: %s\n", r.Note)
	}
}

func heartRateWords(h screen.HeartRate) string {
	leads := "may lead the test"
	if !h.Leads {
		leads = "cannot lead the test"
	}
	return leads + "; an estimate from it: " + h.Estimate
}
