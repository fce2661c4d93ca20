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
	IDs []string `arg:"" optional:"" name:"id" help:"Estimators to explain; all without one."`

	JSON  bool `name:"json" help:"Print JSON."`
	Brief bool `name:"brief" help:"One line each: id, unit and title."`
}

// Run lists the shipped estimators.
func (c *estimatorsCmd) Run(e *env) error {
	all, err := c.wanted()
	if err != nil {
		return err
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
		writeEstimator(e.out, est)
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
			Require: e.Require, Line: e.Extrapolate, Normal: e.Normal, Half95: estimate.Number(e.Half95()), Example: example(e),
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

func writeEstimator(out io.Writer, e *estimate.Estimator) {
	fmt.Fprintf(out, "%s\n  %s\n", e.ID, e.Title)
	fmt.Fprintf(out, "  Gives: %s in %s", e.Outcome.What, e.Outcome.Unit)
	if strings.HasPrefix(e.Outcome.What, "VO2") && e.Outcome.CriterionMode != "not stated" {
		fmt.Fprintf(out, ", as measured with: %s", e.Outcome.CriterionMode)
	}
	if e.For != "" {
		fmt.Fprintf(out, "; for %s only", e.For)
	}
	if kind := testKinds[e.Test]; kind != "" {
		fmt.Fprintf(out, "; %s", kind)
	}
	fmt.Fprintln(out, "\n  Inputs:")
	for _, in := range e.Inputs {
		fmt.Fprintf(out, "    %-12s %s, %s%s\n", in.ID, in.Label, in.Unit, coding(in))
		for _, o := range in.Also {
			fmt.Fprintf(out, "      or %s\n", otherText(&in, &o))
		}
		if in.Role == "bmi" && e.RoleAt("mass") < 0 && e.RoleAt("height") < 0 {
			fmt.Fprintln(out, "      or mass_kg and height_cm together, from which it is computed")
		}
		if in.Note != "" {
			fmt.Fprintf(out, "      %s\n", in.Note)
		}
	}
	fmt.Fprintf(out, "  Equation: %s\n", equation(e))
	for _, t := range e.Tables {
		fmt.Fprintf(out, "  Table %s, %s by %s: %s; straight lines between, below: %s, above: %s\n", t.ID, t.YUnit, t.XUnit, pointsText(t.Points), t.Below, t.Above)
	}
	if x := e.Extrapolate; x != nil {
		fmt.Fprintf(out, "  The equation is that of one stage; heart rate on it over the stages, extended to maximal heart rate: %s\n", lineText(x))
		fmt.Fprintln(out, "  Stages are given as lists: work_w=75,100 hr_bpm=118,131; a value that is the same in all stages once")
	}
	for _, m := range e.Require {
		fmt.Fprintf(out, "  Refused unless %s\n", m.That)
	}
	fmt.Fprintf(out, "  Error: %s\n", errorText(e))
	if e.Normal != nil {
		fmt.Fprintf(out, "  Lower limit of normal: the value minus %g %s", e.Normal.Minus, e.Outcome.Unit)
		if e.Normal.Women > 0 {
			fmt.Fprintf(out, " (women: minus %g)", e.Normal.Women)
		}
		fmt.Fprintln(out)
	}
	fmt.Fprintf(out, "  Made from: %s\n", e.Population)
	if e.Unverified() {
		fmt.Fprintln(out, "  Caution: coefficients not verified against the paper")
	}
	fmt.Fprintf(out, "  Source: %s\n", e.Source)
	fmt.Fprintf(out, "  Known how: %s\n", e.Provenance)
	fmt.Fprintf(out, "  Example: %s\n", example(e))
}

var testKinds = map[string]string{"maximal": "of a test to exhaustion", "none": "without exercise, an expectation only", "group": "of a group, never of one person",
	"step": "a step of a calculation or a reference value"}

// otherText explains another name of an input with its factor.
func otherText(in *estimate.Input, o *estimate.Other) string {
	switch {
	case o.Word != "":
		return fmt.Sprintf("%s=1 for %s, %s=0 for the other", o.Name, o.Word, o.Name)
	case o.Times == 0 && o.Per == 0:
		return fmt.Sprintf("%s, the same in %s", o.Name, o.Unit)
	}
	text := fmt.Sprintf("%s in %s", o.Name, o.Unit)
	if o.Times != 0 {
		text += fmt.Sprintf(", times %g", o.Times)
	}
	if o.Per != 0 {
		text += fmt.Sprintf(", divided by %g", o.Per)
	}
	return text + " (" + o.Note + ")"
}

func errorText(e *estimate.Estimator) string {
	r := &e.Error
	switch {
	case r.None != "" && e.Extrapolate != nil:
		return r.None
	case r.None != "":
		return "none: " + r.None
	case r.Percent > 0:
		return fmt.Sprintf("%g %% of the value (%s)", r.Percent, r.Kind)
	case r.N == 0:
		return fmt.Sprintf("SEE %g %s (%s; n not known); 95 %% interval +/- %.*f", r.SEE, e.Outcome.Unit, r.Kind, decimals(e.Outcome.Unit), e.Half95())
	}
	return fmt.Sprintf("SEE %g %s (%s; n = %g); 95 %% interval +/- %.*f", r.SEE, e.Outcome.Unit, r.Kind, r.N, decimals(e.Outcome.Unit), e.Half95())
}

func pointsText(points []estimate.Knot) string {
	parts := make([]string, len(points))
	for i, p := range points {
		parts[i] = fmt.Sprintf("%g: %g", p.X, p.Y)
	}
	return strings.Join(parts, ", ")
}

// example is a command that can be run, with a value inside the range of each input.
func example(e *estimate.Estimator) string {
	text := "gradus estimate " + e.ID
	for i := range e.Inputs {
		value := exampleValue(&e.Inputs[i])
		if list := exampleStages[e.Inputs[i].ID]; e.Extrapolate != nil && list != "" {
			value = list
			if e.RoleAt("stage-vo2") >= 0 && e.Inputs[i].Role == "heart-rate" {
				value = "120,140"
			}
		}
		text += " " + e.Inputs[i].ID + "=" + value
	}
	return text
}

// exampleStages are values of the stages of one test, for a line over stages.
var exampleStages = map[string]string{"work_kgm_min": "450,600,750", "hr_bpm": "118,131,144", "speed_m_min": "60,80,100", "grade_fraction": "0.02,0.03,0.04",
	"step_rate_per_min": "15,20,25", "stage_vo2": "23.3,31.4"}

// exampleValues are ordinary values of the inputs that several equations take, so that the example means something.
var exampleValues = map[string]string{"age_years": "45", "mass_kg": "75", "mass_lb": "165", "height_cm": "172", "height_m": "1.72", "bmi": "26", "hr_bpm": "132", "rest_hr_bpm": "68",
	"time_min": "14.5", "speed_mph": "3.4", "speed_m_min": "90", "grade_fraction": "0.05", "work_kgm_min": "600", "work_w": "100", "distance_m": "480", "vo2_l_min": "1.5",
	"nomogram_l_min": "3", "last_stage_vo2": "30", "hr1_bpm": "115", "hr2_bpm": "135", "max_hr_bpm": "175", "work1_kgm_min": "450", "work2_kgm_min": "600", "max_work_kgm_min": "1000",
	"hr_rise_bpm": "45", "work_rise_w": "90", "hr_standard_bpm": "88", "peak_work_w": "200", "step_rate_per_min": "24", "step_height_m": "0.254", "waist_cm": "90", "resistance_kp": "2",
	"cadence_per_min": "50", "max_hr_leg_bpm": "170", "perceived_ability": "14", "activity_rating": "4", "activity_index": "5", "activity_score": "3", "activity_score_met": "1.06", "body_fat_percent": "25",
	"end_work_w": "75", "end_hr_bpm": "130"}

func lineText(x *estimate.Extrapolate) string {
	text := "all stages"
	if x.FromBPM > 0 {
		text = fmt.Sprintf("stages from %g /min to %g %% of it", x.FromBPM, x.ToPercent)
	}
	if x.Stages > 0 {
		text += fmt.Sprintf(", exactly %d", x.Stages)
	}
	return fmt.Sprintf("%s; without max_hr_bpm by %s from age_years (or max_hr_formula=…). Errors: heart rate %g /min, work rate %g %%, economy %g %%", text, x.Formula, x.HRBPM, x.Work, x.Efficiency)
}

func exampleValue(in *estimate.Input) string {
	if len(in.Codes) > 0 {
		return in.Codes[0].Word
	}
	if v, known := exampleValues[in.ID]; known {
		return v
	}
	return fmt.Sprintf("%g", (in.Plausible.From+in.Plausible.To)/2)
}

func or(a, b string) string {
	if a != "" {
		return a
	}
	return b
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
		if name := t.Input + t.Of; name != "" {
			fmt.Fprintf(&b, " %s", name)
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
