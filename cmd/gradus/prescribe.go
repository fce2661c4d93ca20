package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"gradus/physiology"
	"gradus/prescribe"
)

type prescribeCmd struct {
	Age     float64 `name:"age" required:"" placeholder:"A" help:"Years."`
	Sex     string  `name:"sex" placeholder:"S" help:"female or male; some formulas of maximal heart rate need it."`
	Mass    float64 `name:"mass" placeholder:"KG" help:"Body mass, kg."`
	VO2Peak float64 `name:"vo2peak" placeholder:"V" help:"Peak oxygen uptake, mL/kg/min."`
	SEE     float64 `name:"see" placeholder:"S" help:"Its standard error, mL/kg/min; needed with --vo2peak."`

	RestHR       float64 `name:"rest-hr" placeholder:"BPM" help:"Resting heart rate."`
	MaxHR        float64 `name:"max-hr" placeholder:"BPM" help:"Measured maximal heart rate; else a formula is used."`
	MaxHRFormula string  `name:"max-hr-formula" placeholder:"ID" help:"Formula of maximal heart rate (220-age)."`
	PeakHR       float64 `name:"peak-hr" placeholder:"BPM" help:"Highest heart rate reached without symptoms; else that of the highest stage."`
	ICDRate      float64 `name:"icd-rate" placeholder:"BPM" help:"Detection rate of an implanted defibrillator."`
	IschaemiaHR  float64 `name:"ischaemia-hr" placeholder:"BPM" help:"Heart rate at which ischaemia began."`
	Drug         string  `name:"drug" default:"unknown" placeholder:"WORD" help:"Rate-limiting drug: yes, no or unknown (${default})."`
	Rhythm       string  `name:"rhythm" placeholder:"WORD" help:"sinus, atrial-fibrillation, paced, heart-transplant, sci-t6-or-above or other."`

	Machine string  `name:"machine" default:"recumbent-stepper" placeholder:"M" help:"Tested machine: recumbent-stepper, cycle, arm or walk (${default})."`
	Stages  string  `name:"stages" placeholder:"W:HR[:RPE],…" help:"Steady stages of the test on that machine, such as 30:103:10,50:122:13,75:134:15."`
	Speed   float64 `name:"speed" placeholder:"M/MIN" help:"Walking speed, for a grade."`

	Condition string  `name:"condition" default:"healthy" placeholder:"ID" help:"healthy, older, stroke, heart-failure, coronary, copd, peripheral-artery, diabetes, hypertension, obesity, parkinson, multiple-sclerosis, spinal-cord-injury, cancer."`
	From      float64 `name:"from" placeholder:"PCT" help:"Lower end of the band, percent of reserve; else the recommendation's start."`
	To        float64 `name:"to" placeholder:"PCT" help:"Upper end of the band."`
	Weeks     int     `name:"weeks" default:"8" placeholder:"N" help:"Length of the plan (${default})."`
	Interval  string  `name:"interval" placeholder:"ID" help:"One session a week as this published interval session, such as stroke-10-by-60; else continuous."`
	JSON      bool    `name:"json" help:"Print JSON, session by session."`
}

// Run proposes a plan.
func (c *prescribeCmd) Run(e *env) error {
	p, err := c.person()
	if err != nil {
		return err
	}
	if c.Weeks < 0 || c.Weeks > prescribe.MostWeeks {
		return usageError{fmt.Sprintf("--weeks %d is not between 0 and %d", c.Weeks, prescribe.MostWeeks)}
	}
	out, err := prescribe.For(p, prescribe.Choice{Condition: c.Condition, ReserveFrom: c.From, ReserveTo: c.To, Weeks: c.Weeks, Interval: c.Interval})
	if err != nil {
		return err
	}
	if c.JSON {
		return writeJSON(e.out, out)
	}
	return writePrescription(e.out, out)
}

func (c *prescribeCmd) person() (p prescribe.Person, err error) {
	p = prescribe.Person{AgeYears: c.Age, MassKg: c.Mass, VO2Peak: c.VO2Peak, SEE: c.SEE, RestHR: c.RestHR, MaxHR: c.MaxHR, MaxHRSource: "measured",
		Drug: c.Drug, Rhythm: c.Rhythm, Machine: strings.ReplaceAll(c.Machine, "-", " "), HighestHR: c.PeakHR, ICDRate: c.ICDRate, IschaemiaHR: c.IschaemiaHR, Speed: c.Speed}
	known := func(flag, word string, words ...string) {
		for _, w := range words {
			if w == word {
				return
			}
		}
		err = errors.Join(err, usageError{fmt.Sprintf("--%s %q is not one of %s", flag, word, strings.Join(words, ", "))})
	}
	known("drug", c.Drug, "yes", "no", "unknown")
	known("rhythm", c.Rhythm, "", "sinus", "atrial-fibrillation", "paced", "heart-transplant", "sci-t6-or-above", "other")
	known("machine", c.Machine, "recumbent-stepper", "cycle", "arm", "walk")
	if err != nil {
		return p, err
	}
	if p.Stages, err = readStages(c.Stages); err != nil {
		return p, err
	}
	sex := ""
	if c.Sex != "" {
		if sex, err = sexAsCoded(c.Sex); err != nil {
			return p, err
		}
	}
	if c.MaxHR == 0 {
		err = c.predictMaxHR(&p, sex)
	}
	return p, err
}

// predictMaxHR uses the formula that was chosen, with its spread. Where it cannot, there is no heart-rate target.
func (c *prescribeCmd) predictMaxHR(p *prescribe.Person, sex string) error {
	if f, ok := physiology.FormulaFor(c.MaxHRFormula); ok && f.Sex != "both" && sex == "" {
		return fmt.Errorf("max-hr-formula: formula %s is for one sex only; say --sex", f.ID)
	}
	bpm, f, err := physiology.MaxHR(c.MaxHRFormula, c.Age, sex == "female", c.RestHR)
	if err != nil {
		return fmt.Errorf("max-hr-formula: %w", err)
	}
	p.MaxHR, p.MaxHRSD, p.MaxHRSource = bpm, f.SD, f.ID
	return nil
}

// readStages reads work rate, heart rate and exertion of each stage: 30:103:10,50:122.
func readStages(text string) (stages []prescribe.Stage, err error) {
	if text == "" {
		return nil, nil
	}
	for i, part := range strings.Split(text, ",") {
		fields := strings.Split(part, ":")
		if len(fields) < 2 || len(fields) > 3 {
			return nil, usageError{fmt.Sprintf("--stages, stage %d: %q is not work rate:heart rate or work rate:heart rate:exertion", i+1, part)}
		}
		var v [3]float64
		fences := [3][2]float64{{0, 2000}, {25, 250}, {6, 20}}
		for k, field := range fields {
			v[k], err = strconv.ParseFloat(strings.TrimSpace(field), 64)
			if err != nil || !(v[k] >= fences[k][0] && v[k] <= fences[k][1]) {
				return nil, fmt.Errorf("stages: stage %d: %q is not a number from %g to %g; check the entry", i+1, field, fences[k][0], fences[k][1])
			}
		}
		stages = append(stages, prescribe.Stage{WorkW: v[0], HR: v[1], RPE: v[2]})
	}
	return stages, nil
}

// writePrescription prints a plan so that it can be read aloud.
func writePrescription(out io.Writer, p *prescribe.Prescription) error {
	t := &telling{}
	t.say("", "Proposal for %s: %g to %g %% of reserve (%s), %s days a week, %s min a session. %s %s.", p.Title, p.ReserveFrom, p.ReserveTo, p.Level,
		span(p.Days[0], p.Days[1]), span(p.Minutes[0], p.Minutes[1]), upperFirst(p.Leads), map[bool]string{true: "lead", false: "leads"}[strings.Contains(p.Leads, " and ")])
	t.say("", "%s. Progression: %s.", upperFirst(p.Type), p.Progression)
	t.gap()
	t.say("", "How hard:")
	for _, x := range p.Targets {
		tellTarget(t, &x)
	}
	if len(p.Weeks) > 0 {
		t.gap()
		t.say("", "Week by week (one thing changes at a time):")
		for i := 0; i < len(p.Weeks); {
			last := i
			for last+1 < len(p.Weeks) && p.Weeks[last+1].Continues(&p.Weeks[last]) {
				last++
			}
			t.say("    ", "  Week %s: %s.", span(float64(p.Weeks[i].Week), float64(p.Weeks[last].Week)), weekText(&p.Weeks[i]))
			i = last + 1
		}
	}
	if v := p.Volume; v != nil {
		t.gap()
		text := fmt.Sprintf("Recommended for adults in all: %g to %g MET-min a week, here %.0f to %.0f min", v.Low, v.High, v.MinutesLow, v.MinutesHigh)
		if v.First != nil && v.Last != nil {
			text += fmt.Sprintf("; the plan begins with %.0f and ends with %.0f MET-min", *v.First, *v.Last)
		}
		t.say("", "%s.", text)
	}
	tellIntervals(t, p)
	if len(p.Intervals) > 0 {
		t.gap()
		t.say("", "Published interval sessions, for later and after clearance only:")
	}
	for _, x := range p.Intervals {
		t.say("    ", "  %s: %s (%s).", x.ID, x.Text, x.People)
	}
	t.gap()
	for _, c := range p.Cautions {
		t.say("", "Caution: %s.", c.Text)
	}
	for _, s := range p.Sources {
		t.say("  ", "Source: %s.", s)
	}
	return t.to(out)
}

// tellIntervals says how the first interval session of the plan is done.
func tellIntervals(t *telling, p *prescribe.Prescription) {
	at := slices.IndexFunc(p.Sessions, func(x prescribe.Planned) bool { return x.Style == prescribe.Intervals })
	if at < 0 {
		return
	}
	t.gap()
	t.say("", "Interval session, once a week from week %d:", p.Sessions[at].Week)
	for _, part := range p.Sessions[at].Parts {
		text := fmt.Sprintf("%s: %s%s min", part.What, times(part.Times), strconv.FormatFloat(part.Minutes, 'g', 2, 64))
		if part.HRLow != nil {
			text += ", " + span(math.Round(*part.HRLow), math.Round(*part.HRHigh)) + " /min"
		}
		if part.WorkLow != nil {
			text += ", " + span(math.Round(*part.WorkLow), math.Round(*part.WorkHigh)) + " W"
		}
		if part.RPEFrom != nil {
			text += fmt.Sprintf(", exertion %g to %g", *part.RPEFrom, *part.RPETo)
		}
		t.say("    ", "  %s.", upperFirst(text))
	}
}

func times(n int) string {
	if n == 1 {
		return ""
	}
	return fmt.Sprintf("%d times ", n)
}

func span(from, to float64) string {
	if from == to {
		return fmt.Sprintf("%g", from)
	}
	return fmt.Sprintf("%g to %g", from, to)
}

// digits is how finely a unit is shown: heart rate, work rate and speed whole, uptake and METs to one decimal.
func digits(v float64, unit string) string {
	decimals := 0
	if unit == "mL/kg/min" || unit == "MET" || unit == "%" {
		decimals = 1
	}
	return strconv.FormatFloat(v, 'f', decimals, 64)
}

func tellTarget(t *telling, x *prescribe.Target) {
	if x.Withheld != "" {
		t.say("    ", "  %s: none; %s.", upperFirst(x.What), x.Withheld)
		return
	}
	text := fmt.Sprintf("%s to %s %s", digits(*x.Low, x.Unit), digits(*x.High, x.Unit), x.Unit)
	text = strings.TrimSpace(text)
	if x.LowSD != nil {
		text += fmt.Sprintf(" (standard error %s to %s)", digits(*x.LowSD, x.Unit), digits(*x.HighSD, x.Unit))
	}
	if x.Leads {
		text += "; leads"
	}
	if len(x.Notes) > 0 {
		text += ". " + upperFirst(strings.Join(x.Notes, "; "))
	}
	t.say("    ", "  %s: %s.", upperFirst(x.What), text)
}

func weekText(w *prescribe.Week) string {
	text := fmt.Sprintf("%g times %g min at %g to %g %%, exertion %g to %g", w.Sessions, w.Minutes, w.ReserveFrom, w.ReserveTo, w.RPEFrom, w.RPETo)
	if w.HRLow != nil {
		text += fmt.Sprintf(", %.0f to %.0f /min", *w.HRLow, *w.HRHigh)
	}
	if w.WorkLow != nil {
		text += fmt.Sprintf(", %.0f to %.0f W", *w.WorkLow, *w.WorkHigh)
	}
	if w.METMinutes != nil {
		text += fmt.Sprintf(", %.0f MET-min", *w.METMinutes)
	}
	if w.KcalGross != nil {
		text += fmt.Sprintf(", %.0f kcal (%.0f above rest)", math.Round(*w.KcalGross), math.Round(*w.KcalNet))
	}
	if w.Changed != "" {
		text += "; new: " + w.Changed
	}
	return text
}
