package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"

	"gradus/conduct"
	"gradus/internal/vault"
	"gradus/internal/web/core"
	"gradus/internal/whole"
)

// Boot is a reading of the clock that runs since the machine started, sleep included. ID names the start.
type Boot struct {
	ID string
	Ms int64
}

// anchor ties test time to the clocks of this machine. It is made when a page says what time its test has.
type anchor struct {
	BootID string `json:"boot_id"`
	BootMs int64  `json:"boot_ms"`
	WallMs int64  `json:"wall_ms"`
	TestMs int64  `json:"test_ms"`
}

// clockFile keeps the anchors, one small file for each test, so that they outlive the program. Several servers of one
// record keep them there.
type clockFile struct {
	dir    string
	key    *vault.Key // what the files and their names are hidden with; nil: they are plain
	shared Shared     // instead of the files; nil: none
	mu     sync.Mutex
	had    map[string]anchor
}

func openClocks(dir string, key *vault.Key, shared Shared) (*clockFile, error) {
	if shared != nil {
		return &clockFile{shared: shared, had: map[string]anchor{}}, nil
	}
	dir = filepath.Join(dir, "clocks")
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("%w; make the data directory writable or choose another with --data", err)
	}
	c := &clockFile{dir: dir, key: key, had: map[string]anchor{}}
	return c, c.tidy()
}

// tidy removes what stood there before the record was encrypted: a clock that is gone is asked for.
func (c *clockFile) tidy() error {
	if c.key == nil {
		return nil
	}
	plain, err := filepath.Glob(filepath.Join(c.dir, "*.json"))
	for _, path := range plain {
		err = errors.Join(err, os.Remove(path))
	}
	return err
}

// path of the file of a test; who has not the key does not learn from it that there was a test.
func (c *clockFile) path(test string) string {
	if c.key != nil {
		return filepath.Join(c.dir, c.key.Hide("clock "+test))
	}
	return filepath.Join(c.dir, test+".json")
}

// get returns the anchor of a test. A file that cannot be read counts as none: the examiner is asked the time.
func (c *clockFile) get(test string) (anchor, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if a, ok := c.had[test]; ok {
		return a, true
	}
	text, err := c.read(test)
	var a anchor
	if err != nil || json.Unmarshal(text, &a) != nil {
		return anchor{}, false
	}
	c.had[test] = a
	return a, true
}

func (c *clockFile) read(test string) ([]byte, error) {
	if c.shared == nil {
		text, err := os.ReadFile(c.path(test))
		if err != nil || c.key == nil {
			return text, err
		}
		return c.key.Unseal("clock "+test, text)
	}
	ctx, cancel := context.WithTimeout(context.Background(), shortly)
	defer cancel()
	return c.shared.Kept(ctx, "clocks/"+test)
}

func (c *clockFile) write(test string, text []byte) error {
	if c.shared == nil {
		if c.key != nil {
			text = c.key.Seal("clock "+test, text)
		}
		return whole.Write(c.path(test), text)
	}
	ctx, cancel := context.WithTimeout(context.Background(), shortly)
	defer cancel()
	return c.shared.Keep(ctx, "clocks/"+test, text)
}

// forget makes the next get read anew.
func (c *clockFile) forget(test string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.had, test)
}

func (c *clockFile) put(test string, a anchor) error {
	text, err := json.Marshal(a)
	if err != nil {
		return err
	}
	if err := c.write(test, text); err != nil {
		return err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.had[test] = a
	return nil
}

// drift is how far a page's time may lie from what its anchor says before the anchor is made anew, in ms of
// test time at single speed.
const drift = 250

// keepTime notes what time a test has. The anchor on disk is written only when it would be wrong.
func (s *Server) keepTime(test string, testMs int64) {
	now := s.clockNow()
	if a, ok := s.clocks.get(test); ok && a.BootID == now.BootID && now.BootID != "" {
		off := a.TestMs + (now.BootMs-a.BootMs)*int64(s.speed) - testMs
		if max(off, -off) <= drift*int64(s.speed) {
			return
		}
	}
	now.TestMs = testMs
	if err := s.clocks.put(test, now); err != nil {
		s.log.Error("clock not kept", "test", test, "error", err)
	}
	s.tell(toldClock, test, nil)
}

func (s *Server) clockNow() anchor {
	a := anchor{WallMs: s.now().UnixMilli()}
	if b, ok := s.boot(); ok {
		a.BootID, a.BootMs = b.ID, b.Ms
	}
	return a
}

// wallAtMost is how long a difference of wall times is believed for the time that is shown, as in package conduct.
const wallAtMost = 30 * 60 * 1000

// timeOf says how much test time has gone by since the last event, by each clock, and the best guess of test time
// now (-1: not known). Before the first load is set the clock of a test stands at zero.
func (s *Server) timeOf(test string, events []conduct.Event) (core.Clocks, int64) {
	last, begun := int64(0), false
	for i := range events {
		last = max(last, int64(events[i].At))
		begun = begun || events[i].Kind == conduct.StageBegun
	}
	a, ok := s.clocks.get(test)
	if !ok {
		if begun || last > 0 {
			return core.Clocks{}, -1
		}
		return core.Clocks{SameBoot: true}, 0
	}
	now := s.clockNow()
	var c core.Clocks
	best := int64(-1)
	wall := a.TestMs + (now.WallMs-a.WallMs)*int64(s.speed)
	c.HasWall, c.WallMs = true, wall-last
	if c.WallMs >= 0 && c.WallMs <= wallAtMost*int64(s.speed) {
		best = wall
	}
	if a.BootID != "" && a.BootID == now.BootID {
		boot := max(a.TestMs+(now.BootMs-a.BootMs)*int64(s.speed), last)
		c.SameBoot, c.BootMs, best = true, boot-last, boot
	}
	return c, best
}

// nowOf is the best guess of test time now, for observers; -1 when not known.
func (s *Server) nowOf(test string) int64 {
	a, ok := s.clocks.get(test)
	if !ok {
		return -1
	}
	now := s.clockNow()
	if a.BootID != "" && a.BootID == now.BootID {
		return a.TestMs + (now.BootMs-a.BootMs)*int64(s.speed)
	}
	if gone := now.WallMs - a.WallMs; gone >= 0 && gone <= wallAtMost {
		return a.TestMs + gone*int64(s.speed)
	}
	return -1
}
