package e2e

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

// driver follows the instructions of the page by pressing what it shows: buttons, the card, the keypad, laps. It knows no
// protocol.
const driver = `(() => {
 const seen = new Set(); window.walk = { parts: seen, laps: 0, said: new Set(), beeps: 0, counted: 0 }
 const press = (sel) => { const e = document.querySelector(sel); if (e && !e.disabled) { e.click(); return true } }
 const type = (n) => { for (const d of String(n)) [...document.querySelectorAll(".keys .key")].find((k) => k.innerText === d).click(); setTimeout(() => press(".digits .enter.ready"), 20) }
 let last = 0, lapAt = 0
 clearInterval(window.walking)
 window.walking = setInterval(() => {
  const v = gradus.view, now = performance.now()
  if (v.phase === "closed") return clearInterval(window.walking)
  if (v.next.cue) walk.said.add(v.next.cue)
  walk.beeps = gradus.watcher.prompts.beeped.length
  if (v.stage) seen.add(v.stage + " " + v.load)
  if (v.phase === "riding" && document.querySelector(".lap") && v.now_ms - lapAt >= v.ground.course_m * 800) { lapAt = v.now_ms; walk.laps++; press(".lap"); return }
  if (now - last < 60) return
  last = now
  if (v.next.do === "read" && v.phase === "riding") {
   const tab = document.querySelector(".tab[aria-pressed=true]")?.innerText ?? ""
   if (v.next.what === "heart_rate") { if (v.left_ms < -4000 && v.reading?.count) { walk.counted++; type(96) } else if (v.left_ms < -4000) type(104); return }
   if (v.next.what === "rpe") { press(".scale button:nth-child(6)"); return }
   if (v.next.what === "distance" && v.left_ms > 0) return
   const name = { spo2: "SpO", breathlessness: "Breath", distance: "Distance", cadence: "Cadence", blood_pressure: "Pressure" }[v.next.what]
   if (name && !tab.includes(name)) { [...document.querySelectorAll(".pad .tab")].find((t) => t.innerText.includes(name)).click(); return }
   if (document.querySelector(".typed") && !document.querySelector(".typed .number").innerText.match(/\d/)) type({ spo2: 97, breathlessness: 3, distance: 12, cadence: 60, work_rate: v.work, blood_pressure: 14280 }[v.next.what])
   return
  }
  if (v.phase === "stopped" && document.querySelector(".reasons")) { press(".reasons > .quiet"); return }
  if (["begin", "set-work", "end", "recover", "close", "ask-physician", "lower-work", "decide", "stop"].includes(v.next.do) && (v.next.do !== "recover" || v.phase === "cool-down")) press(".acts .main") || press(".acts button")
 }, 30)
 return true })()`

// One test of each family runs in the browser to its result, with the invented participant and no code that knows the
// test.
func TestFamilies(t *testing.T) {
	s := serve(t, "demo", "--speed", "60")
	for _, c := range []struct {
		id, shows string
		pace      int    // of the test's time; laps are taps, and two taps within 0.7 s are a slip of the finger
		check     string // what must have happened
	}{
		{"branching-cycle", "W", 100, `walk.parts.size >= 2`},
		{"single-stage-cycle", "W", 100, `walk.parts.size >= 1`},
		{"bruce", "km/h", 100, `[...walk.parts].some((p) => p.includes("%"))`},
		{"six-minute-walk", "m", 25, `walk.laps > 5 && walk.said.size >= 5 && gradus.view.ground.distance_m > 200`},
		{"incremental-shuttle-walk", "m", 100, `walk.beeps > 20 && gradus.view.ground.distance_m > 100`},
		{"three-minute-step", "steps/min", 100, `walk.beeps > 50 && gradus.view.minutes.some((m) => m.hr > 0)`},
		{"arm-ergometer-multistage", "W", 100, `walk.parts.size >= 1`},
		{"no-exercise", "", 100, `gradus.view.minutes.some((m) => m.hr > 0)`},
	} {
		t.Run(c.id, func(t *testing.T) {
			b := browser(t, 768, 1024)
			b.visit(s.address + "/people/1/new?protocol=" + c.id)
			b.axe(c.id + " prepare")
			b.click(`button[value="begin"]`)
			b.until(patience, "the running page", `location.pathname.endsWith("/run") && window.gradus && window.gradus.mode === "pen"`)
			test := strings.Split(b.path(), "/")[2]
			started := time.Now()
			eval[bool](b, driver)
			b.rideTo(c.pace, "the middle of the test", `gradus.view.phase === "closed" || gradus.view.phase === "riding" && gradus.view.now_ms > 100000`)
			b.look("family-" + c.id)
			b.rideTo(c.pace, "the end of the exercise", `!["ready", "riding"].includes(gradus.view.phase)`)
			b.rideTo(100, "the closed test", `gradus.view.phase === "closed"`)
			if !eval[bool](b, c.check) {
				t.Errorf("not as planned: %s", eval[string](b, `JSON.stringify({ parts: [...walk.parts], laps: walk.laps, said: [...walk.said], beeps: walk.beeps, ground: gradus.view.ground })`))
			}
			b.until(patience, "everything is acknowledged", `gradus.undelivered() === 0`)
			figure("%s: run to its result in %.0f s", c.id, time.Since(started).Seconds())
			b.visit(s.address + "/tests/" + test)
			text := eval[string](b, `document.querySelector("main").innerText`)
			if !contains(text, c.shows) {
				t.Errorf("the result does not say %q", c.shows)
			}
			b.look("family-result-" + c.id)
			b.quiet()
		})
	}
}

// A protocol of one's own: written from a shipped one, checked while typing, tried, kept, offered, and never changed again.
func TestOwnProtocol(t *testing.T) {
	s := serve(t, "demo", "--speed", "60")
	b := browser(t, 1366, 768)
	for _, page := range []string{"/protocols", "/protocols/bruce", "/protocols/six-minute-walk/try?person=1", "/protocols/six-minute-walk/edit"} {
		b.visit(s.address + page)
		b.look("protocols" + strings.NewReplacer("/", "-", "?", "-", "=", "").Replace(page))
	}
	b.until(patience, "the stairs are drawn", `document.querySelector("#stairs svg")`)
	change := func(from, to string) {
		eval[bool](b, fmt.Sprintf(`(() => { const e = document.querySelector("#text"); e.value = e.value.replace(%q, %q); e.dispatchEvent(new Event("input")); return true })()`, from, to))
	}
	change(`lasts: "6:00"`, `lasts: "6 minutes"`)
	b.until(patience, "the fault has its line", `/\d+:\d+ .*lasts/.test(document.querySelector(".faults-by-line")?.innerText ?? "")`)
	change(`lasts: "6 minutes"`, `lasts: "6:00"`)
	b.until(patience, "the fault is gone", `!document.querySelector(".faults-by-line") && document.querySelector("#told p")`)
	b.click(`button[value="save"]`)
	b.until(patience, "a shipped one does not change", `document.querySelector("#told")?.innerText.includes("does not change")`)
	change("id: six-minute-walk", "id: our-walk")
	b.click(`button[value="try"]`)
	b.until(patience, "the dry run", `document.querySelector("#stairs .lead")?.innerText.includes("Distance")`)
	b.click(`button[value="save"]`)
	b.until(patience, "it is kept", `location.pathname === "/protocols/our-walk" && document.querySelector(".done")`)
	b.visit(s.address + "/people/1/new?protocol=our-walk")
	if eval[string](b, `document.querySelector("#protocol").value`) != "our-walk" {
		t.Error("the page to prepare a test does not offer it")
	}
	b.visit(s.address + "/protocols/our-walk/edit")
	change("title: Six", "title: Our six")
	b.click(`button[value="save"]`)
	b.until(patience, "a kept version does not change", `document.querySelector("#told")?.innerText.includes("Raise the version")`)
	b.quiet()
}
