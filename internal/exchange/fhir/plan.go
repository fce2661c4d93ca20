package fhir

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"gradus/prescribe"
)

// plan adds the exercise plan: a request for each run of equal weeks, and the plan that holds them. All is a proposal
// in draft: the clinician decides in the system that receives it.
func (w *writer) plan() (names []string) {
	plan := w.t.Plan
	if plan == nil || len(plan.Weeks) == 0 {
		return nil
	}
	activities := []*object{}
	for i := 0; i < len(plan.Weeks); {
		last := i
		for last+1 < len(plan.Weeks) && plan.Weeks[last+1].Continues(&plan.Weeks[last]) {
			last++
		}
		id := w.add(w.id("request", strconv.Itoa(i)), w.weeks(&plan.Weeks[i], last-i+1), "")
		names = append(names, id)
		activities = append(activities, obj("reference", reference(id)))
		i = last + 1
	}
	o := obj("resourceType", "CarePlan", "status", "draft", "intent", "proposal", "title", "Exercise plan: "+plan.Title, "subject", reference(w.patient), "created", w.t.Date)
	o.set("author", reference(w.examiner))
	o.set("activity", list(activities...))
	notes := []*object{obj("text", "adapt to local policy and to the person")}
	for _, x := range plan.Intervals {
		if x.ID == plan.Interval {
			notes = append(notes, obj("text", "intervals: "+x.Text))
		}
	}
	for _, c := range plan.Cautions {
		notes = append(notes, obj("text", c.Text))
	}
	for _, s := range plan.Sources {
		notes = append(notes, obj("text", "source: "+s))
	}
	o.set("note", list(notes...))
	return append(names, w.add(w.id("plan"), o, ""))
}

func (w *writer) weeks(from *prescribe.Week, n int) *object {
	repeat := obj("boundsDuration", obj("value", decimal(float64(n)), "unit", "weeks", "system", ucumSystem, "code", "wk"))
	repeat.set("frequency", decimal(math.Floor(from.Sessions)))
	if most := math.Ceil(from.Sessions); most > from.Sessions {
		repeat.set("frequencyMax", decimal(most))
	}
	repeat.set("period", decimal(1))
	repeat.set("periodUnit", "wk")
	repeat.set("duration", decimal(from.Minutes))
	repeat.set("durationUnit", "min")
	o := obj("resourceType", "ServiceRequest", "status", "draft", "intent", "proposal", "code", concept(codeOf("plan"), "Exercise training"), "subject", reference(w.patient))
	o.set("occurrenceTiming", obj("repeat", repeat))
	o.set("authoredOn", w.t.Date)
	o.set("requester", reference(w.examiner))
	note := fmt.Sprintf("weeks %d to %d", from.Week, from.Week+n-1)
	if from.Edited {
		note += ", " + from.Changed + " instead of what was computed"
	}
	o.set("note", list(obj("text", note)))
	o.set("patientInstruction", instruction(from))
	return o
}

// instruction says how hard, with heart rate and work rate only where the plan has them.
func instruction(w *prescribe.Week) string {
	parts := []string{fmt.Sprintf("exertion %g to %g on the scale from 6 to 20", w.RPEFrom, w.RPETo)}
	if w.HRLow != nil && w.HRHigh != nil {
		parts = append(parts, fmt.Sprintf("heart rate %.0f to %.0f per minute", *w.HRLow, *w.HRHigh))
	}
	if w.WorkLow != nil && w.WorkHigh != nil {
		parts = append(parts, fmt.Sprintf("work rate %.0f to %.0f W", *w.WorkLow, *w.WorkHigh))
	}
	text := upper(strings.Join(parts, ", ")) + "."
	if w.Intervals > 0 {
		text += fmt.Sprintf(" %d of the %g sessions a week as intervals: see the plan.", w.Intervals, w.Sessions)
	}
	return text
}
