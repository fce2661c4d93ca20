package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gradus/conduct"
	"gradus/internal/record"
	"gradus/internal/record/recordtest"
)

// prints runs the program and returns what it printed.
func prints(t *testing.T, want int, args ...string) string {
	t.Helper()
	var out, errw strings.Builder
	if code := run(args, strings.NewReader(""), &out, &errw); code != want {
		t.Fatalf("gradus %v ended with %d: %s%s", args, code, out.String(), errw.String())
	}
	return out.String() + errw.String()
}

// Two sites with people of the same codes send to a real server of the centre, which is killed in between: each goes on
// where it was, nothing is lost or doubled, and who may be one person is listed there.
func TestSync(t *testing.T) {
	ctx := context.Background()
	at := filepath.Join(t.TempDir(), "centre")
	cmd, address, _ := program(t, "serve", "--plain", "--listen", "127.0.0.1:0", "--no-browser", "--data", at)
	sites := map[string]string{"north": filepath.Join(t.TempDir(), "north"), "south": filepath.Join(t.TempDir(), "south")}
	for name, dir := range sites {
		key := filepath.Join(filepath.Dir(dir), "site.key")
		if err := os.WriteFile(key, []byte(prints(t, 0, "sync", "key", "--site", name, "--data", at)), 0o600); err != nil {
			t.Fatal(err)
		}
		s, err := record.Open(ctx, dir, record.Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, code := range []string{"P-1", "P-2"} {
			p, err := s.AddParticipant(ctx, record.Participant{Code: code, Name: "Anna Beispiel", BirthDate: "1950-02-28"})
			if err != nil {
				t.Fatal(err)
			}
			test := recordtest.NewTest(name + "-" + code)
			test.Participant = p.ID
			_, e1 := s.NewTest(ctx, test)
			_, e2 := s.Append(ctx, test.ID, []conduct.Event{recordtest.Event(1, 1), {Term: 1, N: 2, At: 9000, Kind: conduct.Closed, Code: "recovered"}})
			if err := errors.Join(e1, e2); err != nil {
				t.Fatal(err)
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	send := func(name string, want int) string {
		return prints(t, want, "sync", "send", "--to", address, "--site-key", filepath.Join(filepath.Dir(sites[name]), "site.key"), "--data", sites[name])
	}
	if text := send("north", 0); !strings.Contains(text, "sent: 2 people, of whom new there: 2; new visits 2, tests 2,") {
		t.Error(text)
	}
	_ = cmd.Process.Kill()
	_ = cmd.Wait()
	if text := send("south", 1); !strings.Contains(text, "sent: 0 people") || !strings.Contains(text, "goes on from here") {
		t.Error(text)
	}
	_, address, _ = program(t, "serve", "--plain", "--listen", strings.TrimSuffix(strings.TrimPrefix(address, "http://"), "/"), "--no-browser", "--data", at)
	if text := send("south", 0); !strings.Contains(text, "sent: 2 people, of whom new there: 2;") || !strings.Contains(text, "may be known at the centre") {
		t.Error(text)
	}
	if text := send("south", 0); !strings.Contains(text, "sent: 0 people") {
		t.Error(text)
	}
	if text := prints(t, 0, "sync", "alike", "--data", at); !strings.Contains(text, "P-1@north and P-1@south: same birth date and similar name\n") {
		t.Error(text)
	}
	decideAlike(t, at)
	if text := prints(t, 0, "audit", "verify", "--data", at); !strings.Contains(text, "everything in the record is as it was entered") {
		t.Error(text)
	}
	if text := prints(t, 0, "log", "--data", at); strings.Count(text, "closed") != 4 {
		t.Error(text)
	}
	wrong := filepath.Join(t.TempDir(), "wrong.key")
	if err := os.WriteFile(wrong, []byte(`{"site":2,"key":"`+strings.Repeat("00", 32)+`"}`), 0o600); err != nil {
		t.Fatal(err)
	}
	if text := prints(t, 1, "sync", "send", "--again", "--to", address, "--site-key", wrong, "--data", sites["north"]); !strings.Contains(text, "401") {
		t.Error(text)
	}
	prints(t, 2, "sync", "send", "--to", "http://centre.example.org", "--site-key", wrong, "--data", sites["north"])
}

// decideAlike decides about the two P-1 and P-2 of the centre that TestSync makes.
func decideAlike(t *testing.T, at string) {
	t.Helper()
	alike := func(want int, args ...string) string {
		t.Helper()
		return prints(t, want, append([]string{"sync", "alike", "--data", at}, args...)...)
	}
	says := func(text string, parts ...string) {
		t.Helper()
		for _, part := range parts {
			if !strings.Contains(text, part) {
				t.Errorf("%q is not in %s", part, text)
			}
		}
	}
	who := []string{"--by", "KL", "--why", "same number"}
	says(alike(0), "6 pairs")
	says(alike(2, "--same", "P-1@north", "P-1@south"), "--by NAME and --why TEXT")
	says(alike(2, append(who, "--same", "P-1@north")...), "name two people")
	says(alike(2, "P-1@north", "P-1@south"), "--same, --different or --undo")
	says(alike(1, append(who, "--same", "P-1", "P-2@south")...), "somebody at several sites: ", "P-1@north", "P-1@south")
	says(alike(1, append(who, "--same", "P-9@north", "P-2@south")...), "nobody is named P-9@north")
	says(alike(1, append(who, "--same", "P-1@north", "P-2@north")...), "merge them on the page")
	says(alike(0, append(who, "--same", "P-1@north", "P-1@south")...), "P-1@north and P-1@south: one person from now on")
	says(alike(1, append(who, "--different", "P-1@south", "P-1@north")...), "decided already that they are one person")
	says(alike(0), "5 pairs")
	says(alike(0, append(who, "--different", "P-2@north", "P-1@south")...), "two people from now on")
	says(alike(0), "P-1@north and P-2@north: ", "4 pairs") // a pair of one site is its own
	says(alike(0, append(who, "--undo", "P-1@south", "P-2@north")...), "taken back that they are two people")
	says(alike(1, append(who, "--undo", "P-1@south", "P-2@north")...), "nothing is decided about just")
	says(alike(0, "--decided"), "P-1@north and P-1@south: one person (KL, 2", ": same number)\n", "two people (KL, 2", "; taken back (KL, 2", "2 decisions")
	says(prints(t, 0, "audit", "show", "--data", at), "link/1", "link/2")
}
