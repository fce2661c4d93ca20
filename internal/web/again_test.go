package web_test

import (
	"strings"
	"testing"
	"time"
)

// Where a plan lets a test be repeated, the result leads to the second one, and of two says which is reported.
func TestSecondTestOfTheDay(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("W-1")
	form := func(course string) string {
		return w.driven(who, with("protocol", "six-minute-walk", "course_length_m", course))
	}
	first := form("50")
	says(t, "one", w.get("/tests/"+first), "A second test may be done 30:00 after this one", "of the two the longer is reported", who+"/new?protocol=six-minute-walk")
	b.clock.pass(10 * time.Minute)
	second := form("30")
	for _, id := range []string{first, second} {
		p := w.get("/tests/" + id)
		says(t, id, p, "Tests by this plan today", "is reported", "the protocol leaves 30:00 between them")
		list := p.text[strings.Index(p.text, `<ol class="again">`):]
		list = list[:strings.Index(list, "</ol>")]
		for i, line := range strings.Split(list, "</li>")[:2] {
			if this := strings.Contains(line, "this page"); this != (id == []string{first, second}[i]) {
				t.Errorf("line %d of %s: %s", i, id, line)
			}
			if reported := strings.Contains(line, "is reported"); reported != (i == longer(t, list)) {
				t.Errorf("line %d: %s", i, line)
			}
		}
		lacks(t, id, p, "A second test may be done")
	}
}

// longer reads which of two lines has more metres.
func longer(t *testing.T, list string) int {
	t.Helper()
	var m [2]string
	for i, line := range strings.Split(list, "</li>")[:2] {
		_, after, _ := strings.Cut(line, ": ")
		m[i], _, _ = strings.Cut(after, "\u2009m")
	}
	if len(m[0]) != len(m[1]) || m[0] == m[1] {
		t.Fatalf("the two cannot be told apart: %q", m)
	}
	if m[0] > m[1] {
		return 0
	}
	return 1
}
