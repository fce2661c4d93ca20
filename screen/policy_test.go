package screen

import (
	"strings"
	"testing"
)

const head = "format: gradus-screening-policy/1\nauthor: Demo Author, invented\ndate: 2026-11-01\n"

func policy(t *testing.T, text string) *Site {
	t.Helper()
	site, errs := ReadPolicy("p.yaml", []byte(head+text))
	if len(errs) > 0 {
		t.Fatal(errs)
	}
	return site
}

func TestPolicyStricterFreely(t *testing.T) {
	site := policy(t, "rules:\n  - {rule: rest.sbp.ask, above: 160}\n  - {rule: screening.B3, does: do not test, lift: physician}\nrequire: [spo2_percent, questionnaire]\nclearance_months: 12\n")
	a := well()
	a.RestSBPmmHg, a.SpO2Percent = num(165), nil
	r := site.Judge(&a)
	if r.Outcome != PauseAndAsk || !has(r, "rest.sbp.ask") || !has(r, "missing.spo2_percent") || !has(r, "missing.questionnaire") {
		t.Errorf("%s %v", r.Outcome, ids(r))
	}
	if r.Policy == nil || r.Policy.Author != "Demo Author, invented" || len(r.Policy.Looser) != 0 {
		t.Errorf("policy %+v", r.Policy)
	}
	if text := reasonOf(t, r, "rest.sbp.ask").Text; !strings.Contains(text, "site policy: above 160") {
		t.Errorf("text %q", text)
	}
	a = well()
	a.RegularExercise, a.Symptoms = "yes", []string{"palpitations"}
	if r := site.Judge(&a); !has(r, "screening.B3") || r.Outcome != DoNotTest {
		t.Errorf("B3: %s", r.Outcome)
	}
	a.RegularExercise = ""
	if r := site.Judge(&a); r.Outcome != DoNotTest {
		t.Errorf("B3 possible, activity not answered: %s", r.Outcome)
	}
}

func TestPolicyLooserIsShown(t *testing.T) {
	site := policy(t, "choices:\n  - {choice: diastolic-limit, option: ats-120, reason: the chest service's rule}\n")
	a := well()
	a.RestDBPmmHg = num(115)
	r := site.Judge(&a)
	if r.Outcome != PauseAndAsk {
		t.Errorf("115 diastolic under the chest list: %s %v", r.Outcome, ids(r))
	}
	if len(r.Policy.Looser) != 1 || !strings.Contains(r.Policy.Looser[0], "above 120 instead of above 110. Reason: the chest service's rule") {
		t.Errorf("looser: %v", r.Policy.Looser)
	}
	well := well()
	if r := site.Judge(&well); len(r.Policy.Looser) != 1 {
		t.Error("a result that the looser limit does not touch must show it too")
	}
}

// TestEveryChoice: each side of each disagreement can be chosen, alone, with a reason.
func TestEveryChoice(t *testing.T) {
	for _, c := range Shipped().Choices {
		for i, o := range c.Options {
			site := policy(t, "choices:\n  - {choice: "+c.ID+", option: "+o.ID+", reason: tried}\n")
			if looser := len(site.applied.Looser); i == 0 && looser > 0 {
				t.Errorf("%s: the default is looser than itself", c.ID)
			}
		}
	}
}

func TestChoicesChange(t *testing.T) {
	for _, c := range []struct {
		choice, option string
		change         func(a *Answers)
		want           Outcome
	}{
		{"heart-attack-days", "aha", func(a *Answers) { a.DaysSinceHeartAttack = num(4) }, DoNotTest},
		{"pressure-comparator", "at-or-above", func(a *Answers) { a.RestSBPmmHg = num(200) }, DoNotTest},
		{"pulse-comparator", "at-or-above", func(a *Answers) { a.RestHRBPM = num(100) }, PauseAndAsk},
		{"saturation-comparator", "below", func(a *Answers) { a.SpO2Percent = num(85) }, PauseAndAsk},
		{"disability", "relative", func(a *Answers) { a.Contraindications = []string{"disability_unsafe"} }, PauseAndAsk},
		{"cooperation", "relative", func(a *Answers) { a.Contraindications = []string{"cannot_cooperate"} }, PauseAndAsk},
		{"diabetes-clearance", "ada-2016", func(a *Answers) { a.KnownDisease = []string{"diabetes_type_2"} }, Go},
		{"diabetes-clearance", "ada-2016", func(a *Answers) { a.KnownDisease = []string{"diabetes_type_2", "heart"} }, PauseAndAsk},
		{"diabetes-clearance", "ada-2016", func(a *Answers) { a.KnownDisease, a.IntendedIntensity = []string{"diabetes_type_2"}, "vigorous" }, PauseAndAsk},
		{"glucose-type-1", "below-90", func(a *Answers) {
			a.RegularExercise, a.KnownDisease, a.GlucoseMgDL = "yes", []string{"diabetes_type_1"}, num(95)
		}, Go},
		{"ketones", "moderate", func(a *Answers) { a.GlucoseMgDL, a.Ketones = num(260), "small" }, GoWithCautions},
		{"inr", "pocket-guide", func(a *Answers) { a.INR = num(3.5) }, DoNotTest},
		{"inr", "no-limit", func(a *Answers) { a.INR = num(6) }, GoWithCautions},
		{"pressure-with-heart-disease", "session-180-110", func(a *Answers) {
			a.RegularExercise, a.KnownDisease, a.RestSBPmmHg = "yes", []string{"heart"}, num(185)
		}, DoNotTest},
		{"pressure-with-heart-disease", "diastolic-110", func(a *Answers) {
			a.RegularExercise, a.KnownDisease, a.RestDBPmmHg = "yes", []string{"heart"}, num(110)
		}, Go},
	} {
		a := well()
		c.change(&a)
		if r := policy(t, "choices:\n  - {choice: "+c.choice+", option: "+c.option+", reason: tried}\n").Judge(&a); r.Outcome != c.want {
			t.Errorf("%s %s: %s, want %s (%v)", c.choice, c.option, r.Outcome, c.want, ids(r))
		}
	}
}

func TestPolicyRefuses(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"author: A\ndate: 2026-11-01\n", "format"},
		{"format: gradus-screening-policy/1\ndate: 2026-11-01\n", "author is wanting"},
		{"format: gradus-screening-policy/1\nauthor: A\ndate: yesterday\n", "p.yaml:3:7: date \"yesterday\" is not a date"},
		{head + "rules:\n  - {rule: rest.sbp.ask, above: 190}\n", "p.yaml:5:6: rules[0] loosens rest.sbp.ask (above 190 instead of above 180) without a reason; add reason: why"},
		{head + "rules:\n  - {rule: rest.sbp.ask, below: 190, reason: r}\n", "another kind of limit"},
		{head + "rules:\n  - {rule: rest.sbp.aks, above: 160}\n", "\"rest.sbp.aks\" is not known"},
		{head + "rules:\n  - {rule: consent.refused, does: go, reason: r}\n", "which nobody may"},
		{head + "rules:\n  - {rule: contra.unstable_angina, does: pause and ask, reason: r}\n", "an absolute stop"},
		{head + "rules:\n  - {rule: contra.unstable_angina, lift: clinician, reason: r}\n", "an absolute stop"},
		{head + "rules:\n  - {rule: missing.rest_sbp_mmhg, does: go}\n", "without a reason"},
		{head + "rules:\n  - {rule: rest.sbp.ask, does: never}\n", "outcome \"never\" is not known"},
		{head + "choices:\n  - {choice: diastolic-limit, option: ats-120}\n", "without a reason"},
		{head + "choices:\n  - {choice: diastolic-limit, option: who, reason: r}\n", "write aha-110, ats-120"},
		{head + "choices:\n  - {choice: systolic, option: who, reason: r}\n", "\"systolic\" is not known"},
		{head + "require: [shoe_size]\n", "\"shoe_size\" is no field"},
		{head + "clearance_months: 500\n", "from 0 to 120"},
		{head + "limits: 3\n", "unknown key limits"},
	} {
		_, errs := ReadPolicy("p.yaml", []byte(c.text))
		if len(errs) == 0 {
			t.Errorf("%s: was taken", c.text)
			continue
		}
		if !strings.Contains(errs[0].Error(), c.want) {
			t.Errorf("%s\n got %v\nwant %s", c.text, errs[0], c.want)
		}
	}
}

func FuzzReadPolicy(f *testing.F) {
	f.Add(head + "rules:\n  - {rule: rest.sbp.ask, above: 160}\n")
	f.Add(head + "choices:\n  - {choice: inr, option: no-limit, reason: r}\n")
	f.Fuzz(func(t *testing.T, text string) {
		site, errs := ReadPolicy("f.yaml", []byte(text))
		if (site == nil) == (len(errs) == 0) {
			t.Fatal("neither a site nor an error")
		}
	})
}
