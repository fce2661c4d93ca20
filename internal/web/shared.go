package web

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/json"
	"slices"
	"time"

	"gradus/conduct"
	"gradus/internal/record"
)

// Shared is a record that several servers work on at once: a page may come to any of them, and an observer of a test
// may sit at another one than the page that runs it. What a single server keeps in files beside the record, these keep
// in the record itself.
type Shared interface {
	Kept(ctx context.Context, name string) ([]byte, error)
	Keep(ctx context.Context, name string, content []byte) error
	KeepFirst(ctx context.Context, name string, content []byte) ([]byte, error)
	EventsSince(ctx context.Context, test string, marks record.Marks) ([]conduct.Event, error)
	Tell(m record.Message)
	Listen(ctx context.Context, begin func(), take func(record.Message))
}

// What servers tell each other.
const (
	toldEvents  = "events"  // of a test that are stored
	toldSamples = "samples" // of a test, which are the message's body
	toldShow    = "show"    // what the participant's screen of a test shows
	toldClock   = "clock"   // of a test, which was set anew
	toldFiles   = "files"   // of the site, which changed
)

const (
	// lookEvery is how often a server looks for events that nobody told of: their server died before it could.
	lookEvery = 10 * time.Second
	shortly   = 10 * time.Second // is how long it waits for the record beside a page's own request
)

func sharedKey(shared Shared) ([]byte, error) {
	key := make([]byte, sha256.Size)
	if _, err := rand.Read(key); err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(context.Background(), shortly)
	defer cancel()
	return shared.KeepFirst(ctx, keyFile, key)
}

// tell tells the other servers, if there can be any.
func (s *Server) tell(kind, test string, body any) {
	if s.shared == nil {
		return
	}
	m := record.Message{Kind: kind, Test: test}
	if body != nil {
		text, err := json.Marshal(body)
		if err != nil {
			return
		}
		m.Body = text
	}
	s.shared.Tell(m)
}

// hear shows the observers at this server what happens at others, until the server stops.
func (s *Server) hear() {
	ctx, cancel := context.WithCancel(context.Background())
	go func() {
		<-s.done
		cancel()
	}()
	go s.shared.Listen(ctx, s.catchUpAll, s.heard)
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			s.catchUpAll()
		case <-s.done:
			return
		}
	}
}

func (s *Server) heard(m record.Message) {
	switch m.Kind {
	case toldClock:
		s.clocks.forget(m.Test)
		return
	case toldFiles:
		s.lib.own.forget()
		return
	}
	s.mu.Lock()
	l := s.live[m.Test]
	s.mu.Unlock()
	if l == nil {
		return
	}
	switch m.Kind {
	case toldEvents:
		go s.catchUp(l)
	case toldSamples:
		l.send(message("samples", "", m.Body))
	case toldShow:
		var what shown
		if json.Unmarshal(m.Body, &what) == nil {
			l.show(what)
		}
	}
}

func (s *Server) catchUpAll() {
	s.mu.Lock()
	var watched []*live
	for _, l := range s.live {
		if l.watchers() > 0 {
			watched = append(watched, l)
		}
	}
	s.mu.Unlock()
	for _, l := range watched {
		s.catchUp(l)
	}
}

// catchUp shows the observers of a test what was stored elsewhere. Several calls at once become one.
func (s *Server) catchUp(l *live) {
	if l.behind.Swap(true) {
		return
	}
	l.append.Lock()
	defer l.append.Unlock()
	l.behind.Store(false)
	ctx, cancel := context.WithTimeout(context.Background(), shortly)
	defer cancel()
	if err := s.showSince(ctx, l, l.known()); err != nil {
		s.log.Warn("events of another server", "test", l.id, "error", err)
	}
}

// showSince shows what the record has and the observers have not.
func (s *Server) showSince(ctx context.Context, l *live, marks record.Marks) error {
	events, err := s.shared.EventsSince(ctx, l.id, marks)
	if err != nil || len(events) == 0 {
		return err
	}
	marks = slices.Clone(marks)
	for _, e := range events {
		marks = mark(marks, e.ID())
	}
	return l.stored(events, marks)
}

func (l *live) known() record.Marks {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clone(l.marks)
}

// missed reports whether the record has events that neither the observers had nor this call brought.
func (l *live) missed(events []conduct.Event, marks record.Marks) bool {
	known := l.known()
	fresh := map[conduct.ID]bool{}
	for _, e := range events {
		if e.N > known.N(e.Term) {
			fresh[e.ID()] = true
		}
	}
	all := 0
	for _, m := range marks {
		all += int(m.N - min(m.N, known.N(m.Term)))
	}
	return all > len(fresh)
}
