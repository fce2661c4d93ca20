package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"strings"
	"text/tabwriter"

	"gradus/internal/audit"
	"gradus/internal/record"
	"gradus/internal/vault"
	"gradus/internal/web"
)

type moveCmd struct {
	From  string `name:"from" required:"" placeholder:"DIR|URL" help:"The record to copy: a data directory, or a database as postgres://user@host/database."`
	To    string `name:"to" required:"" placeholder:"DIR|URL" help:"Where to: a new directory or an empty database."`
	Plain bool   `name:"plain" help:"Make the record in a new directory without encryption."`
	passphraseFile
}

// Help follows the options of the command.
func (c *moveCmd) Help() string {
	return `Copies everything, reads both records and compares them table by table, and keeps the copy only when they are the same. The first record is left as it is. Stop every server of both before.

A password does not belong in a command line: an address in GRADUS_DATABASE with a password is used where --from or --to is the same without it; the password file of PostgreSQL is read as well.

Example: gradus move --from clinic --to postgres://gradus@db.example.org/gradus`
}

// Run moves a record.
func (c *moveCmd) Run(e *env) (err error) {
	if c.From == c.To {
		return usageError{"--from and --to are the same"}
	}
	ctx := context.Background()
	named := os.Getenv(databaseVariable)
	os.Unsetenv(databaseVariable)
	from, err := c.open(ctx, e, c.From, named, false)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, from.Close()) }()
	to, err := c.open(ctx, e, c.To, named, true)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, to.Close()) }()
	head, err := from.Head(ctx)
	if err != nil {
		return err
	}
	table := tabwriter.NewWriter(e.out, 0, 0, 2, ' ', 0)
	if err := record.Move(ctx, from, to, func(m record.Moved) {
		fmt.Fprintf(table, "%s\t%d\t%s\n", m.Table, m.Rows, m.Digest[:16])
	}); err != nil {
		return err
	}
	if !record.IsDatabase(c.From) { // what an earlier version laid beside the record, and no server has taken over yet
		if _, err := web.TakeOver(ctx, c.From, to, false); err != nil {
			return err
		}
	}
	if !record.IsDatabase(c.To) {
		if err := web.WriteCard(ctx, c.To, to); err != nil {
			return err
		}
	}
	if err := errors.Join(table.Flush(), to.Check(ctx)); err != nil {
		return err
	}
	if err := verifyMoved(ctx, e.out, to, head); err != nil {
		return err
	}
	fmt.Fprintln(e.out, "Everything is there, and the same. Each line: table, rows, and the sum of its content, equal in both.")
	return nil
}

// verifyMoved follows the audit trail that came along, past the end that it had where it came from, and holds the new record
// against it.
func verifyMoved(ctx context.Context, out io.Writer, to record.Store, head audit.Head) error {
	now, faults, err := to.VerifyTrail(ctx, []audit.Anchor{head.Anchor()})
	if err != nil {
		return err
	}
	if len(faults) > 0 {
		fmt.Fprintln(out, "The audit trail of the new record does not verify. Do not use it; look with 'gradus audit verify' whether the old one does.")
		return tellTrail(out, now, faults, 1, "")
	}
	fmt.Fprintf(out, "The audit trail came along whole, past %s: %d entries, and the new record is as they say.\n", head.Short(), now.Seq)
	return nil
}

func (c *moveCmd) open(ctx context.Context, e *env, place, named string, fresh bool) (record.Movable, error) {
	if strings.Contains(place, "://") {
		if err := checkAddress(place); err != nil {
			return nil, err
		}
		return record.OpenDatabase(ctx, withSecret(place, named), record.Options{})
	}
	state, err := vault.StateOf(place)
	if err != nil {
		return nil, err
	}
	if state == vault.Locked {
		return c.opening(ctx, e, place, record.Options{})
	}
	if fresh && !c.Plain {
		return nil, usageError{"--to names a directory: make an encrypted record there first and give --passphrase-file, or say --plain"}
	}
	if !fresh {
		s, err := record.Open(ctx, place, record.Options{ReadOnly: true}) // it must be there and complete
		if err != nil {
			return nil, err
		}
		if err := s.Close(); err != nil {
			return nil, err
		}
	}
	return record.Open(ctx, place, record.Options{})
}

// withSecret is the address of the environment where it names the same database with a password.
func withSecret(address, named string) string {
	u, err := url.Parse(named)
	if err != nil || u.User == nil {
		return address
	}
	u.User = url.User(u.User.Username())
	if u.String() == address {
		return named
	}
	return address
}
