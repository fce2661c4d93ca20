package library

import (
	"embed"
	"encoding/json"
	"fmt"
	"sync"

	"gradus/estimate"
	"gradus/yamlread"
)

// A shipped estimator is compiled: read, checked and written as JSON, because reading YAML takes many times as long.
// TestCompiledIsCurrent compares with the YAML, and writes with UPDATE=1.
//
//go:embed compiled
var compiled embed.FS

// packed is an estimator with the names of the shared cautions in place of their texts.
type packed struct {
	*estimate.Estimator
	Use          []string               `json:"use,omitempty"`
	Verification *estimate.Verification `json:"verification,omitempty"`
}

// packedShared are the tables that all estimators lean on.
type packedShared struct {
	Cautions    []estimate.Rule `json:"cautions"`
	Conversions []conversion    `json:"conversions"`
}

// pack writes an estimator as its compiled file.
func pack(e *estimate.Estimator) ([]byte, error) {
	bare := *e
	bare.Cautions = e.Cautions[:len(e.Cautions)-len(e.Use)]
	return json.Marshal(packed{Estimator: &bare, Use: e.Use, Verification: e.Verification})
}

// unpack reads a compiled estimator.
func unpack(id string) (*estimate.Estimator, error) {
	data, err := compiled.ReadFile("compiled/" + id + ".json")
	if err != nil {
		return nil, ErrUnknown
	}
	s, err := tables()
	if err != nil {
		return nil, err
	}
	e := &estimate.Estimator{}
	p := packed{Estimator: e}
	if err := json.Unmarshal(data, &p); err != nil {
		return nil, fmt.Errorf("library: compiled estimator %s: %w; run UPDATE=1 go test ./estimate/library -run Compiled", id, err)
	}
	e.Use, e.Verification = p.Use, p.Verification
	if err := s.complete(e); err != nil {
		return nil, err
	}
	return e, e.Prepare()
}

var tables = sync.OnceValues(func() (*shared, error) {
	data, err := compiled.ReadFile("compiled/shared/tables.json")
	if err != nil {
		return nil, err
	}
	var t packedShared
	if err := json.Unmarshal(data, &t); err != nil {
		return nil, fmt.Errorf("library: compiled tables: %w; run UPDATE=1 go test ./estimate/library -run Compiled", err)
	}
	return newShared(t), nil
})

func newShared(t packedShared) *shared {
	s := &shared{map[string]estimate.Rule{}, t.Conversions}
	for _, r := range t.Cautions {
		s.cautions[r.ID] = r
	}
	return s
}

// readTables gives the tables as the files say them.
func readTables() (*shared, error) {
	t, err := readShared()
	if err != nil {
		return nil, err
	}
	return newShared(t), nil
}

// readShared reads the tables from YAML.
func readShared() (t packedShared, err error) {
	var c struct {
		Cautions []estimate.Rule `yaml:"cautions"`
	}
	var k struct {
		Conversions []conversion `yaml:"conversions"`
	}
	for _, file := range []struct {
		name string
		to   any
	}{{"shared/cautions.yaml", &c}, {"shared/conversions.yaml", &k}} {
		data, err := files.ReadFile(file.name)
		if err == nil {
			_, err = yamlread.Decode(file.name, data, file.to)
		}
		if err != nil {
			return t, err
		}
	}
	return packedShared{c.Cautions, k.Conversions}, nil
}
