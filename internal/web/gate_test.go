package web_test

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"gradus/internal/access"
	"gradus/internal/record"
	"gradus/internal/vault"
	"gradus/internal/web"
)

// gated is a program with a gate on a directory of its own.
type gated struct {
	t     *testing.T
	dir   string
	clock *clocks
	gate  *web.Gate
	store *record.SQLite
	http  *httptest.Server
	owned bool // one person, who signs in with the passphrase
}

func begunGate(t *testing.T) *gated {
	g := &gated{t: t, dir: filepath.Join(t.TempDir(), "data"), clock: &clocks{wall: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC), boot: web.Boot{ID: "one", Ms: 5_000_000}}}
	g.start()
	t.Cleanup(g.stop)
	return g
}

func (g *gated) start() {
	g.t.Helper()
	o := web.Options{Dir: g.dir, Assets: built, Cost: access.Cost{MiB: 1, Passes: 1, Lanes: 1}, Now: func() time.Time { return g.clock.wall }, Boot: func() (web.Boot, bool) { return g.clock.boot, true }}
	var err error
	g.gate, err = web.NewGate(o, func(ctx context.Context, k *vault.Key) (*web.Server, error) {
		if g.store, err = vault.Open(ctx, g.dir, k, record.Options{Now: func() time.Time { return g.clock.wall }}); err != nil {
			return nil, err
		}
		o.Store, o.Vault = g.store, k
		if g.owned {
			o.Owner = k
		}
		return web.New(o)
	})
	if err != nil {
		g.t.Fatal(err)
	}
	g.http = httptest.NewServer(g.gate)
}

func (g *gated) stop() {
	g.gate.Stop()
	g.http.Close()
	if g.store != nil {
		g.store.Close()
		g.store = nil
	}
}

func (g *gated) again() { g.stop(); g.start() }

func (g *gated) browser() *browser {
	jar, err := cookiejar.New(nil)
	if err != nil {
		g.t.Fatal(err)
	}
	return &browser{&bedside{t: g.t, http: g.http}, &http.Client{Jar: jar, Timeout: time.Minute, Transport: &http.Transport{DisableCompression: true}}}
}

const words = "an invented sentence of mine"

var (
	groupOf = regexp.MustCompile(`<li><code>([0-9A-Z]{5})</code>`)
	asked   = regexp.MustCompile(`type group ([1-8]) from`)
)

// setUp sets the passphrase and returns the recovery key as it is on the page.
func (g *gated) setUp(w *browser) string {
	g.t.Helper()
	sheet := w.send("/", "/gate/passphrase", url.Values{"passphrase": {words}, "again": {words}})
	var groups []string
	for _, m := range groupOf.FindAllStringSubmatch(sheet.text, -1) {
		groups = append(groups, m[1])
	}
	n := asked.FindStringSubmatch(sheet.text)
	if len(groups) != 8 || n == nil {
		g.t.Fatalf("the sheet: %s", sheet.text)
	}
	strict(g.t, "/gate/sheet", sheet)
	if home := w.send("/gate/sheet", "/gate/sheet", url.Values{"group": {strings.ToLower(groups[n[1][0]-'1'])}}); home.status != http.StatusOK || home.at != "/" || !strings.Contains(home.text, "People") {
		g.t.Fatalf("after the set-up: %d %s %s", home.status, home.at, home.text)
	}
	return strings.Join(groups, " ")
}

func TestGateSetUp(t *testing.T) {
	g := begunGate(t)
	w := g.browser()
	first := w.get("/")
	if first.status != http.StatusOK || !strings.Contains(first.text, "A new record") || strings.Contains(first.text, "not encrypted") || strings.Contains(first.text, `href="/people"`) {
		t.Errorf("%d %s", first.status, first.text)
	}
	strict(t, "/", first)
	for _, c := range []struct{ passphrase, again, want string }{
		{"short", "short", "at least 8"}, {"password1", "password1", "among the first"}, {words, words + "x", "not the same"},
	} {
		p := w.send("/", "/gate/passphrase", url.Values{"passphrase": {c.passphrase}, "again": {c.again}})
		if p.status != http.StatusUnprocessableEntity || !strings.Contains(p.text, c.want) || strings.Contains(p.text, `value="`+c.passphrase) {
			t.Errorf("%q: %d %s", c.passphrase, p.status, p.text)
		}
	}
	if _, err := os.Stat(g.dir); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("something was made before the sheet was proved: %v", err)
	}
	g.setUp(w)
	if p := w.get("/people"); p.status != http.StatusOK || strings.Contains(p.text, "not encrypted") {
		t.Errorf("%d: %s", p.status, p.text)
	}
	w.person("Erfundene-77")
	g.stop()
	err := filepath.WalkDir(g.dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		data, err := os.ReadFile(path)
		if bytes.Contains(data, []byte("Erfundene-77")) || bytes.Contains(data, []byte(words)) {
			t.Errorf("%s shows what it should hide", path)
		}
		return err
	})
	if err != nil {
		t.Error(err)
	}
	g.start()
}

// The sheet is shown to the browser that asked for it, and a wrong group makes no record.
func TestGateSheet(t *testing.T) {
	g := begunGate(t)
	w, other := g.browser(), g.browser()
	w.send("/", "/gate/passphrase", url.Values{"passphrase": {words}, "again": {words}})
	if p := other.get("/gate/sheet"); p.at != "/" || groupOf.MatchString(p.text) {
		t.Errorf("another browser sees the sheet: %s", p.at)
	}
	if p := w.send("/gate/sheet", "/gate/sheet", url.Values{"group": {"AAAAA"}}); p.status != http.StatusUnprocessableEntity || !strings.Contains(p.text, "That is not group") || !groupOf.MatchString(p.text) {
		t.Errorf("%d %s", p.status, p.text)
	}
	if there, err := vault.Exists(g.dir); err != nil || there {
		t.Error("a key was kept without proof", err)
	}
	if p := w.post("/gate/sheet", url.Values{"group": {"AAAAA"}, "token": {"forged"}}); p.status != http.StatusUnprocessableEntity {
		t.Errorf("a forged form: %d", p.status)
	}
}

func TestGateUnlock(t *testing.T) {
	g := begunGate(t)
	recovery := g.setUp(g.browser())
	g.again()
	w := g.browser()
	locked := w.get("/people")
	if locked.status != http.StatusServiceUnavailable || !strings.Contains(locked.text, "The record is locked") || !strings.Contains(locked.text, `name="to" value="/people"`) {
		t.Fatalf("%d %s", locked.status, locked.text)
	}
	strict(t, "/people", locked)
	for _, path := range []string{"/api/tests/t-1", "/api/clock", "/tests/t-1/run", "/api/nothing"} {
		if p := w.get(path); p.status != http.StatusServiceUnavailable {
			t.Errorf("%s: %d", path, p.status)
		}
	}
	if p := w.get("/api/tests/t-1"); !strings.Contains(p.text, "passphrase") || !strings.Contains(p.text, "nothing is lost") {
		t.Errorf("a running page is told %s", p.text)
	}
	if p := w.get("/emergency"); p.status != http.StatusOK || !strings.Contains(p.text, "In an emergency") {
		t.Errorf("the card while locked: %d %s", p.status, p.text)
	}
	try := func(passphrase string) page {
		return w.send("/people", "/gate/unlock", url.Values{"passphrase": {passphrase}, "to": {"/people"}})
	}
	for n := range 3 {
		p := try("some wrong words")
		if p.status != http.StatusUnprocessableEntity || !strings.Contains(p.text, "does not open") || strings.Contains(p.text, "after 1 s") != (n == 2) && strings.Contains(p.text, "after 2 s") != (n == 2) {
			t.Errorf("try %d: %d %s", n, p.status, p.text)
		}
	}
	if p := try(words); !strings.Contains(p.text, "next try") {
		t.Errorf("a try within the wait was looked at: %s", p.text)
	}
	g.clock.pass(3 * time.Second)
	if p := try(words); p.status != http.StatusOK || p.at != "/people" {
		t.Errorf("the right one: %d %s", p.status, p.at)
	}
	if p := g.browser().get("/people"); p.status != http.StatusOK {
		t.Errorf("another browser after unlocking: %d", p.status)
	}
	g.again()
	forgotten(t, g, recovery)
}

func forgotten(t *testing.T, g *gated, recovery string) {
	w := g.browser()
	for typed, want := range map[string]string{"AAAA": "40 characters", strings.Replace(recovery, recovery[:5], "AAAAB", 1): "group 1", vault.NewRecovery().String(): "does not open"} {
		p := w.send("/", "/gate/recover", url.Values{"recovery": {typed}, "passphrase": {"another sentence"}, "again": {"another sentence"}, "to": {"/"}})
		if p.status != http.StatusUnprocessableEntity || !strings.Contains(p.text, want) {
			t.Errorf("%q: %d %s", typed, p.status, p.text)
		}
	}
	if p := w.send("/", "/gate/recover", url.Values{"recovery": {recovery}, "passphrase": {"another sentence"}, "again": {"another sentence"}, "to": {"//elsewhere"}}); p.status != http.StatusOK || p.at != "/" {
		t.Fatalf("%d %s %s", p.status, p.at, p.text)
	}
	g.again()
	w = g.browser()
	if p := w.send("/", "/gate/unlock", url.Values{"passphrase": {words}}); p.status != http.StatusUnprocessableEntity {
		t.Errorf("the old passphrase: %d", p.status)
	}
	if p := w.send("/", "/gate/unlock", url.Values{"passphrase": {"another sentence"}}); p.status != http.StatusOK {
		t.Errorf("the new passphrase: %d %s", p.status, p.text)
	}
}

// A program that was started with the passphrase opens at once; a wrong one is refused.
func TestGateUnlockedAtStart(t *testing.T) {
	g := begunGate(t)
	g.setUp(g.browser())
	g.again()
	if err := g.gate.Unlock(context.Background(), "wrong words here"); !errors.Is(err, vault.ErrPassphrase) {
		t.Error(err)
	}
	if err := g.gate.Unlock(context.Background(), words); err != nil {
		t.Fatal(err)
	}
	if p := g.browser().get("/people"); p.status != http.StatusOK {
		t.Errorf("%d", p.status)
	}
}

// An encrypted record tells its counts like any other, before and after it is opened, on this machine alone.
func TestGateCounts(t *testing.T) {
	g := begunGate(t)
	ln, err := web.Listen("127.0.0.1:0", web.Reach{})
	if err != nil {
		t.Fatal(err)
	}
	ctx, end := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- web.Door{Handler: g.gate}.Serve(ctx, ln) }()
	defer func() {
		end()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}()
	b := &browser{&bedside{t: t, http: &httptest.Server{URL: "http://" + ln.Addr().String()}}, http.DefaultClient}
	if p := b.get("/metrics"); p.status != http.StatusOK || !strings.Contains(p.text, "gradus_requests_total") && !strings.Contains(p.text, "gradus_events_total 0") {
		t.Errorf("locked: %d %.200s", p.status, p.text)
	}
	g.setUp(g.browser())
	g.browser().get("/people")
	if p := b.get("/metrics"); p.status != http.StatusOK || !strings.Contains(p.text, `route="GET /people"`) {
		t.Errorf("open: %d %.200s", p.status, p.text)
	}
}

// The clock of a test outlives the program under encryption too, and its file says nothing.
func TestGateKeepsClocks(t *testing.T) {
	g := begunGate(t)
	w := g.browser()
	g.setUp(w)
	id := w.prepare(w.person("A-1"), alder())
	w.events(id, 60_000)
	files, err := filepath.Glob(filepath.Join(g.dir, "clocks", "*"))
	if err != nil || len(files) != 1 || strings.Contains(files[0], id) {
		t.Fatalf("%v %v", files, err)
	}
	if text, err := os.ReadFile(files[0]); err != nil || bytes.Contains(text, []byte("boot")) {
		t.Errorf("%q %v", text, err)
	}
}

// Waits after wrong passphrases outlive a restart, and end with the right one.
func TestGateWaitsAfterARestart(t *testing.T) {
	g := begunGate(t)
	g.setUp(g.browser())
	g.again()
	try := func(passphrase string) page {
		return g.browser().send("/", "/gate/unlock", url.Values{"passphrase": {passphrase}})
	}
	for range 5 {
		try("some wrong words")
		g.clock.pass(5 * time.Second)
	}
	try("some wrong words")
	g.again()
	if p := try(words); p.status != http.StatusUnprocessableEntity || !strings.Contains(p.text, "next try") {
		t.Errorf("at once after a restart: %d %s", p.status, p.text)
	}
	g.clock.pass(-time.Hour) // a clock that was set back lets nobody wait longer than the longest
	g.again()
	g.clock.pass(5*time.Minute + time.Second)
	if p := try(words); p.status != http.StatusOK {
		t.Errorf("after the wait: %d %s", p.status, p.text)
	}
	if _, err := os.Stat(filepath.Join(g.dir, "waits.json")); !errors.Is(err, fs.ErrNotExist) {
		t.Error("the waits are still there", err)
	}
}

// Whoever unlocks at the gate is signed in as the owner in that browser and no other. The owner is led to the accounts before
// there is one; from the first on, the passphrase signs nobody in.
func TestGateSignsTheOwnerIn(t *testing.T) {
	g := begunGate(t)
	g.owned = true
	g.setUp(g.browser())
	g.again()
	w := g.browser()
	if p := w.send("/people", "/gate/unlock", url.Values{"passphrase": {words}, "to": {"/people"}}); p.status != http.StatusOK || p.at != "/people" || w.cookieAt(g.http.URL) == "" {
		t.Fatalf("unlocked: %d at %s", p.status, p.at)
	}
	home := w.get("/")
	has(t, "the menu", home, http.StatusOK, `href="/accounts"`, ">Owner</a>")
	if p := g.browser().get("/people"); p.at != "/sign-in" {
		t.Errorf("another browser is at %s", p.at)
	}
	has(t, "what changes", w.get("/accounts"), http.StatusOK, "There are no accounts.", "What changes with the first account", "The passphrase still opens the record")
	made := w.send("/accounts", "/accounts", url.Values{"login": {"kim"}, "full_name": {"Kim Example"}, "roles": {"administrator"}, "account_site": {"1"}})
	has(t, "the first account", made, http.StatusOK, "One-time code for")
	if p := w.get("/people"); p.at != "/sign-in" {
		t.Errorf("the owner without an account is at %s", p.at)
	}
	g.again()
	w = g.browser()
	if p := w.send("/people", "/gate/unlock", url.Values{"passphrase": {words}, "to": {"/people"}}); p.at != "/sign-in" {
		t.Errorf("with accounts, unlocking leads to %s: %d", p.at, p.status)
	}
}

func (w *browser) cookieAt(address string) string {
	at, _ := url.Parse(address)
	for _, c := range w.c.Jar.Cookies(at) {
		if c.Name == sessionCookie {
			return c.Value
		}
	}
	return ""
}
