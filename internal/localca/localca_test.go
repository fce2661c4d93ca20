package localca

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"log"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"
)

var now = time.Now().Truncate(time.Second)

func made(t *testing.T, dir string, names ...string) Made {
	t.Helper()
	m, err := Make(dir, Ask{Names: names, Now: now})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// trusts verifies a server's certificate as a browser that trusts the authority does.
func trusts(root, c *x509.Certificate, host string, at time.Time) error {
	pool := x509.NewCertPool()
	pool.AddCert(root)
	_, err := c.Verify(x509.VerifyOptions{Roots: pool, DNSName: host, CurrentTime: at})
	return err
}

func TestMake(t *testing.T) {
	dir := filepath.Join(t.TempDir(), Folder)
	m := made(t, dir, "Gradus.Ward.Example", "192.0.2.7", "2001:db8::7")
	if !m.NewAuthority || !m.NewServer {
		t.Errorf("made %+v", m)
	}
	for _, host := range []string{"gradus.ward.example", "192.0.2.7", "2001:db8::7", "localhost", "127.0.0.1", "::1"} {
		if err := trusts(m.Authority, m.Server, host, now); err != nil {
			t.Errorf("%s: %v", host, err)
		}
		if !Covers(m.Server, host) {
			t.Errorf("%s is not covered", host)
		}
	}
	for _, host := range []string{"ward.example", "other.ward.example", "192.0.2.8", "evil.example", ""} {
		if err := trusts(m.Authority, m.Server, host, now); host != "" && err == nil {
			t.Errorf("%s is trusted", host)
		}
		if Covers(m.Server, host) {
			t.Errorf("%s is covered", host)
		}
	}
	if !m.Authority.IsCA || !m.Authority.MaxPathLenZero || m.Server.IsCA || m.Server.NotAfter.Sub(m.Server.NotBefore) > 825*24*time.Hour {
		t.Errorf("authority %v, server to %v", m.Authority.IsCA, m.Server.NotAfter)
	}
	if runtime.GOOS != "windows" {
		for _, name := range []string{AuthorityKey, ServerKey} {
			if info, err := os.Stat(filepath.Join(dir, name)); err != nil || info.Mode().Perm() != 0o600 {
				t.Errorf("%s: %v %v", name, info.Mode(), err)
			}
		}
	}
	if f := Fingerprint(m.Authority); len(f) != 95 || strings.Count(f, ":") != 31 {
		t.Errorf("fingerprint %s", f)
	}
	again := made(t, dir)
	if again.NewServer || again.NewAuthority || !again.Server.Equal(m.Server) {
		t.Error("a good certificate was made anew")
	}
}

// Whoever steals the authority's key can sign for nobody else: a browser refuses it.
func TestBounds(t *testing.T) {
	dir := t.TempDir()
	m := made(t, dir, "gradus.ward.example", "192.0.2.7")
	key, err := readKey(filepath.Join(dir, AuthorityKey))
	if err != nil {
		t.Fatal(err)
	}
	for _, host := range []string{"bank.example", "192.0.2.8", "sub.gradus.ward.example"} {
		w, err := sorted([]string{host})
		if err != nil {
			t.Fatal(err)
		}
		forged, err := newServer(t.TempDir(), w, m.Authority, key, now)
		if err != nil {
			t.Fatal(err)
		}
		if err := trusts(m.Authority, forged, host, now); (err == nil) != strings.HasSuffix(host, ".gradus.ward.example") {
			t.Errorf("%s: %v", host, err)
		}
	}
	var bounds *BoundsError
	if _, err := Make(dir, Ask{Names: []string{"other.example"}, Now: now}); !errors.As(err, &bounds) || bounds.Name != "other.example" {
		t.Errorf("another name: %v", err)
	}
	if _, err := Make(dir, Ask{Names: []string{"192.0.2.9"}, Now: now}); !errors.As(err, &bounds) {
		t.Errorf("another address: %v", err)
	}
	if m, err := Make(dir, Ask{Names: []string{"other.example"}, Now: now, Anew: true}); err != nil || !m.NewAuthority || !Covers(m.Server, "other.example") {
		t.Errorf("a new authority: %v", err)
	}
}

// A certificate is renewed in its last month, by the same authority, as long as the authority's key is there.
func TestRenew(t *testing.T) {
	dir := t.TempDir()
	m := made(t, dir, "gradus.ward.example")
	if did, err := Renew(dir, m.Server.NotAfter.Add(-RenewBefore-time.Hour)); did || err != nil {
		t.Errorf("too early: %v %v", did, err)
	}
	late := m.Server.NotAfter.Add(-time.Hour)
	if did, err := Renew(dir, late); !did || err != nil {
		t.Fatalf("in the last month: %v %v", did, err)
	}
	c, err := Read(filepath.Join(dir, ServerFile))
	if err != nil || trusts(m.Authority, c, "gradus.ward.example", late.Add(48*time.Hour)) != nil {
		t.Errorf("the renewed one is not trusted: %v", err)
	}
	if err := os.Remove(filepath.Join(dir, AuthorityKey)); err != nil {
		t.Fatal(err)
	}
	if _, err := Renew(dir, c.NotAfter.Add(-time.Hour)); !errors.Is(err, ErrNoKey) {
		t.Errorf("without the key: %v", err)
	}
	if _, err := Renew(dir, m.Authority.NotAfter); err == nil || !strings.Contains(err.Error(), "--new-authority") {
		t.Errorf("at the end of the authority: %v", err)
	}
}

func TestBadNames(t *testing.T) {
	for _, n := range []string{"https://gradus.example", "gradus.example:443", "*.example", "a..b", "-a.example", "0.0.0.0", "ward 3", "", strings.Repeat("a", 64) + ".example"} {
		dir := t.TempDir()
		if _, err := Make(dir, Ask{Names: []string{n}, Now: now}); err == nil {
			t.Errorf("%q was taken", n)
		}
		if left, _ := os.ReadDir(dir); len(left) != 0 {
			t.Errorf("%q left %v", n, left)
		}
	}
}

// The next connection shows a certificate that was put in place of the old one. Files that do not fit leave it.
func TestReload(t *testing.T) {
	dir := t.TempDir()
	first := made(t, dir, "one.example")
	clock := now
	var faults []error
	w, err := Watch(filepath.Join(dir, ServerFile), filepath.Join(dir, ServerKey), func() time.Time { return clock }, func(err error) { faults = append(faults, err) })
	if err != nil {
		t.Fatal(err)
	}
	ln, err := tls.Listen("tcp", "127.0.0.1:0", w.Config())
	if err != nil {
		t.Fatal(err)
	}
	s := &http.Server{Handler: http.NotFoundHandler(), ErrorLog: log.New(io.Discard, "", 0)}
	go func() { _ = s.Serve(ln) }()
	defer s.Close()
	shown := func() *x509.Certificate {
		c, err := tls.Dial("tcp", ln.Addr().String(), &tls.Config{InsecureSkipVerify: true})
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		if c.ConnectionState().Version != tls.VersionTLS13 {
			t.Errorf("version %x", c.ConnectionState().Version)
		}
		return c.ConnectionState().PeerCertificates[0]
	}
	if !shown().Equal(first.Server) || !w.Covers("one.example") || w.Covers("two.example") {
		t.Error("at first another certificate is shown")
	}
	second, err := Make(dir, Ask{Names: []string{"two.example"}, Now: now, Anew: true})
	if err != nil {
		t.Fatal(err)
	}
	clock = clock.Add(lookEvery)
	if !shown().Equal(second.Server) || w.Covers("one.example") || !w.Covers("two.example") {
		t.Error("the new certificate is not shown")
	}
	if err := os.WriteFile(filepath.Join(dir, ServerKey), []byte("broken"), 0o600); err != nil {
		t.Fatal(err)
	}
	clock = clock.Add(lookEvery)
	if !shown().Equal(second.Server) || len(faults) != 1 {
		t.Errorf("with a broken key: told %v", faults)
	}
	clock = clock.Add(lookEvery)
	if shown(); len(faults) != 1 {
		t.Error("the same fault is told again and again")
	}
	if _, err := tls.Dial("tcp", ln.Addr().String(), &tls.Config{InsecureSkipVerify: true, MaxVersion: tls.VersionTLS11}); err == nil {
		t.Error("TLS 1.1 was taken")
	}
}

func TestWatchRefuses(t *testing.T) {
	dir := t.TempDir()
	m := made(t, dir, "one.example")
	cert, key := filepath.Join(dir, ServerFile), filepath.Join(dir, ServerKey)
	after := func() time.Time { return m.Server.NotAfter.Add(time.Second) }
	if _, err := Watch(cert, key, after, nil); err == nil || !strings.Contains(err.Error(), "renew") {
		t.Errorf("an ended certificate: %v", err)
	}
	for _, files := range [][2]string{{cert, filepath.Join(dir, AuthorityKey)}, {key, key}, {"none", key}, {filepath.Join(dir, AuthorityFile), filepath.Join(dir, AuthorityKey)}} {
		if _, err := Watch(files[0], files[1], time.Now, nil); err == nil {
			t.Errorf("%v was taken", files)
		}
	}
}

func TestOurs(t *testing.T) {
	for _, n := range Ours() {
		if ip := net.ParseIP(n); ip != nil && (ip.IsLoopback() || ip.IsUnspecified()) {
			t.Errorf("%s is no address on a network", n)
		}
		if _, err := sorted([]string{n}); err != nil {
			t.Error(err)
		}
	}
}

// FuzzRead: no certificate file brings the reading down, nor what asks the certificate afterwards.
func FuzzRead(f *testing.F) {
	dir := f.TempDir()
	if _, err := Make(dir, Ask{Names: []string{"gradus.ward.example", "192.0.2.1"}, Now: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)}); err != nil {
		f.Fatal(err)
	}
	for _, name := range []string{ServerFile, AuthorityFile, ServerKey} {
		text, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	path := filepath.Join(dir, "fuzzed.pem")
	f.Fuzz(func(t *testing.T, text []byte) {
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
		c, err := Read(path)
		if err != nil {
			return
		}
		Fingerprint(c)
		for _, n := range Names(c) {
			Covers(c, n)
		}
	})
}
