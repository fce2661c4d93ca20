package record

import (
	"errors"
	"fmt"

	"gradus/conduct"
)

// What a caller decides on.
var (
	ErrNotFound = errors.New("not in the record")
	ErrRunning  = errors.New("the test is still running; close it first")
)

// GapError says that an event is missing before the first one of a call; Want names it.
type GapError = conduct.GapError

// ConflictError says that another event stands under the same id: two devices believe they hold the pen.
type ConflictError struct {
	Test      string
	ID        conduct.ID
	Have, Got conduct.Event // what is stored, and what was sent
}

func (e *ConflictError) Error() string {
	return fmt.Sprintf("record: test %s already has another event %v (%v, not %v); load the test again and take over the pen", e.Test, e.ID, e.Have.Kind, e.Got.Kind)
}

// BlockConflictError says that other samples stand under the same number.
type BlockConflictError struct {
	Test string
	Seq  uint64
}

func (e *BlockConflictError) Error() string {
	return fmt.Sprintf("record: test %s already has other samples under number %d; number them by device", e.Test, e.Seq)
}

// CodeTakenError says that a participant's code is in use.
type CodeTakenError struct {
	Code string
	By   int64 // the participant who has it
}

func (e *CodeTakenError) Error() string {
	return fmt.Sprintf("record: code %q is in use; choose another or open that participant", e.Code)
}

// DayTakenError says that a person has a visit on a day already.
type DayTakenError struct {
	Date string
	By   int64 // that visit
}

func (e *DayTakenError) Error() string {
	return fmt.Sprintf("record: there is a visit on %s already; choose another day or open that visit", e.Date)
}

// ChangedError says that somebody else has changed something since it was read.
type ChangedError struct {
	What      string
	Have, Got int // the newest version, and the one that was to be changed
}

func (e *ChangedError) Error() string {
	return fmt.Sprintf("record: %s was changed meanwhile (version %d, not %d); open it again and repeat the change", e.What, e.Have, e.Got)
}

// TestTakenError says that another test stands under the same id.
type TestTakenError struct{ ID string }

func (e *TestTakenError) Error() string {
	return fmt.Sprintf("record: test %s exists with other content; give the new test another id", e.ID)
}

// InvalidError says that something can not be stored as it is.
type InvalidError struct{ What, Why string }

func (e *InvalidError) Error() string { return "record: " + e.What + ": " + e.Why }

// What can be wrong with the disk or the file; a StorageError is one of them.
var (
	ErrDiskFull = errors.New("the disk is full")
	ErrReadOnly = errors.New("the record cannot be written")
	ErrDamaged  = errors.New("the record is damaged")
	ErrNewer    = errors.New("the record was written by a newer version of the program")
	ErrForeign  = errors.New("the file is not a record of this program")
	ErrEdited   = errors.New("the record was made with another schema than this program has")
	ErrSettings = errors.New("the database does not keep the settings that make a commit durable")
	ErrDisk     = errors.New("the disk gave an error")
	ErrBusy     = errors.New("another program holds the record")
	ErrMissing  = errors.New("there is no record")
	ErrKey      = errors.New("the key does not open the record")
	ErrAway     = errors.New("the database server does not answer")
	ErrSignIn   = errors.New("the database server does not let this program in")
	ErrTrust    = errors.New("the connection to the database server is not safe")
	ErrClear    = errors.New("the connection would not be encrypted")
	ErrAddress  = errors.New("it is no address of a database")
)

var hints = map[error]string{
	ErrDiskFull: "nothing of this step was stored; free some space, then send it again (a running test goes on in its page)",
	ErrReadOnly: "nothing of this step was stored; make the directory and the file writable for this user, or choose another with --data",
	ErrDamaged:  "stop writing, copy the whole directory as it is, then go on with the last backup",
	ErrNewer:    "nothing was changed; start the newer version",
	ErrForeign:  "nothing was changed; choose another directory with --data",
	ErrEdited:   "nothing was changed; start the version that made it, or go on with a backup",
	ErrSettings: "nothing was changed; keep the data directory on a local disk, not on a network drive",
	ErrDisk:     "nothing of this step was stored; check the disk and how it is connected, then start the program again",
	ErrBusy:     "nothing of this step was stored; close the other program, then try again",
	ErrMissing:  "name the data directory with --data",
	ErrKey:      "nothing was changed; the key file and the record belong together: put both back from the same backup",
}

var serverHints = map[error]string{
	ErrDiskFull: "nothing of this step was stored; free some space on the database server, then send it again (a running test goes on in its page)",
	ErrReadOnly: "nothing of this step was stored; name the server that takes writes, and give its user the right to make and write tables",
	ErrDamaged:  "stop writing, have the administrator of the database copy its files as they are, then go on with the last backup",
	ErrNewer:    hints[ErrNewer],
	ErrForeign:  "nothing was changed; name an empty database with --database",
	ErrEdited:   hints[ErrEdited],
	ErrSettings: "nothing was changed; have the administrator of the database set it: PostgreSQL 15 or newer, synchronous_commit, fsync and full_page_writes on, encoding UTF8",
	ErrDisk:     "nothing of this step was stored; have the administrator of the database check its disk",
	ErrBusy:     "nothing of this step was stored; try again, and have the administrator of the database look for what holds it or for too few connections",
	ErrMissing:  "make the database, or name another with --database",
	ErrAway:     "it is not known whether this step was stored; check the server and the network, then send it again: nothing is stored twice",
	ErrSignIn:   "check user and password in GRADUS_DATABASE or the password file, and the server's list of who may come from where",
	ErrTrust:    "nothing was sent; give the server a certificate for the name in the address, and the file of the authority that signed it by sslrootcert=FILE in the address",
	ErrClear:    "nothing was sent; beyond this machine leave sslmode out of the address, or make it verify-full",
	ErrAddress:  "write it as postgres://user@host/database; letters such as @ : / % in a password are written as %40 %3A %2F %25",
}

// StorageError says what the disk, the file or the server did, where, and what to do. errors.Is finds the kind
// (ErrDiskFull, ErrReadOnly, ErrDisk, ErrDamaged, ErrNewer, ErrForeign, ErrEdited, ErrSettings, ErrBusy, ErrMissing, ErrKey; of a
// server also ErrAway, ErrSignIn, ErrTrust, ErrClear, ErrAddress) and what lies behind.
type StorageError struct {
	Path   string // the database file, or the database on a server
	Server bool   // on a server
	Kind   error
	Err    error // what lies behind, or nil
}

// Hint says what to do.
func (e *StorageError) Hint() string {
	if e.Server {
		return serverHints[e.Kind]
	}
	return hints[e.Kind]
}

func (e *StorageError) Error() string {
	text := "record: " + e.Path + ": " + e.Kind.Error()
	if e.Err != nil {
		text += " (" + e.Err.Error() + ")"
	}
	return text + "; " + e.Hint()
}

// Unwrap gives the kind and what lies behind.
func (e *StorageError) Unwrap() []error {
	if e.Err == nil {
		return []error{e.Kind}
	}
	return []error{e.Kind, e.Err}
}
