package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"gradus/internal/access"
	"gradus/internal/record"
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

// siteFile keeps all versions of the card in the record, and the same in a file beside it, so that the card can be shown
// while the record is locked or cannot be read.
type siteFile struct {
	path  string
	files *siteFiles // nil: the file alone, before the record is open
	mu    sync.Mutex
	all   []siteCard
}

const siteName = "site.json"

func openSite(dir string, files *siteFiles) (*siteFile, error) {
	f := &siteFile{path: filepath.Join(dir, siteName), files: files}
	if files != nil {
		return f, f.look()
	}
	var err error
	f.all, err = readCards(f.path)
	return f, err
}

// readCards reads the file; none is no card.
func readCards(path string) (all []siteCard, err error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	if err := json.Unmarshal(text, &all); err != nil {
		return nil, fmt.Errorf("%s: %w; put the file right, or move it away and enter the site's card again", path, err)
	}
	return all, nil
}

// card is the newest version; its version is 0 when there is none.
func (f *siteFile) card() siteCard {
	all := f.versions()
	if len(all) == 0 {
		return siteCard{}
	}
	return all[len(all)-1]
}

func (f *siteFile) versions() []siteCard {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.files != nil {
		_ = f.look() // what is known holds: the card is needed most when nothing else works
	}
	return slices.Clone(f.all)
}

// look takes over what the record has, whichever server wrote it, and puts it into the file.
func (f *siteFile) look() error {
	all, err := cardsOf(f.files.of(record.FileCard))
	if err != nil || len(all) <= len(f.all) {
		return err
	}
	f.all = all
	return writeCards(f.path, all)
}

// cardsOf reads versions of the card as the record keeps them.
func cardsOf(files []record.File) (all []siteCard, err error) {
	for _, file := range files {
		var c siteCard
		if err := json.Unmarshal(file.Content, &c); err != nil {
			return nil, fmt.Errorf("version %s of the site's card: %w", file.Version, err)
		}
		all = append(all, c)
	}
	slices.SortFunc(all, func(a, b siteCard) int { return a.Version - b.Version })
	return all, nil
}

// writeCards writes the file, unless it says the same.
func writeCards(path string, all []siteCard) error {
	text, err := json.MarshalIndent(all, "", "  ")
	if err != nil {
		return err
	}
	text = append(text, '\n')
	if have, err := os.ReadFile(path); err == nil && bytes.Equal(have, text) {
		return nil
	}
	return whole.Write(path, text)
}

func cardFile(c siteCard) (record.File, error) {
	text, err := json.Marshal(c)
	return record.File{Kind: record.FileCard, Name: "site", Version: strconv.Itoa(c.Version), Content: text, By: c.By}, err
}

// keepCard keeps another version, behind those that other servers have added meanwhile.
func (s *Server) keepCard(ctx context.Context, c siteCard) error {
	var err error
	for range 10 {
		c.Version = len(s.own.versions()) + 1
		var file record.File
		if file, err = cardFile(c); err == nil {
			err = s.keepFile(ctx, file, false)
		}
		if taken := new(record.FileTakenError); errors.As(err, &taken) {
			continue
		}
		if err != nil {
			return err
		}
		s.own.mu.Lock()
		defer s.own.mu.Unlock()
		return s.own.look()
	}
	return err
}

// WriteCard puts the site's card of a record into a data directory, where it is read while the record is locked.
func WriteCard(ctx context.Context, dir string, store record.Files) error {
	files, err := store.FilesOf(ctx, record.FileCard)
	if err != nil || len(files) == 0 {
		return err
	}
	all, err := cardsOf(files)
	if err != nil {
		return err
	}
	return writeCards(filepath.Join(dir, siteName), all)
}

type settingsBody struct {
	Card   siteCard
	Form   form
	Saved  bool
	Before []siteCard    // the newest first
	Sites  []record.Site // those whose rules whoever looks may change
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
	var err error
	if body.Sites, err = s.ledSites(r); err != nil {
		return err
	}
	return s.show(w, status, frame{Page: "settings", Title: say("settings.title"), Purpose: say("settings.purpose"), Section: "settings", Token: s.token(w, r), Body: body})
}

// ledSites are those whose rules whoever asks may change.
func (s *Server) ledSites(r *http.Request) (led []record.Site, err error) {
	who := visitorOf(r).who
	if !who.May(access.OwnSite) || s.demo {
		return nil, nil
	}
	all, err := s.raw.Sites(r.Context())
	for _, site := range all {
		if who.Site == 0 || who.Site == site.ID {
			led = append(led, site)
		}
	}
	return led, err
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
	err := s.keepCard(r.Context(), siteCard{Number: f.text("site_number"), Inside: f.text("site_inside"), Address: strings.ReplaceAll(f.text("site_address"), "\r\n", "\n"), AED: f.text("site_aed"), Plan: plan, By: f.text("by"), At: s.now().UTC()})
	if err != nil {
		return err
	}
	http.Redirect(w, r, "/settings?saved", http.StatusSeeOther)
	return nil
}
