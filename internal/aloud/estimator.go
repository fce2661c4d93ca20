package aloud

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"gradus/estimate"
	"gradus/protocol"
)

// Estimator reads an estimator aloud: inputs with their coding and ranges, equation, every coefficient with its unit and
// how it is known, error, limits, cautions and sources.
func Estimator(e *estimate.Estimator) string {
	var b strings.Builder
	say := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	say("%s\n  %s", e.ID, e.Title)
	say("  Gives: %s", gives(e))
	say("  Inputs:")
	for _, in := range e.Inputs {
		say("    %-12s %s, %s%s", in.ID, in.Label, in.Unit, coding(in))
		for _, o := range in.Also {
			say("      or %s", otherText(&in, &o))
		}
		if in.Role == "bmi" && e.RoleAt("mass") < 0 && e.RoleAt("height") < 0 {
			say("      or mass_kg and height_cm together, from which it is computed")
		}
		if in.Note != "" {
			say("      %s", in.Note)
		}
		if p := in.Plausible; p != nil {
			say("      outside %g to %g it is refused (%s)", p.From, p.To, or(p.Source, phrase(p.How)))
		}
		if d := in.Domain; d != nil {
			say("      outside %g to %g it is a caution (%s)", d.From, d.To, or(d.Source, phrase(d.How)))
		}
	}
	say("  Equation: %s", equation(e))
	numbers(e, say)
	for _, t := range e.Tables {
		say("  Table %s, %s by %s: %s; straight lines between, below: %s, above: %s (%s)", t.ID, t.YUnit, t.XUnit, pointsText(t.Points), t.Below, t.Above, t.Source)
	}
	if x := e.Extrapolate; x != nil {
		say("  The equation is that of one stage; heart rate on it over the stages, extended to maximal heart rate: %s", lineText(x))
		say("  Stages are given as lists: work_w=75,100 hr_bpm=118,131; a value that is the same in all stages once")
	}
	for _, m := range e.Require {
		say("  Refused unless %s", m.That)
	}
	say("  Error: %s", errorText(e))
	if e.Error.None == "" {
		say("    found in %s; it covers the value %s (%s: %s)", or(e.Error.Population, "people not described"), e.Error.Covers, phrase(e.Error.How), e.Error.Source)
	}
	say("  Refused below %g or above %g %s: %s (%s)", e.Limits.RefuseBelow, e.Limits.RefuseAbove, e.Outcome.Unit, e.Limits.Text, or(e.Limits.Source, phrase(e.Limits.How)))
	if e.Normal != nil {
		text := fmt.Sprintf("  Lower limit of normal: the value minus %g %s", e.Normal.Minus, e.Outcome.Unit)
		if e.Normal.Women > 0 {
			text += fmt.Sprintf(" (women: minus %g)", e.Normal.Women)
		}
		say("%s", text)
	}
	say("  Made from: %s", e.Population)
	say("  Cautions:")
	for _, c := range e.Cautions {
		if c.When == "input outside domain" || c.When == "coefficients not verified" { // told with the inputs and below
			continue
		}
		say("    %s: %s (%s; %s)", c.When, ruleText(e, &c), phrase(c.How), c.Source)
	}
	switch v := e.Verification; {
	case v != nil:
		say("  Verified by %s on %s against %s", v.By, v.On, v.Against)
	case e.Unverified():
		say("  Caution: coefficients not verified against the paper")
	}
	say("  Source: %s", e.Source)
	say("  Known how: %s", e.Provenance)
	say("  Example: %s", Example(e))
	return b.String()
}

func gives(e *estimate.Estimator) string {
	text := e.Outcome.What + " in " + e.Outcome.Unit
	if strings.HasPrefix(e.Outcome.What, "VO2") && e.Outcome.CriterionMode != "not stated" {
		text += ", as measured with: " + e.Outcome.CriterionMode
	}
	if e.For != "" {
		text += "; for " + e.For + " only"
	}
	if kind := testKinds[e.Test]; kind != "" {
		text += "; " + kind
	}
	return text
}

// numbers lists every coefficient with its unit and how it is known.
func numbers(e *estimate.Estimator, say func(format string, args ...any)) {
	if len(e.Terms) > 0 || e.Formula != nil && len(e.Formula.Numbers) > 0 {
		say("  Its numbers:")
	}
	for _, t := range e.Terms {
		say("    %g %s, %s (%s)", t.Coefficient, t.Unit, or(t.Input+t.Of, "constant"), phrase(t.How))
	}
	if e.Formula == nil {
		return
	}
	for _, n := range e.Formula.Numbers {
		say("    %g %s (%s)", n.Value, n.Unit, phrase(n.How))
	}
}

// blank is what a test fills into the text of a caution.
var blank = regexp.MustCompile(`\{[a-z_]+\}`)

func ruleText(e *estimate.Estimator, r *estimate.Rule) string {
	text := strings.NewReplacer("{limit}", fmt.Sprintf("%g", r.Limit), "{unit}", e.Outcome.Unit).Replace(r.Text)
	return blank.ReplaceAllString(text, "…")
}

func phrase(how string) string {
	var h protocol.How
	if h.UnmarshalText([]byte(how)) != nil {
		return how
	}
	return h.Phrase()
}

func or(a, b string) string {
	if a != "" {
		return a
	}
	return b
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
		return fmt.Sprintf("SEE %g %s (%s; n not known); 95 %% interval +/- %.*f", r.SEE, e.Outcome.Unit, r.Kind, estimate.Decimals(e.Outcome.Unit), e.Half95())
	}
	return fmt.Sprintf("SEE %g %s (%s; n = %g); 95 %% interval +/- %.*f", r.SEE, e.Outcome.Unit, r.Kind, r.N, estimate.Decimals(e.Outcome.Unit), e.Half95())
}

// pointsText lists the points of a table; where they are not all known alike, each says how.
func pointsText(points []estimate.Knot) string {
	mixed := slices.ContainsFunc(points, func(k estimate.Knot) bool { return k.How != points[0].How })
	parts := make([]string, len(points))
	for i, p := range points {
		parts[i] = fmt.Sprintf("%g: %g", p.X, p.Y)
		if mixed {
			parts[i] += " (" + phrase(p.How) + ")"
		}
	}
	text := strings.Join(parts, ", ")
	if !mixed {
		text += "; all " + phrase(points[0].How)
	}
	return text
}

// Example is a command that can be run, with a value inside the range of each input.
func Example(e *estimate.Estimator) string {
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

func coding(in estimate.Input) string {
	if len(in.Codes) > 0 {
		var parts []string
		for _, c := range in.Codes {
			parts = append(parts, fmt.Sprintf("%s = %g", c.Word, c.Value))
		}
		return " (" + strings.Join(parts, ", ") + ")"
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
