package exchange

import (
	"math"
	"strings"
	"time"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/internal/exchange/fhir"
	"gradus/internal/sheet"
	"gradus/physiology"
	"gradus/prescribe"
	"gradus/protocol"
)

// FromSheet makes a test of a data sheet ready for FHIR. A sheet knows no time zone: without one (nil) only the day of
// a reading is written.
func FromSheet(t *sheet.Scored, zone *time.Location) fhir.Test {
	said := t.Person.Said
	out := fhir.Test{ID: t.ID, Date: t.Person.Date, Examiner: said["examiner"], Protocol: t.Protocol, Estimator: t.Estimator, State: &t.State, Judged: &t.Judged,
		Version: t.Judged.Version, Person: fhir.Person{Code: t.Person.Participant, BirthDate: said["birth_date"], Sex: Word(t.State.In.Sex)}}
	if v := t.Visit(); zone != nil && v.Hour > 0 {
		if day, err := time.ParseInLocation(time.DateOnly, t.Person.Date, zone); err == nil {
			out.Begin = day.Add(time.Duration(math.Round(v.Hour*60)) * time.Minute)
		}
	}
	return out
}

// Word is a coded value as text.
func Word(m interface{ MarshalText() ([]byte, error) }) string {
	text, err := m.MarshalText()
	if err != nil {
		return ""
	}
	return string(text)
}

// PlanOf proposes a plan from a test of a data sheet.
func PlanOf(t *sheet.Scored, condition string, weeks int) (*prescribe.Prescription, error) {
	return plan(t.Protocol, &t.State, t.Judged.Estimate, condition, weeks)
}

// Plan proposes a plan from a recorded test.
func (r *Recorded) Plan(condition string, weeks int) (*prescribe.Prescription, error) {
	return plan(r.Protocol, &r.State, r.Judged.Estimate, condition, weeks)
}

func plan(proto *protocol.Protocol, s *conduct.State, r *estimate.Result, condition string, weeks int) (*prescribe.Prescription, error) {
	in := &s.In
	p := prescribe.Person{AgeYears: in.AgeYears, MassKg: in.MassKg, RestHR: in.RestHR, MaxHR: s.Limits.MaxHR, MaxHRSource: s.Limits.Formula, Drug: Word(in.Drug), Rhythm: Word(in.Rhythm),
		ICDRate: in.DeviceRate, IschaemiaHR: in.IschaemiaHR, Machine: machineOf(proto.ID)}
	if f, ok := physiology.FormulaFor(s.Limits.Formula); ok && in.MaxHR == 0 {
		p.MaxHRSD = f.SD
	}
	if p.Drug == "" {
		p.Drug = "unknown"
	}
	if r = r.PerKg(in.MassKg); r != nil && r.Value.Present() && r.SEE.Present() {
		p.VO2Peak, p.SEE = float64(r.Value), float64(r.SEE)
	}
	for i := range s.Stages[:s.NStages] {
		if hr, _, ok := s.LastHeart(proto, i); ok && s.Judge(proto, i).Counts {
			p.Stages = append(p.Stages, prescribe.Stage{WorkW: s.Stages[i].Set, HR: hr, RPE: lastRPE(&s.Stages[i])})
		}
	}
	return prescribe.For(p, prescribe.Choice{Condition: condition, Weeks: weeks})
}

func lastRPE(st *conduct.Stage) (rpe float64) {
	for _, r := range st.Readings[:st.NReadings] {
		if r.What == protocol.RPE && !r.Withdrawn && !r.Void {
			rpe = r.V
		}
	}
	return rpe
}

func machineOf(protocol string) string {
	switch {
	case strings.Contains(protocol, "stepper"):
		return "recumbent stepper"
	case strings.Contains(protocol, "arm"):
		return "arm"
	case strings.Contains(protocol, "walk"), strings.Contains(protocol, "treadmill"):
		return "walk"
	}
	return "cycle"
}
