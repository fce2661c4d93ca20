package equipment_test

import (
	"math"
	"strings"
	"testing"

	"gradus/equipment"
)

// The constants are those of every textbook of control charts: d2 of two values is 2/sqrt(pi), and 3/d2 is the 2.66 by
// which the mean moving range is multiplied.
func TestConstants(t *testing.T) {
	of := map[string]equipment.Constant{}
	for _, c := range equipment.Constants() {
		of[c.ID] = c
		if c.Source == "" || c.How != "practice" && c.How != "choice" {
			t.Errorf("%s has no source, or is known in no way: %+v", c.ID, c)
		}
	}
	if d2 := of["d2"].Value; math.Abs(d2-2/math.Sqrt(math.Pi)) > 0.0005 || math.Abs(of["out"].Value/d2-2.66) > 0.005 {
		t.Errorf("d2 = %v, 3/d2 = %v", d2, of["out"].Value/d2)
	}
	for id, want := range map[string]float64{"warn": 2, "out": 3, "warn_count": 2, "warn_of": 3, "side": 8} {
		if of[id].Value != want || of[id].How != "practice" {
			t.Errorf("%s is %+v, want %v by common practice", id, of[id], want)
		}
	}
}

func TestJudge(t *testing.T) {
	steady := []float64{110, 112, 110, 112, 110, 112, 110, 112, 110, 112} // mean 111, moving range 2, SD 2/1.128 = 1.773
	with := func(more ...float64) []float64 { return append(append([]float64(nil), steady...), more...) }
	for name, c := range map[string]struct {
		values []float64
		want   equipment.Sign
		needs  int
	}{
		"no run":                        {nil, equipment.TooFew, 6},
		"five runs":                     {steady[:5], equipment.TooFew, 1},
		"six runs":                      {steady[:6], equipment.InControl, 0},
		"as before":                     {with(111), equipment.InControl, 0},
		"just inside the warning limit": {with(114.5), equipment.InControl, 0},
		"beyond the warning limit":      {with(114.6), equipment.Watch, 0},
		"below the warning limit":       {with(107.4), equipment.Watch, 0},
		"just inside the control limit": {with(116.3), equipment.Watch, 0},
		"beyond the control limit":      {with(116.4), equipment.OutOfControl, 0},
		"below the control limit":       {with(105.6), equipment.OutOfControl, 0},
		"two of three high":             {with(115, 111, 115), equipment.Drift, 0},
		"one high, one low":             {with(107, 111, 115), equipment.Watch, 0},
		"eight on one side":             {with(112, 112, 113, 112, 111.5, 112, 113, 112), equipment.Drift, 0},
		"seven on one side":             {with(110, 112, 112, 113, 112, 112, 113, 112), equipment.InControl, 0},
		"the sixth of a slow creep":     {[]float64{110, 111, 112, 113, 114, 115}, equipment.OutOfControl, 0},
	} {
		got := equipment.Judge(c.values)
		if got.Sign != c.want || got.Needs != c.needs {
			t.Errorf("%s: %v, needs %d; want %v, %d", name, got, got.Needs, c.want, c.needs)
		}
	}
	if c := equipment.Judge(with(111)); c.Baseline != 10 || c.Mean != 111 || math.Abs(c.SD-1.773) > 0.001 {
		t.Errorf("%+v", c)
	}
}

func TestSteady(t *testing.T) {
	for _, c := range []struct {
		rates []float64
		want  float64
	}{{nil, 0}, {[]float64{112}, 112}, {[]float64{90, 112, 115}, 113.5}} {
		if got := equipment.Steady(c.rates); got != c.want {
			t.Errorf("%v: %v, want %v", c.rates, got, c.want)
		}
	}
}

func TestEstimates(t *testing.T) {
	table := []equipment.Row{{Level: 1, Cadence: 80, WorkW: 20}}
	for name, c := range map[string]struct {
		p   equipment.Profile
		ok  bool
		why string
	}{
		"watts":                   {equipment.Profile{Shows: equipment.Watts}, true, ""},
		"METs":                    {equipment.Profile{Shows: equipment.METs}, false, "mets"},
		"levels":                  {equipment.Profile{Shows: equipment.Levels}, false, "no-table"},
		"levels with their table": {equipment.Profile{Shows: equipment.Levels, Table: table}, true, ""},
	} {
		if ok, why := c.p.Estimates(); ok != c.ok || why != c.why {
			t.Errorf("%s: %v, %q", name, ok, why)
		}
	}
}

func TestWatts(t *testing.T) {
	p := equipment.Profile{Table: []equipment.Row{{3, 100, 60}, {3, 80, 40}, {3, 90, 55}, {4, 80, 70}}}
	for _, c := range []struct {
		level, cadence, want float64
		ok                   bool
	}{{3, 80, 40, true}, {3, 85, 47.5, true}, {3, 90, 55, true}, {3, 95, 57.5, true}, {3, 100, 60, true}, {3, 79, 0, false}, {3, 101, 0, false}, {4, 80, 70, true}, {4, 81, 0, false}, {5, 80, 0, false}} {
		if got, ok := p.Watts(c.level, c.cadence); got != c.want || ok != c.ok {
			t.Errorf("level %v at %v: %v, %v", c.level, c.cadence, got, ok)
		}
	}
}

func TestCheck(t *testing.T) {
	good := func() equipment.Profile {
		return equipment.Profile{Name: "Stepper", Shows: equipment.Levels, Step: 1, Table: []equipment.Row{{1, 80, 20}, {2, 80, 40}},
			Calibrations: []equipment.Calibration{{Date: "2026-01-05", Result: "within 2 W"}}}
	}
	if err := good().Check(); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		change func(*equipment.Profile)
		want   string
	}{
		"no name":             {func(p *equipment.Profile) { p.Name = " " }, "name: it is empty"},
		"shows nothing":       {func(p *equipment.Profile) { p.Shows = "" }, "shows:"},
		"a negative step":     {func(p *equipment.Profile) { p.Step = -1 }, "smallest_step:"},
		"no number":           {func(p *equipment.Profile) { p.Step = math.NaN() }, "smallest_step:"},
		"a table of watts":    {func(p *equipment.Profile) { p.Shows = equipment.Watts }, "table: only"},
		"a line twice":        {func(p *equipment.Profile) { p.Table[1] = p.Table[0] }, "twice"},
		"no cadence":          {func(p *equipment.Profile) { p.Table[0].Cadence = 0 }, "cadence"},
		"too many watts":      {func(p *equipment.Profile) { p.Table[0].WorkW = 2000 }, "2000 W"},
		"no result":           {func(p *equipment.Profile) { p.Calibrations[0].Result = "" }, "calibration:"},
		"an endless name":     {func(p *equipment.Profile) { p.Name = strings.Repeat("x", 121) }, "too long"},
		"an impossible level": {func(p *equipment.Profile) { p.Table[0].Level = math.Inf(1) }, "level"},
	} {
		p := good()
		c.change(&p)
		if err := p.Check(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}
