package sheet

import (
	"strings"
	"testing"
)

// formulaSheet holds tests of one invented man; each line is id, date, formula, resting rate, drug and activity rating.
func formulaSheet(tests ...string) string {
	b := strings.Builder{}
	b.WriteString("test,participant,date,protocol,sex,age_years,mass_kg,height_cm,rest_hr_bpm,rhythm,rate_limiting_drug,max_hr_formula,max_hr_bpm,activity_rating,stage,minute,work_w,hr_bpm\n")
	for _, t := range tests {
		c := strings.Split(t, " ")
		b.WriteString(c[0] + ",Invented 1," + c[1] + ",recumbent-stepper,male,60,80,178,62,sinus," + c[3] + "," + c[2] + "," + c[4] + "," + c[5] + ",1,2,30,92\n")
		b.WriteString(c[0] + ",,,,,,,,,,,,,,1,3,30,94\n")
	}
	return strings.ReplaceAll(b.String(), "-,", ",")
}

func TestFirstFormulaStays(t *testing.T) {
	s := scoreText(formulaSheet("later 2026-02-02 - no - -", "first 2026-01-02 208-0.7age no - -", "other 2026-02-05 211-0.64age no - -", "measured 2026-02-06 - no 150 -", "drug 2026-02-07 164-0.7age yes - -"))
	if s.Failed() {
		t.Fatal(s.Tests[0].Faults, s.Tests[1].Faults, s.Tests[2].Faults, s.Tests[3].Faults, s.Tests[4].Faults)
	}
	for i, want := range []struct{ formula, reason string }{{"208-0.7age", ""}, {"208-0.7age", ""}, {"211-0.64age", "208-0.7age in the first test, 211-0.64age now"}, {"given", "a measured or known value goes before a formula"}, {"164-0.7age", "spread of 18 /min"}} {
		got := s.Tests[i]
		text := ""
		for _, r := range got.Judged.Reasons {
			text += r.ID + ": " + r.Text + "\n"
		}
		flagged := strings.Contains(text, "max-hr-formula-changed")
		if got.State.Limits.Formula != want.formula || !strings.Contains(text, want.reason) || flagged != (want.reason != "") {
			t.Errorf("%s: %s\n%s", got.ID, got.State.Limits.Formula, text)
		}
		if i == 4 && got.State.Limits.HRLeads {
			t.Error("a formula for people on a drug lets heart rate lead")
		}
	}
}

func TestExpectationStandsBesideATest(t *testing.T) {
	s := scoreText(formulaSheet("with 2026-02-02 - no - 4", "without 2026-02-03 - no - -"))
	if s.Failed() {
		t.Fatal(s.Tests[0].Faults, s.Tests[1].Faults)
	}
	kinds := ""
	for _, c := range s.Tests[0].Judged.Compared {
		kinds += c.Estimator + " " + c.Kind + "; "
		if c.Result == nil {
			t.Errorf("%s: %s", c.Estimator, c.NoEstimate)
		}
	}
	if kinds != "recumbent-stepper-2012 equation; nx-bmi-1990 expectation; " || len(s.Tests[1].Judged.Compared) != 0 {
		t.Errorf("%s; without answers %+v", kinds, s.Tests[1].Judged.Compared)
	}
	if v := s.Tests[0].Visit(); v.Estimator != "recumbent-stepper-2012" || v.Value != float64(s.Tests[0].Judged.Estimate.Value) {
		t.Errorf("the expectation enters a comparison: %+v", v)
	}
}
