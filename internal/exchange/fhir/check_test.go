package fhir

import (
	"bytes"
	"encoding/json"
	"os"
	"slices"
	"strings"
	"testing"
)

type vector struct {
	ID, Name, Base, Rule, Why string
	Valid                     bool
	Resource                  json.RawMessage
}

func vectors(t testing.TB, name string) []vector {
	t.Helper()
	data, err := os.ReadFile("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	var file struct{ Vectors []vector }
	if err := json.Unmarshal(data, &file); err != nil || len(file.Vectors) < 15 {
		t.Fatal(err, len(file.Vectors))
	}
	return file.Vectors
}

// TestVectors tries the valid and invalid resources of the exchange vectors. An invalid one must be refused for the
// rule that it breaks, where we call the rule the same.
func TestVectors(t *testing.T) {
	called := map[string]string{"fhir.value-type": "fhir.value-type", "pat.birthdate": "fhir.value-type", "pat.gender": "fhir.code", "dr.issued": "fhir.value-type",
		"rs.individual": "fhir.required", "prov.agent-who": "fhir.required", "sr.intent": "fhir.required"}
	for _, v := range vectors(t, "fhir_valid.json") {
		if faults := Check(v.Resource); len(faults) > 0 {
			t.Errorf("%s %s is valid: %v", v.ID, v.Name, faults)
		}
	}
	for _, v := range vectors(t, "fhir_invalid.json") {
		faults := Check(v.Resource)
		rule := v.Rule
		if called[rule] != "" {
			rule = called[rule]
		}
		if !slices.ContainsFunc(faults, func(f Fault) bool { return f.Rule == rule }) {
			t.Errorf("%s %s (%s): %v", v.ID, v.Rule, v.Why, faults)
		}
	}
}

// TestChanged breaks valid resources in one place each.
func TestChanged(t *testing.T) {
	valid := map[string]string{}
	for _, v := range vectors(t, "fhir_valid.json") {
		var b bytes.Buffer
		if err := json.Compact(&b, v.Resource); err != nil {
			t.Fatal(err)
		}
		valid[v.Name] = b.String()
	}
	for _, x := range []struct{ base, old, new, rule string }{
		{"obs-heart-rate", `"status": "final"`, `"status": "done"`, "fhir.code"},
		{"obs-heart-rate", `"subject": {"reference": "urn:uuid:00000000-0000-4000-8000-000000000001"}, `, ``, "vs.subject"},
		{"obs-heart-rate", `"value": 112, `, ``, "vs.quantity"},
		{"obs-heart-rate", `"http://unitsofmeasure.org"`, `"http://example.org/units"`, "hr.unit"},
		{"obs-heart-rate", `"valueQuantity"`, `"valueString": "x", "valueQuantity"`, "fhir.choice"},
		{"obs-heart-rate", `T09:26:53+01:00`, `T09:26:53`, "fhir.value-type"},
		{"obs-heart-rate", `2026-03-14`, `2026-02-30`, "fhir.value-type"},
		{"obs-heart-rate", `"value": 112`, `"value": null`, "fhir.value-type"},
		{"obs-heart-rate", `"performer": [`, `"note": [], "performer": [`, "fhir.empty"},
		{"obs-heart-rate", `"value": 112`, `"value": 112, "value": 113`, "fhir.json"},
		{"obs-blood-pressure", `8462-4`, `8480-6`, "bp.components"},
		{"obs-blood-pressure-diastolic-missing", `"dataAbsentReason"`, `"interpretation"`, "vs-3"},
		{"obs-height", `"code": "cm"`, `"code": "m"`, "ht.unit"},
		{"obs-bmi", `"code": "kg/m2"`, `"code": "kg"`, "bmi.unit"},
		{"obs-rpe", `"valueInteger": 13`, `"valueInteger": 13.5`, "fhir.value-type"},
		{"obs-sixmwd", `"code": "m"`, `"code": "min"`, "own.unit-dimension"},
		{"obs-estimated-vo2peak", `"value": 18.9`, `"value": 28.9`, "own.interval"},
		{"obs-estimated-vo2peak", `"code": "pi95-low"`, `"code": "x"`, "own.interval"},
		{"obs-estimated-vo2peak", `"code": "est-vo2peak"`, `"code": "vo2peak"`, "own.code"},
		{"obs-estimated-vo2peak", `not measured by gas exchange`, `x`, ""},
		{"obs-hr-series", `"88 89 91 E 94 96"`, `"88 89 ninety"`, "own.sampled"},
		{"obs-hr-series", `"period": 1000, `, ``, "fhir.required"},
		{"procedure-stopped-early", `"status": "stopped", `, ``, "fhir.required"},
		{"procedure-stopped-early", `T09:31:00`, `T09:21:00`, "per-1"},
		{"careplan", `"intent": "plan", `, ``, "fhir.required"},
		{"goal", `"measure": {"text": "Estimated VO2peak"}, `, ``, "gol-1"},
		{"provenance", `"recorded": "2026-03-14T10:02:00+01:00", `, ``, "fhir.required"},
		{"researchsubject", `on-study`, `enrolled`, "fhir.code"},
		{"patient", `"female"`, `"f"`, "fhir.code"},
		{"bundle-document", `"timestamp": "2026-03-14T10:02:00+01:00", `, ``, "bdl-10"},
		{"bundle-document", `"fullUrl": "urn:uuid:00000000-0000-4000-8000-000000000003", "resource"`, `"resource"`, "own.dangling"},
		{"bundle-document", `"type": "document"`, `"type": "transaction"`, "bdl-3"},
		{"bundle-document", `"resourceType": "Composition"`, `"resourceType": "Basic"`, "bdl-11"},
		{"bundle-document", `xmlns=\"http://www.w3.org/1999/xhtml\"`, ``, "txt-1"},
		{"bundle-document", `"165079009"`, `"447346005"`, "own.gas-exchange"},
	} {
		before := valid[x.base]
		tight := strings.NewReplacer(`": `, `":`, `, "`, `,"`)
		old := tight.Replace(x.old)
		after := strings.Replace(before, strings.TrimSuffix(old, " "), tight.Replace(x.new), 1)
		if after == before {
			t.Errorf("%s: %s is not in it", x.base, x.old)
			continue
		}
		faults := Check([]byte(after))
		if x.rule == "" && len(faults) > 0 || x.rule != "" && !slices.ContainsFunc(faults, func(f Fault) bool { return f.Rule == x.rule }) {
			t.Errorf("%s with %s: %v, want %s", x.base, x.new, faults, x.rule)
		}
	}
}

// TestLarge refuses what is too deep or too long before it is taken apart.
func TestLarge(t *testing.T) {
	for text, want := range map[string]string{
		`{"resourceType":"Bundle"`: "line 1: the text ends too early; fetch or save the whole file again",
		"hello":                    "give the file as JSON",
	} {
		if f := Check([]byte(text)); len(f) != 1 || f[0].Rule != "fhir.json" || !strings.Contains(f[0].Msg, want) {
			t.Errorf("%s: %v", text, f)
		}
	}
	if f := Check([]byte(strings.Repeat(`{"a":[`, 200))); len(f) != 1 || f[0].Rule != "fhir.json" {
		t.Error(f)
	}
	if f := Check(make([]byte, MostBytes+1)); len(f) != 1 || f[0].Rule != "fhir.json" {
		t.Error(f)
	}
}

func FuzzCheck(f *testing.F) {
	for _, name := range []string{"fhir_valid.json", "fhir_invalid.json"} {
		for _, v := range vectors(f, name) {
			f.Add([]byte(v.Resource))
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if faults := Check(data); len(faults) > mostFaults {
			t.Errorf("%d faults", len(faults))
		}
	})
}
