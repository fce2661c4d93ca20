package main

import (
	"context"
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"gradus/internal/audit"
	"gradus/internal/record"
	"gradus/internal/record/recordtest"
)

// Every command that reads people or tests of a record leaves an entry with the user's name, beside an open record as well.
func TestCommandsEnterTheirLooks(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	s, err := record.Open(ctx, dir, record.Options{}) // as a server has it open
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	p, err := s.AddParticipant(ctx, record.Participant{Code: "A-1"})
	if err != nil {
		t.Fatal(err)
	}
	test := recordtest.NewTest("T")
	test.Participant = p.ID
	if _, err := s.NewTest(ctx, test); err != nil {
		t.Fatal(err)
	}
	if _, err := s.KeepStudyCodes(ctx, 1, map[string]string{"A-1": "S-1"}); err != nil {
		t.Fatal(err)
	}
	me := "command/" + operator()
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"log"}, "see people"},
		{[]string{"log", "T"}, "see test/T"},
		{[]string{"export", "fhir", "T"}, "see test/T"},
		{[]string{"export", "data", "T", "--identified", "--out", filepath.Join(t.TempDir(), "d.zip")}, "see test/T"},
		{[]string{"files", "--codes", filepath.Join(t.TempDir(), "codes.csv")}, "see study-codes"},
		{[]string{"audit", "show", "--person", "A-1"}, "see trail"},
		{[]string{"audit", "export"}, "export trail"},
		{[]string{"backup", "--to", filepath.Join(t.TempDir(), "b.zip")}, "export record"},
	} {
		before, err := s.Head(ctx)
		if err != nil {
			t.Fatal(err)
		}
		_, _, errw := command(t, append(c.args, "--data", dir)...)
		list, err := s.Entries(ctx, record.TrailFilter{Actor: "command", After: before.Seq})
		if err != nil {
			t.Fatal(err)
		}
		if !slices.ContainsFunc(list, func(e audit.Entry) bool { return e.Actor == me && e.Action+" "+e.Entity == c.want }) {
			t.Errorf("%v left %v\n%s", c.args, list, errw)
		}
	}
	if _, faults, err := s.VerifyTrail(ctx, nil); err != nil || len(faults) > 0 {
		t.Error(faults, err)
	}
}

// Where no entry can be written, what was asked for is shown, and it is said that the look is not entered.
func TestALookThatCannotBeEntered(t *testing.T) {
	ctx := asCommand()
	s, err := record.Open(ctx, t.TempDir(), record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	p, err := s.AddParticipant(ctx, record.Participant{Code: "A-1"})
	if err != nil {
		t.Fatal(err)
	}
	var told strings.Builder
	read := lookAt(&env{err: &told}, s, func(context.Context) (record.Store, error) { return nil, errors.New("the medium is read-only") })
	for range 2 {
		if _, err := read.Participant(ctx, p.ID); err != nil {
			t.Error(err)
		}
		if _, err := read.Visits(ctx, record.VisitFilter{Participant: p.ID}); err != nil {
			t.Error(err)
		}
	}
	if err := read.Close(); err != nil || strings.Count(told.String(), "does NOT stand in the audit trail: the medium is read-only") != 1 {
		t.Errorf("%v %q", err, told.String())
	}
}
