package main

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"gradus/internal/localca"
	"gradus/internal/record"
)

type certificateCmd struct {
	Names []string `arg:"" optional:"" help:"Names and addresses by which browsers reach this server; the machine's own when left out."`
	Data  string   `name:"data" placeholder:"DIR" help:"Directory of the record; the user's own data directory when left out."`
	Anew  bool     `name:"new-authority" help:"Make another authority, for other names; every device must trust it once more."`
}

// Run makes or renews the certificates of the local network and says how devices come to trust them.
func (c *certificateCmd) Run(e *env) error {
	dir, err := dataDir(c.Data)
	if err != nil {
		return err
	}
	folder := filepath.Join(dir, localca.Folder)
	names := c.Names
	if len(names) == 0 {
		if names, err = presentNames(folder); err != nil {
			return err
		}
	}
	made, err := localca.Make(folder, localca.Ask{Names: names, Now: e.today(), Anew: c.Anew})
	if err != nil {
		return err
	}
	return tellCertificate(folder, c.serve(), made).to(e.out)
}

// presentNames are those of the certificate there is, else those of the machine.
func presentNames(folder string) ([]string, error) {
	if _, err := localca.Read(filepath.Join(folder, localca.ServerFile)); err == nil {
		return nil, nil
	}
	names := localca.Ours()
	if len(names) == 0 {
		return nil, usageError{"this machine has no name and no address on a network; name those by which browsers will reach it"}
	}
	return names, nil
}

// serve is the command that starts the server with this certificate.
func (c *certificateCmd) serve() string {
	if c.Data == "" {
		return "gradus serve --listen 0.0.0.0:7475"
	}
	return "gradus serve --listen 0.0.0.0:7475 --data " + c.Data
}

func tellCertificate(folder, serve string, m localca.Made) *telling {
	t := &telling{}
	switch {
	case m.NewAuthority:
		t.say("", "A new authority of this site and a certificate for this server are in %s.", folder)
	case m.NewServer:
		t.say("", "The certificate was renewed by the authority that the devices trust already. A running server takes it up by itself.")
	default:
		t.say("", "The certificate is good as it is; nothing was changed.")
	}
	t.gap()
	names := localca.Names(m.Server)
	t.say("  ", "For: %s.", strings.Join(names, ", "))
	t.say("  ", "Certificate ends %s. It is renewed in its last 30 days while the server runs and the authority's key is there.", m.Server.NotAfter.UTC().Format(time.DateOnly))
	t.say("  ", "Authority ends %s. It may sign for these names and addresses and for nothing else.", m.Authority.NotAfter.UTC().Format(time.DateOnly))
	t.say("  ", "Fingerprint of the authority (SHA-256), to compare on each device:")
	for half := range slices.Chunk(strings.Split(localca.Fingerprint(m.Authority), ":"), 16) {
		t.say("    ", "    %s", strings.Join(half, ":"))
	}
	t.gap()
	if m.NewAuthority {
		first := names[0]
		t.say("", "Next:")
		t.say("   ", "1. %s", serve)
		t.say("   ", "2. On each device open https://%s:7475/trust, go on past the browser's warning this once, save the authority's certificate, compare the fingerprint with the one above, and follow the steps for that device.", first)
		t.say("   ", "3. The key of the authority (%s) is needed only to renew. For the most caution move it to a stick in a safe; the devices go on trusting the server.", localca.AuthorityKey)
		t.gap()
	}
	return t
}

// dataDir is the directory of the record.
func dataDir(named string) (string, error) {
	if named != "" {
		return named, nil
	}
	dir, err := record.DefaultDir()
	if err != nil {
		return "", fmt.Errorf("no data directory of the user is known (%w); name one with --data", err)
	}
	return dir, nil
}
