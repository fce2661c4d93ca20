package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"gradus/internal/audit"
	"gradus/internal/record"
)

type auditCmd struct {
	Verify auditVerifyCmd `cmd:"" help:"Follow the trail from its beginning and hold the record against it: what was changed past the program, and where."`
	Show   auditShowCmd   `cmd:"" help:"Who saw, entered, corrected, exported and signed what, and when."`
	Export auditExportCmd `cmd:"" help:"Print the whole trail as JSON lines, to be kept and verified elsewhere."`
	Anchor auditAnchorCmd `cmd:"" help:"Print the end of the trail as one line, to be kept where the server cannot write."`
}

// trailPlace is the record whose trail is read.
type trailPlace struct {
	Data string `type:"path" placeholder:"DIR" help:"Data directory. Default: the user's own."`
	databaseFlag
	passphraseFile
}

func (p trailPlace) with(e *env, do func(ctx context.Context, s record.Store) error) (err error) {
	ctx := asCommand()
	store, err := openToRead(ctx, e, p.Data, p.databaseFlag, p.passphraseFile)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	return do(ctx, store)
}

// keyFile is a secret that the server does not hold.
type keyFile struct {
	Key string `name:"key" type:"path" placeholder:"FILE" help:"File with a secret of at least 16 bytes that the server does not hold; anchors are signed by it."`
}

func (k keyFile) read() ([]byte, error) {
	if k.Key == "" {
		return nil, nil
	}
	key, err := os.ReadFile(k.Key)
	if err == nil && len(key) < 16 {
		err = fmt.Errorf("%s: it has %d bytes; a key needs 16 or more, as from: head -c 32 /dev/urandom", k.Key, len(key))
	}
	return key, err
}

type auditVerifyCmd struct {
	File    string `arg:"" optional:"" type:"path" help:"An exported trail. Without it: the trail of a record, and the record against it."`
	Anchors string `name:"anchors" type:"path" placeholder:"FILE" help:"File with ends of the trail that were kept elsewhere, such as a backup's manifest; each must be passed."`
	trailPlace
	keyFile
}

// Help follows the options of the command.
func (c *auditVerifyCmd) Help() string {
	return `Every fault is printed with its place, and the command then ends with 1. Without an anchor nobody can tell that the end of a trail was cut off, or that all of it was computed anew.

Example: gradus audit verify --data clinic --anchors kept-anchors.txt`
}

// Run verifies a trail.
func (c *auditVerifyCmd) Run(e *env) error {
	key, err := c.keyFile.read()
	if err != nil {
		return err
	}
	if key != nil && c.Anchors == "" {
		return usageError{"--key belongs to anchors; name their file with --anchors"}
	}
	var anchors []audit.Anchor
	if c.Anchors != "" {
		f, err := os.Open(c.Anchors)
		if err != nil {
			return err
		}
		defer f.Close()
		if anchors, err = audit.ReadAnchors(f, c.Anchors, key); err != nil {
			return err
		}
	}
	if c.File == "" {
		return c.with(e, func(ctx context.Context, s record.Store) error {
			head, faults, err := s.VerifyTrail(ctx, anchors)
			if err != nil {
				return err
			}
			return tellTrail(e.out, head, faults, len(anchors), "everything in the record is as it was entered")
		})
	}
	if c.Data != "" || c.Database != "" {
		return usageError{"a file and a record are named; give one"}
	}
	f, err := os.Open(c.File)
	if err != nil {
		return err
	}
	defer f.Close()
	head, faults, err := audit.CheckFile(f, c.File, anchors, nil)
	if err != nil {
		return err
	}
	return tellTrail(e.out, head, faults, len(anchors), "each follows from the one before; the record itself was not looked at")
}

func tellTrail(out io.Writer, head audit.Head, faults []audit.Fault, anchors int, whole string) error {
	if len(faults) > 0 {
		for _, f := range faults {
			fmt.Fprintln(out, f)
		}
		fmt.Fprintf(out, "%d faults; keep the files as they are, and compare with a backup\n", len(faults))
		return errReported
	}
	fmt.Fprintf(out, "%d entries: %s\n", head.Seq, whole)
	if anchors == 0 {
		fmt.Fprintln(out, "no anchor was given: that no later entry was cut off cannot be told")
	} else {
		fmt.Fprintf(out, "anchors passed: %d\n", anchors)
	}
	fmt.Fprintf(out, "end: %s\n", head.Anchor())
	return nil
}

type auditShowCmd struct {
	Person  string `name:"person" placeholder:"CODE" help:"Only what is about this person, with visits and tests."`
	Test    string `name:"test" placeholder:"ID" help:"Only what is about this test."`
	Account string `name:"account" placeholder:"NAME" help:"Only what this account did: its sign-in name, or owner, command or system."`
	From    string `name:"from" placeholder:"DAY" help:"First day, YYYY-MM-DD (UTC)."`
	To      string `name:"to" placeholder:"DAY" help:"Last day, YYYY-MM-DD (UTC)."`
	Last    int    `name:"last" default:"100" help:"How many entries at most, the newest; 0 is all."`
	trailPlace
}

// Help follows the options of the command.
func (c *auditShowCmd) Help() string {
	return `Lists entries, the oldest first: number, when (UTC), who, what, about what. Entries name persons by number and hold no word of what was recorded.

Example: gradus audit show --person P-001 --from 2026-01-01`
}

// Run lists entries.
func (c *auditShowCmd) Run(e *env) error {
	f := record.TrailFilter{Test: c.Test, Limit: c.Last}
	if c.Last < 0 {
		return usageError{"--last is below 0"}
	}
	for _, day := range []struct {
		name, text string
		to         *time.Time
		plus       int
	}{{"--from", c.From, &f.From, 0}, {"--to", c.To, &f.To, 1}} {
		if day.text == "" {
			continue
		}
		at, err := time.Parse(time.DateOnly, day.text)
		if err != nil {
			return usageError{fmt.Sprintf("%s %q is no day; write YYYY-MM-DD", day.name, day.text)}
		}
		*day.to = at.AddDate(0, 0, day.plus)
	}
	return c.with(e, func(ctx context.Context, s record.Store) error {
		if c.Person != "" {
			p, err := s.ParticipantByCode(ctx, c.Person)
			if err != nil {
				return err
			}
			f.Person = p.ID
		}
		switch c.Account {
		case "", "owner", "command", "system":
			f.Actor = c.Account
		default:
			a, err := s.AccountByLogin(ctx, c.Account)
			if err != nil {
				return err
			}
			f.Actor = fmt.Sprintf("account/%d", a.ID)
		}
		if err := s.Note(ctx, audit.Entry{Action: "see", Entity: "trail"}); err != nil {
			return err
		}
		entries, err := s.Entries(ctx, f)
		if err != nil {
			return err
		}
		names, err := accountNames(ctx, s)
		if err != nil {
			return err
		}
		table := tabwriter.NewWriter(e.out, 0, 0, 2, ' ', 0)
		for i := len(entries) - 1; i >= 0; i-- {
			n := entries[i]
			fmt.Fprintln(table, strings.TrimRight(strings.Join([]string{strconv.FormatInt(n.Seq, 10), n.At, whoIs(n.Actor, names), n.Action, n.Entity,
				strings.TrimSpace(n.Meaning + " " + n.Reason + " " + n.Note)}, "\t"), "\t"))
		}
		return table.Flush()
	})
}

func accountNames(ctx context.Context, s record.Store) (map[string]string, error) {
	list, err := s.ListAccounts(ctx)
	names := map[string]string{}
	for _, a := range list {
		names[fmt.Sprintf("account/%d", a.ID)] = a.Login
	}
	return names, err
}

func whoIs(actor string, names map[string]string) string {
	if name := names[actor]; name != "" {
		return name
	}
	return orDash(actor)
}

type auditExportCmd struct{ trailPlace }

// Run prints the trail.
func (c *auditExportCmd) Run(e *env) error {
	return c.with(e, func(ctx context.Context, s record.Store) error {
		if err := s.Note(ctx, audit.Entry{Action: "export", Entity: "trail"}); err != nil {
			return err
		}
		w := audit.NewWriter(e.out)
		err := s.EachEntry(ctx, func(text []byte, hash audit.Hash) error {
			w.Add(text, hash)
			return nil
		})
		return errors.Join(err, w.End())
	})
}

type auditAnchorCmd struct {
	trailPlace
	keyFile
}

// Help follows the options of the command.
func (c *auditAnchorCmd) Help() string {
	return `The line is worth something where whoever could change the record cannot write: on paper, on another machine, with a key on a medium of its own.

Example: gradus audit anchor --data clinic --key /media/key/audit.key >> kept-anchors.txt`
}

// Run prints the end of the trail.
func (c *auditAnchorCmd) Run(e *env) error {
	key, err := c.keyFile.read()
	if err != nil {
		return err
	}
	return c.with(e, func(ctx context.Context, s record.Store) error {
		head, err := s.Head(ctx)
		if err != nil {
			return err
		}
		a := head.Anchor()
		if key != nil {
			a = a.Sign(key)
		}
		_, err = fmt.Fprintln(e.out, a)
		return err
	})
}
