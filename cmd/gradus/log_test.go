package main

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"gradus/conduct"
	"gradus/internal/record"
)

// TestLogScripts runs the scripts about the record. Each finds one with two invented tests in the folder "clinic".
func TestLogScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{Dir: filepath.Join("testdata", "log"), Setup: func(env *testscript.Env) error {
		return inventRecord(filepath.Join(env.WorkDir, "clinic"))
	}})
}

func inventRecord(dir string) error {
	ctx := context.Background()
	day := time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)
	now := func() time.Time { day = day.Add(time.Minute); return day }
	s, err := record.Open(ctx, dir, record.Options{Now: now})
	if err != nil {
		return err
	}
	defer s.Close()
	anna, err := s.AddParticipant(ctx, record.Participant{Code: "P-001", Name: "Anna Beispiel", BirthDate: "1950-02-28"})
	if err != nil {
		return err
	}
	for _, test := range []record.Test{
		{ID: "t-1", Participant: anna.ID, Protocol: "invented", Version: "1", Hash: "00ff", Sent: []byte("{}")},
		{ID: "t-2", Protocol: "invented", Version: "1", Hash: "00ff", Sent: []byte("{}"), Demo: true},
	} {
		if _, err := s.NewTest(ctx, test); err != nil {
			return err
		}
	}
	begin := &conduct.Begin{Format: conduct.FormatVersion, Protocol: "invented", Version: "1", Hash: "00ff"}
	_, err = s.Append(ctx, "t-1", []conduct.Event{
		{Term: 1, N: 1, Kind: conduct.Began, Begin: begin},
		{Term: 1, N: 2, At: 1250, Kind: conduct.Note, Text: "own shoes and orthosis"},
		{Term: 1, N: 3, At: 2000, Kind: conduct.Closed, Code: "examiner"},
	})
	return err
}
