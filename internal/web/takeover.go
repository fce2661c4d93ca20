package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"gradus/internal/exchange"
	"gradus/internal/record"
)

const codesFile = "study-codes.csv" // where study codes lay before the record kept them

// TakeOver keeps in a record what earlier versions laid beside it in the data directory, and removes those files when
// remove says so. What does not fit with what the record has stays where it is and is told.
func TakeOver(ctx context.Context, dir string, store record.Store, remove bool) (kept []string, err error) {
	t := taking{dir: dir, store: store, remove: remove}
	return t.kept, errors.Join(t.codes(ctx), t.texts(ctx), t.cards(ctx))
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

// texts takes over protocols (one folder for each, one file for each version), comparisons and mappings.
func (t *taking) texts(ctx context.Context) (err error) {
	for _, of := range []struct{ kind, pattern string }{{record.FileProtocol, "protocols/*/*.yaml"}, {record.FileVerified, "verified/*.yaml"}, {record.FileMapping, "mappings/*.yaml"}} {
		names, globbing := fs.Glob(os.DirFS(t.dir), of.pattern)
		err = errors.Join(err, globbing)
		for _, name := range names {
			err = errors.Join(err, t.text(ctx, of.kind, name))
		}
		t.tidy(of.pattern)
	}
	return err
}

// text takes over one file. A version that the record has with another content stays where it is.
func (t *taking) text(ctx context.Context, kind, name string) error {
	content, err := os.ReadFile(filepath.Join(t.dir, filepath.FromSlash(name)))
	if err != nil {
		return err
	}
	f := record.File{Kind: kind, Name: strings.TrimSuffix(path.Base(name), ".yaml"), Content: content}
	if kind == record.FileProtocol {
		f.Name, f.Version = path.Base(path.Dir(name)), f.Name
	}
	if !fileName.MatchString(f.Name) || f.Version != "" && !fileName.MatchString(f.Version) {
		return fmt.Errorf("%s: its name is none that this program gives; it stays where it is", filepath.Join(t.dir, name))
	}
	if _, err := t.store.KeepFile(ctx, f, false); err != nil {
		return fmt.Errorf("%s: %w; the file stays where it is", filepath.Join(t.dir, name), err)
	}
	return t.done(name)
}

// tidy removes the folders that are empty now.
func (t *taking) tidy(pattern string) {
	for dir := path.Dir(pattern); dir != "." && t.remove; dir = path.Dir(dir) {
		names, _ := fs.Glob(os.DirFS(t.dir), dir) // the pattern is a good one
		for _, name := range names {
			_ = os.Remove(filepath.Join(t.dir, filepath.FromSlash(name))) // one that is not empty stays
		}
	}
}

// keeping is a record in which earlier versions of servers that share one kept the site's card.
type keeping interface {
	Kept(ctx context.Context, name string) ([]byte, error)
}

// cards takes over the versions of the site's card: those that servers of one record shared, else those of the file. The file
// stays, as a copy; one that says something else than the record is put aside.
func (t *taking) cards(ctx context.Context) error {
	path := filepath.Join(t.dir, siteName)
	here, err := readCards(path)
	if err != nil {
		return err
	}
	kept, err := t.store.FilesOf(ctx, record.FileCard)
	if err != nil {
		return err
	}
	if len(kept) == 0 {
		older, err := t.sharedCards(ctx)
		if err != nil {
			return err
		}
		if len(older) == 0 {
			older = here
		}
		for _, c := range older {
			f, err := cardFile(c)
			if err == nil {
				_, err = t.store.KeepFile(ctx, f, false)
			}
			if err != nil {
				return err
			}
			t.kept = append(t.kept, siteName)
		}
		if kept, err = t.store.FilesOf(ctx, record.FileCard); err != nil {
			return err
		}
	}
	all, err := cardsOf(kept)
	if err != nil || !t.remove || len(here) == 0 || slices.Equal(here, all[:min(len(here), len(all))]) {
		return err
	}
	return os.Rename(path, path+".before")
}

func (t *taking) sharedCards(ctx context.Context) (all []siteCard, err error) {
	store, is := t.store.(keeping)
	if !is {
		return nil, nil
	}
	for n := 1; ; n++ {
		text, err := store.Kept(ctx, fmt.Sprintf("site/%d", n))
		if errors.Is(err, record.ErrNotFound) {
			return all, nil
		}
		var c siteCard
		if err == nil {
			err = json.Unmarshal(text, &c)
		}
		if err != nil {
			return nil, err
		}
		all = append(all, c)
	}
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
