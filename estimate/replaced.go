package estimate

import (
	"fmt"
	"strconv"

	"gradus/conduct"
	"gradus/protocol"
)

// Stand is a version of a result in short: what a reader compares.
type Stand struct {
	Verdict string `json:"verdict"`
	Value   Number `json:"value"`           // mL/kg/min or the estimator's unit; null when there is none
	Why     string `json:"why,omitempty"`   // why there is no value
	Limit   int    `json:"end_point_first"` // first whole beat of the end point; 0: none
}

// Replaced says what a correction made after the test was closed changed in the result.
type Replaced struct {
	Version int        `json:"version"` // of the new result, from 2
	Event   conduct.ID `json:"event"`
	By      string     `json:"by,omitempty"`
	Wall    string     `json:"wall,omitempty"`
	What    string     `json:"what"` // "rate limiting drug: no, now yes"
	Before  Stand      `json:"before"`
	After   Stand      `json:"after"`
}

// Changed reports whether the result says something else than before.
func (r *Replaced) Changed() bool {
	same := r.Before.Value == r.After.Value || !r.Before.Value.Present() && !r.After.Value.Present()
	return !same || r.Before.Verdict != r.After.Verdict || r.Before.Limit != r.After.Limit
}

// Replacements lists the corrections made after a test was closed, each with the result before and after it. It is never nil.
func Replacements(p *protocol.Protocol, events []conduct.Event, e *Estimator) []Replaced {
	out := []Replaced{}
	for _, r := range conduct.Revisions(p, events) {
		event := &events[r.Index]
		out = append(out, Replaced{Version: r.Version, Event: event.ID(), By: event.By, Wall: event.Wall, What: conduct.Revised(p, event, &r.Before, &r.After),
			Before: standOf(p, &r.Before, e), After: standOf(p, &r.After, e)})
	}
	return out
}

func standOf(p *protocol.Protocol, s *conduct.State, e *Estimator) Stand {
	a := Assess(p, s, e)
	out := Stand{Verdict: a.Verdict, Value: Absent, Why: a.NoEstimate, Limit: s.Limits.EndBeat}
	if a.Estimate != nil {
		out.Value = a.Estimate.Value
		if !out.Value.Present() {
			out.Why = a.Estimate.Why
		}
	}
	return out
}

// Text says a version of a result in one line.
func (s *Stand) Text(unit string) string {
	if !s.Value.Present() {
		return fmt.Sprintf("%s, no estimate (%s)", s.Verdict, s.Why)
	}
	return strconv.FormatFloat(float64(s.Value), 'f', 1, 64) + " " + unit + ", " + s.Verdict
}
