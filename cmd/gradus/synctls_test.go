package main

import (
	"bytes"
	"context"
	"encoding/pem"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"gradus/conduct"
	"gradus/internal/localca"
	"gradus/internal/pgtest"
	"gradus/internal/record"
	"gradus/internal/record/recordtest"
	"gradus/protocol"
)

// workedAt makes the record of a site where invented people were tested, with samples.
func workedAt(t *testing.T, dir, name string, people int) {
	t.Helper()
	ctx := context.Background()
	s, err := record.Open(ctx, dir, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for i := range people {
		p, err := s.AddParticipant(ctx, record.Participant{Code: fmt.Sprint("P-", i+1), Name: "Anna Beispiel", BirthDate: fmt.Sprintf("19%02d-02-28", i%100)})
		if err != nil {
			t.Fatal(err)
		}
		test := recordtest.NewTest(fmt.Sprint(name, "-", i+1))
		test.Participant = p.ID
		_, e1 := s.NewTest(ctx, test)
		_, e2 := s.Append(ctx, test.ID, []conduct.Event{recordtest.Event(1, 1), {Term: 1, N: 2, At: 9000, Kind: conduct.Closed, Code: "recovered"}})
		e3 := s.AppendSamples(ctx, test.ID, []record.Block{{Seq: record.SeqOf(1, 1), To: protocol.Ms(9000), Kind: "hr", Payload: []byte{1, 2, 3}}})
		if err := errors.Join(e1, e2, e3); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// started runs the program beside the test and lets it end as it ends.
func started(t *testing.T, args ...string) (*exec.Cmd, *bytes.Buffer) {
	t.Helper()
	cmd := itself(t, args...)
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	return cmd, &said
}

// Two sites on SQLite send at the same time to a centre on PostgreSQL over TLS, with a certificate of an authority of its
// own. Without that authority, with another one, for another name and by plain HTTP nothing is sent. The program of a site
// is killed while it sends, then the centre's; the same commands go on, and everything is there once.
func TestSyncOverTLS(t *testing.T) {
	t.Setenv(databaseVariable, "")
	const people = 40
	dir := t.TempDir()
	at, other := filepath.Join(dir, "centre"), filepath.Join(dir, "other")
	for _, d := range []string{at, other} {
		if _, err := localca.Make(filepath.Join(d, localca.Folder), localca.Ask{Names: []string{"127.0.0.1"}, Now: time.Now()}); err != nil {
			t.Fatal(err)
		}
	}
	authority := filepath.Join(at, localca.Folder, localca.AuthorityFile)
	database := pgtest.Database(t)
	serve := func(listen string) (*exec.Cmd, string) {
		t.Helper()
		cmd, address, _ := program(t, "serve", "--database", database, "--listen", listen, "--no-browser", "--data", at,
			"--tls-cert", filepath.Join(at, localca.Folder, localca.ServerFile), "--tls-key", filepath.Join(at, localca.Folder, localca.ServerKey))
		if !strings.HasPrefix(address, "https://127.0.0.1:") {
			t.Fatal(address)
		}
		return cmd, address
	}
	centre, address := serve("127.0.0.1:0")
	sites := []string{"north", "south"}
	sending := func(name string, more ...string) []string {
		return append([]string{"sync", "send", "--to", address, "--site-key", filepath.Join(dir, name+".key"), "--data", filepath.Join(dir, name)}, more...)
	}
	for _, name := range sites {
		workedAt(t, filepath.Join(dir, name), name, people)
		key := prints(t, 0, "sync", "key", "--site", name, "--database", database)
		if err := os.WriteFile(filepath.Join(dir, name+".key"), []byte(key), 0o600); err != nil {
			t.Fatal(err)
		}
	}

	if text := prints(t, 1, sending("north")...); !strings.Contains(text, "--authority FILE") || !strings.Contains(text, "sent: 0 people") {
		t.Error("without the authority:", text)
	}
	if text := prints(t, 1, sending("north", "--authority", filepath.Join(other, localca.Folder, localca.AuthorityFile))...); !strings.Contains(text, "sent: 0 people") {
		t.Error("with another authority:", text)
	}
	elsewhere := httptest.NewTLSServer(http.NotFoundHandler()) // its certificate is not for localhost
	defer elsewhere.Close()
	trusted := filepath.Join(dir, "elsewhere.pem")
	if err := os.WriteFile(trusted, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: elsewhere.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	for to, want := range map[string]string{strings.Replace(elsewhere.URL, "127.0.0.1", "localhost", 1): "is not the one that --to names", elsewhere.URL: "there is no centre at"} {
		if text := prints(t, 1, "sync", "send", "--to", to, "--authority", trusted, "--site-key", filepath.Join(dir, "north.key"), "--data", filepath.Join(dir, "north")); !strings.Contains(text, want) {
			t.Error(to, text)
		}
	}
	if text := prints(t, 2, "sync", "send", "--to", "http://192.0.2.1:7475", "--site-key", filepath.Join(dir, "north.key"), "--data", filepath.Join(dir, "north")); !strings.Contains(text, "https alone") {
		t.Error("plain:", text)
	}

	// The first sendings are killed once something has arrived; so is the centre, a little later.
	var wait sync.WaitGroup
	killed := make(chan struct{})
	for i, name := range sites {
		cmd, said := started(t, sending(name, "--authority", authority)...)
		wait.Go(func() {
			if i == 0 {
				for noted(dir, name) < 3 && cmd.ProcessState == nil {
					time.Sleep(time.Millisecond)
				}
				_ = cmd.Process.Kill()
				close(killed)
			}
			_ = cmd.Wait()
			t.Logf("%s: %s", name, said)
		})
	}
	<-killed
	_ = centre.Process.Kill()
	_ = centre.Wait()
	wait.Wait()
	if noted(dir, "north") < 3 {
		t.Error("nothing had arrived when the sending was killed")
	}

	_, address = serve(strings.TrimSuffix(strings.TrimPrefix(address, "https://"), "/"))
	for _, name := range sites {
		wait.Go(func() { // both at once
			cmd, said := started(t, sending(name, "--authority", authority)...)
			if err := cmd.Wait(); err != nil {
				t.Error(name, err, said)
			}
		})
	}
	wait.Wait()
	store, err := record.OpenDatabase(context.Background(), database, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	found, e1 := store.Participants(context.Background(), record.ParticipantFilter{})
	tests, e2 := store.Tests(context.Background(), record.TestFilter{})
	if e1 != nil || e2 != nil || found.Total != people*len(sites) || len(tests) != people*len(sites) {
		t.Errorf("%d people, %d tests, %v %v", found.Total, len(tests), e1, e2)
	}
	for _, test := range tests {
		events, e1 := store.Events(context.Background(), test.ID)
		blocks, e2 := store.CountBlocks(context.Background(), test.ID)
		if e1 != nil || e2 != nil || len(events) != 2 || blocks != 1 {
			t.Errorf("%s: %d events, %d blocks, %v %v", test.ID, len(events), blocks, e1, e2)
		}
	}
	if text := prints(t, 0, "sync", "alike", "--database", database); strings.Count(text, ": same birth date and similar name") != people || !strings.Contains(text, fmt.Sprint(people, " pairs")) {
		t.Error(text)
	}
	if _, faults, err := store.VerifyTrail(context.Background(), nil); err != nil || len(faults) > 0 {
		t.Error(faults, err)
	}
}

// noted is how far a site says that it has sent.
func noted(dir, name string) int64 {
	so, err := readSent(filepath.Join(dir, name, sentFile))
	if err != nil {
		return 0
	}
	return so.Seq
}

// Somebody deleted at the centre and somebody whose code is taken there: the command says so in words for a person, ends
// with 1, and tries the one again.
func TestSyncSaysWhatIsLeft(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	at, site := filepath.Join(dir, "centre"), filepath.Join(dir, "north")
	workedAt(t, site, "north", 3)
	key := filepath.Join(dir, "north.key")
	if err := os.WriteFile(key, []byte(printsNew(t, at)), 0o600); err != nil {
		t.Fatal(err)
	}
	store, err := record.Open(ctx, at, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	sites, e1 := store.Sites(ctx)
	_, e2 := store.AddParticipant(ctx, record.Participant{Code: "P-2", Name: "Other", Site: sites[len(sites)-1].ID})
	if err := errors.Join(e1, e2, store.Close()); err != nil {
		t.Fatal(err)
	}
	_, address, _ := program(t, "serve", "--plain", "--listen", "127.0.0.1:0", "--no-browser", "--data", at)
	send := []string{"sync", "send", "--to", address, "--site-key", key, "--data", site}
	text := prints(t, 1, send...)
	if !strings.Contains(text, "P-2 was not taken: somebody who was entered at the centre itself has the code P-2") || !strings.Contains(text, "new there: 2") {
		t.Error(text)
	}
	store, err = record.Open(ctx, at, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	gone, e1 := store.ParticipantByCode(ctx, "P-1")
	_, e2 = store.Erase(ctx, record.Erasure{Participant: gone.ID, By: "XX", Why: "asked for it"})
	other, e3 := store.ParticipantByCode(ctx, "P-2")
	other.Code = "C-2"
	e4 := store.UpdateParticipant(ctx, other)
	if err := errors.Join(e1, e2, e3, e4, store.Close()); err != nil {
		t.Fatal(err)
	}
	if text := prints(t, 0, send...); !strings.Contains(text, "sent: 1 people, of whom new there: 1") {
		t.Error("who was refused is not tried again:", text)
	}
	if text := prints(t, 1, append(send, "--again")...); !strings.Contains(text, "P-1 was deleted at the centre and is sent no more") {
		t.Error(text)
	}
	if text := prints(t, 0, "audit", "show", "--data", site); !strings.Contains(text, "refused") {
		t.Error("the trail of the site does not tell of it", text)
	}
}

func printsNew(t *testing.T, at string) string {
	t.Helper()
	s, err := record.Open(context.Background(), at, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return prints(t, 0, "sync", "key", "--site", "north", "--data", at)
}
