package web_test

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"gradus/conduct"
	"gradus/internal/access"
	"gradus/internal/exchange"
	"gradus/internal/record"
	"gradus/internal/web"
)

// The numbers beside the tests are those of the OWASP Application Security Verification Standard 5.0.

const goodPassword = "the pedals turn at dawn"

// clinic is a record with two sites: what happened at the first, and people of every role at both.
type clinic struct {
	*bedside
	ids      map[string]string // by the names of the routes
	running  string
	accounts map[string]record.Account // by role, and by role + "-north"
	log      *lockedBuffer
}

func openClinic(t *testing.T) *clinic {
	t.Helper()
	c := &clinic{bedside: begin(t, false), accounts: map[string]record.Account{}, log: &lockedBuffer{}}
	c.together = true
	c.bedside.log = slog.New(slog.NewTextHandler(c.log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	c.again()
	t.Cleanup(c.logHoldsNobody)
	w := c.browser()
	who := w.person("A-1")
	done := w.prepare(who, alder())
	w.ride(done, nil)
	other := w.person("B-2")
	c.running = w.prepare(other, alder())
	ctx := context.Background()
	visits, err := c.store.Visits(ctx, record.VisitFilter{})
	if err != nil || len(visits) == 0 {
		t.Fatal(visits, err)
	}
	machine := w.send("/machines", "/machines", url.Values{"machine_name": {"Cycle by the door"}, "machine_kind": {"cycle"}, "shows": {"watts"}, "entered_by": {"KL"}})
	id, ok := strings.CutPrefix(machine.at, "/machines/")
	if !ok {
		t.Fatalf("machine: %d at %s: %.2000s", machine.status, machine.at, machine.text)
	}
	c.ids = map[string]string{"person": strings.TrimPrefix(who, "/people/"), "visit": fmt.Sprint(visits[0].ID), "test": done, "machine": id, "protocol": "recumbent-stepper", "estimator": "arm-offset",
		"paper": "note", "kind": "note", "name": "page-1.css", "file": "root.pem", "site": "1", "mapping": "none"}
	north, err := c.store.AddSite(ctx, record.Site{Name: "North"})
	if err != nil {
		t.Fatal(err)
	}
	hash, err := (access.Cost{MiB: 1, Passes: 1, Lanes: 1}).Hash(ctx, goodPassword)
	if err != nil {
		t.Fatal(err)
	}
	for _, role := range access.Roles {
		for site, tail := range map[int64]string{record.FirstSite: "", north.ID: "-north"} {
			login := string(role) + tail
			a, err := c.store.AddAccount(ctx, record.Account{Login: login, Name: "Kim " + login, Roles: []string{string(role)}, Site: site, Handle: web.NewHandle(), CreatedBy: "test", Password: hash})
			if err != nil {
				t.Fatal(err)
			}
			c.accounts[login] = a
			c.ids["account"] = fmt.Sprint(a.ID)
		}
	}
	return c
}

// secretForm is what tokens, codes, keys and their hashes look like; the number of a request is shorter.
var secretForm = regexp.MustCompile(`[0-9a-fA-F]{16,}|[A-Z2-7]{16,}|(?:[A-Z0-9]{5}-){2,}|\$argon2|=[0-9]{6}\b`)

// logHoldsNobody looks, at the end of every test in a clinic, for people and secrets in all that was logged.
func (c *clinic) logHoldsNobody() {
	text := c.log.text()
	secrets := []string{goodPassword, "Kim ", "A-1", "B-2", c.ids["test"], c.running}
	for login := range c.accounts {
		if strings.HasSuffix(login, "-north") {
			secrets = append(secrets, login)
		}
	}
	for _, s := range secrets {
		if strings.Contains(text, s) {
			c.t.Errorf("the log holds %q:\n%s", s, text)
		}
	}
	if found := secretForm.FindString(text); found != "" {
		c.t.Errorf("the log holds %q, which may be a token or a code:\n%s", found, text)
	}
	if !strings.Contains(text, "msg=") {
		c.t.Error("nothing was logged")
	}
}

// signedIn is a browser of somebody.
func (c *clinic) signedIn(login string) *browser {
	c.t.Helper()
	w := c.browser()
	if p := w.signIn(login, goodPassword); p.status != http.StatusOK || p.at == "/sign-in" {
		c.t.Fatalf("%s cannot sign in: %d at %s: %s", login, p.status, p.at, p.text)
	}
	return w
}

func (w *browser) signIn(login, password string) page {
	w.b.t.Helper()
	return w.send("/sign-in", "/sign-in", url.Values{"login": {login}, "password": {password}, "to": {"/account"}})
}

// cookie is what the browser has under a name.
func (w *browser) cookie(name string) string {
	at, _ := url.Parse(w.b.http.URL)
	for _, c := range w.c.Jar.Cookies(at) {
		if c.Name == name {
			return c.Value
		}
	}
	return ""
}

const sessionCookie = "gradus-session"

// stay does not follow redirections.
func (w *browser) stay(r *http.Request) page {
	w.b.t.Helper()
	c := *w.c
	c.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	return (&browser{w.b, &c}).do(r)
}

var placeholder = regexp.MustCompile(`\{([a-z]+)\}`)

// route fills in the ids of a pattern and makes a request of it.
func (c *clinic) route(pattern string, ids map[string]string, body string) *http.Request {
	c.t.Helper()
	method, path, both := strings.Cut(pattern, " ")
	if !both {
		method, path = http.MethodGet, pattern
	}
	path = strings.TrimSuffix(path, "{$}")
	path = placeholder.ReplaceAllStringFunc(path, func(p string) string {
		v, ok := ids[strings.Trim(p, "{}")]
		if !ok {
			c.t.Fatalf("%s: the test has no %s; give it one", pattern, p)
		}
		return v
	})
	r, err := http.NewRequest(method, c.http.URL+path, strings.NewReader(body))
	if err != nil {
		c.t.Fatal(err)
	}
	if method == http.MethodPost {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		if strings.HasPrefix(path, "/api/") {
			r.Header.Set("Content-Type", "application/json")
		}
	}
	return r
}

// eachRoute calls do for every route that is there.
func (c *clinic) eachRoute(do func(pattern string, right access.Right, how string)) {
	c.t.Helper()
	for _, pattern := range c.srv.Routes() {
		right, how, named := web.Rule(pattern)
		if !named {
			c.t.Errorf("%s has no rule in routes.go; it is refused to everybody", pattern)
			continue
		}
		do(pattern, right, how)
	}
}

func TestEveryRuleHasARoute(t *testing.T) {
	c := begin(t, false)
	for _, pattern := range web.Rules() {
		if !slices.Contains(c.srv.Routes(), pattern) {
			t.Errorf("%s has a rule and is no route", pattern)
		}
	}
}

// ASVS 8.2.1, 8.3.1, 7.2.1: without a session no route tells anything or does anything.
func TestEveryRouteWithoutSession(t *testing.T) {
	c := openClinic(t)
	for what, token := range map[string]string{"nothing": "", "a guess": strings.Repeat("ab", 32), "something long": strings.Repeat("x", 5000), "a hash": "' OR 1=1 --"} {
		c.eachRoute(func(pattern string, _ access.Right, how string) {
			r := c.route(pattern, c.ids, "")
			if token != "" {
				r.AddCookie(&http.Cookie{Name: sessionCookie, Value: token})
			}
			p := c.browser().stay(r)
			if how == "open" {
				if p.status == http.StatusInternalServerError {
					t.Errorf("%s with %s: %d", pattern, what, p.status)
				}
			} else if r.Method == http.MethodGet && !strings.HasPrefix(r.URL.Path, "/api/") {
				if p.status != http.StatusSeeOther || !strings.HasPrefix(p.header.Get("Location"), "/sign-in?to=") {
					t.Errorf("%s with %s: %d to %q", pattern, what, p.status, p.header.Get("Location"))
				}
			} else if p.status != http.StatusUnauthorized {
				t.Errorf("%s with %s: %d", pattern, what, p.status)
			}
			for _, secret := range []string{"Name of", "A-1", "B-2"} {
				if strings.Contains(p.text, secret) {
					t.Errorf("%s with %s tells %q", pattern, what, secret)
				}
			}
			if p.status != http.StatusSeeOther {
				strict(t, pattern, p)
			}
		})
	}
}

// ASVS 8.2.1: each role may use the routes of its rights and no other. ASVS 8.2.2 and 8.4.1: whatever is of another site is
// answered like a number that was never given.
func TestEveryRouteByRoleAndSite(t *testing.T) {
	c := openClinic(t)
	never := map[string]string{"person": "987654", "visit": "987654", "test": "t-never", "machine": "987654"}
	for id, v := range c.ids {
		if never[id] == "" {
			never[id] = v
		}
	}
	of := regexp.MustCompile(`[0-9a-f]{64}|` + regexp.QuoteMeta(c.ids["test"]) + `|t-never|987654|/(people|visits|machines)/[0-9]+`)
	for _, role := range access.Roles {
		home, north := c.signedIn(string(role)), c.signedIn(string(role)+"-north")
		token := tokenField.FindStringSubmatch(north.get("/account").text)[1]
		may := access.Principal{Roles: []access.Role{role}}
		c.eachRoute(func(pattern string, right access.Right, how string) {
			own := c.route(pattern, c.ids, "")
			if strings.HasSuffix(pattern, "/stream") {
				own.URL.RawQuery = "since=x" // an open stream has no end
			}
			p := home.stay(own)
			refused := p.status == http.StatusForbidden || p.status == http.StatusUnauthorized
			switch {
			case how == "open" && strings.Contains(pattern, "passkey"):
				// Without a form's token an answer is refused to everybody.
			case how == "open" || may.May(right):
				if refused && !strings.Contains(p.text, "form") {
					t.Errorf("%s by %s: %d %.300s", pattern, role, p.status, p.text)
				}
			case p.status != http.StatusForbidden:
				t.Errorf("%s by %s, who has no right %s: %d", pattern, role, right, p.status)
			case strings.Contains(p.text, "Name of"):
				t.Errorf("%s by %s tells a name with its refusal", pattern, role)
			}
			if how == "open" || !may.May(right) || !strings.ContainsAny(pattern, "{") || !regexp.MustCompile(`\{(person|visit|test|machine)\}`).MatchString(pattern) {
				return
			}
			body := url.Values{"token": {token}}.Encode()
			if strings.Contains(pattern, " /api/") {
				body = `{"now_ms":0,"events":[],"blocks":[],"what":"note"}`
			}
			theirs, none := north.stay(c.route(pattern, c.ids, body)), north.stay(c.route(pattern, never, body))
			if theirs.status != none.status || of.ReplaceAllString(theirs.text, "") != of.ReplaceAllString(none.text, "") {
				t.Errorf("%s by %s of another site: %d %.200s; of what never was: %d %.200s", pattern, role, theirs.status, theirs.text, none.status, none.text)
			}
			if theirs.status < 400 || strings.Contains(theirs.text, "Name of") {
				t.Errorf("%s by %s of another site: %d", pattern, role, theirs.status)
			}
		})
	}
}

// ASVS 3.5.1 to 3.5.3: nothing is done for a form that this server did not write for this browser in this session, nor for
// another site, nor for JSON in the dress of a form.
func TestEveryRouteAgainstForgedRequests(t *testing.T) {
	c := openClinic(t)
	all := c.accounts["site-lead"]
	if _, err := c.store.ChangeAccount(context.Background(), all.ID, func(a *record.Account) error {
		a.Roles = []string{"site-lead", "administrator", "researcher"}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	w, other := c.signedIn("site-lead"), c.signedIn("clinician")
	foreign := tokenField.FindStringSubmatch(other.get("/people").text)[1]
	before := c.state()
	c.eachRoute(func(pattern string, _ access.Right, how string) {
		if !strings.HasPrefix(pattern, "POST ") {
			return
		}
		for what, change := range map[string]func(*http.Request){
			"another origin":      func(r *http.Request) { r.Header.Set("Origin", "https://evil.example") },
			"origin null":         func(r *http.Request) { r.Header.Set("Origin", "null") },
			"another site":        func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") },
			"a neighbouring site": func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "same-site") },
			"another host":        func(r *http.Request) { r.Host = "evil.example" },
		} {
			r := c.route(pattern, c.ids, "")
			change(r)
			if p := w.stay(r); p.status != http.StatusForbidden {
				t.Errorf("%s from %s: %d", pattern, what, p.status)
			}
		}
		if strings.HasPrefix(pattern, "POST /api/") {
			r := c.route(pattern, c.ids, `{}`)
			r.Header.Set("Content-Type", "text/plain")
			if p := w.stay(r); p.status != http.StatusUnsupportedMediaType {
				t.Errorf("%s as plain text: %d", pattern, p.status)
			}
			return
		}
		for what, token := range map[string]string{"no token": "", "another person's token": foreign, "zeroes": strings.Repeat("0", 64)} {
			p := w.stay(c.route(pattern, c.ids, url.Values{"token": {token}, "by": {"EV"}, "why": {"x"}, "do": {"anyway"}, "code": {"FORGED"}, "name": {"Forged"}}.Encode()))
			if to := p.header.Get("Location"); p.status == http.StatusSeeOther && to != "/unlock" && to != "/sign-in" && !strings.HasPrefix(to, "/emergency?") || p.status >= 500 {
				t.Errorf("%s with %s: %d to %s", pattern, what, p.status, to)
			}
		}
	})
	if after := c.state(); after != before {
		t.Errorf("forged requests changed the record:\n%s\n%s", before, after)
	}
	if p := w.get("/account"); p.at != "/account" {
		t.Errorf("a forged request signed out or locked: at %s", p.at)
	}
}

// state is what a forged request could change, as text.
func (c *clinic) state() string {
	ctx := context.Background()
	people, e1 := c.store.Participants(ctx, record.ParticipantFilter{})
	visits, e2 := c.store.Visits(ctx, record.VisitFilter{})
	tests, e3 := c.store.Tests(ctx, record.TestFilter{})
	accounts, e4 := c.store.ListAccounts(ctx)
	machines, e5 := c.store.Machines(ctx)
	sites, e6 := c.store.Sites(ctx)
	for _, err := range []error{e1, e2, e3, e4, e5, e6} {
		if err != nil {
			c.t.Fatal(err)
		}
	}
	for i := range tests {
		tests[i].Sent = nil
	}
	return fmt.Sprintf("%+v\n%+v\n%+v\n%+v\n%+v\n%+v", people, visits, tests, accounts, machines, sites)
}

// ASVS 4.3.1, 5.2.1: a body that is too large, or no form at all, is refused without being read whole.
func TestEveryRouteAgainstOddBodies(t *testing.T) {
	c := openClinic(t)
	w := c.signedIn("clinician")
	large := strings.Repeat("a", 64<<20)
	c.eachRoute(func(pattern string, right access.Right, how string) {
		if !strings.HasPrefix(pattern, "POST ") || how != "open" && !(access.Principal{Roles: []access.Role{access.Clinician}}).May(right) {
			return
		}
		r := c.route(pattern, c.ids, "")
		sent := &counting{Reader: strings.NewReader("token=" + large)}
		r.Body, r.ContentLength = io.NopCloser(sent), -1
		r.GetBody = nil
		resp, err := w.c.Transport.RoundTrip(withCookies(w, r))
		if err == nil {
			resp.Body.Close()
			if resp.StatusCode < 400 {
				t.Errorf("%s with 64 MB: %d", pattern, resp.StatusCode)
			}
		}
		if n := sent.n.Load(); n > 56<<20 {
			t.Errorf("%s took %d bytes", pattern, n)
		}
		for _, odd := range []string{"%", "a=%zz", "\x00\xff\xfe", "token=%00&by=%ff%fe", `{"`, "[" + strings.Repeat("[", 10_000)} {
			if p := w.stay(c.route(pattern, c.ids, odd)); p.status >= 500 {
				t.Errorf("%s with %.20q: %d %.200s", pattern, odd, p.status, p.text)
			}
		}
	})
}

// counting counts what the transport reads, which it may still do when the answer is there.
type counting struct {
	io.Reader
	n atomic.Int64
}

func (c *counting) Read(b []byte) (int, error) {
	n, err := c.Reader.Read(b)
	c.n.Add(int64(n))
	return n, err
}

func withCookies(w *browser, r *http.Request) *http.Request {
	for _, c := range w.c.Jar.Cookies(r.URL) {
		r.AddCookie(c)
	}
	return r
}

// ASVS 5.3.2, 1.3.x: no path leads out of what the routes name, and nothing that is entered runs.
func TestPathTricks(t *testing.T) {
	c := openClinic(t)
	w, nobody := c.signedIn("clinician"), c.browser()
	for _, path := range []string{"/assets/../people", "/assets/%2e%2e/people", "/assets/..%2fgradus.db", "/assets/%2e%2e%2f%2e%2e%2fetc%2fpasswd", "//people", "/./people", "/people/..;/accounts", "/people%00", "/PEOPLE", "/people/1/../../accounts",
		"/protocols/..%2f..%2fsite/file", "/protocols/%2e%2e/edit", "/tests/..%2f..%2fgradus.db", "/people/1%20OR%201=1", "/people/-1", "/people/99999999999999999999", "/tests/%0d%0aSet-Cookie:%20a=b", "/trust/..%2fforms.key"} {
		for who, b := range map[string]*browser{"somebody": w, "nobody": nobody} {
			r, err := http.NewRequest(http.MethodGet, c.http.URL+path, nil)
			if err != nil {
				t.Fatal(path, err)
			}
			p := b.stay(r)
			if p.status == http.StatusOK && !strings.HasPrefix(path, "/trust") || p.status >= 500 || strings.Contains(p.text, "root:") || strings.Contains(p.text, "SQLite") || p.header.Get("Set-Cookie") == "a=b" {
				t.Errorf("%s by %s: %d %.200s", path, who, p.status, p.text)
			}
			if who == "nobody" && strings.Contains(p.text, "Name of") {
				t.Errorf("%s tells a name", path)
			}
		}
	}
}

// ASVS 3.7.2: after signing in one goes on within this server alone.
func TestWhereSignInLeads(t *testing.T) {
	c := openClinic(t)
	for to, want := range map[string]string{"/people": "/people", "https://evil.example/": "/", "//evil.example": "/", "/\\evil.example": "/", "/%5cevil.example": "/%5cevil.example", "javascript:alert(1)": "/", "/api/clock": "/",
		"/people\r\nSet-Cookie: a=b": "/", "": "/", "people": "/", "/people?q=a&page=2": "/people?q=a&page=2"} {
		w := c.browser()
		form := tokenField.FindStringSubmatch(w.get("/sign-in?" + url.Values{"to": {to}}.Encode()).text)
		r, err := http.NewRequest(http.MethodPost, c.http.URL+"/sign-in", strings.NewReader(url.Values{"token": {form[1]}, "login": {"clinician"}, "password": {goodPassword}, "to": {to}}.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		if p := w.stay(r); p.status != http.StatusSeeOther || p.header.Get("Location") != want {
			t.Errorf("to %q: %d to %q, want %q", to, p.status, p.header.Get("Location"), want)
		}
	}
}

// ASVS 7.2.3, 7.2.4, 7.4.1: a token is long, new at each sign-in and proof, in no address, and dead after signing out.
func TestSessionTokens(t *testing.T) {
	c := openClinic(t)
	w := c.browser()
	at, _ := url.Parse(c.http.URL)
	planted := strings.Repeat("ab", 32)
	w.c.Jar.SetCookies(at, []*http.Cookie{{Name: sessionCookie, Value: planted, Path: "/"}})
	w.signIn("clinician", goodPassword)
	first := w.cookie(sessionCookie)
	if first == planted || len(first) != 64 {
		t.Fatalf("token %q after a planted one", first)
	}
	if p := w.get("/people"); p.at != "/people" {
		t.Fatalf("signed in, and at %s", p.at)
	}
	if s, err := c.store.Sessions(context.Background(), c.accounts["clinician"].ID); err != nil || len(s) != 1 || s[0].Hash == first || s[0].Hash != access.HashOf(first) {
		t.Errorf("the record keeps %+v, %v", s, err)
	}
	if p := w.send("/unlock?to=/people", "/unlock", url.Values{"password": {goodPassword}, "to": {"/people"}}); p.at != "/people" {
		t.Fatalf("proof: %d at %s", p.status, p.at)
	}
	second := w.cookie(sessionCookie)
	old := c.browserWith(first)
	if p := old.get("/people"); second == first || p.at != "/sign-in" {
		t.Errorf("the token of before a proof is at %s", p.at)
	}
	copied := c.browserWith(second)
	if p := copied.get("/people"); p.at != "/people" {
		t.Fatalf("the copied token: %s", p.at)
	}
	if p := w.send("/account", "/sign-out", url.Values{}); p.at != "/sign-in" {
		t.Errorf("signed out: at %s", p.at)
	}
	if p := copied.get("/people"); p.at != "/sign-in" {
		t.Errorf("a token that was copied works after signing out: at %s", p.at)
	}
	for _, token := range []string{first, second} {
		if strings.Contains(c.log.text(), token) {
			t.Error("a token stands in the log")
		}
	}
}

// browserWith is a browser that has got hold of a token.
func (b *bedside) browserWith(token string) *browser {
	w := b.browser()
	jar, _ := cookiejar.New(nil)
	at, _ := url.Parse(b.http.URL)
	jar.SetCookies(at, []*http.Cookie{{Name: sessionCookie, Value: token, Path: "/"}})
	w.c.Jar = jar
	return w
}

// ASVS 7.3.1, 7.3.2: an idle session is locked, and none lasts for ever. The running test goes on behind the lock.
func TestIdleLockKeepsTheTest(t *testing.T) {
	c := openClinic(t)
	w := c.signedIn("clinician")
	first := w.cookie(sessionCookie)
	note := func(n uint32) page {
		return w.events(c.running, int64(n)*1000, conduct.Event{Term: 1, N: n, Kind: conduct.Note, Text: "note"})
	}
	c.clock.pass(14 * time.Minute)
	if p := w.get("/people"); p.at != "/people" {
		t.Fatalf("after 14 min at %s", p.at)
	}
	c.clock.pass(16 * time.Minute)
	for _, path := range []string{"/people", "/tests/" + c.ids["test"], "/tests/" + c.ids["test"] + "/observe", "/people/" + c.ids["person"]} {
		if p := w.get(path); p.at != "/unlock" || strings.Contains(p.text, "Name of") {
			t.Errorf("%s while locked: at %s", path, p.at)
		}
	}
	if p := w.get("/api/tests/" + c.ids["test"]); p.status != http.StatusUnauthorized {
		t.Errorf("a test that is over, while locked: %d", p.status)
	}
	// What is at the bedside goes on: the page, its events, its stop.
	if p := w.get("/tests/" + c.running + "/run"); p.at != "/tests/"+c.running+"/run" {
		t.Errorf("the running page while locked: %s", p.at)
	}
	if p := note(2); p.status != http.StatusOK {
		t.Errorf("an event while locked: %d %s", p.status, p.text)
	}
	if p := w.events(c.running, 3000, conduct.Event{Term: 1, N: 3, Kind: conduct.Stopped, Code: "examiner"}); p.status != http.StatusOK {
		t.Errorf("stop while locked: %d %s", p.status, p.text)
	}
	if p := w.get("/people"); p.at != "/unlock" {
		t.Error("an event at the bedside unlocked the session")
	}
	if p := w.send("/unlock", "/unlock", url.Values{"password": {"wrong"}, "to": {"/people"}}); p.at != "/unlock" {
		t.Errorf("a wrong password unlocks: %s", p.at)
	}
	if p := w.send("/unlock", "/unlock", url.Values{"password": {goodPassword}, "to": {"/people"}}); p.at != "/people" || w.cookie(sessionCookie) == first {
		t.Errorf("unlocked: at %s", p.at)
	}
	for range 60 {
		c.clock.pass(10 * time.Minute)
		w.get("/people")
	}
	if p := w.get("/people"); p.at != "/sign-in" {
		t.Errorf("after more than 10 h of work: at %s", p.at)
	}
	if p := note(4); p.status != http.StatusUnauthorized || !strings.Contains(p.text, "sends what it kept") {
		t.Errorf("an event after the end of the session: %d %s", p.status, p.text)
	}
}

// ASVS 6.3.1, 6.3.8: a guess is slowed down and never locks out; nobody learns which accounts there are.
func TestGuessing(t *testing.T) {
	c := openClinic(t)
	w := c.browser()
	wrong, unknown := w.signIn("clinician", "not the password"), c.browser().signIn("nobody.here", "not the password")
	hide := regexp.MustCompile(`[0-9a-f]{64}|value="[a-z.]+"`)
	if wrong.status != unknown.status || hide.ReplaceAllString(wrong.text, "") != hide.ReplaceAllString(unknown.text, "") {
		t.Errorf("a wrong password and an unknown name differ: %d, %d", wrong.status, unknown.status)
	}
	for range 5 {
		w.signIn("clinician", "not the password")
	}
	p := w.signIn("clinician", goodPassword)
	if p.status != http.StatusTooManyRequests || p.header.Get("Retry-After") == "" {
		t.Fatalf("the right password at once after many wrong ones: %d", p.status)
	}
	if u := w.signIn("nobody.here", "x"); u.status != http.StatusTooManyRequests {
		t.Errorf("another account from the same source: %d", u.status)
	}
	// However long somebody guesses, the person gets in after a wait that has an end.
	for range 40 {
		c.clock.pass(11 * time.Minute)
		w.signIn("clinician", "not the password")
	}
	c.clock.pass(11 * time.Minute)
	if p := w.signIn("clinician", goodPassword); p.at != "/account" {
		t.Errorf("after a wait: %d at %s", p.status, p.at)
	}
	if log := c.log.text(); strings.Contains(log, "not the password") || strings.Contains(log, "clinician") {
		t.Error("a password or a name stands in the log")
	}
}

// ASVS 16.4.1, 1.2.1, 1.3.7: what is entered stays text, in pages, headers and logs.
func TestInjection(t *testing.T) {
	c := openClinic(t)
	w := c.signedIn("clinician")
	const evil = `<script>alert(1)</script>{{.Token}}${7*7}` + "\r\nSet-Cookie: a=b\x1b[31m"
	p := w.send("/people", "/people", url.Values{"code": {"EVIL"}, "name": {evil}})
	if p.status != http.StatusOK || strings.Contains(p.text, "<script>alert") || !strings.Contains(p.text, "{{.Token}}") || strings.Contains(p.header.Get("Set-Cookie"), "a=b") {
		t.Errorf("a name with markup: %d %.500s", p.status, p.text)
	}
	strict(t, "a name with markup", p)
	c.log.empty()
	r, err := http.NewRequest(http.MethodGet, c.http.URL+"/people?q="+url.QueryEscape(evil), nil)
	if err != nil {
		t.Fatal(err)
	}
	w.do(r)
	c.browser().signIn("a\nlevel=ERROR msg=forged", "x")
	for line := range strings.Lines(c.log.text()) {
		if !strings.HasPrefix(line, "time=") || strings.ContainsRune(line, 0x1b) {
			t.Errorf("a line of the log is forged: %q", line)
		}
	}
}

// ASVS 7.4.2, 6.4.6, 6.3.2: a disabled account is out at once; a reset shows no password; a code works once.
func TestAccountsOfAClinic(t *testing.T) {
	c := openClinic(t)
	admin, clinician := c.signedIn("administrator"), c.signedIn("clinician")
	if p := admin.get("/"); p.at != "/accounts" {
		t.Errorf("an administrator begins at %s", p.at)
	}
	id := fmt.Sprint(c.accounts["clinician"].ID)
	if p := admin.send("/accounts/"+id, "/accounts/"+id, url.Values{"do": {"disable"}}); p.at != "/accounts" {
		t.Fatalf("disable: %d at %s", p.status, p.at)
	}
	if p := clinician.get("/people"); p.at != "/sign-in" {
		t.Errorf("a disabled account is at %s", p.at)
	}
	if p := c.browser().signIn("clinician", goodPassword); p.at != "/sign-in" || !strings.Contains(p.text, "not right") {
		t.Errorf("a disabled account signs in: %s", p.at)
	}
	admin.send("/accounts/"+id, "/accounts/"+id, url.Values{"do": {"enable"}})
	own := fmt.Sprint(c.accounts["administrator"].ID)
	if p := admin.send("/accounts/"+own, "/accounts/"+own, url.Values{"do": {"disable"}}); p.status != http.StatusUnprocessableEntity {
		t.Errorf("an administrator disables itself: %d", p.status)
	}

	p := admin.send("/accounts", "/accounts", url.Values{"login": {"new.one"}, "full_name": {"New One"}, "roles": {"student"}, "account_site": {"1"}})
	code := regexp.MustCompile(`[2-9A-Z]{5}-[2-9A-Z]{5}-[2-9A-Z]{5}-[2-9A-Z]{5}`).FindString(p.text)
	if code == "" {
		t.Fatalf("no code: %d %s", p.status, p.text)
	}
	use := func(login, code, password string) page {
		return c.browser().send("/start", "/start", url.Values{"login": {login}, "code": {code}, "password": {password}, "password2": {password}})
	}
	for what, p := range map[string]page{"another account's name": use("student", code, goodPassword), "a weak password": use("new.one", code, "password1234"), "a wrong code": use("new.one", "AAAAA-AAAAA-AAAAA-AAAAA", goodPassword)} {
		if p.at != "/start" {
			t.Errorf("%s: at %s", what, p.at)
		}
	}
	c.clock.pass(time.Minute)
	if p := use("new.one", strings.ToLower(code), "a long sentence of mine"); p.at != "/account" {
		t.Fatalf("the code: %d at %s: %s", p.status, p.at, p.text)
	}
	if p := use("new.one", code, "another long sentence"); p.at != "/start" {
		t.Error("a code works twice")
	}
	c.clock.pass(time.Minute)
	if p := c.browser().signIn("new.one", "a long sentence of mine"); p.at != "/account" {
		t.Errorf("the chosen password: at %s", p.at)
	}
	for name, text := range map[string]string{"log": c.log.text(), "page": admin.get("/accounts").text} {
		if strings.Contains(text, code) || strings.Contains(text, "a long sentence") {
			t.Errorf("the %s tells a secret", name)
		}
	}
}

// ASVS 6.5.1, 6.5.5, 7.5.1: codes of an authenticator work once, recovery codes too; what changes the way in needs a fresh proof.
func TestSecondFactor(t *testing.T) {
	c := openClinic(t)
	w := c.signedIn("clinician")
	c.clock.pass(20 * time.Minute)
	w.send("/unlock", "/unlock", url.Values{"password": {goodPassword}, "to": {"/account"}})
	c.clock.pass(14 * time.Minute)
	w.get("/people")
	c.clock.pass(2 * time.Minute)
	if p := w.get("/account/codes"); p.at != "/unlock" {
		t.Fatalf("16 min after the proof: at %s", p.at)
	}
	w.send("/unlock", "/unlock", url.Values{"password": {goodPassword}, "to": {"/account"}})
	p := w.get("/account/codes")
	field := func(name string) string {
		m := regexp.MustCompile(`name="` + name + `" value="([^"]+)"`).FindStringSubmatch(p.text)
		if m == nil {
			t.Fatalf("no %s: %s", name, p.text)
		}
		return m[1]
	}
	secret, proof := field("secret"), field("proof")
	set := func(secret, code string) page {
		return w.post("/account/codes", url.Values{"token": {field("token")}, "secret": {secret}, "proof": {proof}, "code": {code}})
	}
	mine := access.NewTOTP()
	if p := set(mine, access.TOTPNow(mine, c.clock.wall)); p.status != http.StatusUnprocessableEntity {
		t.Errorf("a secret that the server did not make: %d", p.status)
	}
	if p := set(secret, "000000"); p.status != http.StatusUnprocessableEntity {
		t.Errorf("a wrong code: %d", p.status)
	}
	shown := set(secret, access.TOTPNow(secret, c.clock.wall))
	codes := regexp.MustCompile(`[2-9A-Z]{5}-[2-9A-Z]{5}-[2-9A-Z]{5}`).FindAllString(shown.text, -1)
	if len(codes) != 10 {
		t.Fatalf("%d recovery codes: %s", len(codes), shown.text)
	}
	second := func(code string) page {
		b := c.browser()
		p := b.signIn("clinician", goodPassword)
		pending := regexp.MustCompile(`name="pending" value="([^"]+)"`).FindStringSubmatch(p.text)
		if pending == nil {
			t.Fatalf("no code is asked for: at %s: %s", p.at, p.text)
		}
		token := tokenField.FindStringSubmatch(p.text)[1]
		if b.cookie(sessionCookie) != "" {
			t.Error("the password alone gives a session")
		}
		if forged := b.post("/sign-in/code", url.Values{"token": {token}, "pending": {fmt.Sprintf("%d.%d.%s", c.accounts["administrator"].ID, c.clock.wall.Unix()+60, strings.Split(pending[1], ".")[2])}, "code": {code}}); forged.at == "/account" || forged.at == "/accounts" {
			t.Error("the code opens another account")
		}
		return b.post("/sign-in/code", url.Values{"token": {token}, "pending": {pending[1]}, "code": {code}, "to": {"/account"}})
	}
	if p := second(access.TOTPNow(secret, c.clock.wall)); p.at != "/sign-in/code" {
		t.Errorf("the code with which it was set up works again: at %s", p.at)
	}
	c.clock.pass(time.Minute)
	code := access.TOTPNow(secret, c.clock.wall)
	if p := second(code); p.at != "/account" {
		t.Errorf("the code: %d at %s: %s", p.status, p.at, p.text)
	}
	if p := second(code); p.at == "/account" {
		t.Error("a code works twice")
	}
	c.clock.pass(time.Minute)
	if p := second(codes[3]); p.at != "/account" {
		t.Errorf("a recovery code: at %s", p.at)
	}
	if p := second(codes[3]); p.at == "/account" {
		t.Error("a recovery code works twice")
	}
}

type oneWord string

func (o oneWord) Verify(passphrase string) error {
	if passphrase == string(o) {
		return nil
	}
	return fmt.Errorf("wrong")
}

// A record of one person: the passphrase signs in, and everything is that person's.
func TestOwnerSignsIn(t *testing.T) {
	b := begin(t, false)
	b.owner, b.together = oneWord(goodPassword), true
	b.again()
	w := b.browser()
	if p := w.get("/people"); p.at != "/sign-in" || !strings.Contains(p.text, "Passphrase of the record") {
		t.Fatalf("at %s", p.at)
	}
	if p := w.send("/sign-in", "/sign-in", url.Values{"password": {"wrong"}}); p.at != "/sign-in" {
		t.Errorf("a wrong passphrase: at %s", p.at)
	}
	if p := w.send("/sign-in", "/sign-in", url.Values{"password": {goodPassword}, "to": {"/people"}}); p.at != "/people" {
		t.Errorf("the passphrase: at %s: %s", p.at, p.text)
	}
	if who := w.person("A-1"); who == "" {
		t.Error("the owner adds nobody")
	}
	b.clock.pass(20 * time.Minute)
	if p := w.get("/people"); p.at != "/unlock" {
		t.Errorf("idle: at %s", p.at)
	}
	if p := w.send("/unlock", "/unlock", url.Values{"password": {goodPassword}, "to": {"/people"}}); p.at != "/people" {
		t.Errorf("unlocked: at %s", p.at)
	}
	// With the first account the passphrase alone opens no page any more.
	if _, err := b.store.AddAccount(context.Background(), record.Account{Login: "admin", Name: "A", Roles: []string{"administrator"}, Site: 1, Handle: "h"}); err != nil {
		t.Fatal(err)
	}
	if p := w.get("/people"); p.at != "/sign-in" || strings.Contains(p.text, "Passphrase of the record") {
		t.Errorf("with accounts: at %s", p.at)
	}
}

// A student's test counts only when a supervisor stands for it: until then it is in no comparison and on no signed paper.
func TestCountersign(t *testing.T) {
	c := openClinic(t)
	student, lead := c.signedIn("student"), c.signedIn("site-lead")
	p := "/people/" + c.ids["person"]
	student.screen(p)
	made := student.send(p+"/new", p+"/new", alder())
	id, ok := strings.CutPrefix(strings.TrimSuffix(made.at, "/run"), "/tests/")
	if !ok {
		t.Fatalf("a student begins no test: %d at %s: %.2000s", made.status, made.at, made.text)
	}
	student.ride(id, nil)
	result := "/tests/" + id
	if page := student.get(result); !strings.Contains(page.text, "A student made this test.") || strings.Contains(page.text, result+"/countersign") {
		t.Errorf("the student's own view: %.3000s", page.text)
	}
	// What waits is told apart from what is compared, at the end of the list.
	course := func() (compared, waits bool) {
		told, rest, _ := strings.Cut(lead.get(p+"/over-time").text, "until a supervisor has countersigned it:")
		return strings.Contains(told, result), strings.Contains(rest, result)
	}
	if compared, waits := course(); compared || !waits {
		t.Errorf("before the countersign: compared %v, waits %v", compared, waits)
	}
	saidForm := url.Values{"asks": {"fitness"}, "by": {"KL"}, "do": {"sign"}}
	if page := lead.send(result+"/papers", result+"/papers/said", saidForm); !strings.Contains(page.text, "nobody has countersigned it") {
		t.Errorf("signed before the countersign: %d at %s", page.status, page.at)
	}
	if _, err := exchange.ReadTest(context.Background(), c.store, id); err == nil || !strings.Contains(err.Error(), "nobody has countersigned it") {
		t.Errorf("exported before the countersign: %v", err)
	}
	marks := regexp.MustCompile(`name="marks" value="([^"]+)"`).FindStringSubmatch(lead.get(result).text)
	if marks == nil {
		t.Fatal("a supervisor may not countersign")
	}
	if page := lead.send(result, result+"/countersign", url.Values{"marks": {"1.2"}}); page.status != http.StatusConflict {
		t.Errorf("a countersign of what was not on the page: %d", page.status)
	}
	if page := lead.send(result, result+"/countersign", url.Values{"marks": {marks[1]}, "note": {"well done"}}); !strings.Contains(page.text, "Countersigned by Kim site-lead") || strings.Contains(page.text, "A student made this test.") {
		t.Errorf("countersigned: %d at %s: %.2000s", page.status, page.at, page.text)
	}
	if _, err := exchange.ReadTest(context.Background(), c.store, id); err != nil {
		t.Error(err)
	}
	if compared, waits := course(); !compared || waits {
		t.Errorf("after the countersign: compared %v, waits %v", compared, waits)
	}
	c.clock.pass(14 * time.Minute)
	lead.get("/people")
	c.clock.pass(3 * time.Minute)
	if page := lead.send(result+"/papers", result+"/papers/said", saidForm); !strings.Contains(page.text, "fresh proof") {
		t.Errorf("signed long after the last proof: %d at %s", page.status, page.at)
	}
	lead.send("/unlock", "/unlock", url.Values{"password": {goodPassword}, "to": {"/people"}})
	if page := lead.send(result+"/papers", result+"/papers/said", saidForm); !strings.Contains(page.text, "signed by Kim site-lead") {
		t.Errorf("signed: %d at %s: %.3000s", page.status, page.at, page.text)
	}
}

// What a person agreed to is written down by purpose and day; a person is deleted by code, against the rule of the site only by
// an administrator with a reason.
func TestConsentAndDeletion(t *testing.T) {
	c := openClinic(t)
	ctx := context.Background()
	w, lead, admin := c.signedIn("clinician"), c.signedIn("site-lead"), c.signedIn("administrator")
	p := "/people/" + c.ids["person"]
	for _, said := range []string{"given", "withdrawn"} {
		if page := w.send(p+"/consent", p+"/consent", url.Values{"purpose": {"research"}, "consent_said": {said}, "consent_date": {"2026-03-01"}, "by": {"KL"}}); page.at != p+"/consent" || page.status != http.StatusOK {
			t.Fatalf("%s: %d %.2000s", said, page.status, page.text)
		}
	}
	if test, err := exchange.ReadTest(ctx, c.store, c.ids["test"]); err != nil || test.Research == nil || test.Research.Given {
		t.Errorf("an export does not know what was withdrawn: %+v, %v", test, err)
	}
	if page := w.get(p + "/consent"); !strings.Contains(page.text, "refused or withdrawn, Sunday 1 March 2026") || !strings.Contains(page.text, "not asked") {
		t.Errorf("consent: %.3000s", page.text)
	}
	if page := w.send(p+"/consent", p+"/consent", url.Values{"purpose": {"research"}, "consent_said": {"given"}, "consent_date": {"2026-05-01"}, "by": {"KL"}}); page.status != http.StatusUnprocessableEntity {
		t.Errorf("a day to come: %d", page.status)
	}

	if err := c.store.ChangeSite(ctx, record.Site{ID: record.FirstSite, Name: "Home", KeepYears: 10}); err != nil {
		t.Fatal(err)
	}
	ask := url.Values{"erase_code": {"A-1"}, "erase_sure": {"A-1"}, "erase_why": {"request of March"}}
	if page := lead.send("/erasures", "/erasures", ask); page.status != http.StatusConflict || !strings.Contains(page.text, "2 March 2036") {
		t.Errorf("against the rule: %d %.2000s", page.status, page.text)
	}
	ask.Set("overrule", "yes")
	if page := lead.send("/erasures", "/erasures", ask); page.status != http.StatusForbidden {
		t.Errorf("a site lead overrules: %d", page.status)
	}
	if page := admin.send("/erasures", "/erasures", url.Values{"erase_code": {"A-1"}, "erase_sure": {"A-2"}, "erase_why": {"x"}}); page.status != http.StatusUnprocessableEntity {
		t.Errorf("two codes: %d", page.status)
	}
	if page := c.signedIn("administrator-north").send("/erasures", "/erasures", ask); page.status != http.StatusUnprocessableEntity || !strings.Contains(page.text, "no person of this site") {
		t.Errorf("from another site: %d", page.status)
	}
	page := admin.send("/erasures", "/erasures", ask)
	if page.status != http.StatusOK || !strings.Contains(page.text, "request of March") || strings.Contains(page.text, "Name of A-1") {
		t.Fatalf("deleted: %d %.2000s", page.status, page.text)
	}
	for _, path := range []string{p, p + "/consent", "/tests/" + c.ids["test"], "/api/tests/" + c.ids["test"], "/api/tests/" + c.ids["test"] + "/log"} {
		if page := w.get(path); page.status != http.StatusNotFound {
			t.Errorf("%s of a deleted person: %d", path, page.status)
		}
	}
	if page := w.get("/people?q=A-1"); strings.Contains(page.text, "Name of A-1") {
		t.Error("the search finds a deleted person")
	}
}

// A site lead changes the rule of the own site on the page of the site's settings, and of no other; whoever leads none has no form.
func TestRulesOfASite(t *testing.T) {
	c := openClinic(t)
	lead := c.signedIn("site-lead")
	page := lead.get("/settings")
	has(t, "the form", page, http.StatusOK, "Rules of the site", `action="/sites/1"`)
	if strings.Contains(page.text, `action="/sites/2"`) {
		t.Error("the form of another site")
	}
	has(t, "saved", lead.send("/settings", "/sites/1", url.Values{"site_name": {"South"}, "keep_years": {"12"}}), http.StatusOK, "Saved.", `value="South"`, `value="12"`)
	if p := lead.send("/settings", "/sites/2", url.Values{"site_name": {"Mine"}, "keep_years": {"0"}}); p.status != http.StatusNotFound {
		t.Errorf("another site's rule: %d", p.status)
	}
	has(t, "a bad number", lead.send("/settings", "/sites/1", url.Values{"site_name": {"South"}, "keep_years": {"x"}}), http.StatusUnprocessableEntity, "whole years")
	for _, role := range []string{"clinician", "student", "researcher"} {
		if p := c.signedIn(role).get("/settings"); strings.Contains(p.text, "Rules of the site") {
			t.Errorf("%s has the form", role)
		}
	}
	c.clock.pass(16 * time.Minute / 2)
	lead.get("/settings")
	c.clock.pass(16 * time.Minute / 2)
	if p := lead.send("/settings", "/sites/1", url.Values{"site_name": {"Late"}, "keep_years": {"1"}}); p.status != http.StatusForbidden {
		t.Errorf("without a fresh proof: %d", p.status)
	}
	sites := must(c.store.Sites(t.Context()))(t)
	if sites[0].Name != "South" || sites[0].KeepYears != 12 || sites[1].Name != "North" {
		t.Errorf("%+v", sites)
	}
}

// Waits after wrong passwords are in the record: a restart does not shorten them.
func TestGuessingAfterARestart(t *testing.T) {
	c := openClinic(t)
	w := c.browser()
	for range 5 {
		w.signIn("clinician", "a wrong password here")
	}
	c.again()
	if p := c.browser().signIn("clinician", goodPassword); p.status == http.StatusOK && p.at != "/sign-in" {
		t.Errorf("signed in at %s within the wait", p.at)
	}
	c.clock.pass(15 * time.Minute)
	if p := c.browser().signIn("clinician", goodPassword); p.status != http.StatusOK || p.at == "/sign-in" {
		t.Errorf("after the wait: %d at %s", p.status, p.at)
	}
}
