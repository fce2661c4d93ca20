package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"gradus/internal/audit"
	"gradus/internal/backup"
	"gradus/internal/record"
	"gradus/internal/vault"
)

type backupCmd struct {
	Data string `name:"data" placeholder:"DIR" help:"Directory of the record; the user's own data directory when left out."`
	To   string `name:"to" required:"" placeholder:"FILE|DIR" help:"A new file, or a directory that gets one named after the moment."`
	passphraseFile
}

// Help follows the options of the command.
func (c *backupCmd) Help() string {
	return `Works beside a program that serves. The backup is encrypted as the record is, and opens with the passphrase or the recovery key of this moment. It is read through before it counts. A record in PostgreSQL is backed up by pg_dump, or copied into a directory by 'gradus move' and backed up from there.

Example: gradus backup --data clinic --to /media/stick`
}

// Run makes a backup.
func (c *backupCmd) Run(e *env) (err error) {
	ctx := context.Background()
	dir, err := dataDir(c.Data)
	if err != nil {
		return err
	}
	k, err := c.key(e, dir)
	if err != nil {
		return err
	}
	store, err := vault.Open(ctx, dir, k, record.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	trail := &commandTrail{e: e, open: func(ctx context.Context) (record.Store, error) { return vault.Open(ctx, dir, k, record.Options{}) }}
	if err := errors.Join(trail.Note(asCommand(), audit.Entry{Action: "export", Entity: "record", Note: "backup"}), trail.close()); err != nil {
		return err
	}
	to := c.To
	if info, err := os.Stat(to); err == nil && info.IsDir() {
		to = filepath.Join(to, backup.Name(e.today()))
	}
	m, err := backup.Make(ctx, backup.Source{Store: store, Key: k, Dir: dir, Program: programVersion(), Now: e.today}, to)
	if err != nil {
		return err
	}
	t := &telling{}
	t.say("", "%s: %s.", to, holding(m))
	if !m.Encrypted {
		t.say("", "The record is not encrypted, and so the backup is not: who gets at it reads everything, and a change in it is not seen.")
	}
	return t.to(e.out)
}

// holding says what a backup holds.
func holding(m *backup.Manifest) string {
	var size int64
	for _, f := range m.Files {
		size += f.Size
	}
	return fmt.Sprintf("made %s, %s, %s, %s, %.1f MB", m.Made.Format(time.RFC3339), some(int(m.Contents["participants"]), "person", "people"),
		some(int(m.Contents["tests"]), "test", "tests"), some(int(m.Contents["events"]), "event", "events"), float64(size)/1e6)
}

type restoreCmd struct {
	File     string `arg:"" optional:"" name:"file" placeholder:"FILE.zip" help:"The backup."`
	Data     string `name:"data" placeholder:"NEWDIR" help:"A new or empty directory that gets the record."`
	Check    bool   `name:"check" help:"Only try it: restore into a scratch directory, read everything and one test, remove it."`
	Salvage  string `name:"salvage" placeholder:"DIR" help:"No backup: save what can be read of the damaged record in DIR, and list what is lost."`
	Recovery string `name:"recovery-file" placeholder:"FILE" help:"File with the recovery key, when the passphrase of that time is forgotten."`
	passphraseFile
}

// Run restores a backup, or tries to.
func (c *restoreCmd) Run(e *env) (err error) {
	switch {
	case c.Salvage != "" && (c.File != "" || c.Check || c.Data == ""):
		return usageError{"--salvage DIR needs --data NEWDIR, and no backup"}
	case c.Salvage != "":
		return c.salvage(e)
	case c.File == "":
		return usageError{"name the backup, or a damaged record with --salvage DIR"}
	}
	if c.Check == (c.Data != "") {
		return usageError{"give --data NEWDIR to restore, or --check to try it"}
	}
	o, err := backup.Open(c.File)
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s: there is no such file; look in the directory of the backups (--backup-dir of gradus serve, --to of gradus backup) and name the newest gradus-….zip", c.File)
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, o.Close()) }()
	k, err := c.unlock(e, o.Keys)
	if err != nil {
		return err
	}
	ctx := context.Background()
	t := &telling{}
	if c.Check {
		d, err := o.Drill(ctx, k)
		if err != nil {
			return err
		}
		t.say("", "%s can be restored: %s. Every byte is as it was written, the record is sound, and the rows of each table are as many as were backed up.", c.File, holding(d.Manifest))
		if d.Test != "" {
			t.say("", "Its newest test, %s, was read: %s.", d.Test, some(d.Events, "event", "events"))
		}
		return t.to(e.out)
	}
	if err := o.Restore(ctx, k, c.Data); err != nil {
		return err
	}
	t.say("", "%s is restored to %s: %s.", c.File, c.Data, holding(o.Manifest))
	t.say("", "What was entered after %s is not in it. Start it with: gradus serve --data %s", o.Manifest.Made.Format(time.RFC3339), c.Data)
	return t.to(e.out)
}

// salvage saves what can be read of a damaged record.
func (c *restoreCmd) salvage(e *env) error {
	if entries, err := os.ReadDir(c.Data); err == nil && len(entries) > 0 {
		return fmt.Errorf("%s is not empty; name a new directory", c.Data)
	}
	var k *vault.Key
	switch state, err := vault.StateOf(c.Salvage); {
	case err != nil:
		return err
	case state == vault.New:
		return fmt.Errorf("%s: %w", filepath.Join(c.Salvage, record.FileName), record.ErrMissing)
	case state == vault.Locked:
		f, err := vault.Load(c.Salvage)
		if err != nil {
			return err
		}
		if k, err = c.unlock(e, f); err != nil {
			return err
		}
	}
	found, err := backup.Salvage(context.Background(), c.Salvage, k, c.Data)
	if err != nil {
		return err
	}
	t := &telling{}
	t.say("", "What could be read of %s is in %s. The damaged directory was left as it is; keep it.", c.Salvage, c.Data)
	lost := false
	for _, one := range found {
		if one.Saved == 0 && one.Dropped == 0 && !one.Lost {
			continue
		}
		text := fmt.Sprintf("%s: %s saved", one.Table, some(one.Saved, "row", "rows"))
		if one.Dropped > 0 {
			text += fmt.Sprintf(", %d dropped, since what they belong to is lost", one.Dropped)
		}
		if one.Lost {
			text += "; PART OF IT IS LOST"
		}
		lost = lost || one.Lost || one.Dropped > 0
		t.say("    ", "  %s", text)
	}
	if lost {
		t.say("", "Compare it with the last backup and with what is on paper before you go on with it. The audit trail shows a break where entries are lost.")
	} else {
		t.say("", "Nothing is lost.")
	}
	return t.to(e.out)
}

// unlock opens the key that lies in a backup; nil when it is plain.
func (c *restoreCmd) unlock(e *env, f *vault.File) (*vault.Key, error) {
	if f == nil {
		return nil, nil
	}
	if c.Recovery != "" {
		text, err := readSmall(c.Recovery, 4<<10)
		if err != nil {
			return nil, err
		}
		return f.Recover(string(text))
	}
	text, err := c.ask(e, "Passphrase of the record when the backup was made")
	if err != nil {
		return nil, err
	}
	return f.Unlock(text)
}

// backups are the flags of the backups that the server makes by itself.
type backups struct {
	Dir   string        `name:"backup-dir" placeholder:"DIR" help:"Make backups there by itself, best on another disk."`
	Every time.Duration `name:"backup-every" default:"24h" help:"How often (${default})."`
	Keep  int           `name:"keep" default:"14" help:"How many are kept (${default}); the oldest go."`
}

func (b backups) check() error {
	switch {
	case b.Dir == "":
		return nil
	case b.Every < time.Minute:
		return usageError{"--backup-every is at least 1m"}
	case b.Keep < 1:
		return usageError{"--keep is at least 1"}
	}
	return os.MkdirAll(b.Dir, 0o700)
}

// newest is when the newest backup was made; nil when the server makes none.
func (b backups) newest() func() (time.Time, bool) {
	if b.Dir == "" {
		return nil
	}
	return func() (time.Time, bool) { return backup.Newest(b.Dir) }
}

// retry is how soon a backup that failed is tried again.
const retry = 15 * time.Minute

// run makes backups until the context ends: at once when the newest is too old, then as often as told.
func (b backups) run(ctx context.Context, s backup.Source, log *slog.Logger) {
	for {
		wait := time.Duration(0)
		if at, ok := backup.Newest(b.Dir); ok {
			wait = min(max(at.Add(b.Every).Sub(s.Now()), 0), b.Every)
		}
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return
		}
		m, err := backup.Make(ctx, s, filepath.Join(b.Dir, backup.Name(s.Now())))
		if err != nil {
			if ctx.Err() != nil {
				return
			}
			log.Error("no backup was made", "error", err)
			select {
			case <-time.After(min(retry, b.Every)):
			case <-ctx.Done():
				return
			}
			continue
		}
		removed, err := backup.Rotate(b.Dir, b.Keep)
		if err != nil {
			log.Error("old backups stay", "error", err)
		}
		log.Info("backup made", "tests", m.Contents["tests"], "events", m.Contents["events"], "removed", len(removed))
	}
}
