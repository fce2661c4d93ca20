package web_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"mime/multipart"
	"net"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"gradus/conduct"
	"gradus/internal/record"
	"gradus/internal/web/core"
	"gradus/protocol"
)

func note(term, n uint32, text string) conduct.Event {
	return conduct.Event{Term: term, N: n, Kind: conduct.Note, Text: text}
}

// conflictOf reads an answer that refuses.
type refusal struct {
	Error, Hint    string
	Want, Conflict *conduct.ID
}

func TestGapsDoublesAndConflicts(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	id := w.prepare(w.person("A-1"), alder())
	if p := w.events(id, 0, note(1, 2, "two"), note(1, 3, "three")); into[acked](t, p).Acked["1"] != 3 {
		t.Fatalf("%d %s", p.status, p.text)
	}
	if p := w.events(id, 0, note(1, 2, "two"), note(1, 3, "three")); into[acked](t, p).Acked["1"] != 3 {
		t.Errorf("sent twice: %d %s", p.status, p.text)
	}
	p := w.events(id, 0, note(1, 5, "five"))
	if r := into[refusal](t, p); p.status != http.StatusConflict || r.Want == nil || *r.Want != (conduct.ID{Term: 1, N: 4}) || r.Hint == "" {
		t.Errorf("a gap: %d %s", p.status, p.text)
	}
	p = w.events(id, 0, note(1, 3, "another three"), note(1, 4, "four"))
	if r := into[refusal](t, p); p.status != http.StatusConflict || r.Conflict == nil || *r.Conflict != (conduct.ID{Term: 1, N: 3}) {
		t.Errorf("a conflict: %d %s", p.status, p.text)
	}
	if o := w.open(id); o.Acked["1"] != 3 || len(o.Load.Events) != 3 {
		t.Errorf("stored %v", o.Acked)
	}
	took := conduct.Event{Term: 2, N: 1, Kind: conduct.TookOver, Ref: conduct.ID{Term: 1, N: 3}}
	if a := into[acked](t, w.events(id, 0, took)); a.Acked["2"] != 1 || a.Acked["1"] != 3 {
		t.Errorf("taken over: %v", a)
	}
}

// Two devices write under the same ids at once. Each id goes to one of them, the other hears of it; nothing is
// half-written, and both read the same record.
func TestTwoWritersAtOnce(t *testing.T) {
	b := begin(t, false)
	id := b.browser().prepare(b.browser().person("A-1"), alder())
	const each = 40
	var wg sync.WaitGroup
	won := make([]int, 2)
	for i := range won {
		w := b.browser()
		wg.Go(func() {
			for n := uint32(2); n <= each; {
				p := w.events(id, 0, note(1, n, fmt.Sprintf("writer %d entry %d", i, n)))
				switch p.status {
				case http.StatusOK:
					won[i]++
					n++
				case http.StatusConflict:
					r := into[refusal](t, p)
					if r.Conflict == nil {
						t.Errorf("writer %d: %s", i, p.text)
						return
					}
					n++ // the other was first
				default:
					t.Errorf("writer %d: %d %s", i, p.status, p.text)
					return
				}
			}
		})
	}
	wg.Wait()
	o := b.browser().open(id)
	if won[0]+won[1] != each-1 || len(o.Load.Events) != each || o.Acked["1"] != each {
		t.Errorf("won %v, stored %d, acknowledged %v", won, len(o.Load.Events), o.Acked)
	}
}

// The server ends and starts again on the same directory: every acknowledged event is there, and the clock has
// gone on.
func TestServerStartsAgain(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	id := w.prepare(w.person("A-1"), alder())
	w.ride(id, func(v *core.View) bool { return v.Minute >= 5 })
	before := w.open(id)
	b.clock.pass(90 * time.Second)
	b.again()
	after := w.open(id)
	if len(after.Load.Events) < 6 || len(after.Load.Events) != len(before.Load.Events) || after.Acked["1"] != before.Acked["1"] {
		t.Errorf("%d events before, %d after", len(before.Load.Events), len(after.Load.Events))
	}
	if after.NowMs != before.NowMs+90_000 || !after.Clocks.SameBoot {
		t.Errorf("test time %d before, %d after 90 s; %+v", before.NowMs, after.NowMs, after.Clocks)
	}
	var c core.Core
	c.Answer(core.Ask{Op: "load", Load: &after.Load})
	a := c.Answer(core.Ask{Op: "anchor", Clocks: &after.Clocks, By: "KL"})
	if a.Ask || len(a.Events) == 0 || a.Events[0].Code != "boot" || int64(a.Events[0].At) != after.NowMs {
		t.Errorf("the test is taken up as %+v, ask %v", a.Events, a.Ask)
	}
	w.ride2(id, &c, after.NowMs, a.Events)
	if p := w.get("/tests/" + id); !strings.Contains(p.text, "Estimated peak oxygen uptake") {
		t.Errorf("no result after the restart: %.3000s", p.text)
	}
}

// ride2 goes on with a test that a core has taken up.
func (w *browser) ride2(id string, c *core.Core, from int64, first []conduct.Event) {
	w.b.t.Helper()
	held := first
	for at := from; at < from+60*60_000; at += 1000 {
		events, view := w.second(c, at)
		held = append(held, events...)
		if len(held) > 0 {
			if p := w.events(id, at, held...); p.status != http.StatusOK {
				w.b.t.Fatalf("at %d: %d %s", at, p.status, p.text)
			}
			held = nil
		}
		if view.Phase == conduct.Over {
			return
		}
	}
	w.b.t.Fatal("the test never ended")
}

// What the server says of time after each thing that can happen to a machine.
func TestClocksOfTheServer(t *testing.T) {
	const at = 200_000
	for _, c := range []struct {
		name   string
		change func(*bedside)
		same   bool
		boot   int64
		wall   int64
		now    int64
	}{
		{"a minute goes by", func(b *bedside) { b.clock.pass(time.Minute) }, true, 60_000, 60_000, at + 60_000},
		{"the machine sleeps for an hour", func(b *bedside) { b.clock.pass(time.Hour) }, true, 3_600_000, 3_600_000, at + 3_600_000},
		{"the wall clock jumps back", func(b *bedside) { b.clock.pass(time.Minute); b.clock.wall = b.clock.wall.Add(-time.Hour) }, true, 60_000, -3_540_000, at + 60_000},
		{"daylight saving", func(b *bedside) { b.clock.wall = b.clock.wall.In(time.FixedZone("", 3600)) }, true, 0, 0, at},
		{"started anew, five minutes", func(b *bedside) {
			b.clock.pass(5 * time.Minute)
			b.clock.boot.ID, b.clock.boot.Ms = "two", 20_000
			b.again()
		}, false, 0, 300_000, at + 300_000},
		{"started anew, wall clock went back", func(b *bedside) { b.clock.wall = b.clock.wall.Add(-time.Hour); b.clock.boot.ID = "two"; b.again() }, false, 0, -3_600_000, -1},
		{"started anew after a day", func(b *bedside) { b.clock.pass(24 * time.Hour); b.clock.boot.ID = "two"; b.again() }, false, 0, 86_400_000, -1},
		{"a machine without such a clock", func(b *bedside) { b.clock.pass(time.Minute); b.clock.none = true }, false, 0, 60_000, at + 60_000},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := begin(t, false)
			w := b.browser()
			id := w.prepare(w.person("A-1"), alder())
			if o := w.open(id); o.NowMs != 0 || !o.Clocks.SameBoot || o.Clocks.BootMs != 0 {
				t.Errorf("before the first load: %d %+v", o.NowMs, o.Clocks)
			}
			stage := conduct.Event{Term: 1, N: 2, At: at, Kind: conduct.StageBegun, Code: "stage-1", V: 30}
			if p := w.events(id, at, stage); p.status != http.StatusOK {
				t.Fatal(p.text)
			}
			c.change(b)
			o := w.open(id)
			want := core.Clocks{SameBoot: c.same, BootMs: c.boot, HasWall: true, WallMs: c.wall}
			if o.Clocks != want || o.NowMs != c.now {
				t.Errorf("%+v now %d, want %+v now %d", o.Clocks, o.NowMs, want, c.now)
			}
		})
	}
}

// In the demonstration test time runs faster, also while the program is away.
func TestClockOfTheDemonstration(t *testing.T) {
	b := begin(t, true)
	b.stop()
	b.speed = 10
	b.start()
	w := b.browser()
	id := w.prepare(w.person("DEMO-9"), alder())
	if p := w.events(id, 30_000, conduct.Event{Term: 1, N: 2, At: 20_000, Kind: conduct.StageBegun, Code: "stage-1", V: 30}); p.status != http.StatusOK {
		t.Fatal(p.text)
	}
	b.clock.pass(6 * time.Second)
	b.again()
	o := w.open(id)
	if !o.Demo || o.Speed != 10 || o.Simulate < 0 || o.NowMs != 90_000 || o.Clocks.BootMs != 70_000 {
		t.Errorf("demo %v speed %d body %d now %d %+v", o.Demo, o.Speed, o.Simulate, o.NowMs, o.Clocks)
	}
}

// heard is one message of a stream.
type heard struct{ id, event, data string }

// listen opens a stream and hands on its messages.
func (b *bedside) listen(t *testing.T, path string, header ...string) (<-chan heard, context.CancelFunc) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	t.Cleanup(cancel)
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, b.http.URL+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	if resp.StatusCode != http.StatusOK || !strings.HasPrefix(resp.Header.Get("Content-Type"), "text/event-stream") || resp.Header.Get("Content-Security-Policy") == "" {
		t.Fatalf("%d %v", resp.StatusCode, resp.Header)
	}
	out := make(chan heard, 1000)
	go func() {
		defer resp.Body.Close()
		defer close(out)
		var h heard
		lines := bufio.NewScanner(resp.Body)
		lines.Buffer(nil, 1<<20)
		for lines.Scan() {
			name, value, _ := strings.Cut(lines.Text(), ": ")
			switch name {
			case "id":
				h.id = value
			case "event":
				h.event = value
			case "data":
				h.data = value
			case "":
				if h.event != "" {
					out <- h
				}
				h = heard{}
			}
		}
	}()
	return out, cancel
}

// next waits for the next message of a kind.
func next(t *testing.T, from <-chan heard, event string) heard {
	t.Helper()
	late := time.After(time.Minute)
	for {
		select {
		case h, ok := <-from:
			if !ok {
				t.Fatalf("the stream ended before a message %q", event)
			}
			if h.event == event {
				return h
			}
		case <-late:
			t.Fatalf("no message %q", event)
		}
	}
}

func eventsIn(t *testing.T, h heard) (out []conduct.Event) {
	t.Helper()
	if err := json.Unmarshal([]byte(h.data), &out); err != nil {
		t.Fatal(err)
	}
	return out
}

func TestStream(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	id := w.prepare(w.person("A-1"), alder())
	path := "/api/tests/" + id + "/stream"
	all, _ := b.listen(t, path)
	if got := eventsIn(t, next(t, all, "events")); len(got) != 1 || got[0].Kind != conduct.Began {
		t.Errorf("stored: %v", got)
	}
	next(t, all, "now")
	rest, _ := b.listen(t, path+"?since=1.1")
	next(t, rest, "now")
	w.events(id, 0, note(1, 2, "two"))
	for _, s := range []<-chan heard{all, rest} {
		h := next(t, s, "events")
		if got := eventsIn(t, h); len(got) != 1 || got[0].Text != "two" || h.id != "1.2" {
			t.Errorf("live: %+v", h)
		}
	}
	w.events(id, 0, note(1, 2, "two")) // sent twice, shown once
	if p := w.postJSON("/api/tests/"+id+"/samples", `{"blocks":[{"seq":7,"from_ms":1000,"to_ms":2000,"kind":"hr","values":[[1000,81],[2000,82.5]]}]}`); p.status != 200 || !strings.Contains(p.text, `"seq":7`) {
		t.Errorf("samples: %d %s", p.status, p.text)
	}
	if h := next(t, rest, "samples"); h.data != `[{"seq":7,"from_ms":1000,"to_ms":2000,"kind":"hr","values":[[1000,81],[2000,82.5]]}]` {
		t.Errorf("samples shown as %s", h.data)
	}
	if p := w.get("/api/tests/" + id + "/samples"); !strings.Contains(p.text, `[[1000,81],[2000,82.5]]`) {
		t.Errorf("samples stored as %s", p.text)
	}
	if p := w.postJSON("/api/tests/"+id+"/samples", `{"blocks":[{"seq":7,"from_ms":1000,"to_ms":2000,"kind":"hr","values":[[1000,99]]}]}`); p.status != http.StatusConflict {
		t.Errorf("other samples under the same number: %d", p.status)
	}
	p := w.postJSON("/api/tests/"+id+"/call", `{"by":"student","text":"please come"}`)
	if into[struct{ Screens int }](t, p).Screens != 2 {
		t.Errorf("called %s", p.text)
	}
	if h := next(t, all, "call"); !strings.Contains(h.data, "please come") {
		t.Errorf("call shown as %s", h.data)
	}
}

// The participant's screen shows no heart rate until the examiner lets it, also one that is opened or reloaded later.
func TestShowHeart(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	id := w.prepare(w.person("A-1"), alder())
	path := "/api/tests/" + id
	screen, leave := b.listen(t, path+"/stream")
	defer leave()
	if h := next(t, screen, "show"); h.data != `{"heart":false}` {
		t.Errorf("at first %s", h.data)
	}
	if p := w.postJSON(path+"/show", `{"heart":true}`); p.status != 200 {
		t.Fatalf("%d %s", p.status, p.text)
	}
	if h := next(t, screen, "show"); h.data != `{"heart":true}` {
		t.Errorf("after the switch %s", h.data)
	}
	again, leave2 := b.listen(t, path+"/stream")
	defer leave2()
	if h := next(t, again, "show"); h.data != `{"heart":true}` {
		t.Errorf("a screen opened later is told %s", h.data)
	}
	if p := w.postJSON(path+"/show", `{"hart":true}`); p.status != 400 {
		t.Errorf("a wrong field: %d", p.status)
	}
}

// A second device takes over while a late event of the first is still on its way. Whoever resumes from marks of
// both misses nothing and gets nothing twice.
func TestStreamResumesFromMarks(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	id := w.prepare(w.person("A-1"), alder())
	path := "/api/tests/" + id + "/stream"
	first, leave := b.listen(t, path)
	next(t, first, "events")
	w.events(id, 0, note(1, 2, "two"), note(1, 3, "three"))
	next(t, first, "events")
	w.events(id, 0, conduct.Event{Term: 2, N: 1, Kind: conduct.TookOver, Ref: conduct.ID{Term: 1, N: 3}})
	mark := next(t, first, "events").id
	if mark != "1.3,2.1" {
		t.Fatalf("marks %q", mark)
	}
	leave()
	w.events(id, 0, note(1, 4, "late"), note(2, 2, "new"))
	again, _ := b.listen(t, path+"?since=1.1", "Last-Event-ID", mark)
	h := next(t, again, "events")
	got := eventsIn(t, h)
	if len(got) != 2 || got[0].Text != "late" || got[1].Text != "new" || h.id != "1.4,2.2" {
		t.Errorf("resumed with %+v", h)
	}
	single, _ := b.listen(t, path+"?since=2.1")
	if got := eventsIn(t, next(t, single, "events")); len(got) != 1 || got[0].Text != "new" {
		t.Errorf("after 2.1: %+v", got)
	}
}

// An observer who reads nothing is let go; the writer and the other observers do not notice, and the server's
// memory does not grow with it. Who was let go gets everything by asking again.
func TestSlowObserver(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	id := w.prepare(w.person("A-1"), alder())
	conn, err := net.Dial("tcp", strings.TrimPrefix(b.http.URL, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if err := conn.(*net.TCPConn).SetReadBuffer(4096); err != nil {
		t.Fatal(err)
	}
	fmt.Fprintf(conn, "GET /api/tests/%s/stream HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", id)
	good, _ := b.listen(t, "/api/tests/"+id+"/stream")
	next(t, good, "events")
	long := strings.Repeat("x", 3900)
	n := uint32(1)
	const bundle = 8
	for watching := 2; watching == 2; {
		if n > 20_000 {
			t.Fatal("the slow observer was never let go")
		}
		var events []conduct.Event
		for range bundle {
			n++
			events = append(events, note(1, n, long))
		}
		if p := w.events(id, 0, events...); p.status != http.StatusOK {
			t.Fatalf("event %d: %d %s", n, p.status, p.text)
		}
		if got := eventsIn(t, next(t, good, "events")); len(got) != bundle || got[bundle-1].N != n {
			t.Fatalf("the good observer got %d events to %d, want %d", len(got), got[len(got)-1].N, n)
		}
		watching = into[struct{ Screens int }](t, w.postJSON("/api/tests/"+id+"/call", `{}`)).Screens
	}
	again, _ := b.listen(t, "/api/tests/"+id+"/stream?since=1.1")
	for want := uint32(2); want <= n; {
		for _, e := range eventsIn(t, next(t, again, "events")) {
			if e.N != want {
				t.Fatalf("asked again: event %d, want %d", e.N, want)
			}
			want++
		}
	}
}

// Streams end when the server stops, so that stopping does not wait for observers.
func TestStopEndsStreams(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	id := w.prepare(w.person("A-1"), alder())
	s, _ := b.listen(t, "/api/tests/"+id+"/stream")
	next(t, s, "now")
	began := time.Now()
	b.stop()
	for range s {
	}
	if took := time.Since(began); took > 3*time.Second {
		t.Errorf("stopping took %v", took)
	}
}

// faulty is a record whose disk fails.
type faulty struct {
	record.Store
	mu  sync.Mutex
	err error
}

// fail sets what the disk answers from now on; nil: it works.
func (f *faulty) fail(err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.err = err
}

func (f *faulty) now() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.err
}

func (f *faulty) Append(ctx context.Context, test string, events []conduct.Event) (record.Marks, error) {
	if err := f.now(); err != nil && len(events) > 0 {
		return nil, err
	}
	return f.Store.Append(ctx, test, events)
}

func (f *faulty) AppendSamples(ctx context.Context, test string, blocks []record.Block) error {
	if err := f.now(); err != nil {
		return err
	}
	return f.Store.AppendSamples(ctx, test, blocks)
}

// A disk that fails is named, with what to do; nothing is acknowledged or shown, and afterwards it goes on.
func TestFailingDisk(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	id := w.prepare(w.person("A-1"), alder())
	bad := &faulty{Store: b.store}
	b.srv.Stop()
	b.http.Close()
	b.store = bad
	b.serve()
	s, _ := b.listen(t, "/api/tests/"+id+"/stream?since=1.1")
	next(t, s, "now")
	for _, c := range []struct {
		err    error
		status int
		want   string
	}{
		{&record.StorageError{Path: "x", Kind: record.ErrDiskFull}, http.StatusInsufficientStorage, "free some space"},
		{&record.StorageError{Path: "x", Kind: record.ErrReadOnly}, http.StatusInternalServerError, "writable"},
		{&record.StorageError{Path: "x", Kind: record.ErrDamaged}, http.StatusInternalServerError, "backup"},
		{errors.New("something else"), http.StatusInternalServerError, "stored"},
	} {
		bad.fail(c.err)
		for _, p := range []page{w.events(id, 0, note(1, 2, "two")), w.postJSON("/api/tests/"+id+"/samples", `{"blocks":[{"seq":1,"from_ms":0,"to_ms":10,"kind":"hr","values":[[0,80]]}]}`)} {
			if r := into[refusal](t, p); p.status != c.status || r.Error == "" || !strings.Contains(r.Hint, c.want) {
				t.Errorf("%v: %d %s", c.err, p.status, p.text)
			}
		}
	}
	bad.fail(nil)
	if p := w.events(id, 0, note(1, 2, "two")); p.status != http.StatusOK {
		t.Fatalf("afterwards: %d %s", p.status, p.text)
	}
	if got := eventsIn(t, next(t, s, "events")); len(got) != 1 || got[0].Text != "two" {
		t.Errorf("shown: %v", got)
	}
}

// A record that a page saved as a file is brought in: what is missing is added, what differs is refused.
func TestBringInASavedRecord(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	id := w.prepare(w.person("A-1"), alder())
	log := w.get("/api/tests/" + id + "/log").text
	line := func(e conduct.Event) string {
		text, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		return string(text) + "\n"
	}
	stage := line(conduct.Event{Term: 1, N: 2, At: 20 * protocol.Second, Kind: conduct.StageBegun, Code: "stage-1", V: 30})
	for _, c := range []struct {
		name, file string
		status     int
		want       string
		stored     uint32
	}{
		{"whole", log + stage, 200, "1 entries were added.", 2},
		{"again", log + stage, 200, "0 entries were added.", 2},
		{"other", log + line(note(1, 2, "other")), 422, "differs from the one that is stored", 2},
		{"gap", line(note(1, 4, "four")), 422, "neither stored nor in the file", 2},
		{"broken", log + "{\n", 422, "saved.jsonl:2:", 2},
		{"empty", "", 422, "holds no event", 2},
	} {
		p := w.upload(t, id, c.file)
		if p.status != c.status || !strings.Contains(p.text, c.want) {
			t.Errorf("%s: %d, want %d %q: %s", c.name, p.status, c.status, c.want, p.text)
		}
		if got := w.open(id).Acked["1"]; got != c.stored {
			t.Errorf("%s: %d events are stored", c.name, got)
		}
	}
}

func (w *browser) upload(t *testing.T, id, file string) page {
	t.Helper()
	found := tokenField.FindStringSubmatch(w.get("/tests/" + id).text)
	if found == nil {
		t.Fatal("the result has no form")
	}
	var body bytes.Buffer
	m := multipart.NewWriter(&body)
	if err := m.WriteField("token", found[1]); err != nil {
		t.Fatal(err)
	}
	part, err := m.CreateFormFile("file", "saved.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := part.Write([]byte(file)); err != nil {
		t.Fatal(err)
	}
	if err := m.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := http.NewRequest(http.MethodPost, w.b.http.URL+"/tests/"+id+"/record", &body)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Content-Type", m.FormDataContentType())
	return w.do(r)
}

// A test that was given to the wrong person is given to the right one, and the record keeps who said so.
func TestReassign(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who, other := w.person("A-1"), w.person("B-2")
	id := w.prepare(who, alder())
	send := func(code, by, why string) page {
		return w.send("/tests/"+id, "/tests/"+id, url.Values{"right_code": {code}, "reassign_by": {by}, "why": {why}})
	}
	if p := w.get("/tests/" + id); strings.Contains(p.text, "It was another person") {
		t.Error("a running test can be given away")
	}
	if p := send("B-2", "KL", "mixed up"); p.status != http.StatusUnprocessableEntity || !strings.Contains(p.text, "still runs") {
		t.Errorf("while it runs: %d", p.status)
	}
	w.ride(id, nil)
	for _, c := range []struct{ code, by, why, want string }{{"Z-9", "KL", "x", "nobody has the code Z-9"}, {"B-2", "", "x", "enter it"}, {"B-2", "KL", "", "enter it"}, {"A-1", "KL", "x", "already"}} {
		if p := send(c.code, c.by, c.why); p.status != http.StatusUnprocessableEntity || !strings.Contains(p.text, c.want) {
			t.Errorf("%v: %d", c, p.status)
		}
	}
	p := send("b-2", "KL", "the wrong one was picked")
	if p.status != http.StatusOK || !strings.Contains(p.text, "from A-1 to B-2, by KL: the wrong one was picked") {
		t.Errorf("%d %s", p.status, p.text)
	}
	if !strings.Contains(w.get(other).text, id) || strings.Contains(w.get(who).text, id) {
		t.Error("the test stands with the wrong person")
	}
}

// One stream shows several tests, each message under its own; a test that is not there is left out. A call counts the
// pages behind a stream, and reaches a screen that opens a moment later.
func TestStreamOfSeveral(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	one, two := w.prepare(w.person("A-1"), alder()), w.prepare(w.person("B-2"), alder())
	s, leave := b.listen(t, "/api/stream?of="+one+"~1.1~2&of=none~~1&of="+two+"~~1")
	of := ""
	await := func(test, event, text string) {
		t.Helper()
		for {
			h, ok := <-s
			if !ok {
				t.Fatalf("the stream ended before %q of %s", event, test)
			}
			if h.event == "of" {
				of = h.data
			}
			if h.event == event && of == test && strings.Contains(h.data, text) {
				return
			}
		}
	}
	await(one, "show", "heart")
	await(two, "events", `"began"`)
	await(two, "show", "heart")
	w.events(one, 0, note(1, 2, "to one"))
	w.events(two, 0, note(1, 2, "to two"))
	await(one, "events", "to one")
	await(two, "events", "to two")
	p := w.postJSON("/api/tests/"+one+"/call", `{"by":"student","text":"please come"}`)
	if n := into[struct{ Screens int }](t, p).Screens; n != 2 {
		t.Errorf("the call is on %d screens", n)
	}
	await(one, "call", "please come")
	later, _ := b.listen(t, "/api/tests/"+one+"/stream?since=1.2")
	if h := next(t, later, "call"); !strings.Contains(h.data, "please come") {
		t.Errorf("a screen opened later is told %s", h.data)
	}
	leave()
	for end := time.Now().Add(time.Minute); into[struct{ Screens int }](t, w.postJSON("/api/tests/"+two+"/call", `{}`)).Screens > 0; {
		if time.Now().After(end) {
			t.Fatal("a browser that hung up is still counted")
		}
		time.Sleep(5 * time.Millisecond)
	}
	for _, query := range []string{"", "of=" + one, "of=" + one + "~x~1", "of=" + one + "~1.1~0", strings.Repeat("of=a~~1&", 33)} {
		if p := w.get("/api/stream?" + query); p.status != http.StatusBadRequest {
			t.Errorf("%.40q: %d", query, p.status)
		}
	}
}
