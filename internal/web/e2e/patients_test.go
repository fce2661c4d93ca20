package e2e

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// patient is an invented person who comes for a test.
type patient struct {
	code          string
	age, sex      string
	answers       []string // of the page "safe to test?", as name=value; the rest is as with a well person
	sbp, dbp      string
	rest          int
	outcome       string
	cleared       bool // a physician's clearance is recorded
	protocol      string
	says          []string // on the prepare page
	hr            [][2]int // readings of each stage
	rpe           []int    // exertion of each stage; nil: not told
	after         int      // heart rate in recovery
	ended, result string   // on the page of the result
}

var patients = []patient{
	{code: "STROKE-1", age: "58", sex: "female", answers: []string{"known_disease=brain_vessels", "contraindications=recent_stroke_or_tia", "drugs=anticoagulant"}, sbp: "138", dbp: "84", rest: 72,
		outcome: "Pause and ask", cleared: true, protocol: "recumbent-stepper", says: []string{"Go with cautions"}, hr: [][2]int{{92, 93}, {112, 113}, {138, 139}}, after: 82, ended: "Planned end", result: "Gone on in spite of"},
	{code: "OLD-1", age: "80", sex: "male", sbp: "146", dbp: "82", rest: 95, outcome: "Go", protocol: "recumbent-stepper-small-steps", says: []string{"only 24 beats lie between", "A variant with small steps"},
		hr: [][2]int{{104, 105}, {112, 113}, {119, 120}}, after: 100, ended: "Planned end", result: "Go, by KL"},
	{code: "BETA-1", age: "66", sex: "male", answers: []string{"known_disease=heart", "drugs=beta_blocker"}, sbp: "128", dbp: "78", rest: 56, outcome: "Pause and ask", cleared: true,
		protocol: "recumbent-stepper-small-steps", says: []string{"heart rate may not lead"}, hr: [][2]int{{70, 71}, {80, 81}, {88, 89}}, rpe: []int{11, 13, 15}, after: 62, ended: "exertion", result: "rate-limiting drug"},
	{code: "AF-1", age: "71", sex: "female", answers: []string{"known_disease=heart", "drugs=digoxin", "rhythm_devices=atrial_fibrillation", "irregular_beats_per_min=4"}, sbp: "142", dbp: "88", rest: 84,
		outcome: "Pause and ask", cleared: true, protocol: "recumbent-stepper-small-steps", says: []string{"heart rate may not lead"}, hr: [][2]int{{96, 98}, {108, 109}, {116, 117}}, rpe: []int{11, 13, 15}, after: 92, ended: "exertion", result: "rhythm"},
}

// The whole path of a visit: safe to test, machine and fit, rest, test by hand, recovery, result; with four invented
// people.
func TestPatients(t *testing.T) {
	for _, p := range patients {
		t.Run(p.code, func(t *testing.T) {
			s := serve(t, "serve", "--data", filepath.Join(t.TempDir(), "data"))
			b := browser(t, 1366, 900)
			p.screened(b, s)
			p.fitted(b, s)
			p.rested(b, s)
			test := p.begun(b, s)
			p.ridden(b)
			b.until(patience, "everything is acknowledged", `window.gradus.undelivered() === 0`)
			b.visit(s.address + "/tests/" + test)
			text := eval[string](b, `document.querySelector("main").innerText`)
			for _, want := range []string{p.ended, p.result, "Check before the test"} {
				if !contains(strings.ToLower(text), strings.ToLower(want)) {
					t.Errorf("the result does not say %q:\n%.2500s", want, text)
				}
			}
			b.shot("patient-" + p.code)
			b.quiet()
		})
	}
}

func (p patient) screened(b *tab, s *server) {
	b.t.Helper()
	b.visit(s.address + "/people")
	b.do(chromedp.SendKeys(chromedp.CSS(`form[action="/people"] input[name="code"]`), p.code))
	b.click(`form[action="/people"] input[name="code"] ~ button, form[action="/people"] p.acts button`)
	b.until(patience, "the person's page", `/^.people.\d+$/.test(location.pathname)`)
	b.visit(s.address + "/people/1/screening")
	given := map[string]bool{}
	for _, a := range p.answers {
		name, _, _ := strings.Cut(a, "=")
		given[name] = true
		b.tick(a)
	}
	for _, a := range []string{"consent=yes", "told=all", "regular_exercise=no", "intended_intensity=vigorous", "known_disease=none", "symptoms=none", "contraindications=none",
		"irregular_beats_per_min=0", "drugs=none", "rhythm_devices=none"} {
		if name, _, _ := strings.Cut(a, "="); !given[name] {
			b.tick(a)
		}
	}
	b.fill(map[string]string{"rest_sbp_mmhg": p.sbp, "rest_dbp_mmhg": p.dbp, "rest_hr_bpm": fmt.Sprint(p.rest), "spo2_percent": "96", "by": "KL"})
	b.click(`button[value="judge"]`)
	b.until(patience, "the outcome", `document.querySelector("section.outcome") !== null`)
	if got := eval[string](b, `document.querySelector("#outcome-title").innerText`); got != p.outcome {
		b.t.Fatalf("outcome %q, want %q: %s", got, p.outcome, eval[string](b, `document.querySelector("section.outcome").innerText`))
	}
	if !p.cleared {
		return
	}
	b.click(`section.next details.change:first-of-type summary`)
	b.fill(map[string]string{"c_by": "Dr Example, invented"})
	b.tick("c_role=physician")
	b.click(`button[value="clear"]`)
	b.until(patience, "cleared", `document.body && document.body.innerText.includes("Prepare the test")`)
}

// fill types values into fields by name.
func (b *tab) fill(values map[string]string) {
	b.t.Helper()
	for name, v := range values {
		b.do(chromedp.SetValue(chromedp.CSS(`main [name="`+name+`"]`), v))
	}
}

func (p patient) fitted(b *tab, s *server) {
	b.t.Helper()
	b.visit(s.address + "/visits/1/fit")
	b.fill(map[string]string{"fit_seat": "7", "fit_signal": "raises the left hand", "fit_tried_min": "2", "fit_cadence": "85", "mass_kg": "74", "height_cm": "170", "by": "KL"})
	b.click(`main form p.last button`)
	b.until(patience, "the visit", `location.pathname === "/visits/1"`)
}

func (p patient) rested(b *tab, s *server) {
	b.t.Helper()
	b.visit(s.address + "/visits/1/rest")
	b.tick("rest_arm=left")
	b.fill(map[string]string{"rest_hr_bpm": fmt.Sprint(p.rest), "rest_sbp_mmhg": p.sbp, "rest_dbp_mmhg": p.dbp, "rest_seated_min": "5", "by": "KL"})
	b.click(`main button[value="save"]`)
	b.until(patience, "the visit", `location.pathname === "/visits/1"`)
}

func (p patient) begun(b *tab, s *server) (test string) {
	b.t.Helper()
	b.visit(s.address + "/people/1/new?protocol=" + p.protocol)
	b.fill(map[string]string{"age_years": p.age})
	b.tick("sex=" + p.sex)
	if !contains(strings.Join(p.answers, " "), "atrial") {
		eval[bool](b, `(document.querySelector('[name="rhythm"]').value === "" && (document.querySelector('[name="rhythm"]').value = "sinus"), true)`)
	}
	b.tick("blood_pressure=none")
	eval[bool](b, `window.before = true`)
	b.click(`button[value="plan"]`)
	b.until(patience, "the plan", `!window.before && document.readyState === "complete" && document.body.innerText.includes("Check before the test")`)
	text := eval[string](b, `document.querySelector("main").innerText`)
	for _, want := range p.says {
		if !contains(text, want) {
			b.t.Errorf("the prepare page does not say %q:\n%.1500s", want, text)
		}
	}
	b.shot("patient-plan-" + p.code)
	b.click(`button[value="begin"]`)
	b.until(patience, "the running page", `location.pathname.endsWith("/run") && window.gradus && window.gradus.mode === "pen"`)
	return strings.Split(b.path(), "/")[2]
}

// dueByHand is a moment at which the examiner has something to press, to read or to ask.
const dueByHand = `(gradus.view.phase === "closed" || document.querySelector(".acts button.main") || gradus.view.next.do === "read" && ["heart_rate", "rpe"].includes(gradus.view.next.what) && gradus.view.left_ms < 2000)`

// ridden runs the test without a sensor: readings are typed, exertion is pointed at, what is due is pressed.
func (p patient) ridden(b *tab) {
	b.t.Helper()
	read, stages := map[string]int{}, []string{}
	for range 90 {
		b.rideTo(50, "something to do", dueByHand)
		s := b.state()
		if len(stages) == 0 || s.Phase == "riding" && stages[len(stages)-1] != s.Stage {
			stages = append(stages, s.Stage)
		}
		n := min(len(stages), len(p.hr)) - 1
		switch {
		case s.Phase == "closed":
			return
		case s.Do == "read" && s.What == "rpe" && p.rpe != nil:
			b.until(patience, "the card", `!!document.querySelector(".scale") || gradus.view.next.what !== "rpe"`)
			if b.state().What != "rpe" {
				continue // meanwhile something else is due
			}
			b.click(fmt.Sprintf(`.scale button:nth-child(%d)`, p.rpe[min(n, len(p.rpe)-1)]-5))
			b.until(patience, "the exertion is taken", fmt.Sprintf(`gradus.view.next_id.n > %d`, s.Next))
		case s.Do == "read" && s.What == "rpe":
			b.rideTo(50, "past the exertion", `gradus.view.next.what !== "rpe"`)
		case s.Do == "read" && s.What == "heart_rate" && s.Phase == "riding":
			hr := p.hr[n][min(read[s.Stage], 1)]
			read[s.Stage]++
			b.enterByKeys(hr, true)
		case s.Do == "read" && s.What == "heart_rate" && s.Button == "":
			b.enterByKeys(p.after, true)
		case s.Button != "":
			b.click(due)
			b.until(patience, "the page goes on after "+s.Button, fmt.Sprintf(`(() => { const v = gradus.view; return v.phase !== %q || v.next.do !== %q || v.stage !== %q || v.next.confirm !== %s })()`, s.Phase, s.Do, s.Stage, confirmScript(s)))
		}
	}
	b.shot("patient-not-closed")
	b.t.Fatalf("not closed in time: %+v", b.state())
}
