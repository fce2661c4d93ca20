package library_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	estimators "gradus/estimate/library"
	"gradus/protocol"
	"gradus/protocol/library"
	"gradus/yamlread"
)

func stepper(t testing.TB) *protocol.Protocol {
	t.Helper()
	p, err := library.Load("recumbent-stepper", estimators.LineOf)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// Every number and time of the stepper file, each with the place it was compared with. "written procedure" is
// the written procedure of this test that the project follows; "cycle sheet" the printed data sheet of the
// branching cycle test; "paper" Med Sci Sports Exerc 2012;44(8):1539-1544; "registry" Mayo Clin Proc
// 2015;90(11):1515-1523 (medians of the treadmill registry).
var stepperNumbers = []struct{ path, value, source string }{
	{"suits.space_m", "0", "own choice: no ground beside the machine"},
	{"cadence.own_from", "60", "written procedure: the person's own, 60 to 100 /min"},
	{"cadence.own_to", "100", "paper: 100 /min; written procedure: 60 to 100 /min"},
	{"cadence.caution_below", "90", "written procedure: below 90 is a caution"},
	{"cadence.low.by_percent", "10", "table of termination criteria T21: more than 10 % below target (own number)"},
	{"cadence.low.for", "0:15", "table of termination criteria T21: for 15 s"},
	{"cadence.low.times", "2", "written procedure: twice"},
	{"end_point.percent", "85", "paper: 85 % of age-predicted maximum"},
	{"window.lasts", "0:10", "written procedure: a 10-s mean of good beats"},
	{"exertion.alert", "15", "table of termination criteria T22: alert at 15"},
	{"exertion.end", "17", "table of termination criteria T22: end at 17"},
	{"exertion.careful.alert", "13", "written procedure: alert at 13"},
	{"exertion.careful.end", "15", "table of termination criteria T22: 15 where heart rate cannot lead"},
	{"readings.late_by", "1:00", "written procedure: typed up to 60 s late fills its slot"},
	{"readings.sets[0].read[0].at", "2:00", "cycle sheet: end of minute 2"},
	{"readings.sets[0].read[0].over", "0:15", "cycle sheet: last 15 s"},
	{"readings.sets[0].read[1].at", "3:00", "cycle sheet: end of minute 3"},
	{"readings.sets[0].read[1].over", "0:15", "cycle sheet: last 15 s"},
	{"readings.sets[0].read[2].at", "2:30", "written procedure: exertion at 2:30"},
	{"readings.sets[0].read[2].over", "0:30", "own choice"},
	{"readings.sets[0].read[3].at", "2:00", "written procedure: blood pressure begun at 2:00"},
	{"readings.sets[0].read[3].over", "0:45", "written procedure: the cuff is looked at again at 2:45"},
	{"readings.cuff.running_at", "2:45", "written procedure: still running at 2:45"},
	{"readings.cuff.add", "1:00", "written procedure: the stage gets a minute for it"},
	{"hold.within", "5", "cycle sheet: more than 5 apart goes on"},
	{"hold.add", "1:00", "cycle sheet: one more minute"},
	{"hold.at_most", "3", "written procedure: default 3"},
	{"hold.over", "0:15", "cycle sheet: last 15 s"},
	{"choose.near", "2", "written procedure: within 2 beats"},
	{"choose.rows[0].below", "80", "cycle sheet: below 80"},
	{"choose.rows[0].work[0].watts", "125", "cycle sheet: 750 kgm/min at 6 per W"},
	{"choose.rows[0].work[1].watts", "150", "cycle sheet: 900"},
	{"choose.rows[0].work[2].watts", "175", "cycle sheet: 1050"},
	{"choose.rows[1].below", "90", "cycle sheet: 80 to 89"},
	{"choose.rows[1].work[0].watts", "100", "cycle sheet: 600"},
	{"choose.rows[1].work[1].watts", "125", "cycle sheet: 750"},
	{"choose.rows[1].work[2].watts", "150", "cycle sheet: 900"},
	{"choose.rows[2].up_to", "100", "cycle sheet: 90 to 100"},
	{"choose.rows[2].work[0].watts", "75", "cycle sheet: 450"},
	{"choose.rows[2].work[1].watts", "100", "cycle sheet: 600"},
	{"choose.rows[2].work[2].watts", "125", "cycle sheet: 750"},
	{"choose.rows[3].work[0].watts", "50", "cycle sheet: 300"},
	{"choose.rows[3].work[1].watts", "75", "cycle sheet: 450"},
	{"choose.rows[3].work[2].watts", "100", "cycle sheet: 600"},
	{"parts[0].work.watts", "30", "written procedure: 30 W for everyone"},
	{"parts[0].lasts", "3:00", "paper: stages of 3 minutes"},
	{"parts[1].work.row", "1", "written procedure: first work rate of the row"},
	{"parts[1].lasts", "3:00", "paper: stages of 3 minutes"},
	{"parts[2].work.row", "2", "written procedure: second work rate of the row"},
	{"parts[2].lasts", "3:00", "paper: stages of 3 minutes"},
	{"parts[3].work.row", "3", "written procedure: third work rate of the row"},
	{"parts[3].lasts", "3:00", "paper: stages of 3 minutes"},
	{"parts[4].work.add_watts", "25", "written procedure: +25 W beyond stage 4"},
	{"parts[4].lasts", "3:00", "written procedure: stages of 3 minutes"},
	{"parts[4].at_most", "4", "own choice: every repeat is bounded"},
	{"ask_first.step_over_watts", "50", "written procedure: a step of more than 50 W"},
	{"ask_first.age_from", "70", "written procedure: age 70 or more"},
	{"ask_first.expected_heart_rate.fitter_by", "7", "written procedure: 7 mL/kg/min fitter"},
	{"ask_first.expected_heart_rate.medians[0].ages[0].from", "20", "registry: decade"},
	{"ask_first.expected_heart_rate.medians[0].ages[0].vo2", "48.0", "registry: men 20 to 29, seen"},
	{"ask_first.expected_heart_rate.medians[0].ages[1].from", "30", "registry: decade"},
	{"ask_first.expected_heart_rate.medians[0].ages[1].vo2", "42.4", "registry: men 30 to 39, from memory"},
	{"ask_first.expected_heart_rate.medians[0].ages[2].from", "40", "registry: decade"},
	{"ask_first.expected_heart_rate.medians[0].ages[2].vo2", "37.8", "registry: men 40 to 49, from memory"},
	{"ask_first.expected_heart_rate.medians[0].ages[3].from", "50", "registry: decade"},
	{"ask_first.expected_heart_rate.medians[0].ages[3].vo2", "32.6", "registry: men 50 to 59, from memory"},
	{"ask_first.expected_heart_rate.medians[0].ages[4].from", "60", "registry: decade"},
	{"ask_first.expected_heart_rate.medians[0].ages[4].vo2", "28.2", "registry: men 60 to 69, from memory"},
	{"ask_first.expected_heart_rate.medians[0].ages[5].from", "70", "registry: decade"},
	{"ask_first.expected_heart_rate.medians[0].ages[5].vo2", "24.4", "registry: men 70 to 79, seen"},
	{"ask_first.expected_heart_rate.medians[1].ages[0].from", "20", "registry: decade"},
	{"ask_first.expected_heart_rate.medians[1].ages[0].vo2", "37.6", "registry: women 20 to 29, seen"},
	{"ask_first.expected_heart_rate.medians[1].ages[1].from", "30", "registry: decade"},
	{"ask_first.expected_heart_rate.medians[1].ages[1].vo2", "30.2", "registry: women 30 to 39, from memory"},
	{"ask_first.expected_heart_rate.medians[1].ages[2].from", "40", "registry: decade"},
	{"ask_first.expected_heart_rate.medians[1].ages[2].vo2", "26.7", "registry: women 40 to 49, from memory"},
	{"ask_first.expected_heart_rate.medians[1].ages[3].from", "50", "registry: decade"},
	{"ask_first.expected_heart_rate.medians[1].ages[3].vo2", "23.4", "registry: women 50 to 59, from memory"},
	{"ask_first.expected_heart_rate.medians[1].ages[4].from", "60", "registry: decade"},
	{"ask_first.expected_heart_rate.medians[1].ages[4].vo2", "20.0", "registry: women 60 to 69, from memory"},
	{"ask_first.expected_heart_rate.medians[1].ages[5].from", "70", "registry: decade"},
	{"ask_first.expected_heart_rate.medians[1].ages[5].vo2", "18.3", "registry: women 70 to 79, seen"},
	{"breaks.go_on", "0:15", "written procedure: up to 15 s go on"},
	{"breaks.add_to", "1:00", "written procedure: 16 to 60 s one extra minute"},
	{"breaks.add", "1:00", "written procedure: one extra minute"},
	{"breaks.restart", "3:00", "written procedure: more than 60 s the stage restarts, more than 3 min end"},
	{"breaks.at_most", "2", "own choice: every repeat is bounded"},
	{"wrong_work.go_on_within", "1:00", "written procedure: put right within the first minute"},
	{"wrong_work.tolerance_watts", "5", "written procedure: the larger of 5 W and 5 %"},
	{"wrong_work.tolerance_percent", "5", "written procedure: the larger of 5 W and 5 %"},
	{"stop_by_mistake", "0:10", "written procedure: within 10 s"},
	{"cool_down.lasts", "2:00", "common practice"},
	{"recovery.every", "1:00", "written procedure: readings each minute"},
	{"recovery.hr_within", "20", "written procedure: within 20 /min of own rest"},
	{"recovery.sbp_within", "20", "written procedure: within 20 mmHg of rest on either side"},
	{"recovery.sbp_not_below", "90", "written procedure: not below 90"},
	{"recovery.at_least", "5:00", "written procedure: at least 5 min"},
	{"recovery.heart_at_least", "15:00", "written procedure: at least 15 min of observation with heart disease"},
	{"recovery.ask_at", "15:00", "written procedure: unresolved at 15 min"},
}

func TestEveryNumberOfTheStepper(t *testing.T) {
	text, err := library.Text("recumbent-stepper")
	if err != nil {
		t.Fatal(err)
	}
	compareNumbers(t, "recumbent-stepper.yaml", text, stepperNumbers, "format", "version", "sources", "papers")
}

// Every number of the table of stop signs, with the list it was compared with.
var signNumbers = []struct{ path, value, source string }{
	{"sbp-high above", "250", "ACSM general indications and Circulation 2013 (doi 10.1161/CIR.0b013e31829b5b44): above 250"},
	{"dbp-high above", "115", "ACSM general indications and Circulation 2013: above 115"},
	{"sbp-falls falls_by", "10", "ACSM general indications: drop of 10 mmHg or more with rising work"},
	{"sbp-falls within", "1:00", "own choice"},
	{"sbp-below-rest within", "1:00", "own choice"},
	{"hr-not-rising within", "0:30", "own choice"},
	{"spo2-low at_most", "80", "Am J Respir Crit Care Med 2003 (doi 10.1164/rccm.167.2.211): 80 % or less"},
	{"heart-rate-silent within", "1:00", "own choice"},
	{"spo2-no-cover at_most", "85", "community programme without medical cover: a rest below 85 %; at 85 is our own"},
	{"spo2-no-cover resume.at_least", "88", "own choice: the caution line"},
	{"spo2-caution at_most", "88", "pulmonary rehabilitation practice: 88 % or less"},
}

func TestEveryNumberOfTheStopSigns(t *testing.T) {
	text, err := os.ReadFile("stop-signs.yaml")
	if err != nil {
		t.Fatal(err)
	}
	signs, _, err := library.Signs()
	if err != nil {
		t.Fatal(err)
	}
	var numbers []struct{ path, value, source string }
	for _, n := range signNumbers {
		id, key, _ := strings.Cut(n.path, " ")
		for i, s := range signs {
			if s.ID != id {
				continue
			}
			n.path = fmt.Sprintf("signs[%d].when.%s", i, key)
			if key == "within" || strings.HasPrefix(key, "resume") {
				n.path = fmt.Sprintf("signs[%d].%s", i, key)
			}
			numbers = append(numbers, n)
		}
	}
	compareNumbers(t, "stop-signs.yaml", text, numbers, "version", "sources")
}

// compareNumbers holds the numbers of a file against a table: none is missing on either side.
func compareNumbers(t *testing.T, name string, text []byte, want []struct{ path, value, source string }, besides ...string) {
	t.Helper()
	file, err := yamlread.Decode(name, text, nil)
	if err != nil {
		t.Fatal(err)
	}
	have := map[string]string{}
	for _, s := range file.Scalars() {
		top := strings.FieldsFunc(s.Path, func(r rune) bool { return r == '.' || r == '[' })[0]
		if strings.Trim(s.Value, "0123456789.:-") != "" || s.Value == "" || contains(besides, top) {
			continue
		}
		have[s.Path] = s.Value
	}
	for _, w := range want {
		if have[w.path] != w.value {
			t.Errorf("%s: %s is %q; %s says %s", name, w.path, have[w.path], w.source, w.value)
		}
		delete(have, w.path)
	}
	for path, value := range have {
		t.Errorf("%s: %s: %s was compared with nothing; add it to the table of this test with its source", name, path, value)
	}
}

func contains(list []string, s string) bool {
	for _, one := range list {
		if one == s {
			return true
		}
	}
	return false
}

// What each sign does and what follows; the ids stand for rows of the lists named as their source.
func TestStopSignsAsListed(t *testing.T) {
	want := map[string]string{ // Circulation 2013 and ACSM general indications, ATS/ACCP 2003
		"chest-discomfort": "stop seated", "near-faint": "stop seated", "confusion": "stop seated", "pallor": "stop seated", "neuro-sign": "stop seated",
		"breathless": "stop rest", "leg-pain": "stop rest", "rhythm-change": "stop seated", "severe-fatigue": "stop active", "asks-to-stop": "stop active",
		"equipment": "stop rest", "other-symptom": "alert rest", "no-heart-rate": "stop rest", "sbp-high": "stop rest", "dbp-high": "stop rest",
		"sbp-falls": "check seated", "sbp-below-rest": "check seated", "hr-not-rising": "check rest", "spo2-low": "stop seated", "spo2-caution": "alert rest",
		"heart-rate-silent": "check rest", "spo2-no-cover": "pause rest",
	}
	signs, _, err := library.Signs()
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range signs {
		if got := s.Does.String() + " " + s.After.String(); got != want[s.ID] {
			t.Errorf("%s: %s, want %q", s.ID, got, want[s.ID])
		}
		delete(want, s.ID)
	}
	if len(want) > 0 {
		t.Errorf("missing signs: %v", want)
	}
	if p := stepper(t); len(p.Table) != len(signs) {
		t.Errorf("the stepper uses %d of %d signs", len(p.Table), len(signs))
	}
}

// Errors name line and column, what is wrong and what to do. Each case changes one thing in the shipped file.
func TestErrorsNameThePlace(t *testing.T) {
	text, err := library.Text("recumbent-stepper")
	if err != nil {
		t.Fatal(err)
	}
	var got strings.Builder
	for _, c := range []struct{ name, from, to string }{
		{"unknown key", "near: 2", "nearby: 2"},
		{"missing key", "hold:\n  compare: heart_rate\n  within: 5\n  add: \"1:00\"\n  at_most: 3\n  over: \"0:15\"\n  then: ask\n", ""},
		{"gap in rows", "below: 90,", "below: 79,"},
		{"half a beat", "up_to: 100,", "up_to: 100.5,"},
		{"time not as time", `lasts: "0:10"`, "lasts: 10"},
		{"leading zero", "within: 5", "within: 05"},
		{"unknown quantity", "what: rpe,", "what: effort,"},
		{"unknown formula", "formula: 220-age", "formula: 220-years"},
		{"unknown set", "read: stage, steady: hold, counts: when-steady}\n  - {id: stage-3", "read: phase, steady: hold, counts: when-steady}\n  - {id: stage-3"},
		{"number without paper", "  - {of: [window.lasts], how: choice}\n", ""},
		{"seen without source", "how: seen, source: stepper-2012}\n  - {of: [window", "how: seen}\n  - {of: [window"},
		{"unknown sign", "use: [all]", "use: [chest-discomfort, hiccups]"},
		{"two forms of work", "work: {watts: 30}", "work: {watts: 30, add_watts: 25}"},
		{"unbounded hold", "at_most: 3\n  over", "at_most: 99\n  over"},
		{"alias", "version: \"1\"", "version: &v \"1\""},
		{"twice", "version: \"1\"", "version: \"1\"\nversion: \"1\""},
		{"unknown estimator", "estimator: recumbent-stepper-2012\n    fitter_by", "estimator: nobody\n    fitter_by"},
		{"too many parts", "at_most: 4\n", "at_most: 40\n"},
		{"unknown ability", "needs: [sit,", "needs: [swim,"},
		{"unknown machine", "machine: recumbent_stepper", "machine: sofa"},
		{"unknown family", "family: branching-ergometer", "family: others"},
		{"cool-down after nothing", "cool_down: {at_most: stage-1", "cool_down: {at_most: stage-9"},
	} {
		changed := strings.Replace(string(text), c.from, c.to, 1)
		if changed == string(text) {
			t.Fatalf("%s: nothing to change", c.name)
		}
		p, errs := library.Parse("my.yaml", []byte(changed), estimators.LineOf)
		if p != nil || len(errs) == 0 {
			t.Errorf("%s: no error", c.name)
		}
		fmt.Fprintf(&got, "# %s\n", c.name)
		for _, err := range errs {
			fmt.Fprintln(&got, err)
		}
	}
	golden(t, "errors.txt", got.String())
}

// golden compares with a file of testdata; UPDATE=1 rewrites it.
func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if os.Getenv("UPDATE") != "" {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if string(want) != got {
		t.Errorf("%s differs; UPDATE=1 rewrites it\n%s", path, got)
	}
}

// A protocol travels as JSON and is the same on the other side, hash included.
func TestJSONRoundTrip(t *testing.T) {
	plans := []*protocol.Protocol{stepper(t)}
	files, err := filepath.Glob("../testdata/*/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		p, errs := library.Parse(filepath.Base(file), data, estimators.LineOf)
		if len(errs) > 0 {
			t.Fatal(errs)
		}
		plans = append(plans, p)
	}
	for _, p := range plans {
		text, err := json.Marshal(p)
		if err != nil {
			t.Fatal(err)
		}
		var back protocol.Protocol
		if err := json.Unmarshal(text, &back); err != nil {
			t.Fatalf("%s: %v", p.ID, err)
		}
		if !reflect.DeepEqual(&back, p) {
			again, _ := json.Marshal(&back)
			t.Errorf("%s: not the same after JSON\n%s\n%s", p.ID, text, again)
		}
		if len(p.Hash) != 64 || back.Hash != p.Hash {
			t.Errorf("%s: hash %q, after JSON %q", p.ID, p.Hash, back.Hash)
		}
		if problems := back.Problems(); len(problems) > 0 {
			t.Errorf("%s: problems after JSON: %v", p.ID, problems)
		}
	}
}

// The hash is the content's: a changed number changes it, a changed comment does not.
func TestHashIsTheContents(t *testing.T) {
	text, _ := library.Text("recumbent-stepper")
	hash := func(text string) string {
		p, errs := library.Parse("my.yaml", []byte(text), estimators.LineOf)
		if len(errs) > 0 {
			t.Fatal(errs)
		}
		return p.Hash
	}
	plain := hash(string(text))
	if got := hash("# a comment\n" + string(text)); got != plain {
		t.Error("a comment changes the hash")
	}
	if got := hash(strings.Replace(string(text), "within: 5", "within: 6", 1)); got == plain {
		t.Error("a number does not change the hash")
	}
	if plain != stepper(t).Hash {
		t.Error("the shipped protocol has another hash than its text")
	}
}

func TestUnknownProtocol(t *testing.T) {
	_, err := library.Load("stop-signs", estimators.LineOf)
	var unknown *library.UnknownError
	if !errors.As(err, &unknown) || !strings.Contains(err.Error(), "recumbent-stepper") {
		t.Errorf("got %v", err)
	}
}

// Whatever the bytes, Parse ends with a protocol without problems or with errors that have a place.
func FuzzParse(f *testing.F) {
	text, err := library.Text("recumbent-stepper")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	files, _ := filepath.Glob("../testdata/*/*.yaml")
	for _, file := range files {
		if data, err := os.ReadFile(file); err == nil {
			f.Add(data)
		}
	}
	f.Add([]byte("id: x\nparts: [{id: a, work: {row: 9}}]\nchoose: {rows: []}\nhold: {}"))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, errs := library.Parse("f.yaml", data, estimators.LineOf)
		if (p == nil) == (len(errs) == 0) {
			t.Fatalf("protocol %v and errors %v", p != nil, errs)
		}
		for _, err := range errs {
			var at *yamlread.Error
			if !errors.As(err, &at) || at.Line < 1 || at.Col < 1 || at.Msg == "" {
				t.Fatalf("an error without a place: %v", err)
			}
		}
		if p != nil && len(p.Problems()) > 0 {
			t.Fatalf("a protocol with problems: %v", p.Problems())
		}
	})
}

// Every equation that a shipped test names is there, those beside a distance too.
func TestNamedEquationsAreThere(t *testing.T) {
	named := 0
	for _, name := range library.IDs() {
		p, err := library.Load(name, estimators.LineOf)
		if err != nil {
			t.Fatal(err)
		}
		for _, id := range append([]string{p.Outcome.Women}, p.Outcome.Also...) {
			if id == "" {
				continue
			}
			named++
			if _, err := estimators.ByID(id); err != nil {
				t.Errorf("%s: %v", p.ID, err)
			}
		}
	}
	if named == 0 {
		t.Error("no test names an equation beside its own")
	}
}
