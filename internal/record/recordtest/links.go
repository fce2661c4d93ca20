package recordtest

import (
	"testing"

	"gradus/internal/record"
)

// What is decided about people of different sites holds by way of others and of merges, changes nothing of either, can be
// taken back, and goes with whoever is deleted.
func links(t *testing.T, b *bench) {
	north, south := must(b.AddSite(ctx, record.Site{Name: "North"}))(t), must(b.AddSite(ctx, record.Site{Name: "South"}))(t)
	at := func(site int64, code string) record.Participant {
		t.Helper()
		return must(b.AddParticipant(ctx, record.Participant{Code: code, Name: "Anna Beispiel", BirthDate: "1950-02-28", Site: site}))(t)
	}
	here, n, s, twin, other := at(1, "A"), at(north.ID, "A"), at(south.ID, "A"), at(south.ID, "B"), at(south.ID, "C")
	say := func(same bool, a, b record.Participant) record.Link {
		return record.Link{One: a.ID, Other: b.ID, Same: same, By: " KL ", Why: "looked into"}
	}
	linked := func() *record.Linked { return record.LinkedBy(must(b.Links(ctx))(t)) }
	alike := func(p record.Participant) (codes []string) {
		t.Helper()
		for _, d := range must(b.Duplicates(ctx, must(b.Participant(ctx, p.ID))(t)))(t) {
			codes = append(codes, d.Code)
		}
		return codes
	}
	equal(t, "alike at first", alike(here), []string{"A", "A", "B", "C"})

	first := must(b.Link(ctx, say(true, n, here)))(t)
	if first.ID == 0 || first.One != here.ID || first.Other != n.ID || first.By != "KL" || first.When.IsZero() {
		t.Errorf("%+v", first)
	}
	equal(t, "the decisions", must(b.Links(ctx))(t), []record.Link{first})
	equal(t, "alike", alike(here), []string{"A", "B", "C"})
	equal(t, "nothing of them changes", must(b.Participant(ctx, n.ID))(t), n)
	second := must(b.Link(ctx, say(true, n, s)))(t)
	must(b.Link(ctx, say(false, here, other)))(t)
	equal(t, "alike after three", alike(here), []string{"B"})
	equal(t, "two by way of others", []bool{linked().Two(s.ID, other.ID), linked().Two(s.ID, twin.ID), linked().One(here.ID, s.ID)}, []bool{true, false, true})
	must(b.Merge(ctx, twin.ID, s.ID, "KL", "entered twice"))(t)
	equal(t, "who stands for all", []int64{linked().First(n.ID), linked().First(s.ID), linked().First(other.ID)}, []int64{here.ID, here.ID, other.ID})
	for what, l := range map[string]record.Link{"the same again": say(true, here, n), "by way of others": say(true, here, s), "otherwise": say(false, here, s), "of a merged one": say(true, here, twin),
		"against two": say(true, n, other), "of one site": say(true, s, other), "with itself": say(true, n, n), "without a reason": {One: n.ID, Other: other.ID, By: "KL"}} {
		_, err := b.Link(ctx, l)
		refused[*record.InvalidError](t, what, err)
	}
	_, err := b.Link(ctx, say(true, n, record.Participant{ID: 77}))
	missing(t, "with nobody", err)

	if err := b.UndoLink(ctx, second.ID, "KL", "two people"); err != nil {
		t.Fatal(err)
	}
	equal(t, "after taking it back", []int64{linked().First(n.ID), linked().First(s.ID)}, []int64{here.ID, s.ID})
	undone := must(b.Links(ctx))(t)[1]
	if undone.UndoneBy != "KL" || undone.UndoneWhy != "two people" || undone.Undone.IsZero() {
		t.Errorf("%+v", undone)
	}
	refused[*record.InvalidError](t, "undo twice", b.UndoLink(ctx, second.ID, "KL", "x"))
	refused[*record.InvalidError](t, "undo without a reason", b.UndoLink(ctx, first.ID, "KL", ""))
	missing(t, "undo of nothing", b.UndoLink(ctx, 77, "KL", "x"))

	must(b.Link(ctx, say(true, n, twin)))(t)
	equal(t, "by a merged one", linked().First(s.ID), here.ID)
	must(b.Erase(ctx, record.Erasure{Participant: n.ID, By: "KL", Why: "asked for it"}))(t)
	for _, l := range must(b.Links(ctx))(t) {
		if l.One == n.ID || l.Other == n.ID {
			t.Errorf("of somebody deleted: %+v", l)
		}
	}
	equal(t, "when the one between is deleted", linked().One(here.ID, s.ID), false)
}
