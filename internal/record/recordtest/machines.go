package recordtest

import (
	"testing"

	"gradus/equipment"
	"gradus/internal/record"
)

func machines(t *testing.T, b *bench) {
	profile := equipment.Profile{Name: "Stepper by the window", Kind: "recumbent-stepper", Shows: equipment.Levels, Step: 1, Note: "ü",
		Table: []equipment.Row{{Level: 1, Cadence: 80, WorkW: 20}}, Calibrations: []equipment.Calibration{{Date: "2026-01-05", Result: "within 2 W"}}}
	first := must(b.SaveMachine(ctx, record.Machine{Profile: profile, By: "KL"}))(t)
	if first.ID == 0 || first.Version != 1 || first.At.IsZero() {
		t.Errorf("stored as %+v", first)
	}
	other := must(b.SaveMachine(ctx, record.Machine{Profile: equipment.Profile{Name: "Cycle", Shows: equipment.METs}, By: "KL"}))(t)
	equal(t, "read back", must(b.Machine(ctx, first.ID))(t), first)
	change := first
	change.Name, change.Table, change.By = "Stepper at the door", nil, "MN"
	second := must(b.SaveMachine(ctx, change))(t)
	equal(t, "version", second.Version, 2)
	equal(t, "as it stands", must(b.Machines(ctx))(t), []record.Machine{second, other})
	equal(t, "versions", must(b.MachineVersions(ctx, first.ID))(t), []record.Machine{first, second})

	_, err := b.SaveMachine(ctx, change)
	equal(t, "change of an old version", *refused[*record.ChangedError](t, "change of an old version", err), record.ChangedError{What: "machine Stepper at the door", Have: 2, Got: 1})
	change.ID = 77
	_, err = b.SaveMachine(ctx, change)
	missing(t, "change of an unknown machine", err)
	_, err = b.Machine(ctx, 77)
	missing(t, "an unknown machine", err)
	_, err = b.MachineVersions(ctx, 77)
	missing(t, "versions of an unknown machine", err)
	for what, m := range map[string]record.Machine{
		"nobody":        {Profile: profile},
		"no name":       {By: "KL", Profile: equipment.Profile{Shows: equipment.Watts}},
		"shows nothing": {By: "KL", Profile: equipment.Profile{Name: "x"}},
	} {
		_, err := b.SaveMachine(ctx, m)
		refused[*record.InvalidError](t, what, err)
	}
}

func controlRuns(t *testing.T, b *bench) {
	m := must(b.SaveMachine(ctx, record.Machine{Profile: equipment.Profile{Name: "Cycle", Shows: equipment.Watts}, By: "KL"}))(t)
	good := record.ControlRun{Machine: m.ID, Staff: "S-1", Date: "2026-03-02", Work: 75, HeartRates: []float64{110, 112}, Anew: true, By: "KL"}
	late := must(b.AddControlRun(ctx, good))(t)
	good.Date, good.Anew = "2026-02-02", false
	early := must(b.AddControlRun(ctx, good))(t)
	equal(t, "runs", must(b.ControlRuns(ctx, m.ID))(t), []record.ControlRun{early, late})
	if err := b.StrikeControlRun(ctx, early.ID, "KL", "another person"); err != nil {
		t.Fatal(err)
	}
	early.StruckBy, early.StruckWhy = "KL", "another person"
	equal(t, "runs", must(b.ControlRuns(ctx, m.ID))(t), []record.ControlRun{early, late})
	refused[*record.InvalidError](t, "striking out twice", b.StrikeControlRun(ctx, early.ID, "KL", "x"))
	refused[*record.InvalidError](t, "striking out without a reason", b.StrikeControlRun(ctx, late.ID, "KL", ""))
	missing(t, "striking out an unknown run", b.StrikeControlRun(ctx, 77, "KL", "x"))
	for what, change := range map[string]func(*record.ControlRun){
		"no day":      func(r *record.ControlRun) { r.Date = "" },
		"nobody":      func(r *record.ControlRun) { r.Staff = "" },
		"no work":     func(r *record.ControlRun) { r.Work = 0 },
		"no readings": func(r *record.ControlRun) { r.HeartRates = nil },
		"a slip":      func(r *record.ControlRun) { r.HeartRates = []float64{1120} },
	} {
		bad := good
		change(&bad)
		_, err := b.AddControlRun(ctx, bad)
		refused[*record.InvalidError](t, what, err)
	}
	good.Machine = 77
	_, err := b.AddControlRun(ctx, good)
	missing(t, "a run on an unknown machine", err)
}
