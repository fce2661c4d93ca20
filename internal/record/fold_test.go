package record_test

import (
	"testing"

	"gradus/internal/record"
)

func TestFold(t *testing.T) {
	for text, want := range map[string]string{
		"": "", "  Anna \t BEISPIEL ": "anna beispiel", "Ünal Çelik": "unal celik", "İpek Işık": "ipek isik", "Straße": "strasse", "Æther Œuvre": "aether oeuvre",
		"Nguyễn": "nguyen", "Dvořák": "dvorak", "Łódź": "lodz", "Zoe\u0308": "zoe", "ΆΝΝΑ": "αννα", "Алексей Пётр": "алексеи петр", "山田": "山田", "O'Brien-Smith": "o'brien-smith",
	} {
		if got := record.Fold(text); got != want {
			t.Errorf("%q: %q, want %q", text, got, want)
		}
	}
}

func TestSimilarNames(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want bool
	}{
		{"Anna Beispiel", "anna beispiel", true},
		{"Anna Beispiel", "Beispiel, Anna", true},
		{"Anna Beispiel", "Anna Maria Beispiel", true},
		{"Anna Beispiel", "Anan Beispeil", true},
		{"Anna Müller", "Anna Mueller", true},
		{"Hans-Peter Muster", "Hanspeter Muster", true},
		{"A. Beispiel", "Anna Beispiel", true},
		{"Anna Beispiel", "Berta Beispiel", false},
		{"A. B.", "Anna Beispiel", false},
		{"Jan", "Jon", false},
		{"Anna Beispiel", "", false},
		{"", "", false},
		{"Li Na", "Li Ma", false},
	} {
		if record.SimilarNames(c.a, c.b) != c.want || record.SimilarNames(c.b, c.a) != c.want {
			t.Errorf("%q and %q: %v both ways, want %v", c.a, c.b, record.SimilarNames(c.a, c.b), c.want)
		}
	}
}
