package localca

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"
	"sync"
	"time"
)

// lookEvery is how often at most the files are looked at for a change.
const lookEvery = 2 * time.Second

// Watched is a certificate with its key in two files. When they change, the next connection shows the new one; the
// program need not start again. Files that do not fit together leave the old one in use.
type Watched struct {
	certFile, keyFile string
	now               func() time.Time
	failed            func(error) // told once for each state of the files that cannot be used

	mu     sync.Mutex
	pair   *tls.Certificate
	stamp  stamp
	looked time.Time
}

// stamp tells one state of the files from another.
type stamp struct {
	cert, key         time.Time
	certSize, keySize int64
}

// Watch reads a certificate and its key. failed is told when later files cannot be used.
func Watch(certFile, keyFile string, now func() time.Time, failed func(error)) (*Watched, error) {
	w := &Watched{certFile: certFile, keyFile: keyFile, now: now, failed: failed}
	s, err := w.stat()
	if err != nil {
		return nil, err
	}
	pair, err := load(certFile, keyFile)
	if err != nil {
		return nil, err
	}
	if end := pair.Leaf.NotAfter; now().After(end) {
		return nil, fmt.Errorf("%s ended on %s, and browsers refuse it: renew it (gradus certificate renews its own)", certFile, day(end))
	}
	w.pair, w.stamp, w.looked = pair, s, now()
	return w, nil
}

func load(certFile, keyFile string) (*tls.Certificate, error) {
	pair, err := tls.LoadX509KeyPair(certFile, keyFile)
	if err != nil {
		return nil, fmt.Errorf("%s with %s: %w; give a certificate (with its chain) and its key in PEM form", certFile, keyFile, err)
	}
	if len(pair.Leaf.DNSNames)+len(pair.Leaf.IPAddresses) == 0 {
		return nil, fmt.Errorf("%s names no address (subject alternative names), and browsers refuse it; ask for one with the names by which the server is reached", certFile)
	}
	return &pair, nil
}

func (w *Watched) stat() (s stamp, err error) {
	c, err := os.Stat(w.certFile)
	if err != nil {
		return s, err
	}
	k, err := os.Stat(w.keyFile)
	if err != nil {
		return s, err
	}
	return stamp{c.ModTime(), k.ModTime(), c.Size(), k.Size()}, nil
}

// current is the pair to use now.
func (w *Watched) current() *tls.Certificate {
	w.mu.Lock()
	defer w.mu.Unlock()
	now := w.now()
	if since := now.Sub(w.looked); since >= 0 && since < lookEvery {
		return w.pair
	}
	w.looked = now
	s, err := w.stat()
	if err != nil || s == w.stamp {
		return w.pair // while a file is being replaced there may be none
	}
	w.stamp = s
	pair, err := load(w.certFile, w.keyFile)
	if err != nil {
		w.failed(err)
		return w.pair
	}
	w.pair = pair
	return pair
}

// Leaf is the certificate in use.
func (w *Watched) Leaf() *x509.Certificate { return w.current().Leaf }

// Covers reports whether the certificate in use is for a host.
func (w *Watched) Covers(host string) bool { return Covers(w.current().Leaf, host) }

// Config is how the server speaks TLS: 1.2 at least, 1.3 where the browser can.
func (w *Watched) Config() *tls.Config {
	return &tls.Config{
		MinVersion:     tls.VersionTLS12,
		NextProtos:     []string{"h2", "http/1.1"},
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return w.current(), nil },
	}
}
