package library_test

import (
	"testing"

	estimators "gradus/estimate/library"
	"gradus/protocol"
	"gradus/protocol/library"
)

// Every shipped protocol is read, belongs to a family, says whom it suits, and names estimators only that exist.
func TestWholeLibrary(t *testing.T) {
	for _, id := range library.IDs() {
		p, err := library.Load(id, estimators.LineOf)
		if err != nil {
			t.Error(err)
			continue
		}
		if p.ID != id || p.Family == "" || p.Suits.IsZero() || len(p.Say) == 0 {
			t.Errorf("%s: id %q, family %q, suits %v, %d sayings", id, p.ID, p.Family, p.Suits, len(p.Say))
		}
		o := p.Outcome
		for _, name := range append([]string{o.Estimator, o.Women}, o.Also...) {
			if name == "" || name == "none" {
				continue
			}
			if _, err := estimators.ByID(name); err != nil {
				t.Errorf("%s: %v", id, err)
			}
		}
	}
}

// A maximal test says so: for it the rules of maximal tests hold.
func TestMaximalTestsAreMarked(t *testing.T) {
	maximal := map[string]bool{"incremental-shuttle-walk": true}
	for _, id := range library.IDs() {
		p, err := library.Load(id, estimators.LineOf)
		if err != nil {
			t.Fatal(err)
		}
		if got := p.Suits.Effort == "symptom_limited_maximal"; got != maximal[id] {
			t.Errorf("%s: effort %q", id, p.Suits.Effort)
		}
	}
}

func BenchmarkWholeLibrary(b *testing.B) {
	for b.Loop() {
		for _, id := range library.IDs() {
			if _, err := library.Load(id, estimators.LineOf); err != nil {
				b.Fatal(err)
			}
		}
	}
}

var sink *protocol.Protocol

func BenchmarkOneByID(b *testing.B) {
	for b.Loop() {
		p, err := library.Load("incremental-shuttle-walk", estimators.LineOf) // the longest file
		if err != nil {
			b.Fatal(err)
		}
		sink = p
	}
}
