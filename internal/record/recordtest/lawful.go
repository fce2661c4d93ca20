package recordtest

import (
	"encoding/json"
	"errors"
	"testing"
	"time"

	"gradus/conduct"
	"gradus/internal/record"
)

// A student's test counts while a countersign covers all its events.
func countersigned(t *testing.T, b *bench) {
	student := must(b.AddAccount(ctx, account("student")))(t)
	test := NewTest("t")
	test.Account, test.Student = student.ID, true
	must(b.NewTest(ctx, test))(t)
	counts := func() bool {
		t.Helper()
		return must(record.Counts(ctx, b, must(b.Test(ctx, "t"))(t)))(t)
	}
	marks := must(b.Append(ctx, "t", closedEvents(4)[:3]))(t)
	_, err := b.Countersign(ctx, record.Countersign{Test: "t", By: "KL", Marks: marks})
	if !errors.Is(err, record.ErrRunning) {
		t.Errorf("countersign of a running test: %v", err)
	}
	marks = must(b.Append(ctx, "t", closedEvents(4)))(t)
	equal(t, "counts before", counts(), false)
	_, err = b.Countersign(ctx, record.Countersign{Test: "t", By: "KL", Account: student.ID, Marks: marks})
	refused[*record.InvalidError](t, "an own test", err)
	_, err = b.Countersign(ctx, record.Countersign{Test: "t", Marks: marks})
	refused[*record.InvalidError](t, "nobody", err)
	_, err = b.Countersign(ctx, record.Countersign{Test: "t", By: "KL", Marks: record.Marks{{Term: 1, N: 3}}})
	refused[*record.ChangedError](t, "events that were not seen", err)
	_, err = b.Countersign(ctx, record.Countersign{Test: "none", By: "KL"})
	missing(t, "an unknown test", err)
	got := must(b.Countersign(ctx, record.Countersign{Test: "t", By: "KL", Note: "seen", Marks: marks}))(t)
	equal(t, "number", got.N, 1)
	equal(t, "counts", counts(), true)
	equal(t, "with the test", must(b.Test(ctx, "t"))(t).Signed, &got)
	must(b.Append(ctx, "t", []conduct.Event{Event(1, 5)}))(t)
	equal(t, "counts after a later event", counts(), false)
	marks = must(b.Append(ctx, "t", nil))(t)
	again := must(b.Countersign(ctx, record.Countersign{Test: "t", By: "MN", Marks: marks}))(t)
	equal(t, "counts again", counts(), true)
	equal(t, "all", must(b.Countersigns(ctx, "t"))(t), []record.Countersign{got, again})
	b.closed(t, "own", 0, 0)
	_, err = b.Countersign(ctx, record.Countersign{Test: "own", By: "KL"})
	refused[*record.InvalidError](t, "a test that is no student's", err)
}

func consents(t *testing.T, b *bench) {
	p, other := b.person(t, "A"), b.person(t, "B")
	good := record.Consent{Participant: p.ID, Purpose: record.ForResearch, Given: true, Date: "2026-03-02", By: "KL"}
	first := must(b.AddConsent(ctx, good))(t)
	good.Given, good.Date, good.Note = false, "2026-04-02", "by letter"
	second := must(b.AddConsent(ctx, good))(t)
	good.Purpose, good.Participant = record.ForTeaching, other.ID
	third := must(b.AddConsent(ctx, good))(t)
	equal(t, "all", must(b.Consents(ctx, p.ID))(t), []record.Consent{first, second})
	equal(t, "what holds", record.Holds(must(b.Consents(ctx, p.ID))(t)), map[string]record.Consent{record.ForResearch: second})
	must(b.Merge(ctx, other.ID, p.ID, "KL", "same"))(t)
	equal(t, "with one who is shown as the same", must(b.Consents(ctx, p.ID))(t), []record.Consent{first, second, third})
	for what, change := range map[string]func(*record.Consent){
		"purpose": func(c *record.Consent) { c.Purpose = "else" },
		"day":     func(c *record.Consent) { c.Date = "" },
		"nobody":  func(c *record.Consent) { c.By = " " },
	} {
		bad := good
		change(&bad)
		_, err := b.AddConsent(ctx, bad)
		refused[*record.InvalidError](t, what, err)
	}
	good.Participant = 77
	_, err := b.AddConsent(ctx, good)
	missing(t, "an unknown person", err)
}

// Nothing of a person who was deleted can be found again, but that it was, why, and by whom.
func erasure(t *testing.T, b *bench) {
	p := must(b.AddParticipant(ctx, record.Participant{Code: "A", Name: "Anna Beispiel", BirthDate: "1950-01-02", Identifiers: []record.Identifier{{System: "x", Value: "77"}}}))(t)
	twin, other := b.person(t, "A2"), b.person(t, "B")
	must(b.Merge(ctx, twin.ID, p.ID, "KL", "same"))(t)
	day := time.Now().AddDate(-1, 0, 0).Format(time.DateOnly)
	v := must(b.VisitOn(ctx, p.ID, day))(t)
	must(b.AddFact(ctx, record.Fact{Visit: v.ID, Kind: "rest", JSON: json.RawMessage(`{}`), By: "KL"}))(t)
	b.closed(t, "one", p.ID, v.ID)
	b.closed(t, "two", twin.ID, 0)
	b.closed(t, "others", other.ID, 0)
	must(b.AddResult(ctx, record.Result{Test: "one", JSON: json.RawMessage(`{}`), By: "KL"}))(t)
	must(b.HandOut(ctx, record.Paper{Test: "one", Version: 1, What: "note", To: "GP", By: "KL"}))(t)
	must(b.AddConsent(ctx, record.Consent{Participant: p.ID, Purpose: record.ForTest, Given: true, Date: day, By: "KL"}))(t)

	must(b.KeepStudyCodes(ctx, 0, map[string]string{"A": "S-1", "A2": "S-2", "B": "S-3"}))(t)

	site := must(b.Sites(ctx))(t)[0]
	site.Name, site.KeepYears = "Here", 10
	if err := b.ChangeSite(ctx, site); err != nil {
		t.Fatal(err)
	}
	until := must(b.KeepUntil(ctx, p.ID))(t)
	equal(t, "kept until, by the test of today", until, time.Now().UTC().AddDate(10, 0, 0).Format(time.DateOnly))
	e := record.Erasure{Participant: p.ID, By: "KL", Why: "asked for it"}
	_, err := b.Erase(ctx, e)
	equal(t, "while it has to be kept", *refused[*record.KeepError](t, "keep", err), record.KeepError{Until: until})
	must(b.Participant(ctx, p.ID))(t)
	_, err = b.Erase(ctx, record.Erasure{Participant: p.ID, By: "KL", Overrule: true})
	refused[*record.InvalidError](t, "without a reason", err)
	running := NewTest("runs")
	running.Participant = other.ID
	must(b.NewTest(ctx, running))(t)
	_, err = b.Erase(ctx, record.Erasure{Participant: other.ID, By: "KL", Why: "x", Overrule: true})
	if !errors.Is(err, record.ErrRunning) {
		t.Errorf("while a test runs: %v", err)
	}

	e.Overrule = true
	done := must(b.Erase(ctx, e))(t)
	equal(t, "what went", []int{done.Tests, done.Visits}, []int{2, 1})
	equal(t, "overruled", done.Overruled, until)
	done.Overrule = false
	equal(t, "what stays", must(b.Erasures(ctx))(t), []record.Erasure{done})
	for _, id := range []int64{p.ID, twin.ID} {
		_, err := b.Participant(ctx, id)
		missing(t, "the person", err)
	}
	_, err = b.Visit(ctx, v.ID)
	missing(t, "the visit", err)
	for _, id := range []string{"one", "two"} {
		_, err := b.Test(ctx, id)
		missing(t, "the test", err)
		_, err = b.Append(ctx, id, closedEvents(4))
		missing(t, "more events", err)
		missing(t, "more samples", b.AppendSamples(ctx, id, []record.Block{{Seq: 1, To: 1, Kind: "hr", Payload: []byte{1}}}))
	}
	missing(t, "a change", b.UpdateParticipant(ctx, p))
	_, err = b.Erase(ctx, e)
	missing(t, "erasing twice", err)
	for _, query := range []string{"", "anna", "77", "erased"} {
		for _, found := range must(b.Participants(ctx, record.ParticipantFilter{Query: query}))(t).People {
			if found.ID != other.ID {
				t.Errorf("search for %q finds %+v", query, found)
			}
		}
	}
	equal(t, "duplicates", len(must(b.Duplicates(ctx, p))(t)), 0)
	again := b.person(t, "A")
	if again.ID == p.ID {
		t.Error("the number of an erased person was given again")
	}
	equal(t, "others", must(b.Test(ctx, "others"))(t).Participant, other.ID)
	equal(t, "study codes", must(b.StudyCodes(ctx, 0))(t), map[string]string{"B": "S-3"})
}
