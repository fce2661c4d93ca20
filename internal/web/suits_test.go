package web_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
)

// The page to prepare a test says whether the chosen test fits and why not, sets the level of the machine beside the
// watts, and withholds the estimate where the machine gives no work rate.
func TestPrepareKnowsThePersonAndTheMachine(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("M-1")
	machine := func(name, shows, levels string) {
		t.Helper()
		form := url.Values{"machine_name": {name}, "machine_kind": {"recumbent-stepper"}, "shows": {shows}, "machine_state": {"used"}, "entered_by": {"KL"}, "levels": {levels}}
		if p := w.send("/machines", "/machines", form); p.status != http.StatusOK {
			t.Fatalf("machine: %d %s", p.status, p.text)
		}
	}
	machine("With a table", "levels", "1 90 20\n2 90 30\n3 90 52\n4 90 75\n5 90 104")
	machine("Without one", "levels", "")
	machine("METs alone", "mets", "")
	w.screen(who)

	for _, c := range []struct {
		name  string
		form  url.Values
		want  []string
		lacks []string
	}{
		{"nothing asked", with("do", "plan"), []string{"Does this test fit?", "Not everything was asked:", "not asked: "}, []string{"There will be no estimate"}},
		{"a table", with("do", "plan", "machine_id", "With a table", "machine_shows", "levels", "target_cadence_per_min", "90"),
			[]string{"Begin with 30 W (level 2).", "75\u2009W (level 4)", "50\u2009W (nearest: level 3, 52 W)", "100\u2009W (nearest: level 5, 104 W)"}, []string{"There will be no estimate"}},
		{"a cadence outside the table", with("do", "plan", "machine_id", "With a table", "machine_shows", "levels", "target_cadence_per_min", "60"),
			[]string{"75\u2009W (the machine&#39;s table says nothing for this cadence)"}, nil},
		{"no table", with("do", "plan", "machine_id", "Without one", "machine_shows", "levels"), []string{"There will be no estimate: this machine shows levels, and its table of work rates is not entered"}, nil},
		{"METs", with("do", "plan", "machine_id", "METs alone", "machine_shows", "mets"), []string{"There will be no estimate: this machine shows METs alone"}, nil},
		{"not in the record", with("do", "plan", "machine_id", "Borrowed", "machine_shows", "levels"), []string{"is not in the record: enter it with its table"}, []string{"There will be no estimate"}},
		{"a course", with("do", "plan", "protocol", "six-minute-walk"), []string{"is there a straight course of "}, nil},
	} {
		p := w.send(who+"/new", who+"/new", c.form)
		says(t, c.name, p, c.want...)
		for _, no := range c.lacks {
			lacks(t, c.name, p, no)
		}
	}

	// What is withheld at the start is withheld in the result, with the reason.
	id := w.driven(who, with("machine_id", "Without one", "machine_shows", "levels"))
	p := w.get("/tests/" + id)
	says(t, "result", p, "There is no estimate:", "the machine shows levels, and the site has no table of their work rates")
	lacks(t, "result", p, `<strong class="number">`)

	// What was asked at the visit is known on the page.
	visit := w.get("/tests/" + id).text
	at := href.FindStringSubmatch(visit[strings.Index(visit, `href="/visits/`):])[1]
	which := url.Values{"can_mobility": {"none"}, "can_balance": {"none"}, "can_trunk": {"none"}, "can_hand": {"none"}, "can_language": {"none"}, "machines_here": {"none"}, "by": {"KL"}}
	if p := w.send(at+"/which", at+"/which", which); p.status != http.StatusOK {
		t.Fatalf("which: %d %s", p.status, p.text)
	}
	says(t, "asked", w.get(who+"/new"), "needs: ", at+"/which")
}
