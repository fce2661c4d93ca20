package record

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"syscall"

	"github.com/ncruces/go-sqlite3"
)

// SQLite's primary result codes that say something about the disk or the file.
const (
	codePerm     = 3
	codeBusy     = 5
	codeLocked   = 6
	codeReadOnly = 8
	codeIO       = 10
	codeCorrupt  = 11
	codeFull     = 13
	codeCantOpen = 14
	codeNotADB   = 26
)

// fault turns an error of the driver into a StorageError where it is one, and leaves the typed errors alone.
func (s *core) fault(ctx context.Context, err error) error {
	if err == nil {
		return nil
	}
	if known := new(StorageError); errors.As(err, &known) {
		return err
	}
	if ctx.Err() != nil {
		return fmt.Errorf("record: %s: not finished: %w", s.place, ctx.Err())
	}
	kind, err := s.blame(err)
	if kind != nil {
		return &StorageError{Path: s.place, Server: s.server, Kind: kind, Err: err}
	}
	return fmt.Errorf("record: %s: %w", s.place, err)
}

func kindOf(err error) error {
	switch {
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, errQuota), errors.Is(err, syscall.EFBIG), fullOnWindows(err):
		return ErrDiskFull
	case errors.Is(err, syscall.EROFS), errors.Is(err, syscall.EACCES), errors.Is(err, syscall.EPERM):
		return ErrReadOnly
	}
	switch codeOf(err) {
	case codeFull:
		return ErrDiskFull
	case codePerm, codeReadOnly, codeCantOpen:
		return ErrReadOnly
	case codeCorrupt, codeNotADB:
		return ErrDamaged
	case codeIO:
		return ErrDisk
	case codeBusy, codeLocked:
		return ErrBusy
	}
	return nil
}

// says is what SQLite's error says about disk or file.
func (s *SQLite) says(err error) (kind, behind error) {
	if kind = kindOf(err); kind == ErrDisk {
		return s.reason(err)
	}
	return kind, err
}

// reason finds why the disk refused. The driver says only that it did, so the disk is asked again.
func (s *SQLite) reason(err error) (error, error) {
	again := s.probe(filepath.Dir(s.place))
	if again == nil {
		return ErrDisk, err
	}
	kind := kindOf(again)
	if kind == nil {
		kind = ErrDisk
	}
	return kind, fmt.Errorf("%w: %w", err, again)
}

// probe writes a small file to a directory and removes it.
func probe(dir string) error {
	f, err := os.CreateTemp(dir, "probe-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name())
	return errors.Join(fill(f), f.Close())
}

func fill(f *os.File) error {
	if _, err := f.Write(make([]byte, 64<<10)); err != nil {
		return err
	}
	return f.Sync()
}

// codeOf returns SQLite's primary result code, whichever driver the error comes from.
func codeOf(err error) int {
	var own *sqlite3.Error
	if errors.As(err, &own) {
		return int(own.Code())
	}
	var code sqlite3.ErrorCode
	if errors.As(err, &code) {
		return int(code)
	}
	var other interface{ Code() int }
	if errors.As(err, &other) {
		return other.Code() & 0xff
	}
	return 0
}

// fullOnWindows reports Windows' ERROR_DISK_FULL and ERROR_HANDLE_DISK_FULL.
func fullOnWindows(err error) bool {
	var number syscall.Errno
	return runtime.GOOS == "windows" && errors.As(err, &number) && (number == 112 || number == 39)
}

var errOpenedReadOnly = errors.New("it was opened for reading only")

// typed leaves the errors that a caller decides on as they are; all others are of the database.
func (s *core) typed(ctx context.Context, err error) error {
	if err == nil || decided(err) {
		return err
	}
	return s.fault(ctx, err)
}

// decided reports whether an error is one that a caller decides on.
func decided(err error) bool {
	var (
		gap      *GapError
		conflict *ConflictError
		block    *BlockConflictError
		code     *CodeTakenError
		day      *DayTakenError
		changed  *ChangedError
		test     *TestTakenError
		invalid  *InvalidError
	)
	return errors.Is(err, ErrNotFound) || errors.Is(err, ErrRunning) ||
		errors.As(err, &gap) || errors.As(err, &conflict) || errors.As(err, &block) ||
		errors.As(err, &code) || errors.As(err, &day) || errors.As(err, &changed) || errors.As(err, &test) || errors.As(err, &invalid)
}
