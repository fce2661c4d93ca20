package web

import (
	"context"
	"errors"
	"net"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"time"

	"gradus/internal/access"
	"gradus/internal/record"
)

// Owner proves who is the single user of a record without accounts.
type Owner interface{ Verify(passphrase string) error }

// Times of a session. Ours: the reference values of a shared machine at a low risk are 15 to 30 minutes idle and 4 to 8
// hours for an office day; a clinic's day may be longer (common practice).
const (
	defaultIdle  = 15 * time.Minute
	defaultLimit = 10 * time.Hour
	provedFor    = 15 * time.Minute // how long a proof lasts for what needs a fresh one
	seenEvery    = 30 * time.Second // how often the record is told that a session is awake
)

// How people get in.
type entry int

const (
	freely     entry = iota // nobody is asked: the demonstration, and a plain record of one person
	byOwner                 // one person with the passphrase of the record
	byAccounts              // everybody with an account
)

// visitor is who a request comes from.
type visitor struct {
	entry   entry
	who     access.Principal
	session record.Session
	in      bool // signed in, or nobody is asked
	locked  bool
}

type visitorKey struct{}

func visitorOf(r *http.Request) visitor {
	v, _ := r.Context().Value(visitorKey{}).(visitor)
	return v
}

// entryNow says how people get in. As soon as there is an account, everybody needs one.
func (s *Server) entryNow(ctx context.Context) (entry, error) {
	any, err := s.raw.AnyAccount(ctx)
	switch {
	case err != nil:
		return byAccounts, err
	case any:
		return byAccounts, nil
	case s.owner != nil:
		return byOwner, nil
	}
	return freely, nil
}

// tokenOf is the token of a session that a request shows, "" when it shows none.
func (s *Server) tokenOf(r *http.Request) string {
	c, err := r.Cookie(s.sessionCookie())
	if err != nil || len(c.Value) != 64 {
		return ""
	}
	return c.Value
}

// visit finds out who a request comes from.
func (s *Server) visitorFor(r *http.Request, awake bool) (v visitor, err error) {
	token := s.tokenOf(r)
	if token != "" {
		// Mostly somebody with an account who is signed in, which one question to the record tells. It is asked at every
		// request, so that an account that is disabled and a session that is ended are out at once, at whatever server.
		n, a, err := s.raw.Signed(r.Context(), access.HashOf(token))
		if err == nil && a.Disabled.IsZero() {
			v = visitor{entry: byAccounts, session: n, who: access.Of(a, n.Hash), in: true}
			return v, s.keepAwake(r.Context(), &v, awake)
		}
		if ignoreMissing(err) != nil {
			return v, err
		}
	}
	if v.entry, err = s.entryNow(r.Context()); err != nil {
		return v, err
	}
	if v.entry == freely {
		v.in, v.who = true, access.Single("")
		return v, nil
	}
	if token == "" || v.entry == byAccounts {
		return v, nil
	}
	if v.session, err = s.raw.Session(r.Context(), access.HashOf(token)); err != nil || v.session.Account != 0 {
		return visitor{entry: v.entry}, ignoreMissing(err)
	}
	v.who, v.in = access.Single(""), true
	v.who.Session = v.session.Hash
	return v, s.keepAwake(r.Context(), &v, awake)
}

func ignoreMissing(err error) error {
	if errors.Is(err, record.ErrNotFound) {
		return nil
	}
	return err
}

// keepAwake locks a session that was idle for too long, and else notes that it is awake.
func (s *Server) keepAwake(ctx context.Context, v *visitor, awake bool) error {
	now := s.now()
	v.locked = !v.session.Locked.IsZero()
	switch {
	case v.locked:
		return nil
	case now.Sub(v.session.Seen) > s.idle:
		v.locked = true
		return ignoreMissing(s.raw.ChangeSession(ctx, v.session.Hash, func(n *record.Session) error { n.Locked = now; return nil }))
	case awake && now.Sub(v.session.Seen) > s.idle/2: // so near to its lock, nobody may miss that it is used
		return s.raw.Awake(ctx, map[string]time.Time{v.session.Hash: now})
	case awake && now.Sub(v.session.Seen) > seenEvery:
		s.inUse.add(v.session.Hash, now)
	}
	return nil
}

// inUse are the sessions that were used since the record was last told, which is done for all of them at once: no
// request waits for it.
type inUse struct {
	mu   sync.Mutex
	seen map[string]time.Time
}

func (a *inUse) add(hash string, at time.Time) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.seen == nil {
		a.seen = map[string]time.Time{}
	}
	a.seen[hash] = at
}

func (a *inUse) take() map[string]time.Time {
	a.mu.Lock()
	defer a.mu.Unlock()
	seen := a.seen
	a.seen = nil
	return seen
}

// tellEvery is how often the record is told which sessions are awake.
const tellEvery = 2 * time.Second

// tellAwake tells the record until the server stops. What could not be told is told by the next request of a session.
func (s *Server) tellAwake() {
	tick := time.NewTicker(tellEvery)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			seen := s.inUse.take()
			if len(seen) == 0 {
				continue
			}
			ctx, cancel := context.WithTimeout(context.Background(), shortly)
			if err := s.raw.Awake(ctx, seen); err != nil {
				s.log.Warn("sessions in use not noted", "error", err)
			}
			cancel()
		case <-s.done:
			return
		}
	}
}

var (
	errSignIn = errors.New("sign in")
	errShut   = errors.New("locked")
	errProve  = errors.New("prove")
)

// ruled lets a request through to a route when its rule allows it, with who acts in its context.
func (s *Server) ruled(rl rule, h http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		v, err := s.visitorFor(r, rl.how != ongoing && rl.how != open)
		if err != nil {
			s.note(r, err)
			s.turnAway(w, r, err)
			return
		}
		ctx := context.WithValue(r.Context(), visitorKey{}, v)
		if v.in && (!v.locked || rl.how == ongoing || rl.how == acted) {
			ctx = access.With(ctx, v.who)
		}
		r = r.WithContext(ctx)
		if err := s.allows(rl, v, r); err != nil {
			s.turnAway(w, r, err)
			return
		}
		h(w, r)
	}
}

func (s *Server) allows(rl rule, v visitor, r *http.Request) error {
	if rl.how == open {
		return nil
	}
	switch {
	case !v.in:
		return errSignIn
	case v.locked && !s.goesOn(rl, r):
		return errShut
	case !v.who.May(rl.right):
		return &access.RefusedError{Right: rl.right, Name: v.who.Name}
	case rl.how == fresh && !s.proved(v):
		return errProve
	}
	return nil
}

// goesOn reports whether a route works behind a locked session: those of a test that still runs do, so that a lock
// never takes the test or its stop from the screen.
func (s *Server) goesOn(rl rule, r *http.Request) bool {
	if rl.how != ongoing && rl.how != acted {
		return false
	}
	id := r.PathValue("test")
	if id == "" {
		return true // the clock, and the stream of several tests, which looks at each
	}
	return s.runs(r, id)
}

func (s *Server) runs(r *http.Request, test string) bool {
	t, err := s.store.Test(r.Context(), test)
	return err == nil && t.Running()
}

// stillOf asks, as long as a stream is open, whether whoever opened it may still look on.
func (s *Server) stillOf(r *http.Request) func() bool {
	v := visitorOf(r)
	return func() bool { return s.stillIn(v) }
}

// proved reports whether the person has proved who it is not long ago.
func (s *Server) proved(v visitor) bool {
	return v.entry == freely || v.in && s.now().Sub(v.session.Proved) <= provedFor
}

// turnAway answers a request that may not go on.
func (s *Server) turnAway(w http.ResponseWriter, r *http.Request, err error) {
	var refused *access.RefusedError
	status, word := http.StatusInternalServerError, ""
	switch {
	case errors.Is(err, errSignIn):
		status, word = http.StatusUnauthorized, "signin"
	case errors.Is(err, errShut):
		status, word = http.StatusUnauthorized, "locked"
	case errors.Is(err, errProve):
		status, word = http.StatusForbidden, "prove"
	case errors.As(err, &refused):
		status, word = http.StatusForbidden, "right"
		s.enterRefused(r, refused)
		s.log.Warn("refused", "why", "right", "right", string(refused.Right), "account", visitorOf(r).who.Account, "method", r.Method)
	}
	switch {
	case word == "" && isAPI(r):
		writeFault(w, err)
	case word == "":
		s.showFault(w, err)
	case isAPI(r):
		writeJSON(w, status, fault{Error: say("access." + word), Hint: say("access." + word + ".hint")})
	case r.Method == http.MethodGet && word != "right":
		to := "/unlock"
		if word == "signin" {
			to = "/sign-in"
		}
		http.Redirect(w, r, to+"?"+url.Values{"to": {r.URL.RequestURI()}}.Encode(), http.StatusSeeOther)
	default:
		page := frame{Page: "fault", Title: say("access." + word + ".title"), Purpose: say("access." + word), Body: faultBody{say("access." + word), say("access." + word + ".hint")}}
		if err := s.show(&seen{w, r}, status, page); err != nil {
			s.log.Error("page of the fault", "error", err)
		}
	}
}

// enterRefused enters in the audit trail what was refused, a look or a change: of whom or what by the address, as far as that
// holds numbers and no words.
func (s *Server) enterRefused(r *http.Request, err *access.RefusedError) {
	who := visitorOf(r)
	if !who.in || err.Right == "" {
		return
	}
	_, path, _ := strings.Cut(r.Pattern, " ")
	entity := "page" + path
	for _, name := range []string{"person", "visit", "test", "machine", "account"} {
		if id := r.PathValue(name); name == "test" && plainID.MatchString(id) || isNumber(id) {
			entity = name + "/" + id
		}
	}
	access.Refused(access.With(r.Context(), who.who), s.store, err, entity)
}

func isNumber(id string) bool {
	n, err := strconv.ParseInt(id, 10, 64)
	return err == nil && n > 0
}

var plainID = regexp.MustCompile(`^[0-9A-Za-z-]{1,64}$`)

// seen is an answer that knows its request, so that a page can say who is signed in.
type seen struct {
	http.ResponseWriter
	r *http.Request
}

func (w *seen) Unwrap() http.ResponseWriter { return w.ResponseWriter }

// ourPath is a place of this server to go on to, or the first page. Nothing else is followed.
func ourPath(to string) string {
	u, err := url.Parse(to)
	if err != nil || u.Scheme != "" || u.Host != "" || u.User != nil || !strings.HasPrefix(u.Path, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\r\n\t") || strings.HasPrefix(u.Path, "/api/") || strings.HasPrefix(u.Path, "//") {
		return "/"
	}
	return u.RequestURI()
}

// sourceOf is the address a request comes from; the network of it for IPv6, where one machine has many.
func sourceOf(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	if ip := net.ParseIP(host); ip != nil && ip.To4() == nil && !ip.IsLoopback() {
		return ip.Mask(net.CIDRMask(64, 128)).String()
	}
	return host
}

func (s *Server) secureCookies() bool { return s.secure }

// sessionCookie is the name of the cookie with the session's token. Under TLS its prefix keeps other hosts from setting it.
func (s *Server) sessionCookie() string {
	if s.secureCookies() {
		return "__Host-gradus-session"
	}
	return "gradus-session"
}

func (s *Server) setSession(w http.ResponseWriter, token string) {
	c := &http.Cookie{Name: s.sessionCookie(), Value: token, Path: "/", HttpOnly: true, Secure: s.secureCookies(), SameSite: http.SameSiteStrictMode}
	if token == "" {
		c.MaxAge = -1
	}
	http.SetCookie(w, c)
}

// admit begins a session of an account, 0 the owner's: with a new token, whatever the browser had before.
func (s *Server) admit(w http.ResponseWriter, r *http.Request, account int64) error {
	if c, err := r.Cookie(s.sessionCookie()); err == nil {
		if old, err := s.raw.Session(r.Context(), access.HashOf(c.Value)); err == nil {
			if err := s.raw.EndSessions(r.Context(), old.Account, old.Hash, ""); err != nil {
				return err
			}
		}
	}
	token, now := access.Token(), s.now()
	err := s.raw.AddSession(r.Context(), record.Session{Hash: access.HashOf(token), Account: account, Created: now, Seen: now, Proved: now, Until: now.Add(s.limit), Source: sourceOf(r), Agent: agentOf(r)})
	if err != nil {
		return err
	}
	s.setSession(w, token)
	return nil
}

// Admit signs the owner in, as whoever has just opened the record with the passphrase.
func (s *Server) Admit(w http.ResponseWriter, r *http.Request) error {
	how, err := s.entryNow(r.Context())
	if err != nil || how != byOwner {
		return err
	}
	return s.admit(w, r, 0)
}

// renew gives a session another token after a new proof. The old one ends with it.
func (s *Server) renew(w http.ResponseWriter, r *http.Request, n record.Session) (string, error) {
	token, now := access.Token(), s.now()
	err := s.raw.ChangeSession(r.Context(), n.Hash, func(n *record.Session) error {
		n.Hash, n.Seen, n.Proved, n.Locked = access.HashOf(token), now, now, time.Time{}
		return nil
	})
	if err != nil {
		return "", err
	}
	s.setSession(w, token)
	return token, nil
}

// agentOf is what a browser calls itself, shortened and without anything that steers a terminal or a page.
func agentOf(r *http.Request) string {
	text := strings.Map(func(c rune) rune {
		if c < ' ' || c > '~' {
			return -1
		}
		return c
	}, r.UserAgent())
	return text[:min(len(text), 200)]
}

// stillIn reports whether whoever opened a stream may go on looking.
func (s *Server) stillIn(v visitor) bool {
	if v.entry == freely {
		how, err := s.entryNow(context.Background())
		return err == nil && how == freely
	}
	_, err := s.raw.Session(context.Background(), v.session.Hash)
	return err == nil
}

// told puts into a page who is signed in and what that person may do.
func (s *Server) told(w http.ResponseWriter, f *frame) {
	a, ok := w.(*seen)
	if !ok {
		return
	}
	v := visitorOf(a.r)
	f.May = map[string]bool{}
	for _, line := range access.Table() {
		f.May[string(line.Right)] = v.in && !v.locked && v.who.May(line.Right)
	}
	f.SignIn = v.entry != freely
	if v.in && f.SignIn && !v.locked {
		f.Who, f.OutKey, f.IdleMs = or(v.who.Name, say("owner.name")), s.token(w, a.r), s.idle.Milliseconds()
	}
}
