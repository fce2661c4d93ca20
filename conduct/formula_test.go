package conduct

import (
	"testing"

	"gradus/protocol"
)

// The formula of the first test stays; one that does not hold today, and a protocol that needs its own, end that.
func TestFormulaOf(t *testing.T) {
	end := &protocol.End{Percent: 85, Of: "max_hr", Formula: "220-age"}
	needs := &protocol.End{Percent: 85, Of: "max_hr", Formula: "220-age", Needs: true}
	base := Inputs{AgeYears: 60, Sex: Male, RestHR: 60}
	for _, c := range []struct {
		name, chosen, first, modality string
		drug                          Drug
		end                           *protocol.End
		want                          string
	}{
		{"nothing known", "", "", "treadmill", DrugNo, end, "220-age"},
		{"the first test's stays", "", "208-0.7age", "treadmill", DrugNo, end, "208-0.7age"},
		{"a choice goes before it", "211-0.64age", "208-0.7age", "treadmill", DrugNo, end, "211-0.64age"},
		{"the protocol needs its own", "", "208-0.7age", "treadmill", DrugNo, needs, "220-age"},
		{"of the other sex", "", "206-0.88age", "treadmill", DrugNo, end, "220-age"},
		{"still on the drug", "", "164-0.7age", "treadmill", DrugYes, end, "164-0.7age"},
		{"off the drug", "", "164-0.7age", "treadmill", DrugNo, end, "220-age"},
		{"drug not recorded today", "", "164-0.7age", "treadmill", DrugNotRecorded, end, "220-age"},
		{"made for the arms", "", "210-age-arm", "treadmill", DrugNo, end, "220-age"},
		{"arms again", "", "210-age-arm", "arm ergometer", DrugNo, end, "210-age-arm"},
	} {
		in := base
		in.Formula, in.First, in.Drug = c.chosen, c.first, c.drug
		if got := in.FormulaOf(c.modality, c.end); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
	// today's age: ten years later the same formula gives a lower end
	then, now := Limits{}, Limits{}
	in := base
	in.First = "208-0.7age"
	then.endPoint("treadmill", end, &in)
	in.AgeYears = 70
	now.endPoint("treadmill", end, &in)
	if then.EndBeat != 142 || now.EndBeat != 136 { // 0.85*166 = 141.1; 0.85*159 = 135.15
		t.Errorf("ends %d, then %d", then.EndBeat, now.EndBeat)
	}
	// a measured value wins
	in.MaxHR = 150
	now.endPoint("treadmill", end, &in)
	if now.Formula != "given" || now.EndBeat != 128 {
		t.Errorf("measured: %+v", now)
	}
}
