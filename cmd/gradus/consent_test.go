package main

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gradus/internal/record"
)

// part is a file of an archive of scripts.
func part(t *testing.T, archive, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", archive))
	if err != nil {
		t.Fatal(err)
	}
	_, rest, there := strings.Cut(string(text), "\n-- "+name+" --\n")
	if !there {
		t.Fatalf("%s holds no %s", archive, name)
	}
	rest, _, _ = strings.Cut(rest, "\n-- ")
	return rest + "\n"
}

// What leaves for research asks what the person said: nobody asked is told, refused or withdrawn stops the file, agreed lets
// it go, and the last word counts. Nothing is written where it stops.
func TestExportAsksForConsent(t *testing.T) {
	ctx, dir := context.Background(), t.TempDir()
	for _, name := range []string{"old.csv", "ours.yaml"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(part(t, "importsheets.txtar", name)), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	data := filepath.Join(dir, "rec")
	if code, out, errw := command(t, "import", "sheets", filepath.Join(dir, "old.csv"), "--mapping", filepath.Join(dir, "ours.yaml"), "--today", "2026-06-01", "--data", data, "--plain", "--accept", "--by", "AB", "--leave-out"); code != exitDone {
		t.Fatalf("exit %d\n%s%s", code, out, errw)
	}
	says := func(given bool, day string) {
		t.Helper()
		s, err := record.Open(ctx, data, record.Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		if _, err := s.AddConsent(ctx, record.Consent{Participant: 1, Purpose: record.ForResearch, Given: given, Date: day, By: "KL"}); err != nil {
			t.Fatal(err)
		}
	}
	export := func(what, want string, exit int) {
		t.Helper()
		for kind, tail := range map[string]string{"data": ".zip", "xlsx": ".xlsx"} {
			to := filepath.Join(dir, what+tail)
			code, _, errw := command(t, "export", kind, "190304-eb074d00ff", "--data", data, "--codes", filepath.Join(dir, "codes.csv"), "--out", to)
			if code != exit || want != "" && !strings.Contains(errw, want) || want == "" && strings.Contains(errw, "agrees") {
				t.Errorf("%s, %s: exit %d, %s", kind, what, code, errw)
			}
			if _, err := os.Stat(to); (err == nil) != (exit == exitDone) {
				t.Errorf("%s, %s: the file: %v", kind, what, err)
			}
		}
	}
	export("unasked", "of 1 of 1 tests nobody has written down whether the person agrees", exitDone)
	says(false, "2026-03-01")
	export("refused", "refused or withdrew the use of the data in research on 2026-03-01; leave this test out", exitRefused)
	says(true, "2026-03-05")
	export("agreed", "", exitDone)
	says(false, "2026-04-01")
	export("withdrawn", "on 2026-04-01", exitRefused)
	if code, _, errw := command(t, "export", "fhir", "190304-eb074d00ff", "--data", data, "--out", filepath.Join(dir, "care.json")); code != exitDone {
		t.Errorf("care does not ask for research: exit %d, %s", code, errw)
	}
}

// A backup that is not there is told with what to do.
func TestRestoreWithoutABackup(t *testing.T) {
	for _, args := range [][]string{{"--check"}, {"--data", filepath.Join(t.TempDir(), "new")}} {
		code, _, errw := command(t, append([]string{"restore", filepath.Join(t.TempDir(), "gradus-none.zip")}, args...)...)
		if code != exitRefused || !strings.Contains(errw, "there is no such file") || !strings.Contains(errw, "--backup-dir") {
			t.Errorf("%v: exit %d, %s", args, code, errw)
		}
	}
}
