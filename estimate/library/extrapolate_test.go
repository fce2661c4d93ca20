package library

import (
	"math"
	"math/rand/v2"
	"testing"

	"gradus/estimate"
)

// lineOf extends a line over stages by heart rate, with a maximal heart rate whose spread is sd.
func lineOf(t testing.TB, id string, stages [][]float64, maxHR, sd float64) estimate.Result {
	t.Helper()
	e, err := ByID(id)
	if err != nil {
		t.Fatal(err)
	}
	r, err := e.Stages(stages, maxHR, sd, "220-age", estimate.Context{Drug: "no"})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestStagesExtendedToMaximalHeartRate(t *testing.T) {
	for _, c := range []struct {
		name, id   string
		stages     [][]float64
		max, sd    float64
		want, last float64
	}{
		// National survey fitness manual, appendix G: 47.6.
		{"PW01, printed example", "stage-extrapolation", [][]float64{{23.3, 120, 0}, {31.4, 140, 0}}, 180, 12, 47.6, 47.6},
		// Constructed: man of 40 years and 80 kg; stages on a line, so that all answers are one.
		{"CW01, man", "cycle-extrapolation", [][]float64{{450, 80, 118, 0}, {600, 80, 131, 0}, {750, 80, 144, 0}}, 180, 12, 33.221154, 33.221154},
		// Constructed: woman of 55 years and 68 kg, by 220 - age and by 208 - 0.7 age.
		{"CW02, woman", "cycle-extrapolation", [][]float64{{300, 68, 125, 0}, {450, 68, 139, 0}}, 165, 12, 26.285714, 26.285714},
		{"woman, another formula", "cycle-extrapolation", [][]float64{{300, 68, 125, 0}, {450, 68, 139, 0}}, 169.5, 11.4, 27.561983, 27.561983},
		// The public file of the survey: protocol 4, heart rates 107 and 126, 220 - 49: 40.03.
		{"survey", "survey-treadmill", [][]float64{{17.8, 107, 0}, {24.4, 126, 0}}, 171, 12, 40.031579, 40.031579},
		// A stage below 110 and one above 85 % are left out; points off the line: least squares, and the last two.
		{"window", "stage-extrapolation", [][]float64{{10, 95, 0}, {20, 120, 0}, {24, 126, 0}, {28, 138, 0}, {35, 175, 0}}, 180, 12, 47.111111, 42},
	} {
		r := lineOf(t, c.id, c.stages, c.max, c.sd)
		if math.Abs(float64(r.Value)-c.want) > 1e-5 || math.Abs(float64(r.Extrapolation.LastTwo)-c.last) > 1e-5 {
			t.Errorf("%s: %v, by the last two %v, want %v and %v", c.name, r.Value, r.Extrapolation.LastTwo, c.want, c.last)
		}
	}
	// CW34: error of maximal heart rate alone, 10 /min: 2.836 mL/kg/min in the case of the woman.
	if r := lineOf(t, "cycle-extrapolation", [][]float64{{300, 68, 125, 0}, {450, 68, 139, 0}}, 165, 10); math.Abs(r.Extrapolation.FromMaxHR-2.836134) > 1e-5 {
		t.Errorf("from maximal heart rate %v", r.Extrapolation.FromMaxHR)
	}
	for name, stages := range map[string][][]float64{
		"falls": {{20, 140, 0}, {24, 130, 0}}, "level": {{20, 130, 0}, {24, 130, 0}}, "one": {{20, 130, 0}}, "same work": {{20, 120, 0}, {20, 130, 0}}, "all below": {{20, 90, 0}, {24, 100, 0}},
	} {
		if r := lineOf(t, "stage-extrapolation", stages, 180, 12); r.Verdict != estimate.Refused || r.Value.Present() || r.Why == "" {
			t.Errorf("%s: %+v", name, r)
		}
	}
}

// The computed interval against seeded draws of tests, in which heart rates, work rates, economy and maximal heart
// rate vary as the file says: within 5 %.
func TestIntervalAgreesWithSimulatedTests(t *testing.T) {
	for _, c := range []struct {
		id      string
		stages  [][]float64
		max, sd float64
	}{
		{"stage-extrapolation", [][]float64{{23.3, 120, 0}, {31.4, 140, 0}}, 180, 12},
		{"survey-treadmill", [][]float64{{17.8, 107, 0}, {24.4, 126, 0}}, 171, 12},
		{"cycle-extrapolation", [][]float64{{450, 80, 118, 0}, {600, 80, 131, 0}, {750, 80, 144, 0}}, 180, 12},
		{"cycle-extrapolation", [][]float64{{300, 68, 125, 0}, {450, 68, 139, 0}}, 165, 12},
		{"cycle-extrapolation", [][]float64{{300, 68, 125, 0}, {450, 68, 139, 0}}, 165, 3},
	} {
		e, err := ByID(c.id)
		if err != nil {
			t.Fatal(err)
		}
		r := lineOf(t, c.id, c.stages, c.max, c.sd)
		x, line := e.Extrapolate, r.Extrapolation
		random := rand.New(rand.NewPCG(5, 9))
		const n = 200_000
		sum, squares := 0.0, 0.0
		points := make([]estimate.Point, len(line.Points))
		for range n {
			economy := 1 + x.Efficiency/100*random.NormFloat64()
			for i, p := range line.Points {
				net := (p.X - x.RestVO2) * (1 + x.Work/100*random.NormFloat64()) * economy
				points[i] = estimate.Point{X: x.RestVO2 + net, HR: p.HR + x.HRBPM*random.NormFloat64(), Used: p.Used}
			}
			v := estimate.Answer(points, line.MaxHR+line.MaxHRSD*random.NormFloat64()) - float64(r.Value)
			if math.IsNaN(v) {
				t.Fatal("a drawn line does not rise")
			}
			sum, squares = sum+v, squares+v*v
		}
		drawn := math.Sqrt(squares/n - sum/n*sum/n)
		if off := math.Abs(line.SD/drawn - 1); off > 0.05 {
			t.Errorf("%s %v: computed %v, drawn %v", c.id, c.stages, line.SD, drawn)
		}
		if half := float64(r.High95 - r.Value); math.Abs(half/line.SD-1.959964) > 1e-5 {
			t.Errorf("%s: half of the interval is %v standard errors", c.id, half/line.SD)
		}
	}
}
