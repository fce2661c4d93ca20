package web

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"gradus/internal/exchange"
	"gradus/internal/record"
)

const codesFile = "study-codes.csv" // where study codes lay before the record kept them

// TakeOver keeps in a record what earlier versions laid beside it in the data directory, and removes those files when
// remove says so. What does not fit with what the record has stays where it is and is told.
func TakeOver(ctx context.Context, dir string, store record.Store, remove bool) (kept []string, err error) {
	t := taking{dir: dir, store: store, remove: remove}
	return t.kept, errors.Join(t.codes(ctx))
}

type taking struct {
	dir    string
	store  record.Store
	remove bool
	kept   []string
}

// done removes a file that the record has now.
func (t *taking) done(name string) error {
	t.kept = append(t.kept, name)
	if !t.remove {
		return nil
	}
	return os.Remove(filepath.Join(t.dir, name))
}

// codes takes over the study codes, each to the site that has such a person, else to the first one.
func (t *taking) codes(ctx context.Context) error {
	data, err := os.ReadFile(filepath.Join(t.dir, codesFile))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	codes, err := exchange.ReadCodes(codesFile, data)
	if err != nil {
		return err
	}
	bySite, err := t.sitesOf(ctx, codes)
	if err != nil {
		return err
	}
	for site, own := range bySite {
		all, err := t.store.KeepStudyCodes(ctx, site, own)
		if err != nil {
			return err
		}
		for who, code := range own {
			if all[who] != code {
				return fmt.Errorf("%s: %s has another code in the record, or the code is another person's; the file stays where it is, put it right or move it away", filepath.Join(t.dir, codesFile), who)
			}
		}
	}
	return t.done(codesFile)
}

func (t *taking) sitesOf(ctx context.Context, codes map[string]string) (map[int64]map[string]string, error) {
	sites, err := t.store.Sites(ctx)
	if err != nil {
		return nil, err
	}
	bySite := map[int64]map[string]string{}
	for who, code := range codes {
		at := sites[0].ID
		i := slices.IndexFunc(sites, func(s record.Site) bool {
			p, err := t.store.ParticipantAt(ctx, s.ID, who)
			return err == nil && p.Code == who
		})
		if i >= 0 {
			at = sites[i].ID
		}
		if bySite[at] == nil {
			bySite[at] = map[string]string{}
		}
		bySite[at][who] = code
	}
	return bySite, nil
}
