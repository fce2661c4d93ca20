package web_test

import (
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"gradus/internal/record"
)

// has checks that a page has texts, and is as strict as every page.
func has(t *testing.T, what string, p page, status int, texts ...string) {
	t.Helper()
	if p.status != status {
		t.Errorf("%s: %d, want %d", what, p.status, status)
	}
	for _, text := range texts {
		if !strings.Contains(p.text, text) {
			t.Errorf("%s: the page lacks %q:\n%s", what, text, mainOf(p.text))
		}
	}
	strict(t, what, p)
}

func lacks(t *testing.T, what string, p page, texts ...string) {
	t.Helper()
	for _, text := range texts {
		if strings.Contains(p.text, text) {
			t.Errorf("%s: the page has %q", what, text)
		}
	}
}

func mainOf(text string) string {
	_, text, _ = strings.Cut(text, "<main")
	return fmt.Sprintf("%.3000s", text)
}

// Everything about a person is stored and shown; what cannot be is named at its field.
func TestPersonInFull(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	form := url.Values{"code": {"A-1"}, "name": {"Zoë Beispiel"}, "identifiers": {"hospital: 12 345\nS9"}, "age_told_years": {"71"}, "sex": {"female"}, "gender": {"woman"},
		"rhythm": {"atrial-fibrillation"}, "condition": {"heart", "neurological"}, "conditions": {"stroke 2023, left side\n\nasthma"}, "person_note": {"invented"},
		"drug_name": {"a beta-blocker", ""}, "drug_class": {"beta_blocker", ""}, "drug_dose": {"50 mg", ""}, "drug_taken": {"8:00", ""}}
	p := w.send("/people", "/people", form)
	has(t, "added", p, http.StatusOK, "hospital: 12 345", "<dd>S9</dd>", "71, told on Monday 2 March 2026", "female", "woman", "atrial fibrillation", "neurological, heart", "stroke 2023, left side; asthma", "a beta-blocker, 50 mg, 8:00", "invented")
	has(t, "by identifier", w.get("/people?q=12+345+zoe"), http.StatusOK, "Zoë Beispiel")
	b.clock.pass(400 * 24 * time.Hour)
	form.Set("gender", "")
	has(t, "the age keeps its day", w.send(p.at, p.at, form), http.StatusOK, "71, told on Monday 2 March 2026")
	has(t, "prefilled", w.get(p.at+"/new"), http.StatusOK, `name="age_years" type="text" inputmode="decimal" size="6" value="72"`, `value="yes" checked`, `value="a beta-blocker, 50 mg, 8:00"`, "From the person and today&#39;s visit")
	for field, c := range map[string][2]string{
		"age_told_years": {"200", "not between 1 and 120"},
		"birth_date":     {"1890-01-01", "120 years"},
		"rhythm":         {"waltz", "choose one of the words"},
		"condition":      {"toe", "choose one of the words"},
		"sex":            {"none", "choose one of the words"},
	} {
		bad := url.Values{}
		for k, v := range form {
			bad[k] = v
		}
		bad.Set(field, c[0])
		has(t, field, w.send(p.at, p.at, bad), http.StatusUnprocessableEntity, c[1], `id="`+field+`-fault"`)
	}
	form.Set("birth_date", "1954-03-02")
	has(t, "age and birth date", w.send(p.at, p.at, form), http.StatusUnprocessableEntity, "the birth date gives the age")
}

// Two who change a person at once: the second is told, and nothing of the first is overwritten unseen.
func TestPersonChangedByTwo(t *testing.T) {
	b := begin(t, false)
	w, other := b.browser(), b.browser()
	who := w.person("A-1")
	was := regexp.MustCompile(`name="was" value="([0-9a-f]+)"`)
	shown := was.FindStringSubmatch(w.get(who).text)[1]
	has(t, "the first", other.send(who, who, url.Values{"code": {"A-1"}, "name": {"Changed"}, "was": {shown}}), http.StatusOK, "Saved.")
	late := w.send(who, who, url.Values{"code": {"A-1"}, "name": {"Late"}, "was": {shown}})
	has(t, "the second", late, http.StatusUnprocessableEntity, "Somebody else has changed this person", "<h1>Changed</h1>", `value="Late"`)
	shown = was.FindStringSubmatch(late.text)[1]
	has(t, "knowingly", w.send(who, who, url.Values{"code": {"A-1"}, "name": {"Late"}, "was": {shown}}), http.StatusOK, "Saved.", "<h1>Late</h1>")
}

var nextPage = regexp.MustCompile(`rel="next" href="([^"]+)"`)

func TestPaging(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	for i := range 60 {
		if _, err := b.store.AddParticipant(t.Context(), record.Participant{Code: fmt.Sprintf("P-%03d", i), Name: "Invented"}); err != nil {
			t.Fatal(err)
		}
	}
	seen := map[string]bool{}
	code := regexp.MustCompile(`<span class="code">(P-\d+)`)
	path, pages := "/people?q=invented", 0
	for path != "" {
		p := w.get(path)
		pages++
		for _, m := range code.FindAllStringSubmatch(p.text, -1) {
			seen[m[1]] = true
		}
		path = ""
		if m := nextPage.FindStringSubmatch(p.text); m != nil {
			path = strings.ReplaceAll(m[1], "&amp;", "&")
		}
		strict(t, "people", p)
	}
	if pages != 3 || len(seen) != 60 {
		t.Errorf("%d people on %d pages", len(seen), pages)
	}
	has(t, "the last page", w.get("/people?q=invented&page=3"), http.StatusOK, "51 to 60 of 60", `rel="prev"`)
	for _, odd := range []string{"0", "-1", "x", "99999999999999999999"} {
		has(t, "page "+odd, w.get("/people?page="+odd), http.StatusOK, "1 to 25 of 60")
	}
}

// Somebody who is here already is found before a second one is stored; the two can be merged and split again.
func TestDuplicateMergeUndo(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	first := w.send("/people", "/people", url.Values{"code": {"A-1"}, "name": {"Anna Beispiel"}, "birth_date": {"1950-02-28"}})
	twin := url.Values{"code": {"B-2"}, "name": {"Beispiel, Ana"}, "birth_date": {"1950-02-28"}, "person_note": {"kept note"}}
	asked := w.send("/people", "/people", twin)
	has(t, "asked", asked, http.StatusOK, "somebody who is here already", "Same birth date, similar name.", "It is another person: add", "kept note", `href="`+first.at+`"`)
	if found, err := b.store.Participants(t.Context(), record.ParticipantFilter{}); err != nil || found.Total != 1 {
		t.Fatalf("%d people, %v: stored before the answer", found.Total, err)
	}
	twin.Set("do", "anyway")
	second := w.send("/people", "/people", twin)
	has(t, "added knowingly", second, http.StatusOK, "May be the same person", "Compare and merge")
	id := w.prepare(second.at, alder())
	w.ride(id, nil)

	number := strings.TrimPrefix(second.at, "/people/")
	compare := w.get(first.at + "/merge?with=" + number)
	has(t, "compare", compare, http.StatusOK, "Beispiel, Ana", "differs", "tests and visits of B-2 are shown under A-1")
	has(t, "without why", w.send(first.at+"/merge?with="+number, first.at+"/merge", url.Values{"with": {number}, "merge_by": {"KL"}}), http.StatusUnprocessableEntity, "enter it")
	merged := w.send(first.at+"/merge?with="+number, first.at+"/merge", url.Values{"with": {number}, "merge_by": {"KL"}, "why": {"entered twice"}})
	has(t, "merged", merged, http.StatusOK, "Merged.", "/tests/"+id, "B-2 shown as A-1, by KL: entered twice", "They are two persons")
	has(t, "the merged one", w.get(second.at), http.StatusOK, "B-2 is merged with this person and shown here", "Anna Beispiel")
	lacks(t, "people", w.get("/people"), "Beispiel, Ana")
	has(t, "a test of the merged one", w.get(second.at+"/new"), http.StatusOK, `action="`+first.at+`/new"`)
	lacks(t, "twice", w.send(merged.at, first.at+"/merge", url.Values{"with": {number}, "merge_by": {"KL"}, "why": {"again"}}), "by KL: again")

	split := w.send(merged.at, first.at+"/unmerge", url.Values{"merge": {"1"}, "merge_by": {"KL"}, "why": {"two persons"}})
	has(t, "split", split, http.StatusOK, "Split again.", "Undone 2")
	lacks(t, "the first", w.get(first.at), "/tests/"+id)
	has(t, "the second", w.get(second.at), http.StatusOK, "/tests/"+id, "Beispiel, Ana")
	has(t, "undone twice", w.send(first.at, first.at+"/unmerge", url.Values{"merge": {"1"}, "merge_by": {"KL"}, "why": {"x"}}), http.StatusUnprocessableEntity, "it is undone already")
}

// Somebody of another site who may be the same person is shown with the site, and not offered for a merge, which is refused.
func TestDuplicateAtAnotherSite(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	here := w.send("/people", "/people", url.Values{"code": {"A-1"}, "name": {"Anna Beispiel"}, "birth_date": {"1950-02-28"}})
	site, err := b.store.AddSite(t.Context(), record.Site{Name: "South ward"})
	if err != nil {
		t.Fatal(err)
	}
	there, err := b.store.AddParticipant(t.Context(), record.Participant{Code: "A-1", Name: "Anna Beispiel", BirthDate: "1950-02-28", Site: site.ID})
	if err != nil {
		t.Fatal(err)
	}
	page := w.get(here.at)
	has(t, "the person", page, http.StatusOK, "May be the same person", "of another site: South ward", fmt.Sprintf(`href="/people/%d"`, there.ID))
	lacks(t, "the person", page, "Compare and merge")
}

func TestArchive(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("A-1")
	has(t, "archived", w.send(who, who+"/archive", url.Values{"do": {"archive"}}), http.StatusOK, "Archived. Nothing is deleted.", "Put back into the lists")
	lacks(t, "people", w.get("/people"), "Name of A-1")
	lacks(t, "search", w.get("/people?q=a-1"), "Name of A-1")
	has(t, "the archive", w.get("/people?archived=yes"), http.StatusOK, "Name of A-1")
	has(t, "back", w.send(who, who+"/archive", url.Values{"do": {"back"}}), http.StatusOK, "Back in the lists.")
	has(t, "people", w.get("/people"), http.StatusOK, "Name of A-1")
}

var selected = regexp.MustCompile(`<option value="(\d+)"`)

// A visit from the appointment to the retest card: fit and rest are recorded, go into the test, and are asked again at
// the retest.
func TestVisit(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("A-1")
	machine := w.send("/machines", "/machines", url.Values{"machine_name": {"Stepper by the window"}, "machine_kind": {"recumbent-stepper"}, "shows": {"watts"}, "step": {"5"}, "machine_state": {"used"}, "entered_by": {"KL"}})
	has(t, "machine", machine, http.StatusOK, "Stepper by the window", "smallest step 5")

	visit := w.send(who, who+"/visits", url.Values{"visit_date": {"2026-03-02"}, "visit_time": {"09:30"}})
	has(t, "appointment", visit, http.StatusOK, "Monday 2 March 2026", "at 09:30", "planned", "Not recorded yet.")
	has(t, "twice", w.send(who, who+"/visits", url.Values{"visit_date": {"2026-03-02"}}), http.StatusUnprocessableEntity, "there is a visit of this person on that day already")
	has(t, "no day", w.send(who, who+"/visits", url.Values{"visit_date": {"tomorrow"}}), http.StatusUnprocessableEntity, "is not a day")
	has(t, "today", w.get("/"), http.StatusOK, "Appointments today", "09:30", visit.at)

	fit := w.get(visit.at + "/fit")
	has(t, "fit", fit, http.StatusOK, "Stepper by the window", "Can do 3 min at 30 W")
	which := selected.FindStringSubmatch(fit.text)
	if which == nil {
		which = regexp.MustCompile(`name="fit_machine" value="(\d+)"`).FindStringSubmatch(fit.text)
	}
	entries := url.Values{"fit_machine": {which[1]}, "fit_seat": {"hole 4"}, "fit_arm": {"7"}, "fit_strap": {"left"}, "fit_orthosis": {"left ankle"}, "fit_shoes": {"grey trainers"}, "fit_signal": {"raises the right hand"},
		"fit_tried_min": {"1.5"}, "fit_cadence": {"88"}, "fit_three": {"yes"}, "mass_kg": {"71.5"}, "height_cm": {"168"}}
	has(t, "fit without examiner", w.send(fit.at, visit.at+"/fit", entries), http.StatusUnprocessableEntity, `id="by-fault"`, "hole 4")
	entries.Set("by", "KL")
	entries.Set("fit_cadence", "880")
	has(t, "an impossible cadence", w.send(fit.at, visit.at+"/fit", entries), http.StatusUnprocessableEntity, "880 is not between 10 and 250")
	entries.Set("fit_cadence", "88")
	has(t, "fitted", w.send(fit.at, visit.at+"/fit", entries), http.StatusOK, "Seat: hole 4", "KL, ", `<span class="state">open</span>`)

	sitting := w.send(visit.at+"/rest", visit.at+"/rest", url.Values{"do": {"sit"}})
	has(t, "sitting", sitting, http.StatusOK, "Seated since 09:00:00. Measure from 09:05:00 on.", "5:00 left.")
	b.clock.pass(2*time.Minute + 10*time.Second)
	link := visit.at + "/rest" + regexp.MustCompile(`href="(\?sat=\d+)"`).FindStringSubmatch(sitting.text)[1]
	has(t, "waiting", w.get(link), http.StatusOK, "2:50 left.")
	b.clock.pass(3 * time.Minute)
	has(t, "ready", w.get(link), http.StatusOK, "Measure now.")
	sat := regexp.MustCompile(`name="sat" value="(\d+)"`).FindStringSubmatch(w.get(link).text)
	rest := url.Values{"sat": {sat[1]}, "rest_never": {"left"}, "rest_why": {"paretic"}, "rest_arm": {"left"}, "rest_hr_bpm": {"68"}, "hr_method": {"strap"}, "rest_irregular": {"0"}, "rest_sbp_mmhg": {"124"}, "rest_dbp_mmhg": {"76"}, "by": {"KL"}}
	has(t, "the wrong arm", w.send(link, visit.at+"/rest", rest), http.StatusUnprocessableEntity, "this arm must not be used", "09:05:00")
	for field, c := range map[string][3]string{
		"no arm":        {"rest_arm", "", "say at which arm"},
		"neither":       {"rest_arm", "none", "say at which arm"},
		"no reason":     {"rest_why", "", "say why the arm must not be used"},
		"reversed":      {"rest_dbp_mmhg", "130", "diastolic is not below systolic"},
		"half":          {"rest_sbp_mmhg", "", "enter both"},
		"no heart rate": {"rest_hr_bpm", "", "enter it"},
		"a slip":        {"rest_hr_bpm", "680", "680 is not between 25 and 200"},
		"irregular":     {"rest_irregular", "some", "no whole number"},
	} {
		bad := url.Values{}
		for k, v := range rest {
			bad[k] = v
		}
		bad.Set("rest_arm", "right")
		bad.Set(c[0], c[1])
		has(t, field, w.send(link, visit.at+"/rest", bad), http.StatusUnprocessableEntity, c[2])
	}
	rest.Set("rest_arm", "right")
	done := w.send(link, visit.at+"/rest", rest)
	has(t, "rested", done, http.StatusOK, "Resting heart rate 68", "124/76", "the right arm")
	lacks(t, "rested in time", done, "min seated; 5 min")
	early := url.Values{"rest_hr_bpm": {"70"}, "hr_method": {"strap"}, "rest_seated_min": {"2"}, "by": {"KL"}}
	has(t, "too early", w.send(visit.at+"/rest", visit.at+"/rest", early), http.StatusOK, "after 2:00 min seated", "replaced by a later one")
	w.send(visit.at+"/rest", visit.at+"/rest", rest)

	w.screen(who)
	has(t, "screened", w.get(visit.at), http.StatusOK, "<p>Go")
	rest.Set("rest_sbp_mmhg", "204")
	high := w.send(visit.at+"/rest", visit.at+"/rest", rest)
	has(t, "too high after the questions", high, http.StatusOK, "Do not test")
	has(t, "no test then", w.send(who+"/new", who+"/new", alder()), http.StatusUnprocessableEntity, "Do not test")
	rest.Set("rest_sbp_mmhg", "124")
	lacks(t, "measured again", w.send(visit.at+"/rest", visit.at+"/rest", rest), "Do not test.")

	plan := w.get(who + "/new")
	has(t, "prepare", plan, http.StatusOK, "From the person and today&#39;s visit", `name="rest_hr_bpm" type="text" inputmode="decimal" size="6" value="68"`, `value="124"`, `value="88"`, `value="71.5"`, `value="Stepper by the window"`,
		"Pressure at the right arm throughout. paretic", "Agreed stop signal: raises the right hand")
	id := w.prepare(who, alder())
	w.ride(id, nil)
	has(t, "the visit", w.get(visit.at), http.StatusOK, "/tests/"+id, `<span class="state">tested</span>`, "Prepare another test")

	has(t, "a retest that day", w.send(visit.at, visit.at, url.Values{"visit_date": {"2026-03-02"}, "visit_state": {"done"}, "retest_due": {"2026-03-02"}}), http.StatusUnprocessableEntity, "the retest is not after the visit")
	has(t, "with a retest", w.send(visit.at, visit.at, url.Values{"visit_date": {"2026-03-02"}, "visit_time": {"09:30"}, "visit_state": {"done"}, "retest_due": {"2026-03-12"}}), http.StatusOK, "Retest card")
	has(t, "card", w.get(visit.at+"/card"), http.StatusOK, "Thursday 12 March 2026", "the same drugs, at the same time of day", "grey trainers", "left ankle", "about ")
	lacks(t, "not due this week", w.get("/"), "Retest due this week")
	b.clock.pass(7 * 24 * time.Hour)
	has(t, "due this week", w.get("/"), http.StatusOK, "Retest due this week", "due Thursday 12 March 2026", who)
	has(t, "the person", w.get(who), http.StatusOK, "Retest due Thursday 12 March 2026; no appointment yet.")
	b.clock.pass(7 * 24 * time.Hour)
	has(t, "overdue", w.get("/"), http.StatusOK, "due since Thursday 12 March 2026")

	again := w.send(who, who+"/visits", url.Values{"do": {"today"}})
	has(t, "the retest", again, http.StatusOK, "Monday 16 March 2026", "open")
	same := w.get(again.at + "/fit")
	has(t, "same as last time", same, http.StatusOK, "Same as last time? Filled in from Monday 2 March 2026", `value="hole 4"`, `value="88"`, `value="grey trainers"`)
	lacks(t, "of each day", same, `value="71.5"`, `value="1.5"`)
	arm := w.get(again.at + "/rest")
	has(t, "the same arm", arm, http.StatusOK, "Arm and method are taken over from Monday 2 March 2026", `value="right" checked`, `value="paretic"`)
	lacks(t, "of each day", arm, `value="68"`, `value="124"`)
	lacks(t, "today", w.get("/"), "due since")
}

func TestMachines(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	form := url.Values{"machine_name": {"Old cycle"}, "machine_kind": {"cycle"}, "shows": {"mets"}, "machine_state": {"used"}, "entered_by": {"KL"}}
	mets := w.send("/machines", "/machines", form)
	has(t, "METs alone", mets, http.StatusOK, "METs alone", "so there is no estimate")
	for field, c := range map[string][3]string{
		"machine_name": {"", "give the clinic&#39;s own name", "machine_name"},
		"shows":        {"horses", "choose one of the words", "shows"},
		"step":         {"-1", "is not between", "step"},
		"levels":       {"1 80", "write level, cadence and watts", "levels"},
		"entered_by":   {"", "enter it", "entered_by"},
	} {
		bad := url.Values{}
		for k, v := range form {
			bad[k] = v
		}
		bad.Set("machine_note", "kept note")
		bad.Set(field, c[0])
		has(t, field, w.send("/machines", "/machines", bad), http.StatusUnprocessableEntity, c[1], `id="`+c[2]+`-fault"`, "kept note")
	}
	form.Set("shows", "levels")
	form.Set("version", "1")
	has(t, "levels without a table", w.send(mets.at, strings.TrimSuffix(mets.at, "?saved"), form), http.StatusOK, "its table of work rates is not entered", "Version 2", "Version 1")
	at := strings.TrimSuffix(mets.at, "?saved")
	has(t, "an old version", w.send(at, at, form), http.StatusUnprocessableEntity, "somebody else changed this machine meanwhile")
	form.Set("version", "2")
	form.Set("levels", "3 80 40\n3; 90; 55,5")
	table := w.send(at, at, form)
	has(t, "with its table", table, http.StatusOK, "<td>55.5</td>", "Work rate by level and cadence")
	lacks(t, "with its table", table, "so there is no estimate")
	form.Set("version", "3")
	form.Set("levels", "3 80 40\n3 80 55")
	has(t, "a line twice", w.send(at, at, form), http.StatusUnprocessableEntity, "it stands there twice")

	has(t, "calibration without a day", w.send(at, at+"/calibration", url.Values{"calibration_result": {"x"}, "entered_by": {"KL"}}), http.StatusUnprocessableEntity, "enter it")
	has(t, "calibrated", w.send(at, at+"/calibration", url.Values{"calibration_date": {"2026-01-05"}, "calibration_result": {"within 2 W"}, "calibration_next": {"2026-02-05"}, "entered_by": {"KL"}}), http.StatusOK, "within 2 W", "the next calibration was due Thursday 5 February 2026")

	run := func(day int, rates string) page {
		return w.send(at, at+"/runs", url.Values{"run_date": {fmt.Sprintf("2026-01-%02d", day)}, "run_staff": {"S-1"}, "run_work": {"3"}, "run_rates": {rates}, "run_anew": {"no"}, "entered_by": {"KL"}})
	}
	has(t, "no number", run(1, "many"), http.StatusUnprocessableEntity, "is no heart rate between 25 and 250")
	for i, rates := range []string{"100 110 112", "110, 112", "112 114", "110 111", "112 111"} {
		has(t, "a run", run(i+1, rates), http.StatusOK, fmt.Sprintf("Not known yet: %d runs; the limits speak after %d more.", i+1, 5-i))
	}
	has(t, "as before", run(6, "111 112"), http.StatusOK, "No sign of drift", "Limits from the first 5 runs")
	has(t, "out", run(7, "128 130"), http.StatusOK, "The machine may have changed", "reading beyond", "calibrate before the next test")
	has(t, "in the list", w.get("/machines"), http.StatusOK, "The machine may have changed")
	last := selected.FindStringSubmatch(w.get(at).text[strings.Index(w.get(at).text, "run-struck"):])
	has(t, "without why", w.send(at, at+"/strike", url.Values{"run": {last[1]}, "merge_by": {"KL"}}), http.StatusUnprocessableEntity, "enter it")
	has(t, "struck out", w.send(at, at+"/strike", url.Values{"run": {last[1]}, "merge_by": {"KL"}, "why": {"had a fever"}}), http.StatusOK, "No sign of drift", "Struck out by KL: had a fever")
	has(t, "unknown", w.get("/machines/99"), http.StatusNotFound, "There is no such page")
}

// Every form of the pages carries a token, and what comes without it is refused with nothing stored.
func TestUnsignedForms(t *testing.T) {
	b := begin(t, false)
	w, stranger := b.browser(), b.browser()
	who, other := w.person("A-1"), w.person("B-2")
	visit := w.send(who, who+"/visits", url.Values{"do": {"today"}}).at
	machine := strings.TrimSuffix(w.send("/machines", "/machines", url.Values{"machine_name": {"M"}, "machine_kind": {"cycle"}, "shows": {"watts"}, "machine_state": {"used"}, "entered_by": {"KL"}}).at, "?saved")
	run := url.Values{"run_date": {"2026-03-01"}, "run_staff": {"S"}, "run_work": {"50"}, "run_rates": {"110"}, "run_anew": {"no"}, "entered_by": {"KL"}}
	w.send(machine, machine+"/runs", run)
	number := strings.TrimPrefix(other, "/people/")
	before := w.snapshot(who, other, visit, machine)
	for path, fields := range map[string]url.Values{
		"/people":                {"code": {"C-3"}},
		who:                      {"code": {"C-3"}},
		who + "/archive":         {"do": {"archive"}},
		who + "/merge":           {"with": {number}, "merge_by": {"X"}, "why": {"x"}},
		who + "/unmerge":         {"merge": {"1"}, "merge_by": {"X"}, "why": {"x"}},
		who + "/visits":          {"visit_date": {"2026-04-01"}},
		other + "/visits":        {"do": {"today"}},
		visit:                    {"visit_date": {"2026-03-02"}, "visit_state": {"cancelled"}},
		visit + "/fit":           {"fit_seat": {"1"}, "by": {"X"}},
		visit + "/rest":          {"rest_hr_bpm": {"60"}, "hr_method": {"strap"}, "by": {"X"}},
		"/machines":              {"machine_name": {"N"}, "machine_kind": {"cycle"}, "shows": {"watts"}, "machine_state": {"used"}, "entered_by": {"X"}},
		machine:                  {"machine_name": {"N"}, "machine_kind": {"cycle"}, "shows": {"watts"}, "machine_state": {"used"}, "entered_by": {"X"}, "version": {"1"}},
		machine + "/calibration": {"calibration_date": {"2026-03-01"}, "calibration_result": {"x"}, "entered_by": {"X"}},
		machine + "/runs":        run,
		machine + "/strike":      {"run": {"1"}, "merge_by": {"X"}, "why": {"x"}},
	} {
		if p := stranger.post(path, fields); p.status != http.StatusUnprocessableEntity && p.status != http.StatusForbidden {
			t.Errorf("%s without a token: %d", path, p.status)
		}
	}
	if after := w.snapshot(who, other, visit, machine); after != before {
		t.Errorf("something was stored:\n%s\nbefore:\n%s", after, before)
	}
}

var tokens = regexp.MustCompile(`name="token" value="[^"]*"`)

// snapshot is what the pages show, without their tokens.
func (w *browser) snapshot(paths ...string) string {
	var b strings.Builder
	for _, path := range append(paths, "/", "/people", "/people?archived=yes", "/machines") {
		b.WriteString(tokens.ReplaceAllString(w.get(path).text, ""))
	}
	return b.String()
}
