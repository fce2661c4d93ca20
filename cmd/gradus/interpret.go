package main

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"gradus/estimate/library"
	"gradus/interpret"
)

type interpretCmd struct {
	Value  float64 `name:"value" required:"" placeholder:"V" help:"Peak oxygen uptake, mL/kg/min."`
	SEE    float64 `name:"see" required:"" placeholder:"S" help:"Its standard error, mL/kg/min."`
	Age    float64 `name:"age" required:"" placeholder:"A" help:"Years."`
	Sex    string  `name:"sex" required:"" placeholder:"S" help:"female or male, as the tables are coded."`
	Mass   float64 `name:"mass" placeholder:"KG" help:"Body mass, kg: for L/min and percent of predicted."`
	Height float64 `name:"height" placeholder:"CM" help:"Height, cm: for more equations."`

	Reference string `name:"reference" placeholder:"ID" help:"Table; 'gradus references' lists them (${default_reference})."`
	Equation  string `name:"equation" placeholder:"ID" help:"Equation for percent of predicted (${default_equation})."`
	Estimator string `name:"estimator" default:"recumbent-stepper-2012" placeholder:"ID" help:"Where the value comes from; says what it predicts (${default})."`
	Measured  string `name:"measured" placeholder:"MODE" help:"The value was measured by gas exchange in a maximal test on this: treadmill, cycle, recumbent stepper."`

	RestHR      float64 `name:"rest-hr" placeholder:"BPM" help:"Resting heart rate."`
	RestSBP     float64 `name:"rest-sbp" placeholder:"MMHG" help:"Resting systolic pressure."`
	PeakHR      float64 `name:"peak-hr" placeholder:"BPM" help:"Highest heart rate of the test."`
	PeakSBP     float64 `name:"peak-sbp" placeholder:"MMHG" help:"Highest systolic pressure."`
	PeakDBP     float64 `name:"peak-dbp" placeholder:"MMHG" help:"Highest diastolic pressure."`
	HRAfter1    float64 `name:"hr-after-1" placeholder:"BPM" help:"Heart rate 1 min after the stop."`
	HRAfter2    float64 `name:"hr-after-2" placeholder:"BPM" help:"Heart rate 2 min after the stop."`
	EndMETs     float64 `name:"end-mets" placeholder:"METS" help:"METs of the last stage, where known."`
	Stop        string  `name:"stop" placeholder:"WORD" help:"How the test stopped: maximal, at-85 (percent of predicted maximal heart rate) or earlier."`
	Activity    string  `name:"recovery" placeholder:"WORD" help:"What came after the stop: none, walking or active."`
	Posture     string  `name:"posture" placeholder:"WORD" help:"Posture after the stop: sitting, supine, upright or left-side."`
	BetaBlocker bool    `name:"beta-blocker" help:"A beta-blocker is taken."`

	JSON bool `name:"json" help:"Print JSON."`
}

// Run says what a value means.
func (c *interpretCmd) Run(e *env) error {
	sex, err := sexAsCoded(c.Sex)
	if err != nil {
		return err
	}
	value := interpret.Value{VO2: c.Value, SEE: c.SEE}
	if err := c.origin(&value); err != nil {
		return err
	}
	body, err := c.body(value.Machine)
	if err != nil {
		return err
	}
	who := interpret.Person{Sex: sex, AgeYears: c.Age, MassKg: c.Mass, HeightCm: c.Height}
	report, err := interpret.Of(value, who, interpret.Choice{Reference: c.Reference, Equation: c.Equation}, body)
	if err != nil {
		return err
	}
	if c.JSON {
		return writeJSON(e.out, report)
	}
	return writeMeaning(e.out, report)
}

// sexAsCoded reads the sex as tables and formulas are coded.
func sexAsCoded(text string) (string, error) {
	switch strings.ToLower(strings.TrimSpace(text)) {
	case "female", "f", "woman":
		return "female", nil
	case "male", "m", "man":
		return "male", nil
	}
	return "", fmt.Errorf("sex: %q is neither female nor male, as the tables are coded", text)
}

// origin says what kind of maximal test the value stands for.
func (c *interpretCmd) origin(v *interpret.Value) error {
	if c.Measured != "" {
		v.Measured, v.Criterion = true, strings.ReplaceAll(c.Measured, "-", " ")
		v.Machine = v.Criterion
		if v.Criterion != "treadmill" && v.Criterion != "cycle" && v.Criterion != "recumbent stepper" {
			return usageError{fmt.Sprintf("--measured %q is not treadmill, cycle or recumbent-stepper", c.Measured)}
		}
		return nil
	}
	est, err := library.ByID(c.Estimator)
	if err != nil {
		return usageError{fmt.Sprintf("no estimator is called %q; 'gradus estimators' lists them", c.Estimator)}
	}
	if est.Outcome.Unit != "mL/kg/min" {
		return usageError{fmt.Sprintf("%s answers in %s; the tables take mL/kg/min", est.ID, est.Outcome.Unit)}
	}
	v.Criterion = est.Outcome.CriterionMode
	if strings.Contains(est.ID, "recumbent-stepper") {
		v.Machine = "recumbent stepper"
	}
	return nil
}

// body takes over what is known of heart rate and pressure.
func (c *interpretCmd) body(machine string) (interpret.Body, error) {
	b := interpret.Body{RestHR: c.RestHR, RestSBP: c.RestSBP, PeakHR: c.PeakHR, PeakSBP: c.PeakSBP, PeakDBP: c.PeakDBP,
		HRAfter1: c.HRAfter1, HRAfter2: c.HRAfter2, EndMETs: c.EndMETs, Mode: machine, BetaBlocker: c.BetaBlocker}
	for _, x := range []struct {
		flag      string
		v         float64
		low, high float64
	}{{"rest-hr", c.RestHR, 25, 200}, {"rest-sbp", c.RestSBP, 50, 300}, {"peak-hr", c.PeakHR, 25, 250}, {"peak-sbp", c.PeakSBP, 50, 320},
		{"peak-dbp", c.PeakDBP, 20, 200}, {"hr-after-1", c.HRAfter1, 25, 250}, {"hr-after-2", c.HRAfter2, 25, 250}, {"end-mets", c.EndMETs, 1, 30}} {
		if x.v != 0 && !(x.v >= x.low && x.v <= x.high) {
			return b, fmt.Errorf("%s: %g is not between %g and %g; check the entry", x.flag, x.v, x.low, x.high)
		}
	}
	var err error
	pick := func(flag, word string, to *string, words map[string]string) {
		full, ok := words[word]
		if !ok && err == nil {
			err = usageError{fmt.Sprintf("--%s %q is not known; see gradus interpret --help", flag, word)}
		}
		*to = full
	}
	pick("stop", c.Stop, &b.Stop, map[string]string{"": "", "maximal": interpret.StopMaximal, "at-85": interpret.StopAt85, "earlier": interpret.StopEarlier})
	pick("recovery", c.Activity, &b.Activity, map[string]string{"": "", "none": "none", "walking": "walking", "active": "active"})
	pick("posture", c.Posture, &b.Posture, map[string]string{"": "", "sitting": "sitting", "supine": "supine", "upright": "upright", "left-side": "lying on the left side"})
	return b, err
}

// writeMeaning prints a report so that it can be read aloud.
func writeMeaning(out io.Writer, r *interpret.Report) error {
	t := &telling{}
	t.say("", "Peak oxygen uptake %.1f mL/kg/min, 95 %% range %.1f to %.1f (%s of %g years).", r.Value, r.Low95, r.High95, sexWord(r.Sex), r.AgeYears)
	t.say("", "%s", amounts(r))
	t.gap()
	tellPlace(t, r)
	t.gap()
	tellExpected(t, r)
	t.gap()
	tellFunction(t, r)
	if len(r.Findings) > 0 {
		t.gap()
		t.say("", "Heart rate and pressure:")
		for _, f := range r.Findings {
			t.say("  ", "  %s %s: %s. %s.", f.What, quantity(f.Value, f.Unit), f.Verdict, upperFirst(f.Why))
		}
	}
	t.gap()
	for _, c := range r.Cautions {
		t.say("", "Caution: %s.", c.Text)
	}
	t.say("", "Source of the table: %s", r.Table.Source)
	return t.to(out)
}

func quantity(v float64, unit string) string {
	if unit == "ratio" {
		return fmt.Sprintf("%.2f", v)
	}
	return strconv.FormatFloat(math.Round(10*v)/10, 'f', -1, 64) + " " + unit
}

func upperFirst(text string) string {
	if text == "" {
		return text
	}
	return strings.ToUpper(text[:1]) + text[1:]
}

func sexWord(sex string) string {
	if sex == "female" {
		return "woman"
	}
	return "man"
}

func amounts(r *interpret.Report) string {
	text := fmt.Sprintf("That is %.1f METs (%.1f to %.1f)", r.METs, r.METsLow95, r.METsHigh95)
	if r.LPerMin != nil {
		text += fmt.Sprintf(", %.2f L/min (%.2f to %.2f)", *r.LPerMin, *r.LPerMinLow95, *r.LPerMinHigh95)
	}
	return text + "."
}

func tellPlace(t *telling, r *interpret.Report) {
	if r.Percentile == nil {
		t.say("", "No percentile from %s.", r.Table.Title)
	} else {
		t.say("", "Percentile %s in the %s (%s, %s, %s years, n = %d): %s.", r.Percentile.Text, r.Table.Title, r.Table.Mode, plural(r.Sex), r.Table.Ages, r.Table.BlockN, r.Table.Why)
	}
	if len(r.Classes) > 0 {
		t.say("", "Chance that the true value lies in each band:")
		for _, c := range r.Classes {
			t.say("  ", "  %-15s %10s%s", c.Name, chance(c.Probability), limitsOf(&c))
		}
	}
	for _, b := range r.Beside {
		text := fmt.Sprintf("Beside it, %s (%s, %s years): ", b.Title, b.Mode, b.Ages)
		switch {
		case b.Percentile != nil:
			text += "percentile " + b.Percentile.Text
		case b.Difference != nil && b.Kind == interpret.Means:
			text += fmt.Sprintf("mean %.1f, so %+.1f", *b.Centre, *b.Difference)
		case b.Difference != nil:
			text += fmt.Sprintf("median %.1f, so %+.1f", *b.Centre, *b.Difference)
		default:
			text += "lower bounds of bands only"
		}
		t.say("  ", "%s.", text)
	}
}

func plural(sex string) string {
	if sex == "female" {
		return "women"
	}
	return "men"
}

func limitsOf(c *interpret.Class) string {
	switch {
	case c.Low == nil && c.High != nil:
		return fmt.Sprintf("   below %.1f", *c.High)
	case c.High == nil && c.Low != nil:
		return fmt.Sprintf("   %.1f and above", *c.Low)
	case c.Low != nil:
		return fmt.Sprintf("   %.1f to %.1f", *c.Low, *c.High)
	}
	return ""
}

func tellExpected(t *telling, r *interpret.Report) {
	for _, x := range r.Expected {
		if x.Chosen {
			t.say("", "%.0f %% (%.0f to %.0f) of the %.1f that the %s predicts.", x.Percent, x.Low95, x.High95, x.Predicted, x.Title)
		}
	}
	var others []string
	for _, x := range r.Expected {
		if !x.Chosen {
			others = append(others, fmt.Sprintf("%.0f %% of %.1f (%s)", x.Percent, x.Predicted, x.Title))
		}
	}
	if len(others) > 0 {
		t.say("  ", "Other equations: %s.", strings.Join(others, "; "))
	}
	if l := r.LowerLimit; l != nil {
		t.say("", "Lower limit of normal %.1f (%s): chance of lying below it %s.", l.Value, l.From, chance(l.Below))
	}
}

func tellFunction(t *telling, r *interpret.Report) {
	for _, x := range r.Thresholds {
		if x.Below != nil {
			t.say("  ", "%s %s (%s): chance of lying below it %s.", upperFirst(x.Text), x.Printed, x.Population, chance(*x.Below))
		}
	}
	t.gap()
	t.say("", "What daily tasks cost of this capacity (range for both ends of the value's range):")
	for _, group := range byCost(r.Tasks) {
		x := group[0]
		var names []string
		for _, g := range group {
			names = append(names, lowerFirst(g.Activity))
		}
		long := ""
		if x.Long {
			long = " (hard to keep up for hours)"
		}
		t.say("        ", "  %.0f %% (%.0f to %.0f)%s: %s.", x.SharePct, x.ShareLow, x.ShareHigh, long, strings.Join(names, "; "))
	}
}

// byCost puts tasks of equal cost together, the lightest first.
func byCost(tasks []interpret.Task) (groups [][]interpret.Task) {
	tasks = slices.Clone(tasks)
	slices.SortStableFunc(tasks, func(a, b interpret.Task) int { return cmp.Compare(a.METs, b.METs) })
	for _, x := range tasks {
		if n := len(groups); n > 0 && groups[n-1][0].METs == x.METs {
			groups[n-1] = append(groups[n-1], x)
		} else {
			groups = append(groups, []interpret.Task{x})
		}
	}
	return groups
}

func lowerFirst(text string) string {
	if text == "" {
		return text
	}
	return strings.ToLower(text[:1]) + text[1:]
}

// chance is a probability for a reader; nothing is impossible or certain here.
func chance(p float64) string {
	switch {
	case p < 0.005:
		return "below 1 %"
	case p > 0.995:
		return "above 99 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}
