package library

import "testing"

// Goals: all estimators within a few ms, one below 3 ms. Read with go test -bench Load.
func BenchmarkLoadAll(b *testing.B) {
	for b.Loop() {
		if _, err := All(); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkLoadOne(b *testing.B) {
	for b.Loop() {
		if _, err := ByID("astrand-cycle"); err != nil {
			b.Fatal(err)
		}
	}
}
