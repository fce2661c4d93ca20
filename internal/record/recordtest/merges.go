package recordtest

import (
	"strings"
	"testing"

	"gradus/conduct"
	"gradus/internal/record"
)

// whole is a person with everything that can be recorded.
func whole() record.Participant {
	return record.Participant{Code: "P-001", Name: "Zoë Beispiel", Identifiers: []record.Identifier{{System: "hospital", Value: "12 345-6"}, {Value: "S9"}}, BirthDate: "1950-02-28",
		AgeYears: 76, AgeTold: "2026-03-02", Sex: conduct.Female, Gender: "woman", Rhythm: conduct.AtrialFib, Condition: conduct.CondHeart | conduct.CondNeurological,
		Conditions: []string{"stroke 2023, left side"}, Drugs: []record.Drug{{Name: "a beta-blocker", Class: "beta-blocker", Dose: "50 mg", Taken: "8:00"}}, Note: "invented"}
}

func details(t *testing.T, b *bench) {
	p := must(b.AddParticipant(ctx, whole()))(t)
	equal(t, "read back", must(b.Participant(ctx, p.ID))(t), p)
	equal(t, "by code", must(b.ParticipantByCode(ctx, " p-001 "))(t), p)
	p.Identifiers, p.Drugs, p.Conditions, p.AgeYears, p.AgeTold = p.Identifiers[:1], nil, append(p.Conditions, "asthma"), 0, ""
	if err := b.UpdateParticipant(ctx, p); err != nil {
		t.Fatal(err)
	}
	equal(t, "after the update", must(b.Participant(ctx, p.ID))(t), p)
	empty := whole()
	empty.Code, empty.Identifiers, empty.Conditions, empty.Drugs = "P-002", []record.Identifier{{System: "x", Value: " "}}, []string{" "}, []record.Drug{{}}
	got := must(b.AddParticipant(ctx, empty))(t)
	if got.Identifiers != nil || got.Conditions != nil || got.Drugs != nil {
		t.Errorf("empty lines were stored: %+v", got)
	}
	_, err := b.ParticipantByCode(ctx, "P-003")
	missing(t, "an unknown code", err)
	for what, change := range map[string]func(*record.Participant){
		"an age of no day":     func(p *record.Participant) { p.AgeTold = "" },
		"a day of no age":      func(p *record.Participant) { p.AgeYears = 0 },
		"an impossible age":    func(p *record.Participant) { p.AgeYears = 150 },
		"no day":               func(p *record.Participant) { p.AgeTold = "today" },
		"an unknown rhythm":    func(p *record.Participant) { p.Rhythm = 77 },
		"an unknown condition": func(p *record.Participant) { p.Condition = 128 },
		"no UTF-8":             func(p *record.Participant) { p.Drugs[0].Dose = "\xff" },
		"a long identifier":    func(p *record.Participant) { p.Identifiers[0].Value = strings.Repeat("1", 1025) },
	} {
		bad := whole()
		bad.Code = "P-004"
		change(&bad)
		_, err := b.AddParticipant(ctx, bad)
		refused[*record.InvalidError](t, what, err)
	}
}

func archive(t *testing.T, b *bench) {
	anna, bert := b.person(t, "A"), b.person(t, "B")
	codes := func(archived bool) string { return b.codes(t, record.ParticipantFilter{Archived: archived}) }
	if err := b.Archive(ctx, anna.ID, true); err != nil {
		t.Fatal(err)
	}
	equal(t, "in the lists", codes(false), "B")
	equal(t, "in the archive", codes(true), "A")
	stored := must(b.Participant(ctx, anna.ID))(t)
	if stored.Archived.IsZero() {
		t.Error("the archived person has no moment")
	}
	if err := b.Archive(ctx, anna.ID, true); err != nil {
		t.Fatal(err)
	}
	equal(t, "archived twice", must(b.Participant(ctx, anna.ID))(t), stored)
	if err := b.Archive(ctx, anna.ID, false); err != nil {
		t.Fatal(err)
	}
	equal(t, "put back", must(b.Participant(ctx, anna.ID))(t), anna)
	equal(t, "in the lists", codes(false), "A B")
	missing(t, "archive of nobody", b.Archive(ctx, bert.ID+7, true))
}

// codes are those of the people who are found.
func (b *bench) codes(t *testing.T, f record.ParticipantFilter) string {
	t.Helper()
	var codes []string
	for _, p := range must(b.Participants(ctx, f))(t).People {
		codes = append(codes, p.Code)
	}
	return strings.Join(codes, " ")
}

// Every word of the query matches code, name or identifier, in whatever case, with or without accents, and what
// another program has just changed is found.
func searchAll(t *testing.T, b *bench) {
	for _, p := range []record.Participant{
		{Code: "A-1", Name: "Zoë Müller", Identifiers: []record.Identifier{{System: "hospital", Value: "H-4711"}}},
		{Code: "A-2", Name: "Ştefan Łukasz Strauß"},
		{Code: "A-3", Name: "Zoe\u0308 Smith"}, // the accent as a letter of its own
		{Code: "A-4", Name: "Ελένη Пётр"},
	} {
		must(b.AddParticipant(ctx, p))(t)
	}
	for query, codes := range map[string]string{
		"zoe": "A-1 A-3", "ZOË": "A-1 A-3", "muller": "A-1", "MÜLL": "A-1", "4711 zo": "A-1", "h-47": "A-1", "hospital": "",
		"stefan lukasz": "A-2", "strauss": "A-2", "STRAUß": "A-2", "ελενη": "A-4", "петр": "A-4", "a-": "A-1 A-2 A-3 A-4", "zoe lukasz": "", "4711x": "",
	} {
		equal(t, "search for "+query, b.codes(t, record.ParticipantFilter{Query: query}), codes)
	}
	second := b.another(t)
	late := must(second.AddParticipant(ctx, record.Participant{Code: "a-0", Name: "Zoé"}))(t)
	equal(t, "one that another program added", b.codes(t, record.ParticipantFilter{Query: "zoe"}), "a-0 A-1 A-3")
	late.Code, late.Name = "B-9", "Renamed"
	if err := second.UpdateParticipant(ctx, late); err != nil {
		t.Fatal(err)
	}
	equal(t, "by the old name", b.codes(t, record.ParticipantFilter{Query: "zoe"}), "A-1 A-3")
	equal(t, "all in order", b.codes(t, record.ParticipantFilter{}), "A-1 A-2 A-3 A-4 B-9")
	page := must(b.Participants(ctx, record.ParticipantFilter{Offset: 3, Limit: 1}))(t)
	if page.Total != 5 || len(page.People) != 1 || page.People[0].Code != "A-4" {
		t.Errorf("page %+v", page)
	}
	equal(t, "beyond the end", must(b.Participants(ctx, record.ParticipantFilter{Offset: 9, Limit: 1}))(t), record.Found{Total: 5})
}

func duplicates(t *testing.T, b *bench) {
	anna := must(b.AddParticipant(ctx, record.Participant{Code: "A", Name: "Anna Beispiel", BirthDate: "1950-02-28", Identifiers: []record.Identifier{{System: "hospital", Value: "12 345-6"}}}))(t)
	for _, c := range []struct {
		what string
		p    record.Participant
		why  string
	}{
		{"a slip of the pen", record.Participant{Name: "Ana Beispiel", BirthDate: "1950-02-28"}, record.SameBirth},
		{"other order, second name", record.Participant{Name: "BEISPIEL, Anna Maria", BirthDate: "1950-02-28"}, record.SameBirth},
		{"an initial", record.Participant{Name: "A. Beispiel", BirthDate: "1950-02-28"}, record.SameBirth},
		{"another birth date", record.Participant{Name: "Anna Beispiel", BirthDate: "1950-02-27"}, ""},
		{"no birth date", record.Participant{Name: "Anna Beispiel"}, ""},
		{"another name", record.Participant{Name: "Anna Muster", BirthDate: "1950-02-28"}, ""},
		{"no name", record.Participant{BirthDate: "1950-02-28"}, ""},
		{"the same identifier", record.Participant{Name: "X", Identifiers: []record.Identifier{{System: "Hospital", Value: "123456"}}}, record.SameIdentifier},
		{"that number elsewhere", record.Participant{Name: "X", Identifiers: []record.Identifier{{System: "study", Value: "123456"}}}, ""},
		{"both", record.Participant{Name: "Anna Beispiel", BirthDate: "1950-02-28", Identifiers: anna.Identifiers}, record.SameIdentifier + " " + record.SameBirth},
	} {
		var why []string
		for _, d := range must(b.Duplicates(ctx, c.p))(t) {
			equal(t, c.what, d.Participant, anna)
			why = append(why, d.Why...)
		}
		equal(t, c.what, strings.Join(why, " "), c.why)
	}
	equal(t, "itself", len(must(b.Duplicates(ctx, anna))(t)), 0)
	twin := must(b.AddParticipant(ctx, record.Participant{Code: "B", Name: "Anna Beispiel", BirthDate: "1950-02-28"}))(t)
	equal(t, "the twin", len(must(b.Duplicates(ctx, anna))(t)), 1)
	must(b.Merge(ctx, twin.ID, anna.ID, "KL", "the same"))(t)
	equal(t, "merged already", len(must(b.Duplicates(ctx, anna))(t)), 0)
}

func merges(t *testing.T, b *bench) {
	anna, twin, third := b.person(t, "A"), b.person(t, "B"), b.person(t, "C")
	va, vb := must(b.VisitOn(ctx, anna.ID, "2026-03-02"))(t), must(b.VisitOn(ctx, twin.ID, "2026-03-02"))(t)
	b.closed(t, "ta", anna.ID, va.ID)
	b.closed(t, "tb", twin.ID, vb.ID)

	merge := must(b.Merge(ctx, twin.ID, anna.ID, " KL ", "entered twice"))(t)
	if merge.ID == 0 || merge.From != twin.ID || merge.Into != anna.ID || merge.By != "KL" || merge.When.IsZero() {
		t.Errorf("%+v", merge)
	}
	equal(t, "tests of both", testIDs(t, b, record.TestFilter{Participant: anna.ID}), []string{"ta", "tb"})
	equal(t, "visits of both", visitIDs(t, b, record.VisitFilter{Participant: anna.ID}), []int64{va.ID, vb.ID})
	equal(t, "whose test it is", must(b.Test(ctx, "tb"))(t).Participant, twin.ID)
	equal(t, "in the lists", b.codes(t, record.ParticipantFilter{}), "A C")
	equal(t, "found by the other name", b.codes(t, record.ParticipantFilter{Query: "name of b"}), "A")
	equal(t, "merges", must(b.Merges(ctx, twin.ID))(t), []record.Merge{merge})
	equal(t, "by number", must(b.MergeByID(ctx, merge.ID))(t), merge)
	_, err := b.MergeByID(ctx, 77)
	missing(t, "an unknown merge", err)
	stored := must(b.Participant(ctx, twin.ID))(t)
	if stored.MergedInto != anna.ID || stored.Kept != anna.ID {
		t.Errorf("%+v", stored)
	}
	equal(t, "who is shown as A", must(b.Merged(ctx, anna.ID))(t), []record.Participant{stored})

	for what, c := range map[string][2]int64{"merged already": {twin.ID, third.ID}, "into a merged one": {third.ID, twin.ID}, "with itself": {third.ID, third.ID}} {
		_, err := b.Merge(ctx, c[0], c[1], "KL", "x")
		refused[*record.InvalidError](t, what, err)
	}
	_, err = b.Merge(ctx, third.ID, anna.ID, "KL", " ")
	refused[*record.InvalidError](t, "without a reason", err)
	_, err = b.Merge(ctx, third.ID, 77, "KL", "x")
	missing(t, "into nobody", err)

	outer := must(b.Merge(ctx, anna.ID, third.ID, "KL", "all three"))(t)
	equal(t, "tests of all three", testIDs(t, b, record.TestFilter{Participant: third.ID}), []string{"ta", "tb"})
	if err := b.UndoMerge(ctx, merge.ID, "KL", "two persons"); err != nil {
		t.Fatal(err)
	}
	equal(t, "after the inner undo", testIDs(t, b, record.TestFilter{Participant: third.ID}), []string{"ta"})
	equal(t, "split off", must(b.Participant(ctx, twin.ID))(t), twin)
	if err := b.UndoMerge(ctx, outer.ID, "KL", "two persons"); err != nil {
		t.Fatal(err)
	}
	for _, p := range []record.Participant{anna, twin, third} {
		equal(t, "as before", must(b.Participant(ctx, p.ID))(t), p)
	}
	equal(t, "in the lists", b.codes(t, record.ParticipantFilter{}), "A B C")
	list := must(b.Merges(ctx, anna.ID))(t)
	if len(list) != 2 || list[0].UndoneBy != "KL" || list[0].UndoneWhy != "two persons" || list[0].Undone.IsZero() {
		t.Errorf("%+v", list)
	}
	refused[*record.InvalidError](t, "undo twice", b.UndoMerge(ctx, merge.ID, "KL", "x"))
	refused[*record.InvalidError](t, "undo without a reason", b.UndoMerge(ctx, merge.ID, "KL", ""))
	missing(t, "undo of nothing", b.UndoMerge(ctx, 77, "KL", "x"))
}
