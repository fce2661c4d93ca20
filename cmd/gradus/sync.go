package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"gradus/internal/audit"
	"gradus/internal/centre"
	"gradus/internal/record"
	"gradus/internal/whole"
)

type syncCmd struct {
	Send  syncSendCmd  `cmd:"" help:"Send what this site has recorded since the last time to the centre."`
	Key   syncKeyCmd   `cmd:"" help:"At the centre: print a new key for a site, which lets it send."`
	Alike syncAlikeCmd `cmd:"" help:"At the centre: list who may be the same person, and decide about people of different sites."`
}

type syncSendCmd struct {
	To        string `name:"to" required:"" placeholder:"URL" help:"Address of the centre, https://…"`
	SiteKey   string `name:"site-key" required:"" type:"path" placeholder:"FILE" help:"Key that the centre has made for this site."`
	Authority string `name:"authority" type:"path" placeholder:"FILE" help:"Certificate of the centre's own certificate authority."`
	Again     bool   `name:"again" help:"Send everybody anew; what the centre has is not taken twice."`
	Data      string `name:"data" type:"path" placeholder:"DIR" help:"Data directory of this site. Default: the user's own."`
	passphraseFile
}

// Help follows the options of the command.
func (c *syncSendCmd) Help() string {
	return `Sends people with their visits, findings, consents and finished tests with all that belongs to them, and the site's machines; a running test goes with a later sending, and so does a test of nobody once it has a person. A person deleted here is deleted there. Where it breaks off, the same command goes on. It may run beside the server, and again at any time.

Example: gradus sync send --to https://centre.example.org --site-key site.key`
}

// sentFile notes in the data directory how far this site has sent.
const sentFile = "centre.json"

type sentSoFar struct {
	To    string  `json:"to"`
	Site  int64   `json:"site"`
	Seq   int64   `json:"seq"`
	Again []int64 `json:"again,omitempty"` // people whom the centre did not take or delete
}

// Run sends.
func (c *syncSendCmd) Run(e *env) (err error) {
	if err := centre.CheckAddress(c.To); err != nil {
		return usageError{"--to: " + err.Error()}
	}
	text, err := os.ReadFile(c.SiteKey)
	if err != nil {
		return err
	}
	key, err := centre.ParseKey(text, c.SiteKey)
	if err != nil {
		return err
	}
	client, err := c.client()
	if err != nil {
		return err
	}
	dir, err := dataDir(c.Data)
	if err != nil {
		return err
	}
	ctx := asCommand()
	store, err := c.opening(ctx, e, dir, record.Options{})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	place := filepath.Join(dir, sentFile)
	so, err := readSent(place)
	if err != nil {
		return err
	}
	if c.Again || so.To != c.To || so.Site != key.Site {
		so = sentSoFar{To: c.To, Site: key.Site}
	}
	t := syncing{env: e, ctx: ctx, store: store, so: so, place: place}
	sender := centre.Sender{Store: store, Key: key, To: strings.TrimSuffix(c.To, "/"), Client: client}
	return t.end(sender.Send(ctx, so.Seq, so.Again, t.step))
}

// syncing is a sending at work.
type syncing struct {
	*env
	ctx    context.Context
	store  *record.SQLite
	so     sentSoFar
	place  string
	all    centre.Taken
	people int
	erased int
	left   []string // what somebody has to do something about
}

// step notes what became of a person, and how far the sending has come.
func (t *syncing) step(s centre.Step) error {
	switch {
	case s.Refused != "":
		t.left = append(t.left, fmt.Sprintf("%s was not taken: %s", t.person(s.Person), s.Refused))
	case s.Gone:
		t.left = append(t.left, fmt.Sprintf("%s was deleted at the centre and is sent no more. Delete the person here too, or ask there why", t.person(s.Person)))
		if err := t.store.Note(t.ctx, audit.Entry{Action: "refused", Entity: fmt.Sprintf("person/%d", s.Person), Note: "the centre has deleted this person"}); err != nil {
			return err
		}
	case s.Person != 0:
		t.people++
		if s.Unmerged {
			t.left = append(t.left, fmt.Sprintf("%s is merged otherwise at the centre than here; settle it there", t.person(s.Person)))
		}
	}
	if s.Refused == "" {
		t.so.Again = slices.DeleteFunc(t.so.Again, func(id int64) bool { return id == s.Person })
	} else if !slices.Contains(t.so.Again, s.Person) {
		t.so.Again = append(t.so.Again, s.Person)
	}
	for _, id := range s.Erased {
		t.erased++
		t.so.Again = slices.DeleteFunc(t.so.Again, func(other int64) bool { return other == id })
		if err := t.store.Note(t.ctx, audit.Entry{Action: "erase", Entity: fmt.Sprintf("person/%d", id), Note: "deleted at the centre too"}); err != nil {
			return err
		}
	}
	for _, o := range s.Stays {
		t.left = append(t.left, fmt.Sprintf("the person with number %d, whom this site has deleted, stays at the centre: %s", o.Person, o.Why))
		if !slices.Contains(t.so.Again, o.Person) {
			t.so.Again = append(t.so.Again, o.Person)
		}
	}
	t.all.Add(s.Taken)
	t.so.Seq = s.UpTo
	text, err := json.Marshal(t.so)
	if err != nil {
		return err
	}
	return whole.Write(t.place, append(text, '\n'))
}

// person is how the site names a person.
func (t *syncing) person(id int64) string {
	p, err := t.store.Participant(t.ctx, id)
	if err != nil {
		return fmt.Sprintf("person %d", id)
	}
	return p.Code
}

// end tells what was sent and what is left.
func (t *syncing) end(broke error) error {
	if t.people > 0 {
		if err := t.store.Note(t.ctx, audit.Entry{Action: "export", Entity: "people", Note: fmt.Sprintf("%d sent to the centre", t.people)}); err != nil {
			return errors.Join(broke, err)
		}
	}
	a := t.all
	fmt.Fprintf(t.out, "sent: %d people, of whom new there: %d; new visits %d, tests %d, findings %d, later events %d, results %d\n", t.people, a.People, a.Visits, a.Tests, a.Facts, a.Events, a.Results)
	if more := a.Consents + a.Papers + a.Countersigns + a.Merges + a.Machines + a.Samples; more > 0 {
		fmt.Fprintf(t.out, "      new consents %d, papers %d, countersigns %d, merges %d, versions and checks of machines %d, blocks of samples %d\n", a.Consents, a.Papers, a.Countersigns, a.Merges, a.Machines, a.Samples)
	}
	if t.erased > 0 {
		fmt.Fprintf(t.out, "deleted at the centre too: %d people\n", t.erased)
	}
	if a.Alike > 0 {
		fmt.Fprintf(t.out, "%d may be known at the centre as somebody else too; gradus sync alike lists them there\n", a.Alike)
	}
	for _, line := range t.left {
		fmt.Fprintf(t.err, "gradus: %s\n", line)
	}
	switch {
	case broke != nil:
		return fmt.Errorf("%w; the same command goes on from here", told(broke))
	case len(t.left) > 0:
		return fmt.Errorf("everything else was sent; the lines above need somebody")
	}
	return nil
}

// told says of a failed connection what to do.
func told(err error) error {
	unknown, wrong := new(x509.UnknownAuthorityError), new(x509.HostnameError)
	switch {
	case errors.As(err, unknown):
		return fmt.Errorf("the certificate of the centre is signed by nobody this machine trusts; with an authority of its own, name it by --authority FILE (%w)", err)
	case errors.As(err, wrong):
		return fmt.Errorf("the server there is not the one that --to names (%w)", err)
	}
	return err
}

func readSent(place string) (so sentSoFar, err error) {
	text, err := os.ReadFile(place)
	if errors.Is(err, fs.ErrNotExist) {
		return so, nil
	}
	if err == nil {
		err = json.Unmarshal(text, &so)
	}
	if err != nil {
		err = fmt.Errorf("%s: %w; remove it, and everybody is sent anew, which does no harm", place, err)
	}
	return so, err
}

func (c *syncSendCmd) client() (*http.Client, error) {
	transport := http.DefaultTransport.(*http.Transport).Clone()
	transport.TLSClientConfig = &tls.Config{MinVersion: tls.VersionTLS12}
	if c.Authority != "" {
		pem, err := os.ReadFile(c.Authority)
		if err != nil {
			return nil, err
		}
		roots := x509.NewCertPool()
		if !roots.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("%s: it holds no certificate", c.Authority)
		}
		transport.TLSClientConfig.RootCAs = roots
	}
	// A signed parcel goes to the centre that was named, nowhere else.
	return &http.Client{Transport: transport, Timeout: 2 * time.Minute, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}, nil
}

// centrePlace is the record of a centre.
type centrePlace struct {
	Data string `name:"data" type:"path" placeholder:"DIR" help:"Data directory of the centre. Default: the user's own."`
	databaseFlag
	passphraseFile
}

func (p centrePlace) open(ctx context.Context, e *env) (centre.Store, error) {
	if p.Data != "" && p.Database != "" {
		return nil, usageError{"--data and --database name two records; give one"}
	}
	address, err := p.address()
	if err != nil {
		return nil, err
	}
	if p.Data == "" && address != "" {
		return record.OpenDatabase(ctx, address, record.Options{})
	}
	dir, err := dataDir(p.Data)
	if err != nil {
		return nil, err
	}
	return p.opening(ctx, e, dir, record.Options{})
}

type syncKeyCmd struct {
	Site string `name:"site" required:"" placeholder:"NAME" help:"Name of the site; a new one is made when there is none of this name."`
	centrePlace
}

// Run prints a key.
func (c *syncKeyCmd) Run(e *env) (err error) {
	ctx := asCommand()
	store, err := c.open(ctx, e)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	key, err := centre.Allow(ctx, store, c.Site)
	if err != nil {
		return err
	}
	return json.NewEncoder(e.out).Encode(key)
}

// Help follows the options of the command.
func (c *syncKeyCmd) Help() string {
	return `Whoever has the key can write into this site's part of the centre, and read nothing. A new key ends the old one.

Example: gradus sync key --site "North ward" > north.key`
}
