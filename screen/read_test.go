package screen

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"gradus/yamlread"
)

func TestReadRefuses(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{`{"consnt": "yes"}`, `a.json:1:2: unknown field "consnt"; perhaps consent`},
		{`{"consent": "yes", "consent": "no"}`, `a.json:1:20: consent is there twice; keep one of the two`},
		{`{"consent": true}`, `a.json:1:13: consent must be "yes" or "no" in quotes, not true; null means not answered`},
		{`{"consent": "maybe"}`, `a.json:1:13: consent "maybe" is not known; write "yes" or "no"`},
		{`{"consent": ""}`, `a.json:1:13: consent is empty; write null when it is not answered`},
		{"{\n  \"rest_hr_bpm\": \"90\"}", `a.json:2:18: rest_hr_bpm must be a number in /min, not "90"; null means not answered`},
		{`{"rest_hr_bpm": 500}`, `a.json:1:17: rest_hr_bpm 500 /min is above 250; check the entry`},
		{`{"rest_hr_bpm": 1e999}`, `a.json:1:17: rest_hr_bpm must be a number in /min, not the number 1e999; null means not answered`},
		{`{"spo2_percent": 90.5}`, `a.json:1:18: spo2_percent 90.5 is not a whole number; round it`},
		{`{"spo2_percent": 0.9}`, `a.json:1:18: spo2_percent 0.9 % is below 50; check the entry`},
		{`{"age_years": 480}`, `a.json:1:15: age_years 480 years is above 120; check the entry`},
		{`{"date": "25.11.2026"}`, `a.json:1:10: date "25.11.2026" is not a date; write year-month-day, for example 2026-11-25`},
		{`{"drugs": "beta_blocker"}`, `a.json:1:11: drugs must be a list in [ ], not "beta_blocker"; [] means none, null not answered`},
		{`{"symptoms": ["chest_pain", "cough"]}`, `a.json:1:29: symptoms[1] "cough" is not known; write chest_pain, `},
		{`{"symptoms": ["chest_pain", "chest_pain"]}`, `a.json:1:29: symptoms[1] "chest_pain" is there twice; keep one`},
		{`{"symptoms": [null]}`, `a.json:1:15: symptoms[0] must be a word in quotes, not null`},
		{`{"rest_sbp_mmhg": 80, "rest_dbp_mmhg": 120}`, `a.json:1:40: rest_dbp_mmhg 120 is not below rest_sbp_mmhg, 80; check whether the two are swapped`},
		{`{"glucose_mg_dl": 100, "glucose_mmol_l": 5.5}`, `a.json:1:42: glucose_mmol_l is given beside glucose_mg_dl; give one of the two`},
		{`{"overrides": [{"rule": "screening.A2", "name": "T"}]}`, `a.json:1:16: overrides[0].reason is wanting; write why`},
		{`{"overrides": [{"rule": "screening.A9", "reason": "r", "name": "T"}]}`, `a.json:1:25: overrides[0].rule "screening.A9" is not known; perhaps screening.A1, `},
		{`{"clearances": [{"by": "D", "role": "nurse", "date": "2026-11-01", "for": ["test"]}]}`, `a.json:1:37: clearances[0].role "nurse" is not known; write physician, other_provider`},
		{`{"clearances": {}}`, `a.json:1:16: clearances must be a list of groups in [ ], not a group; null or [] means none`},
		{`{"questionnaire": []}`, `a.json:1:19: questionnaire must be a group of answers in { }, not a list; see gradus screen --template`},
		{`[]`, `a.json:1:1: must be a group of answers in { }, not a list; see gradus screen --template`},
		{``, `a.json:1:1: the text ends too early; close the brackets`},
		{`{"consent": "yes"`, `a.json:1:18: the text ends too early; close the brackets`},
		{`{"consent" "yes"}`, `a.json:1:12: this is not JSON`},
		{`{"consent": "yes"} {}`, `a.json:1:20: text after the end; write one group of answers in a file`},
		{`{"a": [[[[[[[[[[1]]]]]]]]]]}`, `a.json:1:14: brackets are nested too deep; see gradus screen --template`},
		{"{\"consent\": \"\xff\"}", `a.json:1:14: this is not UTF-8 text; save the file as UTF-8`},
	} {
		_, errs := Read("a.json", []byte(c.text))
		if len(errs) == 0 {
			t.Errorf("%s: was taken", c.text)
			continue
		}
		if got := errs[0].Error(); !strings.HasPrefix(got, c.want) {
			t.Errorf("%s\n got %s\nwant %s", c.text, got, c.want)
		}
	}
}

func TestTemplateIsTakenAsItIs(t *testing.T) {
	text := Template()
	var any map[string]any
	if err := json.Unmarshal(text, &any); err != nil {
		t.Fatal(err)
	}
	a, errs := Read("t.json", text)
	if len(errs) > 0 {
		t.Fatal(errs)
	}
	r := Default().Judge(a)
	if r.Outcome != PauseAndAsk || r.Overridable {
		t.Errorf("nothing answered: %s", r.Outcome)
	}
	for _, f := range Shipped().Fields {
		if value, there := any[f.Name]; !there || value != nil || any["// "+f.Name] == nil {
			t.Errorf("%s is not in the template, or has no explanation", f.Name)
		}
	}
}

func FuzzRead(f *testing.F) {
	f.Add(Template())
	f.Add([]byte(`{"consent": "yes", "clearances": [{"by": "D", "role": "physician", "date": "2026-11-01", "for": ["test"]}]}`))
	f.Add([]byte(`{"drugs": ["unknown"], "// x": {"a": [1]}, "questionnaire": {"outcome": "cleared"}}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		a, errs := Read("f.json", text)
		for _, err := range errs {
			var placed *yamlread.Error
			if !errors.As(err, &placed) || placed.Line < 1 || placed.Col < 1 || placed.Msg == "" {
				t.Fatalf("%v has no place", err)
			}
		}
		if len(errs) > 0 {
			return
		}
		r := Default().Judge(a)
		if !r.Outcome.known() || len(r.Reasons) == 0 {
			t.Fatalf("outcome %q with %d reasons", r.Outcome, len(r.Reasons))
		}
	})
}
