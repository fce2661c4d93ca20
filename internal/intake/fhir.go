package intake

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"gradus/conduct"
	"gradus/internal/exchange/fhir"
	"gradus/internal/record"
)

// FactVitals is the kind of the fact that holds vital signs of another system.
const FactVitals = "vitals"

// Vitals is the content of that fact: what was measured on a day.
type Vitals struct {
	Origin
	Values []Vital `json:"values"`
}

// Vital is one value. Value2 is the diastolic pressure.
type Vital struct {
	Kind   string  `json:"kind"`
	Value  float64 `json:"value"`
	Value2 float64 `json:"value2,omitempty"`
	Unit   string  `json:"unit"`
	When   string  `json:"when"`
	Minute float64 `json:"minute,omitempty"` // of a test
	Note   string  `json:"note,omitempty"`
}

// Last is the newest value of a kind; there is false when there is none.
func (v *Vitals) Last(kind string) (x Vital, there bool) {
	for _, one := range v.Values {
		if one.Kind == kind && one.When >= x.When {
			x, there = one, true
		}
	}
	return x, there
}

// Patients is what a FHIR file would add.
type Patients struct {
	List  []Patient
	Notes []string // what is not taken, and why

	origin Origin
}

// Patient is somebody in the file.
type Patient struct {
	record.Participant          // as the record has it, or as it would be added (ID 0)
	Number             int      // in the file, from 1
	Alike              []string // others in the record who may be the same: then nothing is taken unless the caller says so
	Refused            string   // why nothing is taken
	Days               []VitalDay
}

// VitalDay are the values of a day.
type VitalDay struct {
	Date   string
	Values []Vital
}

// FHIR looks at what a FHIR file holds, against the record.
func FHIR(ctx context.Context, store record.Store, file, digest string, in *fhir.Imported, now time.Time) (*Patients, error) {
	out := &Patients{origin: Origin{File: file, Digest: digest}}
	for i := range in.People {
		p, err := patient(ctx, store, &in.People[i], i+1)
		if err != nil {
			return nil, err
		}
		out.List = append(out.List, p)
	}
	for i := range in.Vitals {
		m := &in.Vitals[i]
		switch msg := undated(m, now); {
		case m.Person < 0:
			out.Notes = append(out.Notes, fmt.Sprintf("%s of nobody in the file is not taken", name(m)))
		case msg != "":
			out.Notes = append(out.Notes, fmt.Sprintf("%s is not taken: %s", name(m), msg))
		default:
			out.List[m.Person].add(m)
		}
	}
	return out, nil
}

func name(m *fhir.Measurement) string {
	text := strings.ReplaceAll(m.Kind, "-", " ")
	if m.Resource != "" {
		text += " (" + m.Resource + ")"
	}
	return text
}

// undated says why a value has no day to stand on.
func undated(m *fhir.Measurement, now time.Time) string {
	if len(m.When) < len(time.DateOnly) {
		return fmt.Sprintf("its day is not known (%q)", m.When)
	}
	if m.When[:len(time.DateOnly)] > now.Format(time.DateOnly) {
		return "its day is still to come"
	}
	return ""
}

func (p *Patient) add(m *fhir.Measurement) {
	date := m.When[:len(time.DateOnly)]
	at := slices.IndexFunc(p.Days, func(d VitalDay) bool { return d.Date == date })
	if at < 0 {
		at = len(p.Days)
		p.Days = append(p.Days, VitalDay{Date: date})
	}
	p.Days[at].Values = append(p.Days[at].Values, Vital{m.Kind, m.Value, m.Value2, m.Unit, m.When, m.Minute, m.Note})
}

// patient finds somebody in the record: by the site's own code, else by a number that another system gave.
func patient(ctx context.Context, store record.Store, in *fhir.Person, number int) (Patient, error) {
	p := Patient{Number: number, Participant: record.Participant{Code: in.Code, Name: in.Name}}
	if _, err := time.Parse(time.DateOnly, in.BirthDate); err == nil {
		p.BirthDate = in.BirthDate
	}
	if in.Sex != "" {
		if err := p.Sex.UnmarshalText([]byte(in.Sex)); err != nil {
			return p, err
		}
	}
	if in.System != "" {
		p.Identifiers = append(p.Identifiers, record.Identifier{System: in.System, Value: in.Code})
	}
	for _, id := range in.Identifiers {
		p.Identifiers = append(p.Identifiers, record.Identifier{System: id.System, Value: id.Value})
	}
	if p.Code == "" {
		p.Refused = "it has no identifier, so nobody can tell whose values these are"
		return p, nil
	}
	have, err := store.ParticipantByCode(ctx, p.Code)
	if err != nil && !errors.Is(err, record.ErrNotFound) {
		return p, err
	}
	if err == nil && in.System == "" {
		return known(p, have), nil
	}
	taken := err == nil
	alike, err := store.Duplicates(ctx, p.Participant)
	if err != nil {
		return p, err
	}
	var same []record.Duplicate
	for _, d := range alike {
		if slices.Contains(d.Why, record.SameIdentifier) {
			same = append(same, d)
		}
		p.Alike = append(p.Alike, d.Code)
	}
	switch {
	case len(same) == 1:
		p.Alike = nil
		return known(p, same[0].Participant), nil
	case len(same) > 1:
		p.Refused = fmt.Sprintf("%d people of the record have the same identifier (%s); merge them first, or put it right", len(same), strings.Join(p.Alike, ", "))
	case taken:
		p.Refused = fmt.Sprintf("code %s is another person's in the record; enter this person by hand under another code, with the identifier, then import again", p.Code)
	}
	return p, nil
}

// known takes the person as the record has it; what it says otherwise refuses.
func known(p Patient, have record.Participant) Patient {
	switch {
	case p.BirthDate != "" && have.BirthDate != "" && p.BirthDate != have.BirthDate:
		p.Refused = fmt.Sprintf("the file says born %s, the record %s; is it the same person?", p.BirthDate, have.BirthDate)
	case p.Sex != conduct.SexUnknown && have.Sex != conduct.SexUnknown && p.Sex != have.Sex:
		p.Refused = fmt.Sprintf("the file says %s, the record %s; is it the same person?", word(p.Sex), word(have.Sex))
	}
	p.Participant = have
	return p
}

// Batch is what is to be stored. Whoever may be somebody in the record already is left out, unless anyway is set.
func (p *Patients) Batch(by string, anyway bool) (record.Batch, error) {
	b := record.Batch{By: by}
	for i := range p.List {
		one := &p.List[i]
		if one.Refused != "" || len(one.Alike) > 0 && !anyway {
			continue
		}
		person := record.BatchPerson{Participant: one.Participant}
		for _, d := range one.Days {
			text, err := json.Marshal(Vitals{Origin: p.origin, Values: d.Values})
			if err != nil {
				return b, err
			}
			person.Days = append(person.Days, record.BatchDay{Date: d.Date, State: record.VisitNotTested, Facts: []record.Fact{{Kind: FactVitals, JSON: text}}})
		}
		if one.ID == 0 || len(person.Days) > 0 {
			b.People = append(b.People, person)
		}
	}
	return b, nil
}
