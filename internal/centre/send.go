package centre

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"gradus/internal/record"
)

// Sender sends what a site has recorded.
type Sender struct {
	Store  record.Store
	Key    Key
	To     string // address of the centre, https://…
	Client *http.Client
}

// CheckAddress refuses an address over which a network could read along.
func CheckAddress(to string) error {
	u, err := url.Parse(to)
	if err != nil || u.Host == "" || u.RawQuery != "" || u.User != nil {
		return fmt.Errorf("%q is no address of a centre; write it as https://centre.example.org", to)
	}
	loopback := u.Hostname() == "127.0.0.1" || u.Hostname() == "::1" || u.Hostname() == "localhost"
	if u.Scheme != "https" && !(u.Scheme == "http" && loopback) {
		return fmt.Errorf("%q: people are sent over https alone", to)
	}
	return nil
}

// Send sends everybody of whom the trail tells something after entry from, and calls sent after each (0: there was
// nobody) with how far the next sending need not look again. Where it breaks off, the next one goes on there.
func (s Sender) Send(ctx context.Context, from int64, sent func(person, upTo int64, t Taken) error) error {
	people, head, err := s.changed(ctx, from)
	if err != nil {
		return err
	}
	for i, p := range people {
		upTo := head
		if i+1 < len(people) {
			upTo = people[i+1].first - 1
		}
		t, err := s.sendPerson(ctx, p.id, head)
		if err == nil {
			err = sent(p.id, upTo, t)
		}
		if err != nil {
			return err
		}
	}
	if len(people) == 0 && head > from {
		return sent(0, head, Taken{})
	}
	return nil
}

// touched is a person with the first entry that tells something new.
type touched struct{ id, first int64 }

// changed lists whom the trail tells something of, by the first entry that does.
func (s Sender) changed(ctx context.Context, from int64) (people []touched, head int64, err error) {
	h, err := s.Store.Head(ctx)
	if err != nil {
		return nil, 0, err
	}
	seen := map[int64]bool{}
	entries, err := s.Store.Entries(ctx, record.TrailFilter{After: from, Before: h.Seq + 1})
	if err != nil {
		return nil, 0, err
	}
	for i := len(entries) - 1; i >= 0; i-- {
		e := entries[i]
		if e.After == "" { // nothing was written, or something was deleted
			continue
		}
		id, err := s.personOf(ctx, e.Entity)
		if err != nil {
			return nil, 0, err
		}
		if id != 0 && !seen[id] {
			seen[id] = true
			people = append(people, touched{id, e.Seq})
		}
	}
	return people, h.Seq, nil
}

// personOf is whose something is; 0: nobody's.
func (s Sender) personOf(ctx context.Context, entity string) (int64, error) {
	kind, rest, _ := strings.Cut(entity, "/")
	word, _, _ := strings.Cut(rest, "/")
	gone := func(id int64, err error) (int64, error) {
		if errors.Is(err, record.ErrNotFound) {
			return 0, nil
		}
		return id, err
	}
	switch kind {
	case "person":
		id, err := strconv.ParseInt(word, 10, 64)
		return id, err
	case "visit":
		id, err := strconv.ParseInt(word, 10, 64)
		if err != nil {
			return 0, err
		}
		v, err := s.Store.Visit(ctx, id)
		return gone(v.Participant, err)
	case "test":
		t, err := s.Store.Test(ctx, word)
		return gone(t.Participant, err)
	}
	return 0, nil
}

func (s Sender) sendPerson(ctx context.Context, id, seq int64) (Taken, error) {
	p, err := s.parcel(ctx, id, seq)
	if err != nil || strings.HasPrefix(p.Person.Code, "erased-") {
		return Taken{}, err
	}
	body, err := json.Marshal(p)
	if err != nil {
		return Taken{}, err
	}
	if len(body) > maxParcel {
		return Taken{}, fmt.Errorf("person %d: the parcel has %d MB, more than %d", id, len(body)>>20, maxParcel>>20)
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, strings.TrimSuffix(s.To, "/")+Path, bytes.NewReader(body))
	if err != nil {
		return Taken{}, err
	}
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set(siteHeader, strconv.FormatInt(s.Key.Site, 10))
	r.Header.Set(signHeader, s.Key.sign(body))
	resp, err := s.Client.Do(r)
	if err != nil {
		return Taken{}, err
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(io.LimitReader(resp.Body, 64<<10))
	if err != nil {
		return Taken{}, err
	}
	if resp.StatusCode != http.StatusOK {
		return Taken{}, fmt.Errorf("the centre did not take person %d: %s: %s", id, resp.Status, strings.TrimSpace(string(text)))
	}
	var t Taken
	if err := json.Unmarshal(text, &t); err != nil {
		return t, fmt.Errorf("%s does not answer as a centre: %w", s.To, err)
	}
	return t, nil
}

// parcel gathers a person. Tests that are still running go with a later one.
func (s Sender) parcel(ctx context.Context, id, seq int64) (p Parcel, err error) {
	p = Parcel{Format: format, Seq: seq}
	if p.Person, err = s.Store.Participant(ctx, id); err != nil {
		return p, err
	}
	if p.Consents, err = s.Store.Consents(ctx, id); err != nil {
		return p, err
	}
	visits, err := s.Store.Visits(ctx, record.VisitFilter{Participant: id})
	if err != nil {
		return p, err
	}
	for _, v := range visits {
		if v.Participant != id {
			continue // of somebody who is shown as this person, and is sent as such
		}
		one := Visit{Visit: v}
		if one.Facts, err = s.Store.Facts(ctx, v.ID); err != nil {
			return p, err
		}
		tests, err := s.Store.Tests(ctx, record.TestFilter{Visit: v.ID})
		if err != nil {
			return p, err
		}
		for _, t := range tests {
			if t.Running() {
				continue
			}
			whole, err := s.test(ctx, t.ID)
			if err != nil {
				return p, err
			}
			one.Tests = append(one.Tests, whole)
		}
		p.Visits = append(p.Visits, one)
	}
	return p, s.ofNoVisit(ctx, id, &p)
}

// ofNoVisit puts finished tests of no visit into the day on which they were made; at the centre each test has a visit.
func (s Sender) ofNoVisit(ctx context.Context, id int64, p *Parcel) error {
	tests, err := s.Store.Tests(ctx, record.TestFilter{Participant: id})
	if err != nil {
		return err
	}
	for _, t := range tests {
		if t.Participant != id || t.Visit != 0 || t.Running() {
			continue
		}
		whole, err := s.test(ctx, t.ID)
		if err != nil {
			return err
		}
		day := t.Created.Format(time.DateOnly)
		i := slices.IndexFunc(p.Visits, func(v Visit) bool { return v.Date == day })
		if i < 0 {
			i = len(p.Visits)
			p.Visits = append(p.Visits, Visit{Visit: record.Visit{Date: day, State: record.VisitDone}})
		}
		p.Visits[i].Tests = append(p.Visits[i].Tests, whole)
	}
	return nil
}

func (s Sender) test(ctx context.Context, id string) (t Test, err error) {
	if t.Test, err = s.Store.Test(ctx, id); err != nil {
		return t, err
	}
	t.Sent = json.RawMessage(t.Test.Sent)
	if t.Events, err = s.Store.Events(ctx, id); err != nil {
		return t, err
	}
	t.Results, err = s.Store.Results(ctx, id)
	return t, err
}
