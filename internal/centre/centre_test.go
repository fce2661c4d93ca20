package centre_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"reflect"
	"slices"
	"strings"
	"testing"

	"gradus/conduct"
	"gradus/internal/centre"
	"gradus/internal/record"
	"gradus/internal/record/recordtest"
)

var ctx = context.Background()

func open(t *testing.T) *record.SQLite {
	t.Helper()
	s, err := record.Open(ctx, t.TempDir(), record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

// site is a record of a site with invented people, each with a visit, a finding and a finished test.
type site struct {
	*record.SQLite
	key    centre.Key
	people []record.Participant
	at     int64 // how far it has sent
	steps  []centre.Step
}

func newSite(t *testing.T, at centre.Store, name string, people int) *site {
	t.Helper()
	key, err := centre.Allow(ctx, at, name)
	if err != nil {
		t.Fatal(err)
	}
	s := &site{SQLite: open(t), key: key}
	for i := range people {
		p, err := s.AddParticipant(ctx, record.Participant{Code: fmt.Sprint("P-", i+1), Name: fmt.Sprintf("Anna Beispiel %d", i+1), BirthDate: "1950-02-28",
			Identifiers: []record.Identifier{{System: "insurance", Value: fmt.Sprint("I-", i)}}})
		if err != nil {
			t.Fatal(err)
		}
		s.people = append(s.people, p)
		s.tested(t, p, name+fmt.Sprint("-", i+1), "2026-01-02")
	}
	return s
}

func (s *site) tested(t *testing.T, p record.Participant, id, day string) {
	t.Helper()
	v, err := s.AddVisit(ctx, record.Visit{Participant: p.ID, Date: day, State: record.VisitDone, RetestDue: "2026-07-02"})
	if err != nil {
		t.Fatal(err)
	}
	_, e1 := s.AddFact(ctx, record.Fact{Visit: v.ID, Kind: "rest", JSON: []byte(`{"hr":60}`), By: "KL"})
	test := recordtest.NewTest(id)
	test.Participant, test.Visit = p.ID, v.ID
	_, e2 := s.NewTest(ctx, test)
	_, e3 := s.Append(ctx, id, []conduct.Event{recordtest.Event(1, 1), recordtest.Event(1, 2), {Term: 1, N: 3, At: 9000, Kind: conduct.Closed, Code: "recovered"}})
	_, e4 := s.AddResult(ctx, record.Result{Test: id, JSON: []byte(`{"v":1}`), By: "KL"})
	if err := errors.Join(e1, e2, e3, e4); err != nil {
		t.Fatal(err)
	}
}

var errCut = errors.New("the network was cut")

// cut is a network that breaks off at the nth request: before it arrives, or after it, when the answer is lost.
type cut struct {
	next     http.RoundTripper
	n        int
	answered bool
}

func (c *cut) RoundTrip(r *http.Request) (*http.Response, error) {
	c.n--
	if c.n == 0 && !c.answered {
		return nil, errCut
	}
	resp, err := c.next.RoundTrip(r)
	if c.n == 0 {
		if err == nil {
			resp.Body.Close()
		}
		return nil, errCut
	}
	return resp, err
}

func (s *site) send(server *httptest.Server, network http.RoundTripper) (all []centre.Taken, err error) {
	sender := centre.Sender{Store: s, Key: s.key, To: server.URL, Client: &http.Client{Transport: network}}
	err = sender.Send(ctx, s.at, nil, func(step centre.Step) error {
		s.steps = append(s.steps, step)
		if s.at = step.UpTo; step.Person == 0 {
			return nil
		}
		all = append(all, step.Taken)
		return nil
	})
	return all, err
}

func (s *site) last() centre.Step { return s.steps[len(s.steps)-1] }

func serve(t *testing.T, at centre.Store) *httptest.Server {
	t.Helper()
	server := httptest.NewServer(centre.New(func() (centre.Store, bool) { return at, at != nil }, slog.New(slog.DiscardHandler)))
	t.Cleanup(server.Close)
	return server
}

// same compares what the centre has of a site's people with what the site has.
func (s *site) same(t *testing.T, at record.Store) {
	t.Helper()
	for _, want := range s.people {
		want, err := s.Participant(ctx, want.ID)
		if err != nil {
			t.Fatal(err)
		}
		have, err := at.ParticipantAt(ctx, s.key.Site, want.Code)
		if err != nil {
			t.Fatal(err)
		}
		if have.Name != want.Name || have.BirthDate != want.BirthDate || !slices.Equal(have.Identifiers, want.Identifiers) || have.Site != s.key.Site {
			t.Errorf("person %+v, want %+v", have, want)
		}
		theirs, e1 := at.Visits(ctx, record.VisitFilter{Participant: have.ID})
		ours, e2 := s.Visits(ctx, record.VisitFilter{Participant: want.ID})
		if e1 != nil || e2 != nil || len(theirs) != len(ours) {
			t.Fatalf("visits %+v, want %+v", theirs, ours)
		}
		for i, v := range ours {
			if theirs[i].Date != v.Date || theirs[i].RetestDue != v.RetestDue || theirs[i].State != v.State {
				t.Errorf("visit %+v, want %+v", theirs[i], v)
			}
			facts, e1 := at.Facts(ctx, theirs[i].ID)
			wanted, e2 := s.Facts(ctx, v.ID)
			if e1 != nil || e2 != nil || len(facts) != len(wanted) {
				t.Fatalf("findings %+v, want %+v", facts, wanted)
			}
			for i, f := range wanted {
				if facts[i].By != f.By || facts[i].Kind != f.Kind || !facts[i].At.Equal(f.At) || f.Kind != "fit" && string(facts[i].JSON) != string(f.JSON) {
					t.Errorf("findings %+v, want %+v", facts, wanted)
				}
			}
			tests, err := s.Tests(ctx, record.TestFilter{Visit: v.ID})
			if err != nil {
				t.Fatal(err)
			}
			for _, test := range tests {
				if test.Running() {
					continue
				}
				events, e1 := at.Events(ctx, test.ID)
				wanted, e2 := s.Events(ctx, test.ID)
				if e1 != nil || e2 != nil || !reflect.DeepEqual(events, wanted) {
					t.Errorf("events of %s differ: %v %v", test.ID, e1, e2)
				}
				results, e1 := at.Results(ctx, test.ID)
				versions, e2 := s.Results(ctx, test.ID)
				if e1 != nil || e2 != nil || !reflect.DeepEqual(results, versions) {
					t.Errorf("results %+v, want %+v", results, versions)
				}
			}
		}
	}
	if _, faults, err := at.VerifyTrail(ctx, nil); err != nil || len(faults) > 0 {
		t.Error(faults, err)
	}
}

// Two sites with the same codes send to one centre; nothing of one is taken for the other's, and who may be the same
// person is told. Sent twice, nothing is added.
func TestTwoSites(t *testing.T) {
	at := open(t)
	server := serve(t, at)
	north, south := newSite(t, at, "north", 3), newSite(t, at, "south", 3)
	for _, s := range []*site{north, south} {
		if all, err := s.send(server, http.DefaultTransport); err != nil || len(all) != 3 || all[0].People != 1 || all[0].Tests != 1 || all[0].Facts != 1 || all[0].Results != 1 {
			t.Fatal(all, err)
		}
	}
	north.same(t, at)
	south.same(t, at)
	before, err := at.Head(ctx)
	if err != nil {
		t.Fatal(err)
	}
	south.at = 0
	all, err := south.send(server, http.DefaultTransport)
	if err != nil || len(all) != 3 || all[0] != (centre.Taken{Alike: 1}) {
		t.Fatal(all, err)
	}
	if after, err := at.Head(ctx); err != nil || after != before {
		t.Errorf("the same once more made %d entries", after.Seq-before.Seq)
	}
	if all, err := south.send(server, http.DefaultTransport); err != nil || len(all) != 0 {
		t.Error("nothing new was sent again", all, err)
	}
}

// What comes later goes on: a correction of a sent test, a new version of its result, a test that was still running, other
// details of a person, and an older parcel does not undo them.
func TestLater(t *testing.T) {
	at := open(t)
	server := serve(t, at)
	s := newSite(t, at, "north", 2)
	running := recordtest.NewTest("running")
	running.Participant = s.people[0].ID
	if _, err := s.NewTest(ctx, running); err != nil {
		t.Fatal(err)
	}
	if _, err := s.send(server, http.DefaultTransport); err != nil {
		t.Fatal(err)
	}
	if _, err := at.Test(ctx, "running"); !errors.Is(err, record.ErrNotFound) {
		t.Error("a running test was sent")
	}
	p := s.people[1]
	p.Name, p.Code = "Anna Neu", "P-22"
	_, e1 := s.Append(ctx, "north-2", []conduct.Event{{Term: 1, N: 4, At: 9000, Kind: conduct.Withdraw, Ref: conduct.ID{Term: 1, N: 2}}})
	_, e2 := s.AddResult(ctx, record.Result{Test: "north-2", JSON: []byte(`{"v":2}`), By: "KL", Why: "a reading was withdrawn"})
	if err := errors.Join(e1, e2, s.UpdateParticipant(ctx, p)); err != nil {
		t.Fatal(err)
	}
	all, err := s.send(server, http.DefaultTransport)
	if err != nil || len(all) != 1 || all[0] != (centre.Taken{Events: 1, Results: 1}) {
		t.Fatal(all, err)
	}
	s.same(t, at)
	if found, err := at.Participants(ctx, record.ParticipantFilter{}); err != nil || found.Total != 2 {
		t.Errorf("%d people, %v", found.Total, err)
	}
	if _, err := s.Append(ctx, "running", []conduct.Event{recordtest.Event(1, 1), {Term: 1, N: 2, At: 9000, Kind: conduct.Closed, Code: "recovered"}}); err != nil {
		t.Fatal(err)
	}
	if all, err := s.send(server, http.DefaultTransport); err != nil || len(all) != 1 || all[0].Tests != 1 {
		t.Fatal(all, err)
	}
	if events, err := at.Events(ctx, "running"); err != nil || len(events) != 2 {
		t.Error(events, err)
	}
}

// The network is cut at every request, before and after it has arrived: the next sending goes on, nothing is lost and
// nothing is there twice.
func TestCutAtEveryRequest(t *testing.T) {
	for n := 1; n <= 3; n++ {
		for _, answered := range []bool{false, true} {
			t.Run(fmt.Sprint(n, answered), func(t *testing.T) {
				at := open(t)
				server := serve(t, at)
				s := newSite(t, at, "north", 3)
				all, err := s.send(server, &cut{next: http.DefaultTransport, n: n, answered: answered})
				if !errors.Is(err, errCut) || len(all) != n-1 {
					t.Fatal(all, err)
				}
				rest, err := s.send(server, http.DefaultTransport)
				if err != nil || len(rest) != 3-(n-1) {
					t.Fatal(rest, err)
				}
				s.same(t, at)
				if found, err := at.Participants(ctx, record.ParticipantFilter{}); err != nil || found.Total != 3 {
					t.Errorf("%d people, %v", found.Total, err)
				}
			})
		}
	}
}

// A site cannot write to a test of another site, and a locked centre says so.
func TestForeignTest(t *testing.T) {
	at := open(t)
	server := serve(t, at)
	north, south := newSite(t, at, "north", 1), newSite(t, at, "south", 1)
	if _, err := north.send(server, http.DefaultTransport); err != nil {
		t.Fatal(err)
	}
	south.tested(t, south.people[0], "north-1", "2026-01-03")
	if _, err := south.send(server, http.DefaultTransport); err != nil || south.last().Refused != "test north-1 is there already and is another one, or of another site" {
		t.Error(south.last(), err)
	}
	north.same(t, at)
	if _, err := north.send(serve(t, nil), http.DefaultTransport); err != nil {
		t.Error("nothing was to be sent", err)
	}
	north.at = 0
	if _, err := north.send(serve(t, nil), http.DefaultTransport); err == nil || !strings.Contains(err.Error(), "503") {
		t.Error(err)
	}
}

func TestRefused(t *testing.T) {
	at := open(t)
	server := serve(t, at)
	s, other := newSite(t, at, "north", 1), newSite(t, at, "south", 0)
	before, _ := at.Head(ctx)
	for name, key := range map[string]centre.Key{
		"a site that is not there": {Site: 99, Key: s.key.Key},
		"a key of another site":    {Site: s.key.Site, Key: other.key.Key},
		"no key":                   {Site: s.key.Site},
	} {
		wrong := &site{SQLite: s.SQLite, key: key}
		if _, err := wrong.send(server, http.DefaultTransport); err == nil || !strings.Contains(err.Error(), "401") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := centre.Allow(ctx, at, "north"); err != nil { // a new key ends the old one
		t.Fatal(err)
	}
	if _, err := s.send(server, http.DefaultTransport); err == nil || !strings.Contains(err.Error(), "401") {
		t.Error(err)
	}
	if found, err := at.Participants(ctx, record.ParticipantFilter{}); err != nil || found.Total != 0 {
		t.Errorf("%d people, %v; before %v", found.Total, err, before)
	}
	for _, method := range []string{http.MethodGet, http.MethodPut} {
		r, _ := http.NewRequest(method, server.URL+centre.Path, nil)
		resp, err := http.DefaultClient.Do(r)
		if err != nil || resp.StatusCode != http.StatusMethodNotAllowed {
			t.Error(resp, err)
		}
		io.Copy(io.Discard, resp.Body)
		resp.Body.Close()
	}
	for _, to := range []string{"http://centre.example.org", "centre", "ftp://x", "https://a@b", "https://x?y=1", ""} {
		if err := centre.CheckAddress(to); err == nil {
			t.Errorf("%q is taken as an address", to)
		}
	}
	for _, to := range []string{"https://centre.example.org", "http://127.0.0.1:7475", "https://x/gradus/"} {
		if err := centre.CheckAddress(to); err != nil {
			t.Error(err)
		}
	}
}

func FuzzKey(f *testing.F) {
	f.Add([]byte(`{"site":1,"name":"x","key":"00"}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		if k, err := centre.ParseKey(text, "key"); err == nil && (k.Site < 1 || len(k.Key) != 64) {
			t.Fatal(k)
		}
	})
}

// FuzzParcel: a parcel that a known site signed may hold anything; the centre answers, and its record stays sound.
func FuzzParcel(f *testing.F) {
	at, err := record.Open(ctx, f.TempDir(), record.Options{})
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { at.Close() })
	key, err := centre.Allow(ctx, at, "north")
	if err != nil {
		f.Fatal(err)
	}
	h := centre.New(func() (centre.Store, bool) { return at, true }, slog.New(slog.DiscardHandler))
	for _, parcel := range []string{
		`{"format":"gradus-parcel/3","record":"r","seq":1,"person":{"ID":1,"Code":"P-1","visits":[{"ID":1,"Date":"2026-01-02","State":"done","facts":[{"ID":1,"Kind":"rest","JSON":"e30="}],"tests":[{"ID":"t-1","Title":"x","sent":{},"events":[{"term":1,"n":1,"kind":"began"}],"results":[{"ID":1,"JSON":"e30="}],"blocks":1}]}],"consents":[{"ID":1}],"merges":[{"ID":1}]}}`,
		`{"format":"gradus-parcel/3","record":"r","seq":2,"house":{"machines":[{"id":1,"versions":[{"ID":1,"Name":"x"}],"runs":[{"ID":1}]}],"erased":[{"person":1,"by":"KL","why":"asked"}]}}`,
		`{"format":"gradus-parcel/3","record":"r","seq":3,"samples":{"test":"t-1","blocks":[{}]}}`,
	} {
		f.Add([]byte(parcel))
	}
	f.Add([]byte(`{"format":"gradus-parcel/3","record":"r","seq":-1}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		r := httptest.NewRequest(http.MethodPost, centre.Path, bytes.NewReader(body))
		r.Header.Set("Gradus-Site", fmt.Sprint(key.Site))
		r.Header.Set("Gradus-Signature", centre.Sign(key, body))
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code == http.StatusServiceUnavailable || w.Code == http.StatusUnauthorized {
			t.Fatalf("%d %s for %q", w.Code, w.Body, body)
		}
	})
}
