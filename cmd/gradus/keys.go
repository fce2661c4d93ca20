package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"time"

	"gradus/internal/vault"
	"gradus/internal/whole"
)

type keysCmd struct {
	Make       keysMakeCmd       `cmd:"" help:"Set the passphrase of a new record, where there is no browser."`
	Encrypt    keysEncryptCmd    `cmd:"" help:"Encrypt a record that is not encrypted yet."`
	Passphrase keysPassphraseCmd `cmd:"" help:"Set another passphrase."`
	Recovery   keysRecoveryCmd   `cmd:"" help:"Make a new recovery sheet; the old one opens nothing any more but older backups."`
	Renew      keysRenewCmd      `cmd:"" help:"Give the record another key: after a passphrase or a sheet fell into wrong hands."`
}

// keyed is what all of them need.
type keyed struct {
	Data string `name:"data" placeholder:"DIR" help:"Directory of the record; the user's own data directory when left out."`
	passphraseFile
}

// fresh is where a new passphrase and a new sheet go.
type fresh struct {
	New   string `name:"new-passphrase-file" placeholder:"FILE" help:"File whose first line is the new passphrase; else it is asked for."`
	Sheet string `name:"sheet" placeholder:"FILE" help:"Write the recovery sheet to this file instead of the screen, to be printed and then removed."`
}

func (f fresh) passphrase(e *env) (string, error) {
	if f.New != "" {
		return passphraseFile{f.New}.given()
	}
	if !e.atTerminal() {
		return "", errors.New("there is no terminal to ask for the new passphrase; write it in a file that only you can read and name it with --new-passphrase-file")
	}
	fmt.Fprintf(e.err, "The new passphrase: at least %d characters, better %d or more, such as a sentence of your own.\n", vault.ShortestPassphrase, vault.RecommendedPassphrase)
	first, err := e.hidden("New passphrase")
	if err != nil {
		return "", err
	}
	if err := vault.Check(first); err != nil {
		return "", err
	}
	second, err := e.hidden("The same once more")
	if err == nil && first != second {
		err = errors.New("the two are not the same; nothing was changed")
	}
	return first, err
}

// hand gives the sheet out and, where a person can be asked, has it proved.
func (f fresh) hand(e *env, dir string, r vault.Recovery, now time.Time) error {
	if f.Sheet != "" {
		var text bytes.Buffer
		if err := writeSheet(&text, dir, r, now); err != nil {
			return err
		}
		if err := whole.Write(f.Sheet, text.Bytes()); err != nil {
			return err
		}
		fmt.Fprintf(e.err, "The recovery sheet is in %s; print it, then remove the file.\n", f.Sheet)
		return nil
	}
	if err := writeSheet(e.out, dir, r, now); err != nil {
		return err
	}
	if !e.atTerminal() {
		return nil
	}
	n := 1 + rand.IntN(len(r.Groups()))
	typed, err := e.line(fmt.Sprintf("To show that it is on paper, type group %d from the paper", n))
	if err == nil && !r.Proves(n, typed) {
		err = fmt.Errorf("that is not group %d; nothing was changed", n)
	}
	return err
}

func (c *keyed) dir() (string, error) { return dataDir(c.Data) }

// opened is the key of the record that is there.
func (c *keyed) opened(e *env) (string, *vault.Key, error) {
	dir, err := c.dir()
	if err != nil {
		return "", nil, err
	}
	k, err := c.key(e, dir)
	if err == nil && k == nil {
		err = fmt.Errorf("the record in %s is not encrypted; gradus keys encrypt --data %s does it", dir, dir)
	}
	return dir, k, err
}

type keysMakeCmd struct {
	Data string `name:"data" placeholder:"DIR" help:"Directory of the new record; the user's own data directory when left out."`
	fresh
}

// Run makes the key of a record that is not there yet.
func (c *keysMakeCmd) Run(e *env) error {
	dir, err := dataDir(c.Data)
	if err != nil {
		return err
	}
	if state, err := vault.StateOf(dir); err != nil {
		return err
	} else if state != vault.New {
		return fmt.Errorf("there is a record in %s already; gradus keys encrypt encrypts a plain one", dir)
	}
	d, err := c.draft(e, dir)
	if err != nil {
		return err
	}
	_, err = d.Keep(dir)
	return err
}

// draft asks for a passphrase and hands the sheet out.
func (f fresh) draft(e *env, dir string) (*vault.Draft, error) {
	passphrase, err := f.passphrase(e)
	if err != nil {
		return nil, err
	}
	d, err := vault.Make(passphrase, e.today())
	if err != nil {
		return nil, err
	}
	return d, f.hand(e, dir, d.Recovery, e.today())
}

type keysEncryptCmd struct {
	Data string `name:"data" placeholder:"DIR" help:"Directory of the record; the user's own data directory when left out."`
	fresh
}

// Run encrypts a plain record in its place.
func (c *keysEncryptCmd) Run(e *env) error {
	dir, err := dataDir(c.Data)
	if err != nil {
		return err
	}
	switch state, err := vault.StateOf(dir); {
	case err != nil:
		return err
	case state == vault.Locked:
		return fmt.Errorf("the record in %s is encrypted already", dir)
	case state == vault.New:
		return fmt.Errorf("there is no record in %s; gradus serve makes an encrypted one", dir)
	}
	d, err := c.draft(e, dir)
	if err != nil {
		return err
	}
	if _, err := vault.Encrypt(context.Background(), dir, d); err != nil {
		return err
	}
	fmt.Fprintf(e.out, "The record in %s is encrypted; every value of the copy was compared before the plain file was replaced.\n"+
		"What the plain file left on free parts of the disk is not wiped: on a disk that is not encrypted as a whole it may be found for some time.\n", dir)
	return nil
}

type keysPassphraseCmd struct {
	keyed
	New      string `name:"new-passphrase-file" placeholder:"FILE" help:"File whose first line is the new passphrase; else it is asked for."`
	Recovery string `name:"recovery-file" placeholder:"FILE" help:"File with the recovery key, when the old passphrase is forgotten."`
}

// Run sets another passphrase.
func (c *keysPassphraseCmd) Run(e *env) error {
	dir, k, err := c.unlocked(e)
	if err != nil {
		return err
	}
	passphrase, err := fresh{New: c.New}.passphrase(e)
	if err != nil {
		return err
	}
	if err := k.ChangePassphrase(context.Background(), passphrase); err != nil {
		return err
	}
	fmt.Fprintf(e.out, "The passphrase of %s is changed; the recovery sheet stays as it is. Older backups open with the passphrase of their time.\n", dir)
	return nil
}

func (c *keysPassphraseCmd) unlocked(e *env) (string, *vault.Key, error) {
	if c.Recovery == "" {
		return c.opened(e)
	}
	dir, err := c.dir()
	if err != nil {
		return "", nil, err
	}
	f, err := vault.Load(dir)
	if err != nil {
		return "", nil, err
	}
	text, err := readSmall(c.Recovery, 4<<10)
	if err != nil {
		return "", nil, err
	}
	k, err := f.Recover(string(text))
	return dir, k, err
}

type keysRecoveryCmd struct {
	keyed
	Sheet string `name:"sheet" placeholder:"FILE" help:"Write the recovery sheet to this file instead of the screen, to be printed and then removed."`
}

// Run makes a new recovery sheet.
func (c *keysRecoveryCmd) Run(e *env) error {
	dir, k, err := c.opened(e)
	if err != nil {
		return err
	}
	r := vault.NewRecovery()
	if err := (fresh{Sheet: c.Sheet}).hand(e, dir, r, e.today()); err != nil {
		return err
	}
	return k.ChangeRecovery(context.Background(), r)
}

type keysRenewCmd struct {
	keyed
	fresh
}

// Run gives the record another key.
func (c *keysRenewCmd) Run(e *env) error {
	dir, k, err := c.opened(e)
	if err != nil {
		return err
	}
	d, err := c.draft(e, dir)
	if err != nil {
		return err
	}
	if _, err := vault.Renew(context.Background(), k, d); err != nil {
		return err
	}
	fmt.Fprintf(e.out, "The record in %s has another key. Old backups open with what opened the record when they were made; make a new one now.\n", dir)
	return nil
}

// writeSheet writes the recovery sheet.
func writeSheet(w io.Writer, dir string, r vault.Recovery, now time.Time) error {
	t := &telling{}
	t.say("", "Recovery key of the record in %s, %s", dir, now.Format("2 January 2006"))
	for i, g := range r.Groups() {
		t.say("", "  %d  %s", i+1, g)
	}
	t.say("", "It opens the record, and every backup of it, when the passphrase is forgotten. Keep it on paper, where neither the machine nor the passphrase is: who has it and a copy of the record reads everything.")
	return t.to(w)
}
