package record

import (
	"context"
	"database/sql"
	"sync"
)

// atOnce is how many writes may share one commit.
const atOnce = 128

// job is a write that shares its commit with those that wait beside it.
type job struct {
	do   func(ctx context.Context, tx *sql.Tx) error
	err  error
	done chan struct{}
}

// crowd are the jobs that wait while a commit is on its way to the disk. What comes in meanwhile goes into the
// next one, so that many tests at once need few syncs and a single one waits for nobody.
type crowd struct {
	mu      sync.Mutex
	waiting []*job
	busy    bool
}

// together runs do in a transaction that it may share with others, and returns when it is on the disk. An error of
// do undoes only what do did; an error of the disk undoes what all of them did. A call that has begun to wait is
// carried through, whatever becomes of its context.
func (s *SQLite) together(ctx context.Context, do func(ctx context.Context, tx *sql.Tx) error) error {
	if s.writer == nil {
		return &StorageError{Path: s.path, Kind: ErrReadOnly, Err: errOpenedReadOnly}
	}
	if ctx.Err() != nil {
		return s.fault(ctx, ctx.Err())
	}
	j := &job{do: do, done: make(chan struct{})}
	s.crowd.mu.Lock()
	s.crowd.waiting = append(s.crowd.waiting, j)
	lead := !s.crowd.busy
	s.crowd.busy = true
	s.crowd.mu.Unlock()
	if lead {
		s.lead()
	}
	<-j.done
	return j.err
}

// lead commits the jobs that wait, and sees to it that somebody leads as long as there are more.
func (s *SQLite) lead() {
	c := &s.crowd
	c.mu.Lock()
	n := min(len(c.waiting), atOnce)
	jobs := append([]*job(nil), c.waiting[:n]...)
	c.waiting = append(c.waiting[:0], c.waiting[n:]...)
	c.mu.Unlock()
	if err := s.commit(jobs); err != nil {
		for _, j := range jobs {
			if j.err == nil {
				j.err = err
			}
		}
	}
	c.mu.Lock()
	c.busy = len(c.waiting) > 0
	if c.busy {
		go s.lead()
	}
	c.mu.Unlock()
	for _, j := range jobs {
		close(j.done)
	}
}

// commit runs jobs in one transaction. Its own error means that none of them is stored.
func (s *SQLite) commit(jobs []*job) error {
	ctx := context.Background()
	tx, err := s.writer.BeginTx(ctx, nil)
	if err != nil {
		return s.fault(ctx, err)
	}
	defer tx.Rollback()
	if len(jobs) == 1 {
		if err := jobs[0].do(ctx, tx); err != nil {
			return s.typed(ctx, err)
		}
		return s.fault(ctx, tx.Commit())
	}
	for _, j := range jobs {
		if err := s.apart(ctx, tx, j); err != nil {
			return s.typed(ctx, err)
		}
	}
	return s.fault(ctx, tx.Commit())
}

// apart runs a job so that its error undoes nothing of the others. The error it returns has undone everything: after
// some errors of the disk there is no transaction left to go back in.
func (s *SQLite) apart(ctx context.Context, tx *sql.Tx, j *job) error {
	if _, err := tx.StmtContext(ctx, s.st.savepoint).ExecContext(ctx); err != nil {
		return err
	}
	failed := j.do(ctx, tx)
	if failed != nil {
		if _, err := tx.ExecContext(ctx, "ROLLBACK TO job"); err != nil {
			return failed
		}
		j.err = s.typed(ctx, failed)
	}
	_, err := tx.StmtContext(ctx, s.st.release).ExecContext(ctx)
	return err
}
