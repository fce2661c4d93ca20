package intake

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"gradus/conduct"
	"gradus/estimate"
	estimators "gradus/estimate/library"
	"gradus/internal/exchange"
	"gradus/internal/exchange/grid"
	"gradus/internal/mapping"
	"gradus/internal/record"
	"gradus/protocol"
	protocols "gradus/protocol/library"
)

var (
	ctx = context.Background()
	now = time.Date(2026, 6, 1, 10, 0, 0, 0, time.UTC)
)

func plans(id string) (*protocol.Protocol, *estimate.Estimator, error) {
	p, err := protocols.Load(id, estimators.LineOf)
	if err != nil {
		return nil, nil, err
	}
	e, err := estimators.Of(&p.Outcome)
	return p, e, err
}

const mapped = `format: gradus-mapping/1
id: our-sheet
version: "1"
title: Our stepper tests
source: an invented clinic
rows: test
dates: dmy
protocol: {is: recumbent-stepper}
columns:
  participant: {column: Code}
  name: {column: Name}
  birth_date: {column: Born}
  date: {column: Day}
  time: {column: At}
  examiner: {column: By}
  sex: {column: Sex}
  age_years: {column: Age}
  mass_kg: {column: kg}
  rate_limiting_drug: {column: Beta}
  rest_hr_bpm: {column: Rest}
readings:
  - {stage: "1", minute: 2, columns: {hr_bpm: HR2}}
  - {stage: "1", minute: 3, columns: {hr_bpm: HR3}}
  - {stage: "2", minute: 5, columns: {hr_bpm: HR5, work_w: W2}}
  - {stage: "2", minute: 6, columns: {hr_bpm: HR6, rpe: RPE6}}
`

const table = `Code;Name;Born;Day;At;By;Sex;Age;kg;Beta;Rest;HR2;HR3;W2;HR5;HR6;RPE6
P-01;Alder (invented);;04/03/2019;09:30;X;female;67;68,5;no;68;92;94;75;115;119;11
P-02;Birch (invented);02/05/1960;23/04/2019;;;male;58;81,2;no;66;99;103;50;120;122;13
P-01;Alder (invented);;05/09/2019;;;female;67;68;no;67;90;91;75;112;115;10
`

func look(t *testing.T, store record.Store, text string) *Look {
	t.Helper()
	m, err := mapping.Read("m.yaml", []byte(mapped))
	if err != nil {
		t.Fatal(err)
	}
	g, err := grid.Read("old.csv", []byte(text), "", 0)
	if err != nil {
		t.Fatal(err)
	}
	l, err := Sheets(ctx, store, g, Digest([]byte(text)), m, plans, now)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func open(t *testing.T) record.Store {
	t.Helper()
	store, err := record.Open(ctx, t.TempDir(), record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { store.Close() })
	return store
}

func accept(t *testing.T, store record.Store, l *Look) record.BroughtIn {
	t.Helper()
	b, err := l.Batch("AB", now)
	if err != nil {
		t.Fatal(err)
	}
	added, err := store.BringIn(ctx, b)
	if err != nil {
		t.Fatal(err)
	}
	return added
}

// What was brought in stands in the record as a typed test would, says where it came from, and is exported like one.
func TestSheetsIntoTheRecord(t *testing.T) {
	store := open(t)
	l := look(t, store, table)
	if n := l.Counts(); len(l.Problems) > 0 || n != (Counts{2, 2, 3, 3, 15, 3}) {
		t.Fatalf("%+v %v", n, l.Problems)
	}
	if found, err := store.Participants(ctx, record.ParticipantFilter{}); err != nil || found.Total > 0 {
		t.Fatal("something was stored by looking", err)
	}
	if added := accept(t, store, l); added != (record.BroughtIn{People: 2, Visits: 3, Tests: 3, Facts: 3}) {
		t.Errorf("%+v", added)
	}
	p, err := store.ParticipantByCode(ctx, "p-02")
	if err != nil || p.Name != "Birch (invented)" || p.BirthDate != "1960-05-02" || p.Sex != conduct.Male {
		t.Errorf("%+v %v", p, err)
	}
	for i := range l.People {
		for _, one := range l.People[i].Tests {
			r, err := exchange.ReadTest(ctx, store, one.StoredAs)
			if err != nil {
				t.Fatal(err)
			}
			if r.State != one.State || r.Judged.Verdict != one.Judged.Verdict || r.Judged.Estimate.Value != one.Judged.Estimate.Value {
				t.Errorf("%s says %v, the file %v", one.StoredAs, r.Judged.Estimate.Value, one.Judged.Estimate.Value)
			}
			if text := r.Events[0].Text; text != fmt.Sprintf("Brought in from old.csv, row %d.", one.Row) {
				t.Error(text)
			}
			facts, err := store.Facts(ctx, r.Test.Visit)
			if err != nil || len(facts) != 1 || facts[0].Kind != FactSheet || facts[0].By != "AB" || !strings.Contains(string(facts[0].JSON), fmt.Sprintf(`"row":%d`, one.Row)) || !strings.Contains(string(facts[0].JSON), `"rate_limiting_drug":"no"`) {
				t.Error(facts, err)
			}
			if f := r.FHIR(); f.Date != one.Person.Date {
				t.Errorf("day %s, want %s", f.Date, one.Person.Date)
			}
			if c := r.CaseOf(); c.Date != one.Person.Date || c.Participant != l.People[i].Code || c.Cells["time"] != one.Person.Said["time"] {
				t.Errorf("%+v", c)
			}
		}
	}
	first, err := store.Test(ctx, l.People[0].Tests[0].StoredAs)
	if err != nil || !first.Created.Equal(time.Date(2019, 3, 4, 9, 30, 0, 0, time.UTC)) || first.Running() {
		t.Errorf("%+v %v", first, err)
	}
}

// The same file once more, renamed and with its rows in another order, adds nothing.
func TestSameSheetTwice(t *testing.T) {
	store := open(t)
	accept(t, store, look(t, store, table))
	lines := strings.SplitAfter(table, "\n")
	l := look(t, store, lines[0]+lines[3]+lines[2]+lines[1])
	if n := l.Counts(); n.NewTests != 0 || n.NewPeople != 0 || n.Tests != 3 || len(l.Problems) > 0 {
		t.Errorf("%+v %v", n, l.Problems)
	}
	if added := accept(t, store, l); !added.None() {
		t.Errorf("%+v", added)
	}
	l = look(t, store, strings.Replace(table, ";119;", ";121;", 1))
	if len(l.Problems) != 1 || !strings.Contains(l.Problems[0].String(), "old.csv, row 2: the record has this test of P-01 on 2019-03-04 already, with other values; it stays as it is") {
		t.Error(l.Problems)
	}
	if added := accept(t, store, l); !added.None() {
		t.Errorf("%+v", added)
	}
}

// What does not fit whom the record knows is told, by row.
func TestWhoIsKnown(t *testing.T) {
	store := open(t)
	known, err := store.AddParticipant(ctx, record.Participant{Code: "P-01", Name: "Somebody (invented)", Sex: conduct.Male})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := store.AddParticipant(ctx, record.Participant{Code: "OTHER", Name: "Birch (invented)", BirthDate: "1960-05-02", Sex: conduct.Male}); err != nil {
		t.Fatal(err)
	}
	l := look(t, store, table+"P-02;;;24/04/2019;;;female;58;81,2;no;66;99;103;50;120;122;13\n;;;24/04/2019;;;female;58;81,2;no;66;99;103;50;120;122;13\nP-03;;;;;;female;58;81,2;no;66;99;103;50;120;122;13\n")
	var problems []string
	for _, p := range l.Problems {
		problems = append(problems, p.Cell()+" "+p.Msg)
	}
	want := []string{"row 2 the sex is female, the record says male of P-01; is it the same person?", "row 4 the sex is female, the record says male of P-01; is it the same person?",
		"row 5 the sex is female, another row says male of P-02; is it the same person?", "row 6 there is no participant; every row needs the code of the person",
		"row 7 there is no date; without its day a test cannot be put into the record"}
	if strings.Join(problems, "\n") != strings.Join(want, "\n") {
		t.Error(strings.Join(problems, "\n"))
	}
	if len(l.Notes) != 1 || !strings.Contains(l.Notes[0].Msg, "P-02 is new, but may be the same person as OTHER in the record") {
		t.Error(l.Notes)
	}
	accept(t, store, l)
	if again, err := store.Participant(ctx, known.ID); err != nil || again.Sex != conduct.Male {
		t.Error(again, err)
	}
	if tests, err := store.Tests(ctx, record.TestFilter{}); err != nil || len(tests) != 1 {
		t.Error(tests, err)
	}
}

// If one of them cannot be stored, none is.
func TestAllOrNothing(t *testing.T) {
	store := open(t)
	l := look(t, store, table)
	if _, err := store.AddParticipant(ctx, record.Participant{Code: "p-02"}); err != nil { // somebody adds the person meanwhile
		t.Fatal(err)
	}
	b, err := l.Batch("AB", now)
	if err != nil {
		t.Fatal(err)
	}
	var taken *record.CodeTakenError
	if _, err := store.BringIn(ctx, b); !errors.As(err, &taken) {
		t.Fatal(err)
	}
	if _, err := store.ParticipantByCode(ctx, "P-01"); !errors.Is(err, record.ErrNotFound) {
		t.Error(err)
	}
	if tests, err := store.Tests(ctx, record.TestFilter{}); err != nil || len(tests) > 0 {
		t.Error(tests, err)
	}
}
