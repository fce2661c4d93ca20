package e2e

import (
	"fmt"
	"testing"
	"time"
)

// due is the button of what is due, and the button that starts a number of the exertion card.
const (
	due     = `.acts button.main`
	cardKey = `.scale button:nth-child(6)` // 11
)

// ride follows the instructions to the closed test by pressing what is due, and counts the taps. With exertion it
// answers the card each time it is asked.
func ride(b *tab, exertion bool, each func(state)) (taps int) {
	b.t.Helper()
	press := func(selector string) {
		b.click(selector)
		taps++
	}
	end := time.Now().Add(4 * time.Minute)
	for time.Now().Before(end) {
		s := b.state()
		if s.Mode == "failed" || s.Failure != "" {
			b.t.Fatalf("the page failed: %s", s.Failure)
		}
		if each != nil {
			each(s)
		}
		switch {
		case s.Phase == "closed":
			return taps
		case exertion && s.Do == "read" && s.What == "rpe":
			asked := eval[int](b, `window.gradus.view.minutes.filter((m) => m.rpe > 0).length`)
			press(cardKey)
			b.until(patience, "the exertion is taken", fmt.Sprintf(`window.gradus.view.minutes.filter((m) => m.rpe > 0).length > %d`, asked))
		case s.Button != "" && (s.Do != "read" || s.Left < -10_000):
			b.t.Logf("%3.0f s  %s -> %s", s.Now/1000, s.Say, s.Button)
			press(due)
			b.until(patience, "the page goes on after "+s.Button, fmt.Sprintf(`(() => { const v = window.gradus.view; return v.phase !== %q || v.next.do !== %q || v.stage !== %q || v.next.confirm !== %s })()`,
				s.Phase, s.Do, s.Stage, confirmScript(s)))
		}
		time.Sleep(20 * time.Millisecond)
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
			taps := ride(b, c.exertion, nil)
			b.until(patience, "everything is acknowledged", `window.gradus.undelivered() === 0`)
			if !eval[bool](b, `!!document.querySelector(".result .estimate")`) {
				t.Fatal("the page shows no result")
			}
			fmt.Printf("taps from begin to result, %s: %d (at most %d)\n", c.name, taps, c.most)
			if taps > c.most {
				t.Errorf("%d taps, at most %d", taps, c.most)
			}
			b.shot("result-" + fmt.Sprint(c.person))
			b.visit(s.address + "/tests/" + test)
			if got := eval[string](b, `document.querySelector("main h1, main h2").innerText`); got == "" {
				t.Error("the page of the result is empty")
			}
			b.quiet()
		})
	}
}
