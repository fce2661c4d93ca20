package e2e

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// paper prints a page and keeps it beside the screenshots; it must not be empty.
func (b *tab) paper(name string) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	out, err := chromedp.Call(ctx, page.PrintToPDF, page.PrintToPDFParams{})
	if err != nil {
		b.t.Fatal(err)
	}
	if len(out.Data) < 2000 {
		b.t.Errorf("%s: the print has %d bytes", name, len(out.Data))
	}
	if dir := os.Getenv("GRADUS_SHOTS"); dir != "" {
		if err := os.WriteFile(filepath.Join(dir, name+".pdf"), out.Data, 0o666); err != nil {
			b.t.Fatal(err)
		}
	}
}

// entries types into fields of a form by name.
func (b *tab) entries(fields ...string) {
	b.t.Helper()
	for i := 0; i+1 < len(fields); i += 2 {
		b.do(chromedp.SetValue(chromedp.CSS(`[name="`+fields[i]+`"]`), fields[i+1]))
	}
}

func (b *tab) writeSiteCard(s *server) {
	b.t.Helper()
	b.visit(s.address + "/settings")
	b.entries("site_number", "0-999 (invented)", "site_inside", "Ward physician, 4711", "site_address", "Example road 1\nHouse B, floor 2", "site_aed", "beside the lift",
		"site_plan", "Stop the machine, lay the person down\nCall, say where we are\nFetch the AED\nSomebody waits at the entrance", "by", "KL")
	b.click(`button.main`)
	b.until(patience, "the card is written", `document.body && document.body.innerText.includes("Version 1, written by KL")`)
}

// From the running test the card is one tap away, with the clock; it is there while the server is away; the log takes
// vital signs at once; the countdown runs; the hand-over sheet and the adverse event follow from it.
func TestEmergencyCard(t *testing.T) {
	s := serve(t, "serve", "--data", filepath.Join(t.TempDir(), "data"))
	b := browser(t, 390, 844)
	b.writeSiteCard(s)
	b.look("settings-phone")
	test := ownPerson(b, s)
	b.click(due)
	b.rideTo(60, "a reading is due", readingDue)
	b.typeReading(104)
	b.until(patience, "everything is acknowledged", `gradus.undelivered() === 0`)
	b.click(`.alarm-small`)
	b.until(patience, "the card", `document.querySelector(".alarm-over")?.innerText.includes("0-999 (invented)")`)
	b.look("alarm-run-phone")
	b.click(`.alarm-over button`)
	b.until(patience, "the test again", `!document.querySelector(".alarm-over")`)

	// without the server, and after a reload without it
	b.until(patience, "the shell is kept", `caches.keys().then((k) => Promise.all(k.map((n) => caches.open(n).then((c) => c.match(location.href))))).then((m) => m.some(Boolean))`)
	b.until(patience, "the time is kept", `gradus.vault.mark().then((m) => m && m.last_ms === gradus.lastAt() && m.at_ms >= m.last_ms)`)
	s.kill()
	eval[bool](b, `(location.reload(), true)`)
	b.until(patience, "the page without the server", `window.gradus && window.gradus.away && document.querySelector(".alarm-small")`)
	b.click(`.alarm-small`)
	b.until(patience, "the card without the server", `document.querySelector(".alarm-over")?.innerText.includes("Fetch the AED") && document.querySelector(".alarm-over").innerText.includes("The server does not answer")`)
	b.look("alarm-run-away-phone")
	b.until(patience, "STOP can be pressed under the card", `document.querySelector(".bar .stop")?.disabled === false`)
	s.start()
	b.until(patience, "the server again", `!gradus.away && document.querySelector(".alarm-over a.main")`)

	b.do(chromedp.EmulateViewport(768, 1024))
	b.click(`.alarm-over a.main`)
	b.until(patience, "the log", `location.pathname === "/people/1/emergency" && document.querySelector("form.alarm")`)
	b.look("alarm-tablet")
	b.entries("alarm_hr", "112", "alarm_sbp", "92", "alarm_dbp", "58", "alarm_spo2", "91", "alarm_note", "pale, cold sweat", "by", "KL")
	b.tick("alarm_awake=voice")
	b.do(chromedp.SendKeys(chromedp.CSS(`[name="by"]`), kb.Enter))
	b.until(patience, "the vital signs are stored", `document.querySelector("table.alarm-log")?.innerText.includes("92/58")`)
	b.click(`button[value="called"]`)
	b.until(patience, "called", `document.querySelector("table.alarm-log")?.innerText.includes("Emergency number called.")`)
	b.until(patience, "the countdown runs", `/again in 4:[0-5][0-9]/.test(document.querySelector(".due").innerText) && !document.querySelector(".big").innerText.startsWith("0:00")`)
	b.do(chromedp.EmulateViewport(1366, 768))
	b.look("alarm-laptop")
	b.do(chromedp.EmulateViewport(390, 844))
	b.look("alarm-phone")
	b.paper("alarm-card")

	// a form that the server cannot take keeps what was typed
	s.kill()
	b.entries("alarm_hr", "120")
	b.click(`button[value="vitals"]`)
	b.until(patience, "it says that the server is away", `document.querySelector(".away")?.innerText.includes("The server does not answer") && document.querySelector('[name="alarm_hr"]').value === "120"`)
	s.start()
	b.click(`button[value="vitals"]`)
	b.until(patience, "stored at last", `document.querySelector("table.alarm-log")?.innerText.includes("120")`)

	for _, size := range [][2]int64{{390, 844}, {768, 1024}, {1366, 768}} {
		b.do(chromedp.EmulateViewport(size[0], size[1]))
		b.visit(eval[string](b, `(document.querySelector('a[href*="/handover"]') || location).href`))
		b.look(fmt.Sprintf("handover-%d", size[0]))
	}
	if text := eval[string](b, `document.querySelector("main").innerText`); !contains(text, "pale, cold sweat") || !contains(text, "T-1") || !contains(text, "Heart rate") {
		t.Error("the hand-over sheet lacks something")
	}
	b.paper("handover")
	b.visit(s.address + "/tests/" + test + "/emergency")
	b.click(`a[href*="/incidents"]`)
	b.until(patience, "the adverse event", `location.pathname.endsWith("/incidents") && document.querySelector('[name="event_what"]')?.value.includes("pale")`)
	b.entries("event_action", "laid down, legs up, ambulance")
	b.do(chromedp.SetValue(chromedp.CSS(`select[name="event_severity"]`), "severe"), chromedp.SetValue(chromedp.CSS(`select[name="event_relation"]`), "possible"))
	b.entries("by", "KL")
	b.look("event-laptop")
	b.do(chromedp.EmulateViewport(390, 844))
	b.look("event-phone")
	b.click(`button.main`)
	b.until(patience, "written", `document.querySelector("ol.events")?.innerText.includes("ambulance")`)
	b.look("events-phone")
	b.visit(s.address + "/incidents")
	b.look("events-site-phone")
	b.paper("events")
	for _, e := range b.thrown() {
		t.Error("in the page: " + e)
	}
}

// After the test: printing is noted with the version, a drug found afterwards makes another version, and the paper that is
// out is named.
func TestCorrectionAfterwards(t *testing.T) {
	s := serve(t, "demo", "--speed", "60")
	b := browser(t, 768, 1024)
	test := b.prepare(s, 1)
	ride(b, false)
	b.until(patience, "everything is acknowledged", `gradus.undelivered() === 0`)
	b.visit(s.address + "/tests/" + test)
	b.paper("result-1")
	b.until(patience, "printing is noted", `document.querySelector(".handed").innerText.includes("version 1")`)
	b.visit(s.address + "/tests/" + test + "/correct")
	b.look("correct-tablet")
	b.tick("rate_limiting_drug=yes")
	b.entries("drug_name", "invented drug 5 mg", "correct_why", "on the list of the ward", "by", "KL")
	b.click(`button.main`)
	b.until(patience, "the second version", `document.querySelector("main")?.innerText.includes("Version 2 replaces version 1")`)
	if text := eval[string](b, `document.querySelector("main").innerText`); !contains(text, "printed result, version 1") || !contains(text, "not usable") || !contains(text, "on the list of the ward") {
		t.Error("the result does not say what became of the first version")
	}
	for _, size := range [][2]int64{{390, 844}, {1366, 768}} {
		b.do(chromedp.EmulateViewport(size[0], size[1]))
		b.look(fmt.Sprintf("corrected-%d", size[0]))
	}
	b.paper("result-2")
	b.quiet()
}

// A machine that shows only METs: no watts are asked for, the level is recorded with the load, and the result says why there
// is no estimate.
func TestLevelField(t *testing.T) {
	s := serve(t, "serve", "--data", filepath.Join(t.TempDir(), "data"))
	b := browser(t, 390, 844)
	test := ownPerson(b, s, `set("machine_shows", "mets")`)
	if say := b.state().Say; say != "Set the level for stage 1." {
		t.Errorf("the page says %q", say)
	}
	b.do(chromedp.SendKeys(chromedp.CSS(`.level input`), "3"))
	b.until(patience, "the button names the level", `document.querySelector(".acts button.main").innerText === "Level 3 is set"`)
	b.look("level-phone")
	b.click(due)
	b.until(patience, "the level is recorded", `gradus.view.phase === "riding" && gradus.file().includes('"level":3')`)
	for _, hr := range []int{94, 95} {
		b.rideTo(60, "a reading is due", readingDue)
		b.typeReading(hr)
	}
	b.rideTo(60, "the next load", `gradus.view.next.do === "set-work"`)
	b.do(chromedp.SendKeys(chromedp.CSS(`.level input`), "5"))
	b.click(due)
	b.until(patience, "the second level", `gradus.file().includes('"level":5')`)
	b.click(`.bar .stop`)
	b.until(patience, "everything is acknowledged", `gradus.undelivered() === 0 && gradus.view.phase === "stopped"`)
	b.visit(s.address + "/tests/" + test)
	if text := eval[string](b, `document.querySelector("table.measured").innerText`); !contains(text, "level 3") || contains(text, "30") {
		t.Errorf("the result shows the loads as %q", text)
	}
	b.quiet()
}
