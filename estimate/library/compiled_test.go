package library

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"testing"
	"time"
)

// The compiled files say what the files in YAML say. UPDATE=1 writes them.
func TestCompiledIsCurrent(t *testing.T) {
	tables, err := readShared()
	if err != nil {
		t.Fatal(err)
	}
	want := map[string][]byte{}
	if want["shared/tables"], err = json.MarshalIndent(tables, "", " "); err != nil {
		t.Fatal(err)
	}
	for _, id := range yamlIDs() {
		e, err := fromYAML(id)
		if err != nil {
			t.Fatal(err)
		}
		if want[id], err = pack(e); err != nil {
			t.Fatal(err)
		}
	}
	if os.Getenv("UPDATE") != "" {
		if err := os.RemoveAll("compiled"); err != nil {
			t.Fatal(err)
		}
		for id, data := range want {
			name := filepath.Join("compiled", id+".json")
			if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(name, append(data, '\n'), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		return
	}
	for id, data := range want {
		got, err := compiled.ReadFile("compiled/" + id + ".json")
		if err != nil || !bytes.Equal(bytes.TrimSpace(got), data) {
			t.Errorf("compiled/%s.json is not what the YAML says (%v); run UPDATE=1 go test ./estimate/library -run Compiled", id, err)
		}
	}
	if n := len(IDs()); n != len(want)-1 {
		t.Errorf("%d compiled, %d in YAML", n, len(want)-1)
	}
	for _, id := range yamlIDs() {
		a, errA := fromYAML(id)
		b, errB := ByID(id)
		if errA != nil || errB != nil {
			t.Fatal(errA, errB)
		}
		textA, _ := json.Marshal(a)
		textB, _ := json.Marshal(b)
		if !bytes.Equal(textA, textB) || !reflect.DeepEqual(a.Verification, b.Verification) {
			t.Errorf("%s differs", id)
		}
	}
}

// Loading is quick. The goals are a few ms for all and below 3 ms for one (see the benchmarks); the bounds here only
// catch a reader that has gone back to reading YAML.
func TestLoadingIsQuick(t *testing.T) {
	best := time.Hour
	for range 5 {
		start := time.Now()
		if _, err := All(); err != nil {
			t.Fatal(err)
		}
		best = min(best, time.Since(start))
	}
	t.Logf("all estimators in %v", best)
	if best > 500*time.Millisecond {
		t.Errorf("all estimators took %v", best)
	}
}
