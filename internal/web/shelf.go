package web

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"strings"
	"sync"

	"gradus/conduct"
	"gradus/estimate"
	estimators "gradus/estimate/library"
	"gradus/internal/record"
	"gradus/internal/verified"
	"gradus/internal/web/core"
	"gradus/protocol"
	protocols "gradus/protocol/library"
	"gradus/simulate"
)

// shelf holds the protocols and estimators that were read, so that each is read once.
type shelf struct {
	mu         sync.Mutex
	protocols  map[string]*protocol.Protocol // shipped, by id
	sent       map[string]*protocol.Protocol // as a test was begun with, by hash
	estimators map[string]*estimate.Estimator
	verified   bool // the site takes no equation that nobody has compared with its paper
	own        *siteFiles
	compared   string // what the comparisons were when the estimators were read
	log        *slog.Logger
}

func newShelf(own *siteFiles, demand bool) *shelf {
	return &shelf{own: own, verified: demand, log: own.log, protocols: map[string]*protocol.Protocol{}, sent: map[string]*protocol.Protocol{}, estimators: map[string]*estimate.Estimator{}}
}

// estimator returns the one a protocol names, joined with those beside it; nil when it names none.
func (s *shelf) estimator(o *protocol.Outcome) (*estimate.Estimator, error) {
	id := strings.Join(append([]string{o.Estimator, o.Women}, o.Also...), " ")
	records := s.comparisons()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.compared != records {
		clear(s.estimators)
		s.compared = records
	}
	if e := s.estimators[id]; e != nil {
		return e, nil
	}
	e, err := estimators.Of(o)
	if err != nil || e == nil {
		return nil, err
	}
	s.applyRecords(e)
	if s.verified {
		e.Demand()
	}
	s.estimators[id] = e
	return e, nil
}

// comparisons says which there are: another text when one was added or changed, by this server or another one.
func (s *shelf) comparisons() string {
	var b strings.Builder
	for _, f := range s.own.of(record.FileVerified) {
		fmt.Fprintf(&b, "%d %d\n", f.ID, f.At.UnixMilli())
	}
	return b.String()
}

// recordOf is the site's comparison of an equation with its paper; nil when there is none.
func (s *shelf) recordOf(id string) ([]byte, error) {
	for _, f := range s.own.of(record.FileVerified) {
		if f.Name == id {
			return f.Content, nil
		}
	}
	return nil, nil
}

// applyRecords puts in what the site compared with the papers. A record that does not fit stands on the equation's page and
// in the log; the equation then counts as not compared.
func (s *shelf) applyRecords(e *estimate.Estimator) {
	for _, err := range verified.Apply(e, s.recordOf) {
		s.log.Warn("record of a comparison with the paper", "error", err)
	}
}

// protocol returns a shipped protocol, or the newest version of one of the site's own.
func (s *shelf) protocol(id string) (*protocol.Protocol, error) {
	if versions := s.versions(id); len(versions) > 0 {
		return s.ownProtocol(id, versions[0])
	}
	s.mu.Lock()
	p := s.protocols[id]
	s.mu.Unlock()
	if p != nil {
		return p, nil
	}
	p, err := protocols.Load(id, estimators.LineOf)
	if err != nil {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.protocols[id] = p
	return p, nil
}

// planOf returns the protocol that a test was begun with, which is the one its page got.
func (s *shelf) planOf(t record.Test) (*protocol.Protocol, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if p := s.sent[t.Hash]; p != nil {
		return p, nil
	}
	p := &protocol.Protocol{}
	if err := json.Unmarshal(t.Sent, p); err != nil {
		return nil, fmt.Errorf("test %s: its protocol cannot be read: %w", t.ID, err)
	}
	s.sent[t.Hash] = p
	return p, nil
}

// loadOf is what a page and the replay of a test begin with.
func (s *shelf) loadOf(t record.Test, events []conduct.Event) (core.Load, error) {
	p, err := s.planOf(t)
	if err != nil {
		return core.Load{}, err
	}
	e, err := s.estimator(&p.Outcome)
	if err != nil {
		return core.Load{}, err
	}
	if events == nil {
		events = []conduct.Event{}
	}
	load := core.Load{Protocol: p, Events: events}
	if e != nil {
		for i := range events {
			if b := events[i].Begin; b != nil {
				joined, err := estimators.WithExpectations(e, &b.Inputs)
				if err != nil {
					return core.Load{}, err
				}
				if joined != e { // the equations beside it were read anew
					for _, other := range joined.Beside[len(e.Beside):] {
						s.applyRecords(other)
					}
				}
				e = joined
				break
			}
		}
		own := *e // the conductor prepares it anew, and others read this one
		load.Estimator = &own
	}
	return load, nil
}

// inventedFor picks which of the invented bodies a demo person has; those with a past go on as they were last.
func inventedFor(person int64) int {
	for i := range past {
		if p := &past[len(past)-1-i]; int64(p.who) == person-1 {
			return p.body
		}
	}
	return int(person-1+int64(len(simulate.Invented))) % len(simulate.Invented)
}
