package main

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gradus/internal/record"
)

// What a record keeps as files is listed and written out; nothing that is there is written over.
func TestFilesCommand(t *testing.T) {
	ctx, dir, to := context.Background(), t.TempDir(), filepath.Join(t.TempDir(), "own")
	s, err := record.Open(ctx, dir, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range []record.File{{Kind: record.FileProtocol, Name: "ours", Version: "2", Content: []byte("id: ours\n"), By: "KL"}, {Kind: record.FileVerified, Name: "astrand-cycle", Content: []byte("x")}, {Kind: record.FileUpload, Name: "u", Content: []byte("people")}} {
		if _, err := s.KeepFile(ctx, f, false); err != nil {
			t.Fatal(err)
		}
	}
	codes := filepath.Join(t.TempDir(), "codes.csv")
	if code, _, errw := command(t, "files", "--data", dir, "--codes", codes); code != exitRefused || !strings.Contains(errw, "has no study codes") {
		t.Errorf("no codes: exit %d, %s", code, errw)
	}
	if _, err := s.KeepStudyCodes(ctx, 0, map[string]string{"P-1": "S-A"}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"files", "--data", dir}, {"files", "--data", dir, "--to", to}} {
		if code, out, errw := command(t, args...); code != exitDone || !strings.Contains(out, "protocol  ours") || !strings.Contains(out, "astrand-cycle") || strings.Contains(out, "upload") {
			t.Errorf("%v: exit %d\n%s%s", args, code, out, errw)
		}
	}
	if text, err := os.ReadFile(filepath.Join(to, "protocols", "ours", "2.yaml")); err != nil || string(text) != "id: ours\n" {
		t.Errorf("%s, %v", text, err)
	}
	if code, _, errw := command(t, "files", "--data", dir, "--to", to); code != exitRefused || !strings.Contains(errw, "is there already") {
		t.Errorf("a second time: exit %d, %s", code, errw)
	}
	if code, _, errw := command(t, "files", "--data", dir, "--codes", codes); code != exitDone {
		t.Errorf("codes: exit %d, %s", code, errw)
	}
	if text, err := os.ReadFile(codes); err != nil || string(text) != "participant,code\r\nP-1,S-A\r\n" {
		t.Errorf("%q, %v", text, err)
	}
	if info, err := os.Stat(codes); err != nil || info.Mode().Perm() != 0o600 {
		t.Error("others can read who is who", err)
	}
}
