package access

import (
	"context"
	"time"

	"gradus/internal/record"
)

// fileRights say who reads and who keeps a kind of file. A kind that stands not here is nobody's but an administrator's.
var fileRights = map[string]struct{ read, keep Right }{
	record.FileProtocol: {Read, Plans},
	record.FileVerified: {Read, Plans},
	record.FileCard:     {Read, OwnSite},
	record.FileMapping:  {Decide, Decide},
	record.FileUpload:   {Decide, Decide},
}

func mayRead(ctx context.Context, kind string) error {
	r, known := fileRights[kind]
	if !known {
		r.read = Accounts
	}
	_, err := Need(ctx, r.read)
	return err
}

func mayKeep(ctx context.Context, kind string) (Principal, error) {
	r, known := fileRights[kind]
	if !known {
		r.keep = Accounts
	}
	return Need(ctx, r.keep)
}

func (g *guarded) File(ctx context.Context, kind, name, version string) (record.File, error) {
	if err := mayRead(ctx, kind); err != nil {
		return record.File{}, err
	}
	return g.store.File(ctx, kind, name, version)
}

func (g *guarded) FilesOf(ctx context.Context, kind string) ([]record.File, error) {
	if err := mayRead(ctx, kind); err != nil {
		return nil, err
	}
	return g.store.FilesOf(ctx, kind)
}

func (g *guarded) KeepFile(ctx context.Context, f record.File, over bool) (record.File, error) {
	p, err := mayKeep(ctx, f.Kind)
	if err != nil {
		return record.File{}, err
	}
	f.By = p.Name
	return g.store.KeepFile(ctx, f, over)
}

func (g *guarded) DropFiles(ctx context.Context, kind, name string) error {
	if _, err := mayKeep(ctx, kind); err != nil {
		return err
	}
	return g.store.DropFiles(ctx, kind, name)
}

func (g *guarded) DropOldFiles(ctx context.Context, kind string, age time.Duration, most int) error {
	if _, err := mayKeep(ctx, kind); err != nil {
		return err
	}
	return g.store.DropOldFiles(ctx, kind, age, most)
}

// StudyCodes tell who is who in a de-identified file: they are for whoever hands such files out.
func (g *guarded) StudyCodes(ctx context.Context, site int64) (map[string]string, error) {
	p, err := Need(ctx, Decide)
	if err != nil {
		return nil, err
	}
	return g.store.StudyCodes(ctx, ownSite(p, site))
}

func (g *guarded) KeepStudyCodes(ctx context.Context, site int64, codes map[string]string) (map[string]string, error) {
	p, err := Need(ctx, Decide)
	if err != nil {
		return nil, err
	}
	return g.store.KeepStudyCodes(ctx, ownSite(p, site), codes)
}
