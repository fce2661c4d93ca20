package record

import (
	"context"
	"database/sql"
	"sync"
	"sync/atomic"
)

const (
	// tidyAfter is after how many writes what stands in the write-ahead log is copied into the database, beside the
	// writes that go on. Otherwise a commit would do it and keep everyone waiting.
	tidyAfter = 200
	// logPages is when a commit does it after all, so that the log stays small under any load: 16 MB.
	logPages = "4000"
)

// tidier copies the write-ahead log into the database while others write.
type tidier struct {
	db     *sql.DB
	writes atomic.Int64
	wake   chan struct{}
	done   chan struct{}
	closed sync.Once
}

func newTidier(db *sql.DB) *tidier {
	t := &tidier{db: db, wake: make(chan struct{}, 1), done: make(chan struct{})}
	go t.run()
	return t
}

// run copies whenever it is woken. What goes wrong here goes wrong again at the next commit that copies, and is
// reported there.
func (t *tidier) run() {
	defer close(t.done)
	for range t.wake {
		_, _ = t.db.ExecContext(context.Background(), "PRAGMA wal_checkpoint(PASSIVE)")
	}
}

// wrote counts writes and wakes the tidier when there are enough.
func (t *tidier) wrote(n int) {
	if t.writes.Add(int64(n)) < tidyAfter {
		return
	}
	t.writes.Store(0)
	select {
	case t.wake <- struct{}{}:
	default: // it is at work
	}
}

// close waits for the work at hand. No write may follow.
func (t *tidier) close() error {
	t.closed.Do(func() { close(t.wake) })
	<-t.done
	return t.db.Close()
}
