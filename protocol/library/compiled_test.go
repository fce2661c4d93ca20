package library

import (
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"testing"

	estimators "gradus/estimate/library"
	"gradus/protocol"
)

// The compiled files say what the files in YAML say: the same plan, the same hash. UPDATE=1 writes them.
func TestCompiledIsCurrent(t *testing.T) {
	table, sources, err := Signs()
	if err != nil {
		t.Fatal(err)
	}
	signs, err := json.MarshalIndent(signTable{ID: "stop-signs", Sources: sources, Signs: table}, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	want := map[string][]byte{"stop-signs.json": signs}
	plans := map[string]*protocol.Protocol{}
	for _, id := range IDs() {
		text, err := Text(id)
		if err != nil {
			t.Fatal(err)
		}
		p, errs := Parse(id+".yaml", text, estimators.LineOf)
		if len(errs) > 0 {
			t.Fatal(errs)
		}
		plans[id] = p
		if want[id+".json"], err = pack(p); err != nil {
			t.Fatal(err)
		}
	}
	if os.Getenv("UPDATE") != "" {
		rewrite(t, want)
		return
	}
	names, err := compiled.ReadDir("compiled")
	if err != nil {
		t.Fatal(err)
	}
	if len(names) != len(want) {
		t.Errorf("%d compiled files, want %d; UPDATE=1 go test ./protocol/library -run Compiled writes them", len(names), len(want))
	}
	for name, text := range want {
		got, err := compiled.ReadFile("compiled/" + name)
		if err != nil || string(got) != string(text) {
			t.Errorf("%s is not current; UPDATE=1 go test ./protocol/library -run Compiled writes it", name)
		}
	}
	for id, p := range plans {
		got, err := Load(id, estimators.LineOf)
		if err != nil {
			t.Error(err)
		} else if !reflect.DeepEqual(got, p) {
			t.Errorf("%s: loaded it is another plan than parsed", id)
		}
	}
}

func rewrite(t *testing.T, files map[string][]byte) {
	t.Helper()
	old, err := filepath.Glob("compiled/*.json")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range old {
		if err := os.Remove(name); err != nil {
			t.Fatal(err)
		}
	}
	for name, text := range files {
		if err := os.WriteFile(filepath.Join("compiled", name), text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}
