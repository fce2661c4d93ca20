package web_test

import (
	"bytes"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// other are the fields of a form, some of them set otherwise.
func other(base url.Values, pairs ...string) url.Values {
	out := url.Values{}
	for k, v := range base {
		out[k] = v
	}
	for i := 0; i < len(pairs); i += 2 {
		out.Set(pairs[i], pairs[i+1])
	}
	return out
}

// pdfText reads a PDF with another program.
func pdfText(t *testing.T, data string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "paper.pdf")
	if err := os.WriteFile(file, []byte(data), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("pdftotext", file, "-")
	var errw bytes.Buffer
	cmd.Stderr = &errw
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("pdftotext: %v %s; install Debian's poppler-utils (make deps)", err, errw.String())
	}
	return strings.Join(strings.Fields(strings.ReplaceAll(string(out), "\u00a0", " ")), " ")
}

// A report from draft to final, handed out, corrected, signed again and called back; the old one stays as it was.
func TestPapersOfATest(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("A-1")
	id := w.prepare(who, alder())
	at := "/tests/" + id + "/papers"
	today := time.Now().Format(time.DateOnly) // the record has the machine's clock
	if p := w.get(at); p.status != http.StatusConflict {
		t.Errorf("papers of a running test: %d", p.status)
	}
	w.ride(id, nil)
	has(t, "the result leads there", w.get("/tests/"+id), http.StatusOK, `href="`+at+`"`)
	first := w.get(at)
	has(t, "before", first, http.StatusOK, "Short text to paste into a chart", "Limits of this test. No ECG was recorded.", "Draft, not signed.", "Estimated VO2peak is ", "95 % range", at+"/note", at+"/letter", at+"/plan", at+"/sheet")
	lacks(t, "before", first, at+"/comparison", at+"/recall")
	for kind, want := range map[string]string{"note": "For the physician", "letter": "Your fitness score is about", "plan": "Week by week", "sheet": "Which loads next?"} {
		p := w.get(at + "/" + kind)
		for _, want := range []string{want, `href="/papers.css"`, "Not certified as a medical device"} {
			if p.status != http.StatusOK || !strings.Contains(p.text, want) {
				t.Errorf("%s: %d, lacks %q", kind, p.status, want)
			}
		}
		if !strings.Contains(p.text, "Draft, not signed.") && kind != "sheet" {
			t.Errorf("%s does not say that it is a draft", kind)
		}
	}
	if p := w.get("/papers.css"); p.status != http.StatusOK || !strings.HasPrefix(p.header.Get("Content-Type"), "text/css") {
		t.Errorf("the style: %d", p.status)
	}
	for _, missing := range []string{"/poem", "/note?report=7"} {
		if p := w.get(at + missing); p.status != http.StatusNotFound {
			t.Errorf("%s: %d", missing, p.status)
		}
	}
	if p := w.get(at + "/comparison"); p.status != http.StatusConflict {
		t.Errorf("a comparison of one test: %d", p.status)
	}

	said := url.Values{"asks": {"training"}, "question": {"how hard may she train?"}, "referrer": {"Dr Example"}, "plan_edits": {"only twice a week at first"}, "by": {"KL"}, "do": {"keep"}}
	has(t, "without a name", w.send(at, at+"/said", other(said, "by", "")), http.StatusUnprocessableEntity, `id="by-fault"`)
	has(t, "kept", w.send(at, at+"/said", said), http.StatusOK, "Kept.", "Training may begin at ", "Draft, not signed.")
	has(t, "signed", w.send(at, at+"/said", other(said, "do", "sign")), http.StatusOK, "Final, version 1, signed by KL on "+today+".")
	note := w.get(at + "/note").text
	for _, want := range []string{"whole visit 0\u00a0min by the record", "Training may begin at ", "How hard may she train?", "Dr Example", "only twice a week at first", "Final, version 1"} {
		if !strings.Contains(note, want) {
			t.Errorf("the note lacks %q", want)
		}
	}

	give := url.Values{"paper_kind": {"note"}, "paper_format": {"pdf"}, "paper_size": {"letter"}, "paper_to": {"Dr Example"}, "paper_by": {"KL"}}
	has(t, "to nobody", w.send(at, at+"/file", other(give, "paper_to", "")), http.StatusUnprocessableEntity, `id="paper_to-fault"`)
	has(t, "no comparison", w.send(at, at+"/file", other(give, "paper_kind", "comparison")), http.StatusUnprocessableEntity, "there is no earlier test")
	file := w.send(at, at+"/file", give)
	if file.status != http.StatusOK || file.header.Get("Content-Type") != "application/pdf" || !strings.HasPrefix(file.text, "%PDF-") || !strings.Contains(file.header.Get("Content-Disposition"), "note-"+id+".pdf") {
		t.Fatalf("the file: %d %v", file.status, file.header)
	}
	if text := pdfText(t, file.text); !strings.Contains(text, "Final, version 1, signed by KL") || !strings.Contains(text, "Training may begin at") {
		t.Errorf("in the file: %.400s", text)
	}
	// The same paper says the same, but for where the audit trail stands, which the first one has moved.
	ends := regexp.MustCompile(`audit:[0-9]+:[0-9a-f]{16}`)
	one, two := pdfText(t, file.text), pdfText(t, w.send(at, at+"/file", give).text)
	if ends.ReplaceAllString(one, "") != ends.ReplaceAllString(two, "") || ends.FindString(one) == "" || ends.FindString(one) == ends.FindString(two) {
		t.Errorf("the same paper says something else: %.300s\n%.300s", one, two)
	}
	for format, want := range map[string]string{"html": "<!doctype html>", "txt": "Training may begin at"} {
		if p := w.send(at, at+"/file", other(give, "paper_format", format)); !strings.HasPrefix(p.text, want) {
			t.Errorf("%s: %.60q", format, p.text)
		}
	}
	out := w.get(at)
	has(t, "noted", out, http.StatusOK, "note for the clinician, pdf, report version 1, version 1, to Dr Example, by KL", "txt, report version 1")
	lacks(t, "refused ones are not noted", out, "comparison with the test before, pdf")

	// A drug is found afterwards: the report is not final any more, and the next one says what it replaces.
	b.clock.pass(time.Hour)
	fix := w.get("/tests/" + id + "/correct")
	values := url.Values{"rate_limiting_drug": {"yes"}, "drug_name": {"a beta-blocker"}, "correct_why": {"told at home"}, "by": {"KL"}}
	for _, m := range regexp.MustCompile(`name="([a-z_]+)" type="text"[^>]*value="([^"]+)"`).FindAllStringSubmatch(fix.text, -1) {
		if values.Get(m[1]) == "" {
			values.Set(m[1], m[2])
		}
	}
	values.Set("sex", "female")
	values.Set("rhythm", "sinus")
	values.Set("hours_since_dose", "3")
	has(t, "corrected", w.send("/tests/"+id+"/correct", "/tests/"+id+"/correct", values), http.StatusOK, "Corrected.")
	has(t, "pending", w.get(at), http.StatusOK, "Draft of version 2, not signed. Replaces version 1: ", at+"/recall", "Version 1, signed by KL")
	has(t, "why it replaces", w.send(at, at+"/said", other(said, "do", "sign")), http.StatusUnprocessableEntity, `id="report_why-fault"`)
	has(t, "signed again", w.send(at, at+"/said", other(said, "do", "sign", "report_why", "a drug was found")), http.StatusOK, "Final, version 2, signed by KL on "+today+". Replaces version 1: a drug was found.")
	recall := w.get(at + "/recall")
	for _, want := range []string{"Please use version 2 only", "A drug was found.", "note for the clinician, pdf, report version 1", "Dr Example", "Version 1 said:", "Now it says:"} {
		if !strings.Contains(recall.text, want) {
			t.Errorf("the recall lacks %q", want)
		}
	}
	old := w.get(at + "/note?report=1").text
	if !strings.Contains(old, "Another version has replaced it since.") || !strings.Contains(old, "No rate-limiting drug") {
		t.Error("the old note is not what it was")
	}
	if new := w.get(at + "/note").text; !strings.Contains(new, "A beta-blocker; 3\u00a0h since the dose") {
		t.Error("the new note does not name the drug that was found")
	}

	// What is said may change too, and that is another version.
	has(t, "another question", w.send(at, at+"/said", other(said, "asks", "fitness", "report_why", "the question was another")), http.StatusOK, "Draft of version 3, not signed. Replaces version 2: the question was another.")
	if p := b.browser().post(at+"/file", give); p.status != http.StatusForbidden && p.status != http.StatusUnprocessableEntity {
		t.Errorf("a stranger's form: %d", p.status)
	}
}

// Sessions from the log sheet are typed in, kept with the day's visit, and held against the plan.
func TestLogOfTraining(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("A-1")
	at := who + "/log"
	has(t, "untested", w.get(at), http.StatusOK, "no test of this person is closed", "No session is typed in.")
	id := w.prepare(who, alder())
	w.ride(id, nil)
	has(t, "before", w.get(at), http.StatusOK, "begin with week 1", "Plan of the test of")
	b.clock.pass(15 * 24 * time.Hour)
	for text, want := range map[string]string{"": "type in at least one session", "yesterday 20": "is not a day", "2026-03-04": "the minutes are missing", "2026-03-04 20 50 400": "heart rate", "2027-01-01 20": "still to come"} {
		has(t, text, w.send(at, at, url.Values{"sessions": {text}, "by": {"KL"}}), http.StatusUnprocessableEntity, `id="sessions-fault"`, want)
	}
	sessions := "2026-03-04 30 40 105 12 fine\n2026-03-06 30 - 106 12\n2026-03-08 30 40 104,5 12 <b>tired</b>"
	has(t, "kept", w.send(at, at, url.Values{"sessions": {sessions}, "by": {"KL"}}), http.StatusOK, "Kept: 3 sessions.", "Week by week, against the plan", "3 (3)", "go on: 3 of 3 sessions done", "give or take", "&lt;b&gt;tired")
	has(t, "trouble", w.send(at, at, url.Values{"sessions": {"2026-03-12 10 40 120 16 dizzy!"}, "by": {"KL"}}), http.StatusOK, "something was wrong in a session", "Wait:")
	has(t, "in the visit", w.get(who), http.StatusOK, `href="`+at+`"`)
}

// A report that was signed for one person is not another's when the test turns out to be somebody else's; it stays as it was. A
// test that was made before there were visits can be signed too.
func TestPapersFollowTheTest(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("A-1")
	w.person("B-2")
	id := w.prepare(who, alder())
	at := "/tests/" + id + "/papers"
	w.ride(id, nil)
	said := url.Values{"question": {"how fit?"}, "by": {"KL"}, "do": {"sign"}}
	has(t, "signed", w.send(at, at+"/said", said), http.StatusOK, "Final, version 1, signed by KL")
	w.send("/tests/"+id, "/tests/"+id, url.Values{"right_code": {"B-2"}, "reassign_by": {"KL"}, "why": {"mixed up"}})
	after := w.get(at)
	has(t, "another person's", after, http.StatusOK, "Draft of version 2, not signed. Replaces version 1", "Version 1, signed by KL", at+"/recall")
	if old := w.get(at + "/note?report=1").text; !strings.Contains(old, "A-1") || strings.Contains(old, "B-2") {
		t.Error("the signed note is not what it was")
	}
	has(t, "signed again", w.send(at, at+"/said", other(said, "report_why", "it is another person's")), http.StatusOK, "Final, version 2, signed by KL")

	// Nobody's test, without a visit: it is signed as soon as it is said whose it is.
	whole := must(b.store.Test(t.Context(), id))(t)
	events := must(b.store.Events(t.Context(), id))(t)
	whole.ID, whole.Participant, whole.Visit, whole.Closed = "t-loose", 0, 0, time.Time{}
	must(b.store.NewTest(t.Context(), whole))(t)
	must(b.store.Append(t.Context(), whole.ID, events))(t)
	loose := "/tests/t-loose/papers"
	has(t, "nobody's", w.send(loose, loose+"/said", said), http.StatusUnprocessableEntity, "belongs to nobody yet")
	w.send("/tests/t-loose", "/tests/t-loose", url.Values{"right_code": {"A-1"}, "reassign_by": {"KL"}, "why": {"found on the list"}})
	has(t, "somebody's", w.send(loose, loose+"/said", said), http.StatusOK, "Final, version 1, signed by KL")
}

// The clinician changes numbers of the plan: what was computed stays beside it with who and when, papers and log follow, and after
// a signature it is another version.
func TestChangedPlan(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("A-1")
	id := w.prepare(who, alder())
	at, papers := "/tests/"+id+"/plan", "/tests/"+id+"/papers"
	w.ride(id, nil)
	has(t, "the result leads there", w.get("/tests/"+id), http.StatusOK, `href="`+at+`"`, "What it means", "Chance that the true value lies in each band", "The plan", "No earlier test of this person")
	has(t, "before", w.get(at), http.StatusOK, "Session by session", "Week by week")
	change := url.Values{"week_from": {"1"}, "week_to": {"2"}, "plan_sessions": {"2"}, "plan_minutes": {"15"}, "plan_hr_from": {"95"}, "plan_hr_to": {"180"}, "plan_why": {"tired"}, "by": {"KL"}, "do": {"change"}}
	for field, value := range map[string]string{"by": "", "plan_hr_to": "500", "plan_minutes": "x"} {
		has(t, field, w.send(at, at, other(change, field, value)), http.StatusUnprocessableEntity, `id="`+field+`-fault"`)
	}
	has(t, "no such week", w.send(at, at, other(change, "week_to", "40")), http.StatusUnprocessableEntity, "are no weeks of a plan of 8")
	has(t, "one end", w.send(at, at, other(change, "plan_hr_from", "")), http.StatusUnprocessableEntity, "write both ends")
	kept := w.send(at, at, change)
	has(t, "kept", kept, http.StatusOK, "Week 1 to 2: 2 sessions a week, 15\u00a0min, heart rate 95 to 180\u00a0/min (tired), by KL on 2026-03-02", "As it was computed, for comparison", "KL set a heart rate of 180")
	for kind, want := range map[string]string{"plan": "Begin with 2 sessions a week of 15", "letter": "Move 2 days a week.", "note": "computed was heart rate by reserve"} {
		if p := w.get(papers + "/" + kind); !strings.Contains(p.text, want) {
			t.Errorf("%s lacks %q", kind, want)
		}
	}
	has(t, "the log", w.get(who+"/log"), http.StatusOK, "Week 1 of the plan: 2 sessions of 15 min")
	has(t, "signed", w.send(papers, papers+"/said", url.Values{"by": {"KL"}, "do": {"sign"}}), http.StatusOK, "Final, version 1")
	has(t, "after a signature", w.send(at, at, change), http.StatusUnprocessableEntity, `id="report_why-fault"`)
	back := w.send(at, at, url.Values{"by": {"MN"}, "report_why": {"rested"}, "do": {"back"}})
	has(t, "taken back", back, http.StatusOK, "Draft of version 2, not signed. Replaces version 1: rested.", "Begin with 3 sessions")
	lacks(t, "taken back", back, "As it was computed")
	if old := w.get(papers + "/plan?report=1").text; !strings.Contains(old, "Begin with 2 sessions a week of 15") {
		t.Error("the signed plan is not what it was")
	}
	has(t, "another table", w.send(papers, papers+"/said", url.Values{"reference": {"population-treadmill-2013"}, "equation": {"jones-1985"}, "report_why": {"their table"}, "by": {"KL"}, "do": {"keep"}}), http.StatusOK, "Kept.")
	has(t, "read against it", w.get("/tests/"+id), http.StatusOK, "healthy Norwegian adults", "that the height and age, 1985 predicts")
	said := url.Values{"plan_from": {"45"}, "plan_to": {"60"}, "plan_interval": {"heart-long"}, "report_why": {"another band"}, "by": {"KL"}, "do": {"keep"}}
	has(t, "not for this person", w.send(papers, papers+"/said", said), http.StatusUnprocessableEntity, "no interval session for healthy adult is called")
	has(t, "intervals", w.send(papers, papers+"/said", other(said, "plan_interval", "stepper-low-volume")), http.StatusOK, "Kept.")
	has(t, "in the plan", w.get(at), http.StatusOK, "Interval session:", "hard 5 times 1\u00a0min")
}
