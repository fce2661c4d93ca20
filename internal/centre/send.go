package centre

import (
	"bytes"
	"context"
	"encoding/hex"
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

	"gradus/internal/audit"
	"gradus/internal/record"
)

// Site is the record of a site that sends.
type Site interface {
	record.Store
	Erased(ctx context.Context) ([]record.ErasedPerson, error)
	Blocks(ctx context.Context, test string, after int64, most int) ([]record.Block, error)
	CountBlocks(ctx context.Context, test string) (int, error)
	PaperByID(ctx context.Context, id int64) (record.Paper, error)
}

// Sender sends what a site has recorded.
type Sender struct {
	Store  Site
	Key    Key
	To     string // address of the centre, https://…
	Client *http.Client
}

// Step is what became of one person, or of machines and deletions (Person 0).
type Step struct {
	Person int64
	UpTo   int64 // how far the next sending need not look again
	Answer
	Refused string // why the centre did not take the person; the others go on, and this one is to be tried again
}

// RefusedError says that a centre has understood what was sent and does not take it.
type RefusedError struct{ Why string }

func (e *RefusedError) Error() string { return "the centre did not take it: " + e.Why }

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

// Send sends machines and deletions, then everybody of whom the trail tells something after entry from and those who
// were refused before, and calls sent after each. Where it breaks off, the next one goes on there.
func (s Sender) Send(ctx context.Context, from int64, again []int64, sent func(Step) error) error {
	people, head, err := s.changed(ctx, from)
	if err != nil || head == from && len(again) == 0 {
		return err
	}
	step := Step{UpTo: from}
	if step.Answer, err = s.sendHouse(ctx, head); err == nil {
		err = sent(step)
	}
	if err != nil {
		return err
	}
	for _, id := range again {
		if !slices.ContainsFunc(people, func(p touched) bool { return p.id == id }) {
			people = slices.Insert(people, 0, touched{id, from + 1})
		}
	}
	for i, p := range people {
		upTo := head
		if i+1 < len(people) {
			upTo = people[i+1].first - 1
		}
		step := Step{Person: p.id, UpTo: upTo}
		step.Answer, err = s.sendPerson(ctx, p.id, head)
		no := new(RefusedError)
		switch {
		case errors.Is(err, record.ErrNotFound): // deleted, which was told before
			step.Person, err = 0, nil
		case errors.As(err, &no):
			step.Refused, err = no.Why, nil
		}
		if err == nil {
			err = sent(step)
		}
		if err != nil {
			return err
		}
	}
	if len(people) == 0 {
		return sent(Step{UpTo: head})
	}
	return nil
}

// touched is a person with the first entry that tells something new.
type touched struct{ id, first int64 }

// entriesAtOnce is how much of the trail is looked at at once.
const entriesAtOnce = 2000

// changed lists whom the trail tells something of, by the first entry that does.
func (s Sender) changed(ctx context.Context, from int64) (people []touched, head int64, err error) {
	h, err := s.Store.Head(ctx)
	if err != nil {
		return nil, 0, err
	}
	seen, looked := map[int64]bool{}, map[string]bool{}
	for at := from; at < h.Seq; at += entriesAtOnce {
		entries, err := s.Store.Entries(ctx, record.TrailFilter{After: at, Before: min(at+entriesAtOnce, h.Seq) + 1})
		if err != nil {
			return nil, 0, err
		}
		for i := len(entries) - 1; i >= 0; i-- {
			e := entries[i]
			kind, rest, _ := strings.Cut(e.Entity, "/")
			word, _, _ := strings.Cut(rest, "/")
			if e.After == "" || looked[kind+"/"+word] { // nothing was written, or it is known whose it is
				continue
			}
			looked[kind+"/"+word] = true
			ids, err := s.personsOf(ctx, kind, word)
			if err != nil {
				return nil, 0, err
			}
			for _, id := range ids {
				if !seen[id] {
					seen[id], people = true, append(people, touched{id, e.Seq})
				}
			}
		}
	}
	return people, h.Seq, nil
}

// personsOf is whose something is. A correction of whose test it is has an entry of the test beside it.
func (s Sender) personsOf(ctx context.Context, kind, word string) (ids []int64, err error) {
	var id int64
	if kind != "test" {
		if id, err = strconv.ParseInt(word, 10, 64); err != nil {
			return nil, nil
		}
	}
	switch kind {
	case "person":
		ids = []int64{id}
	case "visit":
		var v record.Visit
		v, err = s.Store.Visit(ctx, id)
		ids = []int64{v.Participant}
	case "test":
		var t record.Test
		t, err = s.Store.Test(ctx, word)
		ids = []int64{t.Participant}
	case "paper":
		var p record.Paper
		if p, err = s.Store.PaperByID(ctx, id); err == nil {
			return s.personsOf(ctx, "test", p.Test)
		}
	case "merge":
		var m record.Merge
		m, err = s.Store.MergeByID(ctx, id)
		ids = []int64{m.From, m.Into}
	}
	if errors.Is(err, record.ErrNotFound) {
		return nil, nil // deleted since
	}
	return slices.DeleteFunc(ids, func(id int64) bool { return id == 0 }), err
}

// sendHouse sends the machines, and who was deleted.
func (s Sender) sendHouse(ctx context.Context, seq int64) (a Answer, err error) {
	var h House
	machines, err := s.Store.Machines(ctx)
	if err != nil {
		return a, err
	}
	for _, m := range machines {
		one := Machine{ID: m.ID}
		if one.Versions, err = s.Store.MachineVersions(ctx, m.ID); err != nil {
			return a, err
		}
		if one.Runs, err = s.Store.ControlRuns(ctx, m.ID); err != nil {
			return a, err
		}
		h.Machines = append(h.Machines, one)
	}
	erased, err := s.Store.Erased(ctx)
	if err != nil {
		return a, err
	}
	for _, e := range erased {
		h.Erased = append(h.Erased, Erased{Person: e.Participant, Created: e.Created, By: e.By, Why: e.Why})
	}
	if len(h.Machines)+len(h.Erased) == 0 {
		return a, nil
	}
	return s.post(ctx, Parcel{Seq: seq, House: &h})
}

// sendPerson sends a person in as many parcels as it takes. Tests that are still running go with a later sending.
func (s Sender) sendPerson(ctx context.Context, id, seq int64) (all Answer, err error) {
	p, err := s.person(ctx, id)
	if err != nil {
		return all, err
	}
	tests, err := s.tests(ctx, id, &p)
	if err != nil {
		return all, err
	}
	visits := p.Visits
	size := 0
	post := func() error {
		a, err := s.post(ctx, Parcel{Seq: seq, Person: &p})
		if err != nil {
			return err
		}
		alike := max(all.Alike, a.Alike)
		all.Add(a.Taken)
		all.Alike, all.Gone, all.Unmerged = alike, a.Gone, all.Unmerged || a.Unmerged
		if all.Gone {
			return nil
		}
		p.Consents, p.Visits, size = nil, nil, 0
		return s.sendSamples(ctx, seq, a.Lacking, &all.Taken)
	}
	for _, t := range tests {
		whole, n, err := s.test(ctx, t.id)
		if err != nil {
			return all, err
		}
		if size > 0 && size+n > fullParcel {
			if err := post(); err != nil || all.Gone {
				return all, err
			}
		}
		v := visits[t.visit]
		i := slices.IndexFunc(p.Visits, func(o Visit) bool { return o.ID == v.ID && o.Date == v.Date })
		if i < 0 {
			v.Facts, v.Tests = nil, nil // they went with the first parcel
			i, p.Visits = len(p.Visits), append(p.Visits, v)
		}
		p.Visits[i].Tests = append(p.Visits[i].Tests, whole)
		size += n
	}
	return all, post()
}

// sendSamples sends all samples of tests, a few blocks at a time; what is there is passed over.
func (s Sender) sendSamples(ctx context.Context, seq int64, tests []string, all *Taken) error {
	const most = 60 // of at most 64 KiB
	for _, test := range tests {
		for after := int64(-1); ; {
			blocks, err := s.Store.Blocks(ctx, test, after, most)
			if err != nil {
				return err
			}
			if len(blocks) == 0 {
				break
			}
			a, err := s.post(ctx, Parcel{Seq: seq, Samples: &Samples{Test: test, Blocks: blocks}})
			if err != nil {
				return err
			}
			all.Add(a.Taken)
			after = int64(blocks[len(blocks)-1].Seq)
		}
	}
	return nil
}

func (s Sender) post(ctx context.Context, p Parcel) (a Answer, err error) {
	p.Format = format
	if p.Record, err = s.record(ctx); err != nil {
		return a, err
	}
	var body bytes.Buffer
	text := json.NewEncoder(&body)
	text.SetEscapeHTML(false) // what was stored arrives byte by byte
	if err := text.Encode(p); err != nil {
		return a, err
	}
	if body.Len() > maxParcel {
		return a, &RefusedError{fmt.Sprintf("a single test makes a parcel of %d MB, more than %d", body.Len()>>20, maxParcel>>20)}
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, strings.TrimSuffix(s.To, "/")+Path, bytes.NewReader(body.Bytes()))
	if err != nil {
		return a, err
	}
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set(siteHeader, strconv.FormatInt(s.Key.Site, 10))
	r.Header.Set(signHeader, s.Key.sign(body.Bytes()))
	resp, err := s.Client.Do(r)
	if err != nil {
		return a, err
	}
	defer resp.Body.Close()
	answer, err := io.ReadAll(io.LimitReader(resp.Body, 16<<20))
	if err != nil {
		return a, err
	}
	why := strings.TrimSpace(string(answer))
	switch resp.StatusCode {
	case http.StatusOK:
	case http.StatusConflict:
		return a, &RefusedError{why}
	case http.StatusForbidden:
		return a, fmt.Errorf("the centre refuses: %.300s", why)
	case http.StatusNotFound:
		return a, fmt.Errorf("there is no centre at %s: the server there does not know %s; check the address and its version", s.To, Path)
	default:
		return a, fmt.Errorf("the centre answers %s: %.300s", resp.Status, why)
	}
	if err := json.Unmarshal(answer, &a); err != nil {
		return a, fmt.Errorf("%s does not answer as a centre: %w", s.To, err)
	}
	return a, nil
}

var errFirst = errors.New("the first entry is enough")

// record says which record this is. A copy that was moved or restored is the same one.
func (s Sender) record(ctx context.Context) (id string, err error) {
	err = s.Store.EachEntry(ctx, func(_ []byte, hash audit.Hash) error {
		id = hex.EncodeToString(hash[:])
		return errFirst
	})
	if errors.Is(err, errFirst) {
		err = nil
	}
	return id, err
}

// person gathers what is sent of a person but the tests.
func (s Sender) person(ctx context.Context, id int64) (p Person, err error) {
	if p.Participant, err = s.Store.Participant(ctx, id); err != nil {
		return p, err
	}
	if p.Consents, err = s.Store.Consents(ctx, id); err != nil {
		return p, err
	}
	p.Consents = slices.DeleteFunc(p.Consents, func(c record.Consent) bool { return c.Participant != id })
	if p.Merges, err = s.Store.Merges(ctx, id); err != nil {
		return p, err
	}
	p.Merges = slices.DeleteFunc(p.Merges, func(m record.Merge) bool { return m.From != id && m.Into != id })
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
		p.Visits = append(p.Visits, one)
	}
	return p, nil
}

// dated is a finished test with its place among the visits.
type dated struct {
	id    string
	visit int
}

// tests lists the finished tests of a person, the oldest first. One of no visit goes into the day on which it was made;
// at the centre each test has a visit.
func (s Sender) tests(ctx context.Context, id int64, p *Person) (list []dated, err error) {
	tests, err := s.Store.Tests(ctx, record.TestFilter{Participant: id})
	if err != nil {
		return nil, err
	}
	for _, t := range slices.Backward(tests) {
		if t.Participant != id || t.Running() {
			continue
		}
		day := t.Created.Format(time.DateOnly)
		i := slices.IndexFunc(p.Visits, func(v Visit) bool { return t.Visit != 0 && v.ID == t.Visit || t.Visit == 0 && v.Date == day })
		if i < 0 && t.Visit != 0 { // the visit is of somebody who is shown as this person
			v, err := s.Store.Visit(ctx, t.Visit)
			if err != nil {
				return nil, err
			}
			day = v.Date
			i = slices.IndexFunc(p.Visits, func(v Visit) bool { return v.Date == day })
		}
		if i < 0 {
			i = len(p.Visits)
			p.Visits = append(p.Visits, Visit{Visit: record.Visit{Date: day, State: record.VisitDone}})
		}
		list = append(list, dated{t.ID, i})
	}
	return list, nil
}

// test gathers a test but its samples, and says how large it is.
func (s Sender) test(ctx context.Context, id string) (t Test, size int, err error) {
	if t.Test, err = s.Store.Test(ctx, id); err != nil {
		return t, 0, err
	}
	t.Sent = json.RawMessage(t.Test.Sent)
	if t.Events, err = s.Store.Events(ctx, id); err != nil {
		return t, 0, err
	}
	if t.Results, err = s.Store.Results(ctx, id); err != nil {
		return t, 0, err
	}
	if t.Papers, err = s.Store.Papers(ctx, id); err != nil {
		return t, 0, err
	}
	if t.Countersigns, err = s.Store.Countersigns(ctx, id); err != nil {
		return t, 0, err
	}
	if t.Reassignments, err = s.Store.Reassignments(ctx, id); err != nil {
		return t, 0, err
	}
	if t.Blocks, err = s.Store.CountBlocks(ctx, id); err != nil {
		return t, 0, err
	}
	const perEvent = 250 // bytes, about
	size = len(t.Sent) + perEvent*len(t.Events)
	for _, r := range t.Results {
		size += len(r.JSON)
	}
	return t, size, nil
}
