package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"gradus/estimate"
	"gradus/estimate/library"
)

type estimatorsCmd struct {
	JSON bool `name:"json" help:"Print JSON."`
}

// Run lists the shipped estimators.
func (c *estimatorsCmd) Run(e *env) error {
	all, err := library.All()
	if err != nil {
		return err
	}
	if c.JSON {
		return writeJSON(e.out, listed(all))
	}
	for i, est := range all {
		if i > 0 {
			fmt.Fprintln(e.out)
		}
		writeEstimator(e.out, est)
	}
	return nil
}

type listedEstimator struct {
	ID         string                 `json:"id"`
	Title      string                 `json:"title"`
	What       string                 `json:"what"`
	Unit       string                 `json:"unit"`
	Criterion  string                 `json:"criterion_mode"`
	Inputs     []listedInput          `json:"inputs"`
	Terms      []estimate.Term        `json:"terms"`
	Formula    *estimate.Paper        `json:"formula"`
	Error      estimate.Error         `json:"error"`
	Half95     float64                `json:"half95"` // half the width of the 95 % interval
	Population string                 `json:"population"`
	Source     string                 `json:"source"`
	Provenance string                 `json:"provenance"`
	Verified   *estimate.Verification `json:"verification"`
}

type listedInput struct {
	Name      string             `json:"name"`
	Label     string             `json:"label"`
	Unit      string             `json:"unit"`
	Coding    map[string]float64 `json:"coding"`    // for words, else null
	Plausible *estimate.Range    `json:"plausible"` // outside is an error
	Domain    *estimate.Range    `json:"domain"`    // outside is a caution
	Note      string             `json:"note,omitempty"`
}

func listed(all []*estimate.Estimator) []listedEstimator {
	list := make([]listedEstimator, 0, len(all))
	for _, e := range all {
		l := listedEstimator{e.ID, e.Title, e.Outcome.What, e.Outcome.Unit, e.Outcome.CriterionMode, nil, append([]estimate.Term{}, e.Terms...),
			e.Formula, e.Error, e.Half95(), e.Population, e.Source, e.Provenance, e.Verification}
		for _, in := range e.Inputs {
			li := listedInput{Name: in.ID, Label: in.Label, Unit: in.Unit, Plausible: in.Plausible, Domain: in.Domain, Note: in.Note}
			for _, c := range in.Codes {
				if li.Coding == nil {
					li.Coding = map[string]float64{}
				}
				li.Coding[c.Word] = c.Value
			}
			l.Inputs = append(l.Inputs, li)
		}
		list = append(list, l)
	}
	return list
}

func writeEstimator(out io.Writer, e *estimate.Estimator) {
	fmt.Fprintf(out, "%s\n  %s\n", e.ID, e.Title)
	fmt.Fprintf(out, "  Predicts: %s in %s, as measured on a %s\n", e.Outcome.What, e.Outcome.Unit, e.Outcome.CriterionMode)
	fmt.Fprintln(out, "  Inputs:")
	for _, in := range e.Inputs {
		fmt.Fprintf(out, "    %-12s %s, %s%s\n", in.ID, in.Label, in.Unit, coding(in))
	}
	fmt.Fprintf(out, "  Equation: %s\n", equation(e))
	fmt.Fprintf(out, "  Error: SEE %g %s (%s; n = %g); 95 %% interval +/- %.1f\n", e.Error.SEE, e.Outcome.Unit, e.Error.Kind, e.Error.N, e.Half95())
	fmt.Fprintf(out, "  Made from: %s\n", e.Population)
	if e.Unverified() {
		fmt.Fprintln(out, "  Caution: coefficients not verified against the paper")
	}
	fmt.Fprintf(out, "  Source: %s\n", e.Source)
}

func coding(in estimate.Input) string {
	if len(in.Codes) > 0 {
		var parts []string
		for _, c := range in.Codes {
			parts = append(parts, fmt.Sprintf("%s = %g", c.Word, c.Value))
		}
		return " (" + strings.Join(parts, ", ") + ")"
	}
	if in.Domain != nil {
		return fmt.Sprintf(" (%g to %g; outside is a caution)", in.Domain.From, in.Domain.To)
	}
	return ""
}

func equation(e *estimate.Estimator) string {
	if e.Formula != nil {
		return e.Formula.Text
	}
	var b strings.Builder
	for i, t := range e.Terms {
		sign, size := "+", t.Coefficient
		if size < 0 {
			sign, size = "-", -size
		}
		switch {
		case i > 0:
			fmt.Fprintf(&b, " %s ", sign)
		case sign == "-":
			b.WriteString("-")
		}
		fmt.Fprintf(&b, "%g", size)
		if t.Input != "" {
			fmt.Fprintf(&b, " %s", t.Input)
		}
	}
	return b.String()
}

func writeJSON(out io.Writer, v any) error {
	enc := json.NewEncoder(out)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}
