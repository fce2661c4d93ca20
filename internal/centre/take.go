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
	"strconv"
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
	taken, err := take(ctx, store, key, p)
	c.mu.Unlock()
	if err != nil {
		status := http.StatusConflict
		if errors.As(err, new(*record.StorageError)) {
			status = http.StatusServiceUnavailable
		}
		c.log.Warn("a parcel was not taken", "site", key.Site, "person", p.Person.ID, "status", status)
		http.Error(w, err.Error(), status)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(taken)
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

// known is who a person of a site is at the centre, and from when its details are.
type known struct{ ID, Seq int64 }

// take stores what the record does not have yet. Each step may be repeated, so that a break anywhere is made good by the
// same parcel once more.
func take(ctx context.Context, s Store, key Key, p Parcel) (taken Taken, err error) {
	by := "site " + key.Name
	name := fmt.Sprintf("centre/person/%d/%d", key.Site, p.Person.ID)
	who, err := whoIs(ctx, s, name, key.Site, p.Person.Code)
	if err != nil {
		return taken, err
	}
	p.Person.Site, p.Person.ID = key.Site, who.ID
	batch := record.BatchPerson{Participant: p.Person}
	for _, v := range p.Visits {
		day := record.BatchDay{Date: v.Date, State: v.State, Facts: v.Facts}
		for _, t := range v.Tests {
			there, err := itsOwn(ctx, s, key.Site, t.ID)
			if err != nil {
				return taken, err
			}
			if !there {
				day.Tests = append(day.Tests, batchTest(t, key.Site))
			}
		}
		batch.Days = append(batch.Days, day)
	}
	added, err := s.BringIn(ctx, record.Batch{By: by, People: []record.BatchPerson{batch}})
	if err != nil {
		return taken, err
	}
	taken = Taken{People: added.People, Visits: added.Visits, Tests: added.Tests, Facts: added.Facts}
	if who.ID == 0 {
		at, err := s.ParticipantAt(ctx, key.Site, p.Person.Code)
		if err != nil {
			return taken, err
		}
		who.ID = at.ID
	}
	if p.Seq > who.Seq {
		if err := details(ctx, s, who.ID, p); err != nil {
			return taken, err
		}
		who.Seq = p.Seq
	}
	for _, v := range p.Visits {
		for _, t := range v.Tests {
			if err := testGoesOn(ctx, s, by, who.ID, t, &taken); err != nil {
				return taken, err
			}
		}
	}
	for i, c := range p.Consents {
		have, err := s.Consents(ctx, who.ID)
		if err != nil {
			return taken, err
		}
		if i < len(have) {
			continue
		}
		c.Participant = who.ID
		if _, err := s.AddConsent(ctx, c); err != nil {
			return taken, err
		}
	}
	text, err := json.Marshal(who)
	if err != nil {
		return taken, err
	}
	if err := s.Keep(ctx, name, text); err != nil {
		return taken, err
	}
	p.Person.ID = who.ID
	alike, err := s.Duplicates(ctx, p.Person)
	taken.Alike = len(alike)
	return taken, err
}

// whoIs finds a person of a site again: by what was kept, else, where a break came before that, by the code.
func whoIs(ctx context.Context, s Store, name string, site int64, code string) (who known, err error) {
	text, err := s.Kept(ctx, name)
	if err == nil {
		return who, json.Unmarshal(text, &who)
	}
	if !errors.Is(err, record.ErrNotFound) {
		return who, err
	}
	p, err := s.ParticipantAt(ctx, site, code)
	if errors.Is(err, record.ErrNotFound) {
		return known{}, nil
	}
	return known{ID: p.ID}, err
}

// itsOwn reports whether a test is there. One of another site is a TestTakenError.
func itsOwn(ctx context.Context, s Store, site int64, id string) (bool, error) {
	have, err := s.Test(ctx, id)
	switch {
	case errors.Is(err, record.ErrNotFound):
		return false, nil
	case err == nil && have.Site != site:
		err = &record.TestTakenError{ID: id}
	}
	return true, err
}

func batchTest(t Test, site int64) record.BatchTest {
	own := t.Test
	own.Sent, own.Site, own.Account, own.Signed, own.Closed = []byte(t.Sent), site, 0, nil, time.Time{}
	return record.BatchTest{Test: own, Events: t.Events}
}

// details brings what may change about a person and the days to what the site says; the newest word of the site counts.
func details(ctx context.Context, s Store, id int64, p Parcel) error {
	have, err := s.Participant(ctx, id)
	if err != nil {
		return err
	}
	want := p.Person
	want.ID, want.Created, want.Archived, want.MergedInto, want.Kept = have.ID, have.Created, have.Archived, have.MergedInto, have.Kept
	if !reflect.DeepEqual(have, want) {
		if err := s.UpdateParticipant(ctx, want); err != nil {
			return err
		}
	}
	for _, v := range p.Visits {
		at, err := s.VisitOn(ctx, id, v.Date)
		if err != nil {
			return err
		}
		want := v.Visit
		want.ID, want.Participant, want.Created = at.ID, at.Participant, at.Created
		if at != want {
			if err := s.UpdateVisit(ctx, want); err != nil {
				return err
			}
		}
	}
	return nil
}

// testGoesOn adds what came to a test after it was sent first: corrections, versions of its result, another person.
func testGoesOn(ctx context.Context, s Store, by string, person int64, t Test, taken *Taken) error {
	before, err := s.Append(ctx, t.ID, nil)
	if err != nil {
		return err
	}
	have, err := s.Test(ctx, t.ID)
	if err != nil {
		return err
	}
	if have.Participant != person {
		if err := s.Reassign(ctx, t.ID, person, by, "as at the site"); err != nil {
			return err
		}
	}
	after, err := s.Append(ctx, t.ID, t.Events)
	if err != nil {
		return err
	}
	taken.Events += count(after) - count(before)
	results, err := s.Results(ctx, t.ID)
	if err != nil {
		return err
	}
	for _, r := range t.Results {
		if r.N <= len(results) {
			continue
		}
		if _, err := s.AddResult(ctx, r); err != nil {
			return err
		}
		taken.Results++
	}
	return nil
}

func count(marks record.Marks) (n int) {
	for _, id := range marks {
		n += int(id.N)
	}
	return n
}
