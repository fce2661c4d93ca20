package report_test

import (
	"bytes"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"gradus/change"
	"gradus/internal/report"
	"gradus/internal/sheet"
)

// course are the tests of one participant of the sheets, over time.
func course(t *testing.T, participant string, choice change.Choice, sheets ...string) report.Course {
	t.Helper()
	var read []*sheet.Sheet
	for i, text := range sheets {
		read = append(read, sheet.Read(fmt.Sprintf("sheet-%d.csv", i), strings.NewReader(text)))
	}
	var own []*sheet.Scored
	for _, s := range sheet.Score(read, time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC), plans).Tests {
		if len(s.Faults) > 0 {
			t.Fatalf("%s: %v", s.ID, s.Faults[0])
		}
		if s.Person.Participant == participant {
			own = append(own, s)
		}
	}
	c, err := report.CourseOf(own, choice)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// visitsText is a sheet with a stepper test on each day, and one walk.
func visitsText(days ...string) string {
	var b strings.Builder
	b.WriteString("test,participant,date,protocol,sex,age_years,mass_kg,height_cm,condition,rhythm,rate_limiting_drug,ergometer,stage,minute,work_w,hr_bpm\n")
	for i, day := range days {
		fmt.Fprintf(&b, "T%d,P,%s,recumbent-stepper,female,58,%d,165,none,sinus,no,stepper 1,1,2,30,%d\n", i+1, day, 79-i, 99-i)
		for _, row := range []string{"1,3,30,%d", "2,5,50,%d", "2,6,50,%d"} {
			rate := map[string]int{"1,3,30,%d": 103, "2,5,50,%d": 120, "2,6,50,%d": 122}[row] - i
			fmt.Fprintf(&b, ",,,,,,,,,,,,"+row+"\n", rate)
		}
	}
	return b.String()
}

// A row of many tests: a picture that another reader opens, in grey only, every comparison, and the same bytes each time.
func TestManyVisits(t *testing.T) {
	days := []string{"2024-01-10", "2024-02-10", "2024-02-20", "2024-06-10", "2024-12-01", "2025-03-01", "2025-09-01", "2026-02-01"}
	c := course(t, "P", change.Choice{}, visitsText(days...))
	c.Training = []report.Training{{From: "2024-03-01", To: "2024-05-30", Sessions: 30, Minutes: 700}, {From: "2025-04-01", To: "2025-08-01", Sessions: 40, Minutes: 1200}}
	if len(c.Lines) != 1 || len(c.Lines[0].History.Pairs) != len(days)-1 || c.Lines[0].History.Overall == nil || c.Day() != "2026-02-01" {
		t.Fatalf("%d lines, %+v", len(c.Lines), c.Lines)
	}
	var text bytes.Buffer
	if err := report.WriteText(&text, c.Paper()); err != nil {
		t.Fatal(err)
	}
	words := plain(text.String())
	for _, want := range append(days, "Since the first test: fitness has", "Beyond error?", "Over all tests:", "2 periods of training", "T2 2025-04-01 2025-08-01 40 1200", "Body mass", "Heart rate at 30 W", "First to last") {
		if !strings.Contains(strings.ToUpper(words), strings.ToUpper(want)) {
			t.Errorf("lacks %q", want)
		}
	}
	for _, paper := range report.Papers {
		file := pdfFile(t, c.Paper(), paper)
		looksLikePaper(t, file)
		again := pdfFile(t, c.Paper(), paper)
		a, errA := os.ReadFile(file)
		b, errB := os.ReadFile(again)
		if errA != nil || errB != nil || !bytes.Equal(a, b) {
			t.Errorf("%s: other bytes the second time", paper)
		}
	}
	c.Training = nil
	if err := report.WriteText(&text, c.Paper()); err != nil || !strings.Contains(text.String(), "No training is typed in") {
		t.Error("without training the paper says nothing of it")
	}
}

// Tests of two protocols stand apart, each with its unit; one test alone is told without a comparison.
func TestCourseByProtocol(t *testing.T) {
	walk := "test,participant,date,protocol,sex,age_years,mass_kg,height_cm,condition,rhythm,rate_limiting_drug,course_length_m,stage,minute,distance_m,hr_bpm\nW1,P,2026-03-01,six-minute-walk,female,58,79,165,none,sinus,no,30,1,6,412,100\n"
	c := course(t, "P", change.Choice{}, visitsText("2026-01-10", "2026-02-10"), walk)
	if len(c.Lines) != 2 || c.Lines[0].Unit != change.Metres || c.Lines[1].Unit != "mL/kg/min" {
		t.Fatalf("%+v", c.Lines)
	}
	var text bytes.Buffer
	if err := report.WriteText(&text, c.Paper()); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"One test so far; a comparison needs two.", "Distance, m", "they are not compared with", "No change beyond the error"} {
		if !strings.Contains(strings.ToLower(plain(text.String())), strings.ToLower(want)) {
			t.Errorf("lacks %q:\n%s", want, text.String())
		}
	}
	if _, err := report.CourseOf(nil, change.Choice{}); err != nil {
		t.Error(err)
	}
	if _, err := report.CourseOf([]*sheet.Scored{}, change.Choice{}); err != nil {
		t.Error(err)
	}
}
