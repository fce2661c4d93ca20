package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"gradus/estimate"
	"gradus/physiology"
)

// fact is something about a test that an estimate takes into account although it is no input of the equation.
// The names are those of the data sheets.
type fact struct {
	name string
	set  func(about *estimate.Context, text string) error
}

var facts = []fact{
	{"rate_limiting_drug", func(c *estimate.Context, text string) error { c.Drug = text; return nil }},
	{"rhythm", func(c *estimate.Context, text string) error { c.Rhythm = text; return nil }},
	{"hr_method", setMethod},
	{"end_point_bpm", func(c *estimate.Context, text string) error { return setNumber(&c.EndPointBPM, text, 30, 250) }},
	{"end_point_percent", setPercent},
	{"max_hr_bpm", func(c *estimate.Context, text string) error { return setNumber(&c.MaxHRBPM, text, 60, 250) }},
	{"max_hr_formula", setFormula},
	{"rest_hr_bpm", func(c *estimate.Context, text string) error { return setNumber(&c.RestBPM, text, 25, 200) }},
	{"target_cadence_per_min", func(c *estimate.Context, text string) error { return setNumber(&c.CadenceTarget, text, 10, 250) }},
	{"cadence_per_min", func(c *estimate.Context, text string) error { return setNumber(&c.CadenceObserved, text, 1, 250) }},
	{"unfinished_stage", func(c *estimate.Context, text string) error { return setYes(&c.Unfinished, text) }},
	{"unsteady_stage", func(c *estimate.Context, text string) error { return setYes(&c.Unsteady, text) }},
}

func factNamed(name string) *fact {
	for i := range facts {
		if facts[i].name == name {
			return &facts[i]
		}
	}
	return nil
}

func factNames() string {
	names := make([]string, len(facts))
	for i, f := range facts {
		names[i] = f.name
	}
	return strings.Join(names, ", ")
}

func setMethod(c *estimate.Context, text string) error {
	switch text {
	case "", "strap", "optical", "ecg", "palpated-10s", "palpated-15s", "palpated-30s":
		c.HRMethod = text
		return nil
	}
	return fmt.Errorf("%q is not known; write strap, optical, ecg, palpated-10s, palpated-15s or palpated-30s", text)
}

func setPercent(c *estimate.Context, text string) error {
	if text == "" {
		return nil
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 30 || n > 100 {
		return fmt.Errorf("%q is not a whole percentage from 30 to 100", text)
	}
	c.EndPointPercent = n
	return nil
}

func setFormula(c *estimate.Context, text string) error {
	if _, known := physiology.FormulaFor(text); text != "" && !known {
		return fmt.Errorf("%q is not known; write for example 220-age or 208-0.7age", text)
	}
	c.MaxHRFormula = text
	return nil
}

func setNumber(to *float64, text string, low, high float64) error {
	if text == "" {
		return nil
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || v < low || v > high {
		return fmt.Errorf("%q is not a number from %g to %g; check the entry", text, low, high)
	}
	*to = v
	return nil
}

func setYes(to *bool, text string) error {
	switch strings.ToLower(text) {
	case "yes":
		*to = true
	case "", "no":
	default:
		return fmt.Errorf("%q is neither yes nor no", text)
	}
	return nil
}
