package web_test

import (
	"bufio"
	"context"
	"crypto/tls"
	"crypto/x509"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gradus/internal/localca"
	"gradus/internal/record"
	"gradus/internal/web"
)

// ward is a server under TLS with a certificate of its own authority, and a client on another device that trusts it.
type ward struct {
	t        *testing.T
	srv      *web.Server
	store    record.Store
	address  string // host and port as the device writes them
	redirect string
	client   *http.Client
	dial     func(context.Context, string, string) (net.Conn, error)
	pool     *x509.CertPool
	end      context.CancelFunc
	ended    chan error
}

const wardName = "gradus.ward.example"

func onTheWard(t *testing.T) *ward {
	t.Helper()
	dir := t.TempDir()
	folder := filepath.Join(dir, localca.Folder)
	made, err := localca.Make(folder, localca.Ask{Names: []string{wardName}, Now: time.Now()})
	if err != nil {
		t.Fatal(err)
	}
	watched, err := localca.Watch(filepath.Join(folder, localca.ServerFile), filepath.Join(folder, localca.ServerKey), time.Now, func(err error) { t.Error(err) })
	if err != nil {
		t.Fatal(err)
	}
	store, err := record.Open(context.Background(), dir, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	w := &ward{t: t, store: store, ended: make(chan error, 1), pool: x509.NewCertPool()}
	w.srv, err = web.New(web.Options{Store: store, Dir: dir, Assets: built, Secure: true, Named: watched.Covers, Authority: made.Authority})
	if err != nil {
		t.Fatal(err)
	}
	var ports []net.Listener
	for range 2 {
		ln, err := web.Listen("127.0.0.1:0", web.Reach{})
		if err != nil {
			t.Fatal(err)
		}
		ports = append(ports, ln)
	}
	ctx, end := context.WithCancel(context.Background())
	w.end = end
	go func() {
		w.ended <- web.Door{Handler: w.srv, TLS: watched.Config(), Redirect: ports[1], Named: watched.Covers}.Serve(ctx, ports[0])
	}()
	t.Cleanup(func() {
		end()
		if err := <-w.ended; err != nil {
			t.Error(err)
		}
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
	_, port, _ := net.SplitHostPort(ports[0].Addr().String())
	_, plain, _ := net.SplitHostPort(ports[1].Addr().String())
	w.address, w.redirect = wardName+":"+port, wardName+":"+plain
	w.pool.AddCert(made.Authority)
	// The name leads to this machine, as the ward's name server would say.
	w.dial = func(ctx context.Context, network, address string) (net.Conn, error) {
		_, port, _ := net.SplitHostPort(address)
		return (&net.Dialer{}).DialContext(ctx, network, "127.0.0.1:"+port)
	}
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	w.client = &http.Client{Jar: jar, Timeout: time.Minute, Transport: &http.Transport{DialContext: w.dial, ForceAttemptHTTP2: true, TLSClientConfig: &tls.Config{RootCAs: w.pool}},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	return w
}

func (w *ward) get(url string) (*http.Response, string) {
	w.t.Helper()
	resp, err := w.client.Get(url)
	if err != nil {
		w.t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		w.t.Fatal(err)
	}
	return resp, string(text)
}

// Another device reaches the pages by the certificate's name under TLS, and by no other name.
func TestOnTheWard(t *testing.T) {
	w := onTheWard(t)
	resp, text := w.get("https://" + w.address + "/people")
	if resp.StatusCode != http.StatusOK || resp.ProtoMajor != 2 || resp.TLS.Version != tls.VersionTLS13 {
		t.Errorf("%d by HTTP %d, TLS %x", resp.StatusCode, resp.ProtoMajor, resp.TLS.Version)
	}
	if resp.Header.Get("Strict-Transport-Security") != "max-age=31536000" || !strings.Contains(text, "<h1") {
		t.Errorf("%v", resp.Header)
	}
	cookies := resp.Cookies()
	if len(cookies) != 1 || cookies[0].Name != "__Host-gradus" || !cookies[0].Secure || !cookies[0].HttpOnly || cookies[0].SameSite != http.SameSiteStrictMode {
		t.Errorf("cookies %v", cookies)
	}
	_, port, _ := net.SplitHostPort(w.address)
	for host, want := range map[string]int{"evil.example:" + port: 403, "ward.example": 403, "192.0.2.1:" + port: 403, wardName: 200, "localhost:" + port: 200, strings.ToUpper(wardName): 200} {
		r, err := http.NewRequest(http.MethodGet, "https://"+w.address+"/", nil)
		if err != nil {
			t.Fatal(err)
		}
		r.Host = host
		resp, err := w.client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if resp.StatusCode != want {
			t.Errorf("by the name %s: %d, want %d", host, resp.StatusCode, want)
		}
		if said := resp.Header.Get("Strict-Transport-Security") != ""; said != (host != "localhost:"+port) {
			t.Errorf("by the name %s the browser is told of TLS: %v", host, said)
		}
	}
	r, err := http.NewRequest(http.MethodPost, "https://"+w.address+"/api/tests/x/events", strings.NewReader("{}"))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Origin", "http://"+w.address)
	if resp, err := w.client.Do(r); err != nil || resp.StatusCode != http.StatusForbidden {
		t.Errorf("written by the same name without TLS: %v %v", resp, err)
	}
	if _, err := (&http.Client{Transport: &http.Transport{DialContext: w.dial}}).Get("https://" + w.address + "/"); err == nil {
		t.Error("a device that does not trust the authority was let in without a warning")
	}
	resp, _ = w.get("http://" + w.address + "/")
	if resp.StatusCode != http.StatusBadRequest {
		t.Errorf("plain HTTP at the port of TLS: %d", resp.StatusCode)
	}
}

// Plain HTTP, where it is asked for, only leads to TLS, and only by names of the certificate.
func TestRedirectToTLS(t *testing.T) {
	w := onTheWard(t)
	resp, _ := w.get("http://" + w.redirect + "/trust?a=1")
	if want := "https://" + w.address + "/trust?a=1"; resp.StatusCode != http.StatusPermanentRedirect || resp.Header.Get("Location") != want {
		t.Errorf("%d to %s, want %s", resp.StatusCode, resp.Header.Get("Location"), want)
	}
	r, err := http.NewRequest(http.MethodGet, "http://"+w.redirect+"/", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Host = "evil.example"
	if resp, err := w.client.Do(r); err != nil || resp.StatusCode != http.StatusForbidden {
		t.Errorf("another name: %v %v", resp, err)
	}
	if resp, err := w.client.Post("http://"+w.redirect+"/people", "text/plain", strings.NewReader("x")); err != nil || resp.StatusCode != http.StatusForbidden {
		t.Errorf("something sent in the open: %v %v", resp, err)
	}
}

// The page that lets a device trust the server shows what to compare and hands out the authority in both forms.
func TestTrustPage(t *testing.T) {
	w := onTheWard(t)
	_, text := w.get("https://" + w.address + "/trust")
	resp, der := w.get("https://" + w.address + "/trust/gradus-authority.crt")
	root, err := x509.ParseCertificate([]byte(der))
	if err != nil || resp.Header.Get("Content-Type") != "application/x-x509-ca-cert" {
		t.Fatalf("%v %v", resp.Header, err)
	}
	for _, want := range []string{localca.Fingerprint(root)[:47] + "<br>" + localca.Fingerprint(root)[48:], wardName, "Windows", "macOS", "iPadOS", "Android", "Linux", "Firefox"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if strings.Contains(text, "trust.") {
		t.Error("a text is missing")
	}
	if _, pem := w.get("https://" + w.address + "/trust/gradus-authority.pem"); !x509.NewCertPool().AppendCertsFromPEM([]byte(pem)) {
		t.Errorf("no certificate: %.100s", pem)
	}
	if resp, _ := w.get("https://" + w.address + "/trust/authority-key.pem"); resp.StatusCode != http.StatusNotFound {
		t.Errorf("another file: %d", resp.StatusCode)
	}
	b := begin(t, false)
	plain := b.browser()
	if p := plain.get("/trust"); p.status != http.StatusOK || !strings.Contains(p.text, "gradus certificate makes one") {
		t.Errorf("without an authority: %d", p.status)
	}
	if p := plain.get("/trust/gradus-authority.crt"); p.status != http.StatusNotFound {
		t.Errorf("without an authority: %d", p.status)
	}
}

// A stream over HTTP/2 shares the browser's one connection, goes on beside other requests, and ends with the server.
func TestStreamOverHTTP2(t *testing.T) {
	w := onTheWard(t)
	ctx := context.Background()
	test, err := w.store.NewTest(ctx, record.Test{ID: "t-1", Protocol: "invented", Version: "1", Hash: "00ff", Sent: []byte(`{"id":"invented"}`), Title: "invented test", Demo: true})
	if err != nil {
		t.Fatal(err)
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, "https://"+w.address+"/api/tests/"+test.ID+"/stream", nil)
	if err != nil {
		t.Fatal(err)
	}
	stream, err := (&http.Client{Transport: w.client.Transport}).Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer stream.Body.Close()
	if stream.ProtoMajor != 2 || !strings.HasPrefix(stream.Header.Get("Content-Type"), "text/event-stream") {
		t.Fatalf("HTTP %d %v", stream.ProtoMajor, stream.Header)
	}
	lines := bufio.NewScanner(stream.Body)
	await := func(want string) {
		t.Helper()
		for lines.Scan() {
			if strings.Contains(lines.Text(), want) {
				return
			}
		}
		t.Fatalf("the stream ended before %q: %v", want, lines.Err())
	}
	await("event: show")
	body := `{"heart":true}`
	resp, err := w.client.Post("https://"+w.address+"/api/tests/t-1/show", "application/json", strings.NewReader(body))
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("%v %v", resp, err)
	}
	await(body)
	w.end()
	await("event: going")
	for lines.Scan() {
	}
	if err := lines.Err(); err != nil {
		t.Errorf("the stream broke off instead of ending: %v", err)
	}
}

func TestListenBeyondThisMachine(t *testing.T) {
	for _, c := range []struct {
		may  web.Reach
		want string
	}{
		{web.Reach{}, "plain HTTP is refused"},
		{web.Reach{SignIn: true}, "plain HTTP is refused"},
		{web.Reach{TLS: true}, "nobody has to sign in"},
		{web.Reach{TLS: true, SignIn: true}, ""},
	} {
		ln, err := web.Listen("0.0.0.0:0", c.may)
		if err == nil {
			ln.Close()
		}
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v", c.may, err)
		}
	}
}

// Whoever watches over the server asks without signing in.
func TestHealth(t *testing.T) {
	w := onTheWard(t)
	for _, path := range []string{"/healthz", "/readyz"} {
		if resp, text := w.get("https://" + w.address + path); resp.StatusCode != http.StatusOK || text != "ok\n" {
			t.Errorf("%s: %d %s", path, resp.StatusCode, text)
		}
	}
}
