package recordtest

import (
	"encoding/json"
	"testing"

	"gradus/internal/record"
)

func factsOfKind(t *testing.T, b *bench) {
	anna, bert := b.person(t, "A"), b.person(t, "B")
	var made []record.DatedFact
	for _, f := range []struct {
		who        int64
		date, kind string
	}{{anna.ID, "2026-03-02", "incident"}, {bert.ID, "2026-03-02", "incident"}, {anna.ID, "2026-03-02", "rest"}, {anna.ID, "2026-03-09", "incident"}} {
		v := must(b.VisitOn(ctx, f.who, f.date))(t)
		stored := must(b.AddFact(ctx, record.Fact{Visit: v.ID, Kind: f.kind, JSON: json.RawMessage(`{"what":"invented"}`), By: "KL"}))(t)
		if f.kind == "incident" {
			made = append(made, record.DatedFact{Fact: stored, Participant: f.who, Date: f.date})
		}
	}
	list := func(f record.FactFilter) []record.DatedFact {
		t.Helper()
		f.Kind = "incident"
		return must(b.FactsOf(ctx, f))(t)
	}
	equal(t, "of everybody, the oldest first", list(record.FactFilter{}), made)
	equal(t, "of one person", list(record.FactFilter{Participant: anna.ID}), []record.DatedFact{made[0], made[2]})
	equal(t, "the newest", list(record.FactFilter{Limit: 1}), made[2:])
	equal(t, "of nobody", len(list(record.FactFilter{Participant: 77})), 0)
	must(b.Merge(ctx, bert.ID, anna.ID, "KL", "the same person"))(t)
	equal(t, "of a merged person", list(record.FactFilter{Participant: anna.ID}), made)
}
