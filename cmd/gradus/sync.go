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
	"time"

	"gradus/internal/audit"
	"gradus/internal/centre"
	"gradus/internal/record"
	"gradus/internal/whole"
)

type syncCmd struct {
	Send  syncSendCmd  `cmd:"" help:"Send what this site has recorded since the last time to the centre."`
	Key   syncKeyCmd   `cmd:"" help:"At the centre: print a new key for a site, which lets it send."`
	Alike syncAlikeCmd `cmd:"" help:"At the centre: list who may be the same person, to be merged on the pages."`
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
	return `Sends people with their visits, findings, finished tests, events and results; a running test goes with a later sending, sensor samples stay at the site. Where it breaks off, the same command goes on. It may run beside the server, and again at any time.

Example: gradus sync send --to https://centre.example.org --site-key site.key`
}

// sentFile notes in the data directory how far this site has sent.
const sentFile = "centre.json"

type sentSoFar struct {
	To   string `json:"to"`
	Site int64  `json:"site"`
	Seq  int64  `json:"seq"`
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
	ctx := audit.With(context.Background(), audit.Who{Actor: "command"})
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
	var all centre.Taken
	people := 0
	sender := centre.Sender{Store: store, Key: key, To: c.To, Client: client}
	sending := sender.Send(ctx, so.Seq, func(person, upTo int64, t centre.Taken) error {
		if person != 0 {
			people++
		}
		all.Add(t)
		so.Seq = upTo
		text, err := json.Marshal(so)
		if err != nil {
			return err
		}
		return whole.Write(place, append(text, '\n'))
	})
	if people > 0 {
		if err := store.Note(ctx, audit.Entry{Action: "export", Entity: "people", Note: fmt.Sprintf("%d sent to the centre", people)}); err != nil {
			return errors.Join(sending, err)
		}
	}
	fmt.Fprintf(e.out, "sent: %d people, of whom new there: %d; new visits %d, tests %d, findings %d, later events %d, results %d\n",
		people, all.People, all.Visits, all.Tests, all.Facts, all.Events, all.Results)
	if all.Alike > 0 {
		fmt.Fprintf(e.out, "%d may be known at the centre as somebody else too; gradus sync alike lists them there\n", all.Alike)
	}
	if sending != nil {
		return fmt.Errorf("%w; the same command goes on from here", sending)
	}
	return nil
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
	ctx := audit.With(context.Background(), audit.Who{Actor: "command"})
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

type syncAlikeCmd struct{ centrePlace }

// Run lists pairs.
func (c *syncAlikeCmd) Run(e *env) (err error) {
	ctx := audit.With(context.Background(), audit.Who{Actor: "command"})
	store, err := c.open(ctx, e)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	sites, err := store.Sites(ctx)
	if err != nil {
		return err
	}
	names := map[int64]string{}
	for _, s := range sites {
		names[s.ID] = s.Name
	}
	found, err := store.Participants(ctx, record.ParticipantFilter{})
	if err != nil {
		return err
	}
	pairs := 0
	for _, p := range found.People {
		alike, err := store.Duplicates(ctx, p)
		if err != nil {
			return err
		}
		for _, d := range alike {
			if d.ID <= p.ID {
				continue // told from the other side
			}
			pairs++
			fmt.Fprintf(e.out, "%s (%s) and %s (%s): %v\n", p.Code, orDash(names[p.Site]), d.Code, orDash(names[d.Site]), d.Why)
		}
	}
	fmt.Fprintf(e.out, "%d pairs\n", pairs)
	return nil
}
