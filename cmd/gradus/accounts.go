package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"text/tabwriter"
	"time"

	"gradus/internal/access"
	"gradus/internal/record"
	"gradus/internal/web"
)

type accountsCmd struct {
	Add   accountsAddCmd   `cmd:"" help:"Add an account and print the one-time code with which its person chooses a password."`
	List  accountsListCmd  `cmd:"" help:"List the accounts with their roles."`
	Reset accountsResetCmd `cmd:"" help:"Print a new one-time code for an account whose password or second factor is lost."`
}

// accountsPlace is the record whose accounts are meant.
type accountsPlace struct {
	Data string `name:"data" type:"path" placeholder:"DIR" help:"Data directory. Default: the user's own."`
	databaseFlag
	passphraseFile
}

func (p *accountsPlace) open(ctx context.Context, e *env) (record.Store, error) {
	if p.Data != "" && p.Database != "" {
		return nil, usageError{"--data and --database name two records; give one"}
	}
	dir := p.Data
	if dir == "" {
		address, err := p.address()
		if err != nil {
			return nil, err
		}
		if address != "" {
			return record.OpenDatabase(ctx, address, record.Options{})
		}
		if dir, err = dataDir(""); err != nil {
			return nil, err
		}
	}
	return p.opening(ctx, e, dir, record.Options{})
}

// with runs do on the open record.
func (p *accountsPlace) with(e *env, do func(context.Context, record.Store) error) (err error) {
	ctx := asCommand()
	store, err := p.open(ctx, e)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	return do(ctx, store)
}

type accountsAddCmd struct {
	Login string `arg:"" name:"name" help:"Sign-in name: small letters, digits, and . - _ @"`
	Role  string `name:"role" required:"" placeholder:"ROLE" help:"student, clinician, site-lead, researcher or administrator; several with commas between."`
	Name  string `name:"full-name" placeholder:"TEXT" help:"As papers and pages show it; the sign-in name when left out."`
	Site  int64  `name:"site" default:"1" placeholder:"N" help:"Number of the site (${default})."`
	accountsPlace
}

// commandLine is who acts on the command line, where whoever may read the record may do everything.
const commandLine = "command line"

// Run adds an account. The first has to be an administrator's, or nobody could add others.
func (c *accountsAddCmd) Run(e *env) error {
	roles, err := access.ParseRoles(c.Role)
	if err != nil {
		return usageError{"--role: " + err.Error()}
	}
	return c.with(e, func(ctx context.Context, store record.Store) error {
		list, err := store.ListAccounts(ctx)
		if err != nil {
			return err
		}
		if len(list) == 0 && !strings.Contains(strings.Join(roles, " "), string(access.Administrator)) {
			return fmt.Errorf("there is no account yet: the first one needs the role administrator, or nobody could add others (--role %s,administrator)", strings.Join(roles, ","))
		}
		name := c.Name
		if name == "" {
			name = c.Login
		}
		a, err := store.AddAccount(ctx, record.Account{Login: c.Login, Name: name, Roles: roles, Site: c.Site, Handle: web.NewHandle(), CreatedBy: commandLine})
		if err != nil {
			return err
		}
		fmt.Fprintf(e.out, "Account %s (%s) was added. From now on everybody has to sign in.\n", a.Login, strings.Join(a.Roles, ", "))
		return tellCode(ctx, e, store, a)
	})
}

// tellCode prints a one-time code this once; the record keeps its hash.
func tellCode(ctx context.Context, e *env, store record.Store, a record.Account) error {
	code, until, err := web.NewReset(ctx, store, a.ID, commandLine, e.today())
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(e.out, "One-time code for %s, until %s: %s\nOpen /start on the pages and choose a password with it.\n", a.Login, until.Local().Format("2006-01-02 15:04"), code)
	return err
}

type accountsListCmd struct{ accountsPlace }

// Run lists the accounts.
func (c *accountsListCmd) Run(e *env) error {
	return c.with(e, func(ctx context.Context, store record.Store) error {
		list, err := store.ListAccounts(ctx)
		if err != nil {
			return err
		}
		if len(list) == 0 {
			_, err := fmt.Fprintln(e.out, "There are no accounts; nobody has to sign in. Add one with gradus accounts add.")
			return err
		}
		t := tabwriter.NewWriter(e.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "name\troles\tsite\tadded\tstanding")
		for _, a := range list {
			standing := "open"
			if !a.Disabled.IsZero() {
				standing = "disabled"
			} else if a.Password == "" {
				standing = "no password"
			}
			fmt.Fprintf(t, "%s\t%s\t%d\t%s\t%s\n", a.Login, strings.Join(a.Roles, ","), a.Site, a.Created.Local().Format(time.DateOnly), standing)
		}
		return t.Flush()
	})
}

type accountsResetCmd struct {
	Login string `arg:"" name:"name" help:"Sign-in name."`
	accountsPlace
}

// Run makes a one-time code and takes password, one-time codes and sessions from the account, not its passkeys.
func (c *accountsResetCmd) Run(e *env) error {
	return c.with(e, func(ctx context.Context, store record.Store) error {
		a, err := store.AccountByLogin(ctx, c.Login)
		if errors.Is(err, record.ErrNotFound) {
			return fmt.Errorf("there is no account %q; gradus accounts list shows them", c.Login)
		}
		if err != nil {
			return err
		}
		if a, err = store.ChangeAccount(ctx, a.ID, func(a *record.Account) error {
			a.Password, a.TOTP, a.TOTPStep, a.Disabled = "", "", 0, time.Time{}
			return nil
		}); err != nil {
			return err
		}
		if err := errors.Join(store.SetRecoveryCodes(ctx, a.ID, nil), store.EndSessions(ctx, a.ID, "", "")); err != nil {
			return err
		}
		return tellCode(ctx, e, store, a)
	})
}
