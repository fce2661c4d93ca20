package web_test

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"

	estimators "gradus/estimate/library"
	"gradus/internal/record"
)

// typedNumbers are the fields of the comparison as a person with the paper fills them in.
func typedNumbers(t *testing.T, id string) (f url.Values, n int) {
	t.Helper()
	e, err := estimators.ByID(id)
	if err != nil {
		t.Fatal(err)
	}
	f = url.Values{"compared_by": {"An Invented Person, physical therapist"}, "compared_on": {"2026-03-02"}, "compared_against": {"the paper: its \"table 3\""}}
	add := func(v float64) {
		n++
		f.Set(fmt.Sprintf("number-%d", n), strings.Replace(fmt.Sprint(v), ".", ",", n%2)) // a comma is a point here
	}
	for _, term := range e.Terms {
		add(term.Coefficient)
	}
	if e.Formula != nil {
		for _, number := range e.Formula.Numbers {
			add(number.Value)
		}
	}
	for i := range e.Tables {
		for _, p := range e.Tables[i].Points {
			add(p.Y)
		}
	}
	return f, n
}

// A named person compares every number with the paper, tables too: a number that differs or is missing keeps nothing;
// afterwards results say who compared them, and the notice is gone.
func TestComparedWithThePaper(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	const notice = "coefficients not verified against the paper"
	for plan, equation := range map[string]string{"recumbent-stepper": "recumbent-stepper-2012", "single-stage-cycle": "astrand-cycle"} {
		id := w.driven(w.person("V-"+plan), with("protocol", plan, "age_years", "40", "rest_hr_bpm", "60"))
		says(t, "before", w.get("/tests/"+id), notice)
		at := "/estimators/" + equation
		good, n := typedNumbers(t, equation)
		for name, change := range map[string]func(url.Values){
			"differs": func(f url.Values) { f.Set(fmt.Sprintf("number-%d", n), "9.99") },
			"missing": func(f url.Values) { f.Del("number-1") },
			"nobody":  func(f url.Values) { f.Del("compared_by") },
			"no day":  func(f url.Values) { f.Set("compared_on", "soon") },
		} {
			f := url.Values{}
			for k, v := range good {
				f[k] = v
			}
			change(f)
			if p := w.send(at, at, f); p.status != http.StatusUnprocessableEntity {
				t.Errorf("%s: %d", name, p.status)
			} else if name == "differs" {
				says(t, name, p, "look at the paper again")
			}
		}
		if files := must(b.store.FilesOf(t.Context(), record.FileVerified))(t); len(files) > 1 {
			t.Fatal("a record was kept of numbers that were not all the same")
		}
		says(t, "kept", w.send(at, at, good), "All numbers are the same", "verified by An Invented Person, physical therapist on 2026-03-02")
		p := w.get("/tests/" + id)
		says(t, "after", p, "Compared with the paper: verified by An Invented Person, physical therapist on 2026-03-02 against the paper: its &#34;table 3&#34;")
		lacks(t, "after", p, notice)
		b.again()
		lacks(t, "after a restart", w.get("/tests/"+id), notice)

		// A record that does not fit any more counts for nothing, and the page says so.
		f := must(b.store.File(t.Context(), record.FileVerified, equation, ""))(t)
		f.Content = []byte(strings.Replace(string(f.Content), "estimator: "+equation, "estimator: other", 1))
		must(b.store.KeepFile(t.Context(), f, true))(t)
		b.again()
		says(t, "broken", w.get(at), "does not fit this equation any more", "other is not "+equation)
		says(t, "broken", w.get("/tests/"+id), notice)
	}
}
