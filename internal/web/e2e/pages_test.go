package e2e

import (
	"fmt"
	"testing"

	"github.com/chromedp/chromedp"
)

// The pages that the server writes hold the same rules, on a phone and on a laptop, and in print they fit.
func TestServerPages(t *testing.T) {
	s := serve(t, "demo", "--speed", "60")
	first := browser(t, 768, 1024)
	test := first.prepare(s, 3)
	ride(first, false)
	first.until(patience, "everything is acknowledged", `gradus.undelivered() === 0`)
	pages := map[string]string{"visit": "/visits/2", "fit": "/visits/1/fit", "rest": "/visits/1/rest", "card": "/visits/2/card", "merge": "/people/1/merge?with=2", "machines": "/machines", "machine": "/machines/1",
		"today": "/", "people": "/people", "person": "/people/3", "prepare": "/people/1/new", "result": "/tests/" + test, "sheet": "/tests/" + test + "/sheet"}
	for _, size := range [][2]int64{{390, 844}, {1366, 768}} {
		b := first.another(size[0], size[1])
		for name, path := range pages {
			where := fmt.Sprintf("%s-%d", name, size[0])
			b.visit(s.address + path)
			b.look(where)
			if got := eval[string](b, `getComputedStyle(document.body).fontFamily`); !contains(got, "Atkinson") {
				t.Errorf("%s: the style is missing, the font is %s", where, got)
			}
			eval[bool](b, `[...document.querySelectorAll("details")].every((d) => { d.open = true; return true })`)
			b.do(chromedp.ScrollIntoView(chromedp.CSS("footer.bottom, main")))
			b.axe(where + " opened")
		}
		b.quiet()
	}
}

// The papers of a test: the page that makes them, and each as a page of its own, which is the accessible version.
func TestPapers(t *testing.T) {
	s := serve(t, "demo", "--speed", "60")
	first := browser(t, 768, 1024)
	test := first.prepare(s, 3)
	ride(first, false)
	first.until(patience, "everything is acknowledged", `gradus.undelivered() === 0`)
	for _, size := range [][2]int64{{390, 844}, {1366, 768}} {
		b := first.another(size[0], size[1])
		for name, path := range map[string]string{"papers": "/tests/" + test + "/papers", "log": "/people/3/log", "plan": "/tests/" + test + "/plan", "over-time": "/people/3/over-time"} {
			b.visit(s.address + path)
			b.look(fmt.Sprintf("%s-%d", name, size[0]))
		}
		for _, kind := range []string{"note", "letter", "plan", "sheet"} {
			where := fmt.Sprintf("paper-%s-%d", kind, size[0])
			b.visit(s.address + "/tests/" + test + "/papers/" + kind)
			b.axe(where)
			b.shot(where)
			if wide := eval[float64](b, `document.documentElement.scrollWidth`); wide > float64(size[0]) {
				t.Errorf("%s: %g px wide on %d", where, wide, size[0])
			}
		}
		b.quiet()
	}
}

// The seated rest counts down by itself.
func TestSeatedRest(t *testing.T) {
	s := serve(t, "demo")
	b := browser(t, 768, 1024)
	b.visit(s.address + "/visits/1/rest")
	b.click(`button[value="sit"]`)
	b.until(patience, "the countdown has begun", `document.querySelector("[data-left-ms]") !== null`)
	b.until(patience, "it counts", `/^4:([0-4][0-9]|5[0-8]) left\.$/.test(document.querySelector("[data-left-ms]").textContent)`)
	b.quiet()
}
