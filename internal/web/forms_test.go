package web_test

import (
	"maps"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"gradus/conduct"
)

// with is alder's form with other entries.
func with(pairs ...string) url.Values {
	f := alder()
	for i := 0; i+1 < len(pairs); i += 2 {
		f[pairs[i]] = []string{pairs[i+1]}
	}
	return f
}

// Every entry that cannot be true is named at its field, with what to do; what was entered stays, and nothing is
// begun.
func TestPrepareFaults(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("A-1")
	for _, c := range []struct {
		form  url.Values
		field string
		want  string
	}{
		{with("age_years", ""), "age_years", "enter it; the test can not begin without it"},
		{with("sex", ""), "sex", "choose one of the words"},
		{with("sex", "none"), "sex", "choose one of the words"},
		{with("mass_kg", ""), "mass_kg", "enter it"},
		{with("mass_kg", "seventy"), "mass_kg", "“seventy” is not a number"},
		{with("mass_kg", "NaN"), "mass_kg", "is not a number"},
		{with("mass_kg", "-70"), "mass_kg", "is not between 10 and 400; check the entry"},
		{with("mass_kg", "0"), "mass_kg", "0 can not be true"},
		{with("rest_hr_bpm", "412"), "rest_hr_bpm", "is not between 25 and 200"},
		{with("age_years", "140"), "age_years", "is not between 1 and 120"},
		{with("rest_sbp_mmhg", "80", "rest_dbp_mmhg", "90"), "rest_dbp_mmhg", "diastolic is not below systolic"},
		{with("birth_date", "1990-01-01"), "age_years", "does not fit the birth date, which gives 36"},
		{with("birth_date", "2190-01-01"), "birth_date", "no day within the last 120 years"},
		{with("birth_date", "yesterday"), "birth_date", "no day"},
		{with("end_point_percent", "20"), "end_point_percent", "is not between 30 and 100"},
		{with("max_hr_formula", "206-0.88age", "sex", "male"), "max_hr_formula", "for women only"},
		{with("max_hr_formula", "119+0.5rest-0.5age", "rest_hr_bpm", ""), "max_hr_formula", "needs the resting heart rate"},
		{with("max_hr_formula", "guess"), "max_hr_formula", "choose one of the words"},
		{with("hr_limit_bpm", "120"), "limits_name", "needs the name"},
		{with("hr_limit_bpm", "120", "limits_name", "Dr Example"), "limits_date", "the day on which"},
		{with("hr_limit_bpm", "120", "limits_name", "Dr Example", "limits_date", "May"), "limits_date", "no day"},
		{with("rpe_end", "16"), "rpe_reason", "needs its reason"},
		{with("rpe_end", "13", "rpe_alert", "15", "rpe_reason", "x"), "rpe_alert", "begins above the end"},
		{with("rhythm", "waltz"), "rhythm", "choose one of the words"},
		{with("condition", "toe"), "condition", "choose one of the words"},
		{with("note", strings.Repeat("x", 1001)), "note", "longer than 1000 characters"},
	} {
		c.form.Set("drug_name", "Kept <entry> & more")
		p := w.send(who+"/new", who+"/new", c.form)
		fault := regexp.MustCompile(`id="` + c.field + `-fault">([^<]*)<`).FindStringSubmatch(p.text)
		if p.status != http.StatusUnprocessableEntity || fault == nil || !strings.Contains(fault[1], c.want) {
			t.Errorf("%s: %d, fault %q, want %q", c.field, p.status, fault, c.want)
			continue
		}
		for _, want := range []string{`href="#` + c.field + `"`, `value="Kept &lt;entry&gt; &amp; more"`, `value="KL"`} {
			if !strings.Contains(p.text, want) {
				t.Errorf("%s: the page lacks %s", c.field, want)
			}
		}
		strict(t, c.field, p)
	}
	if text := w.get("/").text; strings.Contains(text, "Running now") {
		t.Error("a test was begun by a form with faults")
	}
}

// What is entered stands in the first event, without name or birth date.
func TestPrepareBeginsTheTest(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("A-1")
	form := with("age_years", "", "birth_date", "1967-04-12", "rate_limiting_drug", "yes", "drug_name", "a beta-blocker, 50 mg", "hours_since_dose", "2.5", "end_point_percent", "80", "max_hr_formula", "208-0.7age",
		"hr_limit_bpm", "120", "limits_name", "Dr Example", "limits_date", "2026-02-27", "blood_pressure", "every-second-stage", "target_cadence_per_min", "85",
		"rpe_end", "16", "rpe_alert", "14", "rpe_reason", "site rule", "rpe_card", "card of the site", "note", "left hand weak")
	form["condition"] = []string{"neurological", "heart"}
	form["equipment"] = []string{"blood-pressure cuff"}
	id := w.prepare(who, form)
	o := w.open(id)
	e := o.Load.Events[0]
	want := conduct.Inputs{AgeYears: 58, Sex: conduct.Female, MassKg: 71.5, HeightCm: 168, RestHR: 68, RestSBP: 124, RestDBP: 76, Drug: conduct.DrugYes, DrugName: "a beta-blocker, 50 mg", DoseHours: 2.5, Rhythm: conduct.Sinus,
		Condition: conduct.CondNeurological | conduct.CondHeart, HRMethod: conduct.Strap, Formula: "208-0.7age", EndPercent: 80, HRLimit: 120, LimitsBy: "Dr Example, 2026-02-27",
		RPEEnd: 16, RPEAlert: 14, RPEReason: "site rule", Cadence: 85, BP: conduct.BPSecondStage}
	if len(o.Load.Events) != 1 || e.Kind != conduct.Began || e.At != 0 || e.By != "KL" || e.Begin.Inputs != want || e.Begin.Hash != o.Load.Protocol.Hash {
		t.Errorf("%+v, inputs %+v", e, e.Begin.Inputs)
	}
	for _, text := range []string{"a beta-blocker, 50 mg", "card of the site", "left hand weak", "Equipment not ticked: recumbent stepper that shows watts"} {
		if !strings.Contains(e.Text, text) {
			t.Errorf("the note %q lacks %q", e.Text, text)
		}
	}
	log := w.get("/api/tests/" + id + "/log").text
	if strings.Contains(log, "1967") || strings.Contains(log, "Name of") || strings.Contains(log, "A-1") {
		t.Errorf("the events hold who it is: %s", log)
	}
	if p := w.get(who + "/new"); !strings.Contains(p.text, `value="1967-04-12"`) || !strings.Contains(p.text, `value="71.5"`) || !strings.Contains(p.text, "taken over from the test of") {
		t.Error("what is known is asked again")
	}
	if p := w.get("/people?q=A-1"); p.status != http.StatusOK {
		t.Errorf("%d", p.status)
	}
}

var hiddenTest = regexp.MustCompile(`name="test" value="([^"]+)"`)

// A form that is sent twice, by a double tap or by going back, makes one test.
func TestPrepareTwice(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("A-1")
	w.screen(who)
	at := w.get(who + "/new").text
	form := alder()
	form.Set("token", tokenField.FindStringSubmatch(at)[1])
	form.Set("test", hiddenTest.FindStringSubmatch(at)[1])
	first := w.post(who+"/new", maps.Clone(form))
	form.Set("mass_kg", "90")
	second := w.post(who+"/new", form)
	if first.at != second.at || second.status != http.StatusOK {
		t.Errorf("%s, then %d %s", first.at, second.status, second.at)
	}
	if n := strings.Count(w.get("/").text, "/run\""); n != 1 {
		t.Errorf("%d tests run", n)
	}
}

// The plan shows what the entries lead to, before anything is begun.
func TestPlan(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("A-1")
	w.screen(who)
	for _, c := range []struct {
		form url.Values
		want []string
		not  []string
	}{
		{with(), []string{"Planned end: <span class=\"value\">138</span>", "85 % of a maximal heart rate of 162", "137.7; the first whole beat that ends the test is 138", "220-age at 58 years",
			"Chest pain, pressure or tightness", "below 80", "80 to 89", "90 to 100", "101 and more", "Exertion that ends the test: <span class=\"value\">17</span>"}, []string{"Caution:"}},
		{with("rate_limiting_drug", "yes"), []string{"heart rate may not lead", "Exertion that ends the test: <span class=\"value\">15</span>"}, nil},
		{with("rate_limiting_drug", "unknown"), []string{"it is not known whether a rate-limiting drug"}, nil},
		{with("rhythm", "paced"), []string{"heart rate may not lead"}, nil},
		{with("rhythm", ""), []string{"the heart rhythm is not recorded"}, nil},
		{with("condition", "heart"), []string{"at least 15:00 of observation", "About 42 min"}, nil},
		{with("hr_limit_bpm", "120", "limits_name", "Dr Example", "limits_date", "2026-02-27"), []string{"safety limit of 120 /min lies below the planned end of 138", "Dr Example, 2026-02-27"}, nil},
		{with("age_years", "83", "mass_kg", "130"), []string{"age 83 years lies outside the 20 to 78", "body mass 130 kg lies outside the 45 to 115"}, nil},
		{with("target_cadence_per_min", "70"), []string{"a cadence of 70 /min is below 90"}, nil},
		{with("rest_hr_bpm", "", "rest_sbp_mmhg", "", "rest_dbp_mmhg", "", "blood_pressure", "every-stage"), []string{"without a resting heart rate", "without a resting blood pressure"}, nil},
		{with("max_hr_formula", "164-0.7age"), []string{"164-0.7age holds for people on a beta-blocker"}, nil},
		{with("max_hr_bpm", "150"), []string{"measured or known, as entered", "Planned end: <span class=\"value\">128</span>"}, nil},
		{with("age_years", ""), []string{"not known yet"}, nil},
		{with("mass_kg", "-3"), []string{"is not between 10 and 400"}, nil},
	} {
		c.form.Set("do", "plan")
		p := w.send(who+"/new", who+"/new", c.form)
		if p.status != http.StatusOK {
			t.Errorf("%v: %d", c.want, p.status)
		}
		for _, want := range c.want {
			if !strings.Contains(p.text, want) {
				t.Errorf("the plan lacks %q", want)
			}
		}
		for _, not := range c.not {
			if strings.Contains(p.text, not) {
				t.Errorf("the plan has %q", not)
			}
		}
		strict(t, "plan", p)
	}
}

func TestPeople(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	add := func(fields url.Values) page { return w.send("/people", "/people", fields) }
	if p := add(url.Values{"code": {""}, "name": {""}, "person_note": {"kept note"}}); p.status != http.StatusUnprocessableEntity || !strings.Contains(p.text, "enter a code or a name") || !strings.Contains(p.text, "kept note") {
		t.Errorf("nobody: %d", p.status)
	}
	named := add(url.Values{"name": {"Only A Name"}})
	if !strings.Contains(named.text, "P-260302-1") {
		t.Errorf("no code was made: %s", named.text)
	}
	if p := add(url.Values{"name": {"Another"}}); !strings.Contains(p.text, "P-260302-2") {
		t.Error("the second code is not free")
	}
	if p := add(url.Values{"code": {"p-260302-1"}}); p.status != http.StatusUnprocessableEntity || !strings.Contains(p.text, "is in use") {
		t.Errorf("a code twice: %d", p.status)
	}
	if p := add(url.Values{"code": {"DEMO-7"}}); p.status != http.StatusUnprocessableEntity || !strings.Contains(p.text, "invented people") {
		t.Errorf("a code of the demonstration: %d", p.status)
	}
	if p := add(url.Values{"code": {"X"}, "birth_date": {"1850-01-01"}}); p.status != http.StatusUnprocessableEntity || !strings.Contains(p.text, "120 years") {
		t.Errorf("an impossible birth date: %d", p.status)
	}
	changed := w.send(named.at, named.at, url.Values{"code": {"Q-1"}, "name": {"Ünal <b>"}, "birth_date": {"1960-03-03"}, "sex": {"male"}})
	if changed.status != http.StatusOK || !strings.Contains(changed.text, "Saved.") || !strings.Contains(changed.text, "Ünal &lt;b&gt;") || !strings.Contains(changed.text, "<dd>65, born Thursday 3 March 1960</dd>") {
		t.Errorf("changed: %d %s", changed.status, changed.text)
	}
	if p := w.send(named.at, named.at, url.Values{"code": {"P-260302-2"}}); p.status != http.StatusUnprocessableEntity || !strings.Contains(p.text, "is in use") {
		t.Errorf("changed to another's code: %d", p.status)
	}
	if p := w.get("/people?q=%C3%BCnal"); !strings.Contains(p.text, "Q-1") {
		t.Error("a name is not found")
	}
}

var (
	used       = regexp.MustCompile(`say "([^"]+)"|say\("([^"]+)"`)
	actions    = regexp.MustCompile(`(?s)\{\{.*?\}\}`)
	tags       = regexp.MustCompile(`(?s)<[^>]*>|<!doctype html>`)
	aTitle     = regexp.MustCompile(`(?:aria-label|title|placeholder|alt)="[^"{]*[a-z]`)
	attributes = regexp.MustCompile(` aria-[a-z]+="[^"]*"`)
	defined    = regexp.MustCompile(`(?m)^\t"([^"]+)":`)
)

// The pages hold no words of their own, so that all stand in one file that can be translated; every text that a
// page names is there, and none is left over.
func TestTextsStandInOnePlace(t *testing.T) {
	files, err := filepath.Glob("templates/*.html")
	if err != nil {
		t.Fatal(err)
	}
	named := map[string]bool{}
	letters := regexp.MustCompile(`[A-Za-z]{2,}`)
	for _, name := range files {
		text := read(t, name)
		gather(named, used.FindAllStringSubmatch(text, -1))
		bare := attributes.ReplaceAllString(tags.ReplaceAllString(actions.ReplaceAllString(text, ""), ""), "")
		for _, word := range letters.FindAllString(strings.NewReplacer("&#8201;", "").Replace(bare), -1) {
			t.Errorf("%s: the word %q stands in the page", name, word)
		}
		for _, label := range aTitle.FindAllString(text, -1) {
			t.Errorf("%s: %s stands in the page", name, label)
		}
	}
	sources, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	var all strings.Builder
	for _, name := range sources {
		if !strings.HasSuffix(name, "_test.go") && !strings.HasPrefix(name, "texts") {
			all.WriteString(read(t, name))
		}
	}
	gather(named, used.FindAllStringSubmatch(all.String(), -1))
	texts := map[string]bool{}
	for _, name := range sources {
		if strings.HasPrefix(name, "texts") {
			for _, m := range defined.FindAllStringSubmatch(read(t, name), -1) {
				texts[m[1]] = true
			}
		}
	}
	for key := range named {
		if !texts[key] && !strings.HasSuffix(key, ".") {
			t.Errorf("text %q is used and not there", key)
		}
	}
	made := []string{"field.", "source.", "what.", "say.", "guard.", "limit.", "plan.formula.", "plan.minutes.", "result.verdict.", "result.what.", "note.", "shell.", "signs.", "slip.", "rows.", "standing.", "drug.", "outcome.", "known.", "reason.", "screening.hr.", "duplicate.", "person.done.", "visit.state.", "step.", "fact.", "rest.arm.", "machine.why.", "shows.unit.", "how.", "alarm.do.", "alarm.did.", "family.", "plan.again.", "equations.", "fits.", "trust.on.", "column.", "vitals.", "access.", "role.", "account.done.", "sign-in.", "code.", "start.", "lock.", "trail.do.", "trail.of.", "trail.in.", "trail.who."}
	for key := range texts {
		if !named[key] && !slices.ContainsFunc(made, func(p string) bool { return strings.HasPrefix(key, p) }) && !strings.Contains(all.String(), strconv.Quote(key)) {
			t.Errorf("text %q is never used", key)
		}
	}
	if len(texts) < 200 {
		t.Fatalf("only %d texts were found", len(texts))
	}
}

func gather(named map[string]bool, found [][]string) {
	for _, m := range found {
		named[m[1]+m[2]] = true
	}
}

func read(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}
