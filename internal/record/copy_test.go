package record_test

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"gradus/conduct"
	"gradus/internal/record"
	"gradus/internal/record/recordtest"
)

var otherKey = []byte("another invented key, 32 bytes..")

// A copy made while somebody writes is one state of the record: all events up to some moment, and it is sound.
func TestCopyBesideAWriter(t *testing.T) {
	for _, key := range [][]byte{nil, testKey} {
		dir := t.TempDir()
		s := openKeyed(t, dir, key)
		addPerson(t, s)
		var n, stop atomic.Uint32
		n.Store(3)
		written := make(chan error, 1)
		go func() {
			var err error
			for err == nil && stop.Load() == 0 {
				_, err = s.Append(ctx, "t", []conduct.Event{recordtest.Event(1, n.Load()+1)})
				n.Add(1)
			}
			written <- err
		}()
		for round := range 5 {
			into := t.TempDir()
			before := n.Load()
			in, err := s.CopyTo(ctx, filepath.Join(into, record.FileName), otherKey)
			if err != nil {
				t.Fatal(err)
			}
			after := n.Load()
			if in["participants"] != 1 || uint32(in["events"]) < before || uint32(in["events"]) > after+1 {
				t.Errorf("round %d: the copy holds %v; %d to %d events were written", round, in, before, after)
			}
			if files := found(t, into, "erfundeneder"); len(files) > 0 {
				t.Errorf("the name stands in %v", files)
			}
			c := openKeyed(t, into, otherKey)
			if events, err := c.Events(ctx, "t"); err != nil || len(events) != int(in["events"]) {
				t.Errorf("%d events, %v", len(events), err)
			}
		}
		stop.Store(1)
		if err := <-written; err != nil {
			t.Error(err)
		}
	}
}

func TestCopyIsBrokenOff(t *testing.T) {
	s := openKeyed(t, t.TempDir(), testKey)
	addPerson(t, s)
	off, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := s.CopyTo(off, filepath.Join(t.TempDir(), "copy"), otherKey); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

// keys are the ways a record changes its key: to another, to none, from none.
var keys = []struct {
	name     string
	from, to []byte
}{{"another key", testKey, otherKey}, {"encrypted", nil, testKey}, {"plain again", testKey, nil}}

func TestSwap(t *testing.T) {
	for _, c := range keys {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			s := openKeyed(t, dir, c.from)
			addPerson(t, s)
			if _, err := record.Hold(ctx, dir, c.from); !errors.Is(err, record.ErrBusy) {
				t.Fatalf("a record that is open was held: %v", err)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			h, err := record.Hold(ctx, dir, c.from)
			if err != nil {
				t.Fatal(err)
			}
			off, cancel := context.WithTimeout(ctx, 100*time.Millisecond)
			if _, err := record.Open(off, dir, record.Options{Key: c.from}); err == nil {
				t.Error("a record that is held was opened")
			}
			cancel()
			if err := h.Copy(ctx, c.to); err != nil {
				t.Fatal(err)
			}
			if fits, err := record.Fits(dir, testKey); err != nil || fits != bytes.Equal(c.from, testKey) {
				t.Error(fits, err)
			}
			if err := h.Swap(); err != nil {
				t.Fatal(err)
			}
			// Somebody is faster than the one who lets go; what he writes must stay.
			s = openKeyed(t, dir, c.to)
			if _, err := s.Append(ctx, "t", []conduct.Event{recordtest.Event(1, 4)}); err != nil {
				t.Fatal(err)
			}
			if err := h.Close(); err != nil {
				t.Fatal(err)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			s = openKeyed(t, dir, c.to)
			if events, err := s.Events(ctx, "t"); err != nil || len(events) != 4 {
				t.Errorf("%d events, %v", len(events), err)
			}
			if err := intact(s); err != nil {
				t.Error(err)
			}
			if left, _ := filepath.Glob(filepath.Join(dir, "*.fresh*")); len(left) > 0 {
				t.Errorf("left behind: %v", left)
			}
			if c.to != nil {
				if files := found(t, dir, "erfundeneder"); len(files) > 0 {
					t.Errorf("the name still stands in %v", files)
				}
				if fits, err := record.Fits(dir, c.to); err != nil || !fits {
					t.Error(fits, err)
				}
			}
		})
	}
}

func TestHoldRefuses(t *testing.T) {
	dir := t.TempDir()
	if _, err := record.Hold(ctx, dir, nil); !errors.Is(err, record.ErrMissing) {
		t.Error(err)
	}
	s := openKeyed(t, dir, testKey)
	addPerson(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := record.Hold(ctx, dir, otherKey); !errors.Is(err, record.ErrKey) {
		t.Error(err)
	}
}

// Whatever page is damaged, reading the whole file finds it or the content is as it was: a page nobody uses.
func TestInspectFindsDamage(t *testing.T) {
	for _, key := range [][]byte{nil, testKey} {
		dir := t.TempDir()
		s := openKeyed(t, dir, key)
		addPerson(t, s)
		for n := range uint32(300) {
			if _, err := s.Append(ctx, "t", []conduct.Event{recordtest.Event(1, n+4)}); err != nil {
				t.Fatal(err)
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(dir, record.FileName)
		whole, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		pages, found := len(whole)/4096, 0
		for page := range pages {
			hurt := bytes.Clone(whole)
			for i := range 200 {
				hurt[page*4096+1000+i] ^= 0x5a
			}
			other := filepath.Join(t.TempDir(), "hurt.db")
			if err := os.WriteFile(other, hurt, 0o600); err != nil {
				t.Fatal(err)
			}
			if _, err := record.Inspect(ctx, other, key); err != nil {
				found++
			}
		}
		// In a plain file a damaged text is still a text; under encryption a whole page goes to pieces.
		if key != nil && found != pages {
			t.Errorf("%d of %d damaged pages were found under encryption", found, pages)
		}
		t.Logf("key %v: %d of %d damaged pages found", key != nil, found, pages)
	}
}
