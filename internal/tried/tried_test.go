package tried

import (
	"slices"
	"testing"
)

func TestFirst(t *testing.T) {
	if n := len(list()); n < 17_000 || !slices.IsSorted(list()) {
		t.Fatalf("%d passwords, sorted: %v", n, slices.IsSorted(list()))
	}
	for _, word := range list() {
		if len(word) < 8 || !First(word) {
			t.Errorf("%q", word)
		}
	}
	for _, word := range []string{"Sunshine2026!", "  LIVERPOOL ", "123sunshine", "1qaz2wsx3edc"} {
		if !First(word) {
			t.Errorf("%q is not found", word)
		}
	}
	for _, word := range []string{"", "2026", "the pedals turn at dawn", "sunshine over the pedals", "q7#kkdpw0-xz"} {
		if First(word) {
			t.Errorf("%q is refused", word)
		}
	}
}
