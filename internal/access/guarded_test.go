package access_test

import (
	"context"
	"encoding/json"
	"errors"
	"reflect"
	"slices"
	"testing"

	"gradus/conduct"
	"gradus/equipment"
	"gradus/internal/access"
	"gradus/internal/record"
	"gradus/internal/record/recordtest"
)

var bare = context.Background()

func open(t *testing.T) record.Store {
	t.Helper()
	s, err := record.Open(bare, t.TempDir(), record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

// call calls a method with arguments of their zero value, and returns its error.
func call(store record.Store, ctx context.Context, m reflect.Method) error {
	args := []reflect.Value{reflect.ValueOf(store)}
	for i := 1; i < m.Type.NumIn(); i++ {
		if in := m.Type.In(i); in.Kind() == reflect.Interface {
			args = append(args, reflect.ValueOf(ctx))
		} else {
			args = append(args, reflect.Zero(in))
		}
	}
	out := m.Func.Call(args)
	err, _ := out[len(out)-1].Interface().(error)
	return err
}

// The program's own doings, which tell nothing of anybody.
var open2all = []string{"AnyAccount", "Check", "Close"}

// Every method refuses when nobody acts, and when the one who acts has no right: a new one cannot be forgotten.
func TestEveryMethodIsGuarded(t *testing.T) {
	store := access.Guarded(open(t))
	powerless := access.With(bare, access.Principal{Account: 9, Name: "X", Site: 1})
	kind := reflect.TypeOf(store)
	seen := 0
	for i := range kind.NumMethod() {
		m := kind.Method(i)
		if slices.Contains(open2all, m.Name) {
			continue
		}
		seen++
		var nobody *access.NobodyError
		if err := call(store, bare, m); !errors.As(err, &nobody) && m.Name != "Session" && m.Name != "ChangeSession" {
			t.Errorf("%s without a principal: %v", m.Name, err)
		} else if err == nil {
			t.Errorf("%s without a principal is allowed", m.Name)
		}
		if err := call(store, powerless, m); err == nil {
			t.Errorf("%s without a right is allowed", m.Name)
		}
	}
	if seen < 75 {
		t.Errorf("%d methods were tried", seen)
	}
}

// world is a record with two sites and something of each kind at the second.
type world struct {
	raw, guarded         record.Store
	person, second, run  int64
	visit, machine       int64
	merge                int64
	test, students, live string
	north                int64
}

func build(t *testing.T) world {
	t.Helper()
	w := world{raw: open(t), test: "t-done", students: "t-student", live: "t-live"}
	w.guarded = access.Guarded(w.raw)
	ok := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	site, err := w.raw.AddSite(bare, record.Site{Name: "North"})
	ok(err)
	w.north = site.ID
	p, err := w.raw.AddParticipant(bare, record.Participant{Code: "N-1", Name: "Nora Nord", BirthDate: "1950-01-02", Site: w.north})
	ok(err)
	q, err := w.raw.AddParticipant(bare, record.Participant{Code: "N-2", Site: w.north})
	ok(err)
	m, err := w.raw.Merge(bare, q.ID, p.ID, "KL", "same")
	ok(err)
	w.person, w.second, w.merge = p.ID, q.ID, m.ID
	v, err := w.raw.VisitOn(bare, p.ID, "2026-03-02")
	ok(err)
	w.visit = v.ID
	_, err = w.raw.AddFact(bare, record.Fact{Visit: v.ID, Kind: "rest", JSON: json.RawMessage(`{}`), By: "KL"})
	ok(err)
	machine, err := w.raw.SaveMachine(bare, record.Machine{Profile: equipment.Profile{Name: "Cycle", Shows: equipment.Watts}, By: "KL", Site: w.north})
	ok(err)
	w.machine = machine.ID
	run, err := w.raw.AddControlRun(bare, record.ControlRun{Machine: w.machine, Staff: "S", Date: "2026-03-02", Work: 50, HeartRates: []float64{100}, By: "KL"})
	ok(err)
	w.run = run.ID
	for _, id := range []string{w.test, w.students, w.live} {
		test := recordtest.NewTest(id)
		test.Participant, test.Student = p.ID, id == w.students
		_, err := w.raw.NewTest(bare, test)
		ok(err)
		events := []conduct.Event{recordtest.Event(1, 1)}
		if id != w.live {
			events = append(events, conduct.Event{Term: 1, N: 2, Kind: conduct.Closed, Code: "sheet"})
		}
		_, err = w.raw.Append(bare, id, events)
		ok(err)
	}
	_, err = w.raw.AddResult(bare, record.Result{Test: w.test, JSON: json.RawMessage(`{}`), By: "KL"})
	ok(err)
	return w
}

func at(site int64, roles ...access.Role) context.Context {
	return access.With(bare, access.Principal{Name: "Kim", Roles: roles, Site: site})
}

// use is one use of a store: of what it needs, and whether what it finds is empty counts as not found.
type use struct {
	name string
	need access.Right
	do   func(context.Context, record.Store) (found bool, err error)
}

func uses(w world) []use {
	some := func(n int, err error) (bool, error) { return n > 0, err }
	yes := func(err error) (bool, error) { return true, err }
	return []use{
		{"Participant", access.See, func(c context.Context, s record.Store) (bool, error) {
			_, err := s.Participant(c, w.person)
			return yes(err)
		}},
		{"ParticipantByCode", access.See, func(c context.Context, s record.Store) (bool, error) {
			_, err := s.ParticipantByCode(c, "N-1")
			return yes(err)
		}},
		{"ParticipantAt", access.See, func(c context.Context, s record.Store) (bool, error) {
			_, err := s.ParticipantAt(c, w.north, "N-1")
			return yes(err)
		}},
		{"Participants", access.See, func(c context.Context, s record.Store) (bool, error) {
			f, err := s.Participants(c, record.ParticipantFilter{Query: "nora", Site: w.north})
			return some(f.Total, err)
		}},
		{"Duplicates", access.See, func(c context.Context, s record.Store) (bool, error) {
			f, err := s.Duplicates(c, record.Participant{Name: "Nora Nord", BirthDate: "1950-01-02"})
			return some(len(f), err)
		}},
		{"Merges", access.See, func(c context.Context, s record.Store) (bool, error) {
			f, err := s.Merges(c, w.person)
			return some(len(f), err)
		}},
		{"MergeByID", access.See, func(c context.Context, s record.Store) (bool, error) {
			_, err := s.MergeByID(c, w.merge)
			return yes(err)
		}},
		{"Merged", access.See, func(c context.Context, s record.Store) (bool, error) {
			f, err := s.Merged(c, w.person)
			return some(len(f), err)
		}},
		{"Visit", access.See, func(c context.Context, s record.Store) (bool, error) { _, err := s.Visit(c, w.visit); return yes(err) }},
		{"Visits", access.See, func(c context.Context, s record.Store) (bool, error) {
			f, err := s.Visits(c, record.VisitFilter{})
			return some(len(f), err)
		}},
		{"Visits of one", access.See, func(c context.Context, s record.Store) (bool, error) {
			f, err := s.Visits(c, record.VisitFilter{Participant: w.person})
			return some(len(f), err)
		}},
		{"Facts", access.See, func(c context.Context, s record.Store) (bool, error) {
			f, err := s.Facts(c, w.visit)
			return some(len(f), err)
		}},
		{"LastFact", access.See, func(c context.Context, s record.Store) (bool, error) {
			_, err := s.LastFact(c, w.person, "rest", "")
			return yes(err)
		}},
		{"FactsOf", access.See, func(c context.Context, s record.Store) (bool, error) {
			f, err := s.FactsOf(c, record.FactFilter{Kind: "rest", Site: w.north})
			return some(len(f), err)
		}},
		{"Machine", access.See, func(c context.Context, s record.Store) (bool, error) {
			_, err := s.Machine(c, w.machine)
			return yes(err)
		}},
		{"Machines", access.See, func(c context.Context, s record.Store) (bool, error) {
			f, err := s.Machines(c)
			return some(len(f), err)
		}},
		{"MachineVersions", access.See, func(c context.Context, s record.Store) (bool, error) {
			f, err := s.MachineVersions(c, w.machine)
			return some(len(f), err)
		}},
		{"ControlRuns", access.See, func(c context.Context, s record.Store) (bool, error) {
			f, err := s.ControlRuns(c, w.machine)
			return some(len(f), err)
		}},
		{"Test", access.See, func(c context.Context, s record.Store) (bool, error) { _, err := s.Test(c, w.test); return yes(err) }},
		{"Tests", access.See, func(c context.Context, s record.Store) (bool, error) {
			f, err := s.Tests(c, record.TestFilter{Site: w.north})
			return some(len(f), err)
		}},
		{"Events", access.See, func(c context.Context, s record.Store) (bool, error) {
			f, err := s.Events(c, w.test)
			return some(len(f), err)
		}},
		{"EventsSince", access.See, func(c context.Context, s record.Store) (bool, error) {
			f, err := s.EventsSince(c, w.test, nil)
			return some(len(f), err)
		}},
		{"marks", access.See, func(c context.Context, s record.Store) (bool, error) {
			f, err := s.Append(c, w.test, nil)
			return some(len(f), err)
		}},
		{"Samples", access.See, func(c context.Context, s record.Store) (bool, error) {
			_, err := s.Samples(c, w.test, "hr", 0, 1)
			return yes(err)
		}},
		{"Results", access.See, func(c context.Context, s record.Store) (bool, error) {
			f, err := s.Results(c, w.test)
			return some(len(f), err)
		}},
		{"Papers", access.See, func(c context.Context, s record.Store) (bool, error) { _, err := s.Papers(c, w.test); return yes(err) }},
		{"Reassignments", access.See, func(c context.Context, s record.Store) (bool, error) {
			_, err := s.Reassignments(c, w.test)
			return yes(err)
		}},
		{"Countersigns", access.See, func(c context.Context, s record.Store) (bool, error) {
			_, err := s.Countersigns(c, w.test)
			return yes(err)
		}},
		{"Consents", access.See, func(c context.Context, s record.Store) (bool, error) {
			_, err := s.Consents(c, w.person)
			return yes(err)
		}},
		{"UpdateParticipant", access.Enter, func(c context.Context, s record.Store) (bool, error) {
			return yes(s.UpdateParticipant(c, record.Participant{ID: w.person, Code: "N-1", Name: "Nora Nord", BirthDate: "1950-01-02"}))
		}},
		{"AddVisit", access.Enter, func(c context.Context, s record.Store) (bool, error) {
			v, err := s.AddVisit(c, record.Visit{Participant: w.person, Date: "2026-05-01", State: record.VisitPlanned})
			var taken *record.DayTakenError
			if errors.As(err, &taken) {
				err = nil // by the try before
			}
			return some(int(v.ID)+1, err)
		}},
		{"VisitOn", access.Enter, func(c context.Context, s record.Store) (bool, error) {
			_, err := s.VisitOn(c, w.person, "2026-05-02")
			return yes(err)
		}},
		{"UpdateVisit", access.Enter, func(c context.Context, s record.Store) (bool, error) {
			return yes(s.UpdateVisit(c, record.Visit{ID: w.visit, Date: "2026-03-02", State: record.VisitDone}))
		}},
		{"AddFact", access.Enter, func(c context.Context, s record.Store) (bool, error) {
			_, err := s.AddFact(c, record.Fact{Visit: w.visit, Kind: "fit", JSON: json.RawMessage(`{}`), By: "KL"})
			return yes(err)
		}},
		{"AddConsent", access.Enter, func(c context.Context, s record.Store) (bool, error) {
			_, err := s.AddConsent(c, record.Consent{Participant: w.person, Purpose: record.ForTest, Date: "2026-03-02", By: "KL"})
			return yes(err)
		}},
		{"NewTest", access.Enter, func(c context.Context, s record.Store) (bool, error) {
			test := recordtest.NewTest("t-new")
			test.Participant = w.person
			_, err := s.NewTest(c, test)
			return yes(err)
		}},
		{"Append", access.Enter, func(c context.Context, s record.Store) (bool, error) {
			_, err := s.Append(c, w.live, []conduct.Event{recordtest.Event(1, 2)})
			return yes(err)
		}},
		{"AppendSamples", access.Enter, func(c context.Context, s record.Store) (bool, error) {
			return yes(s.AppendSamples(c, w.live, []record.Block{{Seq: 1, To: 1, Kind: "hr", Payload: []byte{1}}}))
		}},
		{"AddResult", access.Enter, func(c context.Context, s record.Store) (bool, error) {
			_, err := s.AddResult(c, record.Result{Test: w.test, JSON: json.RawMessage(`{}`), By: "KL"})
			return yes(err)
		}},
		{"HandOut", access.Decide, func(c context.Context, s record.Store) (bool, error) {
			_, err := s.HandOut(c, record.Paper{Test: w.test, Version: 1, What: "note", To: "GP", By: "KL"})
			return yes(err)
		}},
		{"Archive", access.Decide, func(c context.Context, s record.Store) (bool, error) { return yes(s.Archive(c, w.person, false)) }},
		{"BringIn", access.Decide, func(c context.Context, s record.Store) (bool, error) {
			_, err := s.BringIn(c, record.Batch{By: "KL", People: []record.BatchPerson{{Participant: record.Participant{ID: w.person}}}})
			return yes(err)
		}},
		{"Countersign", access.Sign, func(c context.Context, s record.Store) (bool, error) {
			_, err := s.Countersign(c, record.Countersign{Test: w.students, By: "KL", Marks: record.Marks{{Term: 1, N: 2}}})
			return yes(err)
		}},
		{"SaveMachine", access.Machines, func(c context.Context, s record.Store) (bool, error) {
			m, err := w.raw.Machine(bare, w.machine)
			if err == nil {
				m.By = "KL"
				_, err = s.SaveMachine(c, m)
			}
			return yes(err)
		}},
		{"AddControlRun", access.Machines, func(c context.Context, s record.Store) (bool, error) {
			_, err := s.AddControlRun(c, record.ControlRun{Machine: w.machine, Staff: "S", Date: "2026-03-02", Work: 50, HeartRates: []float64{100}, By: "KL"})
			return yes(err)
		}},
		{"KeepUntil", access.Erase, func(c context.Context, s record.Store) (bool, error) {
			_, err := s.KeepUntil(c, w.person)
			return yes(err)
		}},
		{"StrikeControlRun", access.Machines, func(c context.Context, s record.Store) (bool, error) {
			err := s.StrikeControlRun(c, w.run, "KL", "x")
			var already *record.InvalidError
			if errors.As(err, &already) {
				err = nil // struck by the try before
			}
			return yes(err)
		}},
		{"Reassign", access.Decide, func(c context.Context, s record.Store) (bool, error) {
			err := s.Reassign(c, w.test, w.person, "KL", "x")
			var already *record.InvalidError
			if errors.As(err, &already) {
				err = nil // it is that person's already
			}
			return yes(err)
		}},
		{"UndoMerge", access.Decide, func(c context.Context, s record.Store) (bool, error) {
			err := s.UndoMerge(c, w.merge, "KL", "x")
			var already *record.InvalidError
			if errors.As(err, &already) {
				err = nil
			}
			return yes(err)
		}},
		{"Erase", access.Erase, func(c context.Context, s record.Store) (bool, error) {
			_, err := s.Erase(c, record.Erasure{Participant: w.second, Why: "asked for it"})
			if p, _ := access.From(c); errors.Is(err, record.ErrNotFound) && p.Site == w.north {
				if _, still := w.raw.Participant(bare, w.second); still != nil {
					err = nil // erased by the try before
				}
			}
			return yes(err)
		}},
	}
}

// The table of rights, tried: each role at the right site may do what the table says and nothing else; at another site
// it finds nothing, and is told the same as of what never was.
func TestRolesAndSites(t *testing.T) {
	w := build(t)
	for _, u := range uses(w) {
		for _, role := range access.Roles {
			allowed := access.Principal{Roles: []access.Role{role}}.May(u.need)
			var refused *access.RefusedError
			elsewhere, err := u.do(at(record.FirstSite, role), w.guarded)
			switch {
			case !allowed && !errors.As(err, &refused):
				t.Errorf("%s by %s of another site: %v", u.name, role, err)
			case allowed && elsewhere && !errors.Is(err, record.ErrNotFound):
				t.Errorf("%s by %s of another site: found, %v", u.name, role, err)
			}
			found, err := u.do(at(w.north, role), w.guarded)
			switch {
			case !allowed && !errors.As(err, &refused):
				t.Errorf("%s by %s: %v", u.name, role, err)
			case allowed && (err != nil || !found):
				t.Errorf("%s by %s: %v, %v", u.name, role, found, err)
			}
		}
	}
}

// What is new belongs to the site of whoever makes it, whatever was asked for, and a student's test is marked.
func TestNewThingsAreOwn(t *testing.T) {
	w := build(t)
	here := at(record.FirstSite, access.Student)
	p, err := w.guarded.AddParticipant(here, record.Participant{Code: "X", Site: w.north})
	if err != nil || p.Site != record.FirstSite {
		t.Errorf("person %+v, %v", p, err)
	}
	test := recordtest.NewTest("own")
	test.Site, test.Account = w.north, 77
	raw, err := w.raw.AddAccount(bare, record.Account{Login: "s", Name: "S", Roles: []string{"student"}, Site: record.FirstSite, Handle: "h"})
	if err != nil {
		t.Fatal(err)
	}
	here = access.With(bare, access.Of(raw, ""))
	made, err := w.guarded.NewTest(here, test)
	if err != nil || made.Site != record.FirstSite || !made.Student || made.Account != raw.ID {
		t.Errorf("test %+v, %v", made, err)
	}
	if _, err := w.guarded.NewTest(here, recordtest.NewTest(w.test)); !errors.As(err, new(*record.TestTakenError)) {
		t.Errorf("a test under the id of another site's: %v", err)
	}
}

// Nobody raises the own account.
func TestOwnAccount(t *testing.T) {
	raw := open(t)
	store := access.Guarded(raw)
	a, err := raw.AddAccount(bare, record.Account{Login: "s", Name: "S", Roles: []string{"student"}, Site: record.FirstSite, Handle: "h"})
	if err != nil {
		t.Fatal(err)
	}
	b, err := raw.AddAccount(bare, record.Account{Login: "b", Name: "B", Roles: []string{"administrator"}, Site: record.FirstSite, Handle: "i"})
	if err != nil {
		t.Fatal(err)
	}
	own := access.With(bare, access.Of(a, ""))
	a, err = store.ChangeAccount(own, a.ID, func(a *record.Account) error {
		a.Password, a.Roles, a.Site, a.Name = "new", []string{"administrator"}, 1, "Boss"
		return nil
	})
	if err != nil || a.Password != "new" || a.Roles[0] != "student" || a.Name != "S" {
		t.Errorf("own account: %+v, %v", a, err)
	}
	if _, err := store.Account(own, b.ID); !errors.As(err, new(*access.RefusedError)) {
		t.Errorf("somebody else's account: %v", err)
	}
	if _, err := store.Sessions(access.With(bare, access.Principal{Name: "X", Roles: []access.Role{access.Researcher}}), 0); err == nil {
		t.Error("the sessions of the owner are shown to somebody without an account")
	}
}

// Decisions across sites are for whom no site bounds; to anybody else there is none.
func TestLinksAreForNoSite(t *testing.T) {
	w := build(t)
	p, err := w.raw.AddParticipant(bare, record.Participant{Code: "H-1", Name: "Nora Nord"})
	if err != nil {
		t.Fatal(err)
	}
	owner := access.With(bare, access.Single("owner"))
	l, err := w.guarded.Link(owner, record.Link{One: p.ID, Other: w.person, Same: true, By: "KL", Why: "same"})
	if err != nil {
		t.Fatal(err)
	}
	if list, err := w.guarded.Links(owner); err != nil || len(list) != 1 {
		t.Error(list, err)
	}
	for _, role := range access.Roles {
		for _, site := range []int64{record.FirstSite, w.north} {
			if _, err := w.guarded.Link(at(site, role), record.Link{One: p.ID, Other: w.second, By: "KL", Why: "x"}); err == nil || errors.As(err, new(*record.InvalidError)) {
				t.Errorf("%s of site %d decides: %v", role, site, err)
			}
			if err := w.guarded.UndoLink(at(site, role), l.ID, "KL", "x"); !errors.Is(err, record.ErrNotFound) && !errors.As(err, new(*access.RefusedError)) {
				t.Errorf("%s of site %d takes back: %v", role, site, err)
			}
			if list, _ := w.guarded.Links(at(site, role)); len(list) > 0 {
				t.Errorf("%s of site %d sees %v", role, site, list)
			}
		}
	}
	if err := w.guarded.UndoLink(owner, l.ID, "KL", "x"); err != nil {
		t.Error(err)
	}
}
