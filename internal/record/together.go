package record

import (
	"context"
	"errors"
	"sync"

	"gradus/internal/audit"
)

// eventsAtOnce is how many writes of events may share one commit. Samples can wait a little, events not: a commit takes
// all the events that wait and only so many samples that the next event does not wait long for its end.
const eventsAtOnce = 128

// job is a write that shares its commit with those that wait beside it.
type job struct {
	test   string
	rows   []eventRow   // events to store,
	blocks []Block      // or samples,
	note   *audit.Entry // or an entry of the audit trail alone
	later  bool         // events go before it
	who    audit.Who
	marks  Marks         // how far the events then are
	noted  []audit.Entry // what was written, for the audit trail
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
func (c *crowd) next(samples int) []*job {
	return take(take(nil, &c.events, eventsAtOnce), &c.later, samples)
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
		s.lead()
	}
	<-j.done
	return j.err
}

// lead commits the jobs that wait, and sees to it that somebody leads as long as there are more.
func (s *core) lead() {
	c := &s.crowd
	c.mu.Lock()
	jobs := c.next(s.samples)
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

// spoilt is what is decided against a job of which something is written already.
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
	w := wave{core: s, tx: tx}
	entries, err := w.write(ctx, jobs)
	if err != nil {
		return s.typed(ctx, err)
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

func onDisk(err error) bool {
	var disk *StorageError
	return errors.As(err, &disk)
}
