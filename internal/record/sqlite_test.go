package record_test

import (
	"context"
	"testing"

	"gradus/internal/record"
	"gradus/internal/record/recordtest"

	_ "modernc.org/sqlite" // registers the driver "sqlite"
)

var ctx = context.Background()

func open(t testing.TB, dir string) *record.SQLite { t.Helper(); return openKeyed(t, dir, nil) }

func openKeyed(t testing.TB, dir string, key []byte) *record.SQLite {
	t.Helper()
	s, err := record.Open(ctx, dir, record.Options{Key: key})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func TestStore(t *testing.T) {
	recordtest.Run(t, func(t *testing.T, dir string) record.Store { return open(t, dir) })
}

func TestStoreEncrypted(t *testing.T) {
	recordtest.Run(t, func(t *testing.T, dir string) record.Store { return openKeyed(t, dir, testKey) })
}

// The same schema and statements through another engine's driver: a check of both, and a way out.
func TestStoreOtherDriver(t *testing.T) {
	recordtest.Run(t, func(t *testing.T, dir string) record.Store {
		s, err := record.OpenDriver(ctx, "sqlite", dir)
		if err != nil {
			t.Fatal(err)
		}
		return s
	})
}
