package record

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"slices"
	"sync"

	"gradus/internal/audit"
)

// How many writes may share one commit. Samples can wait a little, events not: a commit takes all the events that
// wait and only so many samples that the next event does not wait long for its end.
const (
	eventsAtOnce  = 128
	samplesAtOnce = 24
)

// job is a write that shares its commit with those that wait beside it.
type job struct {
	test  string
	do    func(ctx context.Context, tx *sql.Tx) error // decides before it writes, else its error is spoilt; may be called again after a rollback
	later bool                                        // samples: events go before it
	who   audit.Who
	noted []audit.Entry // what do has written, for the audit trail
	err   error
	done  chan struct{}
}

// crowd are the jobs that wait while a commit is on its way to the disk. What comes in meanwhile goes into the
// next one, so that many tests at once need few syncs and a single one waits for nobody.
type crowd struct {
	mu            sync.Mutex
	events, later []*job
	busy          bool
	alone         bool // no events come here, so that samples need not leave room for them
}

// next takes the jobs of the next commit.
func (c *crowd) next() []*job {
	if c.alone {
		jobs := take(nil, &c.later, eventsAtOnce)
		// In one order, so that two programs that store the same blocks never wait for each other.
		slices.SortStableFunc(jobs, func(a, b *job) int { return cmp.Compare(a.test, b.test) })
		return jobs
	}
	jobs := take(nil, &c.events, eventsAtOnce)
	return take(jobs, &c.later, samplesAtOnce)
}

func take(jobs []*job, from *[]*job, most int) []*job {
	n := min(len(*from), most)
	jobs = append(jobs, (*from)[:n]...)
	*from = append((*from)[:0], (*from)[n:]...)
	return jobs
}

// together runs a job in a transaction that it may share with others, and returns when it is on the disk. What the
// job decides against is refused alone; an error of the disk undoes what all of them did. A call that has begun to wait is
// carried through, whatever becomes of its context.
func (s *core) together(ctx context.Context, j *job) error {
	if s.writer == nil {
		return &StorageError{Path: s.place, Server: s.server, Kind: ErrReadOnly, Err: errOpenedReadOnly}
	}
	if ctx.Err() != nil {
		return s.fault(ctx, ctx.Err())
	}
	j.done, j.who = make(chan struct{}), audit.From(ctx)
	c := &s.crowd
	if j.later && s.samplers.alone {
		c = &s.samplers
	}
	c.mu.Lock()
	if j.later {
		c.later = append(c.later, j)
	} else {
		c.events = append(c.events, j)
	}
	lead := !c.busy
	c.busy = true
	c.mu.Unlock()
	if lead {
		s.lead(c)
	}
	<-j.done
	return j.err
}

// lead commits the jobs that wait, and sees to it that somebody leads as long as there are more.
func (s *core) lead(c *crowd) {
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
		go s.lead(c)
	}
	c.mu.Unlock()
	s.wrote(len(jobs))
	for _, j := range jobs {
		close(j.done)
	}
}

// commit runs jobs in one transaction. Its own error means that none of them is stored. When the database refuses
// what one of them holds, each goes alone, so that it spoils nothing for the others.
func (s *core) commit(jobs []*job) error {
	ctx := context.Background()
	err := s.commitOnce(ctx, jobs)
	if err == nil || len(jobs) == 1 || onDisk(err) {
		return unspoilt(err)
	}
	for _, j := range jobs {
		if err := s.commitOnce(ctx, []*job{j}); err != nil {
			j.err = unspoilt(err)
		}
	}
	return nil
}

// spoilt is what a job decides after it has written something.
type spoilt struct{ error }

func (s spoilt) Unwrap() error { return s.error }

func unspoilt(err error) error {
	var late spoilt
	if errors.As(err, &late) {
		return late.error
	}
	return err
}

// commitOnce gives each job the error that is its own alone, and returns the one that undid them all.
func (s *core) commitOnce(ctx context.Context, jobs []*job) error {
	tx, err := s.writer.BeginTx(ctx, nil)
	if err != nil {
		return s.fault(ctx, err)
	}
	defer tx.Rollback()
	if tests := written(jobs); len(tests) > 0 {
		if err := s.hold(ctx, tx, tests); err != nil {
			return s.fault(ctx, err)
		}
	}
	var entries []audit.Entry
	for _, j := range jobs {
		j.noted = nil
		err := j.do(ctx, tx)
		if err != nil && (!decided(err) || errors.As(err, new(spoilt))) {
			return s.typed(ctx, err)
		}
		j.err = err
		if err == nil {
			entries = append(entries, j.entries()...)
		}
	}
	if len(entries) > 0 {
		if err := s.addEntries(ctx, tx, entries); err != nil {
			return s.fault(ctx, err)
		}
	}
	return s.fault(ctx, tx.Commit())
}

// entries are what the job has noted, with who did it.
func (j *job) entries() []audit.Entry {
	for i := range j.noted {
		j.noted[i].Actor, j.noted[i].Session = j.who.Actor, j.who.Session
	}
	return j.noted
}

// written are the tests whose events are written. Samples need no order among themselves.
func written(jobs []*job) (tests []string) {
	for _, j := range jobs {
		if !j.later {
			tests = append(tests, j.test)
		}
	}
	return tests
}

func onDisk(err error) bool {
	var disk *StorageError
	return errors.As(err, &disk)
}
