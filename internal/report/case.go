package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"gradus/change"
	"gradus/conduct"
	"gradus/estimate"
	"gradus/internal/web/core"
	"gradus/interpret"
	"gradus/physiology"
	"gradus/prescribe"
	"gradus/protocol"
)

// Questions a referrer can ask.
const (
	AskFitness  = "fitness"  // how fit is this person?
	AskTraining = "training" // how hard may this person train?
	AskChange   = "change"   // has the fitness changed?
)

// Questions lists them.
var Questions = []string{AskFitness, AskTraining, AskChange}

// Case is a test with all that its papers speak of. Texts that are "" were not recorded, and the papers say so.
type Case struct {
	Test, Participant, Date string
	Examiner, Clinic        string
	Referrer, Question      string // who asked, in the referrer's own words
	Asks                    string // which of Questions it comes to; "" is AskFitness
	Screening               string // its outcome
	Visit                   string // how long the visit took, measured; "" is not known
	Drug, Dose, SinceDose   string
	Ergometer, Condition    string
	Reference, Equation     string  // of the meaning, ids of package interpret; "" is the default
	PlanFor                 string  // condition of the plan, an id of package prescribe; "" is chosen where it is plain
	Weeks                   int     // of the plan
	ReserveFrom, ReserveTo  float64 // band of the plan, %; 0 is the recommendation's
	Interval                string  // id of an interval session; "" is continuous
	Program                 string  // version of this program
	Trail                   string  // end of the audit trail of the record when the paper was made; "" without a record
	Invented                bool    // a person of the demonstration

	Protocol  *protocol.Protocol
	Estimator *estimate.Estimator
	Events    []conduct.Event
	State     conduct.State
	Judged    estimate.Assessment
	History   *change.History // with earlier tests; nil: none is known
	Signing   Signing
	Changes   []prescribe.Edit // of the plan by the clinician
	Edits     []string         // what the clinician changed in the plan, in words; kept apart from what was computed

	view *core.View
}

// Signing says whether a report is final.
type Signing struct {
	Version  int // from 1; 0 counts as 1
	By, On   string
	Replaces string // why this version replaces the one before; "" for the first
	// Superseded says that a later version was signed.
	Superseded bool
	Pending    bool // corrected after it was signed, and not signed again
}

// Final reports whether somebody has signed this version.
func (s *Signing) Final() bool { return s.By != "" && !s.Pending }

// Text is the standing of a report in one or two sentences.
func (s *Signing) Text() string {
	version := max(s.Version, 1)
	text := "Draft, not signed."
	switch {
	case s.Final():
		text = fmt.Sprintf("Final, version %d, signed by %s on %s.", version, s.By, s.On)
	case s.Pending:
		text = fmt.Sprintf("Draft of version %d, not signed.", version)
	}
	if version > 1 {
		text += fmt.Sprintf(" Replaces version %d", version-1)
		if s.Replaces != "" {
			text += ": " + strings.TrimSuffix(s.Replaces, ".")
		}
		text += "."
	}
	if s.Superseded {
		text += " Another version has replaced it since."
	}
	return text
}

const (
	dash  = "\u2013"
	minus = "\u2212"
)

func or(text, other string) string {
	if text == "" {
		return other
	}
	return text
}

func num(v float64) string {
	return strings.Replace(strconv.FormatFloat(v, 'f', -1, 64), "-", minus, 1)
}

func fixed(v float64, decimals int) string {
	text := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(text, "-0.") == "" {
		text = strings.TrimPrefix(text, "-")
	}
	return strings.Replace(text, "-", minus, 1)
}

func signed(v float64, decimals int) string {
	text := fixed(v, decimals)
	if v > 0 && strings.Trim(text, "0.") != "" {
		return "+" + text
	}
	return text
}

func percent(p float64) string {
	switch {
	case p < 0.005:
		return "under 1 %"
	case p > 0.995:
		return "over 99 %"
	}
	return fixed(100*p, 0) + " %"
}

func span(from, to float64, decimals int) string {
	if a, b := fixed(from, decimals), fixed(to, decimals); a != b {
		return a + " to " + b
	}
	return fixed(from, decimals)
}

func upper(text string) string {
	if text == "" {
		return ""
	}
	return strings.ToUpper(text[:1]) + text[1:]
}

func sentence(text string) string {
	text = strings.TrimSpace(text)
	if text == "" || strings.HasSuffix(text, ".") {
		return upper(text)
	}
	return upper(text) + "."
}

// View is the test as the pages draw it: stairs, readings, minutes.
func (c *Case) View() *core.View {
	if c.view == nil {
		var k core.Core
		answer := k.Answer(core.Ask{Op: "load", Load: &core.Load{Protocol: c.Protocol, Estimator: c.Estimator, Events: c.Events}, At: int64(c.State.Now)})
		if c.view = answer.View; c.view == nil {
			c.view = &core.View{}
		}
	}
	return c.view
}

// Result is the estimate, or nil when there is no value.
func (c *Case) Result() *estimate.Result {
	if r := c.Judged.Estimate; r != nil && r.Value.Present() {
		return r
	}
	return nil
}

func (c *Case) noResult() string {
	if r := c.Judged.Estimate; r != nil {
		return r.Why
	}
	return c.Judged.NoEstimate
}

// Usable reports whether the estimate may be read as one.
func (c *Case) Usable() bool { return c.Result() != nil && c.Judged.Verdict != estimate.NotUsable }

// rangeText is an estimate's range in words, or why there is none.
func rangeText(r *estimate.Result) string {
	if r.NoError != "" {
		return "range not known: " + r.NoError
	}
	return "95 % range " + strings.Replace(r.Low95Text(estimate.Decimals(r.Unit)), "-", minus, 1) + " to " + fixed(float64(r.High95), estimate.Decimals(r.Unit))
}

// perKg is the estimate in mL/kg/min, which the tables and plans are made for; nil when there is none that can be used, or
// none with its error.
func (c *Case) perKg() *estimate.Result {
	r := c.Result().PerKg(c.State.In.MassKg)
	if !c.Usable() || r == nil || !(float64(r.SEE) > 0) {
		return nil
	}
	return r
}

// Meaning interprets the estimate; nil when there is none that can be used, or none in mL/kg/min with its error.
func (c *Case) Meaning() *interpret.Report {
	r := c.perKg()
	if r == nil {
		return nil
	}
	in := &c.State.In
	v := interpret.Value{VO2: float64(r.Value), SEE: float64(r.SEE), Criterion: r.Criterion, Machine: c.machine()}
	p := interpret.Person{Sex: sexOf(in.Sex), AgeYears: in.AgeYears, MassKg: in.MassKg, HeightCm: in.HeightCm}
	report, err := interpret.Of(v, p, interpret.Choice{Reference: c.Reference, Equation: c.Equation}, c.body())
	if err != nil {
		return nil
	}
	return report
}

func sexOf(s conduct.Sex) string {
	return map[conduct.Sex]string{conduct.Female: "female", conduct.Male: "male"}[s]
}

// machine is the word of packages interpret and prescribe for the protocol's modality.
func (c *Case) machine() string {
	switch c.Protocol.Modality {
	case "cycle ergometer":
		return prescribe.Cycle
	case "arm ergometer":
		return prescribe.Arm
	case "treadmill", "walking":
		return prescribe.Walk
	}
	return c.Protocol.Modality
}

// Peak is the highest of the exercise readings.
type Peak struct{ HR, SBP, DBP, RPE float64 }

// peak looks at all readings up to the stop, those not kept singly too.
func (c *Case) peak() Peak {
	s := &c.State
	p := Peak{HR: s.TopHR.V, SBP: s.TopSBP.V, DBP: s.TopDBP.V, RPE: s.TopRPE.V}
	for i := range s.Stages[:s.NStages] {
		for _, r := range s.Stages[i].Readings[:s.Stages[i].NReadings] {
			if r.Withdrawn || r.Void || r.Disturbed {
				continue
			}
			switch r.What {
			case protocol.HeartRate:
				p.HR = max(p.HR, r.V)
			case protocol.BloodPressure:
				if r.V > p.SBP {
					p.SBP, p.DBP = r.V, r.V2
				}
			case protocol.RPE:
				p.RPE = max(p.RPE, r.V)
			}
		}
	}
	return p
}

// ended says why the test ended, from the reason's own table.
func (c *Case) ended() string {
	code := c.State.Stop.Code
	if !c.State.Stop.Active {
		return ""
	}
	if r, ok := protocol.ReasonOf(code); ok {
		return r.Text
	}
	if i := c.Protocol.SignIndex(code); i >= 0 {
		return c.Protocol.Table[i].Text
	}
	return code
}

// bySign reports whether a stop sign ended the test.
func (c *Case) bySign() bool {
	return c.State.Stop.Active && c.Protocol.SignIndex(c.State.Stop.Code) >= 0
}

// stages are the loads that count, as the prescription takes them; only of work rates in W.
func (c *Case) stages() (all []prescribe.Stage) {
	s := &c.State
	for i := range s.Stages[:s.NStages] {
		st := &s.Stages[i]
		if !inWatts(c.Protocol.Parts[st.Part].Work.Form()) || !s.Judge(c.Protocol, i).Counts {
			continue
		}
		one := prescribe.Stage{WorkW: st.Set}
		one.HR, _, _ = s.LastHeart(c.Protocol, i)
		for _, r := range st.Readings[:st.NReadings] {
			if r.What == protocol.RPE && !r.Withdrawn && !r.Void {
				one.RPE = r.V
			}
		}
		all = append(all, one)
	}
	return all
}

func inWatts(form string) bool {
	switch form {
	case "fixed", "row", "added", "chosen":
		return true
	}
	return false
}

// Plan is the prescription as the clinician changed it, or why there is none.
func (c *Case) Plan() (*prescribe.Prescription, string) {
	plan, why := c.Computed()
	if plan == nil {
		return nil, why
	}
	return plan.Edited(c.Changes), ""
}

// Computed is the prescription before any change by the clinician, or why there is none.
func (c *Case) Computed() (*prescribe.Prescription, string) {
	condition, why := c.planFor()
	if why != "" {
		return nil, why
	}
	weeks := c.Weeks
	if weeks == 0 {
		weeks = 8
	}
	plan, err := prescribe.For(c.Trainee(), prescribe.Choice{Condition: condition, Weeks: weeks, ReserveFrom: c.ReserveFrom, ReserveTo: c.ReserveTo, Interval: c.Interval})
	if err != nil {
		return nil, err.Error()
	}
	return plan, ""
}

// Trainee is the person as a prescription needs to know it.
func (c *Case) Trainee() prescribe.Person {
	in, l := &c.State.In, &c.State.Limits
	p := prescribe.Person{AgeYears: in.AgeYears, MassKg: in.MassKg, RestHR: in.RestHR, MaxHR: l.MaxHR, MaxHRSource: l.Formula, Drug: textOf(in.Drug), Rhythm: textOf(in.Rhythm),
		Machine: c.machine(), Stages: c.stages(), ICDRate: in.DeviceRate, IschaemiaHR: in.IschaemiaHR}
	switch p.Drug {
	case "yes", "no":
	default:
		p.Drug = "unknown"
	}
	if p.Rhythm == "not-recorded" {
		p.Rhythm = ""
	}
	if f, ok := physiology.FormulaFor(l.Formula); ok && l.Formula != "given" {
		p.MaxHRSD = f.SD
	}
	if r := c.perKg(); r != nil {
		p.VO2Peak, p.SEE = float64(r.Value), float64(r.SEE)
	}
	switch p.Machine {
	case prescribe.Cycle, prescribe.Arm, prescribe.Walk, "recumbent stepper":
	default:
		p.Machine = "recumbent stepper"
		p.Stages = nil // of a bench or a wheelchair no work rate carries over
	}
	return p
}

// planFor chooses a recommendation only where nothing has to be guessed.
func (c *Case) planFor() (id, why string) {
	switch {
	case c.bySign():
		return "", "the test ended at a stop sign (" + c.ended() + "); a plan waits for the physician's answer"
	case c.PlanFor != "":
		return c.PlanFor, ""
	case c.State.In.Condition == 0 && c.State.In.AgeYears >= 65:
		return "older", ""
	case c.State.In.Condition == 0:
		return "healthy", ""
	}
	text := strings.ToLower(c.Condition)
	for _, w := range []struct{ word, id string }{{"stroke", "stroke"}, {"heart failure", "heart-failure"}, {"coronary", "coronary"}, {"copd", "copd"}, {"parkinson", "parkinson"},
		{"multiple sclerosis", "multiple-sclerosis"}, {"peripheral art", "peripheral-artery"}} {
		if strings.Contains(text, w.word) {
			return w.id, ""
		}
	}
	return "", "a condition is recorded (" + or(c.Condition, textOf(c.State.In.Condition)) + "), and which recommendation fits it is for the clinician to choose"
}

func textOf(v interface{ MarshalText() ([]byte, error) }) string {
	text, err := v.MarshalText()
	if err != nil {
		return ""
	}
	return string(text)
}

// who is one line about the person, without anything the test does not know.
func (c *Case) who() string {
	in := &c.State.In
	parts := []string{or(c.Participant, "participant not named")}
	switch in.Sex {
	case conduct.Female:
		parts = append(parts, "woman")
	case conduct.Male:
		parts = append(parts, "man")
	}
	if in.AgeYears > 0 {
		parts = append(parts, num(in.AgeYears)+" years")
	}
	if in.MassKg > 0 {
		parts = append(parts, num(math.Round(in.MassKg*10)/10)+" kg")
	}
	if in.HeightCm > 0 {
		parts = append(parts, num(in.HeightCm)+" cm")
	}
	if c.Date != "" {
		parts = append(parts, "tested "+c.Date)
	}
	return strings.Join(parts, ", ")
}

func (c *Case) drugs() string {
	switch c.State.In.Drug {
	case conduct.DrugNo:
		return "no rate-limiting drug"
	case conduct.DrugYes:
		name := or(or(c.Drug, c.State.In.DrugName), "a rate-limiting drug, not named")
		if c.Dose != "" {
			name += ", " + c.Dose
		}
		if c.SinceDose == "" {
			return name + "; hours since the dose not recorded"
		}
		return name + "; " + c.SinceDose + " h since the dose"
	}
	return "not recorded"
}

// anchored says on a paper where the audit trail stood: nobody can cut off or make anew what came before without this
// paper showing it.
func anchored(trail string) string {
	if trail == "" {
		return ""
	}
	return " The audit trail ended at " + trail + "; it verifies the record."
}

// versions is the foot of every paper.
func (c *Case) versions() string {
	text := "Gradus"
	if c.Invented {
		text = "Invented person, for practice only. Gradus"
	}
	if c.Program != "" {
		text += " " + c.Program
	}
	if c.Test != "" {
		text += ", test " + c.Test
	}
	text += ", " + c.Protocol.ID + " " + c.Protocol.Version
	if len(c.Protocol.Hash) >= 12 {
		text += " (" + c.Protocol.Hash[:12] + ")"
	}
	if c.Estimator != nil {
		text += ", " + c.Estimator.ID
	}
	return text + ". It informs; the clinician decides. Not certified as a medical device." + anchored(c.Trail)
}

func unitOf(form string) string {
	switch {
	case inWatts(form):
		return "W"
	case form == "speed" || form == "chosen-speed" || form == "same-speed":
		return "km/h"
	case form == "rate":
		return "steps/min"
	}
	return ""
}

// unit is that of the first stage's work rate.
func (c *Case) unit() string {
	if c.State.NStages == 0 {
		return "W"
	}
	return unitOf(c.Protocol.Parts[c.State.Stages[0].Part].Work.Form())
}
