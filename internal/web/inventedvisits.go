package web

import (
	"context"
	"encoding/json"
	"time"

	"gradus/equipment"
	"gradus/internal/record"
)

// inventedMachine is the machine of the demonstration, with a biological control that shows nothing unusual.
var inventedMachine = record.Machine{By: "XX", Profile: equipment.Profile{Name: "Stepper by the window (invented)", Kind: "recumbent-stepper", Shows: equipment.Watts, Step: 5}}

// inventedRuns are heart rates of an invented staff member at 75 W, every second week, the last one today.
var inventedRuns = [][]float64{{116, 118}, {117, 119}, {115, 117}, {118, 118}, {116, 119}, {117, 118}, {115, 118}, {118, 120}}

// inventVisits gives the invented people appointments, a past visit and a retest that is due, and a machine.
func inventVisits(ctx context.Context, store record.Store, people []record.Participant, now time.Time) error {
	day := func(days int) string { return now.AddDate(0, 0, days).Format(time.DateOnly) }
	machine := inventedMachine
	machine.Calibrations = []equipment.Calibration{{Date: day(-160), Result: "within 2 W from 25 to 150 W", Next: day(205)}}
	machine, err := store.SaveMachine(ctx, machine)
	if err != nil {
		return err
	}
	if _, err := store.SaveMachine(ctx, record.Machine{By: "XX", Profile: equipment.Profile{Name: "Old cycle (invented)", Kind: "cycle", Shows: equipment.METs}}); err != nil {
		return err
	}
	for i, rates := range inventedRuns {
		run := record.ControlRun{Machine: machine.ID, Staff: "S-1", Date: day(14 * (i - len(inventedRuns) + 1)), Work: 75, HeartRates: rates, By: "XX"}
		if _, err := store.AddControlRun(ctx, run); err != nil {
			return err
		}
	}
	fit := fitFact{Machine: machine.ID, MachineVersion: machine.Version, MachineName: machine.Name, Shows: string(machine.Shows), Seat: "hole 4", ArmLength: "7", Strap: "none", Shoes: "grey trainers",
		StopSignal: "raises a hand", TriedS: 90, CadencePerMin: 96, ThreeMinutes: "yes"}
	for _, v := range []struct {
		who  int
		days int
		record.Visit
	}{
		{0, 0, record.Visit{Time: "09:30", State: record.VisitPlanned}},
		{1, -42, record.Visit{Time: "10:00", State: record.VisitDone, RetestDue: day(0), Note: "tested elsewhere; brought a report"}},
		{2, -7, record.Visit{Time: "14:00", State: record.VisitMissed}},
		{2, 3, record.Visit{Time: "14:00", State: record.VisitPlanned}},
	} {
		v.Visit.Participant, v.Visit.Date = people[v.who].ID, day(v.days)
		stored, err := store.AddVisit(ctx, v.Visit)
		if err != nil {
			return err
		}
		if v.State != record.VisitDone {
			continue
		}
		text, err := json.Marshal(fit)
		if err == nil {
			_, err = store.AddFact(ctx, record.Fact{Visit: stored.ID, Kind: factFit, JSON: text, By: "XX"})
		}
		if err != nil {
			return err
		}
	}
	return nil
}
