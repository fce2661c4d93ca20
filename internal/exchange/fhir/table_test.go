package fhir

import (
	"compress/gzip"
	"encoding/json"
	"io"
	"os"
	"slices"
	"sort"
	"strings"
	"testing"
)

// schemaFile is the R4 JSON schema as HL7 published it (fhir.schema.json of FHIR 4.0.1, CC0).
func schemaFile(t testing.TB) []byte {
	t.Helper()
	file, err := os.Open("testdata/r4-schema.json.gz")
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
	return data
}

// TestStructureIsTheSchema compares r4.txt with the schema. UPDATE=1 writes it anew.
func TestStructureIsTheSchema(t *testing.T) {
	var schema struct {
		Definitions map[string]struct {
			Properties map[string]property
			Required   []string
		}
	}
	if err := json.Unmarshal(schemaFile(t), &schema); err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	var names []string
	for name, d := range schema.Definitions {
		if len(d.Properties) > 0 {
			names = append(names, name)
		}
	}
	sort.Strings(names)
	for _, name := range names {
		d := schema.Definitions[name]
		b.WriteString(name + "\n")
		var elements []string
		for p := range d.Properties {
			if !strings.HasPrefix(p, "_") && p != "resourceType" {
				elements = append(elements, p)
			}
		}
		sort.Strings(elements)
		for _, e := range elements {
			b.WriteString(" " + d.Properties[e].line(e, slices.Contains(d.Required, e)) + "\n")
		}
	}
	if os.Getenv("UPDATE") != "" {
		if err := os.WriteFile("r4.txt", []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if b.String() != r4File {
		t.Error("r4.txt is not what the schema says; UPDATE=1 go test -run TestStructure writes it anew")
	}
	if len(names) < 600 {
		t.Errorf("only %d types", len(names))
	}
}

type property struct {
	Ref   string `json:"$ref"`
	Type  string
	Enum  []string
	Items *property
}

func (p property) line(name string, required bool) string {
	of := p
	if p.Items != nil {
		of, name = *p.Items, name+"*"
	}
	if required {
		name += "!"
	}
	text := strings.TrimPrefix(of.Ref, "#/definitions/")
	switch {
	case len(of.Enum) > 0:
		text = "code=" + strings.Join(of.Enum, "|")
	case text == "":
		text = byName(name, of.Type)
	}
	return name + " " + text
}

// byName is the type of an element of a choice, which the schema writes out as text or number: valueDateTime.
func byName(name, written string) string {
	for _, p := range []string{"base64Binary", "unsignedInt", "positiveInt", "dateTime", "markdown", "canonical", "boolean", "decimal", "integer", "instant",
		"string", "date", "time", "code", "uuid", "uri", "url", "oid", "id"} {
		if strings.HasSuffix(name, strings.ToUpper(p[:1])+p[1:]) {
			return p
		}
	}
	return written
}
