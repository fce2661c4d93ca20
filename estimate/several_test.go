package estimate_test

import (
	"math"
	"strings"
	"testing"

	"gradus/conduct"
	"gradus/estimate"
	estimators "gradus/estimate/library"
	"gradus/protocol"
	protocols "gradus/protocol/library"
)

// surveyTest runs a test by survey protocol 4 with the heart rates of its two stages.
func surveyTest(t *testing.T, also []string, in conduct.Inputs, first, second float64) estimate.Assessment {
	t.Helper()
	p, err := protocols.Load("survey-treadmill-4", estimators.LineOf)
	if err != nil {
		t.Fatal(err)
	}
	p.Outcome.Also = also
	e, err := estimators.Of(&p.Outcome)
	if err != nil {
		t.Fatal(err)
	}
	begin := &conduct.Begin{Format: conduct.FormatVersion, Protocol: p.ID, Version: p.Version, Hash: p.Hash, Inputs: in}
	var s conduct.State
	for _, ev := range []conduct.Event{
		{Kind: conduct.Began, Begin: begin},
		{Kind: conduct.StageBegun, Code: "warm-up", V: 4.345229, V2: 2},
		{At: 2 * protocol.Minute, Kind: conduct.StageBegun, Code: "stage-1", V: 4.988966, V2: 4},
		{At: 5 * protocol.Minute, Kind: conduct.Reading, What: protocol.HeartRate, V: first, Src: conduct.Strap},
		{At: 5 * protocol.Minute, Kind: conduct.StageBegun, Code: "stage-2", V: 4.988966, V2: 8.5},
		{At: 8 * protocol.Minute, Kind: conduct.Reading, What: protocol.HeartRate, V: second, Src: conduct.Strap},
		{At: 8 * protocol.Minute, Kind: conduct.Stopped, Code: "completed"},
	} {
		id := s.NextID()
		ev.Term, ev.N = id.Term, id.N
		if s, err = conduct.Apply(p, s, &ev); err != nil {
			t.Fatal(err)
		}
	}
	return estimate.Assess(p, &s, e)
}

func TestSeveralEstimatesStandSideBySide(t *testing.T) {
	in := conduct.Inputs{AgeYears: 49, Sex: conduct.Male, MassKg: 92.5, HeightCm: 178, Drug: conduct.DrugNo, BP: conduct.BPNone}
	a := surveyTest(t, []string{"treadmill-walk-extrapolation", "stage-extrapolation", "nx-bmi-1990"}, in, 115, 134)
	if len(a.Compared) != 4 || !a.Compared[0].Leads || a.Compared[0].Kind != "extrapolation" || a.Compared[0].Result != a.Estimate {
		t.Fatalf("%+v", a.Compared)
	}
	// The leading line reaches 171 /min; so does the one over the window of 110 /min to 85 %.
	walk, same := a.Compared[1], a.Compared[2]
	if walk.Result == nil || same.Result == nil || walk.Agrees == nil || !*walk.Agrees || !*same.Agrees || math.Abs(float64(same.Apart)) > 1e-9 {
		t.Errorf("walk %+v, same %+v", walk, same)
	}
	if c := a.Compared[3]; c.Kind != "expectation" || c.Result != nil || c.NoEstimate != "physical activity rating is not recorded" {
		t.Errorf("%+v", c)
	}
	for _, r := range a.Reasons {
		if r.ID == "estimates-disagree" {
			t.Errorf("%+v", r)
		}
	}
}

func TestEstimatesThatDisagreeAreACaution(t *testing.T) {
	in := conduct.Inputs{AgeYears: 49, Sex: conduct.Male, MassKg: 92.5, MaxHR: 172, Drug: conduct.DrugYes, DrugName: "metoprolol", BP: conduct.BPNone}
	// A measured maximum just reached: the line ends at once, the equation of the walk goes on.
	a := surveyTest(t, []string{"treadmill-walk-1991"}, in, 155, 175)
	if len(a.Compared) != 2 || a.Compared[1].Agrees == nil || *a.Compared[1].Agrees {
		t.Fatalf("%+v", a.Compared)
	}
	found := false
	for _, r := range a.Reasons {
		if r.ID == "estimates-disagree" {
			found = strings.Contains(r.Text, "Likely reasons: the rate-limiting drug, ") && strings.Contains(r.Text, "a wrong work rate entered")
		}
	}
	if !found {
		t.Errorf("%+v", a.Reasons)
	}
}

func TestValueAboveEightyIsKeptAndNotUsable(t *testing.T) {
	in := conduct.Inputs{AgeYears: 20, Drug: conduct.DrugNo, BP: conduct.BPNone}
	a := surveyTest(t, nil, in, 110, 119)
	if v := float64(a.Estimate.Value); math.Abs(v-83.8) > 1e-5 || a.Verdict != estimate.NotUsable || len(a.Compared) != 0 {
		t.Errorf("value %v, verdict %s, %d compared", v, a.Verdict, len(a.Compared))
	}
}
