package web

import (
	"context"
	"time"
)

// lastCall is how long no event must have come before the server goes, so that what a page holds is in the record.
const lastCall = 400 * time.Millisecond

// Drain tells every page that the server is going down, and waits until no page delivers any more. The tests go on
// in the pages, which keep their events and deliver them when the server is back.
func (s *Server) Drain(ctx context.Context) {
	s.going.Store(true)
	s.mu.Lock()
	told := 0
	for _, l := range s.live {
		told += l.watchers()
		l.send(message("going", "", []byte("{}")))
	}
	s.mu.Unlock()
	if told == 0 {
		return
	}
	since := time.Now()
	for {
		last := max(s.appended.Load(), since.UnixMilli())
		left := lastCall - time.Since(time.UnixMilli(last))
		if left <= 0 {
			return
		}
		select {
		case <-time.After(left):
		case <-ctx.Done():
			return
		}
	}
}
