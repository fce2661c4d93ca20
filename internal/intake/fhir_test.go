package intake

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"gradus/conduct"
	"gradus/internal/exchange/fhir"
	"gradus/internal/record"
)

// patientFile is a Bundle of a patient of a hospital with a weight and a pressure.
const patientFile = `{"resourceType": "Bundle", "type": "collection", "entry": [
{"fullUrl": "urn:uuid:00000000-0000-4000-8000-000000000001", "resource": {"resourceType": "Patient", "identifier": [{"system": "https://example.org/ids", "value": "%s"}], "name": [{"text": "Alder (invented)"}], "gender": "female", "birthDate": "1958-07-01"}},
{"fullUrl": "urn:uuid:00000000-0000-4000-8000-000000000002", "resource": {"resourceType": "Observation", "status": "final",
 "category": [{"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "vital-signs"}]}],
 "code": {"coding": [{"system": "http://loinc.org", "code": "29463-7"}]}, "subject": {"reference": "urn:uuid:00000000-0000-4000-8000-000000000001"}, "effectiveDateTime": "2026-03-14",
 "valueQuantity": {"value": 154, "unit": "lb", "system": "http://unitsofmeasure.org", "code": "[lb_av]"}}},
{"fullUrl": "urn:uuid:00000000-0000-4000-8000-000000000003", "resource": {"resourceType": "Observation", "status": "final",
 "category": [{"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "vital-signs"}]}],
 "code": {"coding": [{"system": "http://loinc.org", "code": "8867-4"}]}, "subject": {"reference": "urn:uuid:00000000-0000-4000-8000-000000000001"}, "effectiveDateTime": "2027-01-01",
 "valueQuantity": {"value": 66, "unit": "/min", "system": "http://unitsofmeasure.org", "code": "/min"}}}]}`

func patients(t *testing.T, store record.Store, code string) *Patients {
	t.Helper()
	data := fmt.Sprintf(patientFile, code)
	in, err := fhir.Import([]byte(data))
	if err != nil || len(in.Left) > 0 {
		t.Fatal(err, in)
	}
	p, err := FHIR(ctx, store, "chart.json", Digest([]byte(data)), in, now)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func takePatients(t *testing.T, store record.Store, p *Patients, anyway bool) record.BroughtIn {
	t.Helper()
	b, err := p.Batch("AB", anyway)
	if err != nil {
		t.Fatal(err)
	}
	added, err := store.BringIn(ctx, b)
	if err != nil {
		t.Fatal(err)
	}
	return added
}

// A patient comes in with what was measured, once; the number of the hospital finds the person again.
func TestPatientIntoTheRecord(t *testing.T) {
	store := open(t)
	p := patients(t, store, "H-77")
	if len(p.List) != 1 || p.List[0].ID != 0 || p.List[0].Refused != "" || len(p.Notes) != 1 || !strings.Contains(p.Notes[0], "its day is still to come") {
		t.Fatalf("%+v", p)
	}
	if added := takePatients(t, store, p, false); added != (record.BroughtIn{People: 1, Visits: 1, Facts: 1}) {
		t.Errorf("%+v", added)
	}
	one, err := store.ParticipantByCode(ctx, "H-77")
	if err != nil || one.Name != "Alder (invented)" || one.BirthDate != "1958-07-01" || one.Sex != conduct.Female || len(one.Identifiers) != 1 || one.Identifiers[0] != (record.Identifier{System: "https://example.org/ids", Value: "H-77"}) {
		t.Errorf("%+v %v", one, err)
	}
	fact, err := store.LastFact(ctx, one.ID, FactVitals, "")
	if err != nil {
		t.Fatal(err)
	}
	var v Vitals
	if err := json.Unmarshal(fact.JSON, &v); err != nil || v.File != "chart.json" {
		t.Error(v, err)
	}
	if mass, there := v.Last("weight"); !there || mass.Unit != "kg" || fmt.Sprintf("%.4f", mass.Value) != "69.8532" || mass.When != "2026-03-14" {
		t.Errorf("%+v", mass)
	}
	if _, there := v.Last("height"); there {
		t.Error("a height that nobody measured")
	}
	again := patients(t, store, "H-77")
	if again.List[0].ID != one.ID {
		t.Errorf("not found again: %+v", again.List[0])
	}
	if added := takePatients(t, store, again, false); !added.None() {
		t.Errorf("%+v", added)
	}
}

// Who may be somebody in the record already is told and not taken, unless the caller says so; another's code never.
func TestDuplicatesAreTold(t *testing.T) {
	store := open(t)
	if _, err := store.AddParticipant(ctx, record.Participant{Code: "A-1", Name: "Alder (invented)", BirthDate: "1958-07-01"}); err != nil {
		t.Fatal(err)
	}
	if _, err := store.AddParticipant(ctx, record.Participant{Code: "H-78", Name: "Somebody else (invented)"}); err != nil {
		t.Fatal(err)
	}
	p := patients(t, store, "H-77")
	if strings.Join(p.List[0].Alike, " ") != "A-1" {
		t.Errorf("%+v", p.List[0])
	}
	if added := takePatients(t, store, p, false); !added.None() {
		t.Errorf("%+v", added)
	}
	if added := takePatients(t, store, p, true); added.People != 1 {
		t.Errorf("%+v", added)
	}
	if p = patients(t, store, "H-78"); !strings.Contains(p.List[0].Refused, "code H-78 is another person's in the record") {
		t.Errorf("%+v", p.List[0])
	}
	if added := takePatients(t, store, p, true); !added.None() {
		t.Errorf("%+v", added)
	}
	male := patients(t, store, "H-77")
	one := male.List[0].Participant
	one.Sex = conduct.Male
	if err := store.UpdateParticipant(ctx, one); err != nil {
		t.Fatal(err)
	}
	if p = patients(t, store, "H-77"); !strings.Contains(p.List[0].Refused, "the file says female, the record male") {
		t.Errorf("%+v", p.List[0])
	}
}
