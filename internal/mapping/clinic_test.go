package mapping

import (
	"encoding/json"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"gradus/internal/exchange/grid"
	"gradus/internal/sheet"
	protocols "gradus/protocol/library"
)

const clinicMapping = `format: gradus-mapping/1
id: our-sheet
version: "1"
title: Our stepper tests
source: an invented clinic
rows: test
dates: dmy
protocol: {is: recumbent-stepper}
columns:
  participant: {column: Code}
  name: {column: Surname}
  date: {column: Day}
  sex: {column: Sex, words: {w: female, m: male}}
  age_years: {column: Age}
  mass_kg: {column: kg}
  rate_limiting_drug: {column: Beta}
  rest_hr_bpm: {column: Rest}
  rest_bp_mmhg: {column: RR}
  stop_reason: {column: Why}
readings:
  - {stage: "1", minute: 2, columns: {hr_bpm: HR}}
  - {stage: "1", minute: 3, columns: {hr_bpm: HR (2), rpe: RPE, bp_mmhg: BP}}
  - {stage: "2", minute: 5, columns: {hr_bpm: HR (3), work_w: W}}
  - {stage: "2", minute: 6, columns: {hr_bpm: HR (4), rpe: RPE (2)}}
`

const clinicTable = `Code;Surname;Day;Sex;Age;kg;Beta;Rest;RR;HR;HR;RPE;BP;W;HR;HR;RPE;Why
P-01;Alder;04/03/2019;w;67;68,5;no;68;128/76;92;94;9;138/78;75;115;119;11;fatigue
`

// sheetOfIt is the same test as a data sheet.
const sheetOfIt = `test,participant,date,protocol,sex,age_years,mass_kg,rate_limiting_drug,rest_hr_bpm,rest_sbp_mmhg,rest_dbp_mmhg,stage,minute,work_w,hr_bpm,rpe,sbp_mmhg,dbp_mmhg,stop_reason
row 2,P-01,2019-03-04,recumbent-stepper,female,67,68.5,no,68,128,76,1,2,30,92,,,,
,,,,,,,,,,,1,3,,94,9,138,78,
,,,,,,,,,,,2,5,75,115,,,,
,,,,,,,,,,,2,6,,119,11,,,fatigue
`

var clinicDay = time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)

func clinic(t *testing.T, mapped, table string) *Scored {
	t.Helper()
	m, err := Read("m.yaml", []byte(mapped))
	if err != nil {
		t.Fatal(err)
	}
	g, err := grid.Read("old.csv", []byte(table), "", m.Head)
	if err != nil {
		t.Fatal(err)
	}
	found, err := m.Score(g, clinicDay, plans)
	if err != nil {
		t.Fatal(err)
	}
	return found
}

// A row of a clinic's table gives the events, the state and the estimate of the data sheet somebody would have typed.
func TestClinicTableIsADataSheet(t *testing.T) {
	found := clinic(t, clinicMapping, clinicTable)
	if len(found.Problems) > 0 || len(found.Tests) != 1 {
		t.Fatalf("%v %v", found.Problems, found.Tests)
	}
	got, want := found.Tests[0], scoreSheet(t, sheetOfIt)
	if got.Name != "Alder" || got.Row != 2 || got.Label != "" {
		t.Errorf("%+v", got)
	}
	if len(got.Events) != len(want.Events) || len(want.Events) < 12 {
		t.Fatalf("%d events, want %d", len(got.Events), len(want.Events))
	}
	for i := range want.Events {
		if a, b := asText(t, got.Events[i]), asText(t, want.Events[i]); a != b {
			t.Errorf("event %s, want %s", a, b)
		}
	}
	if got.State != want.State || asText(t, got.Judged) != asText(t, want.Judged) {
		t.Errorf("%s, want %s", asText(t, got.Judged), asText(t, want.Judged))
	}
	if e := got.Judged.Estimate; e == nil || !e.Value.Present() {
		t.Error("no estimate")
	}
}

// The same numbers with a row for each reading.
func TestRowsOfReadings(t *testing.T) {
	mapped := `format: gradus-mapping/1
id: our-readings
version: "1"
title: Our readings
source: an invented clinic
rows: reading
protocol: {is: recumbent-stepper}
columns:
  participant: {column: Code}
  date: {column: Day}
  sex: {column: Sex}
  age_years: {column: Age}
  mass_kg: {column: Mass}
  rate_limiting_drug: {column: Beta}
  rest_hr_bpm: {column: Rest}
  rest_bp_mmhg: {column: RR}
  stage: {column: Step}
  minute: {column: Min}
  work_w: {column: W}
  hr_bpm: {column: HR}
  rpe: {column: RPE}
  bp_mmhg: {column: BP}
  stop_reason: {column: Why}
`
	table := `Code,Day,Sex,Age,Mass,Beta,Rest,RR,Step,Min,W,HR,RPE,BP,Why
P-01,4 Mar 2019,female,67,68.5,no,68,128/76,1,2,30,92,,,
,,,,,,,,1,3,,94,9,138/78,
,,,,,,,,2,5,75,115,,,
,,,,,,,,2,6,,119,11,,fatigue
P-01,2019-09-02,female,67,68,no,66,,1,2,30,90,,,
,,,,,,,,1,3,,91,9,,
`
	found := clinic(t, mapped, table)
	if len(found.Problems) > 0 || len(found.Tests) != 2 || found.Tests[1].Row != 6 {
		t.Fatalf("%v %+v", found.Problems, found.Tests)
	}
	if want := scoreSheet(t, sheetOfIt); found.Tests[0].State != want.State {
		t.Error("not the state of the data sheet")
	}
}

// Every problem names its cell and spoils its own row alone.
func TestProblemsByCell(t *testing.T) {
	head, row, _ := strings.Cut(clinicTable, "\n")
	for _, c := range []struct{ old, new, cell, want string }{
		{"04/03/2019", "31/02/2019", "C2", "no day of the calendar"},
		{"04/03/2019", "04/03/19", "C2", "which century"},
		{"04/03/2019", "43528", "C2", "count of days of a spreadsheet"},
		{"04/03/2019", "04/03/2031", "C2", "in the future"},
		{"68,5", "68 kg", "F2", "not a number"},
		{";w;", ";d;", "D2", "is not known"},
		{";67;", ";670;", "E2", "670"},
		{"128/76", "128", "I2", "no pair of pressures"},
		{"138/78", "78/138", "M2", "swapped"},
		{";119;", ";1119;", "P2", "above 250"},
		{";92;", ";92.5.1;", "J2", "not a number"},
		{";75;", ";;", "row 2", "work_w is missing"},
		{"92;94;9;138/78;75;115;119;11", ";;;;;;;", "row 2", "none of the columns of the readings has a value"},
	} {
		changed := strings.Replace(row, c.old, c.new, 1)
		good := strings.Replace(row, "P-01", "P-02", 1)
		found := clinic(t, clinicMapping, head+"\n"+changed+good)
		if changed == row || len(found.Problems) != 1 || found.Problems[0].Cell() != c.cell || !strings.Contains(found.Problems[0].Msg, c.want) {
			t.Errorf("%s: %v, want %s %s", c.new, found.Problems, c.cell, c.want)
		}
		if len(found.Tests) != 1 || found.Tests[0].Person.Participant != "P-02" {
			t.Errorf("%s: %d tests beside it", c.new, len(found.Tests))
		}
	}
}

func TestDays(t *testing.T) {
	for _, c := range []struct{ text, order, want, msg string }{
		{"2019-03-04", "", "2019-03-04", ""},
		{"2019/3/4", "dmy", "2019-03-04", ""},
		{"2019-03-04 09:30", "", "2019-03-04", ""},
		{"04/03/2019", "dmy", "2019-03-04", ""},
		{"04/03/2019", "mdy", "2019-04-03", ""},
		{"04/03/2019", "", "", `"04/03/2019" may be 4 March 2019 or 3 April 2019; which one?`},
		{"23/04/2019", "", "2019-04-23", ""},
		{"04/23/2019", "", "2019-04-23", ""},
		{"04/23/2019", "dmy", "", "no day of the calendar"},
		{"05/05/2019", "", "2019-05-05", ""},
		{"4.3.2019", "", "2019-03-04", ""},
		{"4. 3. 2019", "", "2019-03-04", ""},
		{"4 Mar 2019", "", "2019-03-04", ""},
		{"March 4, 2019", "", "2019-03-04", ""},
		{"4/3/19", "dmy", "", "which century"},
		{"4/3-2019", "dmy", "", "is not a day"},
		{"29/02/2019", "dmy", "", "no day of the calendar"},
		{"00/00/2019", "", "", "no day of the calendar"},
		{"04/03/2019", "ymd", "", "does not begin with the year"},
		{"soon", "", "", "is not a day"},
		{"43528", "", "", "count of days"},
	} {
		if day, msg := Day(c.text, c.order); day != c.want || !strings.Contains(msg, c.msg) || (msg == "") != (c.msg == "") {
			t.Errorf("%s %s: %q %q, want %q %q", c.text, c.order, day, msg, c.want, c.msg)
		}
	}
}

func TestNumbers(t *testing.T) {
	for _, c := range []struct{ text, decimal, want, msg string }{
		{"68.5", "", "68.5", ""}, {"68,5", "", "68.5", ""}, {"68,25", "", "68.25", ""}, {"-3", "", "-3", ""},
		{"1,234", "", "", "may be 1.234 or 1234"}, {"1,234", "comma", "1.234", ""}, {"1,234", "point", "", "decimals stand behind a point"},
		{"1.234", "comma", "", "decimals stand behind a comma"}, {"1.234", "", "1.234", ""}, {"72.5", "comma", "72.5", ""},
		{"1.234,5", "", "", "not a number"}, {"90 kg", "", "", "not a number"}, {"~90", "", "", "not a number"}, {"-", "", "", "not a number"},
		{"1\u00a0200", "", "1200", ""},
	} {
		m := &Mapping{Decimal: c.decimal}
		if got, msg := m.number(c.text, false); got != c.want || !strings.Contains(msg, c.msg) || (msg == "") != (c.msg == "") {
			t.Errorf("%q %s: %q %q, want %q %q", c.text, c.decimal, got, msg, c.want, c.msg)
		}
	}
}

func TestFaultyClinicMappings(t *testing.T) {
	for _, c := range []struct{ old, new, want string }{
		{"rows: test", "rows: tests", "rows is neither test nor reading"},
		{"rows: test", "rows: reading", "readings belongs to rows: test"},
		{"dates: dmy", "dates: dd/mm", "dates is not known"},
		{"age_years:", "age:", "columns.age is no column of a data sheet"},
		{"{column: Age}", "{}", "columns.age_years names no column"},
		{"  stop_reason: {column: Why}", "  hr_bpm: {column: Why}", "columns.hr_bpm was read at a moment"},
		{"minute: 6,", "stage_minute: 3,", "readings[3] counts minutes in another way"},
		{"minute: 6,", "", "readings[3] needs columns, and minute"},
		{`stage: "2", minute: 6`, `stage: end, minute: 6`, "readings[3] has the stage"},
		{"{is: recumbent-stepper}", "{}", "protocol needs a column"},
		{"protocol: {is: recumbent-stepper}", "protocol: {is: recumbent-stepper}\ncarry: [x]", "rows stands with keys of a survey's table"},
	} {
		changed := strings.Replace(clinicMapping, c.old, c.new, 1)
		if _, err := Read("m.yaml", []byte(changed)); changed == clinicMapping || err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %s", c.new, err, c.want)
		}
	}
	m, err := Read("m.yaml", []byte(strings.Replace(clinicMapping, "column: Code", "column: Kode", 1)))
	if err != nil {
		t.Fatal(err)
	}
	g, err := grid.Read("old.csv", []byte(clinicTable), "", 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := m.Score(g, clinicDay, plans); err == nil || !strings.Contains(err.Error(), `there is no column "Kode"; the headings in row 1 are Code, Surname`) {
		t.Error(err)
	}
}

func scoreSheet(t *testing.T, text string) *sheet.Scored {
	t.Helper()
	s := sheet.Score([]*sheet.Sheet{sheet.Read("typed.csv", strings.NewReader(text))}, clinicDay, plans)
	if s.Failed() {
		t.Fatal(s.Faults, s.Tests[0].Faults)
	}
	return s.Tests[0]
}

func asText(t *testing.T, v any) string {
	t.Helper()
	text, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func FuzzDay(f *testing.F) {
	for _, seed := range []string{"04/03/2019", "2019-03-04 09:30", "4 Mar 2019", "43528", "0/0/0000"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for _, order := range []string{"", YearFirst, DayFirst, MonthFirst} {
			day, msg := Day(text, order)
			if (day == "") == (msg == "") {
				t.Errorf("%q: %q %q", text, day, msg)
			}
			if _, err := time.Parse(time.DateOnly, day); day != "" && err != nil {
				t.Errorf("%q: %v", text, err)
			}
		}
	})
}

// A mapping that was matched on the page is written as a file that says the same.
func TestMappingIsWritten(t *testing.T) {
	m, err := Read("m.yaml", []byte(strings.Replace(clinicMapping, "title: Our stepper tests", `title: "Our \"own\": tests # 2019"`, 1)))
	if err != nil {
		t.Fatal(err)
	}
	back, err := Read("again.yaml", m.Text())
	if err != nil {
		t.Fatalf("%v\n%s", err, m.Text())
	}
	if !reflect.DeepEqual(m, back) {
		t.Errorf("%+v\nwritten %+v", m, back)
	}
}

// The headings of a table are matched where their words leave no doubt, and only those.
func TestGuess(t *testing.T) {
	p, _, err := plans("recumbent-stepper")
	if err != nil {
		t.Fatal(err)
	}
	g, err := grid.Read("t.csv", []byte("Patient ID;Test date;Sex;Age (years);Weight (kg);Beta-blocker;HR rest;HR min 2;HR min 3;RPE 3;W 5;HR 5;Puls;HR recovery 1;Comments\nA;B;C;D;E;F;G;H;I;J;K;L;M;N;O\n"), "", 0)
	if err != nil {
		t.Fatal(err)
	}
	m := Guess(g, p, RowIsTest)
	columns := map[string]string{}
	for name, v := range m.Columns {
		columns[name] = v.Column
	}
	want := map[string]string{"participant": "Patient ID", "date": "Test date", "sex": "Sex", "age_years": "Age (years)", "mass_kg": "Weight (kg)", "rate_limiting_drug": "Beta-blocker", "rest_hr_bpm": "HR rest", "note": "Comments"}
	if !reflect.DeepEqual(columns, want) {
		t.Errorf("%v", columns)
	}
	moments := []Moment{{Stage: "1", StageMinute: 2, Columns: map[string]string{"hr_bpm": "HR min 2"}}, {Stage: "1", StageMinute: 3, Columns: map[string]string{"hr_bpm": "HR min 3", "rpe": "RPE 3"}},
		{Stage: "2", StageMinute: 2, Columns: map[string]string{"hr_bpm": "HR 5", "work_w": "W 5"}}, {Stage: "recovery", StageMinute: 1, Columns: map[string]string{"hr_bpm": "HR recovery 1"}}}
	if !reflect.DeepEqual(m.Readings, moments) {
		t.Errorf("%+v", m.Readings)
	}
	m.ID, m.Version, m.Title, m.Source = "x", "1", "x", "x"
	if _, err := Read("m.yaml", m.Text()); err != nil {
		t.Error(err)
	}
}

// Every heading of the table of guesses means a column that a mapping knows, and every shipped protocol has moments.
func TestHeadingsAndSlots(t *testing.T) {
	ofTest, ofReading := Offered()
	for heading, columns := range heads {
		if words(heading) != heading {
			t.Errorf("heading %q is not written as it is looked up (%q)", heading, words(heading))
		}
		for _, c := range columns {
			if !slices.Contains(ofTest, c) && !slices.Contains(ofReading, c) {
				t.Errorf("%s means %s, which is no column", heading, c)
			}
		}
	}
	for _, id := range protocols.IDs() {
		p, _, err := plans(id)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range Slots(p) {
			if s.StageMinute <= 0 || len(s.Columns) == 0 {
				t.Errorf("%s: %+v", id, s)
			}
			for _, c := range s.Columns {
				if !slices.Contains(ofReading, c) {
					t.Errorf("%s: %s is no column of a reading", id, c)
				}
			}
		}
	}
}
