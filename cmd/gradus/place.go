package main

import (
	"context"
	"fmt"
	"net/url"
	"os"

	"gradus/internal/record"
	"gradus/internal/vault"
)

// databaseVariable holds the address of the database, so that no password stands in a command line.
const databaseVariable = "GRADUS_DATABASE"

// databaseFlag names a record on a server.
type databaseFlag struct {
	Database string `name:"database" placeholder:"URL" help:"PostgreSQL database of the record instead of a file, as postgres://user@host/database. With a password put it into GRADUS_DATABASE instead."`
}

// address is the database that was named, "" when none was. What the environment says is taken out of it, so that no
// program that is started from here gets to see it.
func (f databaseFlag) address() (string, error) {
	named := os.Getenv(databaseVariable)
	os.Unsetenv(databaseVariable)
	if f.Database == "" {
		if named != "" && !record.IsDatabase(named) {
			return "", fmt.Errorf("%s: write it as postgres://user@host/database", databaseVariable)
		}
		return named, nil
	}
	return f.Database, checkAddress(f.Database)
}

func checkAddress(address string) error {
	if !record.IsDatabase(address) {
		return usageError{"--database: write it as postgres://user@host/database"}
	}
	u, err := url.Parse(address)
	if err != nil {
		return usageError{"--database: write it as postgres://user@host/database"}
	}
	if _, secret := u.User.Password(); secret || u.Query().Has("password") {
		return usageError{"--database: other users of this machine can read a command line; put an address with a password into " + databaseVariable}
	}
	return nil
}

// openToRead opens a record that a command only reads, and enters its looks in the audit trail: the database that was named, else the directory, else the
// database of the environment, else the user's own directory.
func openToRead(ctx context.Context, e *env, dir string, flag databaseFlag, p passphraseFile) (record.Store, error) {
	if dir != "" && flag.Database != "" {
		return nil, usageError{"--data and --database name two records; give one"}
	}
	if dir == "" {
		address, err := flag.address()
		if err != nil {
			return nil, err
		}
		if address != "" {
			store, err := record.OpenDatabase(ctx, address, record.Options{ReadOnly: true})
			if err != nil {
				return nil, err
			}
			return lookAt(e, store, func(ctx context.Context) (record.Store, error) {
				return record.OpenDatabase(ctx, address, record.Options{})
			}), nil
		}
		if dir, err = dataDir(""); err != nil {
			return nil, err
		}
	}
	k, err := p.key(e, dir)
	if err != nil {
		return nil, err
	}
	store, err := vault.Open(ctx, dir, k, record.Options{ReadOnly: true})
	if err != nil {
		return nil, err
	}
	return lookAt(e, store, func(ctx context.Context) (record.Store, error) { return vault.Open(ctx, dir, k, record.Options{}) }), nil
}
