package exchange

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"maps"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"gradus/internal/exchange/table"
	"gradus/internal/sheet"
)

// codesOf gives each participant of the cases a code that is the same in every run.
func codesOf(cases []Case) map[string]string {
	codes := map[string]string{}
	for i := range cases {
		if codes[cases[i].Participant] == "" {
			codes[cases[i].Participant] = fmt.Sprintf("S-%03d", 900-len(codes))
		}
	}
	return codes
}

func casesOf(tests []*sheet.Scored) (all []Case) {
	for _, t := range tests {
		all = append(all, CaseOf(t))
	}
	return all
}

// asJSON is what the score of a test says, without where it stood.
func asJSON(t *testing.T, tests []*sheet.Scored) []any {
	t.Helper()
	var b bytes.Buffer
	if err := (&sheet.Scores{Tests: tests}).WriteJSON(&b); err != nil {
		t.Fatal(err)
	}
	var doc struct{ Tests []map[string]any }
	if err := json.Unmarshal(b.Bytes(), &doc); err != nil {
		t.Fatal(err)
	}
	var all []any
	for _, x := range doc.Tests {
		delete(x, "file")
		if carried, ok := x["carried"].(map[string]any); ok { // a column of another test of the file
			maps.DeleteFunc(carried, func(_ string, texts any) bool { return len(texts.([]any)) == 0 })
		}
		all = append(all, x)
	}
	return all
}

// odd is a sheet with what is hard to carry: quotation marks, commas, formulas, symptoms, a stop sign, unknown columns.
const odd = `test,participant,date,protocol,sex,age_years,mass_kg,rest_hr_bpm,rate_limiting_drug,condition,examiner,ergometer,stage,minute,work_w,hr_bpm,disturbed,rpe,sbp_mmhg,dbp_mmhg,symptom,stop_reason,note,bed
X1,"Odd, ""A"" (invented)",2026-03-01,recumbent-stepper,female,91,58.25,66,=bisoprolol,"stroke, left",examiner-one,"stepper ""2""",1,2,30,92.4,,,,,,,+1 W felt easy,7
X1,,,,,,,,,,,,1,3,30,94,yes,9,138,78,,,"two
lines",
X1,,,,,,,,,,,,2,5,75,115,,,,,,,,
X1,,,,,,,,,,,,2,6,75,117,,11,152,80,dizzy + leg pain,dizzy,@home,
X1,,,,,,,,,,,,cool-down,8,,99,,,,,,,,
X2,"Odd, ""A"" (invented)",2026-05-30,recumbent-stepper,female,91,58.25,66,no,"stroke, left",examiner-one,,1,2,30,92,,,,,,,,7
X2,,,,,,,,,,,,1,3,30,94,,9,138,78,,,,
X2,,,,,,,,,,,,2,5,75,115,,,,,,,,
X2,,,,,,,,,,,,2,6,75,117,,11,152,80,,,,
X2,,,,,,,,,,,,3,8,100,121,,,,,,,,
X2,,,,,,,,,,,,3,9,100,125,,14,160,80,,fatigue,,
`

func oddTests(t *testing.T) []*sheet.Scored {
	t.Helper()
	scores := sheet.Score([]*sheet.Sheet{sheet.Read("odd.csv", strings.NewReader(odd))}, today, plans)
	if scores.Failed() {
		t.Fatal(scores.Faults, scores.Tests[0].Faults)
	}
	return scores.Tests
}

// TestStudyComesBack writes tests as an identified package, reads it as a data sheet, scores it again: every number is
// the same.
func TestStudyComesBack(t *testing.T) {
	for name, tests := range map[string][]*sheet.Scored{"demo": demo(t), "odd": oddTests(t)} {
		p, left, err := Study(casesOf(tests), Choice{Identified: true})
		if err != nil || len(left) > 0 {
			t.Fatal(err, left)
		}
		var b, again bytes.Buffer
		if err := p.Write(&b); err != nil {
			t.Fatal(err)
		}
		if err := p.Write(&again); err != nil || !bytes.Equal(b.Bytes(), again.Bytes()) {
			t.Error("not the same bytes twice")
		}
		files, err := table.Unzip(b.Bytes())
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range table.Check(files) {
			t.Errorf("%s: %v", name, &f)
		}
		var out bytes.Buffer
		if err := Sheet(&out, files); err != nil {
			t.Fatal(err)
		}
		back := sheet.Score([]*sheet.Sheet{sheet.Read("back.csv", &out)}, today, plans)
		if back.Failed() {
			t.Fatal(name, back.Faults, back.Tests[0].Faults)
		}
		want, have := asJSON(t, tests), asJSON(t, back.Tests)
		if len(want) != len(have) {
			t.Fatalf("%s: %d tests, sent %d", name, len(have), len(want))
		}
		for i := range want {
			if !reflect.DeepEqual(want[i], have[i]) {
				a, _ := json.Marshal(want[i])
				b, _ := json.Marshal(have[i])
				t.Errorf("%s: sent %s\ncame back %s", name, a, b)
			}
		}
	}
}

// TestDeidentified looks for everything that names a person in what is written by default.
func TestDeidentified(t *testing.T) {
	cases := append(casesOf(demo(t)), casesOf(oddTests(t))...)
	p, left, err := Study(cases, Choice{Codes: codesOf(cases)})
	if err != nil {
		t.Fatal(err)
	}
	_, content, err := p.Files()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range table.Check(content) {
		t.Error(&f)
	}
	dates := regexp.MustCompile(`\d{4}-\d{2}-\d{2}`)
	for name, data := range content {
		body := string(data)
		for i := range cases {
			for _, secret := range []string{cases[i].Participant, cases[i].Cells["examiner"], cases[i].Cells["ergometer"], cases[i].Date, "bisoprolol", "metoprolol", "easy", "home", "dizzy +", "left"} {
				if secret != "" && strings.Contains(body, secret) && name != table.Descriptor {
					t.Errorf("%s holds %q", name, secret)
				}
			}
		}
		if name != table.Descriptor && dates.MatchString(body) {
			t.Errorf("%s holds a date: %s", name, dates.FindString(body))
		}
	}
	if strings.Contains(string(content[table.Descriptor]), "invented") {
		t.Error("the descriptor holds a name")
	}
	rows, err := csv.NewReader(bytes.NewReader(content["tests.csv"])).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	at := func(row []string, column string) string { return row[slices.Index(rows[0], column)] }
	pooled := 0
	for _, row := range rows[1:] {
		if _, err := strconv.Atoi(at(row, "year")); err != nil {
			t.Errorf("year %q", at(row, "year"))
		}
		if at(row, "age_years") == "90+" {
			pooled++
			for _, column := range []string{"estimate", "low95", "high95", "max_hr_used_bpm", "end_point_used_bpm"} {
				if at(row, column) != "" {
					t.Errorf("%s tells the age of someone over 89", column)
				}
			}
		} else if at(row, "estimate") == "" && at(row, "verdict") == "usable" {
			t.Error("an estimate is gone")
		}
	}
	if pooled != 2 {
		t.Errorf("%d pooled ages", pooled)
	}
	var columns []string
	for _, f := range left {
		columns = append(columns, f.Column)
	}
	for _, want := range []string{"ergometer", "note", "bay", "bed"} {
		if !slices.Contains(columns, want) {
			t.Errorf("%s was not shown for review: %v", want, columns)
		}
	}
}

// TestStudyDays counts from the first test of each person.
func TestStudyDays(t *testing.T) {
	cases := casesOf(oddTests(t))
	p, _, err := Study(cases, Choice{Codes: codesOf(cases), StudyDays: true, Keep: []string{"note"}})
	if err != nil {
		t.Fatal(err)
	}
	_, content, err := p.Files()
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(p.Description, WarnStudyDays) || strings.Contains(p.Description, "Safe Harbor.") {
		t.Error(p.Description)
	}
	rows, _ := csv.NewReader(bytes.NewReader(content["tests.csv"])).ReadAll()
	k := slices.Index(rows[0], "study_day")
	if k < 0 || rows[1][k] != "1" || rows[2][k] != "91" {
		t.Errorf("%v", rows)
	}
	if !bytes.Contains(content["readings.csv"], []byte("'@home")) {
		t.Error("a text that looks like a formula is not guarded")
	}
	if _, _, err := Study(cases, Choice{}); err == nil {
		t.Error("no study codes, and no error")
	}
	if groups := SmallGroups(cases); len(groups) != 1 || groups[0] != "90+, female, neurological: 1" {
		t.Error(groups)
	}
}

// TestCodes draws codes, writes and reads them.
func TestCodes(t *testing.T) {
	cases := casesOf(demo(t))
	codes := map[string]string{}
	if n, err := AddCodes(codes, cases); err != nil || n != len(codes) || n < 3 {
		t.Fatal(n, err)
	}
	if n, _ := AddCodes(codes, cases); n != 0 {
		t.Error("codes were drawn twice")
	}
	var b bytes.Buffer
	if err := WriteCodes(&b, codes); err != nil {
		t.Fatal(err)
	}
	back, err := ReadCodes("codes.csv", b.Bytes())
	for _, who := range []string{"=2+3", "@home", "-x", "'=x"} { // a code that a spreadsheet would compute
		var odd bytes.Buffer
		if err := WriteCodes(&odd, map[string]string{who: "S-1"}); err != nil || !strings.Contains(odd.String(), "'"+who) {
			t.Errorf("%s is written %s %v", who, odd.String(), err)
		}
		if again, err := ReadCodes("codes.csv", odd.Bytes()); err != nil || again[who] != "S-1" {
			t.Errorf("%s: %v %v", who, again, err)
		}
	}
	if err != nil || !reflect.DeepEqual(back, codes) {
		t.Error(back, err)
	}
	for _, bad := range []string{"who,code\nA,1\n", "participant,code\nA,\n", "participant,code\nA,1\nA,2\n", "participant,code\nA,1\nB,1\n", "participant,code\nA17,A17-1\n"} {
		if _, err := ReadCodes("codes.csv", []byte(bad)); err == nil {
			t.Errorf("%q was taken", bad)
		}
	}
}
