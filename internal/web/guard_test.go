package web_test

import (
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"gradus/conduct"
	"gradus/internal/web"
)

// Every route of every kind, on a record with one test that ended, one that runs and one that was reassigned.
func TestEveryRoute(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who, other := w.person("A-1"), w.person("B-2")
	done := w.prepare(who, alder())
	w.ride(done, nil)
	runs := w.prepare(other, alder())
	html, jsn := "text/html; charset=utf-8", "application/json"
	for _, c := range []struct {
		path   string
		status int
		kind   string
		want   string
	}{
		{"/", 200, html, "Running now"},
		{"/people", 200, html, "A-1"},
		{"/people?q=b-2", 200, html, "Name of B-2"},
		{"/people?q=nobody", 200, html, "Nobody matches “nobody”"},
		{who, 200, html, "Recumbent stepper"},
		{who + "/new", 200, html, "About 32 min, of which 14 of exercise."},
		{who + "/new?protocol=nothing", 404, html, "known are"},
		{"/tests/" + done, 200, html, "Estimated peak oxygen uptake"},
		{"/tests/" + runs, 200, html, "The test still runs"},
		{"/tests/" + done + "/sheet", 200, html, "Readings so far"},
		{"/tests/" + runs + "/sheet", 200, html, "boxes for those to come"},
		{"/tests/" + runs + "/run", 200, html, `data-test="` + runs + `"`},
		{"/tests/" + runs + "/participant", 200, html, `<main id="participant"`},
		{"/tests/" + runs + "/observe", 200, html, `<main id="observe"`},
		{"/people/99", 404, html, "There is no such page, person or test."},
		{"/people/x", 404, html, "There is no such page"},
		{"/people/99/new", 404, html, "There is no such page"},
		{"/tests/none", 404, html, "There is no such page"},
		{"/tests/none/run", 404, html, "There is no such page"},
		{"/tests/none/sheet", 404, html, "There is no such page"},
		{"/nothing", 404, html, "There is no such page"},
		{"/api/clock", 200, jsn, `"boot_id":"one"`},
		{"/api/tests/" + runs, 200, jsn, `"acked":{"1":1}`},
		{"/api/tests/" + done + "/samples?kind=hr", 200, jsn, `{"values":[]}`},
		{"/api/tests/" + done + "/samples?from=x", 400, jsn, "no times"},
		{"/api/tests/" + done + "/log", 200, "application/x-ndjson", `"kind":"began"`},
		{"/api/tests/none", 404, jsn, `"hint":`},
		{"/api/tests/none/stream", 404, jsn, `"hint":`},
		{"/api/tests/" + done + "/stream?since=x", 400, jsn, "does not say"},
		{"/api/tests/none/samples", 404, jsn, `"error":`},
		{"/api/tests/none/log", 404, jsn, `"error":`},
		{"/api/nothing", 404, jsn, `"error":`},
		{"/assets/page-1.css", 200, "text/css; charset=utf-8", ""},
		{"/assets/core-4.wasm", 200, "application/wasm", ""},
		{"/assets/manifest.json", 200, jsn, "style.css"},
		{"/assets/nothing.js", 404, "text/plain; charset=utf-8", "no such file"},
		{"/assets/secret.txt~", 404, "text/plain; charset=utf-8", "no such file"},
		{"/assets/..%2fserver.go", 404, "text/plain; charset=utf-8", "no such file"},
		{"/favicon.ico", 200, "image/svg+xml", "<svg"},
		{"/sw.js", 200, "text/javascript; charset=utf-8", "self"},
	} {
		p := w.get(c.path)
		if p.status != c.status || p.header.Get("Content-Type") != c.kind || !strings.Contains(p.text, c.want) {
			t.Errorf("%s: %d %s, want %d %s with %q:\n%.300s", c.path, p.status, p.header.Get("Content-Type"), c.status, c.kind, c.want, p.text)
		}
		strict(t, c.path, p)
	}
	for _, path := range []string{who, "/tests/" + runs + "/run", "/api/tests/" + runs} {
		r, err := http.NewRequest(http.MethodDelete, b.http.URL+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		if p := w.do(r); p.status != http.StatusNotFound {
			t.Errorf("DELETE %s: %d", path, p.status)
		}
	}
}

var (
	styled   = regexp.MustCompile(`(?i)<style|\sstyle\s*=|\son[a-z]+\s*=|javascript:`)
	scripts  = regexp.MustCompile(`(?is)<script([^>]*)>(.*?)</script>`)
	hasLabel = regexp.MustCompile(`<(?:input|select|textarea) (?:[^>]*\s)?id="([^"]+)"`)
)

// strict looks at what holds for every answer: the policy, and no style or script in a page.
func strict(t *testing.T, path string, p page) {
	t.Helper()
	policy := p.header.Get("Content-Security-Policy")
	for _, want := range []string{"default-src 'self'", "script-src 'self' 'wasm-unsafe-eval'", "style-src 'self'", "frame-ancestors 'none'", "form-action 'self'", "base-uri 'none'"} {
		if !strings.Contains(policy, want) {
			t.Errorf("%s: policy %q lacks %s", path, policy, want)
		}
	}
	if strings.Contains(policy, "unsafe-inline") || strings.Contains(policy, "'unsafe-eval'") {
		t.Errorf("%s: policy %q", path, policy)
	}
	if p.header.Get("X-Content-Type-Options") != "nosniff" || p.header.Get("Referrer-Policy") != "same-origin" {
		t.Errorf("%s: headers %v", path, p.header)
	}
	if !strings.HasPrefix(p.header.Get("Content-Type"), "text/html") {
		return
	}
	if found := styled.FindString(p.text); found != "" {
		t.Errorf("%s: %q stands in the page", path, found)
	}
	for _, s := range scripts.FindAllStringSubmatch(p.text, -1) {
		if !strings.Contains(s[1], "src=") || strings.TrimSpace(s[2]) != "" {
			t.Errorf("%s: a script stands in the page: %s", path, s[0])
		}
	}
	for _, id := range hasLabel.FindAllStringSubmatch(p.text, -1) {
		if !strings.Contains(p.text, `for="`+id[1]+`"`) {
			t.Errorf("%s: field %s has no label", path, id[1])
		}
	}
	if strings.Count(p.text, "<h1") != 1 || strings.Contains(p.text, "%!") {
		t.Errorf("%s: headings or texts are wrong: %.2000s", path, p.text)
	}
	if !strings.Contains(p.text, "do not use it with patients") && !strings.Contains(p.text, "all people and all data are invented") {
		t.Errorf("%s: the page does not say what it may be used for", path)
	}
}

// Outside the demonstration every page says where it must not be used; inside, that everything is invented.
func TestStandingOfEveryPage(t *testing.T) {
	for _, demo := range []bool{false, true} {
		b := begin(t, demo)
		w := b.browser()
		who := w.person("A-1")
		id := w.prepare(who, alder())
		for _, path := range []string{"/", "/people", who, who + "/new", "/tests/" + id, "/tests/" + id + "/sheet", "/tests/" + id + "/run", "/tests/" + id + "/participant", "/tests/" + id + "/observe", "/nothing"} {
			text := w.get(path).text
			if strings.Contains(text, "do not use it with patients") == demo || strings.Contains(text, "all people and all data are invented") != demo {
				t.Errorf("demo %v: %s says something else", demo, path)
			}
		}
	}
}

// Requests that another site's page could send are refused before anything is done.
func TestStrangers(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	id := w.prepare(w.person("A-1"), alder())
	own := strings.TrimPrefix(b.http.URL, "http://")
	port := own[strings.LastIndex(own, ":"):]
	for _, c := range []struct {
		name, method, path, host string
		header                   map[string]string
		refused                  bool
	}{
		{"own", "GET", "/", own, nil, false},
		{"localhost", "GET", "/", "localhost" + port, nil, false},
		{"ipv6", "GET", "/", "[::1]" + port, nil, false},
		{"rebound name", "GET", "/", "clinic.example" + port, nil, true},
		{"rebound name, interface", "GET", "/api/tests/" + id, "clinic.example", nil, true},
		{"name that begins like ours", "GET", "/", "localhost.example" + port, nil, true},
		{"other machine", "GET", "/", "192.168.1.4" + port, nil, true},
		{"empty host", "GET", "/", "", nil, false}, // the client puts its own
		{"own origin", "POST", "/api/tests/" + id + "/events", own, map[string]string{"Origin": b.http.URL}, false},
		{"other origin", "POST", "/api/tests/" + id + "/events", own, map[string]string{"Origin": "http://127.0.0.1:1"}, true},
		{"null origin", "POST", "/api/tests/" + id + "/events", own, map[string]string{"Origin": "null"}, true},
		{"cross-site", "POST", "/api/tests/" + id + "/events", own, map[string]string{"Sec-Fetch-Site": "cross-site"}, true},
		{"another port of this machine", "POST", "/api/tests/" + id + "/events", own, map[string]string{"Sec-Fetch-Site": "same-site"}, true},
		{"another site reads", "GET", "/api/tests/" + id, own, map[string]string{"Sec-Fetch-Site": "cross-site"}, true},
		{"another site's form", "POST", "/people", own, map[string]string{"Origin": "https://clinic.example"}, true},
		{"a link from elsewhere", "GET", "/tests/" + id, own, map[string]string{"Sec-Fetch-Site": "cross-site"}, false},
		{"same origin", "POST", "/api/tests/" + id + "/events", own, map[string]string{"Sec-Fetch-Site": "same-origin", "Origin": b.http.URL}, false},
	} {
		r, err := http.NewRequest(c.method, b.http.URL+c.path, strings.NewReader(`{"now_ms":0,"events":[]}`))
		if err != nil {
			t.Fatal(err)
		}
		r.Host = c.host
		r.Header.Set("Content-Type", "application/json")
		for k, v := range c.header {
			r.Header.Set(k, v)
		}
		p := w.do(r)
		if (p.status == http.StatusForbidden) != c.refused {
			t.Errorf("%s: %d %s", c.name, p.status, p.text)
		}
		if p.header.Get("Content-Security-Policy") == "" {
			t.Errorf("%s: no policy", c.name)
		}
	}
	if got := w.open(id).Acked["1"]; got != 1 {
		t.Errorf("%d events are stored, want the first alone", got)
	}
}

// A form without the token of this browser is shown again with everything that was entered.
func TestFormOfAnother(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	p := w.post("/people", url.Values{"name": {"Kept Name"}, "token": {strings.Repeat("0", 64)}})
	if p.status != http.StatusUnprocessableEntity || !strings.Contains(p.text, `value="Kept Name"`) || !strings.Contains(p.text, "open too long") {
		t.Errorf("%d %s", p.status, p.text)
	}
	found := tokenField.FindStringSubmatch(p.text)
	if found == nil {
		t.Fatal("the form came back without a token")
	}
	other := b.browser()
	other.get("/people")
	if p := other.post("/people", url.Values{"name": {"X"}, "token": {found[1]}}); p.status != http.StatusUnprocessableEntity {
		t.Errorf("another browser's token was taken: %d", p.status)
	}
	b.again() // a form that was open while the program started again is still taken
	if p := w.post("/people", url.Values{"name": {"Kept Name"}, "token": {found[1]}}); p.status != http.StatusOK || !strings.HasPrefix(p.at, "/people/") {
		t.Errorf("after a restart: %d %s", p.status, p.text)
	}
}

func TestAssetsInTheSmallestForm(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	for accept, want := range map[string]string{"br, gzip": "BR", "gzip": "GZ", "gzip;q=1.0, br;q=0": "GZ", "identity": "body{}", "br;q=0.5": "BR"} {
		r, err := http.NewRequest(http.MethodGet, b.http.URL+"/assets/page-1.css", nil)
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Accept-Encoding", accept)
		p := w.do(r)
		if p.text != want || !strings.Contains(p.header.Get("Cache-Control"), "immutable") || p.header.Get("Vary") != "Accept-Encoding" {
			t.Errorf("%s: %q %v", accept, p.text, p.header)
		}
	}
	if p := w.get("/sw.js"); p.header.Get("Cache-Control") != "no-cache" || p.header.Get("Service-Worker-Allowed") != "/" {
		t.Errorf("service worker: %v", p.header)
	}
	if p := w.get("/"); !strings.Contains(p.text, `<link rel="stylesheet" href="/assets/page-1.css">`) || p.header.Get("Cache-Control") != "no-store" {
		t.Errorf("today: %v", p.header)
	}
}

func TestListenOnThisMachineAlone(t *testing.T) {
	for _, address := range []string{"0.0.0.0:0", ":0", "192.168.1.4:80", "[::]:0", "clinic.example:80", "127.0.0.1", "127.0.0.1:x", "127.0.0.1:70000"} {
		if ln, err := web.Listen(address, web.Reach{}); err == nil {
			ln.Close()
			t.Errorf("%s was opened", address)
		} else if !strings.Contains(err.Error(), "--listen") {
			t.Errorf("%s: %v does not say where", address, err)
		}
	}
	ln, err := web.Listen("127.0.0.1:0", web.Reach{})
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	if _, err := web.Listen(ln.Addr().String(), web.Reach{}); err == nil || !strings.Contains(err.Error(), "is in use") || !strings.Contains(err.Error(), "--listen 127.0.0.1:0") {
		t.Errorf("a taken port: %v", err)
	}
}

// A body of the wrong kind or size changes nothing and says what to do.
func TestBadBodies(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	id := w.prepare(w.person("A-1"), alder())
	events, samples, call := "/api/tests/"+id+"/events", "/api/tests/"+id+"/samples", "/api/tests/"+id+"/call"
	one := `{"now_ms":0,"events":[{"term":1,"n":2,"at":"0:00","kind":"note","text":"x"}]}`
	for _, c := range []struct {
		path, body string
		status     int
		want       string
	}{
		{events, "", 400, "nothing was stored"},
		{events, "{", 400, "nothing was stored"},
		{events, one + "x", 400, "after the JSON value"},
		{events, `{"now_ms":0,"events":[],"more":1}`, 400, "unknown field"},
		{events, `{"events":[{"term":1,"n":2,"at":"0:00","kind":"note","txt":"x"}]}`, 400, "unknown field"},
		{events, `{"events":[{"term":1,"n":2,"at":"0:00","kind":"dance"}]}`, 400, "not known"},
		{events, `{"events":[{"term":1,"n":2,"at":"0:00"}]}`, 400, "no kind"},
		{events, `{"events":[{"term":0,"n":2,"at":"0:00","kind":"note"}]}`, 400, "no id"},
		{events, `{"events":[{"term":1,"n":0,"at":"0:00","kind":"note"}]}`, 400, "no id"},
		{events, `{"events":[{"term":1,"n":2,"at":"-0:05","kind":"note"}]}`, 400, "no test time"},
		{events, `{"events":[{"term":1,"n":2,"at":5,"kind":"note"}]}`, 400, "nothing was stored"},
		{events, `{"now_ms":-5,"events":[]}`, 400, "no test time"},
		{events, `{"events":[{"term":1,"n":2,"at":"0:00","kind":"note","v":1e999}]}`, 400, "nothing was stored"},
		{events, `{"events":[{"term":1,"n":2,"at":"0:00","kind":"began"}]}`, 400, "only the event that begins"},
		{events, `{"events":[{"term":1,"n":2,"at":"0:00","kind":"note","text":"` + strings.Repeat("x", 5000) + `"}]}`, 400, "shorten"},
		{events, `{"events":[` + strings.Repeat(`{},`, 2001) + `{}]}`, 413, "at most 2000"},
		{events, `{"events":[],"x":"` + strings.Repeat("x", 2<<20) + `"}`, 413, "more than"},
		{samples, `{"blocks":[{"seq":1,"from_ms":0,"to_ms":20000,"kind":"hr","values":[[0,80]]}]}`, 400, "at most 10 s"},
		{samples, `{"blocks":[{"seq":1,"from_ms":0,"to_ms":1000,"kind":"mood","values":[[0,80]]}]}`, 400, "no kind of sample"},
		{samples, `{"blocks":[{"seq":1,"from_ms":0,"to_ms":1000,"kind":"hr","values":[]}]}`, 400, "1 to"},
		{samples, `{"blocks":[{"seq":1,"from_ms":0,"to_ms":1000,"kind":"hr","values":[[2000,80]]}]}`, 400, "outside the block"},
		{samples, `{"blocks":[{"seq":1,"from_ms":0,"to_ms":1000,"kind":"hr","values":[[900,80],[800,80]]}]}`, 400, "outside the block"},
		{samples, `{"blocks":[{"seq":1,"from_ms":0,"to_ms":1000,"kind":"hr","values":[[0,-3]]}]}`, 400, "can not be true"},
		{samples, `{"blocks":[{"seq":1,"from_ms":0,"to_ms":1000,"kind":"hr","values":[[0,"x"]]}]}`, 400, "nothing was stored"},
		{samples, `{"blocks":[{"seq":1,"from_ms":0,"to_ms":1000,"kind":"hr","values":[[0,80,1]]}]}`, 400, "pairs"},
		{samples, `{"blocks":[]}`, 400, "1 to 16"},
		{samples, `{"blocks":[{"seq":1,"from_ms":0,"to_ms":10,"kind":"hr","values":[[0,80]]},{"seq":2,"from_ms":0,"to_ms":10,"kind":"mood","values":[[0,80]]}]}`, 400, "blocks[1].kind"},
		{samples, `{"x":"` + strings.Repeat("x", 200<<10) + `"}`, 413, "more than"},
		{call, `{"by":"` + strings.Repeat("x", 10000) + `"}`, 413, "more than"},
	} {
		p := w.postJSON(c.path, c.body)
		if p.status != c.status || !strings.Contains(p.text, c.want) {
			t.Errorf("%s %.80s: %d %.200s, want %d %q", c.path, c.body, p.status, p.text, c.status, c.want)
		}
		if f := into[struct{ Error, Hint string }](t, p); f.Error == "" || f.Hint == "" {
			t.Errorf("%.80s: %s does not say what is wrong and what to do", c.body, p.text)
		}
	}
	r, err := http.NewRequest(http.MethodPost, b.http.URL+events, strings.NewReader(one))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Content-Type", "text/plain")
	if p := w.do(r); p.status != http.StatusUnsupportedMediaType {
		t.Errorf("as plain text: %d", p.status)
	}
	if p := w.post("/people", url.Values{"note": {strings.Repeat("x", 100<<10)}}); p.status != http.StatusRequestEntityTooLarge {
		t.Errorf("a large form: %d", p.status)
	}
	if got := w.open(id).Acked["1"]; got != 1 {
		t.Errorf("%d events are stored, want the first alone", got)
	}
	if p := w.events(id, 0, conduct.Event{Term: 1, N: 2, Kind: conduct.Note, Text: "fine"}); p.status != http.StatusOK {
		t.Errorf("a good one: %d %s", p.status, p.text)
	}
	if p := w.postJSON("/api/tests/none/events", one); p.status != http.StatusNotFound {
		t.Errorf("no test: %d", p.status)
	}
	if p := w.postJSON("/api/tests/none/samples", `{"blocks":[{"seq":1,"from_ms":0,"to_ms":1000,"kind":"hr","values":[[0,80]]}]}`); p.status != http.StatusNotFound {
		t.Errorf("no test: %d", p.status)
	}
}
