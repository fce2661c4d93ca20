package record

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Before a record in a file is brought up to date it is copied, as it is and under the same key, so that the older program can
// go on with the copy.
const (
	beforeName = "gradus-before-"
	beforeMost = 2 // copies that stay
)

// Before is the copy that opening this record made before it brought it up to date; "": it was up to date.
func (s *SQLite) Before() string { return s.before }

// keepBefore copies a record that has something in it before its schema changes.
func (s *SQLite) keepBefore(ctx context.Context, b backend, own schema) error {
	ran := own.ran(ctx, s.writer)
	if ran == 0 || s.before != "" {
		return nil
	}
	var last int64
	if err := s.writer.QueryRowContext(ctx, `SELECT max(version_id) FROM `+versionTable).Scan(&last); err != nil {
		return err
	}
	dir := filepath.Dir(b.path)
	name := filepath.Join(dir, fmt.Sprintf("%s%04d-%s.db", beforeName, last, s.now().UTC().Format("20060102T150405Z")))
	half := b
	half.path = name + "." + newSalt()[:8] + ".half"
	defer removeDatabase(half.path)
	conn, err := s.writer.Conn(ctx)
	if err != nil {
		return err
	}
	defer conn.Close()
	if err := copyPages(ctx, conn, half); err != nil {
		return fmt.Errorf("record: %s: no copy of it could be made before it is brought up to date, so nothing was changed; see to free space: %w", b.path, err)
	}
	if err := os.Rename(half.path, name); err != nil {
		return err
	}
	s.before = name
	return rotateBefore(dir)
}

// rotateBefore removes the oldest copies.
func rotateBefore(dir string) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	var copies []string
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), beforeName) && strings.HasSuffix(e.Name(), ".db") {
			copies = append(copies, e.Name())
		}
	}
	slices.Sort(copies)
	for _, name := range copies[:max(0, len(copies)-beforeMost)] {
		err = errors.Join(err, os.Remove(filepath.Join(dir, name)))
	}
	return err
}
