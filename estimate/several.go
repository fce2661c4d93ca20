package estimate

import (
	"fmt"
	"math"
	"strings"

	"gradus/conduct"
)

// Compared is one of several estimates of a test.
type Compared struct {
	Estimator  string  `json:"estimator"`
	Title      string  `json:"title"`
	Kind       string  `json:"kind"`     // equation, extrapolation or expectation
	Leads      bool    `json:"leads"`    // named by the protocol; never chosen by its value
	Result     *Result `json:"estimate"` // nil when there is none; NoEstimate says why
	NoEstimate string  `json:"reason,omitempty"`
	// Apart is how far it lies from the leading one, in the unit of that; Agrees whether that is within the errors of
	// both, nil when neither has one.
	Apart  Number `json:"apart"`
	Agrees *bool  `json:"agrees"`
}

// kindOf names what an estimator does.
func (e *Estimator) kindOf() string {
	switch {
	case e.Extrapolate != nil:
		return "extrapolation"
	case e.Test == "none":
		return "expectation"
	}
	return "equation"
}

// Demand makes an estimator, the one for women included, give no answer while nobody has compared its coefficients with
// the paper; the one that leads decides for those beside it.
func (e *Estimator) Demand() {
	e.Demanded = true
	if e.Women != nil {
		e.Women.Demanded = true
	}
}

// answer estimates by one estimator from the stage that counts last, or from all stages that count.
func (a *assessor) answer(e *Estimator, i int, hr float64) (r Result, values []float64, missing string, err error) {
	switch {
	case e == nil:
		return r, nil, "this protocol has no estimator", nil
	case a.e.Demanded && e.Unverified():
		return r, nil, "the coefficients are not verified against the paper, and this site demands it", nil
	case e.Test == "maximal" || e.Test == "group":
		return r, nil, "the equation is not for a submaximal test of one person", nil
	case e.For == "women" && a.s.In.Sex != conduct.Female || e.For == "men" && a.s.In.Sex != conduct.Male:
		return r, nil, "the equation is for " + e.For + " only", nil
	case e.Extrapolate != nil:
		r, missing, err = a.line(e, i)
		return r, nil, missing, err
	}
	if values, missing = a.values(e, i, hr); missing != "" {
		return r, nil, missing, nil
	}
	r, err = e.Estimate(values, a.context(i))
	return r, values, "", err
}

// line extends the line over the stages that count.
func (a *assessor) line(e *Estimator, last int) (r Result, missing string, err error) {
	in := &a.s.In
	max, sd, formula := in.MaxHR, e.Extrapolate.GivenSD, "given"
	if max == 0 {
		if formula = in.Formula; a.p.EndPoint.Is() {
			formula = in.FormulaOf(a.p.Modality, &a.p.EndPoint.It)
		}
		if in.AgeYears == 0 {
			return r, "age is not recorded", nil
		}
		if max, sd, formula, err = e.Extrapolate.PredictMaxHR(formula, in.AgeYears, in.Sex == conduct.Female, in.RestHR); err != nil {
			return r, err.Error(), nil
		}
	}
	var stages [][]float64
	for i := 0; i <= last; i++ {
		if !a.s.Judge(a.p, i).Counts {
			continue
		}
		hr, _, ok := a.s.LastHeart(a.p, i)
		if !ok {
			continue
		}
		values, missing := a.values(e, i, hr)
		if missing != "" {
			return r, missing, nil
		}
		stages = append(stages, values)
	}
	r, err = e.Stages(stages, max, sd, formula, a.context(last))
	return r, "", err
}

// testNames are what the conductor calls the number of a role, in the unit that the name says.
var testNames = map[string]string{"age": "age_years", "mass": "mass_kg", "height": "height_cm", "work": "work_w", "heart-rate": "hr_bpm", "speed": "speed_kmh",
	"grade": "grade_percent", "time": "time_min", "distance": "distance_m", "rest-heart-rate": "rest_hr_bpm", "max-heart-rate": "max_hr_bpm",
	"bmi": "bmi", "step-rate": "step_rate_per_min", "step-height": "step_height_m"}

// values puts the numbers of the test and of one stage into the order of an estimator's inputs; missing says what
// is not there.
func (a *assessor) values(e *Estimator, stage int, hr float64) (values []float64, missing string) {
	if e == nil {
		return nil, "this protocol has no estimator"
	}
	values = make([]float64, len(e.Inputs))
	for i := range e.Inputs {
		in := &e.Inputs[i]
		v, known := a.value(e, in, stage, hr)
		if !known && !(in.Role == "max-heart-rate" && e.Extrapolate != nil) {
			return nil, in.Label + " is not recorded"
		}
		values[i] = v
	}
	return values, ""
}

// value is the test's number for an input of an estimator, in its unit.
func (a *assessor) value(e *Estimator, in *Input, stage int, hr float64) (v float64, known bool) {
	switch {
	case in.Role == "sex":
		return sexCode(in, a.s.In.Sex)
	case in.Role == "stage-vo2":
		v = a.p.Parts[a.s.Stages[stage].Part].VO2
		return v, v > 0
	case in.Role == "heart-rate" && e.Extrapolate != nil:
		return hr, hr > 0
	case in.Role == "heart-rate":
		v, known = a.s.Fact(a.p, stage, in.ID) // a stage other than the last one may be meant
		if !known {
			v, known = hr, hr > 0
		}
		return v, known
	}
	name := testNames[in.Role]
	if name == "" {
		name = in.ID
	}
	v, known = a.s.Fact(a.p, stage, name)
	if name == in.ID || !known {
		return v, known
	}
	for k := range in.Also {
		if in.Also[k].Name == name {
			return in.Also[k].Convert(v), true
		}
	}
	// Names such as end_work_w differ only in what they say of the stage; a role without the unit cannot be used.
	return v, strings.HasSuffix(in.ID, name) || name == "age_years"
}

func sexCode(in *Input, sex conduct.Sex) (float64, bool) {
	word := ""
	switch sex {
	case conduct.Female:
		word = "female"
	case conduct.Male:
		word = "male"
	}
	for _, c := range in.Codes {
		if c.Word == word {
			return c.Value, true
		}
	}
	return 0, false
}

// comparable turns an answer into mL/kg/min where its unit allows it.
func comparable(v float64, unit string, massKg float64) (float64, bool) {
	switch unit {
	case "mL/kg/min":
		return v, true
	case "MET":
		return float64(3.5 * v), true // by definition of the unit
	case "L/min":
		return float64(1000*v) / massKg, massKg > 0
	case "mL/min":
		return v / massKg, massKg > 0
	}
	return 0, false
}

// compareAll estimates by all that the protocol names and says whether they agree.
func (a *assessor) compareAll() {
	if a.e == nil || len(a.e.Beside) == 0 || a.out.End == nil {
		return
	}
	i := a.out.End.Stage
	lead := Compared{Estimator: a.e.ID, Title: a.e.Title, Kind: a.e.kindOf(), Leads: true, Result: a.out.Estimate, NoEstimate: a.out.NoEstimate, Apart: Absent}
	a.out.Compared = append(a.out.Compared, lead)
	for _, e := range a.e.Beside {
		c := Compared{Estimator: e.ID, Title: e.Title, Kind: e.kindOf(), Apart: Absent}
		r, _, missing, err := a.answer(e, i, a.out.End.HR)
		if e.Prior && (missing != "" || err != nil || !r.Value.Present()) {
			continue // nobody asked for it
		}
		switch {
		case err != nil:
			c.NoEstimate = err.Error()
		case missing != "":
			c.NoEstimate = missing
		case !r.Value.Present():
			c.NoEstimate = r.Why
		default:
			c.Result = &r
			a.agree(&c)
		}
		a.out.Compared = append(a.out.Compared, c)
	}
	if len(a.out.Compared) == 1 {
		a.out.Compared = a.out.Compared[:0] // nothing to compare it with
	}
}

// agree compares an estimate with the leading one. Two answers agree when they differ by no more than 1.96 standard
// errors of their difference.
func (a *assessor) agree(c *Compared) {
	lead := a.out.Estimate
	if lead == nil || !lead.Value.Present() {
		return
	}
	mine, ok1 := comparable(float64(c.Result.Value), c.Result.Unit, a.s.In.MassKg)
	theirs, ok2 := comparable(float64(lead.Value), lead.Unit, a.s.In.MassKg)
	if !ok1 || !ok2 {
		return
	}
	one, _ := comparable(1, lead.Unit, a.s.In.MassKg)
	apart := mine - theirs
	c.Apart = Number(apart / one)
	variance, known := 0.0, false
	for _, r := range []*Result{c.Result, lead} {
		if see, ok := comparable(float64(r.SEE), r.Unit, a.s.In.MassKg); ok && r.SEE.Present() {
			variance += float64(see * see)
			known = true
		}
	}
	if !known {
		return
	}
	agrees := math.Abs(apart) <= float64(1.959963984540054*math.Sqrt(variance))
	c.Agrees = &agrees
	if !agrees {
		a.add("estimates-disagree", own, "%s gives %.1f, %.1f %s away from the leading estimate: more than both errors allow. Likely reasons: %s",
			c.Title, float64(c.Result.Value), math.Abs(float64(c.Apart)), lead.Unit, a.whyApart(c.Kind))
	}
}

// whyApart lists what may lie behind estimates that disagree, the likeliest first.
func (a *assessor) whyApart(kind string) string {
	var why []string
	switch a.s.In.Drug {
	case conduct.DrugYes:
		why = append(why, "the rate-limiting drug")
	case conduct.DrugNo:
	default:
		why = append(why, "a rate-limiting drug that is not recorded")
	}
	if i := a.out.End.Stage; a.s.Stages[i].Accepted || a.s.Stages[i].Observed > 0 && conduct.ObservedDiffers(a.p, &a.s.Stages[i]) {
		why = append(why, "a stage that was not steady or not at the work rate set")
	}
	why = append(why, "a wrong work rate entered", "a heart whose maximum is unlike the formula")
	if kind == "expectation" {
		why = append(why, "answers on activity that do not fit")
	}
	text := why[0]
	for i, w := range why[1:] {
		if i == len(why)-2 {
			text += fmt.Sprintf(" or %s", w)
		} else {
			text += ", " + w
		}
	}
	return text
}

// Needs lists what a test must have for the estimator: roles of inputs, ids of those without one. A line over stages
// needs an age in place of the maximal heart rate, which can be predicted.
func (e *Estimator) Needs() (needs []string) {
	for i := range e.Inputs {
		switch in := &e.Inputs[i]; {
		case in.Role == "max-heart-rate" && e.Extrapolate != nil:
			needs = append(needs, "age")
		case in.Role != "":
			needs = append(needs, in.Role)
		default:
			needs = append(needs, in.ID)
		}
	}
	return needs
}

// lacks says what is missing; where an input is, that the equation needs it.
func (a *assessor) lacks(missing string) string {
	if strings.HasSuffix(missing, "not recorded") {
		return missing + ", and the equation needs it"
	}
	return missing
}
