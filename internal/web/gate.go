package web

import (
	"context"
	"errors"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"gradus/internal/vault"
)

// Gate stands before the pages of an encrypted record. On a new data directory it asks for a passphrase and shows the
// recovery sheet; afterwards it asks for the passphrase once at each start. Until then nothing of the record is open, and a
// running page that sends events is told so and keeps them.
type Gate struct {
	shell *Server // what the gate's own pages need
	mux   http.Handler
	dir   string
	open  func(context.Context, *vault.Key) (*Server, error)
	inner atomic.Pointer[Server]

	mu    sync.Mutex
	fresh bool // there is no record yet
	draft *draft
	paces map[string]pace // of those who try, by where they are; [everybody] for all beyond this machine
}

// draft is a key whose sheet is on the way to paper. Only the browser that asked for it sees it.
type draft struct {
	*vault.Draft
	browser string
	group   int // which one proves the sheet
}

// NewGate makes a gate before what open opens with the key. The options are those of the server behind it; it needs no
// store yet.
func NewGate(o Options, open func(context.Context, *vault.Key) (*Server, error)) (*Gate, error) {
	state, err := vault.StateOf(o.Dir)
	if err != nil {
		return nil, err
	}
	if state == vault.Plain {
		return nil, errors.New("web: a plain record needs no gate")
	}
	g := &Gate{dir: o.Dir, open: open, fresh: state == vault.New}
	if g.shell, err = gateShell(o); err != nil {
		return nil, err
	}
	g.paces = readPaces(o.Dir, g.shell.now())
	g.shell.meters = newMeters(g.shell, nil)
	g.mux = g.shell.guard(g.routes())
	return g, nil
}

// gateShell is a server without a record, for its pages and its guard.
func gateShell(o Options) (*Server, error) {
	s := &Server{demo: o.Demo, log: o.Log, now: o.Now, key: []byte(randomHex(32)), locked: true, secure: o.Secure, behind: o.Behind, named: o.Named}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	if s.now == nil {
		s.now = time.Now
	}
	var err error
	if s.own, err = openSite(o.Dir, nil); err != nil {
		return nil, err
	}
	if s.assets, err = openAssets(o.Assets); err != nil {
		return nil, err
	}
	s.pages, err = parsePages(s.assets)
	return s, err
}

// Built reports whether the page's scripts and styles are in the program.
func (g *Gate) Built() bool { return g.shell.Built() }

// ServeHTTP answers one request: by the pages when they are open, else by the gate.
func (g *Gate) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if s := g.inner.Load(); s != nil {
		s.ServeHTTP(w, r)
		return
	}
	g.mux.ServeHTTP(w, r)
}

// Drain lets the pages deliver what they hold.
func (g *Gate) Drain(ctx context.Context) {
	if s := g.inner.Load(); s != nil {
		s.Drain(ctx)
	}
}

// Ready reports whether the record is open and can be written.
func (g *Gate) Ready(ctx context.Context) error {
	if s := g.inner.Load(); s != nil {
		return s.Ready(ctx)
	}
	return errLocked
}

// Metrics gives the counts of the pages, before they are open those of the gate.
func (g *Gate) Metrics() http.Handler {
	if s := g.inner.Load(); s != nil {
		return s.Metrics()
	}
	return g.shell.Metrics()
}

// Stop ends the streams of the observers.
func (g *Gate) Stop() {
	if s := g.inner.Load(); s != nil {
		s.Stop()
	}
}

// Unlock opens the pages without a page: with a passphrase that the program was started with.
func (g *Gate) Unlock(ctx context.Context, passphrase string) error {
	f, err := vault.Load(g.dir)
	if err != nil {
		return err
	}
	k, err := f.Unlock(passphrase)
	if err != nil {
		return err
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.enter(ctx, k)
}

// enter puts the pages behind the key into the gate's place. The caller holds mu.
func (g *Gate) enter(ctx context.Context, k *vault.Key) error {
	if g.inner.Load() != nil {
		return nil
	}
	s, err := g.open(context.WithoutCancel(ctx), k)
	if err != nil {
		return err
	}
	g.draft, g.fresh = nil, false
	g.inner.Store(s)
	return nil
}

func (g *Gate) routes() http.Handler {
	m := http.NewServeMux()
	m.HandleFunc("GET /{$}", g.shell.page(g.first(http.StatusOK)))
	m.HandleFunc("POST /gate/passphrase", g.shell.form(g.choose))
	m.HandleFunc("GET /gate/sheet", g.shell.page(g.sheet))
	m.HandleFunc("POST /gate/sheet", g.shell.form(g.prove))
	m.HandleFunc("POST /gate/unlock", g.shell.form(g.unlock))
	m.HandleFunc("POST /gate/recover", g.shell.form(g.recover))
	m.HandleFunc("GET /emergency", g.shell.page(g.card))
	m.HandleFunc("/api/", g.shell.api(func(*http.Request) (any, error) { return nil, g.shut() }))
	m.HandleFunc("GET /assets/{name}", g.shell.assets.serve)
	m.HandleFunc("GET /sw.js", g.shell.assets.serveWorker)
	m.HandleFunc("GET /favicon.ico", serveIcon)
	// Any other page is not there yet. The status keeps a browser and its worker from taking this one for it.
	m.HandleFunc("/", g.shell.page(g.first(http.StatusServiceUnavailable)))
	return m
}

// shut is what a running page is told; it keeps its events and asks again.
func (g *Gate) shut() error {
	return &askError{http.StatusServiceUnavailable, "", say("gate.api"), say("gate.api.hint")}
}

// gateBody is the body of the gate's pages.
type gateBody struct {
	Fault   string
	Recover bool   // the fault is about the recovery key
	To      string // where to go on
	Groups  []string
	Group   int // that is asked for
	Dir     string
	Day     string
	Site    siteCard
	Away    bool // not at the machine itself
	Least   int
	Better  int
}

func (g *Gate) body() gateBody {
	return gateBody{Dir: g.dir, Site: g.shell.own.card(), Least: vault.ShortestPassphrase, Better: vault.RecommendedPassphrase}
}

// first shows what the directory asks for: the set-up, or the passphrase.
func (g *Gate) first(status int) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		b := g.body()
		if r.Method == http.MethodGet {
			b.To = r.URL.Path
		}
		return g.show(w, r, status, b)
	}
}

func (g *Gate) show(w http.ResponseWriter, r *http.Request, status int, b gateBody) error {
	f := frame{Page: "unlock", Title: say("gate.unlock"), Purpose: say("gate.unlock.purpose"), Token: g.shell.token(w, r)}
	if g.isFresh() {
		f.Page, f.Title, f.Purpose, b.Away = "setup", say("gate.setup"), say("gate.setup.purpose"), !fromHere(r)
	}
	f.Body = b
	return g.shell.show(w, status, f)
}

func (g *Gate) isFresh() bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.fresh
}

// signed reports whether a form was written by the gate for this browser. After a restart it was not, and is shown again.
func (g *Gate) signed(w http.ResponseWriter, r *http.Request) (bool, error) {
	if g.shell.signed(r) {
		return true, nil
	}
	b := g.body()
	b.Fault = say("gate.again")
	return false, g.show(w, r, http.StatusUnprocessableEntity, b)
}

func (g *Gate) refuse(w http.ResponseWriter, r *http.Request, text string, recovering bool) error {
	b := g.body()
	b.Fault, b.Recover, b.To = text, recovering, r.PostForm.Get("to")
	return g.show(w, r, http.StatusUnprocessableEntity, b)
}

// chosen reads a new passphrase that was typed twice, and says what is wrong with it.
func chosen(r *http.Request) (passphrase, fault string) {
	passphrase = r.PostForm.Get("passphrase")
	var weak *vault.WeakError
	switch err := vault.Check(passphrase); {
	case errors.As(err, &weak):
		return "", weak.Why
	case err != nil:
		return "", err.Error()
	case passphrase != r.PostForm.Get("again"):
		return "", say("gate.differ")
	}
	return passphrase, ""
}

// choose takes the passphrase of a new record and goes on to the sheet.
func (g *Gate) choose(w http.ResponseWriter, r *http.Request) error {
	if ok, err := g.signed(w, r); !ok {
		return err
	}
	if !g.isFresh() || !fromHere(r) {
		return g.first(http.StatusForbidden)(w, r)
	}
	passphrase, fault := chosen(r)
	if fault != "" {
		return g.refuse(w, r, fault, false)
	}
	made, err := vault.Make(passphrase, g.shell.now())
	if err != nil {
		return err
	}
	g.mu.Lock()
	g.draft = &draft{Draft: made, browser: r.PostForm.Get("token"), group: 1 + rand.IntN(len(made.Recovery.Groups()))}
	g.mu.Unlock()
	http.Redirect(w, r, "/gate/sheet", http.StatusSeeOther)
	return nil
}

// drafted is the key on the way to paper, for the browser that asked for it.
func (g *Gate) drafted(w http.ResponseWriter, r *http.Request) *draft {
	token := g.shell.token(w, r)
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.draft == nil || g.draft.browser != token || !fromHere(r) {
		return nil
	}
	return g.draft
}

func (g *Gate) sheet(w http.ResponseWriter, r *http.Request) error {
	return g.showSheet(w, r, http.StatusOK, "")
}

func (g *Gate) showSheet(w http.ResponseWriter, r *http.Request, status int, fault string) error {
	d := g.drafted(w, r)
	if d == nil {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return nil
	}
	b := g.body()
	b.Groups, b.Group, b.Fault, b.Day = d.Recovery.Groups(), d.group, fault, day(g.shell.now())
	// The script makes the button to print appear; it is that of the hand-over sheet.
	return g.shell.show(w, status, frame{Page: "recovery", Title: say("gate.sheet"), Purpose: say("gate.sheet.purpose"), Token: g.shell.token(w, r), Script: "emergency.js", Body: b})
}

// prove takes the group that shows that the sheet is on paper; only then the key is kept and the record made.
func (g *Gate) prove(w http.ResponseWriter, r *http.Request) error {
	if ok, err := g.signed(w, r); !ok {
		return err
	}
	d := g.drafted(w, r)
	if d == nil {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return nil
	}
	if !d.Recovery.Proves(d.group, r.PostForm.Get("group")) {
		return g.showSheet(w, r, http.StatusUnprocessableEntity, say("gate.sheet.wrong", d.group))
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.draft != d { // sent twice
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return nil
	}
	k, err := d.Keep(g.dir)
	if err != nil {
		return err
	}
	g.fresh, g.draft = false, nil
	return g.opened(w, r, k)
}

// The longest waits after wrong tries. Who has the directory itself is not slowed by them, but by the cost of a try.
const (
	slowest    = 5 * time.Minute // from one source
	slowestAll = time.Minute     // from everywhere else than this machine
	everybody  = ""
	mostPaces  = 1000 // sources that are told apart
)

// pacesOf are what a request's tries are counted under, with the longest wait. Whoever sits at the machine itself waits for no
// one else, so that nobody on the network keeps the record shut.
func pacesOf(r *http.Request) map[string]time.Duration {
	counted := map[string]time.Duration{sourceOf(r): slowest}
	if !fromHere(r) {
		counted[everybody] = slowestAll
	}
	return counted
}

// wait says how long no try of a request is looked at.
func (g *Gate) wait(r *http.Request) (left time.Duration) {
	for from := range pacesOf(r) {
		left = max(left, g.paces[from].Next.Sub(g.shell.now()))
	}
	return left
}

// missed counts a wrong try: two are free, then each doubles the wait.
func (g *Gate) missed(r *http.Request) {
	if g.paces == nil || len(g.paces) > mostPaces {
		g.paces = map[string]pace{everybody: g.paces[everybody]}
	}
	for from, most := range pacesOf(r) {
		p := g.paces[from]
		if p.Wrong++; p.Wrong > 2 {
			p.Next = g.shell.now().Add(min(time.Second<<min(p.Wrong-3, 20), most))
		}
		g.paces[from] = p
	}
	g.keepPaces()
}

func (g *Gate) keepPaces() {
	if err := writePaces(g.dir, g.paces); err != nil {
		g.shell.log.Warn("waits after wrong tries are not kept over a restart", "error", err)
	}
}

// unlock takes the passphrase.
func (g *Gate) unlock(w http.ResponseWriter, r *http.Request) error {
	return g.try(w, r, false, func(f *vault.File) (*vault.Key, string, error) {
		k, err := f.Unlock(r.PostForm.Get("passphrase"))
		return k, "", err
	})
}

// recover takes the recovery key and a new passphrase.
func (g *Gate) recover(w http.ResponseWriter, r *http.Request) error {
	return g.try(w, r, true, func(f *vault.File) (*vault.Key, string, error) {
		typed := r.PostForm.Get("recovery")
		if _, err := vault.ParseRecovery(typed); err != nil { // a slip of the pen costs no try
			return nil, say("gate.slip", err), nil
		}
		passphrase, fault := chosen(r)
		if fault != "" {
			return nil, fault, nil
		}
		k, err := f.Recover(typed)
		if err == nil {
			err = k.ChangePassphrase(r.Context(), passphrase)
		}
		return k, "", err
	})
}

// try opens the record with what somebody typed, and slows down who types wrongly.
func (g *Gate) try(w http.ResponseWriter, r *http.Request, recovering bool, open func(*vault.File) (*vault.Key, string, error)) error {
	if ok, err := g.signed(w, r); !ok {
		return err
	}
	f, err := vault.Load(g.dir)
	if err != nil {
		return err
	}
	g.mu.Lock()
	k, fault, err := (*vault.Key)(nil), "", error(nil)
	if left := g.wait(r); left > 0 {
		fault = say("gate.wait", int(left.Seconds())+1)
	} else if k, fault, err = open(f); errors.Is(err, vault.ErrPassphrase) || errors.Is(err, vault.ErrRecovery) {
		g.missed(r)
		g.shell.log.Warn("not unlocked", "source", sourceOf(r), "tries", g.paces[sourceOf(r)].Wrong)
		fault, err = say("gate.wrong"), nil
		if recovering {
			fault = say("gate.wrong.recovery")
		}
		if left := g.wait(r); left > 0 {
			fault += " " + say("gate.wait", int(left.Seconds())+1)
		}
	}
	if k == nil || fault != "" || err != nil {
		g.mu.Unlock()
		if err != nil {
			return err
		}
		return g.refuse(w, r, fault, recovering)
	}
	defer g.mu.Unlock()
	g.paces = nil
	g.keepPaces()
	return g.opened(w, r, k)
}

// opened lets the browser through to where it wanted to go.
func (g *Gate) opened(w http.ResponseWriter, r *http.Request, k *vault.Key) error {
	if err := g.enter(r.Context(), k); err != nil {
		return err
	}
	g.shell.log.Info("unlocked")
	if err := g.inner.Load().Admit(w, r); err != nil {
		return err
	}
	http.Redirect(w, r, within(r.PostForm.Get("to")), http.StatusSeeOther)
	return nil
}

// within is a path of this server, or its first page.
func within(to string) string {
	if !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\r\n") || strings.HasPrefix(to, "/gate/") {
		return "/"
	}
	return to
}

// card shows what the site has to say when something goes wrong: nobody needs a passphrase for that.
func (g *Gate) card(w http.ResponseWriter, r *http.Request) error {
	b := g.body()
	return g.shell.show(w, http.StatusOK, frame{Page: "gate-card", Title: say("gate.card"), Body: b})
}

var _ http.Handler = (*Gate)(nil)
