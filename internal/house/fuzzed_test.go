package house

import (
	"slices"
	"testing"
)

// Whatever reads something from outside is fuzzed, or says where it is: a new reader cannot be forgotten.
func TestEveryReaderIsFuzzed(t *testing.T) {
	_, packages := tree(t)
	left := map[string]bool{}
	for _, p := range packages {
		all, err := unfuzzed(p)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range all {
			if left[f] = true; fuzzedThrough[f] == "" {
				t.Errorf("%s reads what comes from outside and no fuzz target of its package calls it; write one, or say in internal/house/fuzzed.go which one reaches it", f)
			}
		}
	}
	for f := range fuzzedThrough {
		if !left[f] {
			t.Errorf("%s is named in internal/house/fuzzed.go, and is fuzzed or not there", f)
		}
	}
}

func TestReaderChecker(t *testing.T) {
	got, err := readers("a.go", `package a
func Read(b []byte) {}
func ParseX(s string) {}
func Unzip(name string, r io.ReaderAt) {}
func Check(s string) {}
func readHidden(b []byte) {}
func (x X) Read(b []byte) {}
func Write(b []byte) {}
`)
	if want := []string{"Read", "ParseX", "Unzip"}; err != nil || !slices.Equal(got, want) {
		t.Errorf("%v %v, want %v", got, err, want)
	}
}
