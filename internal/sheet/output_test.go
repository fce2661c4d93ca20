package sheet

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"gradus/internal/prose"
)

// document writes scores as JSON and reads them as anyone would.
func document(t *testing.T, s *Scores) []map[string]any {
	t.Helper()
	var b strings.Builder
	if err := s.WriteJSON(&b); err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Tests []map[string]any `json:"tests"`
	}
	if err := json.Unmarshal([]byte(b.String()), &doc); err != nil {
		t.Fatal(err)
	}
	return doc.Tests
}

// The keys of the document are a promise to other programs.
func TestDocument(t *testing.T) {
	test := document(t, scoreText(sheetText(nil, append([]string{"1 2 30 96.4"}, rowsOfA[1:]...)...)))[0]
	has := func(where string, v any, keys ...string) map[string]any {
		t.Helper()
		m, ok := v.(map[string]any)
		if !ok {
			t.Fatalf("%s is %T, want an object", where, v)
		}
		for _, key := range keys {
			if _, ok := m[key]; !ok {
				t.Errorf("%s lacks %s", where, key)
			}
		}
		return m
	}
	list := func(v any) []any { l, _ := v.([]any); return l }

	has("test", test, "test", "participant", "date", "protocol", "stages", "branch", "end", "end_point_bpm", "estimate", "estimate_reason", "validity", "departures")
	stage := has("stage", list(test["stages"])[0], "stage", "work_w", "minutes", "readings", "steady_hr_bpm", "steady", "complete", "counted")
	reading := has("reading", list(stage["readings"])[0], "minute", "stage_minute", "hr_bpm", "rpe", "sbp_mmhg", "dbp_mmhg", "spo2_percent", "cadence_per_min", "disturbed")
	has("branch", test["branch"], "hr_bpm", "row", "planned_w")
	has("end", test["end"], "work_w", "hr_bpm", "stage")
	estimate := has("estimate", test["estimate"], "value", "unit", "see", "low95", "high95", "cautions", "source")
	validity := has("validity", test["validity"], "verdict", "reasons")
	has("reason", list(validity["reasons"])[0], "id", "text", "source")

	for _, c := range []struct {
		what      string
		got, want any
	}{
		{"participant", test["participant"], "P"}, {"end point", test["end_point_bpm"], 158.1}, {"stages", len(list(test["stages"])), 4},
		{"whole beats", reading["hr_bpm"], 96.0}, {"raw", reading["hr_raw_bpm"], 96.4}, {"no exertion", reading["rpe"], nil},
		{"minutes", stage["minutes"], 3.0}, {"steady heart rate", stage["steady_hr_bpm"], 98.0}, {"unit", estimate["unit"], "mL/kg/min"},
		{"unsteady stage", has("stage 4", list(test["stages"])[3])["steady_hr_bpm"], nil}, {"no reason for no estimate", test["estimate_reason"], nil},
	} {
		if c.got != c.want {
			t.Errorf("%s: %v, want %v", c.what, c.got, c.want)
		}
	}
	for _, key := range []string{"stages", "departures", "after"} {
		if _, ok := test[key].([]any); !ok {
			t.Errorf("%s is no list: %v", key, test[key])
		}
	}
}

// What is not there is null, with a reason where the reader needs one; lists are never null.
func TestDocumentOfNothing(t *testing.T) {
	test := document(t, scoreText(sheetText(map[string]string{"participant": "", "date": ""}, "1 2 30 96")))[0]
	for _, key := range []string{"participant", "date", "branch", "end", "estimate"} {
		if v, there := test[key]; !there || v != nil {
			t.Errorf("%s is %v (there: %v), want null", key, v, there)
		}
	}
	if reason, ok := test["estimate_reason"].(string); !ok || reason == "" {
		t.Error("no reason why there is no estimate")
	}
	if departures, ok := test["departures"].([]any); !ok || len(departures) != 0 {
		t.Errorf("departures %v, want an empty list", test["departures"])
	}
	if stages := test["stages"].([]any); len(stages) != 1 {
		t.Errorf("what was measured is missing: %v", stages)
	}
	if tests := document(t, scoreText("")); tests == nil || len(tests) != 0 {
		t.Errorf("tests of an empty file: %v, want an empty list", tests)
	}
}

// Unknown columns are carried through; one with a name of the output gets another.
func TestCarried(t *testing.T) {
	text := strings.Replace(sheetText(nil, rowsOfA...), ",note\n", ",verdict\n", 1)
	text = strings.Replace(text, "end-point,", "end-point,fine", 1)
	s := scoreText(text)
	if len(s.Notices) != 1 || !strings.Contains(s.Notices[0], "verdict: this column is not known") {
		t.Errorf("notices %q", s.Notices)
	}
	var b strings.Builder
	if err := s.WriteCSV(&b); err != nil {
		t.Fatal(err)
	}
	table, err := csv.NewReader(strings.NewReader(b.String())).ReadAll()
	if err != nil || len(table) != 2 {
		t.Fatalf("%v: %v", err, table)
	}
	last := len(table[0]) - 1
	if table[0][last] != "sheet_verdict" || table[1][last] != "fine" {
		t.Errorf("last column %q: %q", table[0][last], table[1][last])
	}
	if at := slices.Index(table[0], "verdict"); table[1][at] != "usable with caution" {
		t.Errorf("verdict %q", table[1][at])
	}
}

// The demo sheets score without faults; each test says in whose name it is, fits a screen, and shows what was
// measured.
func TestDemoFitsAScreen(t *testing.T) {
	names, err := filepath.Glob(filepath.Join("..", "..", "demo", "*.csv"))
	if err != nil || len(names) == 0 {
		t.Fatalf("no demo sheets: %v", err)
	}
	var sheets []*Sheet
	for _, name := range names {
		file, err := os.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		sheets = append(sheets, Read(name, file))
		file.Close()
	}
	s := Score(sheets, today, shipped)
	if s.Failed() {
		t.Fatalf("faults %v", s.Faults)
	}
	verdicts := map[string]bool{}
	for _, test := range s.Tests {
		verdicts[test.Judged.Verdict] = true
		if !strings.Contains(test.Person.Participant, "(invented)") {
			t.Errorf("%s: %q does not say that the person is invented", test.ID, test.Person.Participant)
		}
		var b strings.Builder
		if err := (&Scores{Tests: []*Scored{test}}).WriteText(&b); err != nil {
			t.Fatal(err)
		}
		lines := strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n")
		if len(lines) > 30 {
			t.Errorf("%s takes %d lines", test.ID, len(lines))
		}
		for _, l := range lines {
			if len([]rune(l)) > prose.Width {
				t.Errorf("%s: line of %d letters: %s", test.ID, len([]rune(l)), l)
			}
		}
		r := test.Judged.Estimate
		if given := r != nil && r.Value.Present(); given != (strings.Contains(b.String(), "95 % range") || strings.Contains(b.String(), "without a range")) {
			t.Errorf("%s: a number without its range, or a range without a number", test.ID)
		}
	}
	if len(verdicts) != 3 {
		t.Errorf("the demo shows %v, not all three verdicts", verdicts)
	}
}

// No cell of the CSV form is a formula to a spreadsheet, and a number stays one.
func TestCSVHoldsNoFormula(t *testing.T) {
	text := "test,participant,protocol,sex,age_years,mass_kg,rate_limiting_drug,stage,minute,work_w,hr_bpm,=hidden,remark,shift\n" +
		"=1+1,@who,recumbent-stepper,female,58,74,no,1,2,30,96,+call,\"=HYPERLINK(\"\"https://example.org\"\",\"\"x\"\")\",-0.5\n" +
		"=1+1,,,,,,,1,3,30,98,,,\n" +
		"-2+3,\tB,recumbent-stepper,female,58,74,no,1,2,30,412,,,\n"
	var b strings.Builder
	if err := scoreText(text).WriteCSV(&b); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(b.String())).ReadAll()
	if err != nil || len(rows) != 3 {
		t.Fatal(len(rows), err)
	}
	seen := 0
	for _, row := range rows {
		for _, cell := range row {
			if cell == "-0.5" {
				seen++
			} else if cell != "" && strings.ContainsRune("=+-@\t\r", rune(cell[0])) {
				t.Errorf("a spreadsheet computes %q", cell)
			}
			if strings.HasPrefix(cell, "'") {
				seen++
			}
		}
	}
	if seen < 7 {
		t.Errorf("only %d of the odd cells came through:\n%s", seen, b.String())
	}
}
