package conduct

import (
	"fmt"
	"strconv"
	"strings"

	"gradus/physiology"
	"gradus/protocol"
)

// Every sentence of the conductor stands in this file: short, active, spoken to the examiner.
const (
	sayNotBegun      = "The test has not begun."
	sayClosed        = "The test is closed."
	whyMissingInputs = "The plan and the estimate need them."
	sayDoNotStart    = "Do not start."
	sayStopMoving    = "Let the participant stop."
	sayAllDone       = "All planned stages are done."
	saySpent         = "Still not steady. Accept this stage as it is, or end the test."
	// A stage without two readings cannot count, so there is nothing to accept.
	sayNothingToAccept = "No two readings to compare: this stage cannot count. End the test."
	sayNoRow           = "Without the readings of the first stage no row can be chosen."
	sayAccept          = "Accept it: the stage counts, the result is usable with caution at best"
	sayEndUnsteady     = "End the test: the last steady stage counts"
	saySeated          = "Stop stepping. Stay seated. Heart rate and blood pressure now. Follow the emergency plan."
	sayRest            = "Stop, let the participant rest. Measure heart rate and blood pressure, then judge."
	saySitDown         = "The cool-down is over. Let the participant stop and sit; go on reading."
	sayRecovered       = "Recovered. Close the test."
	sayClose           = "Close the test"
	sayCloseNow        = "Close the test."
	sayPhysician       = "Not recovered. Ask a physician."
	sayBreakTooLong    = "The break was too long: end the test, or begin again near resting heart rate."
	whyCuff            = "Blood pressure was still being taken: the stage got a minute for it."
	whyMissing         = "A reading is missing or was disturbed: one more minute."
	whyRestarted       = "The minutes of this stage began again."
	whyGentler         = "a gentler row; it changes nothing in the equation"
	whyRepeat          = "the first test's work rates are repeated: a row crossed by one beat moves the estimate by 1 to 2 mL/kg/min without any change in fitness"
	whyToday           = "the row of today's reading"
	sayMustRest        = "Let the participant rest. The clock runs."
	sayReadDistance    = "Let the participant stop and stay there. Read the distance."
	sayNoRoom          = "Do not begin: not as planned. Choose a small-step variant or a walk, or ask the physician for another end."
	warnRoom           = "A variant with small steps, or a walk, fits better."
	warnRail           = "The hand rail is held: heart rate at this speed reads too low, and an estimate too high."
	warnSensor         = "The heart-rate sensor is silent. Look at the strap; take the pulse by hand."
	warnClock          = "The device's clock went back; times of this test may be off."
	warnUnkept         = "Some readings could not be kept singly; the highest and lowest were."
)

var quantityNames = map[protocol.Quantity]string{
	protocol.HeartRate: "heart rate", protocol.RPE: "exertion", protocol.BloodPressure: "blood pressure",
	protocol.SpO2: "oxygen saturation", protocol.CadenceRate: "cadence", protocol.WorkRate: "work rate",
	protocol.Distance: "distance", protocol.Breathless: "breathlessness",
}

func quantityName(q protocol.Quantity) string { return quantityNames[q] }

var stateNames = map[protocol.State]string{
	protocol.OnRateLimitingDrug: "a rate-limiting drug is taken", protocol.DrugUnknown: "it is not known whether a rate-limiting drug is taken",
	protocol.NotSinus: "the rhythm is not sinus", protocol.AtrialFibrillation: "atrial fibrillation", protocol.Paced: "a pacemaker sets the rhythm",
	protocol.HeartTransplant: "a transplanted heart", protocol.SpinalT6: "a spinal lesion at T6 or above",
	protocol.NoMedicalCover: "no medical cover is at hand",
	protocol.Neurological:   "a condition is recorded", protocol.Heart: "a heart condition is recorded", protocol.Lung: "a lung condition is recorded",
	protocol.HRCannotLead: "heart rate cannot lead",
}

// StateName says in words what is recorded about the participant.
func StateName(s protocol.State) string { return stateNames[s] }

// num prints a number without needless digits.
func num(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func sayMissingInputs(names []string) string {
	return "Record first: " + strings.ReplaceAll(strings.Join(names, ", "), "_", " ") + "."
}

func sayWork(w *protocol.Work, work float64) string {
	switch w.Form() {
	case "speed", "same-speed":
		return fmt.Sprintf("Set %s at %s %% grade.", SpeedText(w, work), num(*w.Grade))
	case "chosen-speed":
		return fmt.Sprintf("Choose and set the speed, %s to %s km/h, at %s %% grade.", num(w.Pace.From), num(w.Pace.To), num(*w.Grade))
	case "rate":
		return fmt.Sprintf("Set the beat to %s steps a minute, step %s m.", num(work), num(w.HeightM))
	case "own-pace":
		return "Let the participant go, " + w.OwnPace + " at the own pace."
	case "rest":
		return "Let the participant rest."
	case "chosen":
		return fmt.Sprintf("Choose and set the work rate, %s to %s W.", num(w.Choose.From), num(w.Choose.To))
	}
	return fmt.Sprintf("Set %s W.", num(work))
}

// SpeedText is a speed in km/h, before it the miles an hour that the plan's source prints.
func SpeedText(w *protocol.Work, kmh float64) string {
	text := strconv.FormatFloat(kmh, 'f', 1, 64) + " km/h"
	if rounded := num(kmh) + " km/h"; len(rounded) <= len(text)+2 {
		text = rounded
	}
	if w.SpeedMph > 0 && kmh == w.SpeedKmh {
		text = fmt.Sprintf("%s mph (%s)", num(w.SpeedMph), text)
	}
	return text
}

// sayCount is for a pulse that is counted.
func sayCount(over, left protocol.Ms) string {
	return fmt.Sprintf("Count the pulse for %d s: %v left. Enter beats a minute.", over/protocol.Second, max(left, 0))
}

func sayComing(say string, left protocol.Ms) string { return fmt.Sprintf("In %v: %s", left, say) }

func sayLower(s *State, work float64) string {
	if s.In.Machine.NoWatts() {
		return "Lower the level now."
	}
	return fmt.Sprintf("Lower to %s W now.", num(work))
}

func sayLowered(work float64) string {
	return fmt.Sprintf("%s W is set; the stage begins again", num(work))
}

func sayPutBack(work float64) string {
	return fmt.Sprintf("Put back %s W for one minute, or go on.", num(work))
}

func sayPutBackDone(work float64) string { return fmt.Sprintf("%s W is back", num(work)) }

func sayLeftEarly(p *protocol.Protocol, part int, j Judged) string {
	title := p.Parts[part].Title
	if j.Known && !j.Steady {
		return fmt.Sprintf("Load raised although %s was unsteady (%s, then %s). Going on, %s will not count.", title, num(j.Prev), num(j.Last), title)
	}
	return fmt.Sprintf("Load raised before %s was complete. Going on, it will not count.", title)
}

func sayRowWhy(c *protocol.Choose, row, called int, hr float64, near int) string {
	if called == 0 {
		return ""
	}
	text := fmt.Sprintf("Last reading of stage 1: %s, so row %d (%s).", num(hr), called, rowRange(c, called))
	if row != called {
		text += fmt.Sprintf(" Row %d is being ridden.", row)
	}
	if near != 0 {
		text += fmt.Sprintf(" Row %d (%s) is within %s beats.", near, rowRange(c, near), num(c.Near))
	}
	return text
}

// rowRange prints the heart rates of a row: "below 80", "80 to 89", "above 100".
func rowRange(c *protocol.Choose, row int) string {
	switch {
	case row == 1:
		return "below " + num(c.Rows[0].Below)
	case row == len(c.Rows):
		return "above " + num(c.Rows[row-2].Below-1)
	}
	return num(c.Rows[row-2].Below) + " to " + num(c.Rows[row-1].Below-1)
}

func sayOtherRow(work float64, why string) string {
	return fmt.Sprintf("Set %s W instead: %s", num(work), why)
}

func sayRepeat(work float64) string { return fmt.Sprintf("Set %s W instead: %s", num(work), whyRepeat) }

func sayHarder(work, rule float64) string {
	return fmt.Sprintf("%s W is more than the %s W of today's reading: confirm a second time.", num(work), num(rule))
}

func sayJoin(a, b string) string { return strings.TrimSpace(a + " " + b) }

func sayNear(hr, within float64) string {
	return fmt.Sprintf("%s lies within %s beats of the next row", num(hr), num(within))
}

func sayAskFirst(p *protocol.Protocol, s *State, why AskReason, work float64) string {
	reason := ""
	switch {
	case why.Age:
		reason = fmt.Sprintf("age is %s or more", num(p.AskFirst.It.AgeFrom))
	case why.State != protocol.NoState:
		reason = stateNames[why.State]
	default:
		reason = fmt.Sprintf("at %s W a heart rate near %.0f is expected, above the end point; this pulse is unusually low for %s W: check the drug list and the sensor",
			num(work), why.Expected, num(s.stage().Set))
	}
	return fmt.Sprintf("A step of %s W: confirm a second time, because %s.", num(work-s.stage().Set), reason)
}

func sayRead(what protocol.Quantity, left protocol.Ms) string {
	if what == protocol.HeartRate && left > 0 {
		return fmt.Sprintf("Read heart rate: %v left.", left)
	}
	if what == protocol.RPE {
		return "Ask for the exertion now."
	}
	return fmt.Sprintf("Read %s now.", quantityName(what))
}

func sayReadIn(what protocol.Quantity, left protocol.Ms) string {
	return fmt.Sprintf("Read %s in %v.", quantityName(what), left)
}

func sayOverdue(what protocol.Quantity, by protocol.Ms) string {
	return fmt.Sprintf("Read %s: overdue by %v.", quantityName(what), by)
}

func sayReadWhy(s *State, st *Stage, minute uint8) string {
	if s.LastHR.Ref.IsZero() || s.LastHR.Moment < st.From {
		return fmt.Sprintf("End of stage minute %d.", minute)
	}
	return fmt.Sprintf("End of stage minute %d; the last was %s.", minute, num(s.LastHR.V))
}

func sayKeepGoing(left protocol.Ms) string {
	return fmt.Sprintf("Keep going, %v left in this stage.", left)
}

func sayUnsteady(j Judged, within float64) string {
	if j.N < 2 {
		return "There are no two readings to compare."
	}
	return fmt.Sprintf("%s, then %s: %s apart, more than %s.", num(j.Prev), num(j.Last), num(j.Apart()), num(within))
}

func sayMore(work float64, mark string) string {
	return strings.TrimSuffix(fmt.Sprintf("One more stage at %s W (%s)", num(work), mark), " ()")
}

func sayEndTitle(e Ending) string {
	switch {
	case e.Code == "end-point":
		return "Planned end reached."
	case e.Rule == "breaks.restart":
		return sayBreakTooLong
	}
	if r, ok := protocol.ReasonOf(e.Code); ok {
		return r.Text + "."
	}
	return "End the test."
}

func sayCoolDown(p *protocol.Protocol, s *State, work float64) string {
	switch form := p.Parts[p.Find(p.CoolDown.It.AtMost)].Work.Form(); {
	case form == "speed" || form == "same-speed" || form == "chosen-speed":
		return fmt.Sprintf("Slow down to %s km/h or less, level.", strconv.FormatFloat(work, 'f', 1, 64))
	case work == 0 || form == "rate":
		return "Let the participant slow down."
	}
	if s.In.Machine.NoWatts() {
		return "Set the cool-down, no level above the first stage's."
	}
	return fmt.Sprintf("Set the cool-down, %s W.", num(work))
}

func sayStop(p *protocol.Protocol, code string) string {
	if i := p.SignIndex(code); i >= 0 && p.Table[i].After == protocol.AfterActive {
		return "Stop the test. Let the participant slow down."
	}
	return "Stop now."
}

// sayEnding gives the reason with its numbers.
func sayEnding(p *protocol.Protocol, s *State, e Ending) string {
	if e.Sign >= 0 {
		text := p.Table[e.Sign].Text
		switch {
		case e.Limit != 0:
			text += fmt.Sprintf(": %s, against %s before", num(e.Value), num(e.Limit))
		case e.Value != 0:
			text += ": " + num(e.Value)
		}
		if e.Expired && !p.Table[e.Sign].When.Unread {
			text += "; it was not measured again in time"
		}
		return text + "."
	}
	switch e.Code {
	case "end-point":
		return fmt.Sprintf("%s is at or above %s, the first whole beat at %s %% of %s.", num(e.Value), strconv.Itoa(s.Limits.EndBeat), num(s.Limits.Percent), num(s.Limits.MaxHR)) + sayDrugFormula(&s.Limits)
	case "safety-limit":
		side := "at or above"
		if e.Measure == protocol.MeasureSpO2 {
			side = "at or below"
		}
		whose := "set by " + setBy(&s.In, e.Measure)
		if e.Measure == protocol.MeasureHR {
			whose = HRLimitWhy(&s.In, &s.Limits)
		}
		return fmt.Sprintf("%s %s is %s the limit of %s %s.", measureName(e.Measure), num(e.Value), side, num(e.Limit), joined(whose))
	case "exertion":
		return fmt.Sprintf("Exertion %s; the test ends at %s.", num(e.Value), num(e.Limit))
	case "cadence":
		return fmt.Sprintf("The cadence fell below the target %s times.", num(e.Value))
	case "break":
		return "The participant stopped for too long or too often."
	}
	return ""
}

// sayDrugFormula names a formula that holds only on a drug, and its spread; other formulas need no word here.
func sayDrugFormula(l *Limits) string {
	f, ok := physiology.FormulaFor(l.Formula)
	if !ok || f.Drug == "none" {
		return ""
	}
	return fmt.Sprintf(" That maximum is by %s, for people on a %s, and most are within %s of it.", f.ID, f.Drug, num(f.SD))
}

func measureName(m protocol.Measure) string {
	switch m {
	case protocol.MeasureHR:
		return "Heart rate"
	case protocol.MeasureSBP:
		return "Systolic pressure"
	case protocol.MeasureDBP:
		return "Diastolic pressure"
	case protocol.MeasureSpO2:
		return "Oxygen saturation"
	case protocol.MeasureRPE:
		return "Exertion"
	}
	return "The value"
}

func sayRoomWhy(s *State, beats float64) string {
	return fmt.Sprintf("Only %s beats lie between the resting heart rate of %s and the first end by heart rate.", num(beats), num(s.In.RestHR))
}

// joined sets off a reason that is more than a name.
func joined(whose string) string {
	if strings.HasPrefix(whose, "set by ") {
		return whose
	}
	return "(" + whose + ")"
}

func sayCheck(p *protocol.Protocol, e Ending, left protocol.Ms) string {
	if p.Table[e.Sign].When.Unread {
		return fmt.Sprintf("Hold the load. Take the pulse by hand and enter it: %v left.", left)
	}
	if e.Measure == protocol.MeasureHR {
		return fmt.Sprintf("Hold the load. Feel the pulse and enter it: %v left.", left)
	}
	return fmt.Sprintf("Hold the load or lower it. Measure %s again: %v left.", quantityName(quantityOf(e.Measure)), left)
}

func sayBreak(gone protocol.Ms) string { return fmt.Sprintf("Break: %v.", gone) }

func sayClockRuns(left protocol.Ms) string {
	return fmt.Sprintf("The clock runs, %v left; go on as soon as it is possible.", left)
}

func sayBreakWhy(gone protocol.Ms, b *protocol.Breaks) string {
	switch {
	case gone <= b.GoOn:
		return fmt.Sprintf("Up to %v: go on.", b.GoOn)
	case gone <= b.AddTo:
		return fmt.Sprintf("Up to %v: one extra minute.", b.AddTo)
	case gone <= b.Restart:
		return "The minutes of the stage will begin again."
	}
	return fmt.Sprintf("More than %v.", b.Restart)
}

// sayMustRestWhy is the value that asks for a rest, and when it may end.
func sayMustRestWhy(sign *protocol.Sign, value float64) string {
	text := fmt.Sprintf("%s: %s.", sign.Text, num(value))
	switch r := sign.Resume; {
	case r == nil:
	case r.AtLeast != nil:
		text += fmt.Sprintf(" May go on from %s.", num(*r.AtLeast))
	case r.Above != nil:
		text += fmt.Sprintf(" May go on above %s.", num(*r.Above))
	case r.Below != nil:
		text += fmt.Sprintf(" May go on below %s.", num(*r.Below))
	case r.AtMost != nil:
		text += fmt.Sprintf(" May go on at %s or less.", num(*r.AtMost))
	}
	return text
}

func sayStopReason(p *protocol.Protocol, code string) string {
	if r, ok := protocol.ReasonOf(code); ok {
		return r.Text + "."
	}
	if i := p.SignIndex(code); i >= 0 {
		return p.Table[i].Text + "."
	}
	return ""
}

func sayMistake(left protocol.Ms) string {
	return fmt.Sprintf("It was a mistake, go on (%v left)", left)
}

func sayCoolTooHigh(now, limit float64) string {
	return fmt.Sprintf("The cool-down runs at %s W; it is meant to be at %s W or less.", num(now), num(limit))
}

func sayCooling(left protocol.Ms) string { return fmt.Sprintf("Cool-down, %v left.", left) }

func sayRecovering(left protocol.Ms) string {
	return fmt.Sprintf("Recovery: next reading in %v.", left)
}

func sayRecoveryRead(minute int, bp bool) string {
	if bp {
		return fmt.Sprintf("Recovery minute %d: read heart rate and blood pressure.", minute)
	}
	return fmt.Sprintf("Recovery minute %d: read heart rate.", minute)
}

// sayRecoveryState says what recovery still lacks.
func sayRecoveryState(s *State, r Recovered) string {
	var parts []string
	switch {
	case r.HR == 0:
		parts = append(parts, "no heart rate since the stop")
	case s.In.RestHR == 0:
		parts = append(parts, fmt.Sprintf("heart rate %s, resting value not recorded: you judge", num(r.HR)))
	default:
		parts = append(parts, fmt.Sprintf("heart rate %s, rest %s", num(r.HR), num(s.In.RestHR)))
	}
	switch {
	case r.BPNotWatched:
	case r.SBP == 0:
		parts = append(parts, "no blood pressure since the stop")
	case s.In.RestSBP == 0:
		parts = append(parts, fmt.Sprintf("systolic %s, resting value not recorded: you judge", num(r.SBP)))
	default:
		parts = append(parts, fmt.Sprintf("systolic %s, rest %s", num(r.SBP), num(s.In.RestSBP)))
	}
	if r.Symptom {
		parts = append(parts, "a symptom stands")
	}
	if r.StillToWait > 0 {
		parts = append(parts, fmt.Sprintf("%v still to watch", r.StillToWait))
	}
	text := strings.Join(parts, "; ")
	return strings.ToUpper(text[:1]) + text[1:] + "."
}

func warnCourse(m, plan float64) string {
	return fmt.Sprintf("The course is %s m long, the plan's %s m: not comparable with walks on that one.", num(m), num(plan))
}

func warnOtherWork(set, planned float64) string {
	return fmt.Sprintf("Work rate %s instead of the planned %s.", num(set), num(planned))
}

func warnObserved(observed, set float64) string {
	return fmt.Sprintf("The machine measured %s W, set are %s W.", num(observed), num(set))
}

func warnMissing(what protocol.Quantity, by protocol.Ms) string {
	name := quantityName(what)
	return fmt.Sprintf("%s%s is overdue by %v.", strings.ToUpper(name[:1]), name[1:], by)
}

func warnWindow(v float64, minute uint8) string {
	return fmt.Sprintf("%s was read outside the window of minute %d.", num(v), minute)
}

func warnCadence(target float64, times, most int) string {
	return fmt.Sprintf("Cadence fell below the target of %s /min (%d of %d times that end the test).", num(target), times, most)
}

func warnRPE(v, end float64) string {
	return fmt.Sprintf("Exertion %s: watch closely; the test ends at %s.", num(v), num(end))
}

func warnNotLeading(state protocol.State) string {
	name := stateNames[state]
	return "Heart rate does not lead this test (" + name + "): exertion, symptoms and the referrer's limit do."
}

func warnLate(v *Value) string {
	if v.What == protocol.NoQuantity {
		return fmt.Sprintf("The other device recorded a stop sign or a stop at %v. Look at the participant.", v.Moment)
	}
	return fmt.Sprintf("The other device recorded %s of %s at %v, at or beyond a limit.", quantityName(v.What), num(v.V), v.Moment)
}

func warnUncertain(by protocol.Ms) string {
	return fmt.Sprintf("After an interruption the time is known only within %v.", by)
}

// SignSource says where a stop sign comes from: the title of its source and how it is known.
func SignSource(p *protocol.Protocol, sign int) string {
	s := &p.Table[sign]
	title := s.Source
	for i := range p.TableSources {
		if p.TableSources[i].ID == s.Source {
			title = p.TableSources[i].Title
		}
	}
	return title + " (" + s.How.Phrase() + ")"
}

// sourceOf says where a rule comes from.
func sourceOf(p *protocol.Protocol, rule Rule, sign int) string {
	if sign > 0 {
		return SignSource(p, sign-1)
	}
	if strings.HasPrefix(string(rule), "conductor.") {
		return protocol.Choice.Phrase()
	}
	if strings.HasPrefix(string(rule), "limits.") {
		return "the site's or referrer's own limit"
	}
	paper, ok := p.PaperOf(string(rule))
	if !ok {
		return "the protocol"
	}
	text := paper.How.Phrase()
	if source, ok := p.SourceOf(paper.Source); ok {
		text = source.Title + " (" + text + ")"
	}
	return text
}
