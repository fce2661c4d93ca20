package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/term"

	"gradus/internal/record"
	"gradus/internal/vault"
)

// passphraseFile says where a passphrase comes from when nobody sits at a terminal.
type passphraseFile struct {
	Passphrase string `name:"passphrase-file" placeholder:"FILE" help:"File whose first line is the passphrase of the encrypted record; else it is asked for."`
}

// credential is the name of the passphrase among the credentials that systemd hands to a service.
const credential = "gradus-passphrase"

// given is the passphrase from the named file, or from a credential of systemd; "" when there is neither.
func (p passphraseFile) given() (string, error) {
	name := p.Passphrase
	if dir := os.Getenv("CREDENTIALS_DIRECTORY"); name == "" && dir != "" {
		if _, err := os.Stat(filepath.Join(dir, credential)); err == nil {
			name = filepath.Join(dir, credential)
		}
	}
	if name == "" {
		return "", nil
	}
	text, err := readSmall(name, 64<<10)
	if err != nil {
		return "", err
	}
	line, _, _ := strings.Cut(string(text), "\n")
	if line = strings.TrimSuffix(line, "\r"); line == "" {
		return "", fmt.Errorf("%s: its first line is empty; write the passphrase there", name)
	}
	return line, nil
}

// ask reads the passphrase from the file, or from the person at the terminal.
func (p passphraseFile) ask(e *env, what string) (string, error) {
	if text, err := p.given(); text != "" || err != nil {
		return text, err
	}
	return e.hidden(what)
}

// hidden asks a question at the terminal and does not show the answer.
func (e *env) hidden(what string) (string, error) {
	f, ok := e.in.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return "", errors.New("the record is encrypted and there is no terminal to ask for its passphrase; write it in a file that only you can read and name it with --passphrase-file")
	}
	fmt.Fprint(e.err, what+": ")
	text, err := term.ReadPassword(int(f.Fd()))
	fmt.Fprintln(e.err)
	return string(text), err
}

// line asks a question and shows the answer.
func (e *env) line(what string) (string, error) {
	fmt.Fprint(e.err, what+": ")
	line, err := bufio.NewReader(e.in).ReadString('\n')
	if errors.Is(err, io.EOF) && line != "" {
		err = nil
	}
	return strings.TrimSpace(line), err
}

// atTerminal reports whether a person can be asked.
func (e *env) atTerminal() bool {
	f, ok := e.in.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// key opens the key of a data directory: nil for a plain record. A record that is not there is an error.
func (p passphraseFile) key(e *env, dir string) (*vault.Key, error) {
	state, err := vault.StateOf(dir)
	switch {
	case err != nil:
		return nil, err
	case state == vault.Plain:
		return nil, nil
	case state == vault.New:
		return nil, fmt.Errorf("%s: %w; make it with 'gradus serve' or 'gradus keys make', or name its directory with --data", filepath.Join(dir, record.FileName), record.ErrMissing)
	}
	f, err := vault.Load(dir)
	if err != nil {
		return nil, err
	}
	text, err := p.ask(e, "Passphrase of the record in "+dir)
	if err != nil {
		return nil, err
	}
	return f.Unlock(text)
}

// reading is how a command gets at a record that it only reads.
func (p passphraseFile) reading(ctx context.Context, e *env, dir string) (*record.SQLite, error) {
	return p.opening(ctx, e, dir, record.Options{ReadOnly: true})
}

// opening is how a command gets at a record that is there.
func (p passphraseFile) opening(ctx context.Context, e *env, dir string, o record.Options) (*record.SQLite, error) {
	k, err := p.key(e, dir)
	if err != nil {
		return nil, err
	}
	return vault.Open(ctx, dir, k, o)
}
