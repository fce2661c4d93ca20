package web

import (
	"context"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"gradus/internal/access"
	"gradus/internal/record"
)

// meters count what the server does. None carries a name, a code or the id of a test.
type meters struct {
	all      *prometheus.Registry
	requests *prometheus.CounterVec
	events   prometheus.Counter
	append   prometheus.Histogram
	signIns  *prometheus.CounterVec
	errors   *prometheus.CounterVec
	page     http.Handler
}

// liveWithin is how long after its last event or sample a test counts as live.
const liveWithin = 2 * time.Minute

func newMeters(s *Server, backup func() (time.Time, bool)) *meters {
	m := &meters{
		all:      prometheus.NewRegistry(),
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "gradus_requests_total", Help: "Answers by route and class of status."}, []string{"route", "status"}),
		events:   prometheus.NewCounter(prometheus.CounterOpts{Name: "gradus_events_total", Help: "Events of tests that pages delivered and that are on disk."}),
		append: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "gradus_append_seconds", Help: "Time until delivered events were on disk.",
			Buckets: []float64{.001, .002, .005, .01, .02, .05, .1, .2, .5, 1, 2, 5}}),
		signIns: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "gradus_sign_ins_total", Help: "Attempts to sign in by outcome."}, []string{"outcome"}),
		errors:  prometheus.NewCounterVec(prometheus.CounterOpts{Name: "gradus_errors_total", Help: "Faults by kind: storage, inside, panic, refused."}, []string{"kind"}),
	}
	gauge := func(name, help string, value func() float64) {
		m.all.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: name, Help: help}, value))
	}
	gauge("gradus_live_tests", "Tests with an event or a sample in the last two minutes.", func() float64 { return float64(s.liveTests()) })
	gauge("gradus_observers", "Open streams of events.", func() float64 { return float64(s.streams.Load()) })
	if backup != nil {
		gauge("gradus_backup_age_seconds", "Age of the newest backup; -1: there is none.", func() float64 {
			at, ok := backup()
			if !ok {
				return -1
			}
			return time.Since(at).Seconds()
		})
	}
	m.all.MustRegister(m.requests, m.events, m.append, m.signIns, m.errors, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	for _, kind := range []string{"storage", "inside", "panic", "refused"} {
		m.errors.WithLabelValues(kind)
	}
	m.page = promhttp.HandlerFor(m.all, promhttp.HandlerOpts{})
	return m
}

// SignedIn counts an attempt to sign in by its outcome, such as "good" or "refused".
func (s *Server) SignedIn(outcome string) { s.meters.signIns.WithLabelValues(outcome).Inc() }

func (s *Server) liveTests() (n int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	since := time.Now().Add(-liveWithin).UnixMilli()
	for _, l := range s.live {
		if l.heard.Load() >= since {
			n++
		}
	}
	return n
}

// Metrics gives the counts as Prometheus reads them. Who may ask is decided before.
func (s *Server) Metrics() http.Handler { return s.meters.page }

// metricsPage gives the counts to an administrator.
func (s *Server) metricsPage(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	if !(s.administrator != nil && s.administrator(r)) && !(v.entry == byAccounts && v.in && !v.locked && v.who.May(access.Accounts)) {
		s.showFault(w, record.ErrNotFound)
		return
	}
	s.meters.page.ServeHTTP(w, r)
}

// fromHere reports whether a request was made on this machine, by a name of this machine, and not passed on by a proxy. Others
// set no passphrase and read no counts without an account.
func fromHere(r *http.Request) bool {
	if r.Header.Get("X-Forwarded-For") != "" || r.Header.Get("Forwarded") != "" || r.Header.Get("Via") != "" || !here(strings.ToLower(hostOf(r.Host))) {
		return false
	}
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	return err == nil && here(host)
}

// numberHeader carries the number of a request, by which its line in the log is found. It says nothing else.
const numberHeader = "Request-Id"

type logKey struct{}

// logOf is the log that carries the number of the request.
func (s *Server) logOf(ctx context.Context) *slog.Logger {
	if l, ok := ctx.Value(logKey{}).(*slog.Logger); ok {
		return l
	}
	return s.log
}

// watched numbers each request, counts its answer and logs what went wrong: route and status, never the address,
// which holds what somebody typed.
func (s *Server) watched(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		began := time.Now()
		route := s.routeOf(r)
		number := randomHex(6)
		log := s.log.With("request", number, "method", method(r), "route", route)
		w.Header().Set(numberHeader, number)
		a := &counted{ResponseWriter: w, status: http.StatusOK}
		next.ServeHTTP(a, r.WithContext(context.WithValue(r.Context(), logKey{}, log)))
		status := a.status
		s.meters.requests.WithLabelValues(route, string(rune('0'+status/100))+"xx").Inc()
		if status >= http.StatusBadRequest {
			log.Info("answered", "status", status, "ms", time.Since(began).Milliseconds())
		}
	})
}

// method is one that the log may hold: a client may invent others.
func method(r *http.Request) string {
	switch r.Method {
	case http.MethodGet, http.MethodHead, http.MethodPost:
		return r.Method
	}
	return "other"
}

// counted is an answer whose status is kept.
type counted struct {
	http.ResponseWriter
	status int
	begun  bool
}

func (c *counted) WriteHeader(status int) {
	if !c.begun {
		c.begun, c.status = true, status
	}
	c.ResponseWriter.WriteHeader(status)
}

func (c *counted) Write(p []byte) (int, error) {
	c.begun = true
	return c.ResponseWriter.Write(p)
}

// Unwrap lets a stream take the connection.
func (c *counted) Unwrap() http.ResponseWriter { return c.ResponseWriter }
