package record_test

import (
	"os"
	"path/filepath"
	"testing"

	"gradus/internal/record"
)

// An older record is copied before it is brought up to date, and opens as the older one that it was; one that is up to date,
// or new, is not copied; old copies go.
func TestCopyBeforeAMigration(t *testing.T) {
	dir := t.TempDir()
	unpack(t, filepath.Join("testdata", "v1.db.gz"), filepath.Join(dir, record.FileName))
	for _, old := range []string{"gradus-before-0000-20200101T000000Z.db", "gradus-before-0000-20210101T000000Z.db"} {
		if err := os.WriteFile(filepath.Join(dir, old), []byte("old"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s := open(t, dir)
	oldThere(t, s)
	before := s.Before()
	if info, err := os.Stat(before); err != nil || info.Mode().Perm()&0o077 != 0 {
		t.Fatalf("the copy %q: %v", before, err)
	}
	if left, err := filepath.Glob(filepath.Join(dir, "gradus-before-*")); err != nil || len(left) != 2 || left[1] != before {
		t.Errorf("copies: %v, %v", left, err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if again := open(t, dir).Before(); again != "" {
		t.Errorf("copied once more: %s", again)
	}
	if fresh := open(t, t.TempDir()).Before(); fresh != "" {
		t.Errorf("a new record was copied: %s", fresh)
	}

	back := t.TempDir()
	if err := os.Rename(before, filepath.Join(back, record.FileName)); err != nil {
		t.Fatal(err)
	}
	again := open(t, back) // brought up to date from where it stood
	oldThere(t, again)
	if again.Before() == "" {
		t.Error("the copy was not the older record")
	}
	if err := intact(again); err != nil {
		t.Error(err)
	}
}
