package main

import (
	"context"
	"encoding/json"
	"path/filepath"
	"time"

	"gradus/internal/doctor"
	"gradus/internal/record"
	"gradus/internal/vault"
)

type doctorCmd struct {
	Data    string `name:"data" placeholder:"DIR" help:"Directory of the record; the user's own data directory when left out."`
	Backups string `name:"backup-dir" placeholder:"DIR" help:"Folder of the backups; backups in the data directory when left out."`
	databaseFlag
	passphraseFile
	JSON bool `name:"json" help:"Write the findings as JSON."`
}

// Run looks at what the server stands on. A fault ends it with exit code 1.
func (c *doctorCmd) Run(e *env) error {
	dir, err := dataDir(c.Data)
	if err != nil {
		return err
	}
	l := doctor.Looking{Dir: dir, Backups: c.Backups, Now: time.Now,
		Open: func(ctx context.Context) (doctor.Record, error) {
			return c.look(ctx, e, dir)
		}}
	address, err := c.address()
	if err != nil {
		return err
	}
	if address != "" {
		l.Database, l.Open = true, func(ctx context.Context) (doctor.Record, error) {
			return record.OpenDatabase(ctx, address, record.Options{ReadOnly: true})
		}
	}
	if l.Backups == "" {
		l.Backups = filepath.Join(dir, doctor.Backups)
	}
	found := doctor.Look(context.Background(), l)
	if err := c.tell(e, found); err != nil {
		return err
	}
	if doctor.Worst(found) == doctor.Fault {
		return errReported
	}
	return nil
}

// look opens the record for reading. Without a passphrase an encrypted one stays unread, which is no fault.
func (c *doctorCmd) look(ctx context.Context, e *env, dir string) (doctor.Record, error) {
	state, err := vault.StateOf(dir)
	if err != nil {
		return nil, err
	}
	text, err := c.given()
	if err != nil {
		return nil, err
	}
	if state == vault.Locked && text == "" && !e.atTerminal() {
		return nil, doctor.ErrLocked
	}
	return c.reading(ctx, e, dir)
}

func (c *doctorCmd) tell(e *env, found []doctor.Finding) error {
	if c.JSON {
		out := json.NewEncoder(e.out)
		out.SetIndent("", "  ")
		return out.Encode(found)
	}
	t := &telling{}
	for _, f := range found {
		t.say("           ", "%-9s  %s: %s.", f.Level, f.What, f.Said)
		if f.Do != "" {
			t.say("           ", "           Do: %s.", f.Do)
		}
	}
	t.say("           ", "%-9s  browser: open the page /doctor on each device that will run a test.", "look")
	return t.to(e.out)
}
