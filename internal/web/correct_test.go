package web_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
)

// A drug that is found after the test: the correction is an event of its own, the verdict changes, the result is a new version
// that says what it replaces and why, and the papers with the old one are named.
func TestDrugFoundAfterwards(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("A-1")
	id := w.prepare(who, alder())
	at := "/tests/" + id
	has(t, "while it runs", w.send(at+"/correct", at+"/correct", url.Values{"rate_limiting_drug": {"yes"}, "correct_why": {"x"}, "by": {"KL"}}), http.StatusUnprocessableEntity, "the test still runs")
	if p := w.postJSON("/api/tests/"+id+"/papers", `{"what":"result"}`); p.status != http.StatusConflict {
		t.Errorf("a paper of a running test: %d %s", p.status, p.text)
	}
	w.ride(id, nil)
	before := w.get(at)
	has(t, "before", before, http.StatusOK, "version 1 of the result", "Nothing is noted as handed out.")
	if p := w.postJSON("/api/tests/"+id+"/papers", `{"what":"result"}`); p.status != http.StatusOK || !strings.Contains(p.text, `"version":1`) {
		t.Errorf("printed: %d %s", p.status, p.text)
	}
	if p := w.postJSON("/api/tests/"+id+"/papers", `{"what":"anything"}`); p.status != http.StatusBadRequest {
		t.Errorf("something else printed: %d %s", p.status, p.text)
	}
	has(t, "to somebody", w.send(at, at+"/papers", url.Values{"paper_what": {"letter"}, "paper_to": {"Dr Example"}, "paper_by": {"KL"}}), http.StatusOK, "Noted.", "letter, version 1, to Dr Example, by KL", "printed result, version 1, to not said")
	w.get("/api/tests/" + id + "/log") // a program asks
	if p := w.get("/api/tests/" + id + "/log?keep"); p.status != http.StatusOK {
		t.Errorf("the file: %d", p.status)
	}
	if n := strings.Count(w.get(at).text, "record of the test as a file, version 1"); n != 1 {
		t.Errorf("%d files are noted, want 1", n)
	}

	form := w.get(at + "/correct")
	has(t, "the form", form, http.StatusOK, "letter, version 1, to Dr Example", `value="71.5"`, `value="no" checked`)
	asItWas := func() url.Values {
		return url.Values{"rate_limiting_drug": {"no"}, "rhythm": {"sinus"}, "sex": {"female"}, "age_years": {"58"}, "mass_kg": {"71.5"}, "height_cm": {"168"}, "rest_hr_bpm": {"68"}, "rest_sbp_mmhg": {"124"}, "rest_dbp_mmhg": {"76"}, "correct_why": {"on the list of the ward"}, "by": {"KL"}}
	}
	has(t, "nothing changed", w.send(at+"/correct", at+"/correct", asItWas()), http.StatusUnprocessableEntity, "nothing is changed")
	for field, value := range map[string]string{"by": "", "correct_why": "", "mass_kg": "715", "rest_dbp_mmhg": "150", "sex": "none"} {
		wrong := asItWas()
		wrong.Set("rate_limiting_drug", "yes")
		wrong.Set(field, value)
		has(t, field, w.send(at+"/correct", at+"/correct", wrong), http.StatusUnprocessableEntity, `id="`+field+`-fault"`)
	}
	missing := asItWas()
	missing.Set("mass_kg", "")
	has(t, "taken away", w.send(at+"/correct", at+"/correct", missing), http.StatusUnprocessableEntity, "cannot be taken away")
	has(t, "still the first", w.get(at), http.StatusOK, "version 1 of the result")

	right := asItWas()
	right.Set("rate_limiting_drug", "yes")
	right.Set("drug_name", "invented drug 5 mg")
	after := w.send(at+"/correct", at+"/correct", right)
	has(t, "after", after, http.StatusOK, "Corrected. This is version 2", "version 2 of the result", "Version 2 replaces version 1", "rate limiting drug: no, now yes", "on the list of the ward", "invented drug 5 mg",
		"Papers or files with an earlier version are out", "letter, version 1, to Dr Example", "not usable")
	lacks(t, "before", before, "Version 2")

	heavier := asItWas()
	heavier.Set("rate_limiting_drug", "yes")
	heavier.Set("drug_name", "invented drug 5 mg")
	heavier.Set("mass_kg", "75.1")
	has(t, "corrected again", w.send(at+"/correct", at+"/correct", heavier), http.StatusOK, "version 3 of the result", "Version 3 replaces version 2", "mass kg: 71.5, now 75.1")
	has(t, "the next paper", w.send(at, at+"/papers", url.Values{"paper_what": {"letter"}, "paper_to": {"Dr Other"}}), http.StatusOK, "letter, version 3, to Dr Other")

	terms := map[uint32]int{}
	for _, e := range must(b.store.Events(t.Context(), id))(t) {
		terms[e.Term]++
	}
	if terms[2] != 3 || len(terms) != 2 {
		t.Errorf("events by term %v, want the two corrections and one take-over in term 2", terms)
	}
	results := must(b.store.Results(t.Context(), id))(t)
	if len(results) != 3 || results[1].Why != "rate limiting drug: no, now yes, invented drug 5 mg" || results[1].By != "KL" || !strings.Contains(string(results[1].JSON), "not usable") {
		t.Errorf("stored results %+v", results)
	}
	if err := b.store.Check(t.Context()); err != nil {
		t.Error(err)
	}
}

func must[T any](v T, err error) func(*testing.T) T {
	return func(t *testing.T) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}
