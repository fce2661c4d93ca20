package e2e

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// pace changes how fast the test's time runs on the page, so that a moment can be looked at.
func (b *tab) pace(speed int) {
	b.t.Helper()
	eval[bool](b, fmt.Sprintf(`(() => { window.stepping = undefined; const c = window.gradus.clock; c.set(c.now()); c.speed = %d; return true })()`, speed))
}

// rideTo lets the test's time run fast until a condition in the page holds, and as a clock does from then on. The page
// lives through one second after the other and draws it before the next comes, two at a time above 60: a busy machine
// rides slower and misses no moment.
func (b *tab) rideTo(speed int, what, condition string) {
	b.t.Helper()
	eval[bool](b, fmt.Sprintf(steps, speed, condition))
	b.until(3*time.Minute, what, "window.held")
}

const steps = `(() => {
 const s = gradus, c = s.clock, speed = %d, step = speed > 60 ? 2 : 1, least = 1000 * step / speed, me = window.stepping = {}
 const wait = (ms) => new Promise((go) => setTimeout(go, ms))
 const drawn = () => new Promise((go) => { requestAnimationFrame(go); setTimeout(go, 200) })
 const holds = () => { try { return %s } catch { return false } }
 window.held = false
 void (async () => {
  await drawn()
  let next = performance.now()
  while (window.stepping === me && !holds()) {
   next = Math.max(next + least, performance.now() - least)
   if (c.running) { c.speed = 1e-6; c.set((Math.floor(c.now() / 1000) + step) * 1000) }
   const behind = () => s.busy || c.running && s.mode === "pen" && s.second < Math.floor(c.now() / 1000)
   for (await s.beat(); behind(); await s.beat()) await wait(1)
   await drawn()
   if (next > performance.now()) await wait(next - performance.now())
  }
  if (window.stepping === me) { c.set(c.now()); c.speed = 1; window.held = true }
 })()
 return true
})()`

// fault is a violation that axe found.
type fault struct {
	ID    string
	Nodes []string
}

// axe looks for what a screen reader or a keyboard would stumble over, by the rules of WCAG 2.2 AA.
func (b *tab) axe(where string) {
	b.t.Helper()
	if !eval[bool](b, `!!window.axe`) {
		script, err := os.ReadFile(filepath.Join(top, "node_modules", "axe-core", "axe.min.js"))
		if err != nil {
			b.t.Fatalf("%v; run npm ci first", err)
		}
		eval[int](b, string(script)+"; 0")
	}
	faults := eval[[]fault](b, `axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"] })
 .then((r) => r.violations.map((v) => ({ ID: v.id + ": " + v.help, Nodes: v.nodes.map((n) => n.html.slice(0, 160) + " | " + (n.failureSummary || "").slice(0, 240)) })))`)
	for _, f := range faults {
		b.t.Errorf("%s: %s\n   %s", where, f.ID, strings.Join(f.Nodes, "\n   "))
	}
}

// small lists targets below 44 px, and STOP below 64 px, that can be seen.
const small = `[...document.querySelectorAll("button, summary, input, textarea, select, .looked a, a.main")].filter((e) => {
 const r = e.getBoundingClientRect(), least = e.classList.contains("stop") ? 64 : 44
 const label = e.closest("label"), box = label ? label.getBoundingClientRect() : r
 return r.width > 0 && (box.height < least - 0.5 || box.width < least - 0.5)
}).map((e) => (e.innerText || e.ariaLabel || e.tagName) + " " + Math.round(e.getBoundingClientRect().width) + "x" + Math.round(e.getBoundingClientRect().height))`

const wide = `document.documentElement.scrollWidth - document.documentElement.clientWidth`

// look checks a page as it stands and takes its picture.
func (b *tab) look(where string) {
	b.t.Helper()
	time.Sleep(350 * time.Millisecond) // a moment for what moves
	b.shot(where)
	b.axe(where)
	if faults := eval[[]string](b, small); len(faults) > 0 {
		b.t.Errorf("%s: targets too small: %s", where, strings.Join(faults, ", "))
	}
	if over := eval[int](b, wide); over > 0 {
		b.t.Errorf("%s: the page is %d px wider than the screen", where, over)
	}
	if eval[bool](b, `!!document.querySelector(".bar .stop")`) && !eval[bool](b, `(() => { const r = document.querySelector(".bar .stop").getBoundingClientRect();
 return r.top >= 0 && r.bottom <= innerHeight && r.left >= 0 && r.right <= innerWidth && document.elementFromPoint((r.left + r.right) / 2, (r.top + r.bottom) / 2).closest(".stop") !== null })()`) {
		b.t.Errorf("%s: STOP cannot be reached without scrolling", where)
	}
}

var looks = []string{"sheet", "limits", "signs", "sensors", "prompts", "log", "screens"}

// Every state of the running page holds the rules of accessibility on a tablet, a laptop and a phone; on the
// smallest screen, with large text and on dark paper too.
func TestStates(t *testing.T) {
	s := serve(t, "demo", "--speed", "60")
	for _, c := range []struct {
		name          string
		width, height int64
		flags         []string
		before        string
	}{
		{"tablet", 768, 1024, nil, ""},
		{"laptop", 1366, 768, nil, ""},
		{"phone", 390, 844, nil, ""},
		{"narrow", 320, 640, nil, ""},
		{"dark", 768, 1024, nil, `localStorage.setItem("gradus-prompts", '{"dark":"dark"}')`},
		{"large-text", 768, 1024, nil, `document.documentElement.style.fontSize = "200%"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := browser(t, c.width, c.height, c.flags...)
			if c.name == "dark" {
				b.visit(s.address + "/")
				eval[bool](b, c.before+", true")
			}
			b.prepare(s, 1)
			if c.name == "large-text" {
				eval[string](b, c.before)
			}
			walkStates(b, c.name, c.name == "tablet" || c.name == "phone")
			b.quiet()
		})
	}
}

func walkStates(b *tab, name string, all bool) {
	at := func(what, condition string) {
		b.t.Helper()
		b.rideTo(60, what, condition)
		b.look(name + "-" + what)
	}
	at("1-ready", `true`)
	b.click(due)
	at("2-riding", `gradus.view.stage_ms > 75000`)
	at("3-read", `gradus.view.next.do === "read" && gradus.view.left_ms < 8000`)
	at("4-taken", `!!document.querySelector(".taken-note")`)
	if all {
		for _, l := range looks {
			b.click(fmt.Sprintf(`.looks button:nth-child(%d)`, index(looks, l)+1))
			b.do(chromedp.ScrollIntoView(chromedp.CSS(`#looked`)))
			b.look(name + "-look-" + l)
		}
		b.click(`.looks button[aria-expanded="true"]`)
		for i, tabName := range []string{"heart", "exertion", "pressure", "spo2", "cadence", "symptom", "note"} {
			b.click(fmt.Sprintf(`.pad .tabs button:nth-child(%d)`, i+1))
			b.look(name + "-pad-" + tabName)
		}
		b.click(`.pad .tabs button:nth-child(1)`)
		eval[bool](b, `(gradus.error = "heart_rate 412 is not between 25 and 250", gradus.hint = "check the entry", gradus.changedNow(), true)`)
		b.look(name + "-refused")
		eval[bool](b, `(gradus.error = "", gradus.hint = "", gradus.changedNow(), true)`)
	}
	at("5-set", `gradus.view.next.do === "set-work"`)
	b.click(due)
	at("6-second", `gradus.view.stage === "stage 2" && gradus.view.stage_ms > 30000`)
	b.click(`.bar .stop`)
	b.until(patience, "stopped", `gradus.view.phase === "stopped" && !!document.querySelector(".reasons")`)
	b.look(name + "-7-stopped")
	b.click(`.reasons .others button`)
	b.until(patience, "the reason", `!document.querySelector(".reasons")`)
	b.look(name + "-8-end")
	b.click(due)
	at("9-cooling", `gradus.view.phase === "cool-down" && gradus.view.stop_ms > 20000`)
	at("10-seated", `gradus.view.phase === "cool-down" && gradus.view.next.do === "recover"`)
	b.click(due)
	at("11-recovery", `gradus.view.phase === "recovery"`)
	at("12-close", `gradus.view.next.do === "close"`)
	b.click(due)
	at("13-closed", `gradus.view.phase === "closed"`)
}

func index(list []string, what string) int {
	for i, v := range list {
		if v == what {
			return i
		}
	}
	return -1
}
