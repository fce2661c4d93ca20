package vault

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"gradus/internal/record"
)

// Draft is a new key that is in no file yet. It is kept when somebody has shown that the recovery key is on paper.
type Draft struct {
	Recovery Recovery
	key      *Key
	set      set
}

// Make draws a key and a recovery key.
func Make(passphrase string, now time.Time) (*Draft, error) {
	if err := Check(passphrase); err != nil {
		return nil, err
	}
	d := &Draft{Recovery: NewRecovery(), key: newKey()}
	d.set = set{ID: d.key.id, Made: now.UTC().Truncate(time.Second), Salt: d.key.salt}
	return d, d.set.seal(d.key, &passphrase, &d.Recovery)
}

// Keep writes the key file of a new data directory and returns its key.
func (d *Draft) Keep(dir string) (*Key, error) {
	if there, err := Exists(dir); err != nil || there {
		return nil, errors.Join(err, fmt.Errorf("%s has a key file already; a second one would lock the record for ever", dir))
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, err
	}
	return d.keep(dir, d.set)
}

func (d *Draft) keep(dir string, sets ...set) (*Key, error) {
	f := &File{Format: keyFormat, Version: keyVersion, Sets: sets, dir: dir}
	d.key.dir = dir
	return d.key, f.save()
}

// ChangePassphrase seals the key with another passphrase. The recovery key stays.
func (k *Key) ChangePassphrase(ctx context.Context, passphrase string) error {
	if err := Check(passphrase); err != nil {
		return err
	}
	return k.reseal(ctx, &passphrase, nil)
}

// ChangeRecovery seals the key with another recovery key. The passphrase stays; the old sheet opens nothing any more but
// backups that are older.
func (k *Key) ChangeRecovery(ctx context.Context, r Recovery) error { return k.reseal(ctx, nil, &r) }

// reseal holds the record open meanwhile: nobody can renew its key beside.
func (k *Key) reseal(ctx context.Context, passphrase *string, recovery *Recovery) error {
	s, err := Open(ctx, k.dir, k, record.Options{})
	if err != nil {
		return err
	}
	defer s.Close()
	f, err := Load(k.dir)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(f.Sets, func(s set) bool { return s.ID == k.id })
	if i < 0 {
		return fmt.Errorf("the key of %s was changed meanwhile; start again", k.dir)
	}
	if err := f.Sets[i].seal(k, passphrase, recovery); err != nil {
		return err
	}
	f.Sets = f.Sets[i : i+1]
	return f.save()
}

// Renew gives the record another key: it is copied, the copy is compared with it and put into its place. Nobody else may
// have the record open (record.ErrBusy). Old copies of the key file, with the old passphrase or the old sheet, open nothing of what is
// written from now on.
func Renew(ctx context.Context, k *Key, d *Draft) (*Key, error) {
	held, err := record.Hold(ctx, k.dir, k.Record())
	if err != nil {
		return nil, err
	}
	defer held.Close()
	if err := held.Copy(ctx, d.key.Record()); err != nil {
		return nil, err
	}
	f, err := Load(k.dir)
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(f.Sets, func(s set) bool { return s.ID == k.id })
	if i < 0 {
		return nil, fmt.Errorf("the key of %s was changed meanwhile; start again", k.dir)
	}
	if _, err := d.keep(k.dir, f.Sets[i], d.set); err != nil {
		return nil, err
	}
	if err := held.Swap(); err != nil {
		return nil, err
	}
	return d.keep(k.dir, d.set)
}

// Encrypt encrypts a plain record in its place: a copy is made, compared and put into its place. Broken off before the
// last step, the record is still plain, and Encrypt may be called again.
func Encrypt(ctx context.Context, dir string, d *Draft) (*Key, error) {
	held, err := record.Hold(ctx, dir, nil)
	if err != nil {
		return nil, err
	}
	defer held.Close()
	if err := held.Copy(ctx, d.key.Record()); err != nil {
		return nil, err
	}
	k, err := d.keep(dir, d.set)
	if err != nil {
		return nil, err
	}
	return k, held.Swap()
}

// Open opens the record of a data directory: with a key the encrypted one, with nil the plain one.
func Open(ctx context.Context, dir string, k *Key, o record.Options) (*record.SQLite, error) {
	if k != nil {
		o.Key = k.Record()
	}
	s, err := record.Open(ctx, dir, o)
	if err != nil || k == nil || o.ReadOnly {
		return s, err
	}
	if err := k.settle(); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

// settle ends a change of the key that was broken off: the record has been opened with this key, so the other is of no
// use. Who changes a key holds the record against being opened.
func (k *Key) settle() error {
	f, err := Load(k.dir)
	if err != nil || len(f.Sets) == 1 {
		return err
	}
	f.Sets = slices.DeleteFunc(f.Sets, func(s set) bool { return s.ID != k.id })
	return f.save()
}

// State is what a data directory asks for.
type State int

// States.
const (
	New    State = iota // there is no record yet
	Plain               // a plain record: nothing
	Locked              // an encrypted record: the passphrase
)

// StateOf looks at a data directory.
func StateOf(dir string) (State, error) {
	standing, err := record.StandingOf(dir)
	if err != nil {
		return New, err
	}
	if standing == record.Plain {
		return Plain, nil
	}
	switch _, err := Load(dir); {
	case err == nil:
		return Locked, nil
	case !errors.Is(err, fs.ErrNotExist):
		return New, err
	case standing == record.Encrypted:
		return New, fmt.Errorf("%s: %w: it is no unencrypted record, and there is no key file %s beside it; put the key file back if the record was encrypted; else stop writing, copy the whole directory as it is, then go on with the last backup",
			filepath.Join(dir, record.FileName), record.ErrDamaged, FileName)
	}
	return New, nil
}

// ForBackup makes the key file of a backup and the key that the record in it is encrypted with: the same passphrase and
// recovery key open it, and no two backups have the same one, so that nobody sees by comparing them what has changed.
func (k *Key) ForBackup() (file, record []byte, err error) {
	f, err := Load(k.dir)
	if err != nil {
		return nil, nil, err
	}
	i := slices.IndexFunc(f.Sets, func(s set) bool { return s.ID == k.id })
	if i < 0 {
		return nil, nil, fmt.Errorf("the key of %s was changed; start the program again", k.dir)
	}
	one := f.Sets[i]
	one.Salt = random(16)
	file, err = json.MarshalIndent(&File{Format: keyFormat, Version: keyVersion, Sets: []set{one}}, "", "  ")
	return append(file, '\n'), k.sub(one.Salt, "record"), err
}

// MAC says who made a backup: only the key gives it.
func (k *Key) MAC(text []byte) []byte {
	mac := hmac.New(sha256.New, k.sub(nil, "backup"))
	mac.Write(text)
	return mac.Sum(nil)
}

// Parse reads a key file out of a backup.
func Parse(text []byte) (*File, error) { return parse(text) }

// RecordIn is the key of the record that lies beside another key file of the same key.
func (k *Key) RecordIn(f *File) ([]byte, error) {
	for _, s := range f.Sets {
		if s.ID == k.id {
			return k.sub(s.Salt, "record"), nil
		}
	}
	return nil, ErrPassphrase
}
