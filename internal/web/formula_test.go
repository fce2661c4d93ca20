package web_test

import (
	"html"
	"strings"
	"testing"
)

// The formula of the first test stays the default; formulas for a beta-blocker are offered, never taken.
func TestFormulaOfTheFirstTest(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("A-1")
	w.prepare(who, with("max_hr_formula", "208-0.7age"))
	if text := w.get(who + "/new").text; !strings.Contains(text, `value="208-0.7age" selected`) {
		t.Error("the prepare page does not begin with the formula of the first test")
	}
	in := w.open(w.prepare(who, with("max_hr_formula", "208-0.7age"))).Load.Events[0].Begin.Inputs
	if in.First != "208-0.7age" || in.Formula != "" {
		t.Errorf("kept: %+v", in)
	}
	in = w.open(w.prepare(who, with("max_hr_formula", "220-age"))).Load.Events[0].Begin.Inputs
	if in.First != "208-0.7age" || in.Formula != "220-age" {
		t.Errorf("changed: %+v", in)
	}
	form := with("max_hr_formula", "220-age", "rate_limiting_drug", "yes", "drug_name", "bisoprolol")
	form.Del("do")
	text := html.UnescapeString(w.send(who+"/new", who+"/new", form).text)
	for _, want := range []string{"the first test of this person used 208-0.7age, this one uses 220-age", "164-0.7age may be chosen", "heart rate does not lead, exertion ends the test"} {
		if !strings.Contains(text, want) {
			t.Errorf("the plan does not say %q", want)
		}
	}
}

// A site can demand verified equations of the pages too; the running page is told so with the estimator.
func TestVerificationIsDemandedOfThePages(t *testing.T) {
	for _, demanded := range []bool{false, true} {
		b := begin(t, false)
		b.stop()
		b.verified = demanded
		b.start()
		w := b.browser()
		id := w.prepare(w.person("A-1"), alder())
		if got := w.open(id).Load.Estimator; got.Demanded != demanded || !got.Unverified() {
			t.Errorf("demanded %v: the page got %v", demanded, got.Demanded)
		}
	}
}
