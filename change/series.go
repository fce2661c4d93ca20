package change

import (
	"cmp"
	"math"
	"slices"

	"gradus/estimate"
	"gradus/stats"
)

// Point is one test in a row of tests, with the error of a single test.
type Point struct {
	Test   string   `json:"test"`
	Date   string   `json:"date"`
	Day    *int     `json:"day"` // since the first test
	Value  *float64 `json:"value"`
	Low95  *float64 `json:"low95"` // value ± 1.96 SEM: for comparing this person's tests only
	High95 *float64 `json:"high95"`
	Usable bool     `json:"usable"`
	MassKg float64  `json:"mass_kg"`
}

// Slope is the straight line through a row of tests, from the known error of a test.
type Slope struct {
	PerWeek float64 `json:"per_week"` // mL/kg/min
	Low95   float64 `json:"low95"`
	High95  float64 `json:"high95"`
}

// Row is all tests of one person, for a chart.
type Row struct {
	Participant string  `json:"participant"`
	Points      []Point `json:"tests"`
	SEM         float64 `json:"sem"`   // 0: none is published
	Slope       *Slope  `json:"slope"` // nil: fewer than three tests, a date is missing, or a pair has no verdict
}

// History is what many tests of one person say.
type History struct {
	Pairs   []Pair // each test with the next one
	Overall *Pair  // the first with the last, where there are more than two
	Row     Row
}

// Sort puts tests in the order they were made: by date and time; where a date is missing, in the order given.
func Sort(tests []*Test) {
	for _, t := range tests {
		if t.Date == "" {
			return
		}
	}
	slices.SortStableFunc(tests, func(a, b *Test) int {
		return cmp.Or(cmp.Compare(a.Date, b.Date), cmp.Compare(a.Hour, b.Hour))
	})
}

// Series compares each test of a person with the next one, and the first with the last. Estimators are asked
// for by id.
func Series(tests []*Test, estimator func(id string) *estimate.Estimator, c Choice) (h History, err error) {
	Sort(tests)
	for i := 1; i < len(tests); i++ {
		p, err := Between(tests[i-1], tests[i], estimator(tests[i-1].Estimator), c, i == 1)
		if err != nil {
			return h, err
		}
		h.Pairs = append(h.Pairs, p)
	}
	if last := len(tests) - 1; last > 1 {
		p, err := Between(tests[0], tests[last], estimator(tests[0].Estimator), c, true)
		if err != nil {
			return h, err
		}
		h.Overall = &p
	}
	h.Row = rowOf(tests, h.Pairs)
	return h, nil
}

func rowOf(tests []*Test, pairs []Pair) Row {
	r := Row{Points: []Point{}}
	dated, comparable := true, true
	for _, p := range pairs {
		if p.Error.SEM != nil {
			r.SEM = math.Max(r.SEM, *p.Error.SEM)
		}
		comparable = comparable && p.Withheld == ""
	}
	for _, t := range tests {
		r.Participant = t.Participant
		p := Point{Test: t.ID, Date: t.Date, Usable: t.hasValue() && t.Verdict != estimate.NotUsable, MassKg: t.MassKg}
		if t.HasDay && tests[0].HasDay {
			day := t.Day - tests[0].Day
			p.Day = &day
		}
		dated = dated && p.Day != nil
		if t.hasValue() {
			p.Value = some(t.Value)
			if r.SEM > 0 {
				p.Low95, p.High95 = some(t.Value-stats.Z975*r.SEM), some(t.Value+stats.Z975*r.SEM)
			}
		}
		r.Points = append(r.Points, p)
	}
	if len(tests) > 2 && dated && comparable && r.SEM > 0 {
		r.Slope = slopeOf(r.Points, r.SEM)
	}
	return r
}

// slopeOf is the least-squares line; its error comes from the known error of a test.
func slopeOf(points []Point, sem float64) *Slope {
	n, meanX, meanY := float64(len(points)), 0.0, 0.0
	for _, p := range points {
		meanX += float64(*p.Day) / 7 / n
		meanY += *p.Value / n
	}
	xx, xy := 0.0, 0.0
	for _, p := range points {
		x := float64(*p.Day)/7 - meanX
		xx += x * x
		xy += x * (*p.Value - meanY)
	}
	if xx == 0 {
		return nil
	}
	slope, half := xy/xx, stats.Z975*sem/math.Sqrt(xx)
	return &Slope{slope, slope - half, slope + half}
}
