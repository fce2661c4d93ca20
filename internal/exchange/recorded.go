package exchange

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"gradus/conduct"
	"gradus/estimate"
	estimators "gradus/estimate/library"
	"gradus/internal/exchange/fhir"
	"gradus/internal/record"
	"gradus/internal/signing"
	"gradus/internal/verified"
	"gradus/protocol"
)

// Recorded is a test as it stands in the record, judged anew.
type Recorded struct {
	Test     record.Test
	Person   record.Participant
	As       *record.Participant // who stands for one person of several sites under study codes; nil: Person. See AsOne
	Day      string              // of the visit, else on which it began
	Events   []conduct.Event
	Research *record.Consent // what the person last said on use in research; nil: not asked

	Protocol  *protocol.Protocol
	Estimator *estimate.Estimator // nil when the protocol has none
	State     conduct.State
	Judged    estimate.Assessment

	Said  signing.Said // where its report stands
	Final bool         // it is signed, and nothing has changed since
}

// ReadTest reads a test that is closed. Nothing is written for one that still runs.
func ReadTest(ctx context.Context, store record.Store, id string) (*Recorded, error) {
	return ReadTestBy(ctx, store, id, func(o *protocol.Outcome) (*estimate.Estimator, error) {
		e, err := estimators.Of(o)
		if err == nil {
			err = verified.Record(ctx, store, e)
		}
		return e, err
	})
}

// ReadTestBy is ReadTest with the estimators of a site, which may demand more of an equation.
func ReadTestBy(ctx context.Context, store record.Store, id string, estimatorOf func(*protocol.Outcome) (*estimate.Estimator, error)) (*Recorded, error) {
	t, err := store.Test(ctx, id)
	if err != nil {
		return nil, err
	}
	if t.Running() {
		return nil, fmt.Errorf("test %s is not closed; close it before anything of it is handed out", id)
	}
	counts, err := record.Counts(ctx, store, t)
	if err != nil {
		return nil, err
	}
	if !counts {
		return nil, fmt.Errorf("test %s was made by a student and nobody has countersigned it; countersign it on its result page before anything of it is handed out", id)
	}
	r := &Recorded{Test: t}
	if r.Events, err = store.Events(ctx, id); err != nil {
		return nil, err
	}
	if t.Participant != 0 {
		if r.Person, err = store.Participant(ctx, t.Participant); err != nil {
			return nil, err
		}
		if r.Person.Kept != 0 && r.Person.Kept != r.Person.ID {
			if r.Person, err = store.Participant(ctx, r.Person.Kept); err != nil {
				return nil, err
			}
		}
	}
	if err := r.day(ctx, store); err != nil {
		return nil, err
	}
	if t.Participant != 0 {
		all, err := store.Consents(ctx, t.Participant)
		if err != nil {
			return nil, err
		}
		if c, said := record.Holds(all)[record.ForResearch]; said {
			r.Research = &c
		}
	}
	r.Protocol = &protocol.Protocol{}
	if err := json.Unmarshal(t.Sent, r.Protocol); err != nil {
		return nil, fmt.Errorf("test %s: its protocol cannot be read: %w", id, err)
	}
	if r.State, _, err = conduct.Replay(r.Protocol, r.Events); err != nil {
		return nil, err
	}
	if r.Estimator, err = estimatorOf(&r.Protocol.Outcome); err != nil {
		return nil, err
	}
	joined, err := estimators.WithExpectations(r.Estimator, &r.State.In)
	if err != nil {
		return nil, err
	}
	if joined != r.Estimator { // the expectations beside it were read anew
		for _, prior := range joined.Beside[len(r.Estimator.Beside):] {
			if err := verified.Record(ctx, store, prior); err != nil {
				return nil, err
			}
		}
		r.Estimator = joined
	}
	r.Judged = estimate.Assess(r.Protocol, &r.State, r.Estimator)
	said, err := signing.Of(ctx, store, t)
	if err != nil {
		return nil, err
	}
	r.Said, _, _ = signing.Standing(said, r.State.Version(), t.Participant)
	r.Final = r.Said.Final
	return r, nil
}

// AsOne lets tests of people of different sites who were decided to be one person go under one study code. It is for
// whoever hands out what several sites have: a site by itself sees nothing of such decisions.
func AsOne(ctx context.Context, store record.Store, tests []*Recorded) error {
	list, err := store.Links(ctx)
	if err != nil || len(list) == 0 {
		return err
	}
	linked := record.LinkedBy(list)
	for _, r := range tests {
		first := linked.First(r.Person.ID)
		if first == r.Person.ID {
			continue
		}
		as, err := store.Participant(ctx, first)
		if err != nil {
			return err
		}
		r.As = &as
	}
	return nil
}

// Stands is the person under whose study code the test goes.
func (r *Recorded) Stands() record.Participant {
	if r.As != nil {
		return *r.As
	}
	return r.Person
}

func (r *Recorded) day(ctx context.Context, store record.Store) error {
	switch began := r.Began(); {
	case r.Test.Visit != 0:
		v, err := store.Visit(ctx, r.Test.Visit)
		r.Day = v.Date
		return err
	case !began.IsZero():
		r.Day = began.Format(time.DateOnly)
	default:
		r.Day = r.Test.Created.Format(time.DateOnly)
	}
	return nil
}

// Began is the moment the test began by the clock of its page, with its zone; zero when that is not known.
func (r *Recorded) Began() time.Time {
	for i := range r.Events {
		if e := &r.Events[i]; e.Kind == conduct.Began {
			at, err := time.Parse(time.RFC3339, e.Wall)
			if err != nil {
				return time.Time{}
			}
			return at.Add(-time.Duration(e.At) * time.Millisecond)
		}
	}
	return time.Time{}
}

// Examiner is who began the test; "" when it is not known.
func (r *Recorded) Examiner() string {
	for i := range r.Events {
		if e := &r.Events[i]; e.Kind == conduct.Began && e.By != "examiner" { // what the page writes for nobody
			return e.By
		}
	}
	return ""
}

// FHIR makes the test ready for FHIR.
func (r *Recorded) FHIR() fhir.Test {
	p := r.Person
	out := fhir.Test{ID: r.Test.ID, Date: r.Day, Begin: r.Began(), Examiner: r.Examiner(), Protocol: r.Protocol, Estimator: r.Estimator,
		State: &r.State, Judged: &r.Judged, Version: r.Judged.Version, Person: fhir.Person{Code: p.Code, Name: p.Name, BirthDate: p.BirthDate, Sex: Word(r.State.In.Sex)}}
	if r.Final {
		out.SignedBy, out.Amends = r.Said.By, r.Said.Report > 1
	}
	for _, id := range p.Identifiers {
		out.Person.Identifiers = append(out.Person.Identifiers, fhir.Identifier{System: id.System, Value: id.Value})
	}
	if out.Version > 1 {
		all := estimate.Replacements(r.Protocol, r.Events, r.Estimator)
		unit := ""
		if r.Estimator != nil {
			unit = r.Estimator.Outcome.Unit
		}
		if n := len(all); n > 0 {
			last := all[n-1]
			out.Replaced = fmt.Sprintf("version %d replaces version %d (%s): before %s, now %s", last.Version, last.Version-1, last.What, last.Before.Text(unit), last.After.Text(unit))
		}
	}
	return out
}
