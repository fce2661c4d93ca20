package recordtest

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"gradus/conduct"
	"gradus/internal/audit"
	"gradus/internal/record"
)

// whole checks that the audit trail covers everything that the record holds.
func (b *bench) whole(t *testing.T) audit.Head {
	t.Helper()
	head, faults, err := b.VerifyTrail(ctx, nil)
	if err != nil || len(faults) > 0 {
		t.Errorf("audit trail: %v, %v", faults, err)
	}
	return head
}

// trail checks that each step is entered once, for who did it, without a word of what was recorded.
func trail(t *testing.T, b *bench) {
	anna := audit.With(ctx, audit.Who{Actor: "account/7", Session: "s1"})
	start := must(b.Head(ctx))(t)
	p := must(b.AddParticipant(anna, record.Participant{Code: "P-1", Name: "Berta Beispiel", Identifiers: []record.Identifier{{System: "hospital", Value: "H-77"}}}))(t)
	other := must(b.AddParticipant(ctx, record.Participant{Code: "P-2"}))(t)
	p.Note = "a word"
	if err := b.UpdateParticipant(anna, p); err != nil {
		t.Fatal(err)
	}
	v := must(b.AddVisit(anna, record.Visit{Participant: p.ID, Date: "2026-01-02", State: record.VisitOpen}))(t)
	test := NewTest("T")
	test.Participant, test.Visit = p.ID, v.ID
	must(b.NewTest(anna, test))(t)
	must(b.NewTest(anna, test))(t) // the same once more changes nothing
	first, second := Event(1, 1), Event(1, 2)
	must(b.Append(anna, "T", []conduct.Event{first}))(t)
	must(b.Append(anna, "T", []conduct.Event{first, second, Event(1, 3), {Term: 1, N: 4, At: 5000, Kind: conduct.Withdraw, Ref: second.ID()}}))(t)
	must(b.Append(anna, "T", []conduct.Event{first}))(t)
	if err := b.AppendSamples(anna, "T", []record.Block{{Seq: 5, From: 0, To: 1, Kind: "heart-rate", Payload: []byte{1}}, {Seq: 6, From: 0, To: 1, Kind: "heart-rate", Payload: []byte{2}}}); err != nil {
		t.Fatal(err)
	}
	if err := b.Note(anna, audit.Entry{Action: "see", Entity: fmt.Sprintf("person/%d", p.ID)}); err != nil {
		t.Fatal(err)
	}
	if _, err := b.AddParticipant(anna, record.Participant{Code: "p-1"}); err == nil {
		t.Error("the same code was taken twice")
	}
	entries := must(b.Entries(ctx, record.TrailFilter{}))(t)
	slices.Reverse(entries)
	var have []string
	for _, e := range entries[start.Seq:] {
		have = append(have, strings.Join([]string{e.Actor, e.Session, e.Action, e.Entity}, " "))
	}
	equal(t, "entries", have, []string{
		fmt.Sprintf("account/7 s1 add person/%d", p.ID), fmt.Sprintf("account/7 s1 add person/%d/identifier/1", p.ID), fmt.Sprintf("system  add person/%d", other.ID),
		fmt.Sprintf("account/7 s1 change person/%d", p.ID), fmt.Sprintf("account/7 s1 add visit/%d", v.ID), "account/7 s1 add test/T",
		"account/7 s1 record test/T/events/1.1", "account/7 s1 correct test/T/events/1.2-4", "account/7 s1 record test/T/samples/0.5-6", fmt.Sprintf("account/7 s1 see person/%d", p.ID),
	})
	if err := b.EachEntry(ctx, func(text []byte, _ audit.Hash) error {
		for _, word := range []string{"Berta", "Beispiel", "P-1", "H-77", "word"} {
			if strings.Contains(string(text), word) {
				t.Errorf("an entry holds %q: %s", word, text)
			}
		}
		return nil
	}); err != nil {
		t.Error(err)
	}
	for _, c := range []struct {
		f    record.TrailFilter
		want int
	}{
		{record.TrailFilter{Person: p.ID}, 9}, {record.TrailFilter{Person: other.ID}, 1}, {record.TrailFilter{Test: "T"}, 4},
		{record.TrailFilter{Actor: "account/7"}, 9}, {record.TrailFilter{Limit: 2}, 2}, {record.TrailFilter{Before: 3}, 2}, {record.TrailFilter{Person: 99}, 0},
		{record.TrailFilter{From: p.Created.AddDate(1, 0, 0)}, 0}, {record.TrailFilter{To: p.Created.AddDate(-1, 0, 0)}, 0}, {record.TrailFilter{From: p.Created, Test: "T"}, 4},
	} {
		if got := must(b.Entries(ctx, c.f))(t); len(got) != c.want {
			t.Errorf("%+v: %d entries, want %d: %v", c.f, len(got), c.want, got)
		}
	}
	// By site: what is about its people, tests and machines, and what its accounts did beside.
	far := must(b.AddSite(ctx, record.Site{Name: "Far"}))(t)
	there := must(b.AddParticipant(ctx, record.Participant{Code: "P-1", Site: far.ID}))(t)
	lead := must(b.AddAccount(ctx, record.Account{Login: "far", Name: "Far", Roles: []string{"site-lead"}, Site: far.ID, Handle: "h-far"}))(t)
	if err := b.Note(audit.With(ctx, audit.Who{Actor: fmt.Sprintf("account/%d", lead.ID)}), audit.Entry{Action: "see", Entity: "upload"}); err != nil {
		t.Fatal(err)
	}
	if err := b.Note(audit.With(ctx, audit.Who{Actor: "command/kim"}), audit.Entry{Action: "see", Entity: fmt.Sprintf("visit/%d", v.ID)}); err != nil {
		t.Fatal(err)
	}
	var own []string
	for _, e := range must(b.Entries(ctx, record.TrailFilter{Site: far.ID}))(t) {
		own = append(own, e.Action+" "+e.Entity)
	}
	equal(t, "of the other site", own, []string{"see upload", fmt.Sprintf("add account/%d", lead.ID), fmt.Sprintf("add person/%d", there.ID), fmt.Sprintf("add site/%d", far.ID)})
	for _, c := range []struct {
		f    record.TrailFilter
		want int
	}{
		{record.TrailFilter{Site: p.Site, Person: p.ID}, 10}, {record.TrailFilter{Site: far.ID, Person: p.ID}, 0}, {record.TrailFilter{Site: far.ID, Test: "T"}, 0},
		{record.TrailFilter{Actor: "command"}, 1}, {record.TrailFilter{Actor: "command/kim"}, 1}, {record.TrailFilter{Actor: "command/ki"}, 0},
		{record.TrailFilter{Actions: []string{"see"}}, 3}, {record.TrailFilter{Actions: []string{"see", "correct"}, Person: p.ID}, 3},
	} {
		if got := must(b.Entries(ctx, c.f))(t); len(got) != c.want {
			t.Errorf("%+v: %d entries, want %d: %v", c.f, len(got), c.want, got)
		}
	}
	head := b.whole(t)
	equal(t, "end", must(b.Head(ctx))(t), head)
	if _, faults, err := b.VerifyTrail(ctx, []audit.Anchor{start.Anchor(), head.Short()}); err != nil || len(faults) > 0 {
		t.Error(faults, err)
	}
	later := audit.Head{Seq: head.Seq + 1, Hash: head.Hash}
	if _, faults, err := b.VerifyTrail(ctx, []audit.Anchor{later.Anchor()}); err != nil || len(faults) != 1 || faults[0].Seq != later.Seq {
		t.Error(faults, err)
	}
}
