package e2e

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
)

// goTo lets test time go on to a moment and stand still there, so that two tests can be made alike to the
// millisecond. The page lives through every second on the way.
func (b *tab) goTo(ms int) {
	b.t.Helper()
	eval[bool](b, fmt.Sprintf(`(gradus.clock.speed = 0, gradus.clock.set(%d), true)`, ms))
	b.until(patience, fmt.Sprintf("second %d", ms/1000), fmt.Sprintf(`!gradus.clock.running || gradus.second >= %d && !gradus.busy`, ms/1000))
	// What is due is on its button one drawing later.
	eval[bool](b, `new Promise((drawn) => requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(() => drawn(true)))))`)
}

// whole rides a whole test with an invented participant in steps of five seconds, pressing what is due, and returns the
// test. each is called at every step with the moment in s.
func whole(b *tab, s *server, each func(second int)) (test string) {
	b.t.Helper()
	test = b.prepare(s, 1)
	eval[bool](b, `(gradus.clock.speed = 0, true)`)
	b.click(due)
	b.until(patience, "stage 1", `gradus.view.phase === "riding"`)
	eval[bool](b, `(gradus.clock.speed = 0, true)`)
	for at := 5; at < 3600; at += 5 {
		b.goTo(at * 1000)
		each(at)
		now := b.state()
		if now.Phase == "closed" {
			return test
		}
		if now.Button == "" || now.Do == "read" && now.Left > -10_000 {
			continue
		}
		b.click(due)
		b.until(patience, "the page goes on after "+now.Button, fmt.Sprintf(`(() => { const v = gradus.view; return v.phase !== %q || v.next.do !== %q || v.stage !== %q })()`, now.Phase, now.Do, now.Stage))
	}
	b.t.Fatalf("not closed in an hour: %+v", b.state())
	return ""
}

// outcome is all that a test comes to, without what tells the hour of the day.
func outcome(b *tab, test string) (events []string, rest string) {
	b.t.Helper()
	for _, e := range stored(b.t, b, test) {
		delete(e, "wall")
		text, err := json.Marshal(e)
		if err != nil {
			b.t.Fatal(err)
		}
		events = append(events, string(text))
	}
	return events, eval[string](b, `JSON.stringify([gradus.view.result, gradus.view.minutes, gradus.view.dots, gradus.view.stairs])`)
}

// The network is lost for minutes in the middle of a whole test. Events, verdict, estimate and the table of the minutes
// are those of the same test without the loss.
func TestSameResultWithAndWithoutTheNetwork(t *testing.T) {
	var events [2][]string
	var rest [2]string
	for i, lost := range []bool{false, true} {
		s := serve(t, "demo", "--speed", "60") // a record of its own: a second test would be offered the rows of the first
		b := browser(t, 768, 1024)
		held := 0
		test := whole(b, s, func(second int) {
			if !lost {
				return
			}
			switch {
			case second == 60:
				s.silent(true)
			case second == 480:
				held = b.state().Pending
				s.silent(false)
			}
		})
		b.until(patience, "everything is acknowledged", `gradus.undelivered() === 0 && !gradus.away`)
		if lost {
			figure("7 minutes of a whole test without the network: %d events held, the result is the same", held)
			if held < 8 {
				t.Errorf("only %d events were held while the network was away", held)
			}
		}
		events[i], rest[i] = outcome(b, test)
		b.quiet()
	}
	if !strings.Contains(rest[0], `"value"`) {
		t.Fatalf("no estimate: %.300s", rest[0])
	}
	if len(events[0]) < 15 || len(events[0]) != len(events[1]) {
		t.Fatalf("%d events without the loss, %d with it", len(events[0]), len(events[1]))
	}
	for i := range events[0] {
		if events[0][i] != events[1][i] {
			t.Errorf("event %d: %s without the loss, %s with it", i+1, events[0][i], events[1][i])
		}
	}
	if rest[0] != rest[1] {
		t.Errorf("without the loss %.2000s\nwith it %.2000s", rest[0], rest[1])
	}
}

// machine puts an ergometer that sends power and cadence at the seam where Bluetooth sensors come in. Its values are
// those of a script of the second, watts and steps.
func machine(b *tab, watts, steps string) {
	b.t.Helper()
	eval[bool](b, fmt.Sprintf(`(() => { const s = gradus
 s.signals.sources.push({ id: "m", name: "test machine", src: "machine", state: "on", gives: ["power", "cadence"], battery: 9, close() {} })
 const live = s.liveSecond.bind(s)
 s.liveSecond = async (at) => { const v = s.view; s.signals.add("power", at, %s); s.signals.add("cadence", at, %s); await live(at) }
 return true })()`, watts, steps))
}

// The machine's own signal confirms a load, fills the observed work rate and the cadence, and the core warns when it
// measures another load than the one set.
func TestMachineSignal(t *testing.T) {
	s := serve(t, "serve", "--data", filepath.Join(t.TempDir(), "data"))
	b := browser(t, 768, 1024)
	test := ownPerson(b, s)
	eval[bool](b, `(window.off = 0, true)`)
	// The examiner has set what the page asks for; off is what the machine measures besides.
	machine(b, `(v.next.do === "set-work" ? v.next.work : v.work) + window.off`, `97`)
	b.click(due)
	b.until(patience, "stage 1", `gradus.view.phase === "riding"`)
	for _, hr := range []int{84, 86} {
		b.rideTo(20, "a reading is due", readingDue)
		b.typeReading(hr)
	}
	b.rideTo(20, "the machine confirms the second load", `gradus.view.stage === "stage 2"`)
	if !hasEvent(stored(t, b, test), "stage", "machine") {
		t.Error("the record does not say that the machine confirmed the load")
	}
	if warned := eval[bool](b, warnedOfWork); warned {
		t.Error("a warning without a difference")
	}
	eval[bool](b, `(window.off = 25, true)`)
	b.rideTo(20, "the difference is said", warnedOfWork)
	b.look("machine-differs")
	b.rideTo(20, "stage 2 ends", readingDue)
	b.typeReading(110)
	b.rideTo(20, "stage 2 ends", readingDue)
	b.typeReading(112)
	b.rideTo(20, "the cadence is in the sheet", `gradus.view.minutes.some((m) => m.stage === "stage 2" && m.cadence === 97)`)
	events := stored(t, b, test)
	for _, kind := range []string{"observed", "reading"} {
		if !hasEvent(events, kind, "machine") {
			t.Errorf("no %s of the machine in the record", kind)
		}
	}
	b.quiet()
}

const warnedOfWork = `(gradus.view.next.warnings || []).some((w) => w.rule === "wrong_work.tolerance_watts")`

func hasEvent(events []map[string]any, kind, src string) bool {
	for _, e := range events {
		if e["kind"] == kind && e["src"] == src {
			return true
		}
	}
	return false
}

// An oximeter and a cuff at the seam where Bluetooth sensors come in: good values are taken by themselves with undo,
// doubtful and stored ones are offered, a low saturation speaks at once.
func TestOximeterAndCuff(t *testing.T) {
	s := serve(t, "demo", "--speed", "60")
	b := browser(t, 768, 1024)
	begin(b, s, 1, 20_000)
	b.pace(1)
	eval[bool](b, `(() => { const s = gradus; window.spo2 = 97
 s.signals.sources.push({ id: "o", name: "test oximeter", src: "machine", state: "on", gives: ["spo2"], battery: 80, close() {} })
 const live = s.liveSecond.bind(s)
 s.liveSecond = async (at) => { s.signals.add("spo2", at, window.spo2); await live(at) }
 return true })()`)
	b.until(patience, "saturation is shown", `document.querySelector(".heart").innerText.includes("97")`)
	eval[bool](b, `(gradus.watcher.measured({ what: "cuff", v: 0, good: true, stored: false }), gradus.watcher.measured({ what: "blood_pressure", v: 142, v2: 82, good: true, stored: false }), true)`)
	b.until(patience, "the cuff's pressure is taken", `gradus.view.minutes.some((m) => m.sbp === 142 && m.dbp === 82) && document.querySelector(".taken-note").innerText.includes("142/82")`)
	b.look("cuff-taken")
	b.click(`.bar .undo`)
	b.until(patience, "it is taken back", `!gradus.view.minutes.some((m) => m.sbp === 142)`)
	eval[bool](b, `(gradus.watcher.measured({ what: "blood_pressure", v: 150, v2: 84, good: false, why: "the cuff moved or sat badly", stored: false }), true)`)
	b.until(patience, "a doubtful pressure is offered", `[...document.querySelectorAll(".acts button")].some((e) => e.innerText.includes("150/84"))`)
	if eval[bool](b, `gradus.view.minutes.some((m) => m.sbp === 150)`) {
		t.Error("a doubtful pressure was taken without a hand")
	}
	b.tap(`[...document.querySelectorAll(".acts button")].find((e) => e.innerText.includes("150/84"))`)
	b.until(patience, "it is taken by hand", `gradus.view.minutes.some((m) => m.sbp === 150)`)
	b.rideTo(60, "saturation is taken at the end of the stage", `gradus.view.minutes.some((m) => m.spo2 === 97)`)
	b.pace(1)
	eval[bool](b, `(window.spo2 = 79, true)`)
	b.rideTo(10, "a low saturation stops the test", `gradus.view.next.do === "stop"`)
	b.look("spo2-low")
	b.quiet()
}
