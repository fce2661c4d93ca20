package e2e

import (
	"fmt"
	"strings"
	"testing"
)

// due is the button of what is due, and the button that starts a number of the exertion card.
const (
	due     = `.acts button.main`
	cardKey = `.scale button:nth-child(6)` // 11

	rpeCount = `window.gradus.view.minutes.filter((m) => m.rpe > 0).length`
)

// toPress is a moment at which there is something to press: what is due, or, with exertion, the card.
const toPress = `(gradus.view.phase === "closed" || gradus.mode === "failed" || %v && gradus.view.next.do === "read" && gradus.view.next.what === "rpe" ||
 document.querySelector(".acts button.main") && (gradus.view.next.do !== "read" || gradus.view.left_ms < -10000))`

// ride follows the instructions to the closed test by pressing what is due, and counts the taps. With exertion it
// answers the card each time it is asked.
func ride(b *tab, exertion bool) (taps int) {
	b.t.Helper()
	press := func(selector string) {
		b.click(selector)
		taps++
	}
	for range 90 {
		b.rideTo(60, "something to press", fmt.Sprintf(toPress, exertion))
		s := b.state()
		switch {
		case s.Mode == "failed" || s.Failure != "":
			b.t.Fatalf("the page failed: %s", s.Failure)
		case s.Phase == "closed":
			return taps
		case exertion && s.Do == "read" && s.What == "rpe":
			asked := eval[int](b, rpeCount)
			b.until(patience, "the card", `!!document.querySelector(".scale")`)
			press(cardKey)
			b.until(patience, "the exertion is taken", fmt.Sprintf(`%s > %d`, rpeCount, asked))
		case s.Button != "":
			b.t.Logf("%3.0f s  %s -> %s", s.Now/1000, s.Say, s.Button)
			press(due)
			b.until(patience, "the page goes on after "+s.Button, fmt.Sprintf(`(() => { const v = window.gradus.view; return v.phase !== %q || v.next.do !== %q || v.stage !== %q || v.next.confirm !== %s })()`,
				s.Phase, s.Do, s.Stage, confirmScript(s)))
		}
	}
	b.shot("not-closed")
	b.t.Fatalf("the test was not closed in time: %+v", b.state())
	return 0
}

// confirmScript is the question of the second confirmation as the page has it, or undefined.
func confirmScript(s state) string {
	if s.Confirm == "" {
		return "undefined"
	}
	return fmt.Sprintf("%q", s.Confirm)
}

// A whole branching test with a strap and nothing unusual needs at most 8 taps from begin to result, 12 with exertion.
func TestTaps(t *testing.T) {
	s := serve(t, "demo", "--speed", "60")
	for _, c := range []struct {
		name     string
		person   int
		exertion bool
		most     int
	}{
		{"heart rate alone", 1, false, 8},
		{"with exertion", 1, true, 12},
		{"a participant who is slow to settle", 2, false, 8},
		{"a fit participant", 3, false, 8},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := browser(t, 768, 1024)
			test := b.prepare(s, c.person)
			eval[bool](b, `(gradus.watcher.prompts.set("speech", true), true)`)
			taps := ride(b, c.exertion)
			b.until(patience, "everything is acknowledged", `window.gradus.undelivered() === 0`)
			if !eval[bool](b, `!!document.querySelector(".result .estimate")`) {
				t.Fatal("the page shows no result")
			}
			figure("taps from begin to result, %s: %d (at most %d)", c.name, taps, c.most)
			if taps > c.most {
				t.Errorf("%d taps, at most %d", taps, c.most)
			}
			b.shot("result-" + fmt.Sprint(c.person))
			prompted(b, c.exertion)
			b.visit(s.address + "/tests/" + test)
			if got := eval[string](b, `document.querySelector("main h1, main h2").innerText`); got == "" {
				t.Error("the page of the result is empty")
			}
			b.quiet()
		})
	}
}

// prompted checks that prompts sounded for readings and loads, and that the spoken ones alarm nobody.
func prompted(b *tab, exertion bool) {
	b.t.Helper()
	sounded := eval[map[string]int](b, `gradus.watcher.prompts.sounded.reduce((n, p) => ({ ...n, [p]: (n[p] || 0) + 1 }), {})`)
	readings := eval[int](b, `gradus.view.dots.filter((d) => d.taken && d.planned).length`)
	stages := eval[int](b, `gradus.view.stairs.length`)
	if sounded["soon"] < readings || sounded["load"] < stages || exertion && sounded["read"] < readings+stages-1 {
		b.t.Errorf("%d readings and %d stages were prompted by %v", readings, stages, sounded)
	}
	spoken := eval[[]string](b, `gradus.watcher.prompts.spoken`)
	if len(spoken) == 0 {
		b.t.Error("nothing was spoken")
	}
	for _, text := range spoken {
		for _, word := range []string{"heart", "rate", "limit", "stop", "pulse"} {
			if contains(strings.ToLower(text), word) {
				b.t.Errorf("spoken to the participant: %q", text)
			}
		}
	}
}
