package physiology

import (
	"fmt"
	"math"
	"math/big"
	"strconv"
	"strings"
	"testing"
)

// The coefficients as printed, typed a second time from the sources that maxhr.csv names.
func TestFormulasAreAsPrinted(t *testing.T) {
	for _, c := range []struct {
		id     string
		age    float64
		female bool
		rest   float64
		want   string // the printed formula, worked by hand
	}{
		{"220-age", 50, true, 0, "170"},       // 220 - 50
		{"208-0.7age", 40, false, 0, "180"},   // 208 - 28
		{"207-0.7age", 40, false, 0, "179"},   // 207 - 28
		{"gellish-nl", 60, false, 0, "166.3"}, // 191.5 - 0.007*3600
		{"206-0.88age", 50, true, 0, "162"},   // 206 - 44
		{"210-0.79age", 50, true, 0, "170.5"}, // 210 - 39.5
		{"220-0.95age", 40, false, 0, "182"},  // 220 - 38
		{"211-0.64age", 50, true, 0, "179"},   // 211 - 32
		{"206.3-0.711age", 50, true, 0, "170.75"},
		{"205.8-0.685age", 50, true, 0, "171.55"},
		{"164-0.7age", 60, false, 0, "122"},   // 164 - 42
		{"bb-hf", 60, false, 64, "121"},       // 119 + 32 - 30
		{"bb-hf-cycle", 60, false, 64, "116"}, // 5 lower on a cycle
	} {
		got, f, err := MaxHR(c.id, c.age, c.female, c.rest)
		if err != nil || strconv.FormatFloat(got, 'f', -1, 64) != c.want {
			t.Errorf("%s at %v: %v, %v; want %s", c.id, c.age, got, err, c.want)
		}
		if f.Source == "" || f.SD < 5 || f.How == "" || f.SDHow == "" {
			t.Errorf("%s lacks source, spread or how it is known: %+v", c.id, f)
		}
	}
}

func TestSpellings(t *testing.T) {
	for spelling, id := range map[string]string{
		"220-age": "220-age", "220 - Age": "220-age", "FOX": "220-age", "": "220-age", "208-0.7*age": "208-0.7age", "208 - 0.7 x age": "208-0.7age", "208−0.7×Age": "208-0.7age",
		"208-0.7age": "208-0.7age", "208 - 0,7 * age": "208-0.7age", "Tanaka": "208-0.7age", "gellish_nl": "191.5-0.007age^2",
		"gulati": "206-0.88age", "bb_chd": "164-0.7age", "age-220": "220-age",
	} {
		_, f, err := MaxHR(spelling, 50, true, 70)
		if err != nil || f.ID != id {
			t.Errorf("%q is %q (%v), want %q", spelling, f.ID, err, id)
		}
	}
}

func TestNamesAreUnique(t *testing.T) {
	seen := map[string]string{}
	for _, f := range Formulas() {
		for _, name := range append([]string{f.ID}, f.Aliases...) {
			if other := seen[plain(name)]; other != "" {
				t.Errorf("%s and %s share the name %q", f.ID, other, name)
			}
			seen[plain(name)] = f.ID
		}
	}
}

func TestRefusals(t *testing.T) {
	for _, c := range []struct {
		id     string
		age    float64
		female bool
		rest   float64
		want   string
	}{
		{"230-age", 50, true, 0, "no formula"},
		{"220-age", 0, true, 0, "age 0"},
		{"220-age", 121, true, 0, "age 121"},
		{"220-age", math.NaN(), true, 0, "age NaN"},
		{"gulati", 50, false, 0, "for women only"},
		{"sexspec2014-men", 50, true, 0, "for men only"},
		{"bb-hf", 50, true, 0, "needs the resting heart rate"},
		{"bb-hf", 50, true, math.NaN(), "needs the resting heart rate"},
	} {
		if bpm, _, err := MaxHR(c.id, c.age, c.female, c.rest); err == nil || !strings.Contains(err.Error(), c.want) || bpm != 0 {
			t.Errorf("%+v: %v, %v", c, bpm, err)
		}
	}
}

func TestEndPoint(t *testing.T) {
	if got := PercentOf(85, 170); got != 144.5 {
		t.Errorf("85 %% of 170 = %v", got)
	}
	for _, c := range []struct {
		limit float64
		want  int
	}{{144.5, 145}, {170, 170}, {158.1, 159}, {130.05, 131}, {0.7 * 30, 21}, {math.NaN(), 0}, {math.Inf(1), 0}, {-1, 0}} {
		if got := EndsAt(c.limit); got != c.want {
			t.Errorf("EndsAt(%v) = %d, want %d", c.limit, got, c.want)
		}
	}
}

// Floating point must not move an end point by a beat: every whole age and percent against exact fractions.
func TestEndPointEqualsExactArithmetic(t *testing.T) {
	for _, f := range Formulas() {
		for age := 5; age <= 100; age++ {
			bpm, _, err := MaxHR(f.ID, float64(age), f.Sex != "male", 71)
			if err != nil {
				t.Fatal(err)
			}
			exact := decimal(f.Intercept)
			exact.Add(exact, new(big.Rat).Mul(decimal(f.PerYear), big.NewRat(int64(age), 1)))
			exact.Add(exact, new(big.Rat).Mul(decimal(f.PerYear2), big.NewRat(int64(age*age), 1)))
			exact.Add(exact, new(big.Rat).Mul(decimal(f.PerRest), big.NewRat(71, 1)))
			for percent := 50; percent <= 100; percent++ {
				limit := new(big.Rat).Mul(exact, big.NewRat(int64(percent), 100))
				want := new(big.Int).Div(new(big.Int).Add(limit.Num(), new(big.Int).Sub(limit.Denom(), big.NewInt(1))), limit.Denom())
				if got := EndsAt(PercentOf(percent, bpm)); int64(got) != want.Int64() {
					t.Fatalf("%s, age %d, %d %%: %d, exactly %v", f.ID, age, percent, got, want)
				}
			}
		}
	}
}

func decimal(v float64) *big.Rat {
	r, _ := new(big.Rat).SetString(strconv.FormatFloat(v, 'f', -1, 64))
	return r
}

func ExampleMaxHR() {
	bpm, f, _ := MaxHR("fox", 50, true, 0)
	limit := PercentOf(85, bpm)
	fmt.Println(f.ID, bpm, limit, EndsAt(limit))
	// Output: 220-age 170 144.5 145
}
