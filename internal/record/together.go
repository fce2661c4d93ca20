package record

import (
	"context"
	"database/sql"
	"errors"
	"sync"
)

// How many writes may share one commit. Samples can wait a little, events not: a commit takes all the events that
// wait and only so many samples that the next event does not wait long for its end.
const (
	eventsAtOnce  = 128
	samplesAtOnce = 24
)

// job is a write that shares its commit with those that wait beside it.
type job struct {
	do     func(ctx context.Context, tx *sql.Tx) error
	single bool // do writes by one statement at most, so that its error leaves nothing behind
	later  bool // samples: events go before it
	err    error
	done   chan struct{}
}

// crowd are the jobs that wait while a commit is on its way to the disk. What comes in meanwhile goes into the
// next one, so that many tests at once need few syncs and a single one waits for nobody.
type crowd struct {
	mu            sync.Mutex
	events, later []*job
	busy          bool
}

// next takes the jobs of the next commit.
func (c *crowd) next() []*job {
	jobs := take(nil, &c.events, eventsAtOnce)
	return take(jobs, &c.later, samplesAtOnce)
}

func take(jobs []*job, from *[]*job, most int) []*job {
	n := min(len(*from), most)
	jobs = append(jobs, (*from)[:n]...)
	*from = append((*from)[:0], (*from)[n:]...)
	return jobs
}

// together runs a job in a transaction that it may share with others, and returns when it is on the disk. An error of
// the job undoes only what it did; an error of the disk undoes what all of them did. A call that has begun to wait is
// carried through, whatever becomes of its context.
func (s *SQLite) together(ctx context.Context, j *job) error {
	if s.writer == nil {
		return &StorageError{Path: s.path, Kind: ErrReadOnly, Err: errOpenedReadOnly}
	}
	if ctx.Err() != nil {
		return s.fault(ctx, ctx.Err())
	}
	j.done = make(chan struct{})
	s.crowd.mu.Lock()
	if j.later {
		s.crowd.later = append(s.crowd.later, j)
	} else {
		s.crowd.events = append(s.crowd.events, j)
	}
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
	jobs := c.next()
	c.mu.Unlock()
	if err := s.commit(jobs); err != nil {
		for _, j := range jobs {
			if j.err == nil {
				j.err = err
			}
		}
	}
	c.mu.Lock()
	c.busy = len(c.events)+len(c.later) > 0
	if c.busy {
		go s.lead()
	}
	c.mu.Unlock()
	s.tidier.wrote(len(jobs))
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
		alone, failed := s.apart(ctx, tx, j)
		if j.err = s.typed(ctx, failed); !alone || onDisk(j.err) {
			return j.err // the disk may have undone the whole transaction
		}
	}
	return s.fault(ctx, tx.Commit())
}

func onDisk(err error) bool {
	var disk *StorageError
	return errors.As(err, &disk)
}

// apart runs a job; alone says that its error has undone nothing of the others.
func (s *SQLite) apart(ctx context.Context, tx *sql.Tx, j *job) (alone bool, failed error) {
	if j.single {
		return true, j.do(ctx, tx)
	}
	if _, err := tx.StmtContext(ctx, s.st.savepoint).ExecContext(ctx); err != nil {
		return false, err
	}
	if failed = j.do(ctx, tx); failed != nil {
		if _, err := tx.ExecContext(ctx, "ROLLBACK TO job"); err != nil {
			return false, failed
		}
	}
	if _, err := tx.StmtContext(ctx, s.st.release).ExecContext(ctx); err != nil {
		return false, err
	}
	return true, failed
}
