package centre

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"gradus/internal/audit"
	"gradus/internal/record"
)

// Store is the record of a centre, which keeps the keys of its sites and which of its people is which of theirs.
type Store interface {
	record.Store
	Kept(ctx context.Context, name string) ([]byte, error)
	Keep(ctx context.Context, name string, content []byte) error
	KeepFirst(ctx context.Context, name string, content []byte) ([]byte, error)
	Origin(ctx context.Context, name string) (record.Origin, error)
	AddOnce(ctx context.Context, name string, p record.Participant) (int64, error)
	TakeIn(ctx context.Context, sent record.Sent) (record.SentAdded, error)
	TakeMachine(ctx context.Context, name string, site int64, versions []record.Machine, runs []record.ControlRun) (int, error)
	CountBlocks(ctx context.Context, test string) (int, error)
}

// Allow gives a site a new key in place of any other; a site of this name is made when there is none.
func Allow(ctx context.Context, s Store, name string) (Key, error) {
	sites, err := s.Sites(ctx)
	if err != nil {
		return Key{}, err
	}
	var site record.Site
	for _, other := range sites {
		if other.Name == name {
			site = other
		}
	}
	if site.ID == 0 {
		if site, err = s.AddSite(ctx, record.Site{Name: name}); err != nil {
			return Key{}, err
		}
	}
	k := NewKey(site)
	text, err := json.Marshal(k)
	if err != nil {
		return Key{}, err
	}
	if err := s.Keep(ctx, keyName(site.ID), text); err != nil {
		return Key{}, err
	}
	return k, s.Note(ctx, audit.Entry{Action: "site-key", Entity: fmt.Sprintf("site/%d", site.ID)})
}

// Centre takes parcels.
type Centre struct {
	store func() (Store, bool)
	log   *slog.Logger
	mu    sync.Mutex // one parcel at a time: a parcel is looked at, then stored
}

// New is the handler of Path. store gives the record once it is open.
func New(store func() (Store, bool), log *slog.Logger) *Centre {
	return &Centre{store: store, log: log}
}

// ServeHTTP answers one request.
func (c *Centre) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodPost {
		w.Header().Set("Allow", http.MethodPost)
		http.Error(w, "only POST is taken here", http.StatusMethodNotAllowed)
		return
	}
	store, open := c.store()
	if !open {
		http.Error(w, "the record of the centre is locked; somebody has to unlock it there", http.StatusServiceUnavailable)
		return
	}
	key, err := keyOf(r, store)
	if err != nil {
		refuse(w)
		return
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxParcel))
	switch {
	case err != nil:
		http.Error(w, "the parcel is too large, or was cut off", http.StatusRequestEntityTooLarge)
		return
	case !key.signed(body, r.Header.Get(signHeader)):
		refuse(w)
		return
	}
	var p Parcel
	if err := json.Unmarshal(body, &p); err != nil || p.Format != format {
		http.Error(w, "it is no parcel of this version ("+format+"); bring site and centre to the same version", http.StatusBadRequest)
		return
	}
	ctx := audit.With(r.Context(), audit.Who{Actor: fmt.Sprintf("site/%d", key.Site)})
	c.mu.Lock()
	answer, err := take(ctx, store, key, p)
	c.mu.Unlock()
	if err != nil {
		status := http.StatusConflict
		if errors.Is(err, errOtherRecord) {
			status = http.StatusForbidden
		}
		if errors.As(err, new(*record.StorageError)) || ctx.Err() != nil {
			status = http.StatusServiceUnavailable
		}
		c.log.Warn("a parcel was not taken", "site", key.Site, "status", status)
		http.Error(w, reason(err), status)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(answer)
}

// reason says why a parcel was not taken in words for the site, which knows nothing of the numbers here.
func reason(err error) string {
	if taken := new(record.CodeTakenError); errors.As(err, &taken) {
		return fmt.Sprintf("somebody who was entered at the centre itself has the code %s in this site's part; give one of the two another code, and merge them at the centre if they are one", taken.Code)
	}
	if taken := new(record.TestTakenError); errors.As(err, &taken) {
		return fmt.Sprintf("test %s is there already and is another one, or of another site", taken.ID)
	}
	return strings.TrimPrefix(err.Error(), "record: ")
}

// refuse says the same whatever was wrong.
func refuse(w http.ResponseWriter) {
	http.Error(w, "the centre does not know this site by this key", http.StatusUnauthorized)
}

func keyOf(r *http.Request, s Store) (Key, error) {
	site, err := strconv.ParseInt(r.Header.Get(siteHeader), 10, 64)
	if err != nil || site < 1 {
		return Key{}, record.ErrNotFound
	}
	text, err := s.Kept(r.Context(), keyName(site))
	if err != nil {
		return Key{}, err
	}
	return ParseKey(text, "the record")
}

// take stores what the record does not have yet. Each step may be repeated, so that a break anywhere is made good by the
// same parcel once more.
func take(ctx context.Context, s Store, key Key, p Parcel) (Answer, error) {
	t := taking{Store: s, key: key, by: "site " + key.Name, seq: p.Seq}
	err := t.sameRecord(ctx, p.Record)
	switch {
	case err != nil:
	case p.House != nil:
		err = t.house(ctx, *p.House)
	case p.Samples != nil:
		err = t.samples(ctx, *p.Samples)
	case p.Person != nil:
		err = t.person(ctx, *p.Person)
	}
	return t.answer, err
}

// taking is a parcel at work.
type taking struct {
	Store
	key    Key
	by     string
	seq    int64
	answer Answer
}

// errOtherRecord is refused whole: the numbers of two records stand for different people.
var errOtherRecord = errors.New("this key is of a site that sends from another record; take the key that was made for this one, and for a new record have a key made for a site of a new name")

// sameRecord binds a site to the record from which it sends first.
func (t *taking) sameRecord(ctx context.Context, id string) error {
	if id == "" {
		return errOtherRecord
	}
	have, err := t.Kept(ctx, recordName(t.key.Site))
	if errors.Is(err, record.ErrNotFound) {
		have, err = t.KeepFirst(ctx, recordName(t.key.Site), []byte(id))
	}
	if err == nil && string(have) != id {
		err = errOtherRecord
	}
	return err
}

// errOtherPerson says that a number of the site once stood for somebody else, as after an old backup was restored.
var errOtherPerson = errors.New("the centre knows somebody else of this site by this person's number, as when the site's record was restored from an older backup; enter the person anew at the site, which gives another number")

func otherPerson(o record.Origin, created time.Time) bool {
	return o.Created != 0 && o.Created != created.UnixMilli()
}

// gone stands for a person who was deleted at the site before the centre heard of the person.
const gone = -1

func (t *taking) person(ctx context.Context, p Person) error {
	name := personName(t.key.Site, p.ID)
	who, err := t.Origin(ctx, name)
	switch {
	case errors.Is(err, record.ErrNotFound):
		p.Site, who.Created = t.key.Site, p.Created.UnixMilli()
		err = t.withCode(ctx, func() (err error) {
			who.ID, err = t.AddOnce(ctx, name, p.Participant)
			return err
		})
		if err != nil {
			return err
		}
		t.answer.People = 1
	case err != nil:
		return err
	case otherPerson(who, p.Created):
		return errOtherPerson
	}
	have, err := t.there(ctx, who.ID)
	if errors.Is(err, record.ErrNotFound) {
		t.answer.Gone = true
		return t.Note(ctx, audit.Entry{Action: "refused", Entity: fmt.Sprintf("person/%d", who.ID), Note: "a parcel about somebody who was deleted"})
	}
	if err != nil {
		return err
	}
	newest := t.seq > who.Seq
	if newest {
		if err := t.details(ctx, have, p.Participant); err != nil {
			return err
		}
	}
	if err := t.days(ctx, who.ID, p, newest); err != nil {
		return err
	}
	if newest {
		if err := t.merges(ctx, p); err != nil {
			return err
		}
		who.Seq = t.seq
		text, err := json.Marshal(who)
		if err == nil {
			err = t.Keep(ctx, name, text)
		}
		if err != nil {
			return err
		}
	}
	if have, err = t.there(ctx, who.ID); err != nil {
		return err
	}
	alike, err := t.Duplicates(ctx, have)
	t.answer.Alike = len(alike)
	return err
}

func (t *taking) there(ctx context.Context, id int64) (record.Participant, error) {
	if id == gone {
		return record.Participant{}, record.ErrNotFound
	}
	return t.Participant(ctx, id)
}

// details brings what may change about a person to what the site says; the newest word of the site counts.
func (t *taking) details(ctx context.Context, have, p record.Participant) error {
	want := p
	want.ID, want.Site, want.Created, want.Archived, want.MergedInto, want.Kept = have.ID, have.Site, have.Created, have.Archived, have.MergedInto, have.Kept
	if !reflect.DeepEqual(have, want) {
		if err := t.withCode(ctx, func() error { return t.UpdateParticipant(ctx, want) }); err != nil {
			return err
		}
	}
	if p.Archived.IsZero() != have.Archived.IsZero() {
		return t.Archive(ctx, have.ID, !p.Archived.IsZero())
	}
	return nil
}

// withCode writes a person. Where the code is taken by another one whom the site has sent, that one has another code at
// the site by now, which is on the way: it makes room.
func (t *taking) withCode(ctx context.Context, write func() error) error {
	err := write()
	taken := new(record.CodeTakenError)
	if !errors.As(err, &taken) {
		return err
	}
	if _, kept := t.Kept(ctx, record.NameOfOrigin(taken.By)); kept != nil {
		return err // entered at the centre itself
	}
	other, err := t.Participant(ctx, taken.By)
	if err != nil {
		return err
	}
	other.Code = fmt.Sprintf("%.40s~%d", other.Code, other.ID)
	if err := t.UpdateParticipant(ctx, other); err != nil {
		return err
	}
	return write()
}

// days stores visits with what was found, consents, and the tests with all that belongs to them.
func (t *taking) days(ctx context.Context, id int64, p Person, newest bool) error {
	sent := record.Sent{Person: id, Newest: newest, Consents: p.Consents}
	for _, v := range p.Visits {
		day := record.SentDay{Visit: v.Visit}
		for _, f := range v.Facts {
			f, err := t.fact(ctx, f)
			if err != nil {
				return err
			}
			day.Facts = append(day.Facts, f)
		}
		sent.Days = append(sent.Days, day)
	}
	if err := t.takeIn(ctx, sent); err != nil {
		return err
	}
	if err := t.newTests(ctx, id, p.Visits); err != nil {
		return err
	}
	sent = record.Sent{Person: id}
	for _, v := range p.Visits {
		for _, test := range v.Tests {
			if err := t.testGoesOn(ctx, id, test); err != nil {
				return err
			}
			sent.Tests = append(sent.Tests, record.SentTest{ID: test.ID, Results: test.Results, Papers: test.Papers, Countersigns: test.Countersigns})
			have, err := t.CountBlocks(ctx, test.ID)
			if err != nil {
				return err
			}
			if have < test.Blocks {
				t.answer.Lacking = append(t.answer.Lacking, test.ID)
			}
		}
	}
	return t.takeIn(ctx, sent)
}

func (t *taking) takeIn(ctx context.Context, sent record.Sent) error {
	if len(sent.Days)+len(sent.Consents)+len(sent.Tests) == 0 {
		return nil
	}
	added, err := t.TakeIn(ctx, sent)
	t.answer.Visits += added.Visits
	t.answer.Facts += added.Facts
	t.answer.Consents += added.Consents
	t.answer.Results += added.Results
	t.answer.Papers += added.Papers
	t.answer.Countersigns += added.Countersigns
	return err
}

// fact turns the number of a machine of the site into that of the centre; of one that is not known, the name stays.
func (t *taking) fact(ctx context.Context, f record.Fact) (record.Fact, error) {
	var parts map[string]json.RawMessage
	var id int64
	if f.Kind != "fit" || json.Unmarshal(f.JSON, &parts) != nil || json.Unmarshal(parts["machine"], &id) != nil {
		return f, nil
	}
	at, err := t.Origin(ctx, machineName(t.key.Site, id))
	switch {
	case errors.Is(err, record.ErrNotFound):
		delete(parts, "machine")
	case err != nil:
		return f, err
	default:
		parts["machine"] = json.RawMessage(strconv.FormatInt(at.ID, 10))
	}
	f.JSON, err = json.Marshal(parts)
	return f, err
}

// newTests stores those that are not there.
func (t *taking) newTests(ctx context.Context, id int64, visits []Visit) error {
	person := record.BatchPerson{Participant: record.Participant{ID: id}}
	for _, v := range visits {
		day := record.BatchDay{Date: v.Date, State: v.State}
		for _, test := range v.Tests {
			there, err := t.own(ctx, test.ID)
			if err != nil {
				return err
			}
			if !there {
				day.Tests = append(day.Tests, batchTest(test, t.key.Site))
			}
		}
		if len(day.Tests) > 0 {
			person.Days = append(person.Days, day)
		}
	}
	if len(person.Days) == 0 {
		return nil
	}
	added, err := t.BringIn(ctx, record.Batch{By: t.by, People: []record.BatchPerson{person}})
	t.answer.Visits += added.Visits
	t.answer.Tests += added.Tests
	return err
}

// own reports whether a test is there. One of another site is a TestTakenError.
func (t *taking) own(ctx context.Context, id string) (bool, error) {
	have, err := t.Test(ctx, id)
	switch {
	case errors.Is(err, record.ErrNotFound):
		return false, nil
	case err == nil && have.Site != t.key.Site:
		err = &record.TestTakenError{ID: id}
	}
	return true, err
}

func batchTest(t Test, site int64) record.BatchTest {
	own := t.Test
	own.Sent, own.Site, own.Account, own.Signed, own.Closed = []byte(t.Sent), site, 0, nil, time.Time{}
	return record.BatchTest{Test: own, Events: t.Events}
}

// testGoesOn adds what came to a test after it was sent first: another person, corrections.
func (t *taking) testGoesOn(ctx context.Context, person int64, test Test) error {
	before, err := t.Append(ctx, test.ID, nil)
	if err != nil {
		return err
	}
	have, err := t.Test(ctx, test.ID)
	if err != nil {
		return err
	}
	if have.Participant != person {
		by, why := t.by, "as at the site"
		if n := len(test.Reassignments); n > 0 {
			by, why = test.Reassignments[n-1].By, test.Reassignments[n-1].Why
		}
		if err := t.Reassign(ctx, test.ID, person, by, why); err != nil {
			return err
		}
	}
	after, err := t.Append(ctx, test.ID, test.Events)
	t.answer.Events += count(after) - count(before)
	return err
}

func count(marks record.Marks) (n int) {
	for _, id := range marks {
		n += int(id.N)
	}
	return n
}

// merges brings those between two people of the site to what the site says. A person whom the centre does not know yet
// brings the merge when it comes.
func (t *taking) merges(ctx context.Context, p Person) error {
	type pair struct{ from, into int64 }
	last := map[pair]record.Merge{}
	var pairs []pair
	for _, m := range p.Merges {
		at := pair{m.From, m.Into}
		if _, ok := last[at]; !ok {
			pairs = append(pairs, at)
		}
		last[at] = m
	}
	for _, undo := range []bool{true, false} { // what is split may be merged otherwise
		for _, at := range pairs {
			m := last[at]
			if m.Undone.IsZero() == undo {
				continue
			}
			if err := t.merge(ctx, m); err != nil {
				return err
			}
		}
	}
	return nil
}

func (t *taking) merge(ctx context.Context, m record.Merge) error {
	from, e1 := t.Origin(ctx, personName(t.key.Site, m.From))
	into, e2 := t.Origin(ctx, personName(t.key.Site, m.Into))
	if err := errors.Join(e1, e2); err != nil {
		if errors.Is(err, record.ErrNotFound) {
			return nil
		}
		return err
	}
	list, err := t.Merges(ctx, from.ID)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(list, func(o record.Merge) bool { return o.From == from.ID && o.Into == into.ID && o.Undone.IsZero() })
	switch {
	case m.Undone.IsZero() && i < 0:
		_, err = t.Merge(ctx, from.ID, into.ID, m.By, m.Why)
	case !m.Undone.IsZero() && i >= 0:
		err = t.UndoMerge(ctx, list[i].ID, m.UndoneBy, m.UndoneWhy)
	default:
		return nil
	}
	if errors.As(err, new(*record.InvalidError)) { // one of them is merged otherwise here
		t.answer.Unmerged = true
		return nil
	}
	if err == nil {
		t.answer.Merges++
	}
	return err
}

func (t *taking) samples(ctx context.Context, s Samples) error {
	there, err := t.own(ctx, s.Test)
	if err == nil && !there {
		err = fmt.Errorf("test %s: %w", s.Test, record.ErrNotFound)
	}
	if err != nil {
		return err
	}
	before, err := t.CountBlocks(ctx, s.Test)
	if err != nil {
		return err
	}
	if err := t.AppendSamples(ctx, s.Test, s.Blocks); err != nil {
		return err
	}
	after, err := t.CountBlocks(ctx, s.Test)
	t.answer.Samples = after - before
	return err
}

func (t *taking) house(ctx context.Context, h House) error {
	for _, m := range h.Machines {
		added, err := t.TakeMachine(ctx, machineName(t.key.Site, m.ID), t.key.Site, m.Versions, m.Runs)
		if err != nil {
			return err
		}
		t.answer.Machines += added
	}
	for _, e := range h.Erased {
		if err := t.erase(ctx, e); err != nil {
			return err
		}
	}
	return nil
}

// erase deletes whom the site has deleted, and nobody else: those whom the centre alone shows as one with the person are
// split from it first. A rule of the centre that says keep is not overruled from outside.
func (t *taking) erase(ctx context.Context, e Erased) error {
	name := personName(t.key.Site, e.Person)
	who, err := t.Origin(ctx, name)
	if errors.Is(err, record.ErrNotFound) {
		text, err := json.Marshal(record.Origin{ID: gone, Created: e.Created.UnixMilli()})
		if err == nil {
			err = t.Keep(ctx, name, text)
		}
		return err
	}
	if err != nil {
		return err
	}
	if otherPerson(who, e.Created) {
		t.stays(e, errOtherPerson)
		return nil
	}
	if _, err := t.there(ctx, who.ID); errors.Is(err, record.ErrNotFound) {
		return nil
	} else if err != nil {
		return err
	}
	until, err := t.KeepUntil(ctx, who.ID)
	if err != nil {
		return err
	}
	if until >= time.Now().UTC().Format(time.DateOnly) {
		t.stays(e, &record.KeepError{Until: until})
		return nil
	}
	if err := t.split(ctx, who.ID); err != nil {
		return err
	}
	_, err = t.Erase(ctx, record.Erasure{Participant: who.ID, By: t.by + ": " + e.By, Why: e.Why})
	if errors.As(err, new(*record.KeepError)) || errors.Is(err, record.ErrRunning) {
		t.stays(e, err)
		return nil
	}
	if err == nil {
		t.answer.Erased = append(t.answer.Erased, e.Person)
	}
	return err
}

func (t *taking) stays(e Erased, why error) {
	t.answer.Stays = append(t.answer.Stays, Stays{e.Person, reason(why)})
}

func (t *taking) split(ctx context.Context, id int64) error {
	list, err := t.Merges(ctx, id)
	if err != nil {
		return err
	}
	for _, m := range list {
		if m.Into != id || !m.Undone.IsZero() {
			continue
		}
		if err := t.UndoMerge(ctx, m.ID, t.by, "the site has deleted the one that was kept"); err != nil {
			return err
		}
	}
	return nil
}
