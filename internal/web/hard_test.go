package web_test

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"gradus/internal/record"
	"gradus/internal/web"
)

// behindDoor serves a bedside through a door with short times.
func behindDoor(t *testing.T, within web.Times) (*bedside, string) {
	t.Helper()
	b := begin(t, false)
	ln, err := web.Listen("127.0.0.1:0", web.Reach{})
	if err != nil {
		t.Fatal(err)
	}
	ctx, end := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- web.Door{Handler: b.srv, Within: within}.Serve(ctx, ln) }()
	t.Cleanup(func() {
		end()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	return b, ln.Addr().String()
}

// Clients that send by drops are let go, and nobody waits for them meanwhile.
func TestSlowClients(t *testing.T) {
	_, at := behindDoor(t, web.Times{Head: 200 * time.Millisecond, Body: 400 * time.Millisecond, Answer: time.Minute, Close: time.Minute})
	for name, first := range map[string]string{
		"head": "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n",
		"body": "POST /api/tests/x/events HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nContent-Length: 100\r\n\r\n{",
	} {
		var held []net.Conn
		for range 50 {
			c, err := net.Dial("tcp", at)
			if err != nil {
				t.Fatal(err)
			}
			defer c.Close()
			fmt.Fprint(c, first)
			held = append(held, c)
		}
		if resp, err := http.Get("http://" + at + "/healthz"); err != nil || resp.StatusCode != http.StatusOK {
			t.Errorf("%s: beside slow clients: %v %v", name, resp, err)
		}
		for _, c := range held {
			c.SetReadDeadline(time.Now().Add(time.Minute)) //nolint:errcheck // the read below fails then
			if _, err := io.ReadAll(c); err != nil {
				t.Fatalf("%s: a slow client is still held: %v", name, err)
			}
		}
	}
	c, err := net.Dial("tcp", at)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	go fmt.Fprintf(c, "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Long: %s\r\n\r\n", strings.Repeat("x", 64<<10))
	if resp, err := http.ReadResponse(bufio.NewReader(c), nil); err != nil || resp.StatusCode != http.StatusRequestHeaderFieldsTooLarge {
		t.Errorf("a head of 64 KB: %v %v", resp, err)
	}
}

// Who sends by drops does not keep the server from going, and makes no fault of it.
func TestSlowClientAtTheEnd(t *testing.T) {
	ln, err := web.Listen("127.0.0.1:0", web.Reach{})
	if err != nil {
		t.Fatal(err)
	}
	ctx, end := context.WithCancel(context.Background())
	ended, reached := make(chan error, 1), make(chan struct{})
	slow := http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		close(reached)
		io.Copy(io.Discard, r.Body) //nolint:errcheck // it is cut off
	})
	go func() {
		ended <- web.Door{Handler: slow, Within: web.Times{Head: time.Minute, Body: time.Minute, Answer: time.Minute, Close: 200 * time.Millisecond}}.Serve(ctx, ln)
	}()
	c, err := net.Dial("tcp", ln.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	fmt.Fprint(c, "POST / HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 100\r\n\r\n{")
	<-reached
	end()
	select {
	case err := <-ended:
		if err != nil {
			t.Errorf("the server ended with %v", err)
		}
	case <-time.After(time.Minute):
		t.Fatal("the server waits for a slow client")
	}
}

// The time within which an answer must be taken does not cut a stream.
func TestTimesLeaveStreams(t *testing.T) {
	b, at := behindDoor(t, web.Times{Head: 200 * time.Millisecond, Body: 200 * time.Millisecond, Answer: 200 * time.Millisecond, Close: time.Minute})
	w := b.browser()
	id := w.prepare(w.person("A-1"), alder())
	resp, err := http.Get("http://" + at + "/api/tests/" + id + "/stream?since=1.1")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	time.Sleep(500 * time.Millisecond)
	if p := w.events(id, 0, note(1, 2, "after the time")); p.status != http.StatusOK {
		t.Fatal(p.text)
	}
	lines := bufio.NewScanner(resp.Body)
	for lines.Scan() {
		if strings.Contains(lines.Text(), "after the time") {
			return
		}
	}
	t.Errorf("the stream was cut: %v", lines.Err())
}

var slot = regexp.MustCompile(`\{[a-z]+\}`)

// Every route that takes a body refuses one that is far too large, and the server goes on.
func TestOversizedBodies(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("A-1")
	id := w.prepare(who, alder())
	person := strings.TrimPrefix(who, "/people/")
	tried := 0
	for _, pattern := range b.srv.Routes() {
		path, posts := strings.CutPrefix(pattern, "POST ")
		if !posts {
			continue
		}
		path = strings.NewReplacer("{person}", person, "{test}", id, "{visit}", "1", "{machine}", "1", "{protocol}", "recumbent-stepper").Replace(path)
		path = slot.ReplaceAllString(path, "1")
		for _, kind := range []string{"application/x-www-form-urlencoded", "application/json", "multipart/form-data; boundary=x"} {
			head := map[string]string{"application/x-www-form-urlencoded": "note=", "application/json": `{"x":"`, "multipart/form-data; boundary=x": "--x\r\nContent-Disposition: form-data; name=\"file\"; filename=\"f\"\r\n\r\n"}[kind]
			r, err := http.NewRequest(http.MethodPost, b.http.URL+path, io.MultiReader(strings.NewReader(head), bytes.NewReader(bytes.Repeat([]byte("x"), 9<<20))))
			if err != nil {
				t.Fatal(err)
			}
			r.Header.Set("Content-Type", kind)
			tried++
			resp, err := w.c.Do(r)
			if err != nil {
				continue // the server hung up while it was still being sent
			}
			resp.Body.Close()
			if resp.StatusCode < 400 || resp.StatusCode >= 500 {
				t.Errorf("%s with %s of 9 MB: %d", pattern, kind, resp.StatusCode)
			}
		}
	}
	if tried < 60 {
		t.Errorf("only %d were tried", tried)
	}
	if p := w.get("/"); p.status != http.StatusOK {
		t.Errorf("afterwards: %d", p.status)
	}
}

// lockedBuffer is a log that several requests write to.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) empty() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.b.Reset()
}

func (l *lockedBuffer) text() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// After a whole run with faults of every kind the log holds no name, code, birth date, note, cookie, form key or test
// id, and no page puts a name into an address.
func TestLogHoldsNoPerson(t *testing.T) {
	b := begin(t, false)
	b.srv.Stop()
	b.http.Close()
	log := &lockedBuffer{}
	bad := &faulty{Store: b.store}
	b.store, b.log = bad, slog.New(slog.NewJSONHandler(log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	b.serve()
	w := b.browser()
	p := w.send("/people", "/people", url.Values{"code": {"KX-4711"}, "name": {"Quirina Zzyzx"}, "birth_date": {"1961-07-13"}, "person_note": {"vexillology"}})
	who := p.at
	id := w.prepare(who, alder())
	w.ride(id, nil)
	w.send("/people", "/people", url.Values{"code": {"KX-4711"}, "name": {"Quirina Zzyzx"}})
	for _, path := range []string{"/people/Quirina Zzyzx", "/people?q=Zzyzx", "/KX-4711", "/api/tests/KX-4711", "/tests/KX-4711/run"} {
		w.get(strings.ReplaceAll(path, " ", "%20"))
	}
	found := w.post("/people/search", url.Values{"q": {"zzyzx"}})
	if found.status != http.StatusOK || !strings.Contains(found.text, "KX-4711") {
		t.Errorf("searched: %d", found.status)
	}
	w.postJSON("/api/tests/"+id+"/events", `{"events":[{"kind":"Zzyzx"}]}`)
	r, err := http.NewRequest("ZZYZX", b.http.URL+"/KX-4711", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Host = "zzyzx.example"
	r.Header.Set("Origin", "https://KX-4711.example")
	w.do(r)
	bad.fail(&record.StorageError{Path: "x", Kind: record.ErrDiskFull})
	w.events(id, 0, note(9, 1, "vexillology"))
	bad.fail(nil)
	text := log.text()
	for _, want := range []string{`"msg":"storage"`, `"msg":"refused"`, `"msg":"answered"`, `"route":"POST /api/tests/{test}/events"`, `"request":"`} {
		if !strings.Contains(text, want) {
			t.Errorf("the log lacks %s:\n%s", want, text)
		}
	}
	secrets := []string{"Quirina", "Zzyzx", "zzyzx", "ZZYZX", "KX-4711", "kx-4711", "1961", "vexillology", id, "token"}
	home, err := url.Parse(b.http.URL)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range w.c.Jar.Cookies(home) {
		secrets = append(secrets, c.Value)
	}
	for _, secret := range secrets {
		if strings.Contains(text, secret) {
			t.Errorf("the log holds %q:\n%s", secret, text)
		}
	}
	for _, path := range []string{"/", "/people", who, "/tests/" + id, "/tests/" + id + "/papers"} {
		for _, a := range addresses.FindAllString(w.get(path).text, -1) {
			if strings.Contains(strings.ToLower(a), "zzyzx") || strings.Contains(a, "4711") {
				t.Errorf("%s: a name or code stands in an address: %s", path, a)
			}
		}
	}
	for _, page := range []string{w.get("/").text, found.text} {
		if strings.Contains(page, `method="get"`) {
			t.Error("a form puts what is searched into the address")
		}
	}
}

var addresses = regexp.MustCompile(`(?:href|action|src)="[^"]*"`)

// Who meets a fault of the program is told the number under which the log has it.
func TestNumberOfAFault(t *testing.T) {
	b := begin(t, false)
	b.srv.Stop()
	b.http.Close()
	log := &lockedBuffer{}
	b.log = slog.New(slog.NewJSONHandler(log, nil))
	b.store = broken{b.store}
	b.serve()
	p := b.browser().get("/machines")
	number := p.header.Get("Request-Id")
	if p.status != http.StatusInternalServerError || len(number) != 12 || !strings.Contains(p.text, number) || !strings.Contains(log.text(), `"request":"`+number+`"`) {
		t.Errorf("%d, number %q, log %s", p.status, number, log.text())
	}
}

// broken is a record whose list of machines cannot be read.
type broken struct{ record.Store }

func (broken) Machines(context.Context) ([]record.Machine, error) {
	return nil, fmt.Errorf("invented fault")
}

// The counts are told on this machine, and elsewhere to an administrator alone.
func TestMetrics(t *testing.T) {
	b, at := behindDoor(t, web.Times{})
	w := b.browser()
	id := w.prepare(w.person("A-1"), alder())
	w.events(id, 0, note(1, 2, "two"))
	s, _ := b.listen(t, "/api/tests/"+id+"/stream")
	next(t, s, "now")
	b.srv.SignedIn("refused")
	ask := func(host string, header ...string) (int, string) {
		t.Helper()
		r, err := http.NewRequest(http.MethodGet, "http://"+at+"/metrics", nil)
		if err != nil {
			t.Fatal(err)
		}
		r.Host = host
		for i := 0; i+1 < len(header); i += 2 {
			r.Header.Set(header[i], header[i+1])
		}
		resp, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		text, _ := io.ReadAll(resp.Body)
		return resp.StatusCode, string(text)
	}
	status, text := ask(at)
	for _, want := range []string{"gradus_events_total 2\n", "gradus_append_seconds_count 2\n", "gradus_live_tests 1\n", "gradus_observers 1\n", `gradus_sign_ins_total{outcome="refused"} 1`,
		`gradus_requests_total{route="POST /api/tests/{test}/events",status="2xx"} 1`, `gradus_errors_total{kind="storage"} 0`, "process_resident_memory_bytes"} {
		if status != http.StatusOK || !strings.Contains(text, want) {
			t.Errorf("%d, lacks %s", status, want)
		}
	}
	if strings.Contains(text, id) || strings.Contains(text, "A-1") {
		t.Error("the counts name a test or a person")
	}
	for _, c := range [][]string{{at, "X-Forwarded-For", "127.0.0.1"}, {at, "Forwarded", "for=127.0.0.1"}, {at, "Via", "1.1 proxy"}} {
		if status, _ := ask(c[0], c[1:]...); status != http.StatusNotFound {
			t.Errorf("%v: %d", c, status)
		}
	}
	if status, _ := ask("evil.example"); status != http.StatusForbidden {
		t.Errorf("another name: %d", status)
	}
	if p := w.get("/metrics"); p.status != http.StatusNotFound {
		t.Errorf("nobody who signed in: %d", p.status)
	}
	b.srv.Stop()
	b.http.Close()
	b.administrator = func(r *http.Request) bool { return r.Header.Get("X-Test") == "yes" }
	b.serve()
	for value, want := range map[string]int{"yes": http.StatusOK, "no": http.StatusNotFound} {
		r, err := http.NewRequest(http.MethodGet, b.http.URL+"/metrics", nil)
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("X-Test", value)
		if p := w.do(r); p.status != want {
			t.Errorf("administrator %s: %d", value, p.status)
		}
	}
}

// Before the server goes it tells the pages, takes what they hold, says that it is no longer ready, and only then ends.
func TestDrain(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	id := w.prepare(w.person("A-1"), alder())
	s, _ := b.listen(t, "/api/tests/"+id+"/stream")
	next(t, s, "now")
	if err := b.srv.Ready(context.Background()); err != nil {
		t.Errorf("before: %v", err)
	}
	drained := make(chan struct{})
	go func() { b.srv.Drain(context.Background()); close(drained) }()
	next(t, s, "going")
	if err := b.srv.Ready(context.Background()); err == nil {
		t.Error("a server that goes says that it is ready")
	}
	for n := uint32(2); n < 8; n++ {
		select {
		case <-drained:
			t.Fatal("the server did not wait for what the page held")
		case <-time.After(100 * time.Millisecond):
		}
		if p := w.events(id, 0, note(1, n, "held")); p.status != http.StatusOK {
			t.Fatal(p.text)
		}
	}
	<-drained
}
