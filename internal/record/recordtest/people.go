package recordtest

import (
	"errors"
	"strings"
	"testing"

	"gradus/conduct"
	"gradus/internal/record"
)

func participants(t *testing.T, b *bench) {
	anna := record.Participant{Code: " P-001 ", Name: "Anna Beispiel", BirthDate: "1950-02-28", Sex: conduct.Female, Note: "invented\nperson"}
	got := must(b.AddParticipant(ctx, anna))(t)
	if got.ID == 0 || got.Created.IsZero() || got.Code != "P-001" {
		t.Errorf("stored as %+v", got)
	}
	equal(t, "read back", must(b.Participant(ctx, got.ID))(t), got)

	got.Name, got.BirthDate, got.Sex, got.Code = "", "", conduct.SexUnknown, "p-001"
	if err := b.UpdateParticipant(ctx, got); err != nil {
		t.Fatal(err)
	}
	equal(t, "after the update", must(b.Participant(ctx, got.ID))(t), got)

	nobody, err := b.Participant(ctx, got.ID+1)
	missing(t, "an unknown person", err)
	nobody.ID, nobody.Code = got.ID+1, "P-002"
	missing(t, "update of an unknown person", b.UpdateParticipant(ctx, nobody))
}

func search(t *testing.T, b *bench) {
	for _, p := range []record.Participant{{Code: "B-20", Name: "Östen Ärlig"}, {Code: "a-10", Name: "Anna Beispiel"}, {Code: "C-30"}, {Code: "100%_sure"}} {
		must(b.AddParticipant(ctx, p))(t)
	}
	for _, c := range []struct {
		query string
		limit int
		codes string
	}{
		{"", 0, "100%_sure a-10 B-20 C-30"},
		{"", 2, "100%_sure a-10"},
		{"östen", 0, "B-20"},
		{"ÄRLIG  b-", 0, "B-20"},
		{"ei", 0, "a-10"},
		{"anna 30", 0, ""},
		{"%", 0, "100%_sure"},
		{"0_", 0, ""},
		{"'; DROP TABLE participants", 0, ""},
	} {
		var codes []string
		for _, p := range must(b.Participants(ctx, record.ParticipantFilter{Query: c.query, Limit: c.limit}))(t).People {
			codes = append(codes, p.Code)
		}
		equal(t, "search for "+c.query, strings.Join(codes, " "), c.codes)
	}
}

func participantsRefused(t *testing.T, b *bench) {
	first := must(b.AddParticipant(ctx, record.Participant{Code: "P-001"}))(t)
	second := must(b.AddParticipant(ctx, record.Participant{Code: "P-002"}))(t)
	_, err := b.AddParticipant(ctx, record.Participant{Code: "p-001"})
	equal(t, "holder of the code", refused[*record.CodeTakenError](t, "a code in use", err).By, first.ID)
	second.Code = "P-001"
	refused[*record.CodeTakenError](t, "update to a code in use", b.UpdateParticipant(ctx, second))
	for what, p := range map[string]record.Participant{
		"no code":     {Code: "  "},
		"long code":   {Code: strings.Repeat("ü", 65)},
		"no day":      {Code: "x", BirthDate: "1950-02-30"},
		"other date":  {Code: "x", BirthDate: "28.02.1950"},
		"unknown sex": {Code: "x", Sex: 9},
		"no UTF-8":    {Code: "x", Name: "\xff"},
	} {
		_, err := b.AddParticipant(ctx, p)
		refused[*record.InvalidError](t, what, err)
	}
	equal(t, "people", must(b.Participants(ctx, record.ParticipantFilter{}))(t).Total, 2)
}

func tests(t *testing.T, b *bench) {
	anna := must(b.AddParticipant(ctx, record.Participant{Code: "A"}))(t)
	want := NewTest("t-1")
	want.Participant, want.Demo = anna.ID, false
	got := must(b.NewTest(ctx, want))(t)
	if got.Created.IsZero() || !got.Running() {
		t.Errorf("stored as %+v", got)
	}
	equal(t, "read back", must(b.Test(ctx, "t-1"))(t), got)
	equal(t, "the same once more", must(b.NewTest(ctx, want))(t), got)
	b.test(t, "t-2")
	must(b.Append(ctx, "t-2", []conduct.Event{Event(1, 1), {Term: 1, N: 2, Kind: conduct.Closed, Code: "recovered"}}))(t)
	for _, c := range []struct {
		filter record.TestFilter
		ids    string
	}{
		{record.TestFilter{}, "t-1 t-2"},
		{record.TestFilter{Participant: anna.ID}, "t-1"},
		{record.TestFilter{Running: true}, "t-1"},
		{record.TestFilter{Running: true, Participant: anna.ID + 1}, ""},
	} {
		seen := map[string]bool{}
		for _, test := range must(b.Tests(ctx, c.filter))(t) {
			seen[test.ID] = true
			if test.Sent != nil {
				t.Error("a list of tests carries protocols")
			}
		}
		for _, id := range []string{"t-1", "t-2"} {
			if seen[id] != strings.Contains(c.ids, id) {
				t.Errorf("%+v: %s listed %v", c.filter, id, seen[id])
			}
		}
	}
	equal(t, "with a limit", len(must(b.Tests(ctx, record.TestFilter{Limit: 1}))(t)), 1)
}

func testsRefused(t *testing.T, b *bench) {
	b.test(t, "t-1")
	other := NewTest("t-1")
	other.Hash = "00fe"
	_, err := b.NewTest(ctx, other)
	refused[*record.TestTakenError](t, "another test of the same id", err)
	_, err = b.Test(ctx, "t-2")
	missing(t, "an unknown test", err)
	for what, change := range map[string]func(*record.Test){
		"no id":       func(t *record.Test) { t.ID = "" },
		"a path":      func(t *record.Test) { t.ID = "../t" },
		"a long id":   func(t *record.Test) { t.ID = strings.Repeat("t", 65) },
		"no protocol": func(t *record.Test) { t.Protocol = "" },
		"no hash":     func(t *record.Test) { t.Hash = "" },
		"no JSON":     func(t *record.Test) { t.Sent = []byte(`{"id":`) },
	} {
		test := NewTest("t-3")
		change(&test)
		_, err := b.NewTest(ctx, test)
		refused[*record.InvalidError](t, what, err)
	}
	stranger := NewTest("t-4")
	stranger.Participant = 77
	_, err = b.NewTest(ctx, stranger)
	missing(t, "a test of an unknown person", err)
	equal(t, "tests", len(must(b.Tests(ctx, record.TestFilter{}))(t)), 1)
}

func reassign(t *testing.T, b *bench) {
	anna := must(b.AddParticipant(ctx, record.Participant{Code: "A"}))(t)
	bert := must(b.AddParticipant(ctx, record.Participant{Code: "B"}))(t)
	b.test(t, "t")
	must(b.Append(ctx, "t", span(1, 1, 2)))(t)
	if err := b.Reassign(ctx, "t", anna.ID, "examiner", "wrong person picked"); !errors.Is(err, record.ErrRunning) {
		t.Errorf("while it runs: %v", err)
	}
	must(b.Append(ctx, "t", []conduct.Event{{Term: 1, N: 3, Kind: conduct.Closed, Code: "examiner"}}))(t)
	missing(t, "an unknown test", b.Reassign(ctx, "u", anna.ID, "examiner", "x"))
	missing(t, "an unknown person", b.Reassign(ctx, "t", 77, "examiner", "x"))
	refused[*record.InvalidError](t, "without a reason", b.Reassign(ctx, "t", anna.ID, "examiner", " "))
	for _, to := range []int64{anna.ID, bert.ID} {
		if err := b.Reassign(ctx, "t", to, "examiner", "wrong person picked"); err != nil {
			t.Fatal(err)
		}
	}
	refused[*record.InvalidError](t, "to the same person", b.Reassign(ctx, "t", bert.ID, "examiner", "x"))
	equal(t, "participant", must(b.Test(ctx, "t"))(t).Participant, bert.ID)
	list := must(b.Reassignments(ctx, "t"))(t)
	if len(list) != 2 {
		t.Fatalf("reassignments: %+v", list)
	}
	for i, want := range []record.Reassignment{{From: 0, To: anna.ID}, {From: anna.ID, To: bert.ID}} {
		want.By, want.Why, want.When = "examiner", "wrong person picked", list[i].When
		equal(t, "reassignment", list[i], want)
	}
	if list[0].When.IsZero() {
		t.Error("a reassignment without its moment")
	}
}
