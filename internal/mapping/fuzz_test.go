package mapping

import (
	"os"
	"path/filepath"
	"testing"
)

// A mapping file is read or refused with a reason, whatever it holds.
func FuzzRead(f *testing.F) {
	files, err := filepath.Glob(filepath.Join("library", "*.yaml"))
	if err != nil || len(files) == 0 {
		f.Fatal(err, files)
	}
	for _, name := range files {
		text, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Add([]byte("id: x\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		m, err := Read("fuzz.yaml", text)
		if (m == nil) == (err == nil) {
			t.Errorf("%v with %v", m, err)
		}
	})
}
