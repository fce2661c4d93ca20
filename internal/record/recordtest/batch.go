package recordtest

import (
	"encoding/json"
	"testing"
	"time"

	"gradus/conduct"
	"gradus/internal/record"
)

// closedEvents is a test of n events, closed with the last.
func closedEvents(n uint32) []conduct.Event {
	return append(span(1, 1, n-1), conduct.Event{Term: 1, N: n, Kind: conduct.Closed, Code: "sheet"})
}

func invented(known int64, code, test string) record.Batch {
	return record.Batch{By: "AB", People: []record.BatchPerson{{Participant: record.Participant{ID: known, Code: code}, Days: []record.BatchDay{{
		Date: "2019-03-04", State: record.VisitDone, Facts: []record.Fact{{Kind: "sheet", JSON: json.RawMessage(`{"file": "old.csv", "row": 7}`)}},
		Tests: []record.BatchTest{{Test: made(test), Events: closedEvents(4)}}}}}}}
}

func made(id string) record.Test {
	t := NewTest(id)
	t.Created = time.Date(2019, 3, 4, 9, 30, 0, 0, time.UTC)
	return t
}

// What is brought in is there as if it had been typed on its day, once, and whole.
func bringIn(t *testing.T, b *bench) {
	known := b.person(t, "B")
	batch := invented(0, "A", "t")
	batch.People = append(batch.People, invented(known.ID, "B", "u").People[0])
	added := must(b.BringIn(ctx, batch))(t)
	equal(t, "added", added, record.BroughtIn{People: 1, Visits: 2, Tests: 2, Facts: 2})

	anna := must(b.ParticipantByCode(ctx, "A"))(t)
	test := must(b.Test(ctx, "t"))(t)
	equal(t, "whose", test.Participant, anna.ID)
	equal(t, "when", test.Created, made("t").Created)
	equal(t, "running", test.Running(), false)
	b.stored(t, "t", closedEvents(4))
	v := must(b.Visit(ctx, test.Visit))(t)
	if v.Date != "2019-03-04" || v.State != record.VisitDone || v.Participant != anna.ID {
		t.Errorf("visit %+v", v)
	}
	list := must(b.Facts(ctx, v.ID))(t)
	if len(list) != 1 || list[0].By != "AB" {
		t.Errorf("facts %+v", list)
	}
	equal(t, "found", b.codes(t, record.ParticipantFilter{}), "A B")

	again := invented(anna.ID, "A", "t")
	again.People = append(again.People, invented(known.ID, "B", "u").People[0])
	equal(t, "added again", must(b.BringIn(ctx, again))(t).None(), true)
	must(b.Append(ctx, "t", []conduct.Event{Event(1, 5)}))(t) // a note that came later is no other test
	equal(t, "added after a note", must(b.BringIn(ctx, again))(t).None(), true)
}

// Whatever is wrong with one of them, none is stored.
func bringInRefused(t *testing.T, b *bench) {
	b.person(t, "B")
	must(b.BringIn(ctx, invented(0, "A", "t")))(t)
	anna := must(b.ParticipantByCode(ctx, "A"))(t)
	bad := func(change func(*record.BatchPerson)) error {
		batch := invented(0, "C", "v")
		p := invented(anna.ID, "A", "w").People[0]
		change(&p)
		batch.People = append(batch.People, p)
		_, err := b.BringIn(ctx, batch)
		return err
	}
	test := func(p *record.BatchPerson) *record.BatchTest { return &p.Days[0].Tests[0] }
	refused[*record.CodeTakenError](t, "a code in use", bad(func(p *record.BatchPerson) { p.ID, p.Code = 0, "b" }))
	refused[*record.TestTakenError](t, "another test", bad(func(p *record.BatchPerson) {
		test(p).ID = "t"
		test(p).Events[1].V = 99
	}))
	refused[*record.TestTakenError](t, "a longer test", bad(func(p *record.BatchPerson) { test(p).ID, test(p).Events = "t", closedEvents(6) }))
	refused[*record.InvalidError](t, "a test that runs", bad(func(p *record.BatchPerson) { test(p).Events = span(1, 1, 3) }))
	refused[*record.InvalidError](t, "no moment", bad(func(p *record.BatchPerson) { test(p).Created = time.Time{} }))
	refused[*record.InvalidError](t, "a moment to come", bad(func(p *record.BatchPerson) { test(p).Created = time.Now().AddDate(1, 0, 0) }))
	refused[*record.GapError](t, "a gap", bad(func(p *record.BatchPerson) { test(p).Events = test(p).Events[1:] }))
	refused[*record.InvalidError](t, "no day", bad(func(p *record.BatchPerson) { p.Days[0].Date = "4.3.2019" }))
	refused[*record.InvalidError](t, "no fact", bad(func(p *record.BatchPerson) { p.Days[0].Facts[0].JSON = json.RawMessage("{") }))
	missing(t, "nobody", bad(func(p *record.BatchPerson) { p.ID = 99 }))
	_, err := b.BringIn(ctx, record.Batch{})
	refused[*record.InvalidError](t, "by nobody", err)
	_, err = b.ParticipantByCode(ctx, "C")
	missing(t, "the person beside the fault", err)
	for _, id := range []string{"v", "w"} {
		_, err = b.Test(ctx, id)
		missing(t, "test "+id, err)
	}
}
