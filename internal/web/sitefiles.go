package web

import (
	"cmp"
	"context"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	estimators "gradus/estimate/library"
	"gradus/internal/record"
	protocols "gradus/protocol/library"
)

// siteFiles is where pages read what a site keeps as files that hold nobody: its protocols, its comparisons of equations
// with their papers, its card. They are in the record, so that every server has the same. What was read last holds while
// the record cannot be read.
type siteFiles struct {
	store record.Files // beside who acts
	log   *slog.Logger
	also  []record.File // protocols in a folder that the command line named

	mu    sync.Mutex
	lists map[string]fileList
}

type fileList struct {
	files []record.File
	at    time.Time
}

const (
	believed = 5 * time.Second // is how long a list is not read anew; servers tell each other of changes besides
	patience = 2 * time.Second // is how long a page waits for one
)

func newSiteFiles(store record.Files, log *slog.Logger) *siteFiles {
	return &siteFiles{store: store, log: log, lists: map[string]fileList{}}
}

// of returns the files of a kind by name and version.
func (f *siteFiles) of(kind string) []record.File {
	f.mu.Lock()
	defer f.mu.Unlock()
	list, read := f.lists[kind]
	if read && time.Since(list.at) < believed {
		return list.files
	}
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	files, err := f.store.FilesOf(ctx, kind)
	if err != nil {
		f.log.Warn("files of the site", "kind", kind, "error", err)
		files = list.files
	} else if kind == record.FileProtocol {
		files = f.withFolder(files)
	}
	f.lists[kind] = fileList{files, time.Now()}
	return files
}

// withFolder adds what stands in the folder of the command line alone.
func (f *siteFiles) withFolder(files []record.File) []record.File {
	for _, one := range f.also {
		if !slices.ContainsFunc(files, func(have record.File) bool { return have.Name == one.Name && have.Version == one.Version }) {
			files = append(files, one)
		}
	}
	slices.SortStableFunc(files, func(a, b record.File) int {
		return cmp.Or(strings.Compare(a.Name, b.Name), strings.Compare(a.Version, b.Version))
	})
	return files
}

// one returns a file, also one that another server kept a moment ago.
func (f *siteFiles) one(kind, name, version string) (record.File, bool) {
	for range 2 {
		files := f.of(kind)
		if i := slices.IndexFunc(files, func(one record.File) bool { return one.Name == name && one.Version == version }); i >= 0 {
			return files[i], true
		}
		f.forget()
	}
	return record.File{}, false
}

// forget makes the next look read anew.
func (f *siteFiles) forget() {
	f.mu.Lock()
	defer f.mu.Unlock()
	for kind, list := range f.lists {
		list.at = time.Time{}
		f.lists[kind] = list
	}
}

// ReadProtocols reads the protocols of a folder and those below it, to be offered beside those of the record.
func ReadProtocols(dir string) (files []record.File, err error) {
	root := os.DirFS(dir)
	err = fs.WalkDir(root, ".", func(name string, e fs.DirEntry, err error) error {
		if err != nil || !e.Type().IsRegular() || !strings.HasSuffix(name, ".yaml") {
			return err
		}
		text, err := fs.ReadFile(root, name)
		if err != nil {
			return err
		}
		path := filepath.Join(dir, filepath.FromSlash(name))
		p, faults := protocols.Parse(path, text, estimators.LineOf)
		if len(faults) > 0 {
			return faults[0]
		}
		switch {
		case slices.Contains(protocols.IDs(), p.ID):
			return fmt.Errorf("%s: %s is the id of a protocol that this program ships; give it another", path, p.ID)
		case !fileName.MatchString(p.ID) || !fileName.MatchString(p.Version):
			return fmt.Errorf("%s: id %q or version %q is no short word of small letters, digits, dots and dashes", path, p.ID, p.Version)
		case slices.ContainsFunc(files, func(f record.File) bool { return f.Name == p.ID && f.Version == p.Version }):
			return fmt.Errorf("%s: version %s of %s stands in another file of the folder as well", path, p.Version, p.ID)
		}
		files = append(files, record.File{Kind: record.FileProtocol, Name: p.ID, Version: p.Version, Content: text})
		return nil
	})
	if err != nil {
		return nil, err
	}
	return files, nil
}
