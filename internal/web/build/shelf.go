package main

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/andybalholm/brotli"

	"gradus/internal/whole"
)

// shelf is the folder of finished files.
type shelf struct {
	dir      string
	names    map[string]string // plain name to file
	kept     map[string]bool   // files that belong here
	pressed  map[string]int    // file to its size as brotli
	original map[string]int    // file to its size
}

func openShelf(dir string) (*shelf, error) {
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return nil, err
	}
	return &shelf{dir: dir, names: map[string]string{}, kept: map[string]bool{".gitkeep": true, "manifest.json": true},
		pressed: map[string]int{}, original: map[string]int{}}, nil
}

// put stores content under a name with a hash in it and returns the file's name.
func (s *shelf) put(plain string, content []byte) (string, error) {
	sum := sha256.Sum256(content)
	ext := filepath.Ext(plain)
	file := strings.TrimSuffix(plain, ext) + "-" + hex.EncodeToString(sum[:5]) + ext
	return file, s.putAs(plain, file, content)
}

// putAs stores content under the name given, with its pressed forms unless it is pressed already.
func (s *shelf) putAs(plain, file string, content []byte) error {
	s.names[plain], s.kept[file], s.original[file] = file, true, len(content)
	if err := put(filepath.Join(s.dir, file), content); err != nil {
		return err
	}
	if filepath.Ext(file) == ".woff2" {
		s.pressed[file] = len(content)
		return nil
	}
	for ext, press := range map[string]func([]byte) ([]byte, error){".br": toBrotli, ".gz": toGzip} {
		n, err := s.press(file, ext, content, press)
		if err != nil {
			return err
		}
		if ext == ".br" {
			s.pressed[file] = n
		}
	}
	return nil
}

// press writes a pressed form. One that is there already under a name with a hash is the same: brotli takes its
// time for the conductor.
func (s *shelf) press(file, ext string, content []byte, press func([]byte) ([]byte, error)) (int, error) {
	name := filepath.Join(s.dir, file+ext)
	s.kept[file+ext] = true
	if info, err := os.Stat(name); err == nil && info.Size() > 0 && s.hashed(file) {
		return int(info.Size()), nil
	}
	small, err := press(content)
	if err != nil {
		return 0, fmt.Errorf("%s: %w", name, err)
	}
	return len(small), put(name, small)
}

// hashed reports whether a file's name carries its hash.
func (s *shelf) hashed(file string) bool { return strings.Contains(file, "-") }

// put leaves a file as it is that holds the content already: its time tells what is new.
func put(name string, content []byte) error {
	if old, err := os.ReadFile(name); err == nil && bytes.Equal(old, content) {
		return nil
	}
	return whole.WriteMode(name, content, 0o644)
}

func toBrotli(content []byte) ([]byte, error) {
	var out bytes.Buffer
	w := brotli.NewWriterLevel(&out, brotli.BestCompression)
	if _, err := w.Write(content); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

func toGzip(content []byte) ([]byte, error) {
	var out bytes.Buffer
	w, err := gzip.NewWriterLevel(&out, gzip.BestCompression)
	if err != nil {
		return nil, err
	}
	if _, err := w.Write(content); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// close writes the manifest and removes what earlier builds left.
func (s *shelf) close() error {
	text, err := json.MarshalIndent(s.names, "", "  ")
	if err != nil {
		return err
	}
	if err := put(filepath.Join(s.dir, "manifest.json"), append(text, '\n')); err != nil {
		return err
	}
	entries, err := os.ReadDir(s.dir)
	if err != nil {
		return err
	}
	for _, e := range entries {
		if !s.kept[e.Name()] {
			if err := os.Remove(filepath.Join(s.dir, e.Name())); err != nil {
				return err
			}
		}
	}
	return nil
}

// report prints the sizes and refuses a conductor that is too large.
func (s *shelf) report(w io.Writer) error {
	for _, plain := range slices.Sorted(maps.Keys(s.names)) {
		file := s.names[plain]
		if _, err := fmt.Fprintf(w, "%-28s %9d bytes, sent as %8d\n", plain, s.original[file], s.pressed[file]); err != nil {
			return err
		}
	}
	if n := s.pressed[s.names["core.wasm"]]; n > wasmMost {
		return fmt.Errorf("core.wasm is %d bytes as sent, more than %d; find what made it grow", n, wasmMost)
	}
	return nil
}
