package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"gradus/estimate"
	"gradus/internal/exchange/grid"
	"gradus/internal/intake"
	"gradus/internal/mapping"
	"gradus/internal/record"
	"gradus/internal/vault"
)

// accepting is how what was looked at goes into the record.
type accepting struct {
	Data   string `name:"data" type:"path" placeholder:"DIR" help:"Data directory of the record: says who is known and what is there already."`
	Accept bool   `name:"accept" help:"Store it, all or nothing. Without it nothing is stored."`
	By     string `name:"by" placeholder:"NAME" help:"Who accepts it; needed with --accept."`
	Plain  bool   `name:"plain" help:"Where there is no record yet, make one that is not encrypted."`
	passphraseFile
}

func (c *accepting) check() error {
	switch {
	case c.Accept && c.Data == "":
		return usageError{"--accept needs --data DIR, the record that takes it"}
	case c.Accept && strings.TrimSpace(c.By) == "":
		return usageError{"--accept needs --by NAME: who has looked at it"}
	}
	return nil
}

// store opens the record; nil when none is named.
func (c *accepting) store(ctx context.Context, e *env) (record.Store, error) {
	if c.Data == "" {
		return nil, nil
	}
	if c.Plain && c.Accept {
		switch state, err := vault.StateOf(c.Data); {
		case err != nil:
			return nil, err
		case state == vault.New:
			return record.Open(ctx, c.Data, record.Options{})
		}
	}
	return c.opening(ctx, e, c.Data, record.Options{ReadOnly: !c.Accept})
}

// bringIn stores a batch and says what is new.
func (c *accepting) bringIn(ctx context.Context, t *telling, store record.Store, b record.Batch) error {
	b.By = c.By
	added, err := store.BringIn(ctx, b)
	if err != nil {
		return fmt.Errorf("%w; nothing was stored", err)
	}
	if added.None() {
		t.say("", "The record has all of it already; nothing was added.")
		return nil
	}
	t.say("", "Stored: %s, %s, %s, %s.", some(added.People, "new person", "new people"), some(added.Visits, "visit", "visits"), some(added.Tests, "test", "tests"), some(added.Facts, "note of what was found", "notes of what was found"))
	return nil
}

func some(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}

type importSheetsCmd struct {
	File     string `arg:"" name:"file" placeholder:"FILE" help:"A spreadsheet: XLSX, or CSV with commas, semicolons or tabs."`
	Mapping  string `name:"mapping" required:"" placeholder:"FILE.yaml" help:"Which column is what; write it once (docs/mappings.md), or match the columns on the page."`
	Sheet    string `name:"sheet" placeholder:"NAME" help:"Sheet of an XLSX file, where the mapping names none."`
	Today    string `name:"today" placeholder:"DATE" help:"The day that counts as today (year-month-day); later dates are refused."`
	LeaveOut bool   `name:"leave-out" help:"Accept although some rows have problems: those are left out."`
	accepting
}

// Run shows what a spreadsheet holds and, when it is accepted, stores it.
func (c *importSheetsCmd) Run(e *env) (err error) {
	if err := c.check(); err != nil {
		return err
	}
	now := e.today()
	if c.Today != "" {
		if now, err = time.ParseInLocation(time.DateOnly, c.Today, time.Local); err != nil {
			return usageError{fmt.Sprintf("--today %q is not a date written year-month-day, such as 2026-03-02", c.Today)}
		}
	}
	m, err := mapping.Load(c.Mapping)
	if err != nil {
		return err
	}
	table, digest, err := readGrid(c.File, m, c.Sheet)
	if err != nil {
		return err
	}
	ctx := asCommand()
	store, err := c.store(ctx, e)
	if err != nil {
		return err
	}
	if store != nil {
		defer func() { err = errors.Join(err, store.Close()) }()
	}
	look, err := intake.Sheets(ctx, store, table, digest, m, planReader(false, ""), now)
	if err != nil {
		return err
	}
	t := &telling{}
	tellLook(t, look)
	batch, err := look.Batch(c.By, now)
	if err != nil {
		return err
	}
	refused := c.Accept && len(look.Problems) > 0 && !c.LeaveOut
	switch {
	case refused:
		t.say("", "Nothing was stored, because of the problems. Put them right in the file, or leave these rows out with --leave-out.")
	case c.Accept:
		if err := c.bringIn(ctx, t, store, batch); err != nil {
			return err
		}
	case len(batch.People) == 0:
		t.say("", "There is nothing to store.")
	default:
		t.say("", "Nothing is stored yet: --accept --by NAME --data DIR stores it.")
	}
	if err := t.to(e.out); err != nil {
		return err
	}
	if refused || !c.Accept && len(look.Problems) > 0 {
		return errReported
	}
	return nil
}

// readGrid reads a spreadsheet as a mapping says it is to be read.
func readGrid(name string, m *mapping.Mapping, sheet string) (*grid.Table, string, error) {
	data, err := readSmall(name, grid.MostBytes)
	if err != nil {
		return nil, "", err
	}
	if sheet == "" {
		sheet = m.Sheet
	}
	table, err := grid.Read(name, data, sheet, m.Head)
	return table, intake.Digest(data), err
}

func tellLook(t *telling, l *intake.Look) {
	n := l.Counts()
	where := l.File
	if l.Sheet != "" {
		where += ", sheet " + l.Sheet
	}
	t.say("", "%s: %s (%d new), %s (%d new), %s, %s.", where, some(n.People, "person", "people"), n.NewPeople, some(n.Tests, "test", "tests"), n.NewTests,
		some(n.Readings, "reading", "readings"), some(n.Estimates, "estimate", "estimates"))
	if len(l.People) > 0 {
		t.gap()
	}
	for i := range l.People {
		p := &l.People[i]
		who := p.Code
		if p.Name != "" {
			who += ", " + p.Name
		}
		if p.New() {
			who += " (new)"
		}
		t.say("", "%s", who)
		for k := range p.Tests {
			one := &p.Tests[k]
			text := fmt.Sprintf("%s, %s, row %d: %s; %s", one.Person.Date, one.Protocol.ID, one.Row, some(one.Readings, "reading", "readings"), estimateText(&one.Judged))
			if one.There {
				text += " (in the record already)"
			}
			t.say("    ", "  %s.", text)
		}
	}
	for _, part := range []struct {
		title string
		list  []grid.Place
	}{{"To be known:", l.Notes}, {"Problems; these rows are left out:", l.Problems}} {
		if len(part.list) == 0 {
			continue
		}
		t.gap()
		t.say("", "%s", part.title)
		for _, p := range firstOf(part.list, mostTold) {
			t.say("    ", "  %s.", strings.TrimSuffix(p.String(), "."))
		}
		if more := len(part.list) - mostTold; more > 0 {
			t.say("    ", "  and %d more.", more)
		}
	}
	t.gap()
}

const mostTold = 200

func firstOf[T any](list []T, most int) []T { return slices.Clip(list[:min(len(list), most)]) }

// estimateText is an estimate with its range, or why there is none.
func estimateText(a *estimate.Assessment) string {
	e := a.Estimate
	switch {
	case e == nil:
		return "no estimate: " + a.NoEstimate
	case !e.Value.Present():
		return "no estimate: " + e.Why
	}
	of := e.NoError
	if of == "" {
		of = fmt.Sprintf("95 %% range %s to %.1f", e.Low95Text(1), float64(e.High95))
	}
	return fmt.Sprintf("estimate %.1f %s (%s), %s", float64(e.Value), e.Unit, of, a.Verdict)
}
