package web_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"
)

// Three tests of one person with training between two of them: every comparison has its three answers or the reason why there
// is none, what moved, the signs without an equation with their errors, and the training stands in the picture.
func TestOverTime(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("A-1")
	at := who + "/over-time"
	has(t, "untested", w.get(at), http.StatusOK, "No test of this person is closed.")
	first := w.prepare(who, alder())
	w.ride(first, nil)
	has(t, "one test", w.get(at), http.StatusOK, "One test so far; a comparison needs two.", `href="/tests/`+first)
	b.clock.pass(28 * 24 * time.Hour)
	has(t, "sessions", w.send(who+"/log", who+"/log", url.Values{"sessions": {"2026-03-04 30 40 105 12\n2026-03-14 30\n2026-03-27 30"}, "by": {"KL"}}), http.StatusOK, "Kept: 3 sessions.")
	lighter := alder()
	lighter.Set("mass_kg", "66.5")
	second := w.prepare(who, lighter)
	w.ride(second, nil)
	b.clock.pass(28 * 24 * time.Hour)
	drug := alder()
	drug.Set("rate_limiting_drug", "yes")
	drug.Set("drug_name", "invented drug 5 mg")
	third := w.prepare(who, drug)
	w.ride(third, nil)

	all := w.get(at)
	has(t, "over time", all, http.StatusOK, "Three questions, kept apart", "Beyond error?", "Large enough to matter?", "How sure?", "2026-03-02 to 2026-03-30, 28 days apart",
		"No verdict on the change", "the rate-limiting drug differs (no, then invented drug 5 mg)", "First to last: ", "Body mass", "Heart rate at 30\u00a0W", "Work rate at ", "Fall of heart rate",
		"Error measured over days; over months probably larger", "grey: training", ">T1<", "2026-03-04", "2026-03-27", "<svg ", "Against own tests")
	for _, from := range []string{who, "/tests/" + second} {
		has(t, "leads there", w.get(from), http.StatusOK, `href="`+at+`"`)
	}
	has(t, "another line", w.get(at+"?matters=one-ml"), http.StatusOK, "often used in heart-failure trials")
	if p := w.get(at + "?matters=nothing"); p.status != http.StatusOK {
		t.Errorf("an unknown line: %d", p.status)
	}
	if p := w.get(at + "/paper"); p.status != http.StatusOK || !strings.Contains(p.text, `href="/papers.css"`) || !strings.Contains(p.text, "Three questions, kept apart") {
		t.Errorf("as a paper: %d", p.status)
	}
	give := url.Values{"paper_format": {"pdf"}, "paper_size": {"a4"}, "paper_to": {"Dr Example"}, "paper_by": {"KL"}}
	has(t, "to nobody", w.send(at, at, other(give, "paper_to", "")), http.StatusUnprocessableEntity, `id="paper_to-fault"`)
	file := w.send(at, at, give)
	if text := pdfText(t, file.text); file.status != http.StatusOK || !strings.Contains(text, "Three questions, kept apart") || !strings.Contains(text, "T1") {
		t.Errorf("the file: %d %.300s", file.status, text)
	}
	for _, id := range []string{first, second, third} {
		has(t, "noted", w.get("/tests/"+id), http.StatusOK, "Over time, pdf, version 1, to Dr Example, by KL")
	}
}
