package sheet

import (
	"strings"
	"testing"
)

const walkHead = "test,protocol,sex,age_years,mass_kg,height_cm,rhythm,rate_limiting_drug,rest_hr_bpm,course_length_m,stage,minute,distance_m,rest_s,hr_bpm,stop_reason\nW,six-minute-walk,female,68,70,162,sinus,no,82,30,"

// Rests of a walk are counted and added up; what cannot have been is named at its column.
func TestRests(t *testing.T) {
	for _, c := range []struct{ rows, rests, fault string }{
		{"1,2,120,,,\nW,,,,,,,,,,1,4,100,45,,\nW,,,,,,,,,,1,6,90,20.5,118,completed\n", "rests: 2, 65.5 s", ""},
		{"1,6,400,0,118,completed\n", "", ""},
		{"1,2,120,,,\nW,,,,,,,,,,1,3,100,61,,\n", "", "rest_s a rest of 61 s is longer than the 60 s since the row before"},
		{"1,6,400,-5,118,completed\n", "", "rest_s -5 s cannot be; check the entry"},
		{"1,6,400,long,118,completed\n", "", "rest_s"},
	} {
		s := scoreText(walkHead + c.rows)
		var faults strings.Builder
		for _, f := range s.Tests[0].Faults {
			faults.WriteString(f.Column + " " + f.Msg)
		}
		if got := faults.String(); (got != "") != (c.fault != "") || !strings.Contains(got, c.fault) {
			t.Errorf("%q: fault %q, want %q", c.rows, got, c.fault)
			continue
		}
		if c.fault != "" {
			continue
		}
		var out strings.Builder
		if err := s.WriteText(&out); err != nil {
			t.Fatal(err)
		}
		if text := out.String(); strings.Contains(text, "rests:") != (c.rests != "") || !strings.Contains(text, c.rests) {
			t.Errorf("%q: %s", c.rows, text)
		}
	}
	// a ridden stage does not run on through a rest
	s := scoreText("test,protocol,sex,age_years,mass_kg,rhythm,rate_limiting_drug,rest_hr_bpm,stage,minute,work_w,rest_s,hr_bpm\nR,recumbent-stepper,female,58,70,sinus,no,70,1,2,30,20,92\n")
	if len(s.Tests[0].Faults) == 0 || !strings.Contains(s.Tests[0].Faults[0].Msg, "write a note") {
		t.Errorf("%+v", s.Tests[0].Faults)
	}
}

// The formulas made for people on a beta-blocker are offered where one is named, and not taken.
func TestDrugFormulasAreOffered(t *testing.T) {
	for drug, offered := range map[string]bool{"metoprolol": true, "no": false, "yes": false} {
		s := scoreText(formulaSheet("one 2026-02-02 - " + drug + " - -"))
		text := ""
		for _, n := range s.Tests[0].Notices {
			text += n + "\n"
		}
		if got := strings.Contains(text, "may be written in max_hr_formula: 164-0.7age (") && strings.Contains(text, "; 122 /min, spread 18)"); got != offered {
			t.Errorf("%s: %s", drug, text)
		}
		if f := s.Tests[0].State.Limits.Formula; f != "220-age" {
			t.Errorf("%s: taken without being chosen: %s", drug, f)
		}
	}
}
