package e2e

import (
	"context"
	"encoding/json"
	"fmt"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// begin starts a test and rides to a moment of the first stage.
func begin(b *tab, s *server, person int, stageMs int) (test string) {
	b.t.Helper()
	test = b.prepare(s, person)
	speed := eval[float64](b, `gradus.clock.speed`)
	b.click(due)
	b.rideTo(int(speed), fmt.Sprintf("%d s of stage 1", stageMs/1000), fmt.Sprintf(`gradus.view.stage_ms > %d`, stageMs))
	b.pace(int(speed))
	return test
}

// back waits until a page that was reloaded or opened again holds the pen, and says how long that took.
func (b *tab) back(since time.Time) time.Duration {
	b.t.Helper()
	b.until(patience, "the page comes back to the test", `window.gradus && window.gradus.mode === "pen" && document.querySelector(".instruction")`)
	return time.Since(since)
}

// moment is the test time on a page, and when it was asked for and told by the clock of this machine.
type moment struct {
	now           float64
	before, after time.Time
}

func (b *tab) moment() moment {
	b.t.Helper()
	m := moment{before: time.Now()}
	m.now = b.state().Now
	m.after = time.Now()
	return m
}

// sameTime compares the test time on a page with what it must be by the wall clock. How long a busy machine takes to
// answer is no error of the page.
func (b *tab) sameTime(then moment, speed, within float64) {
	b.t.Helper()
	now := b.moment()
	least := then.now + float64(now.before.Sub(then.after).Milliseconds())*speed - within
	most := then.now + float64(now.after.Sub(then.before).Milliseconds())*speed + within
	if now.now < least || now.now > most {
		b.t.Errorf("test time %.1f s, by the clock it is between %.1f and %.1f s", now.now/1000, least/1000, most/1000)
	}
}

// stored are the events that the server has on disk.
func stored(t *testing.T, b *tab, test string) []map[string]any {
	t.Helper()
	text := eval[string](b, fmt.Sprintf(`fetch("/api/tests/%s/log").then((r) => r.text())`, test))
	var events []map[string]any
	for line := range strings.SplitSeq(strings.TrimSpace(text), "\n") {
		var e map[string]any
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		events = append(events, e)
	}
	return events
}

// complete checks that each term counts 1, 2, 3 … without a gap.
func complete(t *testing.T, events []map[string]any) {
	t.Helper()
	last := map[float64]float64{}
	for _, e := range events {
		term, n := e["term"].(float64), e["n"].(float64)
		if n != last[term]+1 {
			t.Errorf("event %v.%v follows %v.%v", term, n, term, last[term])
		}
		last[term] = n
	}
}

// A reload in mid-stage, and a tab that was closed and opened again, come back in under 2 s with the right time.
func TestReloadInMidStage(t *testing.T) {
	s := serve(t, "demo", "--speed", "10")
	b := browser(t, 768, 1024)
	test := begin(b, s, 1, 40_000)
	said, then := b.state(), b.moment()
	b.do(chromedp.Reload())
	took := b.back(then.after)
	figure("reload in mid-stage: back after %d ms", took.Milliseconds())
	b.sameTime(then, 10, 8000)
	if now := b.state(); now.Stage != said.Stage || now.Phase != "riding" {
		t.Errorf("before %+v, after %+v", said, now)
	}
	if took > tooSlow {
		t.Errorf("it took %v", took)
	}
	b.until(patience, "the trace is back", `gradus.signals.dots.hr.length > 10 && gradus.signals.dots.hr[0].at_ms < 20000`)

	then = b.moment()
	b.visit("about:blank")
	time.Sleep(700 * time.Millisecond)
	opened := time.Now()
	b.visit(s.address + "/tests/" + test + "/run")
	took = b.back(opened)
	figure("tab closed and opened again: back after %d ms", took.Milliseconds())
	b.sameTime(then, 10, 8000)
	if took > tooSlow {
		t.Errorf("it took %v", took)
	}
	b.until(patience, "everything is acknowledged", `window.gradus.undelivered() === 0`)
	complete(t, stored(t, b, test))
	b.quiet()
}

// A page that crashes comes back too.
func TestCrashedTab(t *testing.T) {
	s := serve(t, "demo", "--speed", "10")
	b := browser(t, 768, 1024)
	test := begin(b, s, 1, 30_000)
	then := b.moment()
	other := b.beside(768, 1024)
	crash(b)
	opened := time.Now()
	other.visit(s.address + "/tests/" + test + "/run")
	other.back(opened)
	figure("crashed page: back in another tab after %d ms", time.Since(opened).Milliseconds())
	other.sameTime(then, 10, 8000)
	other.quiet()
}

// beside opens another tab of the same browser, which shares its store.
func (b *tab) beside(width, height int64) *tab {
	b.t.Helper()
	ctx, cancel := chromedp.NewContext(b.ctx)
	b.t.Cleanup(cancel)
	return open(b.t, ctx, width, height)
}

// The server is killed in mid-stage and started again: the page goes on meanwhile, delivers what it held, and the
// result is there.
func TestServerKilled(t *testing.T) {
	s := serve(t, "serve", "--data", filepath.Join(t.TempDir(), "data"))
	b := browser(t, 768, 1024)
	test := ownPerson(b, s)
	if !eval[bool](b, `document.querySelector(".standing").checkVisibility() && document.querySelector(".standing").innerText.includes("do not use it with patients")`) {
		t.Error("the page does not say where it must not be used")
	}
	b.click(due)
	b.until(patience, "stage 1", `window.gradus.view.phase === "riding"`)
	s.kill()
	for _, hr := range []int{84, 86} {
		b.rideTo(40, "a reading is due", readingDue)
		b.typeReading(hr)
	}
	b.until(patience, "the page says that the server is away", `window.gradus.away && document.querySelector(".trouble")`)
	held := b.state().Pending
	if held < 3 {
		t.Errorf("the page holds %d events", held)
	}
	b.shot("server-away")
	s.start()
	b.until(patience, "everything is acknowledged", `window.gradus.undelivered() === 0 && !window.gradus.away`)
	figure("server killed and started again: %d events held meanwhile, all delivered", held)
	events := stored(t, b, test)
	complete(t, events)
	if n := len(events); n != b.state().Events {
		t.Errorf("%d events on disk, %d in the page", n, b.state().Events)
	}
	if eval[int](b, outboxCount) != 0 {
		t.Error("acknowledged events were not wiped from the device")
	}
	b.quiet()
}

// Neither the server nor the page knows how long it was away, and the examiner is asked for the minute: STOP is in reach
// all the same, and does not wait for the answer.
func TestStopWhenTheTimeIsLost(t *testing.T) {
	s := serve(t, "serve", "--data", filepath.Join(t.TempDir(), "data"))
	b := browser(t, 768, 1024)
	test := ownPerson(b, s)
	b.click(due)
	b.until(patience, "stage 1", `gradus.view.phase === "riding"`)
	b.until(patience, "everything is acknowledged", `gradus.undelivered() === 0`)
	s.kill()
	b.until(patience, "the time is kept", `gradus.vault.mark()`)
	eval[bool](b, `gradus.vault.setMark({ at_ms: 0, wall: Date.now() - 9 * 3600 * 1000, last_ms: 0 }).then(() => { gradus.vault.setMark = async () => {}; location.reload(); return true })`)
	b.until(patience, "the minute is asked for", `window.gradus && window.gradus.mode === "ask-minute"`)
	b.look("minute-asked")
	b.click(`.bar .stop`)
	b.until(patience, "the test is stopped", `gradus.mode === "pen" && gradus.view.phase === "stopped"`)
	s.start()
	b.until(patience, "everything is acknowledged", `gradus.undelivered() === 0 && !gradus.away`)
	events := stored(t, b, test)
	complete(t, events)
	for _, kind := range []string{"resumed", "stopped"} {
		if !hasKind(events, kind) {
			t.Errorf("the record has no event %s: %v", kind, events)
		}
	}
}

// outboxCount counts what still waits in the device's store, the way another page would see it.
const outboxCount = `new Promise((done, fail) => { const r = indexedDB.open("gradus"); r.onerror = () => fail(r.error)
 r.onsuccess = () => { const q = r.result.transaction("outbox").objectStore("outbox").count(); q.onsuccess = () => { r.result.close(); done(q.result) } } })`

// What the device keeps while the server is away is encrypted, and its key cannot be taken out.
func TestHeldEventsAreSealed(t *testing.T) {
	s := serve(t, "serve", "--data", filepath.Join(t.TempDir(), "data"))
	b := browser(t, 768, 1024)
	ownPerson(b, s)
	s.kill()
	b.click(due)
	b.until(patience, "the event is held", `window.gradus.undelivered() > 0`)
	b.until(patience, "the test is kept", `new Promise((done) => { const r = indexedDB.open("gradus"); r.onsuccess = () => {
 const q = r.result.transaction("kept").objectStore("kept").count(); q.onsuccess = () => { r.result.close(); done(q.result > 0) } } })`)
	kept := eval[string](b, `new Promise((done) => { const r = indexedDB.open("gradus"); r.onsuccess = () => {
 const tx = r.result.transaction(["outbox", "kept", "keys"]), out = {}
 for (const name of ["outbox", "kept", "keys"]) tx.objectStore(name).getAll().onsuccess = (e) => { out[name] = e.target.result }
 tx.oncomplete = () => done([out.outbox.concat(out.kept).every((x) => x.iv && x.data instanceof ArrayBuffer && Object.keys(x).length === 2),
   out.outbox.length > 0, out.kept.length > 0, out.keys.every((k) => k.extractable === false)].join())
 } })`)
	if kept != "true,true,true,true" {
		t.Errorf("sealed, something held, test kept, key not extractable: %s", kept)
	}
}

// ownPerson adds a person to a record of its own, and prepares a test without a sensor. More is script that fills in
// further fields.
func ownPerson(b *tab, s *server, more ...string) (test string) {
	b.t.Helper()
	b.visit(s.address + "/people")
	b.do(chromedp.SendKeys(chromedp.CSS(`form[action="/people"] input[name="code"]`), "T-1"))
	b.click(`form[action="/people"] button`)
	b.until(patience, "the person's page", `/^.people.\d+/.test(location.pathname)`)
	who := b.path()
	b.visit(s.address + who + "/screening")
	b.screenWell()
	b.visit(s.address + who + "/new")
	eval[bool](b, `(() => { const set = (name, v) => { for (const e of document.querySelectorAll('[name="' + name + '"]')) { if (e.type === "radio") e.checked = e.value === v; else e.value = v } }
 set("age_years", "58"); set("sex", "female"); set("mass_kg", "71"); set("rest_hr_bpm", "68"); set("rate_limiting_drug", "no"); set("rhythm", "sinus"); set("blood_pressure", "none"); `+strings.Join(more, ";")+`; return true })()`)
	b.click(`button[value="begin"]`)
	b.until(patience, "the running page", `location.pathname.endsWith("/run") && window.gradus && window.gradus.mode === "pen"`)
	return strings.Split(b.path(), "/")[2]
}

// typeReading enters a heart rate with the keypad of the page.
func (b *tab) typeReading(hr int) {
	b.t.Helper()
	before := b.state().Next
	for _, d := range fmt.Sprint(hr) {
		b.tap(fmt.Sprintf(`[...document.querySelectorAll(".keys .key")].find((k) => k.innerText === "%c")`, d))
	}
	b.click(`.digits .enter`)
	b.until(patience, "the reading is taken", fmt.Sprintf(`window.gradus.view.next_id.n > %d`, before))
}

// The network is lost for minutes of the test, with a reload in between: the test goes on, and afterwards everything
// arrives once.
func TestOffline(t *testing.T) {
	s := serve(t, "demo", "--speed", "60")
	b := browser(t, 768, 1024)
	test := begin(b, s, 1, 20_000)
	b.until(patience, "the shell is kept", `caches.match(location.href).then((r) => !!r && navigator.serviceWorker.controller !== null)`)
	s.silent(true)
	b.until(patience, "a reading is taken", `window.gradus.view.minutes.some((m) => m.hr > 0)`)
	b.until(patience, "events wait", `window.gradus.undelivered() > 0`)
	b.pace(1)
	said, then := b.state(), b.moment()
	b.do(chromedp.Reload())
	took := b.back(then.after)
	figure("reload without the server: back after %d ms, %d events held", took.Milliseconds(), said.Pending)
	b.sameTime(then, 60, 60_000)
	if n := b.state().Pending; n < said.Pending {
		t.Errorf("%d events held, %d before the reload", n, said.Pending)
	}
	if hr := eval[int](b, `window.gradus.view.minutes.filter((m) => m.hr > 0).length`); hr == 0 {
		t.Error("the readings taken offline are gone")
	}
	s.silent(false)
	b.until(patience, "everything is acknowledged", `window.gradus.undelivered() === 0`)
	events := stored(t, b, test)
	complete(t, events)
	if n := b.state().Events; len(events) > n || len(events) < n-3 {
		t.Errorf("%d events on disk, %d in the page", len(events), n)
	}
	b.quiet()
}

// silent lets nothing through to the program and back, as a network that is lost without a word; false ends it.
func (s *server) silent(on bool) {
	s.t.Helper()
	signal := syscall.SIGCONT
	if on {
		signal = syscall.SIGSTOP
	}
	if err := s.cmd.Process.Signal(signal); err != nil {
		s.t.Fatal(err)
	}
}

// Two devices: the second only reads until it takes the pen knowingly; the first then only reads, and the record
// shows the change.
func TestTwoPagesAndThePen(t *testing.T) {
	s := serve(t, "demo", "--speed", "10")
	a := browser(t, 768, 1024)
	test := begin(a, s, 1, 20_000)
	b := a.another(768, 1024)
	b.visit(s.address + "/tests/" + test + "/run")
	b.until(patience, "the second page follows", `window.gradus && window.gradus.mode === "follow" && window.gradus.view.phase === "riding"`)
	if eval[bool](b, `!!document.querySelector(".stop, .pad")`) {
		t.Error("a page without the pen offers to write")
	}
	b.look("following")
	b.sameTime(a.moment(), 10, 5000)
	b.click(`.notices button`)
	b.until(patience, "the second page holds the pen", `window.gradus.mode === "pen"`)
	a.until(patience, "the first page follows", `window.gradus.mode === "follow"`)
	b.click(`.bar .quiets .break`)
	a.until(patience, "the first page sees what the second wrote", `window.gradus.view.next.do === "break"`)
	events := stored(t, b, test)
	complete(t, events)
	if !hasKind(events, "took-over") {
		t.Error("the record does not show that the pen changed hands")
	}
	a.quiet()
	b.quiet()
}

// Two tabs of one browser share their store, but only one of them holds the pen.
func TestTwoTabsOfOneBrowser(t *testing.T) {
	s := serve(t, "demo", "--speed", "10")
	a := browser(t, 768, 1024)
	test := begin(a, s, 1, 10_000)
	b := a.beside(768, 1024)
	b.visit(s.address + "/tests/" + test + "/run")
	b.until(patience, "the second tab follows", `window.gradus && window.gradus.mode === "follow"`)
	b.click(`.notices button`)
	b.until(patience, "the second tab holds the pen", `window.gradus.mode === "pen"`)
	a.until(patience, "the first tab follows", `window.gradus.mode === "follow"`)
	complete(t, stored(t, b, test))
	a.quiet()
	b.quiet()
}

func hasKind(events []map[string]any, kind string) bool {
	for _, e := range events {
		if e["kind"] == kind {
			return true
		}
	}
	return false
}

// The participant's screen shows footsteps and no heart rate; an observer sees the test and a call.
func TestSecondScreens(t *testing.T) {
	s := serve(t, "demo", "--speed", "10")
	a := browser(t, 768, 1024)
	test := begin(a, s, 1, 40_000)
	a.pace(1) // nothing is to be read while the participant's screen opens
	p := a.another(1366, 768)
	p.visit(s.address + "/tests/" + test + "/participant")
	p.until(patience, "the footsteps", `document.querySelector(".footsteps") && window.gradus.view.phase === "riding"`)
	p.until(patience, "the footsteps fill", `document.querySelectorAll(".footsteps .done").length > 1`)
	text := eval[string](p, `document.querySelector("main").innerText`)
	if strings.Contains(text, "/min") || !strings.Contains(text, "keep this rhythm") {
		t.Errorf("the participant reads %q", text)
	}
	p.shot("participant")
	p.axe("participant")
	const heart = `[...document.querySelectorAll(".participant .left")].some((e) => /\d+\s*.min/.test(e.innerText))`
	a.click(`.looks button:nth-child(7)`)
	a.click(`.screens input[type="checkbox"]`)
	p.until(patience, "the examiner shows the heart rate", heart)
	a.do(chromedp.Reload())
	a.back(time.Now())
	p.do(chromedp.Reload())
	p.until(patience, "the participant's screen still shows it", `window.gradus && window.gradus.view && `+heart)
	a.click(`.looks button:nth-child(7)`)
	a.until(patience, "the switch still stands", `document.querySelector('.screens input[type="checkbox"]').checked`)
	a.click(`.screens input[type="checkbox"]`)
	p.until(patience, "the heart rate is gone", `!(`+heart+`)`)
	o := a.another(1366, 768)
	o.visit(s.address + "/tests/" + test + "/observe")
	o.until(patience, "the observer sees the test", `window.gradus && window.gradus.view && window.gradus.view.phase === "riding" && window.gradus.signals.last("hr")`)
	a.click(`.bar [aria-label="Call the supervisor"]`)
	a.until(patience, "the call went out", `[...document.querySelectorAll(".notices p")].some((e) => e.innerText.includes("The call is on"))`)
	o.until(patience, "the call is shown", `document.querySelector(".call")`)
	for _, x := range []*tab{a, p, o} {
		if !eval[bool](x, `[...document.querySelectorAll(".standing")].some((e) => e.checkVisibility() && e.innerText.includes("invented"))`) {
			t.Error("a page does not say that it is a demonstration: " + x.path())
		}
	}
	o.shot("observer")
	o.axe("observer")
	a.quiet()
	p.quiet()
	o.quiet()
}

// crash ends the process that draws a page, as running out of memory does.
func crash(b *tab) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, time.Second)
	defer cancel()
	_, _ = chromedp.Call(ctx, page.Crash, cdp.Empty{}) // the answer never comes
}
