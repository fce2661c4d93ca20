package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"text/tabwriter"
	"time"

	"gradus/internal/record"
)

type filesCmd struct {
	Data string `type:"path" placeholder:"DIR" help:"Data directory. Default: the user's own."`
	databaseFlag
	passphraseFile

	To    string `name:"to" placeholder:"DIR" help:"Write the files there, into folders protocols, verified and mappings. One that is there already stays."`
	Codes string `name:"codes" placeholder:"FILE.csv" help:"Write the study codes of de-identified exports: who is who. Keep that file apart from the data."`
	Site  int64  `name:"site" default:"1" help:"With --codes: number of the site (${default})."`
}

// Help follows the options of the command.
func (c *filesCmd) Help() string {
	return `A record keeps the site's own protocols, its comparisons of equations with their papers, the mappings of its spreadsheets and its study codes. Without an option they are listed. It may run beside the server; a look at the study codes is entered in the audit trail.

Example: gradus files --data clinic --to own, then gradus score day-1.csv --verified own/verified`
}

// fileFolders are the kinds that can be written out, with their folders.
var fileFolders = []struct{ kind, folder string }{{record.FileProtocol, "protocols"}, {record.FileVerified, "verified"}, {record.FileMapping, "mappings"}}

// Run lists the files or writes them.
func (c *filesCmd) Run(e *env) (err error) {
	if c.To != "" && c.Codes != "" {
		return usageError{"give --to or --codes"}
	}
	ctx := asCommand()
	store, err := openToRead(ctx, e, c.Data, c.databaseFlag, c.passphraseFile)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	if c.Codes != "" {
		return c.codes(ctx, e, store)
	}
	table := tabwriter.NewWriter(e.out, 0, 0, 2, ' ', 0)
	for _, of := range fileFolders {
		list, err := store.FilesOf(ctx, of.kind)
		if err != nil {
			return err
		}
		for _, f := range list {
			if c.To != "" {
				if err := c.write(of.folder, f); err != nil {
					return err
				}
			}
			fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\n", f.Kind, f.Name, f.Version, f.At.Local().Format(time.DateOnly), f.By)
		}
	}
	return table.Flush()
}

// write puts a file where none is.
func (c *filesCmd) write(folder string, f record.File) error {
	name := filepath.Join(c.To, folder, f.Name+".yaml")
	if f.Version != "" {
		name = filepath.Join(c.To, folder, f.Name, f.Version+".yaml")
	}
	if err := os.MkdirAll(filepath.Dir(name), 0o700); err != nil {
		return err
	}
	if _, err := os.Stat(name); err == nil {
		return fmt.Errorf("%s is there already; name another directory", name)
	}
	return put(io.Discard, name, func(out io.Writer) error {
		_, err := out.Write(f.Content)
		return err
	})
}

func (c *filesCmd) codes(ctx context.Context, e *env, store record.Store) error {
	codes, err := store.StudyCodes(ctx, c.Site)
	if err != nil {
		return err
	}
	if len(codes) == 0 {
		return fmt.Errorf("site %d has no study codes; they are drawn when a de-identified file is made on the pages", c.Site)
	}
	if _, err := os.Stat(c.Codes); err == nil {
		return fmt.Errorf("%s is there already; name another file", c.Codes)
	}
	if err := writeCodes(c.Codes, codes); err != nil {
		return err
	}
	_, err = fmt.Fprintf(e.out, "%s: %d study codes\n", c.Codes, len(codes))
	return err
}
