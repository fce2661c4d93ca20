package web_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"gradus/conduct"
	"gradus/internal/web/core"
)

// flood is one second of a sensor that sends a hundred values a second.
func flood(seq, second int) string {
	var values []string
	for i := range 100 {
		values = append(values, fmt.Sprintf("[%d,%d]", second*1000+10*i, 80+i%40))
	}
	return fmt.Sprintf(`{"seq":%d,"from_ms":%d,"to_ms":%d,"kind":"hr","values":[%s]}`, seq, second*1000, second*1000+999, strings.Join(values, ","))
}

// A sensor floods, and a block that makes no sense comes in between: it is refused with those sent beside it,
// everything else is shown and stored, and the next event goes through.
func TestFloodAndMalformedSamples(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	id := w.prepare(w.person("A-1"), alder())
	to := "/api/tests/" + id + "/samples"
	s, _ := b.listen(t, "/api/tests/"+id+"/stream")
	next(t, s, "events")
	const seconds = 30
	for second := range seconds {
		if p := w.postJSON(to, `{"blocks":[`+flood(second+1, second)+`]}`); p.status != http.StatusOK {
			t.Fatalf("second %d: %d %s", second, p.status, p.text)
		}
		if second%10 != 5 {
			continue
		}
		p := w.postJSON(to, `{"blocks":[`+flood(1000+second, second)+`,{"seq":2000,"from_ms":0,"to_ms":10,"kind":"hr","values":[[0,-80]]}]}`)
		if r := into[refusal](t, p); p.status != http.StatusBadRequest || !strings.HasPrefix(r.Error, "blocks[1].values[0]") || r.Hint == "" {
			t.Errorf("a senseless value: %d %s", p.status, p.text)
		}
	}
	if p := w.events(id, 0, note(1, 2, "after the flood")); p.status != http.StatusOK {
		t.Errorf("an event after the flood: %d %s", p.status, p.text)
	}
	for second := range seconds {
		var shown []struct{ Seq int }
		if h := next(t, s, "samples"); json.Unmarshal([]byte(h.data), &shown) != nil || len(shown) != 1 || shown[0].Seq != second+1 {
			t.Fatalf("second %d was shown as %.80s", second, h.data)
		}
	}
	if got := into[struct{ Values [][2]float64 }](t, w.get(to)); len(got.Values) != 100*seconds {
		t.Errorf("stored %d values of %d", len(got.Values), 100*seconds)
	}
}

// A running test is forgotten for eight hours: the server knows its time, the conductor takes it up and says what to
// do, with few acts of its own, and the test can be ended.
func TestForgottenForEightHours(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	id := w.prepare(w.person("A-1"), alder())
	w.ride(id, func(v *core.View) bool { return v.Minute >= 5 })
	before := w.open(id)
	b.clock.pass(8 * time.Hour)
	b.again()
	o := w.open(id)
	if want := before.NowMs + (8 * time.Hour).Milliseconds(); o.NowMs != want {
		t.Fatalf("test time %d, want %d", o.NowMs, want)
	}
	var c core.Core
	c.Answer(core.Ask{Op: "load", Load: &o.Load})
	back := c.Answer(core.Ask{Op: "anchor", Clocks: &o.Clocks, By: "KL"})
	if back.Error != "" || back.Ask || back.View == nil || back.View.Next.Say == "" || len(back.Events) > 20 {
		t.Fatalf("taken up with %d events, error %q, ask %v", len(back.Events), back.Error, back.Ask)
	}
	stop := c.Answer(core.Ask{Op: "act", At: o.NowMs + 1000, By: "KL", Events: []conduct.Event{{Kind: conduct.Stopped, Code: "wish"}}})
	if stop.Error != "" || stop.View.Phase == conduct.Riding {
		t.Fatalf("stop: %q, phase %v", stop.Error, stop.View.Phase)
	}
	if p := w.events(id, o.NowMs+1000, append(back.Events, stop.Events...)...); p.status != http.StatusOK {
		t.Fatalf("delivered: %d %s", p.status, p.text)
	}
	if p := w.get("/tests/" + id); p.status != http.StatusOK {
		t.Errorf("result: %d %.300s", p.status, p.text)
	}
}

// The same test once more, written by two devices whose clocks are an hour apart, over a change to summer time: the
// order and every duration are the same, because no wall clock is asked for them.
func TestClocksAnHourApart(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	plain := w.prepare(w.person("A-1"), alder())
	w.ride(plain, func(v *core.View) bool { return v.Minute >= 9 })
	events := w.open(plain).Load.Events
	torn := w.prepare(w.person("B-2"), alder())
	night := time.Date(2026, 3, 29, 0, 55, 0, 0, time.UTC) // at 01:00 UTC central European clocks go from 2:00 to 3:00
	for i, e := range events[1:] {
		at := night.Add(time.Duration(e.At) * time.Millisecond)
		zone := time.FixedZone("", 3600)
		if at.Hour() >= 1 {
			zone = time.FixedZone("", 7200)
		}
		if i%2 == 1 {
			at = at.Add(-time.Hour)
		}
		e.Wall = at.In(zone).Format(time.RFC3339)
		if p := w.events(torn, int64(e.At), e); p.status != http.StatusOK {
			t.Fatalf("event %v: %d %s", e.ID(), p.status, p.text)
		}
	}
	if a, b := seen(t, w, plain), seen(t, w, torn); a != b {
		t.Errorf("with one clock\n%s\nwith two clocks\n%s", a, b)
	}
}

// seen is what a page draws of a stored test when it opens it at minute 9.
func seen(t *testing.T, w *browser, id string) string {
	t.Helper()
	o := w.open(id)
	var c core.Core
	a := c.Answer(core.Ask{Op: "load", Load: &o.Load, At: 9 * 60_000})
	if a.Error != "" || len(a.View.Minutes) == 0 {
		t.Fatalf("%s: %q, %+v", id, a.Error, a.View)
	}
	text, err := json.Marshal(a.View)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}
