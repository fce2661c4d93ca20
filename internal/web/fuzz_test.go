package web_test

import (
	"context"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"gradus/internal/record"
	"gradus/internal/web"
)

// FuzzRoutes sends to every route what nobody would: any method, any address, any body, with the form's own token so
// that it comes past the door. Nothing may make the server panic or answer that it made a mistake.
func FuzzRoutes(f *testing.F) {
	dir := f.TempDir()
	store, err := record.Open(context.Background(), dir, record.Options{})
	if err != nil {
		f.Fatal(err)
	}
	log := &lockedBuffer{}
	srv, err := web.New(web.Options{Store: store, Dir: dir, Demo: true, Speed: 10, Assets: built, Log: slog.New(slog.NewTextHandler(log, &slog.HandlerOptions{Level: slog.LevelError}))})
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() {
		srv.Stop()
		if err := store.Close(); err != nil {
			f.Error(err)
		}
	})
	if err := web.Invent(context.Background(), store); err != nil {
		f.Fatal(err)
	}
	cookie := "0123456789abcdef0123456789abcdef"
	answer := func(method, path, kind, body string) *httptest.ResponseRecorder {
		u, err := url.Parse(path)
		if err != nil {
			return nil
		}
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		if strings.HasSuffix(u.Path, "stream") {
			time.AfterFunc(5*time.Millisecond, cancel)
		}
		r := httptest.NewRequestWithContext(ctx, http.MethodGet, "http://127.0.0.1/", strings.NewReader(body))
		r.Method, r.URL, r.RequestURI, r.ProtoMajor, r.ProtoMinor, r.Proto = method, u, path, 2, 0, "HTTP/2.0" // a stream stays in its answer
		r.Header.Set("Content-Type", kind)
		r.AddCookie(&http.Cookie{Name: "gradus", Value: cookie})
		w := httptest.NewRecorder()
		srv.ServeHTTP(w, r)
		if ctx.Err() != nil {
			return nil // the browser had gone; there is nobody to answer
		}
		return w
	}
	found := tokenField.FindStringSubmatch(answer(http.MethodGet, "/people", "", "").Body.String())
	if found == nil {
		f.Fatal("the people page has no form")
	}
	tests, err := store.Tests(context.Background(), record.TestFilter{Limit: 1})
	if err != nil {
		f.Fatal(err)
	}
	id := "none"
	if len(tests) > 0 {
		id = tests[0].ID
	}
	routes := srv.Routes()
	for i, pattern := range routes {
		f.Add(uint16(i), "", "", uint8(0), "")
		if strings.HasPrefix(pattern, "POST") {
			f.Add(uint16(i), "", "x=1", uint8(1), `{"now_ms":0,"events":[{"term":1,"n":2,"at":"0:00","kind":"note"}],"blocks":[],"text":""}`)
			f.Add(uint16(i), "..%2f", "since=1.1&of=a~~1", uint8(2), "--x\r\nContent-Disposition: form-data; name=\"file\"; filename=\"f.csv\"\r\n\r\n1,2\r\n--x--\r\n")
		}
	}
	kinds := []string{"application/x-www-form-urlencoded", "application/json", "multipart/form-data; boundary=x", "text/csv"}
	f.Fuzz(func(t *testing.T, route uint16, slotted, query string, kind uint8, body string) {
		method, path, ok := strings.Cut(routes[int(route)%len(routes)], " ")
		if !ok {
			method, path = http.MethodGet, method
		}
		path = strings.TrimSuffix(path, "{$}")
		if slotted == "" {
			path = strings.ReplaceAll(path, "{test}", id)
			path = strings.ReplaceAll(path, "{protocol}", "recumbent-stepper")
			slotted = "1"
		}
		path = slot.ReplaceAllString(path, strings.ReplaceAll(url.PathEscape(slotted), "$", "$$"))
		if kind%4 == 0 {
			body = "token=" + found[1] + "&" + body
		}
		w := answer(method, path+"?"+query, kinds[kind%4], body)
		if w != nil && w.Code >= 500 {
			t.Fatalf("%s %s?%q with %q: %d %.400s\n%s", method, path, query, body, w.Code, w.Body.String(), log.text())
		}
	})
}
