// Package whole writes a small file whole or not at all: beside its place first, brought to disk, then put into its place. What a power cut leaves is the old file or the new one.
package whole

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
)

// Write puts data into the place of path, for this user alone.
func Write(path string, data []byte) error { return WriteMode(path, data, 0o600) }

// WriteMode puts data into the place of path with permissions that it never exceeds on the way.
func WriteMode(path string, data []byte, mode fs.FileMode) error {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+"-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name())
	_, err = f.Write(data)
	if err == nil && mode != 0o600 {
		err = f.Chmod(mode)
	}
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return err
	}
	return SyncDir(filepath.Dir(path))
}

// SyncDir makes a new name in a directory last. Some systems cannot; there the name lasts as the system makes it.
func SyncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	err = d.Sync()
	if errors.Is(err, fs.ErrInvalid) || errors.Is(err, errors.ErrUnsupported) || errors.Is(err, fs.ErrPermission) {
		err = nil
	}
	if cerr := d.Close(); err == nil {
		err = cerr
	}
	return err
}
