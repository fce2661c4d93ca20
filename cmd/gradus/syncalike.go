package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"gradus/internal/access"
	"gradus/internal/centre"
	"gradus/internal/record"
)

type syncAlikeCmd struct {
	People    []string `arg:"" optional:"" name:"person" placeholder:"CODE@SITE" help:"The two people about whom is decided, as the list names them."`
	Same      bool     `name:"same" xor:"decision" help:"The two are one person."`
	Different bool     `name:"different" xor:"decision" help:"The two are two people."`
	Undo      bool     `name:"undo" xor:"decision" help:"Take back what was decided about the two."`
	Decided   bool     `name:"decided" xor:"decision" help:"List the decisions instead, those that were taken back too."`
	By        string   `name:"by" placeholder:"NAME" help:"Who decides."`
	Why       string   `name:"why" placeholder:"TEXT" help:"Why."`
	centrePlace
}

// Help follows the options of the command.
func (c *syncAlikeCmd) Help() string {
	return `Two people of one site are merged on their pages. Two of different sites stay two there, and neither site sees anything of what is decided here; files that are de-identified count them as one person, under one study code, and the list leaves them out. A is B and B is C makes one person of all three.

Example: gradus sync alike --same P-001@North P-017@South --by KL --why "same hospital number"`
}

// Run lists pairs, or decides about one.
func (c *syncAlikeCmd) Run(e *env) (err error) {
	decides := c.Same || c.Different || c.Undo
	switch {
	case decides && len(c.People) != 2:
		return usageError{"name two people, as CODE@SITE"}
	case decides && (strings.TrimSpace(c.By) == "" || strings.TrimSpace(c.Why) == ""):
		return usageError{"a decision needs --by NAME and --why TEXT"}
	case !decides && (len(c.People) > 0 || c.By != "" || c.Why != ""):
		return usageError{"say what is decided: --same, --different or --undo"}
	}
	ctx := asCommand()
	store, err := c.open(ctx, e)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	a := comparing{env: e, ctx: ctx, store: store}
	if a.sites, err = store.Sites(ctx); err != nil {
		return err
	}
	switch {
	case decides:
		return a.decide(c)
	case c.Decided:
		return a.decisions()
	}
	return a.pairs()
}

// comparing is a centre in which people are compared.
type comparing struct {
	*env
	ctx   context.Context
	store centre.Store
	sites []record.Site
}

// name is how a person is named here, and found again by find.
func (a *comparing) name(p record.Participant) string {
	for _, s := range a.sites {
		if s.ID == p.Site && s.Name != "" {
			return p.Code + "@" + s.Name
		}
	}
	return fmt.Sprintf("%s@%d", p.Code, p.Site)
}

// find is the person whom CODE@SITE names; the site may be left out where the code is one person's alone.
func (a *comparing) find(name string) (record.Participant, error) {
	var found []record.Participant
	for _, s := range a.sites {
		code := name
		for _, word := range []string{s.Name, fmt.Sprint(s.ID)} {
			if cut, ok := strings.CutSuffix(name, "@"+word); ok && word != "" {
				code = cut
				break
			}
		}
		p, err := a.store.ParticipantAt(a.ctx, s.ID, code)
		switch {
		case errors.Is(err, record.ErrNotFound):
			continue
		case err != nil:
			return p, err
		case code != name:
			return p, nil
		}
		found = append(found, p)
	}
	switch len(found) {
	case 0:
		return record.Participant{}, fmt.Errorf("nobody is named %s; write CODE@SITE as gradus sync alike lists them", name)
	case 1:
		return found[0], nil
	}
	var names []string
	for _, p := range found {
		names = append(names, a.name(p))
	}
	return record.Participant{}, fmt.Errorf("%s is somebody at several sites: %s; name one of these", name, strings.Join(names, ", "))
}

func (a *comparing) decide(c *syncAlikeCmd) error {
	one, err := a.find(c.People[0])
	if err != nil {
		return err
	}
	other, err := a.find(c.People[1])
	if err != nil {
		return err
	}
	if c.Undo {
		return a.undo(c, one, other)
	}
	if _, err := a.store.Link(a.ctx, record.Link{One: one.ID, Other: other.ID, Same: c.Same, By: c.By, Why: c.Why}); err != nil {
		return fmt.Errorf("%s and %s: %w", a.name(one), a.name(other), err)
	}
	_, err = fmt.Fprintf(a.out, "%s and %s: %s from now on; nothing changes at either site\n", a.name(one), a.name(other), decided(c.Same))
	return err
}

func decided(same bool) string {
	if same {
		return "one person"
	}
	return "two people"
}

func (a *comparing) undo(c *syncAlikeCmd, one, other record.Participant) error {
	list, err := a.store.Links(a.ctx)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(list, func(l record.Link) bool {
		return l.Undone.IsZero() && l.One == min(one.ID, other.ID) && l.Other == max(one.ID, other.ID)
	})
	if i < 0 {
		return fmt.Errorf("nothing is decided about just %s and %s; gradus sync alike --decided lists what is", a.name(one), a.name(other))
	}
	if err := a.store.UndoLink(a.ctx, list[i].ID, c.By, c.Why); err != nil {
		return err
	}
	_, err = fmt.Fprintf(a.out, "%s and %s: taken back that they are %s\n", a.name(one), a.name(other), decided(list[i].Same))
	return err
}

// decisions lists what was decided.
func (a *comparing) decisions() error {
	seen := access.Watched(a.store, a.store)
	list, err := seen.Links(a.ctx)
	if err != nil {
		return err
	}
	for _, l := range list {
		one, err := a.store.Participant(a.ctx, l.One)
		if err != nil {
			return err
		}
		other, err := a.store.Participant(a.ctx, l.Other)
		if err != nil {
			return err
		}
		fmt.Fprintf(a.out, "%s and %s: %s (%s, %s: %s)", a.name(one), a.name(other), decided(l.Same), l.By, l.When.Local().Format(time.DateOnly), l.Why)
		if !l.Undone.IsZero() {
			fmt.Fprintf(a.out, "; taken back (%s, %s: %s)", l.UndoneBy, l.Undone.Local().Format(time.DateOnly), l.UndoneWhy)
		}
		fmt.Fprintln(a.out)
	}
	_, err = fmt.Fprintf(a.out, "%d decisions\n", len(list))
	return err
}

// pairs lists who may be one and is not decided about.
func (a *comparing) pairs() error {
	found, err := access.Watched(a.store, a.store).Participants(a.ctx, record.ParticipantFilter{})
	if err != nil {
		return err
	}
	pairs := 0
	for _, p := range found.People {
		others, err := a.store.Duplicates(a.ctx, p)
		if err != nil {
			return err
		}
		for _, d := range others {
			if d.ID <= p.ID {
				continue // told from the other side
			}
			pairs++
			fmt.Fprintf(a.out, "%s and %s: %s\n", a.name(p), a.name(d.Participant), strings.ReplaceAll(strings.Join(d.Why, ", "), "-", " "))
		}
	}
	_, err = fmt.Fprintf(a.out, "%d pairs\n", pairs)
	return err
}
