package e2e

import (
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// Four invented people come to the page "safe to test?": each outcome on a phone, a tablet and a laptop, without a
// script, with clearance, going on and papers; then the test begins.
func TestScreening(t *testing.T) {
	s := serve(t, "serve", "--data", filepath.Join(t.TempDir(), "data"))
	b := browser(t, 390, 844)
	person := func(code string) (who string) {
		b.visit(s.address + "/people")
		b.do(chromedp.SendKeys(chromedp.CSS(`form[action="/people"] input[name="code"]`), code))
		b.click(`form[action="/people"] button`)
		b.until(patience, "the person's page", `/^.people.\d+/.test(location.pathname)`)
		who = b.path()
		b.visit(s.address + who + "/screening")
		return who
	}
	outcome := func(want string) {
		t.Helper()
		if got := eval[string](b, `document.querySelector("#outcome-title").innerText`); got != want {
			t.Errorf("outcome %q, want %q", got, want)
		}
	}
	answer := func(except string, answers ...string) {
		t.Helper()
		for _, a := range []string{"consent=yes", "told=all", "regular_exercise=no", "intended_intensity=vigorous", "symptoms=none", "irregular_beats_per_min=0"} {
			if name, _, _ := strings.Cut(a, "="); name != except {
				b.tick(a)
			}
		}
		for _, a := range answers {
			b.tick(a)
		}
	}
	values := func(sbp, dbp, hr, spo2 string) {
		t.Helper()
		for name, v := range map[string]string{"rest_sbp_mmhg": sbp, "rest_dbp_mmhg": dbp, "rest_hr_bpm": hr, "spo2_percent": spo2, "by": "KL"} {
			if v != "" {
				b.do(chromedp.SetValue(chromedp.CSS(`form.screening [name="`+name+`"]`), v))
			}
		}
		b.click(`button[value="judge"]`)
		b.until(patience, "the outcome", `document.querySelector("section.outcome") !== null`)
	}

	// a stroke survivor: a relative contraindication and branch A2, cleared by a physician
	who := person("STROKE-1")
	b.look("screening-phone-form")
	answer("", "known_disease=brain_vessels", "contraindications=recent_stroke_or_tia", "drugs=anticoagulant", "rhythm_devices=none")
	values("138", "84", "72", "97")
	outcome("Pause and ask")
	b.look("screening-phone-outcome")
	b.click(`section.next details.change:first-of-type summary`)
	b.do(chromedp.SetValue(chromedp.CSS(`[name="c_by"]`), "Dr Example, invented"))
	b.tick("c_role=physician")
	b.click(`button[value="clear"]`)
	b.until(patience, "cleared", `document.body && document.body.innerText.includes("Prepare the test")`)
	outcome("Go with cautions")
	b.look("screening-phone-cleared")
	b.visit(s.address + who + "/new")
	if got := eval[string](b, `document.querySelector("main").innerText`); !contains(got, "Check before the test: Go with cautions") {
		t.Error("the prepare page does not say what the check came to")
	}

	// 80 years old, resting heart rate 95: nothing stands against it by itself
	b.do(chromedp.EmulateViewport(768, 1024))
	person("OLD-1")
	answer("", "known_disease=none", "contraindications=none", "drugs=none", "rhythm_devices=none")
	values("146", "82", "95", "")
	outcome("Go")
	b.look("screening-tablet-go")

	// which test fits her
	b.visit(s.address + "/visits/2/which")
	for _, a := range []string{"can_mobility=walk", "can_mobility=both_legs", "can_mobility=pedal", "can_balance=none", "can_trunk=sit_unsupported", "can_hand=grip", "can_language=keep_rhythm",
		"can_language=follow_instructions", "machines_here=recumbent_stepper", "machines_here=cycle"} {
		b.tick(a)
	}
	b.do(chromedp.SetValue(chromedp.CSS(`[name="space_m"]`), "20"), chromedp.SetValue(chromedp.CSS(`[name="by"]`), "KL"))
	b.click(`main form button.main`)
	b.until(patience, "what fits", `document.querySelector("#fits li") !== null`)
	b.look("which-tablet")

	// on a beta-blocker, active, vigorous: branch B2, and heart rate cannot lead
	person("BETA-1")
	answer("regular_exercise", "regular_exercise=yes", "known_disease=heart", "contraindications=none", "drugs=beta_blocker", "rhythm_devices=none")
	values("128", "78", "56", "96")
	outcome("Pause and ask")
	if got := eval[string](b, `document.querySelector("section.outcome").innerText`); !contains(got, "Heart rate cannot lead the test") {
		t.Error("a beta-blocker, and heart rate may lead")
	}
	b.look("screening-tablet-ask")

	// atrial fibrillation with an irregular pulse of 124: not without a physician; not tested today
	b.do(chromedp.EmulateViewport(1366, 768))
	who = person("AF-1")
	answer("irregular_beats_per_min", "irregular_beats_per_min=4", "known_disease=heart", "contraindications=none", "drugs=digoxin", "rhythm_devices=atrial_fibrillation")
	values("142", "88", "124", "95")
	outcome("Do not test")
	b.look("screening-laptop-stop")
	eval[bool](b, `[...document.querySelectorAll("details")].every((d) => { d.open = true; return true })`)
	b.axe("screening opened")
	b.click(`button[value="leave"]`)
	b.until(patience, "not tested", `document.body && document.body.innerText.includes("decided by KL")`)
	for _, paper := range []string{"note", "letter", "request"} {
		b.visit(s.address + who + "/screening/" + paper)
		b.look("screening-" + paper)
	}
	b.visit(s.address + who + "/new")
	if got := eval[string](b, `document.querySelector("main").innerText`); !contains(got, "decided not to test today") {
		t.Error("the prepare page does not say that there is no test today")
	}
	b.quiet()
}
