package recordtest

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"gradus/conduct"
	"gradus/internal/record"
)

// person stores an invented person by code.
func (b *bench) person(t *testing.T, code string) record.Participant {
	t.Helper()
	return must(b.AddParticipant(ctx, record.Participant{Code: code, Name: "Name of " + code}))(t)
}

// closed stores a finished test of a person.
func (b *bench) closed(t *testing.T, id string, participant, visit int64) {
	t.Helper()
	test := NewTest(id)
	test.Participant, test.Visit = participant, visit
	must(b.NewTest(ctx, test))(t)
	must(b.Append(ctx, id, []conduct.Event{Event(1, 1), {Term: 1, N: 2, Kind: conduct.Closed, Code: "recovered"}}))(t)
}

func visits(t *testing.T, b *bench) {
	anna, bert := b.person(t, "A"), b.person(t, "B")
	first := must(b.AddVisit(ctx, record.Visit{Participant: anna.ID, Date: "2026-03-02", Time: "09:30", RetestDue: "2026-04-13", State: record.VisitDone, Note: " kept "}))(t)
	if first.ID == 0 || first.Created.IsZero() || first.Note != "kept" {
		t.Errorf("stored as %+v", first)
	}
	equal(t, "read back", must(b.Visit(ctx, first.ID))(t), first)
	equal(t, "the visit of that day", must(b.VisitOn(ctx, anna.ID, "2026-03-02"))(t), first)
	today := must(b.VisitOn(ctx, bert.ID, "2026-03-02"))(t)
	equal(t, "a visit made for the day", today.State, record.VisitOpen)
	equal(t, "once more", must(b.VisitOn(ctx, bert.ID, "2026-03-02"))(t), today)

	first.Time, first.State, first.RetestDue, first.Note = "10:00", record.VisitNotTested, "2026-04-14", "other"
	if err := b.UpdateVisit(ctx, first); err != nil {
		t.Fatal(err)
	}
	equal(t, "after the update", must(b.Visit(ctx, first.ID))(t), first)
	next := must(b.AddVisit(ctx, record.Visit{Participant: bert.ID, Date: "2026-03-09", Time: "08:00", State: record.VisitPlanned}))(t)
	for _, c := range []struct {
		what   string
		filter record.VisitFilter
		want   []int64
	}{
		{"all", record.VisitFilter{}, []int64{today.ID, first.ID, next.ID}},
		{"the newest first", record.VisitFilter{Newest: true}, []int64{next.ID, first.ID, today.ID}},
		{"two", record.VisitFilter{Limit: 2}, []int64{today.ID, first.ID}},
		{"of one person", record.VisitFilter{Participant: bert.ID}, []int64{today.ID, next.ID}},
		{"from a day", record.VisitFilter{From: "2026-03-03"}, []int64{next.ID}},
		{"to a day", record.VisitFilter{To: "2026-03-08"}, []int64{today.ID, first.ID}},
		{"of a state", record.VisitFilter{State: record.VisitPlanned}, []int64{next.ID}},
		{"of nobody", record.VisitFilter{Participant: bert.ID + 7}, nil},
	} {
		equal(t, c.what, visitIDs(t, b, c.filter), c.want)
	}
	if err := b.Archive(ctx, bert.ID, true); err != nil {
		t.Fatal(err)
	}
	equal(t, "without the archived", visitIDs(t, b, record.VisitFilter{}), []int64{first.ID})
	equal(t, "of the archived person", visitIDs(t, b, record.VisitFilter{Participant: bert.ID}), []int64{today.ID, next.ID})
}

func visitIDs(t *testing.T, b *bench, f record.VisitFilter) (ids []int64) {
	t.Helper()
	for _, v := range must(b.Visits(ctx, f))(t) {
		ids = append(ids, v.ID)
	}
	return ids
}

func visitsRefused(t *testing.T, b *bench) {
	anna := b.person(t, "A")
	v := must(b.AddVisit(ctx, record.Visit{Participant: anna.ID, Date: "2026-03-02", State: record.VisitPlanned}))(t)
	other := must(b.AddVisit(ctx, record.Visit{Participant: anna.ID, Date: "2026-03-03", State: record.VisitPlanned}))(t)
	_, err := b.AddVisit(ctx, record.Visit{Participant: anna.ID, Date: "2026-03-02", State: record.VisitPlanned})
	equal(t, "the visit of that day", refused[*record.DayTakenError](t, "a second visit on a day", err).By, v.ID)
	other.Date = "2026-03-02"
	equal(t, "the visit of that day", refused[*record.DayTakenError](t, "a move to a taken day", b.UpdateVisit(ctx, other)).By, v.ID)
	for what, change := range map[string]func(*record.Visit){
		"no day":               func(v *record.Visit) { v.Date = "2026-02-30" },
		"no time":              func(v *record.Visit) { v.Time = "9:30" },
		"a late hour":          func(v *record.Visit) { v.Time = "24:00" },
		"no state":             func(v *record.Visit) { v.State = "" },
		"another state":        func(v *record.Visit) { v.State = "late" },
		"a retest on that day": func(v *record.Visit) { v.RetestDue = v.Date },
		"a retest on no day":   func(v *record.Visit) { v.RetestDue = "soon" },
		"no UTF-8":             func(v *record.Visit) { v.Note = "\xff" },
	} {
		bad := record.Visit{Participant: anna.ID, Date: "2026-05-02", State: record.VisitPlanned}
		change(&bad)
		_, err := b.AddVisit(ctx, bad)
		refused[*record.InvalidError](t, what, err)
	}
	_, err = b.AddVisit(ctx, record.Visit{Participant: 77, Date: "2026-05-02", State: record.VisitPlanned})
	missing(t, "a visit of nobody", err)
	_, err = b.VisitOn(ctx, 77, "2026-05-02")
	missing(t, "today's visit of nobody", err)
	_, err = b.Visit(ctx, 77)
	missing(t, "an unknown visit", err)
	equal(t, "visits", len(must(b.Visits(ctx, record.VisitFilter{}))(t)), 2)
}

// A retest is due until a later visit takes place or is agreed on; one that was missed does not count.
func due(t *testing.T, b *bench) {
	add := func(who record.Participant, date, due, state string) int64 {
		return must(b.AddVisit(ctx, record.Visit{Participant: who.ID, Date: date, RetestDue: due, State: state}))(t).ID
	}
	anna, bert, cleo, dora, emil := b.person(t, "A"), b.person(t, "B"), b.person(t, "C"), b.person(t, "D"), b.person(t, "E")
	a := add(anna, "2026-01-05", "2026-03-04", record.VisitDone)
	add(bert, "2026-01-05", "2026-03-03", record.VisitDone)
	add(bert, "2026-03-10", "", record.VisitPlanned)
	c := add(cleo, "2026-01-05", "2026-02-20", record.VisitDone)
	add(cleo, "2026-02-19", "", record.VisitMissed)
	add(dora, "2026-01-05", "2026-03-20", record.VisitDone)
	e := add(emil, "2026-01-05", "2026-03-01", record.VisitDone)
	until := record.VisitFilter{DueTo: "2026-03-08"}
	equal(t, "due", visitIDs(t, b, until), []int64{c, e, a})
	equal(t, "due from a day", visitIDs(t, b, record.VisitFilter{DueFrom: "2026-03-01", DueTo: "2026-03-03"}), []int64{e})
	equal(t, "due from a day on", len(visitIDs(t, b, record.VisitFilter{DueFrom: "2026-03-01"})), 3)
	if err := b.Archive(ctx, emil.ID, true); err != nil {
		t.Fatal(err)
	}
	equal(t, "due without the archived", visitIDs(t, b, until), []int64{c, a})
	twin := b.person(t, "A-again")
	merge := must(b.Merge(ctx, anna.ID, twin.ID, "examiner", "entered twice"))(t)
	add(twin, "2026-03-05", "", record.VisitPlanned)
	equal(t, "the appointment of the same person under another code", visitIDs(t, b, until), []int64{c})
	if err := b.UndoMerge(ctx, merge.ID, "examiner", "two persons"); err != nil {
		t.Fatal(err)
	}
	equal(t, "split again", visitIDs(t, b, until), []int64{c, a})
}

func testsOfVisits(t *testing.T, b *bench) {
	anna, bert := b.person(t, "A"), b.person(t, "B")
	v := must(b.VisitOn(ctx, anna.ID, "2026-03-02"))(t)
	b.closed(t, "t", anna.ID, v.ID)
	equal(t, "visit", must(b.Test(ctx, "t"))(t).Visit, v.ID)
	equal(t, "tests of the visit", testIDs(t, b, record.TestFilter{Visit: v.ID}), []string{"t"})
	equal(t, "tests of another visit", len(testIDs(t, b, record.TestFilter{Visit: v.ID + 1})), 0)
	stranger := NewTest("u")
	stranger.Participant, stranger.Visit = bert.ID, v.ID
	_, err := b.NewTest(ctx, stranger)
	refused[*record.InvalidError](t, "a test in another's visit", err)
	stranger.Visit = 77
	_, err = b.NewTest(ctx, stranger)
	missing(t, "a test of an unknown visit", err)

	if err := b.Reassign(ctx, "t", bert.ID, "examiner", "wrong person picked"); err != nil {
		t.Fatal(err)
	}
	moved := must(b.Visit(ctx, must(b.Test(ctx, "t"))(t).Visit))(t)
	if moved.Participant != bert.ID || moved.Date != v.Date {
		t.Errorf("the test stands in the visit %+v", moved)
	}
	if err := b.Reassign(ctx, "t", anna.ID, "examiner", "it was right"); err != nil {
		t.Fatal(err)
	}
	equal(t, "visit after moving back", must(b.Test(ctx, "t"))(t).Visit, v.ID)
}

func testIDs(t *testing.T, b *bench, f record.TestFilter) (ids []string) {
	t.Helper()
	for _, test := range must(b.Tests(ctx, f))(t) {
		ids = append(ids, test.ID)
	}
	slices.Sort(ids)
	return ids
}

func facts(t *testing.T, b *bench) {
	anna, bert := b.person(t, "A"), b.person(t, "B")
	early, late := must(b.VisitOn(ctx, anna.ID, "2026-03-02"))(t), must(b.VisitOn(ctx, anna.ID, "2026-04-13"))(t)
	add := func(visit int64, kind, text string) record.Fact {
		return must(b.AddFact(ctx, record.Fact{Visit: visit, Kind: kind, JSON: json.RawMessage(text), By: " KL "}))(t)
	}
	fit := add(late.ID, "fit", `{"seat":3}`)
	rest := add(early.ID, "rest", `{"hr":68}`)
	again := add(early.ID, "rest", `{"hr":70}`)
	old := add(early.ID, "fit", `{"seat":2, "note":"ü <b>"}`)
	if rest.N != 1 || again.N != 2 || old.N != 3 || fit.N != 1 || rest.By != "KL" || rest.At.IsZero() {
		t.Errorf("%+v %+v %+v %+v", rest, again, old, fit)
	}
	list := must(b.Facts(ctx, early.ID))(t)
	equal(t, "facts", list, []record.Fact{rest, again, old})
	equal(t, "in view", record.InView(list), map[string]record.Fact{"rest": again, "fit": old})
	equal(t, "last fit", must(b.LastFact(ctx, anna.ID, "fit", ""))(t), fit)
	equal(t, "last fit before", must(b.LastFact(ctx, anna.ID, "fit", late.Date))(t), old)
	equal(t, "last rest", must(b.LastFact(ctx, anna.ID, "rest", ""))(t), again)
	_, err := b.LastFact(ctx, anna.ID, "fit", early.Date)
	missing(t, "a fit before the first", err)
	_, err = b.LastFact(ctx, bert.ID, "fit", "")
	missing(t, "a fit of another", err)
	must(b.Merge(ctx, anna.ID, bert.ID, "examiner", "the same"))(t)
	equal(t, "last fit of both", must(b.LastFact(ctx, bert.ID, "fit", ""))(t), fit)

	_, err = b.AddFact(ctx, record.Fact{Visit: 77, Kind: "fit", JSON: json.RawMessage(`{}`), By: "KL"})
	missing(t, "a fact of an unknown visit", err)
	_, err = b.Facts(ctx, 77)
	missing(t, "facts of an unknown visit", err)
	for what, change := range map[string]func(*record.Fact){
		"no kind":   func(f *record.Fact) { f.Kind = "" },
		"two words": func(f *record.Fact) { f.Kind = "seated rest" },
		"nobody":    func(f *record.Fact) { f.By = " " },
		"no JSON":   func(f *record.Fact) { f.JSON = json.RawMessage(`{`) },
		"nothing":   func(f *record.Fact) { f.JSON = nil },
		"no UTF-8":  func(f *record.Fact) { f.JSON = json.RawMessage("\"\xff\"") },
		"too long":  func(f *record.Fact) { f.JSON = json.RawMessage(`"` + strings.Repeat("x", 64<<10) + `"`) },
	} {
		bad := record.Fact{Visit: early.ID, Kind: "fit", JSON: json.RawMessage(`{}`), By: "KL"}
		change(&bad)
		_, err := b.AddFact(ctx, bad)
		refused[*record.InvalidError](t, what, err)
	}
	equal(t, "facts", must(b.Facts(ctx, early.ID))(t), []record.Fact{rest, again, old})
}

// Many who write facts of one visit at once each get a number of their own, and nothing is lost.
func factsAtOnce(t *testing.T, b *bench) {
	v := must(b.VisitOn(ctx, b.person(t, "A").ID, "2026-03-02"))(t)
	const writers, each = 4, 12
	var run []func() error
	for i := range writers {
		s := b.Store
		if i%2 == 1 {
			s = b.another(t)
		}
		run = append(run, func() error {
			for n := range each {
				if _, err := s.AddFact(ctx, record.Fact{Visit: v.ID, Kind: "note", JSON: json.RawMessage(fmt.Sprintf(`"%d-%d"`, i, n)), By: "KL"}); err != nil {
					return err
				}
			}
			return nil
		})
	}
	together(t, run...)
	seen := map[string]bool{}
	for i, f := range must(b.Facts(ctx, v.ID))(t) {
		if f.N != int64(i+1) {
			t.Fatalf("fact %d has number %d", i+1, f.N)
		}
		seen[string(f.JSON)] = true
	}
	equal(t, "facts", len(seen), writers*each)
}

// Many who open the same day at once get one visit.
func visitsAtOnce(t *testing.T, b *bench) {
	anna := b.person(t, "A")
	ids := make([]int64, 6)
	var run []func() error
	for i := range ids {
		s := b.Store
		if i%2 == 1 {
			s = b.another(t)
		}
		run = append(run, func() error {
			v, err := s.VisitOn(ctx, anna.ID, "2026-03-02")
			ids[i] = v.ID
			return err
		})
	}
	together(t, run...)
	equal(t, "visits", len(slices.Compact(ids)), 1)
}

func results(t *testing.T, b *bench) {
	anna := b.person(t, "A")
	running := NewTest("runs")
	running.Participant = anna.ID
	must(b.NewTest(ctx, running))(t)
	_, err := b.AddResult(ctx, record.Result{Test: "runs", JSON: json.RawMessage(`{}`), By: "KL"})
	if !errors.Is(err, record.ErrRunning) {
		t.Errorf("a result of a running test: %v", err)
	}
	b.closed(t, "t", anna.ID, 0)
	first := must(b.AddResult(ctx, record.Result{Test: "t", JSON: json.RawMessage(`{"v":28}`), By: "KL"}))(t)
	equal(t, "first version", first.N, 1)
	equal(t, "the same once more", must(b.AddResult(ctx, record.Result{Test: "t", JSON: json.RawMessage(`{"v":28}`), By: "MN"}))(t), first)
	_, err = b.AddResult(ctx, record.Result{Test: "t", JSON: json.RawMessage(`{"v":null}`), By: "KL"})
	refused[*record.InvalidError](t, "a version without a reason", err)
	second := must(b.AddResult(ctx, record.Result{Test: "t", JSON: json.RawMessage(`{"v":null}`), By: "KL", Why: "a beta-blocker was found"}))(t)
	equal(t, "versions", must(b.Results(ctx, "t"))(t), []record.Result{first, second})
	back := must(b.AddResult(ctx, record.Result{Test: "t", JSON: first.JSON, By: "KL", Why: "it was another's drug"}))(t)
	equal(t, "back to the first content", back.N, 3)

	letter := must(b.HandOut(ctx, record.Paper{Test: "t", Version: 1, What: "letter", To: "referrer", By: "KL"}))(t)
	table := must(b.HandOut(ctx, record.Paper{Test: "t", Version: 2, What: "CSV", To: "study", By: "KL"}))(t)
	if letter.ID == 0 || letter.At.IsZero() {
		t.Errorf("%+v", letter)
	}
	equal(t, "papers", must(b.Papers(ctx, "t"))(t), []record.Paper{letter, table})
	equal(t, "papers of another test", len(must(b.Papers(ctx, "runs"))(t)), 0)
	for what, p := range map[string]record.Paper{
		"an unknown version": {Test: "t", Version: 4, What: "letter", To: "referrer", By: "KL"},
		"no version":         {Test: "t", What: "letter", To: "referrer", By: "KL"},
		"nothing":            {Test: "t", Version: 1, To: "referrer", By: "KL"},
		"nobody":             {Test: "t", Version: 1, What: "letter", By: "KL"},
	} {
		_, err := b.HandOut(ctx, p)
		refused[*record.InvalidError](t, what, err)
	}
	_, err = b.HandOut(ctx, record.Paper{Test: "u", Version: 1, What: "letter", To: "referrer", By: "KL"})
	missing(t, "a paper of an unknown test", err)
	_, err = b.AddResult(ctx, record.Result{Test: "u", JSON: json.RawMessage(`{}`), By: "KL"})
	missing(t, "a result of an unknown test", err)
	_, err = b.AddResult(ctx, record.Result{Test: "t", JSON: json.RawMessage(`{`), By: "KL"})
	refused[*record.InvalidError](t, "a result that is no JSON", err)
}
