package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"text/tabwriter"
	"time"

	"gradus/internal/eventfile"
	"gradus/internal/record"
)

type logCmd struct {
	Test string `arg:"" optional:"" help:"Id of the test. Without it: list the tests."`
	Data string `type:"path" placeholder:"DIR" help:"Data directory. Default: the user's own."`
	databaseFlag
	passphraseFile
}

// Help follows the options of the command.
func (c *logCmd) Help() string {
	return `Prints the events of a recorded test as JSON lines, which gradus replay reads. It may run beside the server, and that it was read is entered in the audit trail.

Example: gradus log t-20260102 --data clinic | gradus replay -`
}

// Run prints the events of a test, or the tests.
func (c *logCmd) Run(e *env) (err error) {
	ctx := asCommand()
	store, err := openToRead(ctx, e, c.Data, c.databaseFlag, c.passphraseFile)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	if c.Test == "" {
		return listTests(ctx, store, e.out)
	}
	events, err := store.Events(ctx, c.Test)
	if errors.Is(err, record.ErrNotFound) {
		return fmt.Errorf("%w; gradus log without a test lists them", err)
	}
	if err != nil {
		return err
	}
	return eventfile.Write(e.out, events)
}

func listTests(ctx context.Context, store record.Store, out io.Writer) error {
	tests, err := store.Tests(ctx, record.TestFilter{})
	if err != nil {
		return err
	}
	codes := map[int64]string{}
	table := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, t := range tests {
		code, known := codes[t.Participant]
		if t.Participant != 0 && !known {
			p, err := store.Participant(ctx, t.Participant)
			if err != nil {
				return err
			}
			code, codes[t.Participant] = p.Code, p.Code
		}
		fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s %s\n", t.ID, t.Created.Format(time.RFC3339), orDash(code), standing(t), t.Protocol, t.Version)
	}
	return table.Flush()
}

func standing(t record.Test) string {
	text := "closed"
	if t.Running() {
		text = "running"
	}
	if t.Demo {
		text += " (demo)"
	}
	return text
}

func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}
