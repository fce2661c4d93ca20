package access

import (
	"context"
	"fmt"
	"sync"

	"gradus/conduct"
	"gradus/internal/record"
	"gradus/protocol"
)

// Guarded gives a store that asks at every call who acts. It refuses where nobody does or the right is missing, and
// knows nothing of other sites. What belongs to no person and no site needs a right alone. Who saw what is entered in the
// audit trail.
func Guarded(store record.Store) record.Store { return watch(&guarded{store: store}, store) }

type guarded struct {
	store record.Store
	sites sync.Map // test to its site, which never changes while the test is there
}

var _ record.Store = (*guarded)(nil)

func unknown(what string, id any) error {
	return fmt.Errorf("record: %s %v: %w", what, id, record.ErrNotFound)
}

// elsewhere reports whether something is of a site that the principal does not belong to.
func (p Principal) elsewhere(site int64) bool { return p.Site != 0 && p.Site != site }

func (g *guarded) person(ctx context.Context, r Right, id int64) (Principal, record.Participant, error) {
	p, err := Need(ctx, r)
	if err != nil {
		return p, record.Participant{}, err
	}
	who, err := g.store.Participant(ctx, id)
	if err == nil && p.elsewhere(who.Site) {
		err = unknown("participant", id)
	}
	if err != nil {
		return p, record.Participant{}, err
	}
	return p, who, nil
}

func (g *guarded) visit(ctx context.Context, r Right, id int64) (record.Visit, error) {
	p, err := Need(ctx, r)
	if err != nil {
		return record.Visit{}, err
	}
	v, err := g.store.Visit(ctx, id)
	if err != nil || p.Site == 0 {
		return v, err
	}
	who, err := g.store.Participant(ctx, v.Participant)
	if err == nil && p.elsewhere(who.Site) {
		err = unknown("visit", id)
	}
	if err != nil {
		return record.Visit{}, err
	}
	return v, nil
}

// test asks for a test without reading it each time: its site is remembered.
func (g *guarded) test(ctx context.Context, r Right, id string) (Principal, error) {
	p, err := Need(ctx, r)
	if err != nil || p.Site == 0 {
		return p, err
	}
	site, known := g.sites.Load(id)
	if !known {
		t, err := g.store.Test(ctx, id)
		if err != nil {
			return p, err
		}
		site = t.Site
		g.sites.Store(id, site)
	}
	if p.elsewhere(site.(int64)) {
		return p, unknown("test", id)
	}
	return p, nil
}

// Knows reports, without reading the test, why whoever acts may not see it.
func Knows(ctx context.Context, store record.Store, test string) error {
	if w, ok := store.(*watched); ok {
		store = w.Store
	}
	g, ok := store.(*guarded)
	if !ok {
		return nil
	}
	_, err := g.test(ctx, See, test)
	return err
}

func (g *guarded) machine(ctx context.Context, r Right, id int64) (Principal, record.Machine, error) {
	p, err := Need(ctx, r)
	if err != nil {
		return p, record.Machine{}, err
	}
	m, err := g.store.Machine(ctx, id)
	if err == nil && p.elsewhere(m.Site) {
		err = unknown("machine", id)
	}
	if err != nil {
		return p, record.Machine{}, err
	}
	return p, m, nil
}

func (g *guarded) AddParticipant(ctx context.Context, who record.Participant) (record.Participant, error) {
	p, err := Need(ctx, Enter)
	if err != nil {
		return record.Participant{}, err
	}
	who.Site = ownSite(p, who.Site)
	return g.store.AddParticipant(ctx, who)
}

// ownSite is where something new belongs: to the principal's site, whatever was asked for.
func ownSite(p Principal, site int64) int64 {
	if p.Site != 0 {
		return p.Site
	}
	return site
}

func (g *guarded) Participant(ctx context.Context, id int64) (record.Participant, error) {
	_, who, err := g.person(ctx, See, id)
	return who, err
}

func (g *guarded) ParticipantByCode(ctx context.Context, code string) (record.Participant, error) {
	return g.ParticipantAt(ctx, 0, code)
}

func (g *guarded) ParticipantAt(ctx context.Context, site int64, code string) (record.Participant, error) {
	p, err := Need(ctx, See)
	if err != nil {
		return record.Participant{}, err
	}
	return g.store.ParticipantAt(ctx, ownSite(p, site), code)
}

func (g *guarded) Participants(ctx context.Context, f record.ParticipantFilter) (record.Found, error) {
	p, err := Need(ctx, See)
	if err != nil {
		return record.Found{}, err
	}
	f.Site = ownSite(p, f.Site)
	return g.store.Participants(ctx, f)
}

func (g *guarded) UpdateParticipant(ctx context.Context, who record.Participant) error {
	if _, _, err := g.person(ctx, Enter, who.ID); err != nil {
		return err
	}
	return g.store.UpdateParticipant(ctx, who)
}

func (g *guarded) Archive(ctx context.Context, id int64, archived bool) error {
	if _, _, err := g.person(ctx, Decide, id); err != nil {
		return err
	}
	return g.store.Archive(ctx, id, archived)
}

func (g *guarded) Duplicates(ctx context.Context, who record.Participant) ([]record.Duplicate, error) {
	p, err := Need(ctx, See)
	if err != nil {
		return nil, err
	}
	found, err := g.store.Duplicates(ctx, who)
	var own []record.Duplicate
	for _, d := range found {
		if !p.elsewhere(d.Site) {
			own = append(own, d)
		}
	}
	return own, err
}

func (g *guarded) Merge(ctx context.Context, from, into int64, by, why string) (record.Merge, error) {
	for _, id := range []int64{from, into} {
		if _, _, err := g.person(ctx, Decide, id); err != nil {
			return record.Merge{}, err
		}
	}
	return g.store.Merge(ctx, from, into, by, why)
}

// UndoMerge knows only merges of people of the site.
func (g *guarded) UndoMerge(ctx context.Context, merge int64, by, why string) error {
	p, err := Need(ctx, Decide)
	if err != nil {
		return err
	}
	if p.Site != 0 {
		m, err := g.store.MergeByID(ctx, merge)
		if err != nil {
			return err
		}
		if _, _, err := g.person(ctx, Decide, m.From); err != nil {
			return unknown("merge", merge)
		}
	}
	return g.store.UndoMerge(ctx, merge, by, why)
}

// Link is for whom no site bounds, since two of different sites have to be seen: of the two one is unknown to anybody else.
func (g *guarded) Link(ctx context.Context, l record.Link) (record.Link, error) {
	for _, id := range []int64{l.One, l.Other} {
		if _, _, err := g.person(ctx, Decide, id); err != nil {
			return record.Link{}, err
		}
	}
	return g.store.Link(ctx, l)
}

func (g *guarded) UndoLink(ctx context.Context, link int64, by, why string) error {
	p, err := Need(ctx, Decide)
	if err != nil {
		return err
	}
	if p.Site != 0 {
		return unknown("link", link)
	}
	return g.store.UndoLink(ctx, link, by, why)
}

// Links are none to whom a site bounds.
func (g *guarded) Links(ctx context.Context) ([]record.Link, error) {
	p, err := Need(ctx, See)
	if err != nil || p.Site != 0 {
		return nil, err
	}
	return g.store.Links(ctx)
}

func (g *guarded) MergeByID(ctx context.Context, merge int64) (record.Merge, error) {
	if _, err := Need(ctx, See); err != nil {
		return record.Merge{}, err
	}
	m, err := g.store.MergeByID(ctx, merge)
	if err != nil {
		return record.Merge{}, err
	}
	if _, _, err := g.person(ctx, See, m.From); err != nil {
		return record.Merge{}, unknown("merge", merge)
	}
	return m, nil
}

func (g *guarded) Merges(ctx context.Context, participant int64) ([]record.Merge, error) {
	if _, _, err := g.person(ctx, See, participant); err != nil {
		return nil, err
	}
	return g.store.Merges(ctx, participant)
}

func (g *guarded) Merged(ctx context.Context, participant int64) ([]record.Participant, error) {
	if _, _, err := g.person(ctx, See, participant); err != nil {
		return nil, err
	}
	return g.store.Merged(ctx, participant)
}

func (g *guarded) AddVisit(ctx context.Context, v record.Visit) (record.Visit, error) {
	if _, _, err := g.person(ctx, Enter, v.Participant); err != nil {
		return record.Visit{}, err
	}
	return g.store.AddVisit(ctx, v)
}

func (g *guarded) VisitOn(ctx context.Context, participant int64, date string) (record.Visit, error) {
	if _, _, err := g.person(ctx, Enter, participant); err != nil {
		return record.Visit{}, err
	}
	return g.store.VisitOn(ctx, participant, date)
}

func (g *guarded) Visit(ctx context.Context, id int64) (record.Visit, error) {
	return g.visit(ctx, See, id)
}

func (g *guarded) Visits(ctx context.Context, f record.VisitFilter) ([]record.Visit, error) {
	p, err := Need(ctx, See)
	if err != nil {
		return nil, err
	}
	f.Site = ownSite(p, f.Site)
	return g.store.Visits(ctx, f)
}

func (g *guarded) UpdateVisit(ctx context.Context, v record.Visit) error {
	if _, err := g.visit(ctx, Enter, v.ID); err != nil {
		return err
	}
	return g.store.UpdateVisit(ctx, v)
}

func (g *guarded) AddFact(ctx context.Context, f record.Fact) (record.Fact, error) {
	if _, err := g.visit(ctx, Enter, f.Visit); err != nil {
		return record.Fact{}, err
	}
	return g.store.AddFact(ctx, f)
}

func (g *guarded) Facts(ctx context.Context, visit int64) ([]record.Fact, error) {
	if _, err := g.visit(ctx, See, visit); err != nil {
		return nil, err
	}
	return g.store.Facts(ctx, visit)
}

func (g *guarded) LastFact(ctx context.Context, participant int64, kind, before string) (record.Fact, error) {
	if _, _, err := g.person(ctx, See, participant); err != nil {
		return record.Fact{}, err
	}
	return g.store.LastFact(ctx, participant, kind, before)
}

func (g *guarded) FactsOf(ctx context.Context, f record.FactFilter) ([]record.DatedFact, error) {
	p, err := Need(ctx, See)
	if err != nil {
		return nil, err
	}
	f.Site = ownSite(p, f.Site)
	return g.store.FactsOf(ctx, f)
}

func (g *guarded) SaveMachine(ctx context.Context, m record.Machine) (record.Machine, error) {
	p, err := Need(ctx, Machines)
	if err != nil {
		return record.Machine{}, err
	}
	if m.ID != 0 {
		if _, _, err := g.machine(ctx, Machines, m.ID); err != nil {
			return record.Machine{}, err
		}
	}
	m.Site = ownSite(p, m.Site)
	return g.store.SaveMachine(ctx, m)
}

func (g *guarded) Machine(ctx context.Context, id int64) (record.Machine, error) {
	_, m, err := g.machine(ctx, See, id)
	return m, err
}

func (g *guarded) Machines(ctx context.Context) ([]record.Machine, error) {
	p, err := Need(ctx, See)
	if err != nil {
		return nil, err
	}
	all, err := g.store.Machines(ctx)
	var own []record.Machine
	for _, m := range all {
		if !p.elsewhere(m.Site) {
			own = append(own, m)
		}
	}
	return own, err
}

func (g *guarded) MachineVersions(ctx context.Context, id int64) ([]record.Machine, error) {
	if _, _, err := g.machine(ctx, See, id); err != nil {
		return nil, err
	}
	return g.store.MachineVersions(ctx, id)
}

func (g *guarded) AddControlRun(ctx context.Context, r record.ControlRun) (record.ControlRun, error) {
	if _, _, err := g.machine(ctx, Machines, r.Machine); err != nil {
		return record.ControlRun{}, err
	}
	return g.store.AddControlRun(ctx, r)
}

func (g *guarded) StrikeControlRun(ctx context.Context, id int64, by, why string) error {
	p, err := Need(ctx, Machines)
	if err != nil {
		return err
	}
	if p.Site != 0 {
		own, err := g.ownRun(ctx, id)
		if err != nil {
			return err
		}
		if !own {
			return unknown("control run", id)
		}
	}
	return g.store.StrikeControlRun(ctx, id, by, why)
}

// ownRun looks for a control run on the machines of the site, which are few.
func (g *guarded) ownRun(ctx context.Context, id int64) (bool, error) {
	machines, err := g.Machines(ctx)
	if err != nil {
		return false, err
	}
	for _, m := range machines {
		runs, err := g.store.ControlRuns(ctx, m.ID)
		if err != nil {
			return false, err
		}
		for _, r := range runs {
			if r.ID == id {
				return true, nil
			}
		}
	}
	return false, nil
}

func (g *guarded) ControlRuns(ctx context.Context, machine int64) ([]record.ControlRun, error) {
	if _, _, err := g.machine(ctx, See, machine); err != nil {
		return nil, err
	}
	return g.store.ControlRuns(ctx, machine)
}

// NewTest notes who begins the test, and that a student's does not count yet.
func (g *guarded) NewTest(ctx context.Context, t record.Test) (record.Test, error) {
	p, err := Need(ctx, Enter)
	if err != nil {
		return record.Test{}, err
	}
	if t.Participant != 0 {
		if _, _, err := g.person(ctx, Enter, t.Participant); err != nil {
			return record.Test{}, err
		}
	}
	t.Site, t.Account, t.Student = ownSite(p, t.Site), p.Account, p.Learning()
	if p.Site != 0 {
		if have, err := g.store.Test(ctx, t.ID); err == nil && p.elsewhere(have.Site) {
			return record.Test{}, &record.TestTakenError{ID: t.ID}
		}
	}
	return g.store.NewTest(ctx, t)
}

func (g *guarded) Test(ctx context.Context, id string) (record.Test, error) {
	p, err := Need(ctx, See)
	if err != nil {
		return record.Test{}, err
	}
	t, err := g.store.Test(ctx, id)
	if err == nil && p.elsewhere(t.Site) {
		return record.Test{}, unknown("test", id)
	}
	return t, err
}

func (g *guarded) Tests(ctx context.Context, f record.TestFilter) ([]record.Test, error) {
	p, err := Need(ctx, See)
	if err != nil {
		return nil, err
	}
	f.Site = ownSite(p, f.Site)
	return g.store.Tests(ctx, f)
}

func (g *guarded) Reassign(ctx context.Context, test string, participant int64, by, why string) error {
	if _, err := g.test(ctx, Decide, test); err != nil {
		return err
	}
	if _, _, err := g.person(ctx, Decide, participant); err != nil {
		return err
	}
	return g.store.Reassign(ctx, test, participant, by, why)
}

func (g *guarded) Reassignments(ctx context.Context, test string) ([]record.Reassignment, error) {
	if _, err := g.test(ctx, See, test); err != nil {
		return nil, err
	}
	return g.store.Reassignments(ctx, test)
}

func (g *guarded) AddResult(ctx context.Context, r record.Result) (record.Result, error) {
	if _, err := g.test(ctx, Enter, r.Test); err != nil {
		return record.Result{}, err
	}
	return g.store.AddResult(ctx, r)
}

func (g *guarded) Results(ctx context.Context, test string) ([]record.Result, error) {
	if _, err := g.test(ctx, See, test); err != nil {
		return nil, err
	}
	return g.store.Results(ctx, test)
}

func (g *guarded) HandOut(ctx context.Context, paper record.Paper) (record.Paper, error) {
	if _, err := g.test(ctx, Decide, paper.Test); err != nil {
		return record.Paper{}, err
	}
	return g.store.HandOut(ctx, paper)
}

func (g *guarded) Papers(ctx context.Context, test string) ([]record.Paper, error) {
	if _, err := g.test(ctx, See, test); err != nil {
		return nil, err
	}
	return g.store.Papers(ctx, test)
}

// BringIn takes a batch for the own site alone: everybody who is known in it must be of that site.
func (g *guarded) BringIn(ctx context.Context, b record.Batch) (record.BroughtIn, error) {
	p, err := Need(ctx, Decide)
	if err != nil {
		return record.BroughtIn{}, err
	}
	for i := range b.People {
		who := &b.People[i]
		if who.ID != 0 {
			if _, _, err := g.person(ctx, Decide, who.ID); err != nil {
				return record.BroughtIn{}, err
			}
		}
		who.Site = ownSite(p, who.Site)
	}
	return g.store.BringIn(ctx, b)
}

// Append without events reads the marks alone.
func (g *guarded) Append(ctx context.Context, test string, events []conduct.Event) (record.Marks, error) {
	need := Enter
	if len(events) == 0 {
		need = See
	}
	if _, err := g.test(ctx, need, test); err != nil {
		return nil, err
	}
	return g.store.Append(ctx, test, events)
}

func (g *guarded) Events(ctx context.Context, test string) ([]conduct.Event, error) {
	if _, err := g.test(ctx, See, test); err != nil {
		return nil, err
	}
	return g.store.Events(ctx, test)
}

func (g *guarded) EventsSince(ctx context.Context, test string, marks record.Marks) ([]conduct.Event, error) {
	if _, err := g.test(ctx, See, test); err != nil {
		return nil, err
	}
	return g.store.EventsSince(ctx, test, marks)
}

func (g *guarded) AppendSamples(ctx context.Context, test string, blocks []record.Block) error {
	if _, err := g.test(ctx, Enter, test); err != nil {
		return err
	}
	return g.store.AppendSamples(ctx, test, blocks)
}

func (g *guarded) Samples(ctx context.Context, test, kind string, from, to protocol.Ms) ([]record.Block, error) {
	if _, err := g.test(ctx, See, test); err != nil {
		return nil, err
	}
	return g.store.Samples(ctx, test, kind, from, to)
}

// Check and Close are the program's, not a person's.
func (g *guarded) Check(ctx context.Context) error { return g.store.Check(ctx) }
func (g *guarded) Close() error                    { return g.store.Close() }
