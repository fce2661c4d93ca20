package web_test

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"gradus/conduct"
	"gradus/internal/access"
	"gradus/internal/record"
	"gradus/internal/web"
	"gradus/internal/web/core"
	"gradus/protocol"
)

// bedside is a server on a record in a directory, with the clocks of a machine that the test moves.
type bedside struct {
	verified  bool // the site demands verified equations
	t         *testing.T
	dir       string
	store     record.Store
	srv       *web.Server
	http      *httptest.Server
	demo      bool
	speed     int
	clock     *clocks
	log       *slog.Logger
	owner     web.Owner
	shared    web.Shared
	protocols []record.File
	together  bool // the record goes by the clock of the test too

	administrator func(*http.Request) bool
}

// clocks are those of the machine the server stands on.
type clocks struct {
	wall time.Time
	boot web.Boot
	none bool // the machine has no clock since its start
}

func (c *clocks) pass(d time.Duration) {
	c.wall = c.wall.Add(d)
	c.boot.Ms += d.Milliseconds()
}

var built = fstest.MapFS{
	"manifest.json": {Data: []byte(`{"style.css":"page-1.css","run.js":"run-2.js","sw.js":"sw-3.js","core.wasm":"core-4.wasm"}`)},
	"page-1.css":    {Data: []byte("body{}")}, "page-1.css.br": {Data: []byte("BR")}, "page-1.css.gz": {Data: []byte("GZ")},
	"run-2.js": {Data: []byte("export{}")}, "sw-3.js": {Data: []byte("self")}, "core-4.wasm": {Data: []byte("\x00asm")},
	"secret.txt~": {Data: []byte("no")},
}

func begin(t *testing.T, demo bool) *bedside {
	t.Helper()
	b := &bedside{t: t, dir: t.TempDir(), demo: demo, speed: 1,
		clock: &clocks{wall: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC), boot: web.Boot{ID: "one", Ms: 5_000_000}}}
	b.start()
	t.Cleanup(b.stop)
	return b
}

func (b *bedside) start() {
	b.t.Helper()
	var o record.Options
	if b.together {
		o.Now = func() time.Time { return b.clock.wall }
	}
	store, err := record.Open(context.Background(), b.dir, o)
	if err != nil {
		b.t.Fatal(err)
	}
	b.store = store
	b.serve()
}

// serve makes the server on the store there is.
func (b *bedside) serve() {
	b.t.Helper()
	var err error
	b.srv, err = web.New(web.Options{Store: b.store, Dir: b.dir, Demo: b.demo, Speed: b.speed, Assets: built, Verified: b.verified, Log: b.log, Owner: b.owner, Shared: b.shared, Protocols: b.protocols, Cost: access.Cost{MiB: 1, Passes: 1, Lanes: 1}, Administrator: b.administrator,
		Now: func() time.Time { return b.clock.wall }, Boot: func() (web.Boot, bool) { return b.clock.boot, !b.clock.none }})
	if err != nil {
		b.t.Fatal(err)
	}
	b.http = httptest.NewServer(b.srv)
}

func (b *bedside) stop() {
	if b.http == nil {
		return
	}
	b.srv.Stop()
	b.http.Close()
	b.http = nil
	if err := b.store.Close(); err != nil {
		b.t.Error(err)
	}
}

// again ends the program and starts it on the same directory.
func (b *bedside) again() {
	b.t.Helper()
	b.stop()
	b.start()
}

// browser keeps cookies as a browser does.
type browser struct {
	b *bedside
	c *http.Client
}

func (b *bedside) browser() *browser {
	jar, err := cookiejar.New(nil)
	if err != nil {
		b.t.Fatal(err)
	}
	return &browser{b, &http.Client{Jar: jar, Timeout: time.Minute, Transport: &http.Transport{DisableCompression: true}}}
}

// page is an answer that was read whole.
type page struct {
	status int
	header http.Header
	text   string
	at     string // path it came from, after redirections
}

func (w *browser) do(r *http.Request) page {
	w.b.t.Helper()
	resp, err := w.c.Do(r)
	if err != nil {
		w.b.t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		w.b.t.Fatalf("%s: %v", r.URL, err)
	}
	return page{resp.StatusCode, resp.Header, string(text), resp.Request.URL.Path}
}

func (w *browser) get(path string) page {
	w.b.t.Helper()
	r, err := http.NewRequest(http.MethodGet, w.b.http.URL+path, nil)
	if err != nil {
		w.b.t.Fatal(err)
	}
	return w.do(r)
}

var tokenField = regexp.MustCompile(`name="token" value="([0-9a-f]{64})"`)

// send fills a form as it stands on its page and sends it.
func (w *browser) send(form, to string, fields url.Values) page {
	w.b.t.Helper()
	found := tokenField.FindStringSubmatch(w.get(form).text)
	if found == nil {
		w.b.t.Fatalf("%s has no form", form)
	}
	fields.Set("token", found[1])
	return w.post(to, fields)
}

func (w *browser) post(to string, fields url.Values) page {
	w.b.t.Helper()
	r, err := http.NewRequest(http.MethodPost, w.b.http.URL+to, strings.NewReader(fields.Encode()))
	if err != nil {
		w.b.t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return w.do(r)
}

func (w *browser) postJSON(path string, body any) page {
	w.b.t.Helper()
	text, ok := body.(string)
	if !ok {
		encoded, err := json.Marshal(body)
		if err != nil {
			w.b.t.Fatal(err)
		}
		text = string(encoded)
	}
	r, err := http.NewRequest(http.MethodPost, w.b.http.URL+path, strings.NewReader(text))
	if err != nil {
		w.b.t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/json")
	return w.do(r)
}

func into[T any](t *testing.T, p page) (out T) {
	t.Helper()
	d := json.NewDecoder(bytes.NewReader([]byte(p.text)))
	if err := d.Decode(&out); err != nil {
		t.Fatalf("%s: %d %s: %v", p.at, p.status, p.text, err)
	}
	return out
}

// opened is what a page gets of a test.
type opened struct {
	ID       string
	Title    string
	Person   struct{ Code, Label string }
	Demo     bool
	Speed    int
	Simulate int
	By       string
	Load     core.Load
	Clocks   core.Clocks
	NowMs    int64 `json:"now_ms"`
	Acked    map[string]uint32
	Notice   string
}

func (w *browser) open(id string) opened {
	w.b.t.Helper()
	p := w.get("/api/tests/" + id)
	if p.status != http.StatusOK {
		w.b.t.Fatalf("open %s: %d %s", id, p.status, p.text)
	}
	return into[opened](w.b.t, p)
}

type acked struct{ Acked map[string]uint32 }

func (w *browser) events(id string, now int64, events ...conduct.Event) page {
	w.b.t.Helper()
	return w.postJSON("/api/tests/"+id+"/events", map[string]any{"now_ms": now, "events": events})
}

// alder is a filled-in prepare form.
func alder() url.Values {
	return url.Values{"age_years": {"58"}, "sex": {"female"}, "mass_kg": {"71,5"}, "height_cm": {"168"}, "rest_hr_bpm": {"68"}, "rest_sbp_mmhg": {"124"}, "rest_dbp_mmhg": {"76"},
		"hr_method": {"strap"}, "rate_limiting_drug": {"no"}, "rhythm": {"sinus"}, "protocol": {"recumbent-stepper"}, "end_point_percent": {"85"}, "max_hr_formula": {"220-age"},
		"blood_pressure": {"none"}, "by": {"KL"}, "do": {"begin"}}
}

// person adds one and returns the path.
func (w *browser) person(code string) string {
	w.b.t.Helper()
	p := w.send("/people", "/people", url.Values{"code": {code}, "name": {"Name of " + code}})
	if p.status != http.StatusOK || !strings.HasPrefix(p.at, "/people/") {
		w.b.t.Fatalf("add: %d at %s: %s", p.status, p.at, p.text)
	}
	return p.at
}

// wellForm is a filled-in page "safe to test?" of somebody with nothing against a test.
func wellForm() url.Values {
	return url.Values{"consent": {"yes"}, "told": {"all"}, "regular_exercise": {"no"}, "intended_intensity": {"vigorous"}, "known_disease": {"none"}, "symptoms": {"none"},
		"contraindications": {"none"}, "rest_sbp_mmhg": {"124"}, "rest_dbp_mmhg": {"76"}, "rest_hr_bpm": {"68"}, "irregular_beats_per_min": {"0"},
		"drugs": {"none"}, "rhythm_devices": {"none"}, "by": {"KL"}, "do": {"judge"}}
}

// screen says that a person may be tested.
func (w *browser) screen(person string) {
	w.b.t.Helper()
	if p := w.send(person+"/screening", person+"/screening", wellForm()); p.status != http.StatusOK || !strings.Contains(p.text, "Prepare the test") {
		w.b.t.Fatalf("screening: %d at %s: %s", p.status, p.at, p.text)
	}
}

// prepare begins a test of a person, who was screened, and returns its id.
func (w *browser) prepare(person string, fields url.Values) string {
	w.b.t.Helper()
	if !w.b.demo {
		w.screen(person)
	}
	p := w.send(person+"/new", person+"/new", fields)
	id, ok := strings.CutPrefix(strings.TrimSuffix(p.at, "/run"), "/tests/")
	if p.status != http.StatusOK || !ok {
		w.b.t.Fatalf("prepare: %d at %s: %s", p.status, p.at, p.text)
	}
	return id
}

// ride runs a whole test the way the running page does: it ticks, does what it is told, and sends every event.
// Events go out in bundles, so that many are on the way at once.
func (w *browser) ride(id string, until func(*core.View) bool) {
	w.b.t.Helper()
	o := w.open(id)
	c := &core.Core{}
	if a := c.Answer(core.Ask{Op: "load", Load: &o.Load}); a.Error != "" {
		w.b.t.Fatal(a.Error)
	}
	var held []conduct.Event
	for at := int64(0); at < 60*60_000; at += 1000 {
		events, view := w.second(c, at)
		held = append(held, events...)
		over := view.Phase == conduct.Over || until != nil && until(view)
		if len(held) > 4 || over {
			if p := w.events(id, at, held...); p.status != http.StatusOK {
				w.b.t.Fatalf("at %d: %d %s", at, p.status, p.text)
			}
			held = nil
		}
		if over {
			return
		}
	}
	v := c.Answer(core.Ask{Op: "view", At: 60 * 60_000}).View
	w.b.t.Fatalf("the test never ended: %v %+v %+v", v.Phase, v.Next, v.Recovery)
}

// second is one second of the examiner at the invented participant: what was recorded, and how it then stands.
func (w *browser) second(c *core.Core, at int64) (out []conduct.Event, _ *core.View) {
	w.b.t.Helper()
	sample := c.Answer(core.Ask{Op: "simulate", At: at}).Sample
	tick := c.Answer(core.Ask{Op: "tick", At: at})
	out = append(out, tick.Events...)
	e := answerTo(tick.View, sample)
	if len(e) == 0 {
		return out, tick.View
	}
	a := c.Answer(core.Ask{Op: "act", At: at, Events: e, By: "KL"})
	if a.Error != "" {
		w.b.t.Fatalf("at %d s: %s", at/1000, a.Error)
	}
	return append(out, a.Events...), a.View
}

// answerTo is what an obedient examiner does.
func answerTo(v *core.View, sample *core.Sample) []conduct.Event {
	n := v.Next
	one := func(e conduct.Event) []conduct.Event { return []conduct.Event{e} }
	switch n.Do {
	case conduct.DoBegin, conduct.DoSetWork:
		return one(conduct.Event{Kind: conduct.StageBegun, Code: n.Part, V: n.Work})
	case conduct.DoRead:
		read := conduct.Event{Kind: conduct.Reading, What: n.What, V: sample.HR, Slot: n.Slot, Src: conduct.Strap, Used: 20, Dropped: 1}
		pressure := conduct.Event{Kind: conduct.Reading, What: protocol.BloodPressure, V: 126, V2: 78, Src: conduct.Typed}
		switch {
		case v.LeftMs > 0:
		case v.Phase >= conduct.Cooling:
			read.Slot = 0
			return []conduct.Event{read, pressure}
		case n.What == protocol.HeartRate:
			return one(read)
		}
	case conduct.DoEnd:
		return one(conduct.Event{Kind: conduct.CoolBegun, V: n.Work})
	case conduct.DoStop, conduct.DoRecover:
		if v.Phase != conduct.Resting {
			return one(conduct.Event{Kind: conduct.RestBegun})
		}
	case conduct.DoDecide:
		return one(conduct.Event{Kind: conduct.Accepted})
	case conduct.DoClose:
		return one(conduct.Event{Kind: conduct.Closed, Code: "recovered"})
	}
	return nil
}

// A newcomer's whole way: add a person, prepare, run, read the result, print the sheet.
func TestWholeWay(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("A-1")
	id := w.prepare(who, alder())
	w.ride(id, nil)
	result := w.get("/tests/" + id)
	for _, want := range []string{"Estimated peak oxygen uptake", "mL/kg/min", "usable", "125.707 − 0.476", "Minute by minute", "coefficients not verified", "KL", "if the equation holds"} {
		if !strings.Contains(result.text, want) {
			t.Errorf("the result does not say %q", want)
		}
	}
	if !regexp.MustCompile(`<strong class="number">[0-9.]+</strong>&#8201;<span class="unit">mL/kg/min</span> <span class="range">\([0-9.]+–[0-9.]+\)`).MatchString(result.text) {
		t.Error("the number stands without its range")
	}
	log := w.get("/api/tests/" + id + "/log")
	if lines := strings.Count(log.text, "\n"); lines < 10 || !strings.HasPrefix(log.text, `{"term":1,"n":1,`) {
		t.Errorf("log: %d lines: %.80s", lines, log.text)
	}
}
