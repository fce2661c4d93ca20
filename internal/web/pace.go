package web

import (
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"gradus/internal/whole"
)

// paceFile keeps the waits after wrong passphrases over a restart. It lies beside the record, which is shut when it is needed.
const paceFile = "waits.json"

// pace is how somebody tries.
type pace struct {
	Wrong int       `json:"wrong"` // tries in a row
	Next  time.Time `json:"next"`  // no try is looked at before
}

// readPaces reads the waits. A clock that was set back makes none longer than the longest; a file that cannot be read counts
// as none, since a locked record must open with the right passphrase.
func readPaces(dir string, now time.Time) map[string]pace {
	paces := map[string]pace{}
	text, err := os.ReadFile(filepath.Join(dir, paceFile))
	if err != nil || json.Unmarshal(text, &paces) != nil {
		return nil
	}
	for from, p := range paces {
		if most := now.Add(slowest); p.Next.After(most) {
			p.Next = most
			paces[from] = p
		}
	}
	return paces
}

// writePaces keeps the waits; none removes the file.
func writePaces(dir string, paces map[string]pace) error {
	path := filepath.Join(dir, paceFile)
	if len(paces) == 0 {
		if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		return nil
	}
	text, err := json.Marshal(paces)
	if err != nil {
		return err
	}
	return whole.Write(path, text)
}
