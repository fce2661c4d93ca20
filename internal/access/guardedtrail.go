package access

import (
	"context"
	"strings"

	"gradus/internal/audit"
	"gradus/internal/record"
)

// Note enters what was seen, exported or refused.
func (g *guarded) Note(ctx context.Context, e audit.Entry) error {
	if _, err := Need(ctx, Read); err != nil {
		return err
	}
	return g.store.Note(ctx, e)
}

// Head tells nothing of anybody; papers print it.
func (g *guarded) Head(ctx context.Context) (audit.Head, error) {
	if _, err := Need(ctx, Read); err != nil {
		return audit.Head{}, err
	}
	return g.store.Head(ctx)
}

// Entries of a person or a test are for whoever leads its site, as are all of that site; those of every site are for an
// administrator.
func (g *guarded) Entries(ctx context.Context, f record.TrailFilter) ([]audit.Entry, error) {
	var err error
	if f.Person != 0 {
		_, _, err = g.person(ctx, OwnSite, f.Person)
	}
	if f.Test != "" && err == nil {
		_, err = g.test(ctx, OwnSite, f.Test)
	}
	if err != nil {
		return nil, err
	}
	p, err := Need(ctx, OwnSite)
	if err != nil {
		return nil, err
	}
	if p.May(Accounts) {
		return g.store.Entries(ctx, f)
	}
	f.Site = ownSite(p, f.Site)
	list, err := g.store.Entries(ctx, f)
	for i := range list {
		if p.Site != 0 && list[i].Entity == "people" && !strings.HasPrefix(list[i].Actor, "account/") {
			list[i].Note = "" // it may number people of other sites
		}
	}
	return list, err
}

func (g *guarded) EachEntry(ctx context.Context, do func([]byte, audit.Hash) error) error {
	if _, err := Need(ctx, Accounts); err != nil {
		return err
	}
	return g.store.EachEntry(ctx, do)
}

// VerifyTrail tells whoever leads one site of several that something is wrong, but not with what of another site.
func (g *guarded) VerifyTrail(ctx context.Context, anchors []audit.Anchor) (audit.Head, []audit.Fault, error) {
	p, err := Need(ctx, OwnSite)
	if err != nil {
		return audit.Head{}, nil, err
	}
	head, faults, err := g.store.VerifyTrail(ctx, anchors)
	if p.Site != 0 && !p.May(Accounts) {
		for i := range faults {
			faults[i].Entity = ""
		}
	}
	return head, faults, err
}
