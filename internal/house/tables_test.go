package house

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The science manual carries the numbers that the program uses.
func TestScienceManualCarriesTheData(t *testing.T) {
	dir, _ := tree(t)
	name := filepath.Join(dir, "docs", "science.md")
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	now, count, err := withTables(string(text))
	if err != nil {
		t.Fatal(err)
	}
	if count != len(dataTables) {
		t.Errorf("docs/science.md has %d of %d data tables", count, len(dataTables))
	}
	if now != string(text) && !*rewrite {
		t.Error("docs/science.md: a table differs from its data file; run go test ./internal/house -rewrite and review the difference")
	}
	keep(t, name, string(text), now)
}

func TestTablesAreReplaced(t *testing.T) {
	text := "a\n<!-- table: fences -->\nold\n<!-- end -->\nz\n"
	now, count, err := withTables(text)
	if err != nil || count != 1 {
		t.Fatal(count, err)
	}
	if !strings.Contains(now, "| heart rate | 25 | 250 | /min |") || strings.Contains(now, "old") || !strings.HasSuffix(now, "<!-- end -->\nz\n") {
		t.Errorf("got %q", now)
	}
	for _, wrong := range []string{"<!-- table: unknown -->\n<!-- end -->", "<!-- table: fences -->\nno end"} {
		if _, _, err := withTables(wrong); err == nil {
			t.Errorf("%q was taken", wrong)
		}
	}
}
