package record

import (
	"bytes"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync"

	"github.com/ncruces/go-sqlite3/vfs"
	"github.com/ncruces/go-sqlite3/vfs/adiantum"
	wide "lukechampine.com/adiantum"
	"lukechampine.com/adiantum/hbsh"
)

// KeySize is how long the key of an encrypted record is, in bytes.
const KeySize = 32

// encryptedVFS is the file layer of encrypted records, over the system's own.
const encryptedVFS = "gradus-encrypted"

func init() { vfs.Register(encryptedVFS, encrypting(vfs.Find("os"))) }

// encrypting puts the encryption over a file layer.
func encrypting(base vfs.VFS) vfs.VFS { return adiantum.Wrap(base, keyring) }

// keyring holds the keys of the records this program has opened, each under a word drawn by chance. The address of a
// file carries the word: addresses end up in errors and logs, where no key may stand.
var keyring = &ring{keys: map[string][]byte{}}

type ring struct {
	mu   sync.Mutex
	keys map[string][]byte
}

// word returns the word of a key.
func (r *ring) word(key []byte) (string, error) {
	if len(key) != KeySize {
		return "", fmt.Errorf("record: a key has %d bytes, not %d", KeySize, len(key))
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	for word, have := range r.keys {
		if bytes.Equal(have, key) {
			return word, nil
		}
	}
	word := rand.Text()
	r.keys[word] = bytes.Clone(key)
	return word, nil
}

// KDF finds the key of a word; temporary files, which have no word, get a key of their own. It makes a ring an
// adiantum.HBSHCreator.
func (r *ring) KDF(word string) []byte {
	if word == "" {
		key := make([]byte, KeySize)
		rand.Read(key) //nolint:errcheck // it never fails
		return key
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.keys[word]
}

// HBSH makes the cipher of a key.
func (r *ring) HBSH(key []byte) *hbsh.HBSH {
	if len(key) != KeySize {
		return nil
	}
	return wide.New(key)
}

// Standing is how the file of a record looks from outside.
type Standing int

// Standings.
const (
	Absent    Standing = iota // there is none, or an empty file
	Plain                     // an unencrypted database
	Encrypted                 // something else: encrypted, or no record at all
)

// StandingOf looks at the record of a data directory without opening it.
func StandingOf(dir string) (Standing, error) {
	path := filepath.Join(dir, FileName)
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return Absent, nil
	}
	if err != nil {
		return Absent, fileFault(path, err)
	}
	defer f.Close()
	head := make([]byte, len(magic))
	switch _, err := io.ReadFull(f, head); {
	case errors.Is(err, io.EOF):
		return Absent, nil
	case err != nil && !errors.Is(err, io.ErrUnexpectedEOF):
		return Absent, fileFault(path, err)
	case string(head) == magic:
		return Plain, nil
	}
	return Encrypted, nil
}

// magic is how every unencrypted SQLite file begins.
const magic = "SQLite format 3\x00"
