package ucum

import (
	"encoding/json"
	"math"
	"os"
	"testing"
)

// stands for the names of what is measured in the vectors.
var stands = map[string]string{"vo2rel": "mL/kg/min", "mL.min/kg": "mL.min/kg", "vo2abs": "mL/min", "rate": "/min", "pressure": "mm[Hg]", "1": "1",
	"mass": "kg", "length": "m", "speed": "m/s", "time": "s", "bmi": "kg/m2", "energy": "J", "power": "W"}

// TestVectors tries the published units of the exchange vectors (read with a public UCUM validator).
func TestVectors(t *testing.T) {
	data, err := os.ReadFile("testdata/ucum_units.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Vectors []struct {
			ID, Unit     string
			Valid        bool
			Dimension    string
			FactorToBase float64
		}
	}
	if err := json.Unmarshal(data, &file); err != nil || len(file.Vectors) < 15 {
		t.Fatal(err, len(file.Vectors))
	}
	for _, v := range file.Vectors {
		u, err := Parse(v.Unit)
		if (err == nil) != v.Valid {
			t.Errorf("%s %s: valid %v, error %v", v.ID, v.Unit, v.Valid, err)
			continue
		}
		if !v.Valid {
			continue
		}
		base, err := Parse(stands[v.Dimension])
		if err != nil || base.Dimension != u.Dimension {
			t.Errorf("%s %s: dimension %v, not that of %s (%v)", v.ID, v.Unit, u.Dimension, v.Dimension, err)
		}
		if factor := u.Factor / base.Factor; v.FactorToBase != 0 && math.Abs(factor/v.FactorToBase-1) > 1e-12 {
			t.Errorf("%s %s: factor %g, want %g", v.ID, v.Unit, factor, v.FactorToBase)
		}
	}
}

func TestParse(t *testing.T) {
	for _, same := range [][2]string{{"mL/kg/min", "mL/(kg.min)"}, {"[MET]", "mL/kg/min"}, {"W", "J/s"}, {"{beats}/min", "/min"}, {"kcal", "J"}, {"10*3/uL", "/L"}, {"m/s2", "m.s-2"}} {
		if _, ok := Per(same[0], same[1]); !ok {
			t.Errorf("%s and %s measure the same", same[0], same[1])
		}
	}
	if f, _ := Per("[MET]", "mL/kg/min"); math.Abs(f-3.5) > 1e-12 {
		t.Errorf("a MET is %g mL/kg/min", f)
	}
	if f, _ := Per("[lb_av]", "kg"); math.Abs(f-0.45359237) > 1e-12 {
		t.Errorf("a pound is %g kg", f)
	}
	if _, ok := Per("mL/kg.min", "mL/kg/min"); ok {
		t.Error("mL/kg.min is another dimension")
	}
	for _, bad := range []string{"", "bpm", "rpm", "mmHg", "MET", "lbs", "beats/min", "mL//kg", "m/", "(m", "m)", "kg m", "{x", "[lb_av", "m10", "Kg", "µL", "0", "kmin", "m2m"} {
		if u, err := Parse(bad); err == nil {
			t.Errorf("%q was read as %v", bad, u)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"mL/kg/min", "mm[Hg]", "{a}/min", "((m))", "10*-3"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		u, err := Parse(text)
		if err == nil && math.IsNaN(u.Factor) {
			t.Errorf("%q has no factor", text)
		}
	})
}
