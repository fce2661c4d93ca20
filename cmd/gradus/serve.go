package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"os/signal"
	"runtime"
	"syscall"

	"gradus/internal/record"
	"gradus/internal/web"
	"gradus/screen"
)

type serveCmd struct {
	Listen    string `name:"listen" default:"127.0.0.1:7475" placeholder:"127.0.0.1:PORT" help:"Address of this machine to listen on; port 0 is any free one."`
	Data      string `name:"data" placeholder:"DIR" help:"Directory of the record; the user's own data directory when left out."`
	Policy    string `name:"policy" placeholder:"FILE" help:"The site's policy for the check before a test."`
	Verified  bool   `name:"require-verified" help:"Give no estimate by an equation whose coefficients nobody has compared with the paper."`
	NoBrowser bool   `name:"no-browser" help:"Do not open a browser."`
}

// Run serves the pages until it is told to stop. The first line it prints is the address.
func (c *serveCmd) Run(e *env) error {
	dir := c.Data
	if dir == "" {
		var err error
		if dir, err = record.DefaultDir(); err != nil {
			return fmt.Errorf("no data directory of the user is known (%w); name one with --data", err)
		}
	}
	site, err := siteOf(e, c.Policy)
	if err != nil {
		return err
	}
	s := session{listen: c.Listen, dir: dir, browser: !c.NoBrowser, site: site, verified: c.Verified}
	return s.run(e)
}

// session is one run of the pages.
type session struct {
	listen, dir string
	demo        bool
	speed       int
	verified    bool
	browser     bool
	ready       func(context.Context, record.Store) error // before the first page
	site        *screen.Site
	told        string // second line, after the address
}

func (s *session) run(e *env) (err error) {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	ln, err := web.Listen(s.listen)
	if err != nil {
		return err
	}
	defer ln.Close()
	store, err := record.Open(ctx, s.dir, record.Options{})
	if err != nil {
		return err
	}
	defer func() {
		if cerr := store.Close(); err == nil {
			err = cerr
		}
	}()
	if s.ready != nil {
		if err := s.ready(ctx, store); err != nil {
			return err
		}
	}
	server, err := web.New(web.Options{Store: store, Dir: s.dir, Demo: s.demo, Speed: s.speed, Verified: s.verified, Screening: s.site, Log: slog.New(slog.NewTextHandler(e.err, nil))})
	if err != nil {
		return err
	}
	address := "http://" + ln.Addr().String() + "/"
	fmt.Fprintln(e.out, address)
	if s.told != "" {
		fmt.Fprintln(e.out, s.told)
	}
	if !server.Built() {
		fmt.Fprintln(e.err, "gradus: the scripts and styles of the pages are not in this program; build it with make build, the running page needs them")
	}
	if s.browser {
		openBrowser(e.err, address)
	}
	return server.Serve(ctx, ln)
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
