package web_test

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gradus/internal/access"
	"gradus/internal/localca"
	"gradus/internal/record"
	"gradus/internal/vault"
	"gradus/internal/web"
)

// proxied is a proxy that speaks TLS by the ward's name, before a server on the same machine.
type proxied struct {
	t     *testing.T
	https string // address of the proxy, as browsers write it
	plain string // of the server behind it
	pool  *x509.CertPool
	from  string // whom the proxy says that it speaks for
	joins bool   // it writes that behind what the browser wrote, in one line
}

func behindProxy(t *testing.T, h http.Handler) *proxied {
	t.Helper()
	p := &proxied{t: t, pool: x509.NewCertPool(), from: "192.0.2.7"}
	inner := httptest.NewServer(h)
	t.Cleanup(inner.Close)
	p.plain = inner.URL
	to, err := url.Parse(inner.URL)
	if err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	made, err := localca.Make(folder, localca.Ask{Names: []string{wardName}, Now: time.Now()})
	if err != nil {
		t.Fatal(err)
	}
	pair, err := tls.LoadX509KeyPair(filepath.Join(folder, localca.ServerFile), filepath.Join(folder, localca.ServerKey))
	if err != nil {
		t.Fatal(err)
	}
	p.pool.AddCert(made.Authority)
	proxy := httptest.NewUnstartedServer(&httputil.ReverseProxy{Rewrite: func(r *httputil.ProxyRequest) {
		r.SetURL(to)
		r.Out.Host = r.In.Host
		r.Out.Header["X-Forwarded-For"] = append(r.In.Header["X-Forwarded-For"], p.from)
		if p.joins {
			r.Out.Header.Set("X-Forwarded-For", strings.Join(r.Out.Header["X-Forwarded-For"], ", "))
		}
	}})
	proxy.TLS = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
	proxy.StartTLS()
	t.Cleanup(proxy.Close)
	_, port, _ := net.SplitHostPort(proxy.Listener.Addr().String())
	p.https = "https://" + wardName + ":" + port
	return p
}

// browser is one on another device, for which the proxy speaks.
func (p *proxied) browser(b *bedside) *browser {
	p.t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		p.t.Fatal(err)
	}
	dial := func(ctx context.Context, network, address string) (net.Conn, error) {
		_, port, _ := net.SplitHostPort(address)
		return (&net.Dialer{}).DialContext(ctx, network, "127.0.0.1:"+port)
	}
	through := *b
	through.http = &httptest.Server{URL: p.https}
	return &browser{&through, &http.Client{Jar: jar, Timeout: time.Minute, Transport: &http.Transport{DialContext: dial, TLSClientConfig: &tls.Config{RootCAs: p.pool}}}}
}

func named(host string) bool { return host == wardName }

// Behind a proxy the server goes by the address for which the proxy speaks, and believes nothing else of it. Wrong tries from one
// device keep no other waiting, nobody passes for somebody else, and cookies are for https alone.
func TestBehindAProxy(t *testing.T) {
	c := openClinic(t)
	c.srv.Stop()
	srv, err := web.New(web.Options{Store: c.store, Dir: c.dir, Assets: built, Secure: true, Behind: true, Named: named, Log: c.bedside.log, Cost: access.Cost{MiB: 1, Passes: 1, Lanes: 1}, Now: func() time.Time { return c.clock.wall }})
	if err != nil {
		t.Fatal(err)
	}
	defer srv.Stop()
	p := behindProxy(t, srv)
	w := p.browser(c.bedside)
	signed := w.signIn("clinician", goodPassword)
	if signed.status != http.StatusOK || signed.at != "/account" {
		t.Fatalf("%d at %s: %s", signed.status, signed.at, signed.text)
	}
	at, _ := url.Parse(p.https)
	for _, k := range w.c.Jar.Cookies(at) {
		if !strings.HasPrefix(k.Name, "__Host-") {
			t.Errorf("cookie %s", k.Name)
		}
	}
	sources := func() (all string) {
		sessions, err := c.store.Sessions(context.Background(), c.accounts["clinician"].ID)
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range sessions {
			all += n.Source + " "
		}
		return all
	}
	if got := sources(); got != "192.0.2.7 " {
		t.Errorf("the session is said to come from %s", got)
	}

	// One device guesses; whatever it writes into the header before the proxy does, it is counted as one.
	guesser := p.browser(c.bedside)
	p.from = "192.0.2.66"
	for n := range 6 {
		p.joins = n%2 == 1
		form := tokenField.FindStringSubmatch(guesser.get("/sign-in").text)[1]
		r, _ := http.NewRequest(http.MethodPost, p.https+"/sign-in", strings.NewReader(url.Values{"token": {form}, "login": {fmt.Sprintf("nobody%d", n)}, "password": {"wrong words here"}}.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("X-Forwarded-For", fmt.Sprintf("198.51.100.%d", n))
		if got := guesser.do(r).status; (got == http.StatusTooManyRequests) != (n > 2) && n != 3 {
			t.Errorf("try %d with a forged header: %d", n, got)
		}
	}
	p.from = "192.0.2.8"
	if got := p.browser(c.bedside).signIn("site-lead", goodPassword); got.at != "/account" {
		t.Errorf("another device waits for the guesser: %d %s", got.status, got.text)
	}

	// The host is what the browser wrote, never what a header says.
	r, _ := http.NewRequest(http.MethodGet, p.https+"/sign-in", nil)
	r.Host = "evil.example"
	r.Header.Set("X-Forwarded-Host", wardName)
	if got := w.do(r); got.status != http.StatusForbidden {
		t.Errorf("a name of another: %d", got.status)
	}
	r, _ = http.NewRequest(http.MethodGet, p.https+"/sign-in", nil)
	r.Header.Set("X-Forwarded-Host", "evil.example")
	r.Header.Set("X-Forwarded-Proto", "http")
	if got := p.browser(c.bedside).do(r); got.status != http.StatusOK || strings.Contains(got.text, "evil") || !strings.Contains(got.header.Get("Set-Cookie"), "Secure") {
		t.Errorf("headers of a proxy were believed: %d %v", got.status, got.header)
	}
	if got := w.get("/metrics"); got.status == http.StatusOK {
		t.Error("the counts are told through the proxy")
	}
}

// Without a proxy the header says nothing: who writes it is counted by the address of the connection.
func TestForgedSourceWithoutAProxy(t *testing.T) {
	c := openClinic(t)
	w := c.browser()
	token := tokenField.FindStringSubmatch(w.get("/sign-in").text)[1]
	r, _ := http.NewRequest(http.MethodPost, c.http.URL+"/sign-in", strings.NewReader(url.Values{"token": {token}, "login": {"clinician"}, "password": {goodPassword}}.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("X-Forwarded-For", "198.51.100.1")
	w.do(r)
	sessions, err := c.store.Sessions(context.Background(), c.accounts["clinician"].ID)
	if err != nil || len(sessions) != 1 || sessions[0].Source != "127.0.0.1" {
		t.Errorf("%+v %v", sessions, err)
	}
}

// Through a proxy nobody sets the passphrase of a new record, whatever the proxy leaves out. Guessing from one device shuts out
// neither the other devices nor, ever, the machine itself.
func TestGateBehindAProxy(t *testing.T) {
	g := begunGate(t)
	o := web.Options{Dir: g.dir, Assets: built, Secure: true, Behind: true, Named: named, Now: func() time.Time { return g.clock.wall }}
	gate := func() *web.Gate {
		made, err := web.NewGate(o, func(ctx context.Context, k *vault.Key) (*web.Server, error) {
			store, err := vault.Open(ctx, g.dir, k, record.Options{})
			if err != nil {
				return nil, err
			}
			t.Cleanup(func() { store.Close() })
			inner := o
			inner.Store, inner.Vault, inner.Owner = store, k, k
			return web.New(inner)
		})
		if err != nil {
			t.Fatal(err)
		}
		return made
	}
	p := behindProxy(t, gate())
	b := &bedside{t: t}
	for _, from := range []string{"192.0.2.7", "127.0.0.1", ""} {
		p.from = from
		w := p.browser(b)
		first := w.get("/")
		if !strings.Contains(first.text, "over the network it is not taken") {
			t.Errorf("set-up is shown to %q", from)
		}
		token := w.c.Jar.Cookies(&url.URL{Scheme: "https", Host: strings.TrimPrefix(p.https, "https://"), Path: "/"})
		if len(token) != 1 {
			t.Fatal(token)
		}
		if got := w.post("/gate/passphrase", url.Values{"token": {tokenOf(first.text)}, "passphrase": {words}, "again": {words}}); got.status != http.StatusForbidden && got.status != http.StatusUnprocessableEntity {
			t.Errorf("a passphrase was set through the proxy, from %q: %d", from, got.status)
		}
	}

	g.setUp(g.browser())
	g.stop()
	shut := gate()
	p = behindProxy(t, shut)
	try := func(passphrase string) page {
		return p.browser(b).send("/", "/gate/unlock", url.Values{"passphrase": {passphrase}, "to": {"/"}})
	}
	p.from = "192.0.2.66"
	for range 12 {
		try("some wrong words")
		g.clock.pass(3 * time.Minute)
	}
	try("some wrong words")
	g.clock.pass(61 * time.Second)
	if got := try(words); !strings.Contains(got.text, "next try") {
		t.Errorf("who guessed was not slowed: %d %.300s", got.status, got.text)
	}
	p.from = "192.0.2.7"
	if got := try(words); got.status != http.StatusOK || strings.Contains(got.text, "next try") {
		t.Errorf("another device after a minute: %d %.300s", got.status, got.text)
	}
}

func tokenOf(text string) string {
	if found := tokenField.FindStringSubmatch(text); found != nil {
		return found[1]
	}
	return ""
}

// At the machine itself nobody waits for what others typed elsewhere.
func TestNetworkDoesNotShutTheMachineOut(t *testing.T) {
	g := begunGate(t)
	g.setUp(g.browser())
	g.again()
	far := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		r.RemoteAddr = "192.0.2.66:5000"
		g.gate.ServeHTTP(w, r)
	}))
	defer far.Close()
	b := &bedside{t: t, http: far}
	w := b.browser()
	wrong := func() page {
		return w.send("/", "/gate/unlock", url.Values{"passphrase": {"some wrong words"}})
	}
	for range 5 {
		wrong()
		g.clock.pass(10 * time.Second)
	}
	if got := wrong(); !strings.Contains(got.text, "next try") {
		t.Errorf("nobody waits: %.300s", got.text)
	}
	if got := g.browser().send("/", "/gate/unlock", url.Values{"passphrase": {words}}); got.status != http.StatusOK {
		t.Errorf("at the machine: %d %.300s", got.status, got.text)
	}
}
