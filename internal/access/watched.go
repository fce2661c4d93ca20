package access

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"gradus/conduct"
	"gradus/internal/audit"
	"gradus/internal/record"
	"gradus/protocol"
)

// watched is a store that enters in the audit trail who saw a person, a visit or a test, and to whom a look was refused,
// so that no page can forget it. Writing is entered by the record itself.
//
// The same look by the same session is entered once in five minutes: a running page asks every second. Where an entry
// cannot be written, as on a full disk, the page is shown all the same, since a person may be at the bedside; the next
// entry says how many are missing. What the program does for itself, with nobody in the context, is no look.
type watched struct {
	record.Store              // what is watched
	trail        record.Trail // takes the entries
	now          func() time.Time

	mu     sync.Mutex
	last   map[string]time.Time
	missed int
}

// Watched enters every look at a record by whoever acts in the context, without asking for any right.
func Watched(store record.Store, trail record.Trail) record.Store { return watch(store, trail) }

func watch(store record.Store, trail record.Trail) *watched {
	return &watched{Store: store, trail: trail, now: time.Now, last: map[string]time.Time{}}
}

// again is how long the same look is not entered again; most is how many looks are remembered.
const (
	again = 5 * time.Minute
	most  = 10_000
)

// saw enters a look, or that it was refused.
func (w *watched) saw(ctx context.Context, err error, entity, note string) {
	e := audit.Entry{Action: "see", Entity: entity, Note: note}
	if refused := new(RefusedError); errors.As(err, &refused) {
		e.Action, e.Note = "refused", string(refused.Right)
	} else if err != nil {
		return
	}
	who := audit.From(ctx)
	if who == audit.System {
		return
	}
	missed, fresh := w.fresh(strings.Join([]string{who.Actor, who.Session, e.Action, e.Entity, e.Note}, "\n"))
	if !fresh {
		return
	}
	if missed > 0 {
		e.Note = strings.TrimSpace(fmt.Sprintf("%s (%d looks before this one could not be entered)", e.Note, missed))
	}
	if err := w.trail.Note(context.WithoutCancel(ctx), e); err != nil {
		w.mu.Lock()
		w.missed += missed + 1
		w.mu.Unlock()
	}
}

// Refused enters that something was refused before the record was asked, as a page that the role does not reach.
func Refused(ctx context.Context, store record.Store, err *RefusedError, entity string) {
	if w, ok := store.(*watched); ok {
		w.saw(ctx, err, entity, "")
	}
}

// fresh reports whether a look is to be entered, and how many could not be.
func (w *watched) fresh(look string) (missed int, fresh bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	now := w.now()
	if at, ok := w.last[look]; ok && now.Sub(at) < again {
		return 0, false
	}
	if len(w.last) >= most {
		for key, at := range w.last {
			if now.Sub(at) >= again {
				delete(w.last, key)
			}
		}
		if len(w.last) >= most {
			clear(w.last) // a look too many is entered rather than none
		}
	}
	w.last[look] = now
	missed, w.missed = w.missed, 0
	return missed, true
}

func (w *watched) sawPerson(ctx context.Context, err error, id int64) {
	if id == 0 { // asked for by code, and refused
		w.saw(ctx, err, "people", "")
		return
	}
	w.saw(ctx, err, fmt.Sprintf("person/%d", id), "")
}

func (w *watched) sawVisit(ctx context.Context, err error, id int64) {
	w.saw(ctx, err, fmt.Sprintf("visit/%d", id), "")
}

func (w *watched) sawTest(ctx context.Context, err error, id string) {
	w.saw(ctx, err, "test/"+id, "")
}

// sawList enters a list with the numbers of those who stand in it.
func (w *watched) sawList(ctx context.Context, err error, ids []int64) {
	slices.Sort(ids)
	var words []string
	for _, id := range slices.Compact(ids) {
		if id != 0 {
			words = append(words, strconv.FormatInt(id, 10))
		}
	}
	if err != nil || len(words) > 0 {
		w.saw(ctx, err, "people", strings.Join(words[:min(len(words), listed)], " "))
	}
}

// listed is how many numbers one entry holds at most.
const listed = 5000

func (w *watched) Participant(ctx context.Context, id int64) (record.Participant, error) {
	p, err := w.Store.Participant(ctx, id)
	w.sawPerson(ctx, err, id)
	return p, err
}

func (w *watched) ParticipantByCode(ctx context.Context, code string) (record.Participant, error) {
	p, err := w.Store.ParticipantByCode(ctx, code)
	w.sawPerson(ctx, err, p.ID)
	return p, err
}

func (w *watched) ParticipantAt(ctx context.Context, site int64, code string) (record.Participant, error) {
	p, err := w.Store.ParticipantAt(ctx, site, code)
	w.sawPerson(ctx, err, p.ID)
	return p, err
}

func (w *watched) Participants(ctx context.Context, f record.ParticipantFilter) (record.Found, error) {
	found, err := w.Store.Participants(ctx, f)
	w.sawList(ctx, err, idsOf(found.People))
	return found, err
}

func (w *watched) Duplicates(ctx context.Context, p record.Participant) ([]record.Duplicate, error) {
	list, err := w.Store.Duplicates(ctx, p)
	var ids []int64
	for _, d := range list {
		ids = append(ids, d.ID)
	}
	w.sawList(ctx, err, ids)
	return list, err
}

func (w *watched) Merges(ctx context.Context, participant int64) ([]record.Merge, error) {
	list, err := w.Store.Merges(ctx, participant)
	w.sawPerson(ctx, err, participant)
	return list, err
}

func (w *watched) MergeByID(ctx context.Context, id int64) (record.Merge, error) {
	m, err := w.Store.MergeByID(ctx, id)
	w.sawPerson(ctx, err, m.Into)
	return m, err
}

func (w *watched) Merged(ctx context.Context, participant int64) ([]record.Participant, error) {
	list, err := w.Store.Merged(ctx, participant)
	w.sawList(ctx, err, idsOf(list))
	return list, err
}

func idsOf(people []record.Participant) (ids []int64) {
	for _, p := range people {
		ids = append(ids, p.ID)
	}
	return ids
}

func (w *watched) Links(ctx context.Context) ([]record.Link, error) {
	list, err := w.Store.Links(ctx)
	var ids []int64
	for _, l := range list {
		ids = append(ids, l.One, l.Other)
	}
	w.sawList(ctx, err, ids)
	return list, err
}

func (w *watched) Visit(ctx context.Context, id int64) (record.Visit, error) {
	v, err := w.Store.Visit(ctx, id)
	w.sawVisit(ctx, err, id)
	return v, err
}

func (w *watched) VisitOn(ctx context.Context, participant int64, date string) (record.Visit, error) {
	v, err := w.Store.VisitOn(ctx, participant, date)
	w.sawVisit(ctx, err, v.ID)
	return v, err
}

func (w *watched) Visits(ctx context.Context, f record.VisitFilter) ([]record.Visit, error) {
	list, err := w.Store.Visits(ctx, f)
	if f.Participant != 0 {
		w.sawPerson(ctx, err, f.Participant)
		return list, err
	}
	var ids []int64
	for _, v := range list {
		ids = append(ids, v.Participant)
	}
	w.sawList(ctx, err, ids)
	return list, err
}

func (w *watched) Facts(ctx context.Context, visit int64) ([]record.Fact, error) {
	list, err := w.Store.Facts(ctx, visit)
	w.sawVisit(ctx, err, visit)
	return list, err
}

func (w *watched) LastFact(ctx context.Context, participant int64, kind, before string) (record.Fact, error) {
	f, err := w.Store.LastFact(ctx, participant, kind, before)
	w.sawPerson(ctx, err, participant)
	return f, err
}

func (w *watched) FactsOf(ctx context.Context, f record.FactFilter) ([]record.DatedFact, error) {
	list, err := w.Store.FactsOf(ctx, f)
	if f.Participant != 0 {
		w.sawPerson(ctx, err, f.Participant)
		return list, err
	}
	var ids []int64
	for _, d := range list {
		ids = append(ids, d.Participant)
	}
	w.sawList(ctx, err, ids)
	return list, err
}

func (w *watched) Test(ctx context.Context, id string) (record.Test, error) {
	t, err := w.Store.Test(ctx, id)
	w.sawTest(ctx, err, id)
	return t, err
}

func (w *watched) Tests(ctx context.Context, f record.TestFilter) ([]record.Test, error) {
	list, err := w.Store.Tests(ctx, f)
	if f.Participant != 0 {
		w.sawPerson(ctx, err, f.Participant)
		return list, err
	}
	var ids []int64
	for _, t := range list {
		ids = append(ids, t.Participant)
	}
	w.sawList(ctx, err, ids)
	return list, err
}

func (w *watched) Reassignments(ctx context.Context, test string) ([]record.Reassignment, error) {
	list, err := w.Store.Reassignments(ctx, test)
	w.sawTest(ctx, err, test)
	return list, err
}

func (w *watched) Results(ctx context.Context, test string) ([]record.Result, error) {
	list, err := w.Store.Results(ctx, test)
	w.sawTest(ctx, err, test)
	return list, err
}

func (w *watched) Papers(ctx context.Context, test string) ([]record.Paper, error) {
	list, err := w.Store.Papers(ctx, test)
	w.sawTest(ctx, err, test)
	return list, err
}

func (w *watched) Countersigns(ctx context.Context, test string) ([]record.Countersign, error) {
	list, err := w.Store.Countersigns(ctx, test)
	w.sawTest(ctx, err, test)
	return list, err
}

func (w *watched) Consents(ctx context.Context, participant int64) ([]record.Consent, error) {
	list, err := w.Store.Consents(ctx, participant)
	w.sawPerson(ctx, err, participant)
	return list, err
}

func (w *watched) Events(ctx context.Context, test string) ([]conduct.Event, error) {
	list, err := w.Store.Events(ctx, test)
	w.sawTest(ctx, err, test)
	return list, err
}

func (w *watched) EventsSince(ctx context.Context, test string, marks record.Marks) ([]conduct.Event, error) {
	list, err := w.Store.EventsSince(ctx, test, marks)
	w.sawTest(ctx, err, test)
	return list, err
}

func (w *watched) Samples(ctx context.Context, test, kind string, from, to protocol.Ms) ([]record.Block, error) {
	list, err := w.Store.Samples(ctx, test, kind, from, to)
	w.sawTest(ctx, err, test)
	return list, err
}

func (w *watched) File(ctx context.Context, kind, name, version string) (record.File, error) {
	f, err := w.Store.File(ctx, kind, name, version)
	w.sawFiles(ctx, err, kind)
	return f, err
}

func (w *watched) FilesOf(ctx context.Context, kind string) ([]record.File, error) {
	list, err := w.Store.FilesOf(ctx, kind)
	w.sawFiles(ctx, err, kind)
	return list, err
}

// sawFiles enters that somebody saw a spreadsheet with people in it; other files hold nobody.
func (w *watched) sawFiles(ctx context.Context, err error, kind string) {
	if kind == record.FileUpload {
		w.saw(ctx, err, "upload", "")
	}
}

func (w *watched) StudyCodes(ctx context.Context, site int64) (map[string]string, error) {
	codes, err := w.Store.StudyCodes(ctx, site)
	if err != nil || len(codes) > 0 {
		w.saw(ctx, err, "study-codes", "")
	}
	return codes, err
}
