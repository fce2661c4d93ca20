package access

import (
	"context"

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

// Entries of a person or a test are for whoever leads its site; all of them are for an administrator.
func (g *guarded) Entries(ctx context.Context, f record.TrailFilter) ([]audit.Entry, error) {
	var err error
	if f.Person != 0 {
		_, _, err = g.person(ctx, OwnSite, f.Person)
	}
	if f.Test != "" && err == nil {
		_, err = g.test(ctx, OwnSite, f.Test)
	}
	if f.Person == 0 && f.Test == "" {
		_, err = Need(ctx, Accounts)
	}
	if err != nil {
		return nil, err
	}
	return g.store.Entries(ctx, f)
}

func (g *guarded) EachEntry(ctx context.Context, do func([]byte, audit.Hash) error) error {
	if _, err := Need(ctx, Accounts); err != nil {
		return err
	}
	return g.store.EachEntry(ctx, do)
}

func (g *guarded) VerifyTrail(ctx context.Context, anchors []audit.Anchor) (audit.Head, []audit.Fault, error) {
	if _, err := Need(ctx, Accounts); err != nil {
		return audit.Head{}, nil, err
	}
	return g.store.VerifyTrail(ctx, anchors)
}
