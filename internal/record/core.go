package record

import (
	"context"
	"database/sql"
	"sync"
	"time"
)

// core is the record in SQL, which both databases have in common. Queries are written with ? for values and keep to
// what SQLite and PostgreSQL both understand; where they differ, the dialect says how.
type core struct {
	place  string // where the record lies, as errors name it
	now    func() time.Time
	writer *sql.DB // nil when it was opened for reading only
	reader *sql.DB
	dialect
	st    statements
	crowd crowd
	known sync.Map // tests that are there
	salts sync.Map // of their digests
	names names
	cool  func() // waits for the first reading of the names
}

// dialect is what a database does in its own way.
type dialect struct {
	end      string                                                      // the query for the end of the audit trail, which nobody else adds to until the commit
	codeIs   string                                                      // the condition that a participant has a code, in whatever case
	many     many                                                        // writes what many jobs have to write
	samples  int                                                         // how many writes of samples share one commit at most
	snapshot *sql.TxOptions                                              // of a transaction that sees one state of the record
	alone    func(ctx context.Context, tx *sql.Tx) error                 // waits until no other program changes anything but events and samples
	hold     func(ctx context.Context, tx *sql.Tx, tests []string) error // waits until no other program writes events of these tests
	server   bool                                                        // the place is on a server
	blame    func(err error) (kind, behind error)                        // what an error says about disk, file or server; nil: nothing
	wrote    func(jobs int)                                              // is told how many writes a commit has put on disk
}
