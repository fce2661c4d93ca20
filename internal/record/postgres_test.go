package record_test

import (
	"testing"

	"gradus/internal/pgtest"
	"gradus/internal/record"
	"gradus/internal/record/recordtest"
)

// migrated is a new database with the tables of the record.
func migrated(t testing.TB) string {
	t.Helper()
	return pgtest.Copy(t, "record", func(address string) error {
		s, err := record.OpenDatabase(ctx, address, record.Options{})
		if err != nil {
			return err
		}
		return s.Close()
	})
}

func openDatabase(t testing.TB, address string) *record.Postgres {
	t.Helper()
	s, err := record.OpenDatabase(ctx, address, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func TestStorePostgres(t *testing.T) {
	places := map[string]string{} // by the directory that the suite gives
	recordtest.Run(t, func(t *testing.T, dir string) record.Store {
		if places[dir] == "" {
			places[dir] = migrated(t)
		}
		return openDatabase(t, places[dir])
	})
}
