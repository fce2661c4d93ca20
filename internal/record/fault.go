package record

import (
	"context"
	"errors"
	"fmt"
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
	codeCorrupt  = 11
	codeFull     = 13
	codeCantOpen = 14
	codeNotADB   = 26
)

// fault turns an error of the driver into a StorageError where it is one, and leaves the typed errors alone.
func (s *SQLite) fault(ctx context.Context, err error) error {
	if err == nil {
		return nil
	}
	if known := new(StorageError); errors.As(err, &known) {
		return err
	}
	if ctx.Err() != nil {
		return fmt.Errorf("record: %s: not finished: %w", s.path, ctx.Err())
	}
	if kind := kindOf(err); kind != nil {
		return &StorageError{Path: s.path, Kind: kind, Err: err}
	}
	return fmt.Errorf("record: %s: %w", s.path, err)
}

func kindOf(err error) error {
	switch {
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, errQuota), fullOnWindows(err):
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
	case codeBusy, codeLocked:
		return ErrBusy
	}
	return nil
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
func (s *SQLite) typed(ctx context.Context, err error) error {
	var (
		gap      *GapError
		conflict *ConflictError
		block    *BlockConflictError
		code     *CodeTakenError
		test     *TestTakenError
		invalid  *InvalidError
	)
	switch {
	case err == nil, errors.Is(err, ErrNotFound), errors.Is(err, ErrRunning),
		errors.As(err, &gap), errors.As(err, &conflict), errors.As(err, &block),
		errors.As(err, &code), errors.As(err, &test), errors.As(err, &invalid):
		return err
	}
	return s.fault(ctx, err)
}
