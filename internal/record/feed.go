package record

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
)

// Message is what a program tells the others that work on the same database.
type Message struct {
	Kind string          `json:"k"`
	Test string          `json:"t,omitempty"`
	Body json.RawMessage `json:"b,omitempty"` // at most MaxBody bytes
}

// MaxBody is the longest body of a message: PostgreSQL carries 8,000 bytes in one piece.
const MaxBody = 7000

const (
	channel    = "gradus"
	mostAtOnce = 7900                 // bytes of one notification
	toldAtMost = 4096                 // messages that wait
	gather     = 3 * time.Millisecond // between two notifications, each of which the database handles like a commit
)

// feed sends what the program has to tell.
type feed struct {
	id            string // of this program, so that it knows its own messages again
	wait          chan Message
	end           func()
	ending, ended chan struct{}
}

func newFeed() *feed {
	f := &feed{id: rand.Text(), wait: make(chan Message, toldAtMost), ending: make(chan struct{}), ended: make(chan struct{})}
	f.end = sync.OnceFunc(func() { close(f.ending) })
	return f
}

// Tell tells the other programs something, soon and in order, and waits for nothing. A message is lost when the
// database is away or too much waits: who listens must be able to find out by itself.
func (s *Postgres) Tell(m Message) {
	if s.feed == nil || len(m.Body) > MaxBody {
		return
	}
	select {
	case s.feed.wait <- m:
	default:
	}
}

// tell sends what waits, as many messages at once as fit.
func (s *Postgres) tell() {
	defer close(s.feed.ended)
	for {
		var m Message
		select {
		case m = <-s.feed.wait:
		case <-s.feed.ending:
			return
		}
		var b strings.Builder
		b.WriteString(s.feed.id)
		for more := true; more; {
			line, err := json.Marshal(m)
			if err == nil && b.Len()+len(line)+1 > mostAtOnce {
				s.notify(b.String())
				b.Reset()
				b.WriteString(s.feed.id)
			}
			b.WriteString("\n")
			b.Write(line)
			select {
			case m = <-s.feed.wait:
			default:
				more = false
			}
		}
		s.notify(b.String())
		time.Sleep(gather)
	}
}

// notify needs no disk: nothing is stored.
func (s *Postgres) notify(payload string) {
	_, _ = s.writer.ExecContext(context.Background(), `SELECT set_config('synchronous_commit', 'off', true), pg_notify('`+channel+`', ?)`, payload)
}

// Listen gives what other programs tell to take, until the context ends. Whenever it begins to hear, at first and
// after the database was away, it calls begin: what was told before may have been missed.
func (s *Postgres) Listen(ctx context.Context, begin func(), take func(Message)) {
	for ctx.Err() == nil {
		_ = s.listen(ctx, begin, take)
		_ = pause(ctx, 500*time.Millisecond)
	}
}

// quietAtMost is for how long nothing may be heard before the connection is tried.
const quietAtMost = 5 * time.Second

func (s *Postgres) listen(ctx context.Context, begin func(), take func(Message)) error {
	c, err := pgx.ConnectConfig(ctx, s.config.Copy())
	if err != nil {
		return err
	}
	defer func() {
		end, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		defer cancel()
		c.Close(end)
	}()
	if err := within(ctx, quietAtMost, func(ctx context.Context) error {
		_, err := c.Exec(ctx, "LISTEN "+channel)
		return err
	}); err != nil {
		return err
	}
	begin()
	for {
		err := within(ctx, quietAtMost, func(ctx context.Context) error {
			n, err := c.WaitForNotification(ctx)
			if err == nil {
				s.heard(n.Payload, take)
			}
			return err
		})
		if err == nil {
			continue
		}
		if ctx.Err() != nil || c.IsClosed() {
			return err
		}
		if err := within(ctx, quietAtMost, c.Ping); err != nil {
			return err
		}
	}
}

func within(ctx context.Context, d time.Duration, do func(context.Context) error) error {
	ctx, cancel := context.WithTimeout(ctx, d)
	defer cancel()
	return do(ctx)
}

func (s *Postgres) heard(payload string, take func(Message)) {
	who, lines, _ := strings.Cut(payload, "\n")
	if who == s.feed.id {
		return
	}
	for line := range strings.Lines(lines) {
		var m Message
		if json.Unmarshal([]byte(line), &m) == nil {
			take(m)
		}
	}
}
