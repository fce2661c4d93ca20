package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/user"
	"strings"

	"gradus/internal/access"
	"gradus/internal/audit"
	"gradus/internal/record"
)

// asCommand says to the audit trail that a command acts, for the user of the operating system.
func asCommand() context.Context {
	return audit.With(context.Background(), audit.Who{Actor: "command/" + operator()})
}

// operator is the user's name as the operating system gives it, nobody's proof of who sits there.
func operator() string {
	name := os.Getenv("USER")
	if u, err := user.Current(); err == nil {
		name = u.Username
	}
	name = strings.Map(func(c rune) rune {
		if c <= ' ' || c == '/' || c == 0x7f {
			return '_'
		}
		return c
	}, strings.ToValidUTF8(name, "_"))
	if name == "" {
		return "unknown"
	}
	return string([]rune(name)[:min(64, len([]rune(name)))])
}

// commandTrail takes the entries of a command that otherwise only reads. The record is opened for writing when the first
// one comes, beside whoever serves it. Where that cannot be, the command goes on and says so: a record on a read-only
// medium has to be readable, and whoever reads the file itself leaves no entry either.
type commandTrail struct {
	record.Store // what is read
	e            *env
	open         func(context.Context) (record.Store, error)
	write        record.Store
	told         bool
}

// Note enters an entry.
func (t *commandTrail) Note(ctx context.Context, e audit.Entry) (err error) {
	if t.write == nil {
		t.write, err = t.open(ctx)
	}
	if err == nil {
		err = t.write.Note(ctx, e)
	}
	if err != nil && !t.told {
		t.told = true
		fmt.Fprintf(t.e.err, "gradus: that this was read does NOT stand in the audit trail: %v\n", err)
	}
	return nil
}

func (t *commandTrail) close() error {
	if t.write == nil {
		return nil
	}
	return t.write.Close()
}

// looking is a record that a command reads, each look of which is entered.
type looking struct {
	record.Store
	trail *commandTrail
}

func lookAt(e *env, read record.Store, open func(context.Context) (record.Store, error)) record.Store {
	t := &commandTrail{Store: read, e: e, open: open}
	return &looking{access.Watched(read, t), t}
}

// Note enters what no look tells, as an export.
func (l *looking) Note(ctx context.Context, e audit.Entry) error { return l.trail.Note(ctx, e) }

// Close closes the record.
func (l *looking) Close() error { return errors.Join(l.trail.close(), l.Store.Close()) }
