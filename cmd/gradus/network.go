package main

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"net/url"
	"path/filepath"
	"strings"
	"time"

	"gradus/internal/localca"
	"gradus/internal/web"
)

// network are the flags that say how browsers reach the server.
type network struct {
	TLSCert  string `name:"tls-cert" placeholder:"FILE" help:"Certificate with its chain (PEM); beyond this machine the one of gradus certificate when left out."`
	TLSKey   string `name:"tls-key" placeholder:"FILE" help:"Its key (PEM)."`
	Redirect string `name:"redirect-from" placeholder:"ADDR:PORT" help:"Also listen there by plain HTTP, only to send browsers to https."`
	Behind   string `name:"behind" placeholder:"https://NAME" help:"Address by which browsers reach a proxy on this machine that speaks TLS for this server."`
	Log      string `name:"log" default:"text" enum:"text,json" help:"Form of the log on standard error: text or json."`
}

func (n network) logger(to io.Writer) *slog.Logger {
	if n.Log == "json" {
		return slog.New(slog.NewJSONHandler(to, nil))
	}
	return slog.New(slog.NewTextHandler(to, nil))
}

// way is how browsers come in.
type way struct {
	ln        net.Listener
	redirect  net.Listener
	tls       *tls.Config
	secure    bool // by https alone
	named     func(host string) bool
	authority *x509.Certificate
	address   string // to open in a browser
	renewing  chan struct{}
}

func (w *way) close() {
	if w.renewing != nil {
		close(w.renewing)
	}
	if w.redirect != nil {
		w.redirect.Close()
	}
	w.ln.Close()
}

// open opens the listeners. signIn says that nobody sees anything before signing in.
func (n network) open(listen, dir string, signIn bool, log *slog.Logger) (_ *way, err error) {
	if (n.TLSCert == "") != (n.TLSKey == "") {
		return nil, usageError{"--tls-cert and --tls-key go together"}
	}
	w := &way{}
	watched, err := n.certificate(w, listen, dir, log)
	if err != nil {
		return nil, err
	}
	scheme := "http"
	if watched != nil {
		w.tls, w.secure, w.named, scheme = watched.Config(), true, watched.Covers, "https"
	}
	if n.Behind != "" {
		if err := n.proxied(w, signIn); err != nil {
			return nil, err
		}
	}
	if n.Redirect != "" && watched == nil {
		return nil, usageError{"--redirect-from sends browsers to https: it needs --tls-cert and --tls-key, or the certificate of gradus certificate and a --listen beyond this machine"}
	}
	if w.ln, err = web.Listen(listen, web.Reach{TLS: watched != nil, SignIn: signIn}); err != nil {
		return nil, err
	}
	if n.Redirect != "" {
		// It takes nothing and shows nothing, so it may be heard wherever the pages are.
		if w.redirect, err = web.Listen(n.Redirect, web.Reach{TLS: true, SignIn: true}); err != nil {
			return nil, errors.Join(err, w.ln.Close())
		}
	}
	w.address = scheme + "://" + w.host(watched) + "/"
	if n.Behind != "" {
		w.address = strings.TrimSuffix(n.Behind, "/") + "/"
	}
	return w, nil
}

// certificate finds the certificate to show: the named one, or beyond this machine the data directory's own.
func (n network) certificate(w *way, listen, dir string, log *slog.Logger) (*localca.Watched, error) {
	certFile, keyFile := n.TLSCert, n.TLSKey
	own := filepath.Join(dir, localca.Folder)
	isOwn := certFile == "" && web.Beyond(listen) && n.Behind == ""
	if isOwn {
		certFile, keyFile = filepath.Join(own, localca.ServerFile), filepath.Join(own, localca.ServerKey)
		if _, err := localca.Read(certFile); errors.Is(err, fs.ErrNotExist) {
			return nil, nil // web.Listen says what to do
		}
		renew(own, log)
		w.renewing = make(chan struct{})
		go renewDaily(own, log, w.renewing)
	}
	if certFile == "" {
		return nil, nil
	}
	watched, err := localca.Watch(certFile, keyFile, time.Now, func(err error) { log.Error("certificate not taken", "error", err) })
	if err != nil {
		return nil, err
	}
	if root, err := localca.Read(filepath.Join(own, localca.AuthorityFile)); err == nil && watched.Leaf().CheckSignatureFrom(root) == nil {
		w.authority = root
	}
	return watched, nil
}

func renewDaily(dir string, log *slog.Logger, done <-chan struct{}) {
	t := time.NewTicker(24 * time.Hour)
	defer t.Stop()
	for {
		select {
		case <-t.C:
			renew(dir, log)
		case <-done:
			return
		}
	}
}

// renew renews the own certificate in its last month. The running server takes the new one up by itself.
func renew(dir string, log *slog.Logger) {
	did, err := localca.Renew(dir, time.Now())
	switch {
	case err != nil:
		log.Warn("the certificate ends soon and could not be renewed", "error", err)
	case did:
		log.Info("the certificate was renewed")
	}
}

// proxied takes the address of a proxy that speaks TLS in front of this server.
func (n network) proxied(w *way, signIn bool) error {
	u, err := url.Parse(n.Behind)
	if err != nil || u.Scheme != "https" || u.Hostname() == "" || strings.Trim(u.Path, "/") != "" || u.RawQuery != "" || u.User != nil {
		return usageError{fmt.Sprintf("--behind %s: write the address of the proxy as browsers see it, such as https://gradus.ward.example", n.Behind)}
	}
	if !signIn {
		return fmt.Errorf("--behind %s: nobody has to sign in yet, so everyone who reaches the proxy would see the record; set up a passphrase or accounts first", n.Behind)
	}
	host, before := u.Hostname(), w.named
	w.named = func(h string) bool { return strings.EqualFold(h, host) || before != nil && before(h) }
	w.secure = true
	return nil
}

// host is what stands in the address to open: a name of the certificate where the listener has no address of its own.
func (w *way) host(watched *localca.Watched) string {
	at := w.ln.Addr().(*net.TCPAddr)
	if watched == nil || !at.IP.IsUnspecified() && watched.Covers(at.IP.String()) {
		return at.String()
	}
	host := localca.Names(watched.Leaf())[0]
	if at.Port == 443 {
		return host
	}
	return net.JoinHostPort(host, fmt.Sprint(at.Port))
}
