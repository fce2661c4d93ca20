package exchange

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"gradus/conduct"
	"gradus/estimate"
	estimators "gradus/estimate/library"
	"gradus/internal/exchange/fhir"
	"gradus/internal/sheet"
	"gradus/prescribe"
	"gradus/protocol"
	protocols "gradus/protocol/library"
)

var today = time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)

// plans loads a protocol with its estimator.
func plans(id string) (*protocol.Protocol, *estimate.Estimator, error) {
	p, err := protocols.Load(id, estimators.LineOf)
	if err != nil {
		return nil, nil, err
	}
	e, err := estimators.Of(&p.Outcome)
	return p, e, err
}

// demo scores the demo sheets.
func demo(t testing.TB) []*sheet.Scored {
	t.Helper()
	var sheets []*sheet.Sheet
	for _, name := range []string{"day-1.csv", "day-2.csv"} {
		file, err := os.Open(filepath.Join("..", "..", "demo", name))
		if err != nil {
			t.Fatal(err)
		}
		defer file.Close()
		sheets = append(sheets, sheet.Read(name, file))
	}
	scores := sheet.Score(sheets, today, plans)
	if scores.Failed() || len(scores.Tests) < 5 {
		t.Fatal("the demo sheets do not score")
	}
	return scores.Tests
}

const schemaName = "http://hl7.org/fhir/json-schema/4.0"

// schema holds the R4 JSON schema, one part for each kind of resource: against the whole, a Bundle of many entries is
// tried with every kind in turn, which takes seconds.
type schema struct {
	compiler *jsonschema.Compiler
	parts    map[string]*jsonschema.Schema
}

func newSchema(t testing.TB) *schema {
	t.Helper()
	file, err := os.Open("fhir/testdata/r4-schema.json.gz")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	unpacked, err := gzip.NewReader(file)
	if err != nil {
		t.Fatal(err)
	}
	data, err := io.ReadAll(unpacked)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	s := &schema{jsonschema.NewCompiler(), map[string]*jsonschema.Schema{}}
	if err := s.compiler.AddResource(schemaName, doc); err != nil {
		t.Fatal(err)
	}
	return s
}

// validate checks a resource; of a Bundle each entry, then the Bundle without what is in them.
func (s *schema) validate(doc any) error {
	r, ok := doc.(map[string]any)
	if !ok {
		return errors.New("no object")
	}
	entries, _ := r["entry"].([]any)
	for _, e := range entries {
		entry := e.(map[string]any)
		if err := s.validate(entry["resource"]); err != nil {
			return err
		}
		entry["resource"] = map[string]any{"resourceType": "Account", "status": "active"} // the first kind of all
	}
	kind, _ := r["resourceType"].(string)
	if s.parts[kind] == nil {
		part, err := s.compiler.Compile(schemaName + "#/definitions/" + kind)
		if err != nil {
			return err
		}
		s.parts[kind] = part
	}
	return s.parts[kind].Validate(doc)
}

// TestSchemaRefuses shows that the schema can say no, and agrees with the vectors on what it catches.
func TestSchemaRefuses(t *testing.T) {
	s := newSchema(t)
	data, err := os.ReadFile("fhir/testdata/fhir_invalid.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Vectors []struct {
			ID             string
			CaughtBySchema bool
			Resource       any
		}
	}
	if err := json.Unmarshal(data, &file); err != nil {
		t.Fatal(err)
	}
	caught := 0
	for _, v := range file.Vectors {
		err := s.validate(v.Resource)
		if (err != nil) != v.CaughtBySchema {
			t.Errorf("%s: the schema says %v", v.ID, err)
		}
		if err != nil {
			caught++
		}
	}
	if caught == 0 {
		t.Error("the schema refuses nothing")
	}
}

// TestFHIR writes the demo tests in several states; each file obeys the R4 JSON schema and our checks.
func TestFHIR(t *testing.T) {
	s := newSchema(t)
	zone := time.FixedZone("", 3600)
	kinds := map[string]int{}
	for _, x := range demo(t) {
		for name, change := range map[string]func(*fhir.Test){
			"signed": func(f *fhir.Test) { f.SignedBy = "examiner 2" },
			"draft":  func(f *fhir.Test) {},
			"amended": func(f *fhir.Test) {
				f.Version, f.Replaced, f.SignedBy, f.Amends = 2, "version 1 said 26.0; a heart rate was corrected", "examiner 2", true
			},
			"corrected draft": func(f *fhir.Test) { f.Version, f.Replaced = 2, "version 1 said 26.0; a heart rate was corrected" },
			"report":          func(f *fhir.Test) { f.Report = []byte("%PDF-1.4 as it is") },
			"planned": func(f *fhir.Test) {
				plan, err := PlanOf(x, "healthy", 8)
				if err != nil {
					t.Fatalf("%s: %v", x.ID, err)
				}
				f.Plan = plan
			},
			"changed": func(f *fhir.Test) {
				plan, err := PlanOf(x, "healthy", 8)
				if err != nil {
					t.Fatalf("%s: %v", x.ID, err)
				}
				f.Plan = plan.Edited([]prescribe.Edit{{FromWeek: 3, ToWeek: 3, Minutes: 11, By: "KL", On: "2026-06-01"}})
			},
			"named": func(f *fhir.Test) {
				f.Person.Name, f.Person.BirthDate = "Demo <invented> & \"Person\"", "1958-07-01"
				f.Person.Identifiers = []fhir.Identifier{{System: "a hospital", Value: "12 34"}, {System: "http://example.org/ids", Value: "x|y"}}
			},
			"clock": func(f *fhir.Test) {
				day, _ := time.ParseInLocation(time.DateOnly, f.Date, zone)
				f.Begin = day.Add(9*time.Hour + 30*time.Minute)
			},
		} {
			f := FromSheet(x, nil)
			change(&f)
			var b bytes.Buffer
			if err := fhir.Write(&b, []fhir.Test{f}, fhir.Options{Program: "gradus"}); err != nil {
				t.Fatalf("%s %s: %v", x.ID, name, err)
			}
			for _, fault := range fhir.Check(b.Bytes()) {
				t.Errorf("%s %s: %v", x.ID, name, fault)
			}
			doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(b.Bytes()))
			if err != nil {
				t.Fatal(err)
			}
			if err := s.validate(doc); err != nil {
				t.Errorf("%s %s: %v", x.ID, name, err)
			}
			count(kinds, b.Bytes())
			if name == "amended" && !strings.Contains(b.String(), `"status": "amended"`) || strings.Contains(name, "draft") && !strings.Contains(b.String(), `"status": "preliminary"`) || name == "signed" && strings.Contains(b.String(), `"status": "preliminary"`) {
				t.Errorf("%s %s: wrong status", x.ID, name)
			}
			for _, weeks := range []string{"weeks 3 to 3, set by KL instead of what was computed", `"weeks 4 to 4"`} {
				if name == "changed" && !strings.Contains(b.String(), weeks) {
					t.Errorf("%s: a week that the clinician set is not told from the next: %s is missing", x.ID, weeks)
				}
			}
			if strings.Contains(b.String(), "snomed") {
				t.Error("a licensed terminology is in it")
			}
			var again bytes.Buffer
			if err := fhir.Write(&again, []fhir.Test{f}, fhir.Options{Program: "gradus"}); err != nil || !bytes.Equal(b.Bytes(), again.Bytes()) {
				t.Errorf("%s %s: not the same bytes twice", x.ID, name)
			}
			roundTrip(t, x.ID+" "+name, &f, b.Bytes())
		}
	}
	for _, kind := range []string{"Patient", "Practitioner", "Device", "Procedure", "Observation", "DiagnosticReport", "ServiceRequest", "CarePlan", "Provenance"} {
		if kinds[kind] == 0 {
			t.Errorf("no %s was written", kind)
		}
	}
}

func count(kinds map[string]int, data []byte) {
	var bundle struct {
		Entry []struct{ Resource struct{ ResourceType string } }
	}
	if json.Unmarshal(data, &bundle) == nil {
		for _, e := range bundle.Entry {
			kinds[e.Resource.ResourceType]++
		}
	}
}

// roundTrip reads back person and readings and compares them with the state, value by value.
func roundTrip(t *testing.T, name string, f *fhir.Test, data []byte) {
	t.Helper()
	in, err := fhir.Import(data)
	if err != nil || len(in.Left) > 0 || len(in.People) != 1 {
		t.Fatalf("%s: %v %v", name, err, in)
	}
	p := in.People[0]
	if p.Code != f.Person.Code || p.Name != f.Person.Name || p.BirthDate != f.Person.BirthDate || p.Sex != f.Person.Sex || len(p.Identifiers) != len(f.Person.Identifiers) {
		t.Errorf("%s: %+v, sent %+v", name, p, f.Person)
	}
	for i, id := range f.Person.Identifiers {
		if p.Identifiers[i] != id {
			t.Errorf("%s: identifier %+v, sent %+v", name, p.Identifiers[i], id)
		}
	}
	type reading struct {
		kind    string
		v, v2   float64
		minute  float64
		disturb bool
	}
	want, have := map[reading]int{}, map[reading]int{}
	kinds := map[protocol.Quantity]string{protocol.HeartRate: "heart-rate", protocol.BloodPressure: "blood-pressure", protocol.RPE: "rpe", protocol.SpO2: "spo2", protocol.CadenceRate: "cadence"}
	take := func(r *conduct.Value) {
		if !r.Withdrawn && !r.Void && kinds[r.What] != "" {
			want[reading{kinds[r.What], r.V, r.V2, float64(r.Moment) / float64(protocol.Minute), r.Disturbed}]++
		}
	}
	s := f.State
	for i := range s.Stages[:s.NStages] {
		for k := range s.Stages[i].Readings[:s.Stages[i].NReadings] {
			take(&s.Stages[i].Readings[k])
		}
	}
	for k := range s.After[:s.NAfter] {
		take(&s.After[k])
	}
	for kind, v := range map[string][2]float64{"weight": {s.In.MassKg}, "height": {s.In.HeightCm}, "resting-heart-rate": {s.In.RestHR}, "blood-pressure": {s.In.RestSBP, s.In.RestDBP}} {
		if v[0] > 0 {
			want[reading{kind, v[0], v[1], 0, false}]++
		}
	}
	for _, m := range in.Vitals {
		if m.Person != 0 || !strings.HasPrefix(m.When, f.Date) {
			t.Errorf("%s: %+v", name, m)
		}
		have[reading{m.Kind, m.Value, m.Value2, m.Minute, strings.Contains(m.Note, "disturbed")}]++
	}
	if len(want) < 5 || len(want) != len(have) {
		t.Errorf("%s: %d readings, sent %d", name, len(have), len(want))
	}
	for r, n := range want {
		if have[r] != n {
			t.Errorf("%s: %+v came back %d times, sent %d", name, r, have[r], n)
		}
	}
}
