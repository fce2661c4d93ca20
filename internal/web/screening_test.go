package web_test

import (
	"encoding/json"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"gradus/internal/record"
	"gradus/screen"
)

// wellBut is wellForm with other answers; an answer "" is left out.
func wellBut(pairs ...string) url.Values {
	f := wellForm()
	for i := 0; i+1 < len(pairs); i += 2 {
		if pairs[i+1] == "" {
			f.Del(pairs[i])
			continue
		}
		f[pairs[i]] = strings.Split(pairs[i+1], "+")
	}
	return f
}

func (w *browser) screening(who string, f url.Values) page {
	w.b.t.Helper()
	return w.send(who+"/screening", who+"/screening", f)
}

func says(t *testing.T, where string, p page, wants ...string) {
	t.Helper()
	for _, want := range wants {
		if !strings.Contains(p.text, want) {
			t.Errorf("%s (%d at %s) does not say %q", where, p.status, p.at, want)
		}
	}
}

// Without a screening of the day nobody is tested; with one that says go, the test begins; a screening of yesterday
// does not count.
func TestNoTestWithoutScreening(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("A-1")
	says(t, "prepare", w.get(who+"/new"), "Nobody has asked yet today", who+"/screening")
	p := w.send(who+"/new", who+"/new", alder())
	if p.status != http.StatusUnprocessableEntity || !strings.Contains(p.text, "Nobody has asked yet today") {
		t.Errorf("begin without screening: %d", p.status)
	}
	w.screen(who)
	says(t, "prepare", w.get(who+"/new"), "Check before the test: Go, by KL", `value="124"`)
	b.clock.pass(24 * time.Hour)
	p = w.send(who+"/new", who+"/new", alder())
	if p.status != http.StatusUnprocessableEntity {
		t.Errorf("begin with yesterday's screening: %d", p.status)
	}
	w.screen(who)
	if p := w.send(who+"/new", who+"/new", alder()); !strings.HasSuffix(p.at, "/run") {
		t.Errorf("begin with today's screening: %d at %s", p.status, p.at)
	}
	if list, err := b.store.Tests(t.Context(), record.TestFilter{}); err != nil || len(list) != 1 {
		t.Errorf("%d tests, %v", len(list), err)
	}
}

// In the demonstration a test may begin without.
func TestDemonstrationNeedsNoScreening(t *testing.T) {
	b := begin(t, true)
	w := b.browser()
	p := w.send("/people", "/people", url.Values{"code": {"DEMO-X"}})
	if p = w.send(p.at+"/new", p.at+"/new", alder()); !strings.HasSuffix(p.at, "/run") {
		t.Errorf("%d at %s", p.status, p.at)
	}
}

// The way of a stroke survivor: clearance asked, papers, clearance recorded, then the test.
func TestClearanceIsRecorded(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("S-1")
	p := w.screening(who, wellBut("known_disease", "brain_vessels", "contraindications", "recent_stroke_or_tia", "days_since_stroke", "60"))
	says(t, "outcome", p, "Pause and ask", "clearance recommended", "Recent stroke or TIA", "Record a clearance", "Not tested today")
	strict(t, "screening", p)
	if strings.Contains(p.text, "Prepare the test") {
		t.Error("a blocked screening offers the test")
	}
	if p := w.send(who+"/new", who+"/new", alder()); p.status != http.StatusUnprocessableEntity || !strings.Contains(p.text, "The check before the test says: Pause and ask") {
		t.Errorf("begin: %d", p.status)
	}
	says(t, "request", w.get(who+"/screening/request"), "Request for clearance", "[contra.recent_stroke_or_tia]", "[screening.A2]", "Name of S-1, S-1", "Signature")
	says(t, "letter", w.get(who+"/screening/letter"), "Exercise test not done", "Who decides", "To the referring physician")
	says(t, "note", w.get(who+"/screening/note"), "Not tested today", "What is needed")

	// an incomplete clearance is refused at its fields
	clear := url.Values{"do": {"clear"}, "c_role": {"physician"}, "c_date": {"2026-03-03"}, "c_for": {"screening.A2", "contra.recent_stroke_or_tia"}}
	p = w.screening(who, clear)
	if p.status != http.StatusUnprocessableEntity {
		t.Errorf("clearance without a name: %d", p.status)
	}
	says(t, "clearance", p, `id="c_by-fault"`, "this day is after the visit")
	clear.Set("c_by", "Dr Example")
	clear.Set("c_date", "2026-02-20")
	p = w.screening(who, clear)
	says(t, "cleared", p, "Go with cautions", "cleared by Dr Example (physician) on 2026-02-20", "Prepare the test")
	w.prepareScreened(who, alder())

	// the record keeps every step
	v, err := b.store.VisitOn(t.Context(), 1, "2026-03-02")
	if err != nil {
		t.Fatal(err)
	}
	facts, err := b.store.Facts(t.Context(), v.ID)
	if err != nil {
		t.Fatal(err)
	}
	var outcomes []screen.Outcome
	for _, f := range facts {
		if f.Kind != "screening" {
			continue
		}
		var kept struct {
			Answers screen.Answers
			Result  screen.Result
		}
		if err := json.Unmarshal(f.JSON, &kept); err != nil {
			t.Fatal(err)
		}
		if again := screen.Default().Judge(&kept.Answers); again.Outcome != kept.Result.Outcome {
			t.Errorf("kept as %s, judged again %s", kept.Result.Outcome, again.Outcome)
		}
		outcomes = append(outcomes, kept.Result.Outcome)
	}
	if len(outcomes) != 2 || outcomes[0] != screen.PauseAndAsk || outcomes[1] != screen.GoWithCautions {
		t.Errorf("kept %v", outcomes)
	}
	// a clearance stands at the next visit too, and its diseases are taken over
	b.clock.pass(48 * time.Hour)
	says(t, "next visit", w.get(who+"/screening"), "taken over from 2 March 2026")
	says(t, "next visit", w.screening(who, wellBut("known_disease", "brain_vessels", "contraindications", "recent_stroke_or_tia")), "Go with cautions")
}

func (w *browser) prepareScreened(who string, f url.Values) {
	w.b.t.Helper()
	if p := w.send(who+"/new", who+"/new", f); !strings.HasSuffix(p.at, "/run") {
		w.b.t.Fatalf("begin: %d at %s: %s", p.status, p.at, p.text)
	}
}

// Where the rule leaves it to the clinician, reason and name go on; an absolute stop does not.
func TestGoingOn(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("G-1")
	p := w.screening(who, wellBut("rest_hr_bpm", "108"))
	says(t, "outcome", p, "Resting heart rate above 100", "Go on in spite of it")
	p = w.screening(who, url.Values{"do": {"go"}, "o_rules": {"rest.hr.ask"}, "o_name": {"KL"}})
	if p.status != http.StatusUnprocessableEntity {
		t.Errorf("without a reason: %d", p.status)
	}
	p = w.screening(who, url.Values{"do": {"go"}, "o_rules": {"rest.hr.ask"}, "o_reason": {"usual for her, seen by the physician"}, "o_name": {"KL"}})
	says(t, "gone on", p, "Go with cautions", "KL goes on: usual for her")
	// the result of the test says so for ever
	p = w.send(who+"/new", who+"/new", alder())
	says(t, "result", w.get(strings.TrimSuffix(p.at, "/run")), "Check before the test", "Go with cautions, by KL", "Resting heart rate above 100 /min: 108 /min: KL goes on: usual for her")
	// what was decided about 108 does not hold for 112
	says(t, "worse", w.screening(who, wellBut("rest_hr_bpm", "112")), "Pause and ask")

	who = w.person("G-2")
	p = w.screening(who, wellBut("contraindications", "unstable_angina"))
	says(t, "absolute", p, "Do not test", "an absolute stop")
	if strings.Contains(p.text, "Go on in spite of it") {
		t.Error("an absolute stop is offered to be overridden")
	}
	p = w.screening(who, url.Values{"do": {"go"}, "o_rules": {"contra.unstable_angina"}, "o_reason": {"r"}, "o_name": {"KL"}})
	if p.status != http.StatusUnprocessableEntity {
		t.Errorf("override of an absolute stop: %d", p.status)
	}
	if p := w.send(who+"/new", who+"/new", alder()); p.status != http.StatusUnprocessableEntity {
		t.Errorf("begin: %d", p.status)
	}
}

func TestNotTestedToday(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("N-1")
	w.screening(who, wellBut("rest_sbp_mmhg", "190"))
	p := w.screening(who, url.Values{"do": {"leave"}, "n_by": {"KL"}, "n_note": {"comes back on Friday"}})
	says(t, "left", p, "Not tested today: decided by KL", "Request for clearance")
	says(t, "note", w.get(who+"/screening/note"), "comes back on Friday", "above 180 mmHg")
	if p := w.send(who+"/new", who+"/new", alder()); p.status != http.StatusUnprocessableEntity || !strings.Contains(p.text, "decided not to test") {
		t.Errorf("begin: %d", p.status)
	}
	v, err := b.store.VisitOn(t.Context(), 1, "2026-03-02")
	if err != nil || v.State != record.VisitNotTested {
		t.Errorf("visit %+v, %v", v, err)
	}
	// judged again, because the pressure came down
	says(t, "again", w.screening(who, wellForm()), "Prepare the test")
	w.prepareScreened(who, alder())
}

// Entries that cannot be true are named at their field, and nothing is kept.
func TestScreeningFaults(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("F-1")
	for _, c := range []struct {
		form        url.Values
		field, want string
	}{
		{wellBut("rest_sbp_mmhg", "80", "rest_dbp_mmhg", "120"), "rest_dbp_mmhg", "swapped"},
		{wellBut("rest_hr_bpm", "412"), "rest_hr_bpm", "above 250"},
		{wellBut("rest_hr_bpm", "sixty"), "rest_hr_bpm", "is not a number"},
		{wellBut("spo2_percent", "0,95"), "spo2_percent", "below 50"},
		{wellBut("symptoms", "none+chest_pain"), "symptoms", "keep one"},
		{wellBut("told", "all+food"), "told", "keep one"},
		{wellBut("symptoms", "cough"), "symptoms", "choose one of the words"},
		{wellBut("consent", "perhaps"), "consent", "choose one of the words"},
		{wellBut("glucose_mg_dl", "100", "glucose_mmol_l", "5.5"), "glucose_mmol_l", "give one of the two"},
		{wellBut("by", ""), "by", "enter it"},
	} {
		p := w.screening(who, c.form)
		if p.status != http.StatusUnprocessableEntity || !strings.Contains(p.text, `id="`+c.field+`-fault"`) || !strings.Contains(p.text, c.want) {
			t.Errorf("%s: %d, want %q", c.field, p.status, c.want)
		}
		strict(t, c.field, p)
	}
	if facts := len(visits(t, b)); facts != 0 {
		t.Errorf("%d visits were made by forms with faults", facts)
	}
	// nothing answered at all: it is kept, and says to ask
	says(t, "empty", w.screening(who, url.Values{"do": {"judge"}, "by": {"KL"}}), "Pause and ask", "Not answered")
	if p := w.post(who+"/screening", wellForm()); p.status != http.StatusUnprocessableEntity {
		t.Errorf("without a token: %d", p.status)
	}
	if p := w.get(who + "/screening/poem"); p.status != http.StatusNotFound {
		t.Errorf("unknown paper: %d", p.status)
	}
}

func visits(t *testing.T, b *bedside) []record.Visit {
	t.Helper()
	list, err := b.store.Visits(t.Context(), record.VisitFilter{})
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// What was found goes into the prepare form.
func TestScreeningFillsThePlan(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("P-1")
	w.screening(who, wellBut("drugs", "beta_blocker+statin", "rhythm_devices", "atrial_fibrillation", "known_disease", "heart+brain_vessels", "spo2_percent", "96"))
	p := w.get(who + "/new")
	for _, want := range []string{`name="rate_limiting_drug" value="yes" checked`, `value="atrial-fibrillation" selected`, `name="condition" value="heart" checked`, `name="condition" value="neurological" checked`} {
		if !strings.Contains(p.text, want) {
			t.Errorf("the prepare page lacks %s", want)
		}
	}
}

// Resting values that are measured after the screening are judged as if they had been known before.
func TestRestIsJudged(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("R-1")
	w.screen(who)
	v := visits(t, b)[0]
	at := "/visits/" + strconv.FormatInt(v.ID, 10) + "/rest"
	p := w.send(at, at, url.Values{"rest_hr_bpm": {"126"}, "rest_arm": {"left"}, "rest_sbp_mmhg": {"150"}, "rest_dbp_mmhg": {"90"}, "rest_irregular": {"9"}, "rest_seated_min": {"5"}, "by": {"MM"}, "do": {"save"}})
	if p.status != http.StatusOK {
		t.Fatalf("rest: %d %s", p.status, p.text)
	}
	says(t, "screening", w.get(who+"/screening"), "Do not test", "Resting heart rate above 120 /min: 126 /min", "MM (resting values)", "More than 3 irregular beats")
	if p := w.send(who+"/new", who+"/new", alder()); p.status != http.StatusUnprocessableEntity || !strings.Contains(p.text, "Do not test") {
		t.Errorf("begin: %d", p.status)
	}
}

// Which tests fit a person, and why the others do not.
func TestWhichTest(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("W-1")
	w.screening(who, wellBut("drugs", "beta_blocker", "known_disease", "brain_vessels"))
	at := "/visits/" + strconv.FormatInt(visits(t, b)[0].ID, 10) + "/which"
	says(t, "empty", w.get(at), "Show what fits", "walks, with an aid if needed")
	p := w.send(at, at, url.Values{"can_mobility": {"walk", "both_legs"}, "can_balance": {"none"}, "can_trunk": {"sit"}, "can_hand": {"none"},
		"can_language": {"keep_rhythm", "follow_instructions"}, "machines_here": {"recumbent_stepper", "treadmill"}, "space_m": {"12"}, "by": {"KL"}})
	strict(t, "which", p)
	fits, others, _ := strings.Cut(p.text, "Why the others do not fit")
	says(t, "fits", page{text: fits, status: p.status, at: p.at}, "Recumbent stepper, branching stages", who+"/new?protocol=recumbent-stepper", "heart rate cannot lead", "unless the maximal heart rate was measured on the drug")
	says(t, "others", page{text: others, status: p.status, at: p.at}, "needs a straight course of 30 m; 12 m are at hand", "needs: keeps balance standing without holding on", "needs: cycle ergometer", "needs: pushes and pulls with the arms")
	if strings.Contains(fits, "Six-minute walk") {
		t.Error("a walk of 30 m fits into 12 m")
	}
	if p := w.send(at, at, url.Values{"can_trunk": {"none", "sit"}, "by": {""}}); p.status != http.StatusUnprocessableEntity {
		t.Errorf("faults: %d", p.status)
	}
	// nothing asked: nothing fits, everything asks
	p = w.send(at, at, url.Values{"by": {"KL"}})
	says(t, "nothing asked", p, "Something has to be asked first", "not asked: sits with back support")
	says(t, "visit", w.get(strings.TrimSuffix(at, "/which")), "Which test fits?")
}
