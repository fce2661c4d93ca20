package sheet

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The demo sheet of the families, with the answers that the papers of the equations give for these numbers. The
// reference cases are worked by hand from the printed equations; see each line.
func TestSheetsOfEveryFamily(t *testing.T) {
	file, err := os.Open(filepath.Join("..", "..", "demo", "families.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	s := Score([]*Sheet{Read("families.csv", file)}, today, shipped)
	if s.Failed() {
		t.Fatal(s.Faults)
	}
	want := map[string]struct{ value, metres float64 }{
		"walk-1":    {metres: 412},                                                                                 // as read
		"mile-1":    {132.853 - 0.0769*79.8*2.2046226218 - 0.3877*45 + 6.315 - 3.2649*14.5 - 0.1565*136, 1609.344}, // Med Sci Sports Exerc 1987;19:253, pounds
		"shuttle-1": {metres: 30 + 40 + 50 + 30},                                                                   // lengths of levels 1 to 3, and three of level 4
		"step-1":    {value: 111.33 - 0.42*152},                                                                    // Queens College, men, pages that print it
		"cycle-1":   {value: 0.78 * 2.1 * (195 - 61) / (140 - 61)},                                                 // nomogram, form A, 150 W, factor 0.78 at 45 years
		"tread-1":   {value: 15.1 + 21.8*3.4 - 0.327*132 - 0.263*3.4*40 + 0.00504*132*40},                          // Med Sci Sports Exerc 1991;23:966
		"arm-1":     {},                                                                                            // work and heart rate only
		"none-1":    {value: 92.05 - 0.327*55 - 0.933*92/(1.75*1.75) - 0.167*78},                                   // Med Sci Sports Exerc 2011;43:2024, activity 0
	}
	for _, test := range s.Tests {
		w, known := want[test.ID]
		if !known {
			continue
		}
		value := 0.0
		if r := test.Judged.Estimate; r != nil {
			value = float64(r.Value)
		}
		if math.Abs(value-w.value) > 0.01 {
			t.Errorf("%s: %.4f, want %.4f (%s)", test.ID, value, w.value, test.Judged.NoEstimate)
		}
		g := groundJSON(test)
		if w.metres > 0 && (g == nil || math.Abs(g.DistanceM-w.metres) > 1e-6) || w.metres == 0 && g != nil {
			t.Errorf("%s: ground %+v, want %g m", test.ID, g, w.metres)
		}
		delete(want, test.ID)
	}
	for id := range want {
		t.Errorf("the demo has no test %s", id)
	}
}

// A wrong entry of the new columns is named with its place.
func TestFamilyColumnsAreChecked(t *testing.T) {
	for cell, want := range map[string]string{
		"speed_kmh=45":      "sheet.csv:2:7: ",
		"grade_percent=70":  "sheet.csv:2:7: ",
		"distance_m=-4":     "sheet.csv:2:7: ",
		"breathlessness=11": "sheet.csv:2:7: ",
	} {
		column, value, _ := strings.Cut(cell, "=")
		s := scoreText("test,protocol,sex,age_years,stage,minute," + column + "\nT,six-minute-walk,female,60,1,6," + value + "\n")
		if len(s.Tests) != 1 || len(s.Tests[0].Faults) != 1 || !strings.HasPrefix(s.Tests[0].Faults[0].Error(), want) {
			t.Errorf("%s: faults %v, want one at %s", cell, s.Tests[0].Faults, want)
		}
	}
}
