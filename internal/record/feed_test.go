package record_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"gradus/internal/pgtest"
	"gradus/internal/record"
)

// What one program tells, the others hear, in order, long and short; it does not hear itself. After the server was away
// they begin to hear anew.
func TestFeed(t *testing.T) {
	server, err := pgtest.New()
	if err != nil {
		t.Fatal(err)
	}
	defer server.Stop()
	teller, hearer := openDatabase(t, server.URL("postgres")), openDatabase(t, server.URL("postgres"))
	ctx, cancel := context.WithCancel(ctx)
	heard, began := make(chan record.Message, 1000), make(chan struct{}, 10)
	var wait sync.WaitGroup
	wait.Go(func() { hearer.Listen(ctx, func() { began <- struct{}{} }, func(m record.Message) { heard <- m }) })
	defer wait.Wait()
	defer cancel()
	await(t, began)
	hearer.Tell(record.Message{Kind: "own"})
	round := func() {
		for i := range 100 {
			body, _ := json.Marshal(strings.Repeat("x", i*60))
			teller.Tell(record.Message{Kind: "k", Test: fmt.Sprint(i), Body: body})
		}
		teller.Tell(record.Message{Kind: "too long", Body: json.RawMessage(`"` + strings.Repeat("x", record.MaxBody) + `"`)})
		for i := range 100 {
			if m := await(t, heard); m.Kind != "k" || m.Test != fmt.Sprint(i) || len(m.Body) != i*60+2 {
				t.Fatalf("message %d is %s of %s, %d bytes", i, m.Kind, m.Test, len(m.Body))
			}
		}
	}
	round()
	if err := errors.Join(server.Kill(), server.Start()); err != nil {
		t.Fatal(err)
	}
	await(t, began)
	round()
}

func await[T any](t *testing.T, from chan T) T {
	t.Helper()
	select {
	case v := <-from:
		return v
	case <-time.After(time.Minute):
		t.Fatal("nothing came")
		panic("unreachable")
	}
}

func TestKept(t *testing.T) {
	a, b := openDatabase(t, migrated(t)), open(t, t.TempDir())
	type keeper interface {
		Kept(context.Context, string) ([]byte, error)
		Keep(context.Context, string, []byte) error
		KeepFirst(context.Context, string, []byte) ([]byte, error)
	}
	for name, s := range map[string]keeper{"PostgreSQL": a, "SQLite": b} {
		if _, err := s.Kept(ctx, "k"); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("%s: nothing: %v", name, err)
		}
		if got, err := s.KeepFirst(ctx, "k", []byte("one")); err != nil || string(got) != "one" {
			t.Errorf("%s: first: %q, %v", name, got, err)
		}
		if got, err := s.KeepFirst(ctx, "k", []byte("two")); err != nil || string(got) != "one" {
			t.Errorf("%s: second: %q, %v", name, got, err)
		}
		if err := s.Keep(ctx, "k", []byte{0, 255}); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if got, err := s.Kept(ctx, "k"); err != nil || string(got) != "\x00\xff" {
			t.Errorf("%s: at last: %q, %v", name, got, err)
		}
	}
}
