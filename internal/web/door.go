package web

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"time"
)

// Times after which a connection is let go.
type Times struct {
	Head   time.Duration // the head of a request must be there
	Body   time.Duration // and its body
	Answer time.Duration // the answer must have been taken; a stream of events sets its own
	Close  time.Duration // after the server was told to go, what still runs is cut off
}

var usual = Times{Head: 10 * time.Second, Body: time.Minute, Answer: 3 * time.Minute, Close: 10 * time.Second}

const (
	idleWithin = 2 * time.Minute
	maxHead    = 32 << 10 // bytes of a request's head
)

// Door lets requests in until it is told to close, and then lets running answers finish.
type Door struct {
	Handler  http.Handler
	Beside   map[string]http.Handler // of other paths, which know by themselves who asks
	TLS      *tls.Config             // nil: plain HTTP
	Redirect net.Listener            // plain HTTP that only sends browsers to https; nil: none
	Named    func(host string) bool
	Within   Times // zero: the usual ones
	Log      *slog.Logger
}

// drainer is a handler that has something to say before the door closes: [Server] tells the running pages and
// waits until they have delivered what they hold.
type drainer interface {
	Drain(context.Context)
	Stop()
}

// Serve answers on a listener until the context ends.
func (d Door) Serve(ctx context.Context, ln net.Listener) error {
	if d.Log == nil {
		d.Log = slog.New(slog.DiscardHandler)
	}
	if d.Within == (Times{}) {
		d.Within = usual
	}
	if d.TLS != nil {
		ln = tls.NewListener(ln, d.TLS)
	}
	h := d.server(d.withBeside(withHealth(d.Handler)))
	ended := make(chan error, 2)
	go func() { ended <- h.Serve(ln) }()
	if d.Redirect != nil {
		to := d.server(d.toHTTPS(ln.Addr()))
		defer to.Close()
		go func() { ended <- to.Serve(d.Redirect) }()
	}
	select {
	case err := <-ended:
		return errors.Join(err, h.Close())
	case <-ctx.Done():
	}
	wait, cancel := context.WithTimeout(context.WithoutCancel(ctx), d.Within.Close)
	defer cancel()
	if s, ok := d.Handler.(drainer); ok {
		s.Drain(wait)
		s.Stop()
	}
	err := h.Shutdown(wait)
	if errors.Is(err, context.DeadlineExceeded) { // somebody sends by drops; that is no fault of the program
		d.Log.Info("requests were cut off that did not end in time")
		return h.Close()
	}
	return err
}

func (d Door) withBeside(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if h := d.Beside[r.URL.Path]; h != nil {
			h.ServeHTTP(w, r)
			return
		}
		next.ServeHTTP(w, r)
	})
}

func (d Door) server(h http.Handler) *http.Server {
	return &http.Server{
		Handler: h, ReadHeaderTimeout: d.Within.Head, ReadTimeout: d.Within.Body, WriteTimeout: d.Within.Answer, IdleTimeout: idleWithin,
		MaxHeaderBytes: maxHead, ErrorLog: slog.NewLogLogger(d.Log.Handler(), slog.LevelDebug),
	}
}

// toHTTPS sends a browser that came by plain HTTP to the same page under TLS. Nothing that was sent is taken.
func (d Door) toHTTPS(to net.Addr) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		host := hostOf(r.Host)
		if !here(host) && (d.Named == nil || !d.Named(host)) {
			http.Error(w, say("guard.host")+" "+say("guard.hint"), http.StatusForbidden)
			return
		}
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			http.Error(w, say("guard.plain"), http.StatusForbidden)
			return
		}
		if a, ok := to.(*net.TCPAddr); ok && a.Port != 443 {
			host = net.JoinHostPort(host, fmt.Sprint(a.Port))
		}
		w.Header().Set("Location", "https://"+host+r.URL.RequestURI())
		w.WriteHeader(http.StatusPermanentRedirect)
	})
}

// Serve answers on a listener by plain HTTP until the context ends.
func (s *Server) Serve(ctx context.Context, ln net.Listener) error {
	return Door{Handler: s, Log: s.log}.Serve(ctx, ln)
}

// withHealth answers, before anything else, whether the program lives and whether it can store; the answers tell
// nothing else, so nobody need sign in for them. What it has counted it tells whoever asks from this machine.
func withHealth(next http.Handler) http.Handler {
	m := http.NewServeMux()
	m.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) { tellHealth(w, nil) })
	m.HandleFunc("GET /readyz", func(w http.ResponseWriter, r *http.Request) {
		ready, ok := next.(interface{ Ready(context.Context) error })
		if !ok {
			tellHealth(w, errLocked)
			return
		}
		tellHealth(w, ready.Ready(r.Context()))
	})
	m.HandleFunc("GET /metrics", func(w http.ResponseWriter, r *http.Request) {
		if counts, ok := next.(interface{ Metrics() http.Handler }); ok && fromHere(r) {
			counts.Metrics().ServeHTTP(w, r)
			return
		}
		next.ServeHTTP(w, r)
	})
	m.Handle("/", next)
	return m
}

var errLocked = errors.New("the record is not open yet")

func tellHealth(w http.ResponseWriter, err error) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("X-Content-Type-Options", "nosniff")
	if err != nil {
		w.WriteHeader(http.StatusServiceUnavailable)
		fmt.Fprintln(w, err)
		return
	}
	fmt.Fprintln(w, "ok")
}
