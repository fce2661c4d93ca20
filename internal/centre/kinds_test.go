package centre_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net/http"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"gradus/conduct"
	"gradus/equipment"
	"gradus/internal/centre"
	"gradus/internal/record"
	"gradus/internal/record/recordtest"
	"gradus/protocol"
)

// rows counts the rows of each table of a record.
func rows(t *testing.T, s *record.SQLite) record.Contents {
	t.Helper()
	in, err := s.CopyTo(ctx, filepath.Join(t.TempDir(), "copy.db"), nil)
	if err != nil {
		t.Fatal(err)
	}
	return in
}

// A table that the schema has is either sent or named with the reason why it stays.
func TestEveryTableIsSentOrNamed(t *testing.T) {
	in := rows(t, open(t))
	for table := range in {
		if _, ok := centre.Kinds[table]; !ok {
			t.Errorf("table %s is neither sent nor named with the reason why it stays", table)
		}
	}
	for table := range centre.Kinds {
		if _, ok := in[table]; !ok {
			t.Errorf("there is no table %s", table)
		}
	}
}

func closed() []conduct.Event {
	return []conduct.Event{recordtest.Event(1, 1), {Term: 1, N: 2, At: 9000, Kind: conduct.Closed, Code: "recovered"}}
}

// full is a site with at least one row in every table that is sent.
func full(t *testing.T, at centre.Store, name string) *site {
	t.Helper()
	s := newSite(t, at, name, 4)
	must := func(errs ...error) {
		t.Helper()
		if err := errors.Join(errs...); err != nil {
			t.Fatal(err)
		}
	}
	a, b := s.people[0], s.people[1]
	test := name + "-1"
	var blocks []record.Block
	for n := range uint32(70) { // more than go in one parcel
		from := 1000 * int64(n)
		blocks = append(blocks, record.Block{Seq: record.SeqOf(1, n+1), From: protocol.Ms(from), To: protocol.Ms(from + 900), Kind: "hr", Payload: []byte{byte(n), 0, 255}})
	}
	must(s.AppendSamples(ctx, test, blocks))
	_, e1 := s.HandOut(ctx, record.Paper{Test: test, Version: 1, What: "report <1>", To: "chart", By: "KL"})
	_, e2 := s.AddConsent(ctx, record.Consent{Participant: a.ID, Purpose: record.ForResearch, Given: true, Date: "2026-01-02", By: "KL"})
	_, e3 := s.AddConsent(ctx, record.Consent{Participant: a.ID, Purpose: record.ForResearch, Date: "2026-01-03", By: "KL"})
	must(e1, e2, e3)

	learned := recordtest.NewTest(name + "-learned")
	day, e1 := s.VisitOn(ctx, b.ID, "2026-01-04")
	learned.Participant, learned.Visit, learned.Student = b.ID, day.ID, true
	_, e4 := s.NewTest(ctx, learned)
	must(e1, e4)
	marks, e2 := s.Append(ctx, learned.ID, closed())
	_, e3 = s.Countersign(ctx, record.Countersign{Test: learned.ID, By: "Dr. Beispiel", Note: "seen", Marks: marks})
	must(e2, e3)

	m, e1 := s.SaveMachine(ctx, record.Machine{By: "KL", Profile: equipment.Profile{Name: "Stepper (invented)", Kind: "recumbent-stepper", Shows: equipment.Watts, Step: 5}})
	must(e1)
	m.Step = 10
	_, e1 = s.SaveMachine(ctx, m)
	run, e2 := s.AddControlRun(ctx, record.ControlRun{Machine: m.ID, Staff: "K1", Date: "2026-01-02", Work: 50, HeartRates: []float64{88}, By: "KL"})
	must(e1, e2)
	visits, e1 := s.Visits(ctx, record.VisitFilter{Participant: a.ID})
	must(e1, s.StrikeControlRun(ctx, run.ID, "KL", "wrong saddle"))
	_, e2 = s.AddFact(ctx, record.Fact{Visit: visits[0].ID, Kind: "fit", JSON: fmt.Appendf(nil, `{"machine":%d,"machine_name":"Stepper (invented)"}`, m.ID), By: "KL"})
	must(e2)

	s.tested(t, b, name+"-wrong", "2026-01-05")
	must(s.Reassign(ctx, name+"-wrong", a.ID, "KL", "mixed up"))
	_, e1 = s.Merge(ctx, s.people[2].ID, b.ID, "KL", "one person")
	must(e1)
	_, e1 = s.Erase(ctx, record.Erasure{Participant: s.people[3].ID, By: "KL", Why: "asked for it"})
	must(e1)
	s.people = s.people[:3]
	return s
}

// What stands in a site's record stands in the centre's, row by row of every table that is sent, byte by byte where it
// matters; a table that stays has nothing of it. Once more adds nothing.
func TestEverythingIsSent(t *testing.T) {
	at := open(t)
	server := serve(t, at)
	one := newSite(t, at, "north", 1)
	if _, err := one.send(server, http.DefaultTransport); err != nil { // the numbers of the two records differ
		t.Fatal(err)
	}
	if _, err := at.SaveMachine(ctx, record.Machine{By: "KL", Profile: equipment.Profile{Name: "Of the centre (invented)", Kind: "cycle", Shows: equipment.Watts}}); err != nil {
		t.Fatal(err)
	}
	before := rows(t, at)
	s := full(t, at, "south")
	if _, err := s.send(server, http.DefaultTransport); err != nil {
		t.Fatal(err)
	}
	s.same(t, at)
	want, have := rows(t, s.SQLite), rows(t, at)
	for table, why := range centre.Kinds {
		if why != "" {
			continue
		}
		sent := want[table]
		switch table {
		case "participants", "erasures": // the centre never heard of the one who was deleted before
			sent--
		case "reassignments": // it came with the right person
			sent = 0
		}
		if want[table] == 0 {
			t.Errorf("the site has nothing in %s to send", table)
		}
		if got := have[table] - before[table]; got != sent {
			t.Errorf("%s: %d rows came, not %d", table, got, sent)
		}
	}

	blocks, e1 := s.Blocks(ctx, "south-1", -1, 100)
	there, e2 := at.Blocks(ctx, "south-1", -1, 100)
	if e1 != nil || e2 != nil || !reflect.DeepEqual(blocks, there) {
		t.Error("the samples differ", e1, e2)
	}
	papers, e1 := at.Papers(ctx, "south-1")
	if e1 != nil || len(papers) != 1 || papers[0].What != "report <1>" {
		t.Error(papers, e1)
	}
	learned, e1 := at.Test(ctx, "south-learned")
	counts, e2 := record.Counts(ctx, at, learned)
	if e1 != nil || e2 != nil || !counts || learned.Signed.By != "Dr. Beispiel" {
		t.Error("the countersign does not count", learned.Signed, e1, e2)
	}
	a, e1 := at.ParticipantAt(ctx, s.key.Site, "P-1")
	fit, e2 := at.LastFact(ctx, a.ID, "fit", "")
	if e1 != nil || e2 != nil || string(fit.JSON) != `{"machine":2,"machine_name":"Stepper (invented)"}` {
		t.Errorf("the fit names another machine: %s %v %v", fit.JSON, e1, e2)
	}
	m, e1 := at.Machine(ctx, 2)
	runs, e2 := at.ControlRuns(ctx, 2)
	if e1 != nil || e2 != nil || m.Site != s.key.Site || m.Version != 2 || m.Step != 10 || len(runs) != 1 || runs[0].StruckWhy != "wrong saddle" {
		t.Error(m, runs, e1, e2)
	}
	said, e1 := at.Consents(ctx, a.ID)
	if e1 != nil || len(said) != 2 || record.Holds(said)[record.ForResearch].Given {
		t.Error("the consent that was withdrawn holds", said, e1)
	}
	merged, e1 := at.ParticipantAt(ctx, s.key.Site, "P-3")
	kept, e2 := at.ParticipantAt(ctx, s.key.Site, "P-2")
	if e1 != nil || e2 != nil || merged.Kept != kept.ID {
		t.Error("P-3 is not shown as P-2", merged, e1, e2)
	}

	s.at = 0
	if _, err := s.send(server, http.DefaultTransport); err != nil {
		t.Fatal(err)
	}
	if again := rows(t, at); !reflect.DeepEqual(again, have) {
		t.Errorf("the same once more added something: %v, %v", again, have)
	}
}

// What changes at the site after it was sent: a finding that goes back to what it was, visits that exchange their days,
// codes that are exchanged, a merge that is undone, somebody put away, late samples.
func TestChangesFollow(t *testing.T) {
	at := open(t)
	server := serve(t, at)
	s := full(t, at, "north")
	send := func() {
		t.Helper()
		s.steps = nil
		if _, err := s.send(server, http.DefaultTransport); err != nil {
			t.Fatal(err)
		}
		for _, step := range s.steps {
			if step.Refused != "" || step.Unmerged || step.Gone {
				t.Error(step)
			}
		}
		s.same(t, at)
	}
	send()
	a, b := s.people[0], s.people[1]
	visits, err := s.Visits(ctx, record.VisitFilter{Participant: a.ID})
	if err != nil || len(visits) != 2 {
		t.Fatal(visits, err)
	}
	for _, hr := range []string{"70", "60"} {
		if _, err := s.AddFact(ctx, record.Fact{Visit: visits[0].ID, Kind: "rest", JSON: []byte(`{"hr":` + hr + `}`), By: "KL"}); err != nil {
			t.Fatal(err)
		}
	}
	move := func(v record.Visit, day string) {
		t.Helper()
		v.Date = day
		if err := s.UpdateVisit(ctx, v); err != nil {
			t.Fatal(err)
		}
	}
	move(visits[1], "2026-01-09")
	move(visits[0], visits[1].Date)
	code := func(p *record.Participant, code string) {
		t.Helper()
		p.Code = code
		if err := s.UpdateParticipant(ctx, *p); err != nil {
			t.Fatal(err)
		}
	}
	code(&a, "for-now")
	code(&b, "P-1")
	code(&a, "P-2")
	merges, err := s.Merges(ctx, b.ID)
	if err != nil {
		t.Fatal(err)
	}
	e1 := s.UndoMerge(ctx, merges[0].ID, "KL", "two people after all")
	e2 := s.Archive(ctx, s.people[2].ID, true)
	e3 := s.AppendSamples(ctx, "north-1", []record.Block{{Seq: record.SeqOf(2, 1), From: 0, To: 10, Kind: "hr", Payload: []byte{1}}})
	e4 := s.Reassign(ctx, "north-learned", a.ID, "KL", "mixed up again")
	if err := errors.Join(e1, e2, e3, e4); err != nil {
		t.Fatal(err)
	}
	send()
	there, e1 := at.ParticipantAt(ctx, s.key.Site, "P-2")
	rest, e2 := at.LastFact(ctx, there.ID, "rest", "2026-01-06")
	if e1 != nil || e2 != nil || string(rest.JSON) != `{"hr":60}` {
		t.Errorf("the finding that holds is %s, %v %v", rest.JSON, e1, e2)
	}
	third, e1 := at.ParticipantAt(ctx, s.key.Site, "P-3")
	if e1 != nil || third.Kept != 0 || third.Archived.IsZero() {
		t.Error("the merge stands, or the person is in the lists", third, e1)
	}
	if n, err := at.CountBlocks(ctx, "north-1"); err != nil || n != 71 {
		t.Error(n, err)
	}
	moved, e1 := at.Test(ctx, "north-learned")
	how, e2 := at.Reassignments(ctx, "north-learned")
	if e1 != nil || e2 != nil || moved.Participant != there.ID || len(how) != 1 || how[0].Why != "mixed up again" {
		t.Error(moved, how, e1, e2)
	}
}

// A person with much is sent in several parcels, each small.
func TestLargePerson(t *testing.T) {
	defer centre.SetFullParcel(3000)()
	at := open(t)
	server := serve(t, at)
	s := newSite(t, at, "north", 1)
	for i := range 12 {
		s.tested(t, s.people[0], fmt.Sprintf("more-%d", i), fmt.Sprintf("2026-03-%02d", i+1))
	}
	big := &largest{next: http.DefaultTransport}
	if _, err := s.send(server, big); err != nil {
		t.Fatal(err)
	}
	s.same(t, at)
	if big.requests < 4 || big.bytes > 12000 {
		t.Errorf("%d parcels, the largest of %d bytes", big.requests, big.bytes)
	}
}

type largest struct {
	next            http.RoundTripper
	requests, bytes int
}

func (l *largest) RoundTrip(r *http.Request) (*http.Response, error) {
	l.requests++
	l.bytes = max(l.bytes, int(r.ContentLength))
	return l.next.RoundTrip(r)
}

// half is a network that breaks in the middle of the nth parcel.
type half struct {
	next http.RoundTripper
	n    int
}

func (h *half) RoundTrip(r *http.Request) (*http.Response, error) {
	if h.n--; h.n == 0 {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			return nil, err
		}
		r.Body = io.NopCloser(io.MultiReader(bytes.NewReader(body[:len(body)/2]), broken{}))
	}
	return h.next.RoundTrip(r)
}

type broken struct{}

func (broken) Read([]byte) (int, error) { return 0, errCut }

// The network breaks in the middle of every parcel of a site with everything, samples too: the next sending goes on, and
// the centre ends with exactly what an unbroken sending brings.
func TestCutInEveryParcel(t *testing.T) {
	whole := open(t)
	server := serve(t, whole)
	s := full(t, whole, "north")
	count := &largest{next: http.DefaultTransport}
	if _, err := s.send(server, count); err != nil {
		t.Fatal(err)
	}
	want := rows(t, whole)
	if count.requests < 6 {
		t.Fatalf("%d parcels are too few to try", count.requests)
	}
	at := open(t)
	key, err := centre.Allow(ctx, at, "north")
	if err != nil {
		t.Fatal(err)
	}
	server = serve(t, at)
	s.key, s.at = key, 0
	cuts := 0
	for ; ; cuts++ {
		s.at = 0 // all of it once more, so that every parcel comes to be cut
		_, err := s.send(server, &half{next: http.DefaultTransport, n: cuts + 1})
		if err == nil {
			break
		}
		if !errors.Is(err, errCut) {
			t.Fatal(cuts, err)
		}
	}
	if cuts < count.requests-1 { // samples that have come are not sent again
		t.Errorf("%d cuts of %d parcels", cuts, count.requests)
	}
	s.same(t, at)
	have := rows(t, at)
	for table, why := range centre.Kinds {
		if why == "" && have[table] != want[table] {
			t.Errorf("%s: %d rows, not %d", table, have[table], want[table])
		}
	}
}

// Somebody whom the site deletes is deleted at the centre, alone: another one whom the centre shows as the same person
// stays. Both trails tell it.
func TestErasedAtTheSite(t *testing.T) {
	at := open(t)
	server := serve(t, at)
	s := newSite(t, at, "north", 3)
	if _, err := s.send(server, http.DefaultTransport); err != nil {
		t.Fatal(err)
	}
	one, e1 := at.ParticipantAt(ctx, s.key.Site, "P-1")
	two, e2 := at.ParticipantAt(ctx, s.key.Site, "P-2")
	_, e3 := at.Merge(ctx, two.ID, one.ID, "centre", "looks like one")
	_, e4 := s.Erase(ctx, record.Erasure{Participant: s.people[0].ID, By: "KL", Why: "asked for it"})
	if err := errors.Join(e1, e2, e3, e4); err != nil {
		t.Fatal(err)
	}
	s.steps = nil
	if _, err := s.send(server, http.DefaultTransport); err != nil || !reflect.DeepEqual(s.steps[0].Erased, []int64{s.people[0].ID}) {
		t.Fatal(s.steps, err)
	}
	if _, err := at.Participant(ctx, one.ID); !errors.Is(err, record.ErrNotFound) {
		t.Error("the person stays at the centre", err)
	}
	if _, err := at.Test(ctx, "north-1"); !errors.Is(err, record.ErrNotFound) {
		t.Error("the test stays at the centre", err)
	}
	if other, err := at.Participant(ctx, two.ID); err != nil || other.Kept != 0 {
		t.Error("another one went too", other, err)
	}
	if _, err := at.Test(ctx, "north-2"); err != nil {
		t.Error(err)
	}
	for name, store := range map[string]*record.SQLite{"site": s.SQLite, "centre": at} {
		list, err := store.Erasures(ctx)
		if err != nil || len(list) != 1 || list[0].Why != "asked for it" {
			t.Error(name, list, err)
		}
		entries, err := store.Entries(ctx, record.TrailFilter{})
		if err != nil {
			t.Fatal(err)
		}
		told := false
		for _, e := range entries {
			told = told || e.Action == "erase" && strings.HasPrefix(e.Entity, "erasure/")
		}
		if !told {
			t.Errorf("the trail of the %s does not tell of the deletion", name)
		}
	}
	s.at, s.people = 0, s.people[1:]
	if _, err := s.send(server, http.DefaultTransport); err != nil {
		t.Fatal(err)
	}
	s.same(t, at)
}

// A rule of the centre that says keep is not overruled from outside; the site is told until when.
func TestErasureWaits(t *testing.T) {
	at := open(t)
	server := serve(t, at)
	s := newSite(t, at, "north", 1)
	if _, err := s.send(server, http.DefaultTransport); err != nil {
		t.Fatal(err)
	}
	sites, err := at.Sites(ctx)
	if err != nil {
		t.Fatal(err)
	}
	keeps := sites[len(sites)-1]
	keeps.KeepYears = 30
	_, e1 := s.Erase(ctx, record.Erasure{Participant: s.people[0].ID, By: "KL", Why: "asked for it"})
	if err := errors.Join(at.ChangeSite(ctx, keeps), e1); err != nil {
		t.Fatal(err)
	}
	s.steps = nil
	if _, err := s.send(server, http.DefaultTransport); err != nil || len(s.steps[0].Stays) != 1 || !strings.Contains(s.steps[0].Stays[0].Why, "has to be kept until 2") {
		t.Fatal(s.steps, err)
	}
	// Somebody new gets the code that has become free at the site.
	p, err := s.AddParticipant(ctx, record.Participant{Code: "P-1", Name: "Berta Beispiel"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.send(server, http.DefaultTransport); err != nil || s.last().Refused != "" {
		t.Fatal(s.last(), err)
	}
	if have, err := at.ParticipantAt(ctx, s.key.Site, "P-1"); err != nil || have.Name != p.Name {
		t.Error("the new one is taken for the one who was deleted", have, err)
	}
	keeps.KeepYears = 0
	if err := at.ChangeSite(ctx, keeps); err != nil {
		t.Fatal(err)
	}
	s.at, s.steps = 0, nil
	if _, err := s.send(server, http.DefaultTransport); err != nil || len(s.steps[0].Erased) != 1 {
		t.Fatal(s.steps, err)
	}
}

// Somebody whom the centre has deleted does not come back with a later parcel, and the site is told; nor does one whom
// the site deleted before the centre heard of the person, when an old parcel comes late.
func TestErasedAtTheCentre(t *testing.T) {
	at := open(t)
	server := serve(t, at)
	s := newSite(t, at, "north", 2)
	var caught []byte
	catch := roundTrip(func(r *http.Request) (*http.Response, error) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			return nil, err
		}
		if bytes.Contains(body, []byte(`"P-2"`)) {
			caught = append([]byte(r.Header.Get("Gradus-Signature")), body...)
			return nil, errCut
		}
		r.Body = io.NopCloser(bytes.NewReader(body))
		return http.DefaultTransport.RoundTrip(r)
	})
	if _, err := s.send(server, catch); !errors.Is(err, errCut) {
		t.Fatal(err)
	}
	one, e1 := at.ParticipantAt(ctx, s.key.Site, "P-1")
	_, e2 := at.Erase(ctx, record.Erasure{Participant: one.ID, By: "centre", Why: "asked there"})
	_, e3 := s.Erase(ctx, record.Erasure{Participant: s.people[1].ID, By: "KL", Why: "asked here"})
	if err := errors.Join(e1, e2, e3); err != nil {
		t.Fatal(err)
	}
	s.tested(t, s.people[0], "later", "2026-02-02")
	s.steps = nil
	if _, err := s.send(server, http.DefaultTransport); err != nil {
		t.Fatal(err)
	}
	if last := s.last(); !last.Gone || last.Person != s.people[0].ID {
		t.Error("the site is not told", s.steps)
	}
	r, _ := http.NewRequest(http.MethodPost, server.URL+centre.Path, bytes.NewReader(caught[64:]))
	r.Header.Set("Gradus-Site", fmt.Sprint(s.key.Site))
	r.Header.Set("Gradus-Signature", string(caught[:64]))
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	answer, err := io.ReadAll(resp.Body)
	resp.Body.Close()
	if err != nil || resp.StatusCode != http.StatusOK || !bytes.Contains(answer, []byte(`"Gone":true`)) {
		t.Errorf("%s %s %v", resp.Status, answer, err)
	}
	if found, err := at.Participants(ctx, record.ParticipantFilter{}); err != nil || found.Total != 0 {
		t.Errorf("%d people came back, %v", found.Total, err)
	}
	entries, err := at.Entries(ctx, record.TrailFilter{Actor: fmt.Sprintf("site/%d", s.key.Site)})
	if err != nil || len(entries) == 0 || entries[0].Action != "refused" {
		t.Error("the trail of the centre does not tell of it", err)
	}
}

type roundTrip func(*http.Request) (*http.Response, error)

func (f roundTrip) RoundTrip(r *http.Request) (*http.Response, error) { return f(r) }

// Somebody of another origin with the same code is not taken for the person, and the others go on.
func TestCodeOfSomebodyElse(t *testing.T) {
	at := open(t)
	server := serve(t, at)
	s := newSite(t, at, "north", 3)
	if _, err := at.AddParticipant(ctx, record.Participant{Code: "P-2", Name: "Somebody Else", Site: s.key.Site}); err != nil {
		t.Fatal(err)
	}
	if _, err := s.send(server, http.DefaultTransport); err != nil {
		t.Fatal(err)
	}
	var refused []int64
	for _, step := range s.steps {
		if step.Refused != "" {
			refused = append(refused, step.Person)
			if !strings.Contains(step.Refused, "the code P-2") {
				t.Error(step.Refused)
			}
		}
	}
	if !reflect.DeepEqual(refused, []int64{s.people[1].ID}) {
		t.Error(refused)
	}
	if found, err := at.Participants(ctx, record.ParticipantFilter{}); err != nil || found.Total != 3 {
		t.Errorf("%d people, %v", found.Total, err)
	}
}

// A site that takes the key of another one by mistake writes nothing: the numbers of its people stand for others there.
func TestKeyOfAnotherSite(t *testing.T) {
	at := open(t)
	server := serve(t, at)
	north, south := newSite(t, at, "north", 2), newSite(t, at, "south", 2)
	if _, err := south.send(server, http.DefaultTransport); err != nil {
		t.Fatal(err)
	}
	before := rows(t, at)
	mixed := &site{SQLite: north.SQLite, key: south.key}
	if _, err := mixed.send(server, http.DefaultTransport); err == nil || !strings.Contains(err.Error(), "sends from another record") {
		t.Error(err)
	}
	if after := rows(t, at); !reflect.DeepEqual(after, before) {
		t.Errorf("the centre took something: %v, %v", after, before)
	}
	south.same(t, at)
	if _, err := north.send(server, http.DefaultTransport); err != nil {
		t.Error("its own key is refused:", err)
	}
}

// A site goes back to an older copy of its record, and somebody else gets a number that the centre knows already: the
// new one is refused, deleting the new one deletes nobody, and all others go on.
func TestOlderCopyOfTheRecord(t *testing.T) {
	at := open(t)
	server := serve(t, at)
	s := newSite(t, at, "north", 2)
	dir := t.TempDir()
	if _, err := s.CopyTo(ctx, filepath.Join(dir, record.FileName), nil); err != nil {
		t.Fatal(err)
	}
	lost, err := s.AddParticipant(ctx, record.Participant{Code: "P-3", Name: "Carla Beispiel"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.send(server, http.DefaultTransport); err != nil {
		t.Fatal(err)
	}
	older, err := record.Open(ctx, dir, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { older.Close() })
	back := &site{SQLite: older, key: s.key, people: s.people}
	other, err := back.AddParticipant(ctx, record.Participant{Code: "P-4", Name: "Dora Beispiel"})
	if err != nil || other.ID != lost.ID {
		t.Fatal(other, err)
	}
	if _, err := back.send(server, http.DefaultTransport); err != nil {
		t.Fatal(err)
	}
	if last := back.last(); last.Person != other.ID || !strings.Contains(last.Refused, "somebody else of this site by this person's number") {
		t.Error(back.steps)
	}
	back.same(t, at)
	if _, err := back.Erase(ctx, record.Erasure{Participant: other.ID, By: "KL", Why: "asked for it"}); err != nil {
		t.Fatal(err)
	}
	back.steps = nil
	if _, err := back.send(server, http.DefaultTransport); err != nil || len(back.steps[0].Stays) != 1 {
		t.Fatal(back.steps, err)
	}
	if have, err := at.ParticipantAt(ctx, s.key.Site, "P-3"); err != nil || have.Name != lost.Name {
		t.Error("somebody else was changed or deleted", have, err)
	}
}
