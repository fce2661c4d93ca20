package sheet

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"gradus/conduct"
	"gradus/estimate"
	estimators "gradus/estimate/library"
	"gradus/protocol"
	protocols "gradus/protocol/library"
)

var today = time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)

// shipped gives the shipped protocols with their estimators, each read once.
func shipped(id string) (*protocol.Protocol, *estimate.Estimator, error) {
	if id == "recumbent-stepper" {
		l, err := stepper()
		return l.p, l.e, err
	}
	return load(id)
}

type plan struct {
	p *protocol.Protocol
	e *estimate.Estimator
}

var stepper = sync.OnceValues(func() (plan, error) {
	p, e, err := load("recumbent-stepper")
	return plan{p, e}, err
})

func load(id string) (*protocol.Protocol, *estimate.Estimator, error) {
	p, err := protocols.Load(id, estimators.LineOf)
	if err != nil || p.Outcome.Estimator == "none" {
		return p, nil, err
	}
	e, err := estimators.ByID(p.Outcome.Estimator)
	return p, e, err
}

func scoreText(text string) *Scores {
	return Score([]*Sheet{Read("sheet.csv", strings.NewReader(text))}, today, shipped)
}

// about are the person-level cells of a test without a reason for caution; a case changes some.
var about = map[string]string{
	"test": "T", "participant": "P", "date": "2026-02-02", "protocol": "recumbent-stepper", "sex": "male", "age_years": "34", "mass_kg": "82",
	"rhythm": "sinus", "rate_limiting_drug": "no",
}

// sheetText makes a sheet. with holds cells that differ from about ("-" leaves the column out); rows are
// written "stage minute W heart-rate", further cells as column=text.
func sheetText(with map[string]string, rows ...string) string {
	person := map[string]string{}
	for column, text := range about {
		person[column] = text
	}
	for column, text := range with {
		if person[column] = text; text == "-" {
			delete(person, column)
		}
	}
	var columns []string
	for column := range person {
		columns = append(columns, column)
	}
	slices.Sort(columns)
	list := append(columns, "stage", "minute", "work_w", "hr_bpm", "disturbed", "rpe", "sbp_mmhg", "dbp_mmhg", "spo2_percent", "cadence_per_min", "symptom", "stop_reason", "note")
	lines := []string{strings.Join(list, ",")}
	for i, row := range rows {
		cells := map[string]string{}
		if i == 0 {
			for column, text := range person {
				cells[column] = text
			}
		}
		for k, field := range strings.Fields(row) {
			column, text, named := strings.Cut(field, "=")
			if !named {
				column, text = []string{"stage", "minute", "work_w", "hr_bpm"}[k], strings.Trim(field, "_")
			}
			cells[column] = strings.ReplaceAll(text, "~", " ")
		}
		var all []string
		for _, column := range list {
			all = append(all, cells[column])
		}
		lines = append(lines, strings.Join(all, ","))
	}
	return strings.Join(lines, "\n") + "\n"
}

// one scores a sheet with one test that must have no input error.
func one(t *testing.T, text string) *Scored {
	t.Helper()
	s := scoreText(text)
	if s.Failed() || len(s.Tests) != 1 {
		for _, f := range s.Faults {
			t.Error(f)
		}
		for _, test := range s.Tests {
			for _, f := range test.Faults {
				t.Error(f)
			}
		}
		t.Fatalf("%d tests, want one without faults", len(s.Tests))
	}
	return s.Tests[0]
}

// rowsOfA is a whole test: three steady stages, and a fourth that reaches the end point unsteady.
var rowsOfA = []string{
	"1 2 30 96", "1 3 30 98", "2 5 75 119", "2 6 75 122", "3 8 100 135", "3 9 100 139", "4 11 125 152", "4 12 125 159 stop_reason=end-point",
}

func checkA(t *testing.T, s *Scored) {
	t.Helper()
	r, end := s.Judged.Estimate, s.Judged.End
	if r == nil || end == nil {
		t.Fatal("no estimate or no end")
	}
	if v := float64(r.Value); math.Abs(v-40.4420) > 1e-9 {
		t.Errorf("estimate %v, want 40.4420", v)
	}
	if end.WorkW != 100 || end.HR != 139 || s.number(end.Stage) != 3 {
		t.Errorf("end %v, want 100 W, 139 /min, stage 3", *end)
	}
	b := branchJSON(s)
	if b == nil || b.Row != 3 || b.HR != 98 || b.Ridden == nil || *b.Ridden != 3 || !slices.Equal(b.Planned, []float64{75, 100, 125}) {
		t.Errorf("branch %+v, want row 3 for 98 /min, ridden 3", b)
	}
	if l := s.State.Limits; l.EndPoint != 158.1 || l.EndBeat != 159 {
		t.Errorf("end point %v (%d), want 158.1 (159)", l.EndPoint, l.EndBeat)
	}
	if u := s.Judged.Unfinished; u == nil || math.Abs(float64(u.Value)-36.617) > 1e-9 {
		t.Errorf("with the stage that does not count: %+v, want 36.617", u)
	}
	if s.Judged.Verdict != estimate.WithCaution || len(s.Judged.Departures) != 0 {
		t.Errorf("verdict %s, departures %v; want usable with caution, none", s.Judged.Verdict, s.Judged.Departures)
	}
}

func TestWorkedTestA(t *testing.T) {
	plain := sheetText(nil, rowsOfA...)
	byStage := sheetText(nil, "1 2 30 96", "1 3 30 98", "2 2 75 119", "2 3 75 122", "3 2 100 135", "3 3 100 139", "4 2 125 152", "4 3 125 159 stop_reason=end-point")
	every := sheetText(nil, "1 1 30 90", "1 2 _ 96", "1 3 _ 98 rpe=8", "2 4 75 112", "2 5 75 119", "2 6 75 122", "3 7 100 128", "3 8 100 135", "3 9 100 139",
		"4 10 125 146", "4 11 125 152", "4 12 125 159 stop_reason=end-point")
	semicolons := strings.ReplaceAll(strings.ReplaceAll(plain, ",", ";"), ";82;", ";82,0;")
	cases := map[string]string{
		"minutes of the test":                        plain,
		"minutes of the stage":                       strings.Replace(byStage, ",minute,", ",stage_minute,", 1),
		"a row each minute":                          every,
		"semicolons, decimal comma, byte order mark": "\ufeff" + semicolons,
		"line ends of another system":                strings.ReplaceAll(plain, "\n", "\r\n"),
		"quotation marks":                            strings.ReplaceAll(plain, "recumbent-stepper", `"recumbent-stepper"`),
		"no line end at the end, blank lines":        strings.TrimSuffix(plain, "\n") + "\n,,,,,,,,,,,,,,,,,,,,,\n\n",
		"headings as people write them":              strings.Replace(strings.Replace(plain, "hr_bpm", "HR bpm", 1), "work_w", "Work W", 1),
		"the id in every row": strings.NewReplacer("\n,,,,,,,,,1,", "\n,,,,,,,,T,1,", "\n,,,,,,,,,2,", "\n,,,,,,,,T,2,").
			Replace(plain),
		"pounds": sheetText(map[string]string{"mass_kg": "-", "mass_lb": "180.779055", "end_point_fraction": "0.85"}, rowsOfA...),
	}
	for name, text := range cases {
		t.Run(name, func(t *testing.T) {
			if name == "pounds" {
				s := one(t, text)
				if got := s.State.In.MassKg; math.Abs(got-82) > 1e-4 {
					t.Errorf("mass %v kg, want 82", got)
				}
				return
			}
			checkA(t, one(t, text))
		})
	}
}

// The rows of the branch table, edge by edge: below 80, 80 to 89, 90 to 100, above 100; a mean is rounded to
// a whole beat first.
func TestBranchEdges(t *testing.T) {
	for _, c := range []struct {
		hr      string
		row     int
		planned []float64
	}{
		{"79", 1, []float64{125, 150, 175}}, {"80", 2, []float64{100, 125, 150}}, {"89", 2, []float64{100, 125, 150}},
		{"90", 3, []float64{75, 100, 125}}, {"100", 3, []float64{75, 100, 125}}, {"101", 4, []float64{50, 75, 100}},
		{"89.6", 3, []float64{75, 100, 125}}, {"100.4", 3, []float64{75, 100, 125}}, {"100.6", 4, []float64{50, 75, 100}}, {"79.5", 2, []float64{100, 125, 150}},
	} {
		s := one(t, sheetText(nil, "1 2 30 "+c.hr, "1 3 30 "+c.hr))
		b := branchJSON(s)
		if b == nil || b.Row != c.row || !slices.Equal(b.Planned, c.planned) {
			t.Errorf("%s /min: %+v, want row %d, %v", c.hr, b, c.row, c.planned)
		}
	}
}

// clean is a test without a reason for caution, up to the planned end: steady at 159 in stage 3.
func clean(last string) []string {
	return []string{"1 2 30 96", "1 3 30 98", "2 5 75 128", "2 6 75 130", "3 8 100 155", "3 9 100 " + last}
}

func TestVerdicts(t *testing.T) {
	for _, c := range []struct {
		name    string
		with    map[string]string
		rows    []string
		verdict string
		reason  string // its id; "" when no reason but a notice may be there
	}{
		{"clean", nil, clean("159"), "usable", ""},
		{"end heart rate low", nil, clean("137")[:4], "usable with caution", "end-heart-rate-low"},
		{"drug named", map[string]string{"rate_limiting_drug": "bisoprolol 5 mg"}, clean("159"), "not usable", "rate-limiting-drug"},
		{"drug yes", map[string]string{"rate_limiting_drug": "yes"}, clean("159"), "not usable", "rate-limiting-drug"},
		{"drug blank", map[string]string{"rate_limiting_drug": ""}, clean("159"), "usable with caution", "drugs-not-recorded"},
		{"drug unknown", map[string]string{"rate_limiting_drug": "unknown"}, clean("159"), "usable with caution", "drugs-not-recorded"},
		{"no column for drugs", map[string]string{"rate_limiting_drug": "-"}, clean("159"), "usable with caution", "drugs-not-recorded"},
		{"atrial fibrillation", map[string]string{"rhythm": "AF"}, clean("159"), "not usable", "rhythm-not-sinus"},
		{"pacemaker among the conditions", map[string]string{"condition": "pacemaker since 2019"}, clean("159"), "not usable", "rhythm-not-sinus"},
		{"heart transplant", map[string]string{"rhythm": "heart transplant"}, clean("159"), "not usable", "rhythm-not-sinus"},
		{"spinal lesion", map[string]string{"rhythm": "SCI T6 or above"}, clean("159"), "not usable", "rhythm-not-sinus"},
		{"another rhythm", map[string]string{"rhythm": "frequent extra beats"}, clean("159"), "usable with caution", "rhythm-not-sinus"},
		{"only stage 1, far below", nil, clean("159")[:2], "not usable", "only-first-stage"},
		{"only stage 1, near the end point", nil, []string{"1 2 30 141", "1 3 30 143"}, "usable", ""},
		{"the unfinished stage disagrees by more than one error", nil,
			[]string{"1 2 30 96", "1 3 30 98", "2 5 75 138", "2 6 75 139", "3 8 100 161"}, "not usable", "unfinished-stage-disagrees"},
		{"the unfinished stage agrees", nil, append(clean("157"), "4 11 125 162"), "usable with caution", "unfinished-stage"},
		{"no stage counts", nil, []string{"1 2 30 96", "1 3 30 105"}, "not usable", "no-stage-counts"},
		{"no heart rate at all", nil, []string{"1 2 30 _ rpe=9", "1 3 30 _ rpe=10"}, "not usable", "no-stage-counts"},
		{"harder row", nil, []string{"1 2 30 96", "1 3 30 98", "2 5 100 140", "2 6 100 142", "3 8 125 156", "3 9 125 159"}, "usable with caution", "departure"},
		{"gentler row", nil, []string{"1 2 30 84", "1 3 30 86", "2 5 75 130", "2 6 75 132", "3 8 100 156", "3 9 100 159"}, "usable", ""},
		{"more work than the plan has", nil, []string{"1 2 30 96", "1 3 30 98", "2 5 90 140", "2 6 90 142", "3 8 100 156", "3 9 100 159"}, "usable with caution", "departure"},
		{"safety limit below the end point", map[string]string{"hr_limit_bpm": "140"},
			[]string{"1 2 30 96", "1 3 30 98", "2 5 75 138", "2 6 75 140 stop_reason=safety~limit"}, "usable with caution", "ended-at-safety-limit"},
		{"gone on after the exertion limit", nil, append(clean("150 rpe=17"), "4 11 125 155", "4 12 125 156"), "usable with caution", "departure"},
		{"pulse counted", map[string]string{"hr_method": "palpated-10s"}, clean("159"), "usable with caution", "palpated-rate"},
		{"strap", map[string]string{"hr_method": "strap"}, clean("159"), "usable", ""},
		{"slow cadence", map[string]string{"target_cadence_per_min": "70"}, clean("159"), "usable with caution", "cadence-low"},
		{"cadence kept", map[string]string{"target_cadence_per_min": "95"}, clean("159"), "usable", ""},
		{"cadence drifts", map[string]string{"target_cadence_per_min": "100"}, clean("159 cadence_per_min=85"), "usable with caution", "cadence-drift"},
		{"heavy", map[string]string{"mass_kg": "130"}, clean("159"), "usable with caution", "outside-domain-mass-kg"},
		{"a child of 4", map[string]string{"age_years": "4"}, clean("159"), "usable with caution", "outside-domain-age-years"},
		{"a symptom", nil, clean("159 symptom=chest~pain"), "usable with caution", "stopped-for-sign"},
		{"a stage beyond the grid", map[string]string{"age_years": "20"},
			[]string{"1 2 30 101", "1 3 30 102", "2 5 50 115", "2 6 50 116", "3 8 75 130", "3 9 75 131", "4 11 100 150", "4 12 100 152", "5 14 125 166", "5 15 125 170"},
			"usable with caution", "marked-stage"},
		{"impossible answer", map[string]string{"age_years": "80", "sex": "female", "mass_kg": "120"}, []string{"1 2 30 113", "1 3 30 115"}, "not usable", "estimate-refused"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := one(t, sheetText(c.with, c.rows...))
			var ids []string
			for _, r := range s.Judged.Reasons {
				if !r.Notice {
					ids = append(ids, r.ID)
				}
			}
			if s.Judged.Verdict != c.verdict || c.reason != "" && !slices.Contains(ids, c.reason) || c.reason == "" && len(ids) > 0 {
				t.Errorf("%s because of %v; want %s because of %q", s.Judged.Verdict, ids, c.verdict, c.reason)
			}
			if c.reason == "no-stage-counts" && (s.Judged.Estimate != nil || s.Judged.End != nil || s.Judged.NoEstimate == "") {
				t.Error("an estimate without a stage that counts")
			}
		})
	}
}

func TestDepartures(t *testing.T) {
	for _, c := range []struct {
		name string
		rows []string
		want []string // minute and what the text holds
	}{
		{"as planned", clean("159"), nil},
		{"one more minute because unsteady", []string{"1 2 30 90", "1 3 30 96", "1 4 30 98", "2 6 75 119", "2 7 75 122"}, nil},
		{"extended though steady", []string{"1 2 30 96", "1 3 30 98", "1 4 30 98", "2 6 75 119", "2 7 75 122"}, []string{"4: stage 1 was extended although steady (96, then 98)"}},
		{"not extended though unsteady", []string{"1 2 30 96", "1 3 30 98", "2 5 75 119", "2 6 75 126", "3 8 100 137", "3 9 100 139"}, []string{"6: stage 2 was not extended although 119 and 126 differ by 7"}},
		{"exactly 5 apart is steady", []string{"1 2 30 93", "1 3 30 98", "2 5 75 119", "2 6 75 122"}, nil},
		{"last stage unsteady at its end", rowsOfA, nil},
		{"a reading is missing", []string{"1 2 30 96", "1 3 30 98", "2 5 75 _", "2 6 75 122", "3 8 100 137", "3 9 100 139"}, []string{"5: heart rate at the end of minute 2 of stage 2 is missing"}},
		{"a disturbed reading gets a minute", []string{"1 2 30 96", "1 3 30 120 disturbed=yes", "1 4 30 98", "2 6 75 119", "2 7 75 122"}, []string{"3: heart rate at the end of minute 3 of stage 1 is missing"}},
		{"a stage left out", []string{"1 2 30 96", "1 3 30 98", "3 5 100 133", "3 6 100 135"}, []string{"4: a stage was left out before stage 3"}},
		{"harder row", []string{"1 2 30 96", "1 3 30 98", "2 5 100 140", "2 6 100 142"}, []string{": row 2 (100, 125, 150 W) ridden, 98 calls for row 3"}},
		{"gentler row", []string{"1 2 30 84", "1 3 30 86", "2 5 75 130", "2 6 75 132"}, []string{"a gentler row is always allowed"}},
		{"harder row within two beats", []string{"1 2 30 91", "1 3 30 91", "2 5 100 130", "2 6 100 132"}, []string{"91 lies within 2 beats of it"}},
		{"work rate of no row", []string{"1 2 30 96", "1 3 30 98", "2 5 80 130", "2 6 80 132"}, []string{"stage 2 at 80 W, planned 75 W"}},
		{"four extra minutes", []string{"1 2 30 80", "1 3 30 86", "1 4 30 92", "1 5 30 98", "1 6 30 104", "1 7 30 106"}, []string{"stage 1 had 4 extra minutes, at most 3 are meant"}},
		{"gone on after the exertion limit", append(clean("150 rpe=17"), "4 11 125 155", "4 12 125 156"), []string{"the test went on with 125 W after"}},
		{"wrong load put right in the first minute", []string{"1 2 30 96", "1 3 30 98", "2 4 100 110", "2 5 75 119", "2 6 75 122"}, []string{"work rate of stage 2 changed from 100 to 75 W"}},
		{"wrong load put right late", []string{"1 2 30 96", "1 3 30 98", "2 5 100 119", "2 6 75 120", "2 7 75 121", "2 8 75 122"}, []string{"the minutes of stage 2 began again"}},
		{"cool-down too hard", append(clean("159"), "cool-down 11 50 120"), []string{"cool-down at 50 W, above 30 W"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := one(t, sheetText(nil, c.rows...))
			var got []string
			for _, d := range s.Judged.Departures {
				got = append(got, fmt.Sprintf("%d: %s", d.Minute, d.Text))
			}
			for _, want := range c.want {
				if !slices.ContainsFunc(got, func(text string) bool { return strings.Contains(text, want) }) {
					t.Errorf("departures %q lack %q", got, want)
				}
			}
			if len(c.want) == 0 && len(got) > 0 {
				t.Errorf("departures %q, want none", got)
			}
		})
	}
}

// Acceptance of an unsteady stage is never assumed: the steady stage before it counts.
func TestUnsteadyStageFallsBack(t *testing.T) {
	s := one(t, sheetText(nil, "1 2 30 96", "1 3 30 98", "2 5 75 119", "2 6 75 122", "3 8 100 137", "3 9 100 144", "4 11 125 150", "4 12 125 157"))
	if end := s.Judged.End; end == nil || end.WorkW != 75 || end.HR != 122 {
		t.Errorf("end %+v, want 75 W, 122 /min", end)
	}
	for _, e := range s.Events {
		if e.Kind == conduct.Accepted {
			t.Error("the sheet accepted a stage")
		}
	}
}

func TestWhyItStopped(t *testing.T) {
	for _, c := range []struct {
		name string
		rows []string
		with map[string]string
		code string
	}{
		{"end point, not said", clean("159"), nil, "end-point"},
		{"safety limit, not said", clean("157"), map[string]string{"hr_limit_bpm": "155"}, "safety-limit"},
		{"all stages done, not said", []string{"1 2 30 101", "1 3 30 102", "2 5 50 115", "2 6 50 116", "3 8 75 130", "3 9 75 131", "4 11 100 150", "4 12 100 152"}, nil, "completed"},
		{"exertion, not said", clean("157 rpe=17"), nil, "exertion"},
		{"a sign, not said", clean("150 symptom=dizzy"), nil, "near-faint"},
		{"pressure, not said", clean("150 sbp_mmhg=260 dbp_mmhg=90"), nil, "sbp-high"},
		{"nothing known", clean("150")[:4], nil, "other"},
		{"code", clean("150 stop_reason=fatigue"), nil, "fatigue"},
		{"words", clean("150 stop_reason=Patient~request"), nil, "wish"},
		{"sign by its words", clean("150 stop_reason=chest~tightness"), nil, "chest-discomfort"},
		{"own words", clean("150 stop_reason=the~fire~bell~rang"), nil, "other"},
		{"said in a later row", append(clean("150"), "recovery 12 _ 100 stop_reason=wish"), nil, "wish"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := one(t, sheetText(c.with, c.rows...))
			if got := s.State.Stop.Code; got != c.code {
				t.Errorf("stopped for %q, want %q", got, c.code)
			}
			if s.State.Phase != conduct.Over || s.State.CloseCode != "sheet" {
				t.Errorf("phase %v, closed %q", s.State.Phase, s.State.CloseCode)
			}
		})
	}
}

func TestInputs(t *testing.T) {
	for _, c := range []struct {
		name string
		with map[string]string
		ok   func(*Scored) bool
	}{
		{"85 % of 170 is 144.5", map[string]string{"age_years": "50", "end_point_fraction": "0.85"}, func(s *Scored) bool {
			return s.State.In.EndPercent == 85 && s.State.Limits.EndPoint == 144.5 && s.State.Limits.EndBeat == 145
		}},
		{"70 %", map[string]string{"age_years": "50", "end_point_fraction": "0.7"}, func(s *Scored) bool { return s.State.In.EndPercent == 70 && s.State.Limits.EndPoint == 119 }},
		{"all of it", map[string]string{"end_point_fraction": "1"}, func(s *Scored) bool { return s.State.In.EndPercent == 100 }},
		{"known maximum", map[string]string{"max_hr_bpm": "170"}, func(s *Scored) bool { return s.State.Limits.EndPoint == 144.5 }},
		{"another formula", map[string]string{"max_hr_formula": "208-0.7*age", "age_years": "40"}, func(s *Scored) bool { return s.State.Limits.MaxHR == 180 && s.State.Limits.Formula == "208-0.7age" }},
		{"the day before the birthday", map[string]string{"age_years": "-", "birth_date": "1992-02-03"}, func(s *Scored) bool { return s.State.In.AgeYears == 33 }},
		{"the birthday", map[string]string{"age_years": "-", "birth_date": "1992-02-02"}, func(s *Scored) bool { return s.State.In.AgeYears == 34 }},
		{"born on 29 February, tested on the 28th", map[string]string{"age_years": "-", "birth_date": "1992-02-29", "date": "2026-02-28"}, func(s *Scored) bool { return s.State.In.AgeYears == 33 }},
		{"born on 29 February, tested on 1 March", map[string]string{"age_years": "-", "birth_date": "1992-02-29", "date": "2026-03-01"}, func(s *Scored) bool { return s.State.In.AgeYears == 34 }},
		{"age and birth date agree", map[string]string{"age_years": "34.2", "birth_date": "1992-01-02"}, func(s *Scored) bool { return s.State.In.AgeYears == 34.2 }},
		{"tested today", map[string]string{"date": "2026-06-01"}, func(s *Scored) bool { return s.Person.Date == "2026-06-01" }},
		{"no date", map[string]string{"date": ""}, func(s *Scored) bool { return s.Person.Date == "" }},
		{"pounds", map[string]string{"mass_kg": "-", "mass_lb": "100"}, func(s *Scored) bool { return s.State.In.MassKg == 45.359237 }},
		{"inches", map[string]string{"height_in": "70"}, func(s *Scored) bool { return s.State.In.HeightCm == 70*2.54 }},
		{"both units agree", map[string]string{"mass_kg": "82", "mass_lb": "181"}, func(s *Scored) bool { return s.State.In.MassKg == 82 }},
		{"F", map[string]string{"sex": "F"}, func(s *Scored) bool { return s.State.In.Sex == conduct.Female }},
		{"a drug is no", map[string]string{"rate_limiting_drug": "None"}, func(s *Scored) bool { return s.State.In.Drug == conduct.DrugNo }},
		{"a dash for the drug", map[string]string{"rate_limiting_drug": "?"}, func(s *Scored) bool { return s.State.In.Drug == conduct.DrugNotKnown }},
		{"no longer a drug", map[string]string{"rate_limiting_drug": "no longer"}, func(s *Scored) bool { return s.State.In.Drug == conduct.DrugNotKnown && len(s.Notices) == 1 }},
		{"a drug's name", map[string]string{"rate_limiting_drug": "atenolol"}, func(s *Scored) bool {
			return s.State.In.Drug == conduct.DrugYes && s.Person.DrugName == "atenolol" && !s.State.Limits.HRLeads && s.State.Limits.RPEEnd == 15
		}},
		{"conditions", map[string]string{"condition": "stroke 2021; COPD"}, func(s *Scored) bool {
			return s.State.In.Condition == conduct.CondNeurological|conduct.CondLung && s.State.Limits.RPEEnd == 15
		}},
		{"heart failure", map[string]string{"condition": "chronic heart failure"}, func(s *Scored) bool { return s.State.In.Condition == conduct.CondHeart }},
		{"a high spinal lesion", map[string]string{"condition": "SCI T4 incomplete"}, func(s *Scored) bool { return s.State.In.Rhythm == conduct.SpinalLesionT6 && !s.State.Limits.HRLeads }},
		{"a low spinal lesion", map[string]string{"condition": "SCI L1"}, func(s *Scored) bool { return s.State.In.Rhythm == conduct.Sinus && len(s.Notices) == 0 }},
		{"a spinal lesion of unknown level", map[string]string{"condition": "spinal cord injury"}, func(s *Scored) bool {
			return s.State.In.Rhythm == conduct.Sinus && s.State.In.Condition == conduct.CondNeurological && len(s.Notices) == 1
		}},
		{"an unknown condition", map[string]string{"condition": "sarcoidosis"}, func(s *Scored) bool {
			return s.State.In.Condition == conduct.CondOther && s.State.Limits.RPEEnd == 15 && len(s.Notices) == 1
		}},
		{"healthy", map[string]string{"condition": "healthy"}, func(s *Scored) bool { return s.State.In.Condition == 0 && s.State.Limits.RPEEnd == 17 }},
		{"limits", map[string]string{"hr_limit_bpm": "140", "sbp_limit_mmhg": "200", "spo2_limit_percent": "88", "rpe_limit": "14", "limits_by": "referrer"}, func(s *Scored) bool {
			l := s.State.Limits
			return l.HRLimit == 140 && l.SBPLimit == 200 && l.SpO2Limit == 88 && l.RPELimit == 14 && s.State.In.LimitsBy == "referrer"
		}},
		{"a device", map[string]string{"hr_limit_bpm": "140", "device_rate_bpm": "150", "limits_by": "Dr Example", "limits_on": "2026-01-05"}, func(s *Scored) bool {
			return s.State.Limits.HRLimit == 130 && conduct.HRLimitWhy(&s.State.In, &s.State.Limits) == "20 below the device's rate of 150, set by Dr Example, 2026-01-05"
		}},
		{"a device, 10 below", map[string]string{"device_rate_bpm": "150", "device_margin_bpm": "10"}, func(s *Scored) bool { return s.State.Limits.HRLimit == 140 }},
		{"ischaemia", map[string]string{"ischaemia_hr_bpm": "130"}, func(s *Scored) bool { return s.State.Limits.HRLimit == 120 }},
		{"site", map[string]string{"medical_cover": "no", "machine_id": "by the window", "machine_shows": "METs"}, func(s *Scored) bool {
			return s.State.In.Cover == conduct.CoverNo && s.State.In.MachineID == "by the window" && s.State.In.Machine == conduct.ShowsMETs && s.Judged.Estimate == nil && s.Judged.NoEstimate == "the machine shows only METs"
		}},
		{"counted for 15 s", map[string]string{"hr_method": "palpated-15s"}, func(s *Scored) bool {
			return s.State.In.HRMethod == conduct.Palpated15 && s.Events[2].Src == conduct.Palpated15
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if s := one(t, sheetText(c.with, clean("150")...)); !c.ok(s) {
				t.Errorf("inputs %+v, limits %+v, notices %q", s.State.In, s.State.Limits, s.Notices)
			}
		})
	}
}

func TestFaults(t *testing.T) {
	for _, c := range []struct {
		name string
		with map[string]string
		rows []string
		want string // "line: column: text"
	}{
		{"heart rate", nil, []string{"1 2 30 412"}, "2: hr_bpm: heart rate 412 /min is above 250"},
		{"heart rate low", nil, []string{"1 2 30 9"}, "2: hr_bpm: heart rate 9 /min is below 25"},
		{"infinite", nil, []string{"1 2 30 Inf"}, `2: hr_bpm: "Inf" is not a number`},
		{"exponent", nil, []string{"1 2 30 1e400"}, `2: hr_bpm: "1e400" is not a number`},
		{"minute goes back", nil, []string{"1 3 30 96", "1 2 30 98"}, "3: minute: 2 comes after 3 in line 2"},
		{"minute stands still", nil, []string{"1 3 30 96", "2 3 75 98"}, "3: minute: 3 is the last minute of stage 1"},
		{"minute 0", nil, []string{"1 0 30 96"}, "2: minute: 0 is not between 0 and 1440"},
		{"minute missing", nil, []string{"1 2 30 96", "1 _ 30 98"}, "3: minute: is missing"},
		{"two heart rates", nil, []string{"1 2 30 96", "1 2 30 98"}, "3: hr_bpm: line 2 has a heart rate for the same minute"},
		{"stage missing", nil, []string{"_ 2 30 96"}, "2: stage: is missing"},
		{"stage unknown", nil, []string{"warm-up 2 30 96"}, `2: stage: "warm-up" is not known`},
		{"stage after cool-down", nil, []string{"1 2 30 96", "cool-down 3 30 98", "1 4 30 98"}, "4: stage: stage 1 comes after cool-down"},
		{"cool-down from nothing", nil, []string{"cool-down 3 30 98"}, "2: work_w: there is nothing to cool down from"},
		{"work rate missing", nil, []string{"1 2 _ 96"}, "2: work_w: is missing"},
		{"work rate", nil, []string{"1 2 5000 96"}, "2: work_w: work rate 5000 W is above 2000"},
		{"exertion", nil, []string{"1 2 30 96 rpe=21"}, "2: rpe: exertion 21 is above 20"},
		{"pressure swapped", nil, []string{"1 2 30 96 sbp_mmhg=80 dbp_mmhg=120"}, "2: dbp_mmhg: diastolic pressure 120 is not below systolic 80"},
		{"diastolic alone", nil, []string{"1 2 30 96 dbp_mmhg=80"}, "2: sbp_mmhg: systolic pressure is missing"},
		{"disturbed", nil, []string{"1 2 30 96 disturbed=perhaps"}, `2: disturbed: "perhaps" is neither yes nor no`},
		{"two reasons", nil, []string{"1 2 30 96 stop_reason=wish", "1 3 30 97 stop_reason=fatigue"}, `3: stop_reason: "fatigue" here, "wish" in line 2`},
		{"mass", map[string]string{"mass_kg": "-82"}, clean("150"), "2: mass_kg: -82 is not between 10 and 400"},
		{"mass 0", map[string]string{"mass_kg": "0"}, clean("150"), "2: mass_kg: 0 cannot be"},
		{"mass missing", map[string]string{"mass_kg": ""}, clean("150"), "2: mass_kg: is missing; protocol recumbent-stepper needs it"},
		{"no column for mass", map[string]string{"mass_kg": "-"}, clean("150"), "1: mass_kg: is missing; protocol recumbent-stepper needs it"},
		{"both units", map[string]string{"mass_lb": "82"}, clean("150"), "2: mass_lb: 82 lb is 37.2, but mass_kg says 82"},
		{"decimal comma", map[string]string{"mass_kg": `"82,5"`}, clean("150"), `2: mass_kg: "82,5" is not a number; write it with a decimal point`},
		{"age 0", map[string]string{"age_years": "0"}, clean("150"), "2: age_years: 0 cannot be"},
		{"age 140", map[string]string{"age_years": "140"}, clean("150"), "2: age_years: 140 is not between 1 and 120"},
		{"birth after the test", map[string]string{"age_years": "-", "birth_date": "2026-03-01"}, clean("150"), "2: birth_date: 2026-03-01 is after the day of the test"},
		{"birth without a date", map[string]string{"age_years": "-", "birth_date": "1992-03-01", "date": ""}, clean("150"), "2: birth_date: the age on the day of the test is not known"},
		{"age and birth disagree", map[string]string{"birth_date": "1980-03-01"}, clean("150"), "2: birth_date: 1980-03-01 makes 45 years on the day of the test, age_years says 34"},
		{"no such day", map[string]string{"date": "2026-02-30"}, clean("150"), `2: date: "2026-02-30" is not a date`},
		{"future", map[string]string{"date": "2026-06-02"}, clean("150"), "2: date: 2026-06-02 is in the future; today is 2026-06-01"},
		{"sex", map[string]string{"sex": "1"}, clean("150"), `2: sex: "1" is not known; write female or male`},
		{"method", map[string]string{"hr_method": "guess"}, clean("150"), `2: hr_method: "guess" is not known`},
		{"drug as a number", map[string]string{"rate_limiting_drug": "1"}, clean("150"), `2: rate_limiting_drug: "1" is not known`},
		{"fraction", map[string]string{"end_point_fraction": "85"}, clean("150"), `2: end_point_fraction: "85" is not a fraction from 0.30 to 1`},
		{"formula", map[string]string{"max_hr_formula": "mine"}, clean("150"), `2: max_hr_formula: "mine" is not known`},
		{"formula of the other sex", map[string]string{"max_hr_formula": "206-0.88age"}, clean("150"), "2: max_hr_formula: formula 206-0.88age is for women only"},
		{"resting pressure swapped", map[string]string{"rest_sbp_mmhg": "80", "rest_dbp_mmhg": "120"}, clean("150"), "2: rest_dbp_mmhg: diastolic pressure 120 is not below systolic 80"},
		{"protocol", map[string]string{"protocol": "step"}, clean("150"), `2: protocol: no protocol has the id "step"`},
		{"no protocol", map[string]string{"protocol": ""}, clean("150"), "2: protocol: is missing"},
		{"no test", map[string]string{"test": ""}, clean("150"), "2: test: the row names no test"},
		{"not UTF-8", map[string]string{"participant": "J\xfcrgen"}, clean("150"), "2: participant: the text is not in UTF-8"},
		{"control character", map[string]string{"participant": "a\x1b[2J"}, clean("150"), "2: participant: the cell holds a control character"},
		{"open quotation mark", map[string]string{"participant": `"P`}, clean("150"), "2: participant: a quotation mark opens here"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := scoreText(sheetText(c.with, c.rows...))
			var got []string
			all := append([]*Fault{}, s.Faults...)
			for _, test := range s.Tests {
				all = append(all, test.Faults...)
			}
			for _, f := range all {
				if f.File != "sheet.csv" || f.Line < 1 || f.Field < 1 {
					t.Errorf("%v has no place", f)
				}
				got = append(got, fmt.Sprintf("%d: %s: %s", f.Line, f.Column, f.Msg))
			}
			if len(got) == 0 || !strings.HasPrefix(got[0], c.want) {
				t.Errorf("faults %q, want %q first", got, c.want)
			}
		})
	}
}

// A test with a fault leaves the test beside it as it is.
func TestFaultsStayInTheirTest(t *testing.T) {
	good := sheetText(nil, rowsOfA...)
	head, body, _ := strings.Cut(good, "\n")
	bad := strings.Replace(strings.Replace(body, ",T,", ",U,", 1), ",159,", ",590,", 1)
	s := scoreText(head + "\n" + bad + body)
	if len(s.Tests) != 2 || len(s.Tests[0].Faults) != 1 || len(s.Tests[1].Faults) != 0 {
		t.Fatalf("want one fault in the first of two tests, got %+v", s.Tests)
	}
	checkA(t, s.Tests[1])
	var doc struct{ Tests []map[string]any }
	var b strings.Builder
	if err := s.WriteJSON(&b); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal([]byte(b.String()), &doc); err != nil {
		t.Fatal(err)
	}
	if e, ok := doc.Tests[0]["error"].(string); !ok || !strings.HasPrefix(e, "sheet.csv:9:") || doc.Tests[0]["validity"] != nil {
		t.Errorf("error of the first test: %v", doc.Tests[0])
	}
	if doc.Tests[1]["error"] != nil {
		t.Errorf("the second test has an error: %v", doc.Tests[1]["error"])
	}
}

// The events of a sheet are a record like any other: written as JSON and read back they replay to the same
// state.
func TestEventsAreARecord(t *testing.T) {
	s := one(t, sheetText(map[string]string{"rate_limiting_drug": "atenolol", "condition": "stroke"},
		append(rowsOfA, "cool-down 14 30 120 sbp_mmhg=140 dbp_mmhg=80", "recovery 17 _ 90 symptom=dizzy note=sat~down")...))
	text, err := json.Marshal(s.Events)
	if err != nil {
		t.Fatal(err)
	}
	var events []conduct.Event
	if err := json.Unmarshal(text, &events); err != nil {
		t.Fatal(err)
	}
	again, refused, err := conduct.Replay(s.Protocol, events)
	if err != nil || len(refused) > 0 || again != s.State {
		t.Errorf("replayed: %v, refused %v, same state: %v", err, refused, again == s.State)
	}
	if strings.Contains(string(text), `"P"`) {
		t.Error("the events name the participant")
	}
}

// A stage whose last reading is missing was ridden all the same, when the next reading comes as late as that: the
// next stage is judged by its own minutes. When it comes earlier the stage was left early.
func TestLastReadingOfAStageMissing(t *testing.T) {
	for _, c := range []struct {
		name string
		rows []string
		want string
	}{
		{"stage 2", []string{"1 2 30 96", "1 3 30 98", "2 5 75 128", "3 8 100 150", "3 9 100 152"}, "6 heart rate at the end of minute 3 of stage 2 is missing"},
		{"blank", []string{"1 2 30 96", "1 3 30 98", "2 5 75 128", "2 6 75 _", "3 8 100 150", "3 9 100 152"}, "6 heart rate at the end of minute 3 of stage 2 is missing"},
		{"stage 1", []string{"1 2 30 96", "2 5 75 128", "2 6 75 130"}, "3 heart rate at the end of minute 3 of stage 1 is missing"},
		{"stage 1, harder row", []string{"1 2 30 103", "2 5 75 128", "2 6 75 130"},
			"3 heart rate at the end of minute 3 of stage 1 is missing|4 row 3 (75, 100, 125 W) ridden, 103 calls for row 4 (50, 75, 100 W)"},
		{"minute 2 of stage 1, harder row", []string{"1 3 30 103", "2 5 75 128", "2 6 75 130"},
			"2 heart rate at the end of minute 2 of stage 1 is missing|4 row 3 (75, 100, 125 W) ridden, 103 calls for row 4 (50, 75, 100 W)"},
		{"left early", []string{"1 2 30 96", "1 3 30 98", "2 5 75 128", "3 7 100 150", "3 8 100 152"}, "5 stage 2 was left after 2:00"},
	} {
		s := one(t, sheetText(nil, c.rows...))
		var all []string
		for _, d := range s.Judged.Departures {
			all = append(all, fmt.Sprint(d.Minute, " ", d.Text))
		}
		if got := strings.Join(all, "|"); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
		if last := s.Judged.End; last == nil || s.number(last.Stage) != s.Rows[len(s.Rows)-1].Stage {
			t.Errorf("%s: the last stage does not count", c.name)
		}
	}
	byStage := strings.Replace(sheetText(nil, "1 2 30 96", "1 3 30 98", "2 2 75 128", "3 2 100 150", "3 3 100 152"), ",minute,", ",stage_minute,", 1)
	s := one(t, byStage)
	if len(s.Judged.Departures) != 1 || s.Judged.Departures[0].Minute != 6 {
		t.Errorf("minutes of the stage: %+v", s.Judged.Departures)
	}
}

// What the answer would be with a stage that does not count is said too when there is no other answer.
func TestUnfinishedStageAlone(t *testing.T) {
	s := one(t, sheetText(nil, "1 2 30 100", "1 3 30 112"))
	said := ""
	for _, r := range s.Judged.Reasons {
		if r.ID == "unfinished-stage" {
			said = r.Text
		}
	}
	// 125.707 - 0.476*34 - 0.451*82 + 7.686 + 0.179*30 - 0.415*112 = 39.117
	if s.Judged.Verdict != estimate.NotUsable || s.Judged.Estimate != nil || !strings.Contains(said, "with it the estimate would be 39.1 mL/kg/min") {
		t.Errorf("%s: %q", s.Judged.Verdict, said)
	}
}
