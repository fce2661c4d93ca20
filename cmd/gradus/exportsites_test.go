package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gradus/internal/record"
	"gradus/internal/web"
)

// Two people of two sites who have the same code are not taken for one, unless it was decided that they are: then they go
// under one study code.
func TestExportOfTwoSites(t *testing.T) {
	ctx := t.Context()
	dir := t.TempDir()
	s, err := record.Open(ctx, dir, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if err := web.Invent(ctx, s); err != nil {
		t.Fatal(err)
	}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	test, err := s.Test(ctx, "demo-4-2")
	must(err)
	events, err := s.Events(ctx, test.ID)
	must(err)
	one, err := s.Participant(ctx, test.Participant)
	must(err)
	north, err := s.AddSite(ctx, record.Site{Name: "North"})
	must(err)
	other, err := s.AddParticipant(ctx, record.Participant{Code: one.Code, Site: north.ID})
	must(err)
	test.ID, test.Participant, test.Visit, test.Site, test.Created, test.Closed = "north", other.ID, 0, 0, time.Time{}, time.Time{}
	_, err = s.NewTest(ctx, test)
	must(err)
	_, err = s.Append(ctx, "north", events)
	must(err)

	codes := filepath.Join(t.TempDir(), "codes.csv")
	export := func(want int, how ...string) string {
		t.Helper()
		return prints(t, want, append([]string{"export", "data", "demo-4-2", "north", "--data", dir, "--out", filepath.Join(t.TempDir(), "study.zip")}, how...)...)
	}
	if text := export(1, "--codes", codes); !strings.Contains(text, "people of two sites have the code "+one.Code) {
		t.Error(text)
	}
	export(0, "--identified")
	prints(t, 0, "sync", "alike", "--same", one.Code+"@1", one.Code+"@North", "--by", "KL", "--why", "same number", "--data", dir)
	export(0, "--codes", codes)
	if list, err := os.ReadFile(codes); err != nil || strings.Count(string(list), "S-") != 1 {
		t.Error(string(list), err)
	}
}
