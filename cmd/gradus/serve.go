package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"os/signal"
	"runtime"
	"syscall"
	"time"

	"gradus/internal/centre"
	"gradus/internal/record"
	"gradus/internal/vault"
	"gradus/internal/web"
	"gradus/screen"
)

type serveCmd struct {
	Listen string `name:"listen" default:"127.0.0.1:7475" placeholder:"127.0.0.1:PORT" help:"Address to listen on; port 0 is any free one. Beyond this machine TLS and sign-in are needed."`
	Data   string `name:"data" placeholder:"DIR" help:"Directory of the record; the user's own data directory when left out."`
	databaseFlag
	Policy    string        `name:"policy" placeholder:"FILE" help:"The site's policy for the check before a test."`
	Protocols string        `name:"protocols" placeholder:"DIR" help:"Folder of protocol files to offer beside those that the record keeps; the same at every server of a database."`
	Verified  bool          `name:"require-verified" help:"Give no estimate by an equation whose coefficients nobody has compared with the paper."`
	NoBrowser bool          `name:"no-browser" help:"Do not open a browser."`
	LockAfter time.Duration `name:"lock-after" default:"15m" placeholder:"TIME" help:"Lock a session that nobody has used for this long (${default}); 2m suits a shared machine."`
	Plain     bool          `name:"plain" help:"Keep a new record unencrypted; every page says so."`
	passphraseFile
	backups
	network
}

// Run serves the pages until it is told to stop. The first line it prints is the address.
func (c *serveCmd) Run(e *env) error {
	dir, err := dataDir(c.Data)
	if err != nil {
		return err
	}
	address, err := c.address()
	if err != nil {
		return err
	}
	if c.LockAfter < 10*time.Second || c.LockAfter > 2*time.Hour {
		return usageError{"--lock-after: write a time between 10s and 2h, such as 15m"}
	}
	site, err := siteOf(e, c.Policy)
	if err != nil {
		return err
	}
	var own []record.File
	if c.Protocols != "" {
		if own, err = web.ReadProtocols(c.Protocols); err != nil {
			return err
		}
	}
	if address != "" && c.backups.Dir != "" {
		return usageError{"--backup-dir is about a record in a file; a database is backed up with pg_dump, or copied by gradus move"}
	}
	if err := c.backups.check(); err != nil {
		return err
	}
	s := session{lockAfter: c.LockAfter, listen: c.Listen, dir: dir, database: address, browser: !c.NoBrowser, site: site, protocols: own, verified: c.Verified, network: c.network, plain: c.Plain, passphrase: c.passphraseFile, backups: c.backups}
	return s.run(e)
}

// session is one run of the pages.
type session struct {
	lockAfter   time.Duration // of a session that nobody uses
	listen, dir string
	database    string // its address; "": the record is a file in dir
	demo        bool
	speed       int
	verified    bool
	browser     bool
	ready       func(context.Context, record.Store) error // before the first page
	site        *screen.Site
	protocols   []record.File // of a folder
	told        string        // second line, after the address
	network     network
	plain       bool // a new record is not encrypted
	passphrase  passphraseFile
	backups     backups
}

func (s *session) run(e *env) (err error) {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	log := s.network.logger(e.err)
	signIn, err := s.signIn(ctx)
	if err != nil {
		return err
	}
	way, err := s.network.open(s.listen, s.dir, signIn, log)
	if err != nil {
		return err
	}
	defer way.close()
	opener := &opener{s: s, options: web.Options{Idle: s.lockAfter, Dir: s.dir, Demo: s.demo, Speed: s.speed, Verified: s.verified, Screening: s.site, Protocols: s.protocols, Log: log,
		Secure: way.secure, Behind: s.network.Behind != "", Named: way.named, Authority: way.authority, Backup: s.backups.newest()}}
	server, err := opener.open(ctx, e)
	defer func() {
		if cerr := opener.close(); err == nil {
			err = cerr
		}
	}()
	if err != nil {
		return err
	}
	fmt.Fprintln(e.out, way.address)
	if s.told != "" {
		fmt.Fprintln(e.out, s.told)
	}
	if !server.Built() {
		fmt.Fprintln(e.err, "gradus: the scripts and styles of the pages are not in this program; build it with make build, the running page needs them")
	}
	if s.browser {
		openBrowser(e.err, way.address)
	}
	go func() {
		<-ctx.Done()
		stop() // a second signal ends the program at once
	}()
	return web.Door{Handler: server, Beside: map[string]http.Handler{centre.Path: centre.New(opener.centre, log)}, TLS: way.tls, Redirect: way.redirect, Named: way.named, Log: log}.Serve(ctx, way.ln)
}

// open opens the record, with a key when it is encrypted. One in a database may have other servers beside this one.
func (s *session) open(ctx context.Context, k *vault.Key) (record.Store, web.Shared, error) {
	if s.database == "" {
		store, err := vault.Open(ctx, s.dir, k, record.Options{})
		return store, nil, err
	}
	if err := os.MkdirAll(s.dir, 0o700); err != nil {
		return nil, nil, err
	}
	store, err := record.OpenDatabase(ctx, s.database, record.Options{})
	return store, store, err
}

// errUnset says that nobody has set a passphrase yet, and that nobody can through a proxy.
var errUnset = errors.New("there is no record yet, and through a proxy nobody sets a passphrase; make it first with gradus keys make, or start once without --behind")

// signIn reports whether nobody sees anything before signing in: with the passphrase, or by an account.
func (s *session) signIn(ctx context.Context) (bool, error) {
	if s.demo || !web.Beyond(s.listen) && s.network.Behind == "" {
		return false, nil // whoever sits at this machine
	}
	if s.database == "" {
		state, err := vault.StateOf(s.dir)
		if state == vault.New && s.network.Behind != "" && !s.plain {
			return false, errUnset
		}
		if err != nil || state != vault.Plain {
			return !s.plain, err
		}
	}
	place := s.dir
	if s.database != "" {
		place = s.database
	}
	store, err := record.OpenAny(ctx, place, record.Options{ReadOnly: true})
	if errors.Is(err, record.ErrMissing) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	any, err := store.AnyAccount(ctx)
	return any, errors.Join(err, store.Close())
}

// openBrowser opens the address where a person sits in front of a screen.
func openBrowser(errw io.Writer, address string) {
	var cmd *exec.Cmd
	switch runtime.GOOS {
	case "windows":
		cmd = exec.Command("rundll32", "url.dll,FileProtocolHandler", address)
	case "darwin":
		cmd = exec.Command("open", address)
	default:
		if os.Geteuid() == 0 || os.Getenv("DISPLAY") == "" && os.Getenv("WAYLAND_DISPLAY") == "" {
			return
		}
		cmd = exec.Command("xdg-open", address)
	}
	if err := cmd.Start(); err != nil {
		fmt.Fprintf(errw, "gradus: no browser could be opened (%v); open %s yourself\n", err, address)
		return
	}
	go cmd.Wait() //nolint:errcheck // the browser's own end is no concern of the pages
}
