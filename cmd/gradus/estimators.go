package main

import (
	"encoding/json"
	"fmt"
	"io"

	"gradus/estimate"
	"gradus/estimate/library"
	"gradus/internal/aloud"
	"gradus/internal/verified"
)

type estimatorsCmd struct {
	IDs []string `arg:"" optional:"" name:"id" help:"Estimators to explain; all without one."`

	JSON    bool   `name:"json" help:"Print JSON."`
	Records string `name:"verified" type:"path" placeholder:"DIR" help:"Records of comparisons with the papers: the folder verified that 'gradus files --to' writes."`
	Brief   bool   `name:"brief" help:"One line each: id, unit and title."`
}

// Run lists the shipped estimators.
func (c *estimatorsCmd) Run(e *env) error {
	all, err := c.wanted()
	if err != nil {
		return err
	}
	for _, est := range all {
		if faults := verified.Folder(c.Records).Apply(est); len(faults) > 0 {
			return faults[0]
		}
	}
	if c.JSON {
		return writeJSON(e.out, listed(all))
	}
	if c.Brief {
		for _, est := range all {
			fmt.Fprintf(e.out, "%-26s %-10s %s\n", est.ID, est.Outcome.Unit, est.Title)
		}
		return nil
	}
	for i, est := range all {
		if i > 0 {
			fmt.Fprintln(e.out)
		}
		if _, err := io.WriteString(e.out, aloud.Estimator(est)); err != nil {
			return err
		}
	}
	return nil
}

func (c *estimatorsCmd) wanted() ([]*estimate.Estimator, error) {
	if len(c.IDs) == 0 {
		return library.All()
	}
	var all []*estimate.Estimator
	for _, id := range c.IDs {
		e, err := findEstimator(id)
		if err != nil {
			return nil, err
		}
		all = append(all, e)
	}
	return all, nil
}

type listedEstimator struct {
	ID         string                 `json:"id"`
	Title      string                 `json:"title"`
	Test       string                 `json:"test"` // submaximal, maximal, none, group or step
	For        string                 `json:"for"`  // women, men or both
	What       string                 `json:"what"`
	Unit       string                 `json:"unit"`
	Criterion  string                 `json:"criterion_mode"`
	Inputs     []listedInput          `json:"inputs"`
	Terms      []estimate.Term        `json:"terms"`
	Formula    *estimate.Paper        `json:"formula"`
	Error      estimate.Error         `json:"error"`
	Tables     []estimate.Table       `json:"tables,omitempty"`
	Require    []estimate.Must        `json:"require,omitempty"`
	Line       *estimate.Extrapolate  `json:"extrapolate,omitempty"`
	Normal     *estimate.Normal       `json:"lower_limit_of_normal,omitempty"`
	Half95     estimate.Number        `json:"half95"` // half the width of the 95 % interval; null when it is not one number
	Example    string                 `json:"example"`
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
	Also      []estimate.Other   `json:"also"`      // other names, with their units and factors
	Plausible *estimate.Range    `json:"plausible"` // outside is an error
	Domain    *estimate.Range    `json:"domain"`    // outside is a caution
	Note      string             `json:"note,omitempty"`
}

func listed(all []*estimate.Estimator) []listedEstimator {
	list := make([]listedEstimator, 0, len(all))
	for _, e := range all {
		l := listedEstimator{ID: e.ID, Title: e.Title, Test: or(e.Test, "submaximal"), For: or(e.For, "both"), What: e.Outcome.What, Unit: e.Outcome.Unit,
			Criterion: e.Outcome.CriterionMode, Terms: append([]estimate.Term{}, e.Terms...), Formula: e.Formula, Error: e.Error, Tables: e.Tables,
			Require: e.Require, Line: e.Extrapolate, Normal: e.Normal, Half95: estimate.Number(e.Half95()), Example: aloud.Example(e),
			Population: e.Population, Source: e.Source, Provenance: e.Provenance, Verified: e.Verification}
		for _, in := range e.Inputs {
			li := listedInput{Name: in.ID, Label: in.Label, Unit: in.Unit, Also: append([]estimate.Other{}, in.Also...), Plausible: in.Plausible, Domain: in.Domain, Note: in.Note}
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

func writeJSON(out io.Writer, v any) error {
	enc := json.NewEncoder(out)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}

func or(a, b string) string {
	if a != "" {
		return a
	}
	return b
}
