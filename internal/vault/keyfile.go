package vault

import (
	"bytes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"time"

	"golang.org/x/crypto/argon2"
	"golang.org/x/crypto/chacha20poly1305"

	"gradus/internal/record"
	"gradus/internal/whole"
)

// FileName is the name of the key file in a data directory.
const FileName = "gradus.key"

const (
	keyFormat  = "gradus-keys"
	keyVersion = 1
	keySize    = record.KeySize
)

// What a key file may answer.
var (
	ErrPassphrase = errors.New("this passphrase does not open the record")
	ErrRecovery   = errors.New("this recovery key does not open the record")
)

// FileError says what is wrong with the key file.
type FileError struct {
	Path string
	Err  error
}

func (e *FileError) Error() string {
	return e.Path + ": " + e.Err.Error() + "; put the key file back from a backup of the whole directory, or restore a backup that 'gradus backup' made, which holds it"
}

func (e *FileError) Unwrap() error { return e.Err }

// File is a key file as it is read: what is in it opens with the passphrase or the recovery key. It holds two sets
// only while the key of the record is being changed.
type File struct {
	Format  string `json:"format"`
	Version int    `json:"version"`
	Sets    []set  `json:"sets"`

	dir string
}

// set is one key, sealed twice.
type set struct {
	ID         string    `json:"id"` // of the key, by chance
	Made       time.Time `json:"made"`
	Salt       []byte    `json:"salt"` // makes the key of the record's file out of this one
	Passphrase sealed    `json:"passphrase"`
	Recovery   sealed    `json:"recovery"`
}

// sealed is the key, sealed with a key made out of something that a person has.
type sealed struct {
	By     string `json:"by"`                   // argon2id or hkdf-sha256
	Time   uint32 `json:"time,omitempty"`       // of argon2id: passes
	Memory uint32 `json:"memory_kib,omitempty"` // of argon2id
	Lanes  uint8  `json:"lanes,omitempty"`      // of argon2id
	Salt   []byte `json:"salt"`
	Nonce  []byte `json:"nonce"`
	Key    []byte `json:"key"`
}

// cost is that of one try of a passphrase: the second choice that RFC 9106 (section 4) recommends, for machines that
// have no 2 GiB to spare.
var cost = sealed{By: "argon2id", Time: 3, Memory: 64 << 10, Lanes: 4}

// A key file from elsewhere must not cost more than this.
const (
	mostPasses, mostMemory = 64, 1 << 20
	mostLanes              = 16
)

// trying lets one passphrase at a time be tried, since each needs much memory.
var trying sync.Mutex

func (s *sealed) keyOf(secret []byte, info string) ([]byte, error) {
	switch s.By {
	case "argon2id":
		if s.Time < 1 || s.Time > mostPasses || s.Memory < 8 || s.Memory > mostMemory || s.Lanes < 1 || s.Lanes > mostLanes || len(s.Salt) < 16 {
			return nil, errors.New("the cost of a passphrase is out of range")
		}
		trying.Lock()
		defer trying.Unlock()
		return argon2.IDKey(secret, s.Salt, s.Time, s.Memory, s.Lanes, keySize), nil
	case "hkdf-sha256":
		return hkdf.Key(sha256.New, secret, s.Salt, info, keySize)
	}
	return nil, fmt.Errorf("it seals keys by %q, which this version does not know", s.By)
}

func (s *sealed) cipher(secret []byte, id, what string) (cipher.AEAD, []byte, error) {
	about := fmt.Sprintf("%s/%d/%s/%s", keyFormat, keyVersion, id, what)
	key, err := s.keyOf(secret, about)
	if err != nil {
		return nil, nil, err
	}
	aead, err := chacha20poly1305.NewX(key)
	return aead, []byte(about), err
}

func (s *sealed) seal(secret []byte, id, what string, key []byte) error {
	s.Salt, s.Nonce = random(16), random(chacha20poly1305.NonceSizeX)
	aead, about, err := s.cipher(secret, id, what)
	if err != nil {
		return err
	}
	s.Key = aead.Seal(nil, s.Nonce, key, about)
	return nil
}

// open gives the key, or nil when the secret is another one.
func (s *sealed) open(secret []byte, id, what string) ([]byte, error) {
	aead, about, err := s.cipher(secret, id, what)
	if err != nil {
		return nil, err
	}
	if len(s.Nonce) != aead.NonceSize() {
		return nil, errors.New("it is damaged")
	}
	key, err := aead.Open(nil, s.Nonce, s.Key, about)
	if err != nil || len(key) != keySize {
		return nil, nil //nolint:nilerr // another secret and a damaged seal look the same
	}
	return key, nil
}

func (s *set) seal(k *Key, passphrase *string, recovery *Recovery) error {
	if passphrase != nil {
		s.Passphrase = cost
		if err := s.Passphrase.seal(normal(*passphrase), s.ID, "passphrase", k.data); err != nil {
			return err
		}
	}
	if recovery != nil {
		s.Recovery = sealed{By: "hkdf-sha256"}
		return s.Recovery.seal(recovery.five[:], s.ID, "recovery", k.data)
	}
	return nil
}

func random(n int) []byte {
	b := make([]byte, n)
	rand.Read(b) //nolint:errcheck // it never fails
	return b
}

// Load reads the key file of a data directory. It is fs.ErrNotExist when there is none.
func Load(dir string) (*File, error) {
	path := filepath.Join(dir, FileName)
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	f, err := parse(text)
	if err != nil {
		return nil, &FileError{path, err}
	}
	f.dir = dir
	return f, nil
}

func parse(text []byte) (*File, error) {
	var f File
	d := json.NewDecoder(bytes.NewReader(text))
	err := d.Decode(&f)
	switch {
	case err != nil:
		return nil, fmt.Errorf("it is damaged (%w)", err)
	case f.Format != keyFormat:
		return nil, errors.New("it is no key file of this program")
	case f.Version > keyVersion:
		return nil, fmt.Errorf("a newer version of the program wrote it (format %d, this one knows %d); start the newer version", f.Version, keyVersion)
	case f.Version < 1 || len(f.Sets) == 0 || len(f.Sets) > 2:
		return nil, errors.New("it is damaged")
	}
	return &f, nil
}

func (f *File) save() error {
	text, err := json.MarshalIndent(f, "", "  ")
	if err != nil {
		return err
	}
	return whole.Write(filepath.Join(f.dir, FileName), append(text, '\n'))
}

// Unlock opens the key with the passphrase.
func (f *File) Unlock(passphrase string) (*Key, error) {
	return f.pick(ErrPassphrase, func(s *set) ([]byte, error) { return s.Passphrase.open(normal(passphrase), s.ID, "passphrase") })
}

// Recover opens the key with the recovery key, as somebody typed it.
func (f *File) Recover(typed string) (*Key, error) {
	r, err := ParseRecovery(typed)
	if err != nil {
		return nil, err
	}
	return f.pick(ErrRecovery, func(s *set) ([]byte, error) { return s.Recovery.open(r.five[:], s.ID, "recovery") })
}

// pick opens the sets and returns the key that fits the record; where a change of the key was broken off, that is only
// one of them.
func (f *File) pick(wrong error, open func(*set) ([]byte, error)) (*Key, error) {
	var opened []*Key
	for i := range f.Sets {
		data, err := open(&f.Sets[i])
		if err != nil {
			return nil, &FileError{filepath.Join(f.dir, FileName), err}
		}
		if data != nil {
			opened = append(opened, &Key{dir: f.dir, id: f.Sets[i].ID, salt: f.Sets[i].Salt, data: data})
		}
	}
	if len(opened) == 0 {
		return nil, wrong
	}
	if len(f.Sets) == 1 {
		return opened[0], nil
	}
	for _, k := range opened {
		if fits, err := record.Fits(f.dir, k.Record()); err != nil || fits {
			return k, err
		}
	}
	return nil, fmt.Errorf("%w: a change of the key was broken off, and the other one is in force", wrong)
}

// Key is an opened key.
type Key struct {
	dir  string
	id   string
	salt []byte
	data []byte
}

func newKey() *Key {
	return &Key{id: hex.EncodeToString(random(8)), salt: random(16), data: random(keySize)}
}

// sub is the key for one use.
func (k *Key) sub(salt []byte, what string) []byte {
	key, err := hkdf.Key(sha256.New, k.data, salt, "gradus "+what+" 1", keySize)
	if err != nil {
		panic("vault: " + err.Error()) // only for a length that no key has
	}
	return key
}

// Record is the key of the record's file.
func (k *Key) Record() []byte { return k.sub(k.salt, "record") }

// Forms is the key that signs the forms of the pages.
func (k *Key) Forms() []byte { return k.sub(nil, "forms") }

// Seal encrypts a small file that lies beside the record; name is bound to it.
func (k *Key) Seal(name string, data []byte) []byte {
	aead := k.files()
	nonce := random(aead.NonceSize())
	return aead.Seal(nonce, nonce, data, []byte(name))
}

// Unseal decrypts what Seal made under the same name.
func (k *Key) Unseal(name string, data []byte) ([]byte, error) {
	aead := k.files()
	if len(data) < aead.NonceSize() {
		return nil, errors.New("vault: " + name + " is too short")
	}
	return aead.Open(nil, data[:aead.NonceSize()], data[aead.NonceSize():], []byte(name))
}

// Hide makes a file name of a name, which says nothing to who has not the key.
func (k *Key) Hide(name string) string {
	mac := hmac.New(sha256.New, k.sub(nil, "names"))
	mac.Write([]byte(name))
	return hex.EncodeToString(mac.Sum(nil)[:16])
}

func (k *Key) files() cipher.AEAD {
	aead, err := chacha20poly1305.NewX(k.sub(nil, "files"))
	if err != nil {
		panic("vault: " + err.Error()) // only for a length that no key has
	}
	return aead
}

// Verify reports whether a passphrase is the one that opens the record now, as ErrPassphrase when it is not.
func (k *Key) Verify(passphrase string) error {
	f, err := Load(k.dir)
	if err != nil {
		return err
	}
	other, err := f.Unlock(passphrase)
	if err == nil && other.id != k.id {
		err = ErrPassphrase
	}
	return err
}

// Exists reports whether a data directory has a key file.
func Exists(dir string) (bool, error) {
	_, err := os.Stat(filepath.Join(dir, FileName))
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	return err == nil, err
}
