package fhir

import "testing"

// FuzzImport: no file of another system brings the reading down.
func FuzzImport(f *testing.F) {
	f.Add([]byte(`{"resourceType":"Bundle","type":"collection","entry":[{"resource":{"resourceType":"Patient","birthDate":"1950-02-28","gender":"female","name":[{"family":"Beispiel","given":["Anna"]}],"identifier":[{"system":"urn:x","value":"1"}]}},{"resource":{"resourceType":"Observation","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"29463-7"}]},"valueQuantity":{"value":70,"code":"kg"},"effectiveDateTime":"2026-01-02"}}]}`))
	f.Add([]byte(`{"resourceType":"Patient"}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		if in, err := Import(data); err == nil && in == nil {
			t.Fatal("neither something nor an error")
		}
	})
}
