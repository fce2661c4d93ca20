// Package web is the bedside in a browser: pages to choose a person, prepare a test, read its result and carry on
// on paper, and the small interface through which the running page keeps its events.
//
// The running page is its own conductor; the server's task is to lose nothing. An event is acknowledged when it is
// on disk, observers see it after that, and a clock that outlives the program says what time a test has when a page
// comes back. The pages are written by the server and work without scripts, all but the running one.
//
// The server answers only pages that it wrote itself, by names of this machine or of its certificate.
package web

import (
	"context"
	"crypto/x509"
	"errors"
	"html/template"
	"io/fs"
	"log/slog"
	"net/http"
	"os"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"gradus/internal/access"
	"gradus/internal/record"
	"gradus/internal/vault"
	"gradus/screen"
)

// Options say what a server works with.
type Options struct {
	Store  record.Store
	Dir    string     // data directory: the key of the forms and the clocks of the tests
	Shared Shared     // the record, where other servers work on it too; nil: this one alone
	Vault  *vault.Key // opened the record: small files beside it are encrypted too; nil: nothing is, and every page says so
	Demo   bool       // invented people only; every page says so
	Speed  int        // of the demo's time: 1, 10 or 60
	Log    *slog.Logger

	Verified bool // give no estimate by an equation whose coefficients nobody has compared with the paper

	Protocols []record.File // the site's own in a folder, beside those of the record

	Screening *screen.Site // the rules before a test; nil: those that are shipped

	Owner Owner         // proves who is the single user; nil: nobody is asked while there are no accounts
	Idle  time.Duration // after which a session is locked; 0: 15 min
	Limit time.Duration // after which a session ends; 0: 10 h
	Cost  access.Cost   // of a guess at a password; zero: access.Strong

	Secure    bool                   // browsers reach the pages by https alone
	Behind    bool                   // a proxy on this machine passes requests on, and says for whom
	Named     func(host string) bool // the names and addresses by which they do, besides those of this machine; nil: none
	Authority *x509.Certificate      // of the site itself, offered on the page "trust"; nil: none

	Administrator func(*http.Request) bool // who may read the counts from elsewhere; nil: nobody
	Backup        func() (time.Time, bool) // when the newest backup was made; nil: not known

	Assets fs.FS               // the page's built scripts and styles; nil: those in the program
	Now    func() time.Time    // wall clock; nil: the machine's
	Boot   func() (Boot, bool) // clock since the machine started; nil: the machine's
}

// Server answers the requests of the bedside.
type Server struct {
	store  record.Store
	shared Shared
	vault  *vault.Key
	locked bool // only the gate's pages
	demo   bool
	speed  int
	dir    string
	log    *slog.Logger
	now    func() time.Time
	boot   func() (Boot, bool)
	key    []byte
	pages  *template.Template
	assets *assets
	clocks *clockFile
	lib    *shelf
	site   *screen.Site
	own    *siteFile
	raw    record.Store // beside who acts: for signing in alone
	owner  Owner
	idle   time.Duration
	limit  time.Duration
	inUse  inUse
	cost   access.Cost
	secure bool
	behind bool
	named  func(string) bool
	root   *x509.Certificate
	mux    http.Handler
	table  *table
	meters *meters
	write  func(context.Context) error // tries whether the record can be written; nil: not known

	administrator func(*http.Request) bool

	mu   sync.Mutex
	live map[string]*live
	done chan struct{} // closed when the server stops

	going    atomic.Bool
	streams  atomic.Int64
	appended atomic.Int64 // when events came last, in ms since 1970
	once     sync.Once
}

// New makes a server. The store stays the caller's to close.
func New(o Options) (*Server, error) {
	if o.Store == nil || o.Dir == "" {
		return nil, errors.New("web: a server needs a store and a data directory")
	}
	s := &Server{store: access.Guarded(o.Store), raw: o.Store, owner: o.Owner, idle: o.Idle, limit: o.Limit, cost: o.Cost, shared: o.Shared, vault: o.Vault, demo: o.Demo, speed: max(o.Speed, 1), log: o.Log, now: o.Now, boot: o.Boot,
		dir: o.Dir, secure: o.Secure, behind: o.Behind, named: o.Named, root: o.Authority,
		live: map[string]*live{}, done: make(chan struct{})}
	if s.site = o.Screening; s.site == nil {
		s.site = screen.Default()
	}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	s.dropUploads()
	own := newSiteFiles(o.Store, s.log)
	own.also = o.Protocols
	s.lib = newShelf(own, o.Verified)
	if s.now == nil {
		s.now = time.Now
	}
	if s.idle == 0 {
		s.idle = defaultIdle
	}
	if s.limit == 0 {
		s.limit = defaultLimit
	}
	if s.cost == (access.Cost{}) {
		s.cost = access.Strong
	}
	if s.boot == nil {
		s.boot = bootClock
	}
	if _, err := TakeOver(context.Background(), o.Dir, o.Store, true); err != nil {
		s.log.Warn("files beside the record that it does not take", "error", err)
	}
	var err error
	if o.Shared != nil {
		s.key, err = sharedKey(o.Shared)
	} else {
		s.key, err = formKey(o.Dir, o.Vault)
	}
	if err != nil {
		return nil, err
	}
	if s.clocks, err = openClocks(o.Dir, o.Vault, o.Shared); err != nil {
		return nil, err
	}
	if s.own, err = openSite(o.Dir, own); err != nil {
		return nil, err
	}
	if s.assets, err = openAssets(o.Assets); err != nil {
		return nil, err
	}
	if s.pages, err = parsePages(s.assets); err != nil {
		return nil, err
	}
	if w, ok := o.Store.(interface{ Writable(context.Context) error }); ok {
		s.write = w.Writable
	}
	s.administrator, s.meters = o.Administrator, newMeters(s, o.Backup)
	s.mux = s.watched(s.guard(s.routes()))
	go s.tellAwake()
	if s.shared != nil {
		go s.hear()
	}
	return s, nil
}

// Built reports whether the page's scripts and styles are in the program.
func (s *Server) Built() bool { return s.assets.built() }

// ServeHTTP answers one request.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) { s.mux.ServeHTTP(w, r) }

// Ready reports whether the record and the data directory can be written.
func (s *Server) Ready(ctx context.Context) error {
	if s.going.Load() {
		return errors.New("the server is going down")
	}
	if s.write != nil {
		if err := s.write(ctx); err != nil {
			s.log.Error("the record cannot be written", "error", err)
			return errors.New("the record cannot be written")
		}
	}
	probe, err := os.CreateTemp(s.dir, ".ready-*")
	if err == nil {
		_, err = probe.Write([]byte("ok"))
		err = errors.Join(err, probe.Sync(), probe.Close(), os.Remove(probe.Name()))
	}
	if err != nil {
		return errors.New("the data directory cannot be written")
	}
	return nil
}

// Stop ends the streams of the observers, so that the listener can shut down.
func (s *Server) Stop() { s.once.Do(func() { close(s.done) }) }

func (s *Server) routes() http.Handler {
	m := &table{s: s}
	s.table = m
	m.HandleFunc("GET /metrics", s.metricsPage)
	m.HandleFunc("GET /{$}", s.page(s.today))
	m.HandleFunc("GET /people", s.page(s.people))
	m.HandleFunc("POST /people", s.form(s.addPerson))
	m.HandleFunc("POST /people/search", s.form(s.people))
	m.HandleFunc("GET /research", s.page(s.researchPage))
	m.HandleFunc("POST /research", s.form(s.researchFile))
	m.HandleFunc("GET /export", s.page(s.exporting))
	m.HandleFunc("POST /export", s.form(s.exported))
	m.HandleFunc("GET /bring-in", s.page(s.bringIn))
	m.HandleFunc("POST /bring-in", s.page(s.tookFile))
	m.HandleFunc("GET /bring-in/mappings/{mapping}", s.page(s.mappingFile))
	m.HandleFunc("GET /bring-in/{file}", s.page(s.bringInFile))
	m.HandleFunc("POST /bring-in/{file}", s.form(s.matched))
	m.HandleFunc("GET /people/{person}", s.page(s.person))
	m.HandleFunc("POST /people/{person}", s.form(s.changePerson))
	m.HandleFunc("POST /people/{person}/archive", s.form(s.archive))
	m.HandleFunc("GET /people/{person}/merge", s.page(s.mergePage))
	m.HandleFunc("POST /people/{person}/merge", s.form(s.merged))
	m.HandleFunc("POST /people/{person}/unmerge", s.form(s.unmerged))
	m.HandleFunc("POST /people/{person}/visits", s.form(s.addVisit))
	m.HandleFunc("GET /people/{person}/new", s.page(s.prepare))
	m.HandleFunc("POST /people/{person}/new", s.form(s.prepared))
	m.HandleFunc("GET /people/{person}/screening", s.page(s.screening))
	m.HandleFunc("POST /people/{person}/screening", s.form(s.tookScreening))
	m.HandleFunc("GET /people/{person}/screening/{paper}", s.page(s.screeningPaper))
	m.HandleFunc("GET /people/{person}/over-time", s.page(s.coursePage))
	m.HandleFunc("POST /people/{person}/over-time", s.form(s.giveCourse))
	m.HandleFunc("GET /people/{person}/over-time/paper", s.page(s.coursePaper))
	m.HandleFunc("GET /people/{person}/log", s.page(s.trainingLog))
	m.HandleFunc("POST /people/{person}/log", s.form(s.tookSessions))
	m.HandleFunc("GET /visits/{visit}", s.page(s.visit))
	m.HandleFunc("POST /visits/{visit}", s.form(s.changeVisit))
	m.HandleFunc("GET /visits/{visit}/card", s.page(s.card))
	m.HandleFunc("GET /visits/{visit}/which", s.page(s.which))
	m.HandleFunc("POST /visits/{visit}/which", s.form(s.whichAsked))
	m.HandleFunc("GET /visits/{visit}/fit", s.page(s.fit))
	m.HandleFunc("POST /visits/{visit}/fit", s.form(s.fitted))
	m.HandleFunc("GET /visits/{visit}/rest", s.page(s.rest))
	m.HandleFunc("POST /visits/{visit}/rest", s.form(s.rested))
	m.HandleFunc("GET /settings", s.page(s.settings))
	m.HandleFunc("POST /settings", s.form(s.changeSettings))
	m.HandleFunc("GET /doctor", s.page(s.doctor))
	m.HandleFunc("GET /trust", s.page(s.trust))
	m.HandleFunc("GET /trust/{file}", s.giveAuthority)
	m.HandleFunc("GET /emergency", s.page(s.anyEmergency))
	m.HandleFunc("POST /emergency", s.form(s.nobodysEmergency))
	m.HandleFunc("GET /people/{person}/whose", s.page(s.whose))
	m.HandleFunc("GET /people/{person}/emergency", s.page(s.emergency))
	m.HandleFunc("POST /people/{person}/emergency", s.form(s.tookEmergency))
	m.HandleFunc("GET /people/{person}/handover", s.page(s.handover))
	m.HandleFunc("GET /incidents", s.page(s.allIncidents))
	m.HandleFunc("GET /people/{person}/incidents", s.page(s.incidents))
	m.HandleFunc("POST /people/{person}/incidents", s.form(s.tookIncident))
	m.HandleFunc("GET /tests/{test}/emergency", s.page(s.testEmergency))
	m.HandleFunc("GET /machines", s.page(s.machines))
	m.HandleFunc("POST /machines", s.form(s.addMachine))
	m.HandleFunc("GET /machines/{machine}", s.page(s.machine))
	m.HandleFunc("POST /machines/{machine}", s.form(s.changeMachine))
	m.HandleFunc("POST /machines/{machine}/calibration", s.form(s.calibrated))
	m.HandleFunc("POST /machines/{machine}/runs", s.form(s.ran))
	m.HandleFunc("POST /machines/{machine}/strike", s.form(s.struck))
	m.HandleFunc("GET /protocols", s.page(s.protocolList))
	m.HandleFunc("POST /protocols", s.page(s.importProtocol))
	m.HandleFunc("GET /protocols/{protocol}", s.page(s.readProtocol))
	m.HandleFunc("GET /protocols/{protocol}/file", s.page(s.protocolFile))
	m.HandleFunc("GET /protocols/{protocol}/try", s.page(s.tryProtocol))
	m.HandleFunc("GET /protocols/{protocol}/edit", s.page(s.editProtocol))
	m.HandleFunc("POST /protocols/{protocol}/edit", s.page(s.saveProtocol))
	m.HandleFunc("GET /estimators", s.page(s.equations))
	m.HandleFunc("GET /estimators/{estimator}", s.page(s.equation))
	m.HandleFunc("POST /estimators/{estimator}", s.form(s.compareEquation))
	m.HandleFunc("POST /api/protocols/check", s.api(s.checkProtocol))
	m.HandleFunc("GET /tests/{test}", s.page(s.result))
	m.HandleFunc("POST /tests/{test}", s.form(s.reassign))
	m.HandleFunc("POST /tests/{test}/record", s.page(s.bring))
	m.HandleFunc("GET /tests/{test}/correct", s.page(s.correct))
	m.HandleFunc("POST /tests/{test}/correct", s.form(s.corrected))
	m.HandleFunc("POST /tests/{test}/papers", s.form(s.handedOut))
	m.HandleFunc("GET /tests/{test}/papers", s.page(s.papers))
	m.HandleFunc("POST /tests/{test}/papers/said", s.form(s.tookPapers))
	m.HandleFunc("POST /tests/{test}/papers/file", s.form(s.givePaper))
	m.HandleFunc("GET /tests/{test}/papers/{kind}", s.page(s.paper))
	m.HandleFunc("GET /tests/{test}/plan", s.page(s.planPage))
	m.HandleFunc("POST /tests/{test}/plan", s.form(s.changedPlan))
	m.HandleFunc("GET /papers.css", servePaperStyle)
	m.HandleFunc("GET /papers-regular.ttf", servePaperFont(false))
	m.HandleFunc("GET /papers-bold.ttf", servePaperFont(true))
	m.HandleFunc("GET /tests/{test}/sheet", s.page(s.sheet))
	m.HandleFunc("GET /tests/{test}/run", s.page(s.shell("run")))
	m.HandleFunc("GET /tests/{test}/participant", s.page(s.shell("participant")))
	m.HandleFunc("GET /tests/{test}/observe", s.page(s.shell("observe")))

	m.HandleFunc("GET /api/clock", s.api(s.clock))
	m.HandleFunc("GET /api/tests/{test}", s.api(s.open))
	m.HandleFunc("POST /api/tests/{test}/events", s.api(s.takeEvents))
	m.HandleFunc("POST /api/tests/{test}/samples", s.api(s.takeSamples))
	m.HandleFunc("GET /api/tests/{test}/samples", s.api(s.giveSamples))
	m.HandleFunc("POST /api/tests/{test}/papers", s.api(s.printed))
	m.HandleFunc("POST /api/tests/{test}/call", s.api(s.call))
	m.HandleFunc("POST /api/tests/{test}/show", s.api(s.showScreen))
	m.HandleFunc("GET /api/tests/{test}/stream", s.stream)
	m.HandleFunc("GET /api/stream", s.streamOfSeveral)
	m.HandleFunc("GET /api/tests/{test}/log", s.download)
	m.HandleFunc("/api/", s.api(func(*http.Request) (any, error) { return nil, record.ErrNotFound }))

	m.HandleFunc("GET /people/{person}/consent", s.page(s.consent))
	m.HandleFunc("POST /people/{person}/consent", s.form(s.tookConsent))
	m.HandleFunc("POST /tests/{test}/countersign", s.form(s.countersigned))
	m.HandleFunc("GET /trail", s.page(s.trail))
	m.HandleFunc("POST /trail", s.form(s.askedTrail))
	m.HandleFunc("GET /trail/file", s.page(s.trailFile))
	m.HandleFunc("GET /erasures", s.page(s.erasures))
	m.HandleFunc("POST /erasures", s.form(s.erase))
	m.HandleFunc("GET /sign-in", s.page(s.signIn))
	m.HandleFunc("POST /sign-in", s.form(s.tookSignIn))
	m.HandleFunc("POST /sign-in/code", s.form(s.tookCode))
	m.HandleFunc("GET /start", s.page(s.start))
	m.HandleFunc("POST /start", s.form(s.tookStart))
	m.HandleFunc("POST /api/passkey/ask", s.api(s.passkeyIn))
	m.HandleFunc("POST /api/passkey/answer", s.tookPasskey)
	m.HandleFunc("GET /unlock", s.page(s.unlock))
	m.HandleFunc("POST /unlock", s.form(s.tookUnlock))
	m.HandleFunc("POST /lock", s.form(s.tookLock))
	m.HandleFunc("POST /sign-out", s.form(s.tookSignOut))
	m.HandleFunc("POST /api/awake", s.api(s.awake))
	m.HandleFunc("GET /account", s.page(s.account))
	m.HandleFunc("POST /account/password", s.form(s.newPassword))
	m.HandleFunc("GET /account/codes", s.page(s.codes))
	m.HandleFunc("POST /account/codes", s.form(s.tookCodes))
	m.HandleFunc("POST /account/codes/off", s.form(s.codesOff))
	m.HandleFunc("POST /account/recovery", s.form(s.recovery))
	m.HandleFunc("POST /api/account/passkey/ask", s.api(s.passkeyNew))
	m.HandleFunc("POST /api/account/passkey/answer", s.api(s.keepPasskey))
	m.HandleFunc("POST /account/passkeys/remove", s.form(s.removePasskey))
	m.HandleFunc("POST /account/sessions/end", s.form(s.endSession))
	m.HandleFunc("GET /accounts", s.page(s.accounts))
	m.HandleFunc("POST /accounts", s.form(s.addAccount))
	m.HandleFunc("GET /accounts/{account}", s.page(s.oneAccount))
	m.HandleFunc("POST /accounts/{account}", s.form(s.changeAccount))
	m.HandleFunc("POST /accounts/{account}/reset", s.form(s.resetAccount))
	m.HandleFunc("POST /sites", s.form(s.addSite))
	m.HandleFunc("POST /sites/{site}", s.form(s.changeSite))
	m.HandleFunc("GET /assets/{name}", s.assets.serve)
	m.HandleFunc("GET /sw.js", s.assets.serveWorker)
	m.HandleFunc("GET /favicon.ico", serveIcon)
	m.HandleFunc("/", s.page(func(http.ResponseWriter, *http.Request) error { return record.ErrNotFound }))
	return m
}

// Routes lists the patterns of all routes.
func (s *Server) Routes() []string { return slices.Clone(s.table.patterns) }

// routeOf is the pattern that a request belongs to.
func (s *Server) routeOf(r *http.Request) string {
	_, pattern := s.table.Handler(r)
	return pattern
}

// liveTest returns what the server keeps in memory of a test that is in the record.
func (s *Server) liveTest(ctx context.Context, id string) (*live, error) {
	s.mu.Lock()
	l := s.live[id]
	s.mu.Unlock()
	if l != nil {
		return l, access.Knows(ctx, s.store, id)
	}
	marks, err := s.store.Append(ctx, id, nil)
	if err != nil {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if l := s.live[id]; l != nil {
		return l, nil
	}
	l = newLive(id, marks)
	s.live[id] = l
	return l, nil
}
