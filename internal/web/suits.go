package web

import (
	"net/http"

	"gradus/conduct"
	"gradus/internal/record"
	"gradus/protocol"
	"gradus/screen"
)

// fitView says whether the chosen test fits the person, and why not.
type fitView struct {
	Fits     string // yes, ask or no
	Text     string
	Why      []string
	Cautions []string
	Visit    int64 // where it is asked; 0: no visit today
}

// fitOf judges the chosen protocol by what was asked today of abilities, machines and space.
func (s *Server) fitOf(r *http.Request, p record.Participant, plan *protocol.Protocol) (v fitView, err error) {
	facts, err := s.todayFacts(r, p.ID)
	if err != nil {
		return v, err
	}
	a := readAbilities(facts[factAbilities])
	if a.Machines == nil {
		if a.Machines, err = s.machinesHere(r); err != nil {
			return v, err
		}
	}
	person, _, err := s.fitPerson(r, p, a)
	if err != nil {
		return v, err
	}
	m := screen.Fit(person, []screen.Plan{screen.PlanOf(plan)})[0]
	v = fitView{Fits: m.Fits, Text: say("fits." + m.Fits), Why: m.Why, Cautions: m.Cautions}
	today := s.day()
	visits, err := s.store.Visits(r.Context(), record.VisitFilter{Participant: p.ID, From: today, To: today})
	if err == nil && len(visits) > 0 {
		v.Visit = visits[0].ID
	}
	return v, err
}

// machineNamed is the machine of the record that a test is done on; ok is false when it is not in the record.
func (s *Server) machineNamed(r *http.Request, name string) (m record.Machine, ok bool, err error) {
	if name == "" {
		return m, false, nil
	}
	list, err := s.store.Machines(r.Context())
	for _, one := range list {
		if one.Name == name && !one.Retired {
			m, ok = one, true
		}
	}
	return m, ok, err
}

// byMachine takes over from the record what the machine shows: where it gives no work rate, there will be no estimate.
func (s *Server) byMachine(r *http.Request, in *conduct.Inputs) (m record.Machine, known bool, err error) {
	m, known, err = s.machineNamed(r, in.MachineID)
	if err != nil || !known {
		return m, false, err
	}
	if in.Machine == conduct.ShowsNotRecorded {
		if err := in.Machine.UnmarshalText([]byte(m.Shows)); err != nil {
			return m, false, err
		}
	}
	if in.Machine == conduct.ShowsLevels && len(m.Table) == 0 {
		in.Machine = conduct.ShowsLevelsOnly
	}
	return m, true, nil
}

// onMachine puts the machine into the plan: the level beside each load, or why there will be no estimate.
func (v *planView) onMachine(plan *protocol.Protocol, in *conduct.Inputs, m record.Machine, known bool) {
	if plan.Outcome.Estimator == "none" || !setsWatts(plan) {
		return
	}
	switch in.Machine {
	case conduct.ShowsMETs:
		v.NoEstimate = say("machine.why.mets")
	case conduct.ShowsLevelsOnly:
		v.NoEstimate = say("machine.why.no-table")
	case conduct.ShowsLevels:
		if !known {
			v.Cautions = append(v.Cautions, say("caution.levels.unknown"))
			return
		}
		v.Level = levelOf(m, cadenceFor(plan, in))
		if w := plan.Parts[0].Work.Watts; w != nil {
			v.First = say("plan.first", num(*w), v.Level(*w))
		}
	}
}

func setsWatts(plan *protocol.Protocol) bool {
	for i := range plan.Parts {
		switch plan.Parts[i].Work.Form() {
		case "fixed", "row", "added", "chosen":
			return true
		}
	}
	return false
}

// cadenceFor is the cadence that a test is ridden at; 0 when it is not known.
func cadenceFor(plan *protocol.Protocol, in *conduct.Inputs) float64 {
	if plan.Cadence.Is() && plan.Cadence.It.Fixed > 0 {
		return plan.Cadence.It.Fixed
	}
	return in.Cadence
}

// levelOf writes the level of a machine beside a work rate.
func levelOf(m record.Machine, cadence float64) func(float64) string {
	return func(watts float64) string {
		level, gives, ok := m.Level(watts, cadence)
		if !ok {
			return " (" + say("plan.level.none") + ")"
		}
		if gives == watts {
			return " (" + say("plan.level", num(level)) + ")"
		}
		return " (" + say("plan.level.near", num(level), fixedIf(gives)) + ")"
	}
}
