package e2e

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

func contains(text, part string) bool { return strings.Contains(text, part) }

func (b *tab) key(keys string) {
	b.t.Helper()
	b.do(chromedp.KeyEvent(keys))
}

// tabTo moves the focus with the tabulator key alone until a condition on the focused element holds.
func (b *tab) tabTo(what, condition string) {
	b.t.Helper()
	for range 120 {
		if eval[bool](b, `(() => { const e = document.activeElement; return !!(`+condition+`) })()`) {
			visible := eval[bool](b, `(() => { const e = document.activeElement, s = getComputedStyle(e); return e.matches(":focus-visible") && s.outlineStyle !== "none" && parseFloat(s.outlineWidth) >= 2 })()`)
			if !visible {
				b.t.Errorf("the focus on %s cannot be seen", what)
			}
			return
		}
		b.key(kb.Tab)
	}
	b.t.Fatalf("the keyboard does not reach %s", what)
}

const (
	onMain = `e.matches(".acts button.main")`
)

// The keyboard alone runs a test, with single keys and without them.
func TestKeyboardAlone(t *testing.T) {
	for _, single := range []bool{true, false} {
		t.Run(fmt.Sprintf("single keys %v", single), func(t *testing.T) {
			s := serve(t, "serve", "--data", filepath.Join(t.TempDir(), "data"))
			b := browser(t, 1366, 768)
			ownPerson(b, s)
			eval[bool](b, fmt.Sprintf(`(gradus.watcher.prompts.set("keys", %v), document.activeElement.blur(), true)`, single))
			byKeyboard(b, single)
			b.quiet()
		})
	}
}

// heartRates are what the examiner types, stage by stage: row 2, then the planned end in stage 3.
var heartRates = map[string][]int{"stage 1": {84, 86}, "stage 2": {118, 120}, "stage 3": {139, 140}}

// asked is a moment at which the examiner has something to do.
const asked = `(gradus.view.phase === "closed" || document.querySelector(".acts button.main") || gradus.view.next.do === "read" && gradus.view.next.what === "heart_rate" && gradus.view.left_ms < 2000)`

func byKeyboard(b *tab, single bool) {
	b.t.Helper()
	read := map[string]int{}
	mistaken := false
	for range 60 {
		b.rideTo(40, "something to do", asked)
		s := b.state()
		switch {
		case s.Phase == "closed":
			if !mistaken {
				b.t.Error("the stop by mistake was never tried")
			}
			if !eval[bool](b, `!!document.querySelector(".result .estimate")`) {
				b.t.Error("no result is shown")
			}
			return
		case s.Stage == "stage 2" && s.Phase == "riding" && !mistaken:
			mistaken = true
			b.stopByMistake(single)
		case s.Do == "read" && s.What == "heart_rate" && s.Phase == "riding":
			hr := heartRates[s.Stage][min(read[s.Stage], 1)]
			read[s.Stage]++
			b.enterByKeys(hr, single)
		case s.Do == "read" && s.What == "heart_rate" && s.Button == "":
			b.enterByKeys(84, single)
		case s.Button != "":
			if single {
				b.key(kb.Enter)
			} else {
				b.tabTo("the act that is due", onMain)
				b.key(kb.Enter)
			}
			b.until(patience, "the page goes on after "+s.Button, fmt.Sprintf(`(() => { const v = gradus.view; return v.phase !== %q || v.next.do !== %q || v.stage !== %q || v.next.confirm !== %s })()`, s.Phase, s.Do, s.Stage, confirmScript(s)))
		}
	}
	b.t.Fatalf("not closed in time: %+v", b.state())
}

func (b *tab) enterByKeys(hr int, single bool) {
	b.t.Helper()
	before := b.state().Next
	if single {
		b.key(fmt.Sprint(hr))
		b.until(patience, "the digits stand", fmt.Sprintf(`document.querySelector(".typed .number").innerText === "%d"`, hr))
		b.key(kb.Enter)
	} else {
		for _, d := range fmt.Sprint(hr) {
			b.tabTo("a digit", fmt.Sprintf(`e.matches(".key") && e.innerText === "%c"`, d))
			b.key(" ")
		}
		b.tabTo("enter", `e.matches(".digits .enter")`)
		b.key(kb.Enter)
	}
	b.until(patience, "the reading is taken", fmt.Sprintf(`gradus.view.next_id.n > %d`, before))
}

// stopByMistake stops with the keyboard and goes on within the ten seconds.
func (b *tab) stopByMistake(single bool) {
	b.t.Helper()
	if single {
		b.key("s")
	} else {
		b.tabTo("STOP", `e.matches(".bar .stop")`)
		b.key(kb.Enter)
	}
	b.until(patience, "stopped", `gradus.view.phase === "stopped"`)
	b.tabTo("it was a mistake", `e.matches(".acts button") && e.innerText.includes("mistake")`)
	b.key(kb.Enter)
	b.until(patience, "the test goes on", `gradus.view.phase === "riding"`)
}
