// Package backup makes copies of a record that can be trusted: made while others write, encrypted as the record is,
// read through before they count, and opened again by a drill.
//
// A backup is a zip file: the record's database under a key of its own, the key file that the passphrase or the
// recovery key opens, the site's card and own protocols, and a manifest with the digest of each and the number of rows of
// each table. The manifest is authenticated by the record's key; who has not that key cannot change a byte unseen. An older
// backup in the place of a newer one is not seen.
package backup

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"gradus/internal/record"
	"gradus/internal/vault"
	"gradus/internal/whole"
)

const (
	format       = "gradus-backup"
	version      = 1
	manifestName = "manifest.json"
	macName      = "manifest.mac"
	siteName     = "site.json"
	protocols    = "protocols"
	mostSmall    = 16 << 20 // bytes of a file beside the database
)

// Manifest says what a backup holds.
type Manifest struct {
	Format    string          `json:"format"`
	Version   int             `json:"version"`
	Made      time.Time       `json:"made"`
	Program   string          `json:"program,omitempty"` // version of the program that made it
	Encrypted bool            `json:"encrypted"`
	Files     []File          `json:"files"`
	Contents  record.Contents `json:"contents"`        // rows of each table
	Trail     string          `json:"trail,omitempty"` // the end of the audit trail, an anchor for gradus audit verify
}

// File is one file of a backup.
type File struct {
	Name   string `json:"name"`
	Size   int64  `json:"size"`
	SHA256 string `json:"sha256"`
}

// What a backup may turn out to be.
var (
	ErrNone     = errors.New("it is no backup of this program")
	ErrDamaged  = errors.New("the backup is damaged or was changed")
	ErrTampered = errors.New("the backup was not made with the key of this record, or was changed")
)

// Source is what is backed up.
type Source struct {
	Store   *record.SQLite
	Key     *vault.Key // nil: the record is plain, and so is the backup
	Dir     string     // data directory
	Program string
	Now     func() time.Time
}

// Name is the name of a backup made at a moment.
func Name(at time.Time) string { return "gradus-" + at.UTC().Format("20060102T150405Z") + ".zip" }

// Make writes a backup to a file that is not there yet. It appears when it has been read through.
func Make(ctx context.Context, s Source, to string) (m *Manifest, err error) {
	if _, err := os.Stat(to); err == nil {
		return nil, fmt.Errorf("%s is there already; name another file", to)
	}
	work, err := os.MkdirTemp(filepath.Dir(to), ".gradus-backup-")
	if err != nil {
		return nil, fmt.Errorf("%s cannot be written: %w", to, err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(work)) }()
	m = &Manifest{Format: format, Version: version, Made: s.Now().UTC().Truncate(time.Second), Program: s.Program, Encrypted: s.Key != nil}
	var keyFile, recordKey []byte
	if s.Key != nil {
		if keyFile, recordKey, err = s.Key.ForBackup(); err != nil {
			return nil, err
		}
	}
	database := filepath.Join(work, record.FileName)
	if m.Contents, err = s.Store.CopyTo(ctx, database, recordKey); err != nil {
		return nil, err
	}
	end, err := record.TrailOf(ctx, database, recordKey)
	if err != nil {
		return nil, err
	}
	m.Trail = end.Anchor().String()
	half := filepath.Join(work, "backup.zip")
	if err := s.write(half, database, keyFile, m); err != nil {
		return nil, err
	}
	if err := readThrough(ctx, half, s.Key); err != nil {
		return nil, err
	}
	if err := os.Link(half, to); err != nil { // never over a file that came meanwhile
		if errors.Is(err, fs.ErrExist) {
			return nil, fmt.Errorf("%s is there already; name another file", to)
		}
		if err := os.Rename(half, to); err != nil {
			return nil, err
		}
	}
	return m, whole.SyncDir(filepath.Dir(to))
}

func (s Source) write(path, database string, keyFile []byte, m *Manifest) error {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	defer f.Close()
	z := zip.NewWriter(f)
	if err := addPath(z, m, record.FileName, database); err != nil {
		return err
	}
	if keyFile != nil {
		if err := add(z, m, vault.FileName, bytes.NewReader(keyFile)); err != nil {
			return err
		}
	}
	beside, err := besideOf(s.Dir)
	if err != nil {
		return err
	}
	for _, name := range beside {
		if err := addPath(z, m, name, filepath.Join(s.Dir, filepath.FromSlash(name))); err != nil {
			return err
		}
	}
	text, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return err
	}
	if err := stored(z, manifestName, bytes.NewReader(text), io.Discard); err != nil {
		return err
	}
	if s.Key != nil {
		if err := stored(z, macName, strings.NewReader(hex.EncodeToString(s.Key.MAC(text))), io.Discard); err != nil {
			return err
		}
	}
	return errors.Join(z.Close(), f.Sync())
}

// besideOf lists what belongs to a record and lies beside it: the site's card and its own protocols.
func besideOf(dir string) (names []string, err error) {
	if _, err := os.Stat(filepath.Join(dir, siteName)); err == nil {
		names = append(names, siteName)
	}
	root := os.DirFS(dir)
	err = fs.WalkDir(root, protocols, func(name string, e fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		if err == nil && e.Type().IsRegular() && strings.HasSuffix(name, ".yaml") {
			names = append(names, name)
		}
		return err
	})
	return names, err
}

func addPath(z *zip.Writer, m *Manifest, name, path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	return add(z, m, name, f)
}

func add(z *zip.Writer, m *Manifest, name string, from io.Reader) error {
	sum := &summing{sum: sha256.New()}
	if err := stored(z, name, from, sum); err != nil {
		return err
	}
	m.Files = append(m.Files, File{name, sum.n, hex.EncodeToString(sum.sum.Sum(nil))})
	return nil
}

// stored writes an entry as it is: what is encrypted cannot be pressed.
func stored(z *zip.Writer, name string, from io.Reader, also io.Writer) error {
	w, err := z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Store})
	if err == nil {
		_, err = io.Copy(io.MultiWriter(w, also), from)
	}
	return err
}

type summing struct {
	sum hash.Hash
	n   int64
}

func (s *summing) Write(p []byte) (int, error) {
	s.n += int64(len(p))
	return s.sum.Write(p)
}

// Opened is a backup whose manifest was read, not yet believed.
type Opened struct {
	Manifest *Manifest
	Keys     *vault.File // nil: it is plain

	path     string
	zip      *zip.ReadCloser
	manifest []byte
	mac      []byte
}

// Open reads what a backup says of itself.
func Open(path string) (*Opened, error) {
	z, err := zip.OpenReader(path)
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return nil, err
		}
		return nil, fmt.Errorf("%s: %w (%w)", path, ErrNone, err)
	}
	o := &Opened{path: path, zip: z}
	if err := o.read(); err != nil {
		return nil, errors.Join(fmt.Errorf("%s: %w", path, err), z.Close())
	}
	return o, nil
}

// Close lets go of the file.
func (o *Opened) Close() error { return o.zip.Close() }

func (o *Opened) read() (err error) {
	if o.manifest, err = o.small(manifestName); err != nil {
		return fmt.Errorf("%w (%w)", ErrNone, err)
	}
	if err := json.Unmarshal(o.manifest, &o.Manifest); err != nil || o.Manifest == nil {
		return fmt.Errorf("%w: its manifest cannot be read", ErrDamaged)
	}
	m := o.Manifest
	switch {
	case m.Format != format:
		return ErrNone
	case m.Version > version:
		return fmt.Errorf("a newer version of the program made it (format %d, this one knows %d); use the newer version", m.Version, version)
	}
	if err := o.listed(); err != nil {
		return err
	}
	if !m.Encrypted {
		return nil
	}
	text, err := o.small(vault.FileName)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	if o.Keys, err = vault.Parse(text); err != nil {
		return fmt.Errorf("%w: its key file: %w", ErrDamaged, err)
	}
	spelled, err := o.small(macName)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	if o.mac, err = hex.DecodeString(string(spelled)); err != nil {
		return fmt.Errorf("%w: its seal cannot be read", ErrDamaged)
	}
	return nil
}

// listed checks that the zip file holds what the manifest lists, under names that a backup has, and nothing else.
func (o *Opened) listed() error {
	want := map[string]bool{manifestName: true}
	if o.Manifest.Encrypted {
		want[macName], want[vault.FileName] = true, true
	}
	for _, f := range o.Manifest.Files {
		if !fs.ValidPath(f.Name) || f.Size < 0 || f.Name != record.FileName && f.Name != siteName && f.Name != vault.FileName && !strings.HasPrefix(f.Name, protocols+"/") {
			return fmt.Errorf("%w: it lists %q", ErrDamaged, f.Name)
		}
		want[f.Name] = true
	}
	if !want[record.FileName] {
		return fmt.Errorf("%w: there is no record in it", ErrDamaged)
	}
	have := map[string]bool{}
	for _, f := range o.zip.File {
		if have[f.Name] || !want[f.Name] {
			return fmt.Errorf("%w: %q does not belong there", ErrDamaged, f.Name)
		}
		have[f.Name] = true
	}
	if !maps.Equal(have, want) {
		return fmt.Errorf("%w: a file of it is missing", ErrDamaged)
	}
	return nil
}

func (o *Opened) small(name string) ([]byte, error) {
	f, err := o.zip.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, mostSmall+1))
	if err == nil && len(text) > mostSmall {
		err = fmt.Errorf("%s is too large", name)
	}
	return text, err
}

// Believe checks the seal of the manifest with the key.
func (o *Opened) Believe(k *vault.Key) error {
	if !o.Manifest.Encrypted {
		return nil
	}
	if k == nil || !hmac.Equal(o.mac, k.MAC(o.manifest)) {
		return fmt.Errorf("%s: %w", o.path, ErrTampered)
	}
	return nil
}

// copyTo writes a file of the backup and compares it with what the manifest says.
func (o *Opened) copyTo(ctx context.Context, f File, to io.Writer) error {
	from, err := o.zip.Open(f.Name)
	if err != nil {
		return fmt.Errorf("%s: %w: %w", o.path, ErrDamaged, err)
	}
	defer from.Close()
	sum := &summing{sum: sha256.New()}
	limited := io.LimitReader(from, f.Size+1)
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		_, err := io.CopyN(io.MultiWriter(to, sum), limited, 8<<20)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return fmt.Errorf("%s: %s: %w", o.path, f.Name, err)
		}
	}
	if sum.n != f.Size || hex.EncodeToString(sum.sum.Sum(nil)) != f.SHA256 {
		return fmt.Errorf("%s: %w: %s is not as it was written", o.path, ErrDamaged, f.Name)
	}
	return nil
}

func readThrough(ctx context.Context, path string, k *vault.Key) error {
	o, err := Open(path)
	if err != nil {
		return err
	}
	defer o.Close()
	if err := o.Believe(k); err != nil {
		return err
	}
	for _, f := range o.Manifest.Files {
		if err := o.copyTo(ctx, f, io.Discard); err != nil {
			return err
		}
	}
	return nil
}

// Restore puts a backup into a directory that is not there yet, or empty, and reads it through: every byte against the
// manifest, the structure of the record, the rows of each table. On a fault nothing stays.
func (o *Opened) Restore(ctx context.Context, k *vault.Key, dir string) (err error) {
	if err := o.Believe(k); err != nil {
		return err
	}
	if entries, err := os.ReadDir(dir); err == nil && len(entries) > 0 {
		return fmt.Errorf("%s is not empty; restore into a new directory, look at it, then start the program there", dir)
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, empty(dir))
		}
	}()
	for _, f := range o.Manifest.Files {
		if err := o.put(ctx, f, filepath.Join(dir, filepath.FromSlash(f.Name))); err != nil {
			return err
		}
	}
	var key []byte
	if k != nil {
		// The key of the record in a backup comes from the key file of the backup.
		if key, err = k.RecordIn(o.Keys); err != nil {
			return err
		}
	}
	in, err := record.Inspect(ctx, filepath.Join(dir, record.FileName), key)
	if err != nil {
		return err
	}
	if !maps.Equal(in, o.Manifest.Contents) {
		return fmt.Errorf("%s: %w: the record holds %v, the manifest says %v", o.path, ErrDamaged, in, o.Manifest.Contents)
	}
	if o.Manifest.Trail == "" { // made before there was a trail
		return whole.SyncDir(dir)
	}
	end, err := record.TrailOf(ctx, filepath.Join(dir, record.FileName), key)
	if err != nil {
		return err
	}
	if have := end.Anchor().String(); have != o.Manifest.Trail {
		return fmt.Errorf("%s: %w: its audit trail ends at %s, the manifest says %s", o.path, ErrDamaged, have, o.Manifest.Trail)
	}
	return whole.SyncDir(dir)
}

func (o *Opened) put(ctx context.Context, f File, path string) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return err
	}
	to, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	err = o.copyTo(ctx, f, to)
	return errors.Join(err, to.Sync(), to.Close())
}

// empty removes what a restore that failed has put into a directory.
func empty(dir string) error {
	entries, err := os.ReadDir(dir)
	for _, e := range entries {
		err = errors.Join(err, os.RemoveAll(filepath.Join(dir, e.Name())))
	}
	return err
}

// Drilled is what a drill has read.
type Drilled struct {
	Manifest *Manifest
	Test     string // the newest test, read whole; "": there is none
	Events   int    // of it
}

// Drill restores a backup into a scratch directory, opens the record there as the program does, reads its newest test, and
// removes it all.
func (o *Opened) Drill(ctx context.Context, k *vault.Key) (d *Drilled, err error) {
	scratch, err := os.MkdirTemp("", "gradus-drill-")
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(scratch)) }()
	if err := o.Restore(ctx, k, scratch); err != nil {
		return nil, err
	}
	var options record.Options
	if k != nil {
		if options.Key, err = k.RecordIn(o.Keys); err != nil {
			return nil, err
		}
	}
	s, err := record.Open(ctx, scratch, options)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	d = &Drilled{Manifest: o.Manifest}
	tests, err := s.Tests(ctx, record.TestFilter{Limit: 1})
	if err != nil || len(tests) == 0 {
		return d, err
	}
	events, err := s.Events(ctx, tests[0].ID)
	d.Test, d.Events = tests[0].ID, len(events)
	return d, err
}

// Rotate removes the oldest backups of a directory until so many are left. Files that no backup's name have stay.
func Rotate(dir string, keep int) (removed []string, err error) {
	all, err := listOf(dir)
	if err != nil || len(all) <= keep {
		return nil, err
	}
	for _, name := range all[:len(all)-keep] {
		if err := os.Remove(filepath.Join(dir, name)); err != nil {
			return removed, err
		}
		removed = append(removed, name)
	}
	return removed, nil
}

// Newest is when the newest backup of a directory was made, by its name.
func Newest(dir string) (time.Time, bool) {
	all, err := listOf(dir)
	if err != nil || len(all) == 0 {
		return time.Time{}, false
	}
	return madeAt(all[len(all)-1])
}

func madeAt(name string) (time.Time, bool) {
	at, err := time.Parse("gradus-20060102T150405Z.zip", name)
	return at, err == nil
}

// listOf lists the backups of a directory, the oldest first.
func listOf(dir string) (names []string, err error) {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	for _, e := range entries {
		if _, ok := madeAt(e.Name()); ok && e.Type().IsRegular() {
			names = append(names, e.Name())
		}
	}
	slices.Sort(names)
	return names, err
}

// Salvage saves what can be read of a damaged record into a new directory, under the same key, with what lies beside it.
func Salvage(ctx context.Context, from string, k *vault.Key, to string) ([]record.Salvaged, error) {
	if err := os.MkdirAll(to, 0o700); err != nil {
		return nil, err
	}
	beside, err := besideOf(from)
	if err != nil {
		return nil, err
	}
	var key []byte
	if k != nil {
		key, beside = k.Record(), append(beside, vault.FileName)
	}
	for _, name := range beside {
		text, err := os.ReadFile(filepath.Join(from, filepath.FromSlash(name)))
		if err != nil {
			return nil, err
		}
		path := filepath.Join(to, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			return nil, err
		}
		if err := whole.Write(path, text); err != nil {
			return nil, err
		}
	}
	return record.Salvage(ctx, from, key, to, key)
}
