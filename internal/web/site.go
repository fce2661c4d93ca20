package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"gradus/internal/whole"
)

// siteCard is what a site has to say when something goes wrong. Each change is another version.
type siteCard struct {
	Version int       `json:"version"`
	Number  string    `json:"number"` // the emergency number that is dialled from here
	Inside  string    `json:"inside,omitempty"`
	Address string    `json:"address,omitempty"`
	AED     string    `json:"aed,omitempty"`
	Plan    string    `json:"plan,omitempty"` // one step a line
	By      string    `json:"by"`
	At      time.Time `json:"at"`
}

// Steps are the lines of the plan.
func (c siteCard) Steps() (steps []string) {
	for line := range strings.Lines(c.Plan) {
		if line = strings.TrimSpace(line); line != "" {
			steps = append(steps, line)
		}
	}
	return steps
}

// Said is who wrote the card and when.
func (c siteCard) Said() string {
	if c.Version == 0 {
		return ""
	}
	return say("site.said", c.Version, c.By, day(c.At.Local()))
}

// siteFile keeps all versions of the card in a file beside the record, so that the card can be shown when the record
// cannot be read.
type siteFile struct {
	path   string
	shared Shared // keeps the versions instead of the file; nil: none
	mu     sync.Mutex
	all    []siteCard
}

const siteName = "site.json"

func openSite(dir string, shared Shared) (*siteFile, error) {
	f := &siteFile{path: filepath.Join(dir, siteName), shared: shared}
	if shared != nil {
		return f, f.fetch()
	}
	text, err := os.ReadFile(f.path)
	if errors.Is(err, fs.ErrNotExist) {
		return f, nil
	}
	if err != nil {
		return nil, err
	}
	if err := json.Unmarshal(text, &f.all); err != nil {
		return nil, fmt.Errorf("%s: %w; put the file right, or move it away and enter the site's card again", f.path, err)
	}
	return f, nil
}

// card is the newest version; its version is 0 when there is none.
func (f *siteFile) card() siteCard {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.look()
	if len(f.all) == 0 {
		return siteCard{}
	}
	return f.all[len(f.all)-1]
}

func (f *siteFile) versions() []siteCard {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.look()
	return slices.Clone(f.all)
}

func (f *siteFile) look() {
	if f.shared != nil {
		_ = f.fetch() // what is known holds: the card is needed most when nothing else works
	}
}

// add puts another version on disk and then in force.
func (f *siteFile) add(c siteCard) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.shared != nil {
		return f.share(c)
	}
	c.Version = len(f.all) + 1
	all := append(slices.Clone(f.all), c)
	text, err := json.MarshalIndent(all, "", "  ")
	if err != nil {
		return err
	}
	if err := whole.Write(f.path, append(text, '\n')); err != nil {
		return err
	}
	f.all = all
	return nil
}

type settingsBody struct {
	Card   siteCard
	Form   form
	Saved  bool
	Before []siteCard // the newest first
}

func siteForm(c siteCard) form {
	return form{Fields: []field{{Name: "site_number", Kind: "text", Value: c.Number, Most: 80, Need: true}, textField("site_inside", c.Inside, 200), {Name: "site_address", Kind: "area", Value: c.Address, Most: 400},
		textField("site_aed", c.AED, 200), {Name: "site_plan", Kind: "area", Value: c.Plan, Most: 4000}, {Name: "by", Kind: "text", Most: 80, Need: true}}}
}

// settings is where a site writes its emergency card.
func (s *Server) settings(w http.ResponseWriter, r *http.Request) error {
	return s.showSettings(w, r, http.StatusOK, siteForm(s.own.card()))
}

func (s *Server) showSettings(w http.ResponseWriter, r *http.Request, status int, f form) error {
	body := settingsBody{Card: s.own.card(), Form: f, Saved: r.URL.Query().Has("saved"), Before: s.own.versions()}
	if n := len(body.Before); n > 0 {
		body.Before = body.Before[:n-1]
	}
	slices.Reverse(body.Before)
	return s.show(w, status, frame{Page: "settings", Title: say("settings.title"), Purpose: say("settings.purpose"), Section: "settings", Token: s.token(w, r), Body: body})
}

func (s *Server) changeSettings(w http.ResponseWriter, r *http.Request) error {
	f := siteForm(siteCard{})
	f.take(r)
	f.signed(s.signed(r))
	for _, name := range []string{"site_number", "by"} {
		if f.text(name) == "" {
			f.fault(name, say("form.empty"))
		}
	}
	if f.bad() {
		return s.showSettings(w, r, http.StatusUnprocessableEntity, f)
	}
	plan := strings.ReplaceAll(f.text("site_plan"), "\r\n", "\n")
	err := s.own.add(siteCard{Number: f.text("site_number"), Inside: f.text("site_inside"), Address: strings.ReplaceAll(f.text("site_address"), "\r\n", "\n"), AED: f.text("site_aed"), Plan: plan, By: f.text("by"), At: s.now().UTC()})
	if err != nil {
		return err
	}
	http.Redirect(w, r, "/settings?saved", http.StatusSeeOther)
	return nil
}
