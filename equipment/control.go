package equipment

import (
	_ "embed"
	"encoding/csv"
	"fmt"
	"math"
	"strconv"
	"strings"
)

//go:embed control.csv
var controlCSV string

// Constant is a number of the control chart with its origin.
type Constant struct {
	ID     string
	Value  float64
	Unit   string
	How    string // practice: common practice; choice: our own
	Source string
}

var constants = readConstants(controlCSV)

// Constants returns the numbers that the control limits rest on.
func Constants() []Constant { return append([]Constant(nil), constants...) }

func readConstants(text string) []Constant {
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		panic("equipment: control.csv: " + err.Error())
	}
	var list []Constant
	for _, r := range rows[1:] {
		v, err := strconv.ParseFloat(r[1], 64)
		if err != nil {
			panic("equipment: control.csv: " + err.Error())
		}
		list = append(list, Constant{r[0], v, r[2], r[3], r[4]})
	}
	return list
}

func constant(id string) float64 {
	for _, c := range constants {
		if c.ID == id {
			return c.Value
		}
	}
	panic("equipment: no constant " + id)
}

// Steady is the value of a run: the mean of its last heart rates in 1/min, 0 when there are none.
func Steady(heartRates []float64) float64 {
	n := min(len(heartRates), int(constant("steady")))
	if n == 0 {
		return 0
	}
	sum := 0.0
	for _, v := range heartRates[len(heartRates)-n:] {
		sum += v
	}
	return sum / float64(n)
}

// Sign is what a chart says about the last run.
type Sign string

// Signs, by weight. OutOfControl and Drift ask for a repeat and, if it is confirmed, for a calibration before the
// next person is tested.
const (
	TooFew       Sign = "too-few"        // the limits do not speak yet
	InControl    Sign = "in-control"     // as before
	Watch        Sign = "watch"          // beyond a warning limit, once
	Drift        Sign = "drift"          // several runs on the same side
	OutOfControl Sign = "out-of-control" // beyond a control limit
)

// Chart is a chart of single values: the mean of the first runs and limits from how far neighbours lie apart.
type Chart struct {
	Values              []float64 // of all runs, in their order
	Baseline            int       // how many of the first made the limits
	Mean, SD            float64   // SD: mean moving range of the first runs / d2
	WarnLow, WarnHigh   float64
	LowLimit, HighLimit float64
	Sign                Sign // about the last run
	Needs               int  // runs before the limits speak; 0 when they do
}

// Judge makes the chart of the runs of one person at one work rate on one machine, in their order. The first runs, at
// most ten, make the limits; the last one is judged.
func Judge(values []float64) Chart {
	c := Chart{Values: values, Sign: TooFew, Baseline: min(len(values), int(constant("baseline")))}
	least := int(constant("least"))
	if len(values) <= int(constant("baseline")) {
		c.Baseline = max(len(values)-1, 0) // the last one is judged by those before it
	}
	if c.Baseline < least {
		c.Needs = least + 1 - len(values)
		return c
	}
	base := values[:c.Baseline]
	sum, ranges := base[0], 0.0
	for i, v := range base[1:] {
		sum += v
		ranges += math.Abs(v - base[i])
	}
	c.Mean = sum / float64(len(base))
	c.SD = ranges / float64(len(base)-1) / constant("d2")
	warn, out := constant("warn")*c.SD, constant("out")*c.SD
	c.WarnLow, c.WarnHigh, c.LowLimit, c.HighLimit = c.Mean-warn, c.Mean+warn, c.Mean-out, c.Mean+out
	c.Sign = c.sign()
	return c
}

func (c Chart) sign() Sign {
	last := c.Values[len(c.Values)-1]
	above := func(limit float64) func(float64) bool { return func(v float64) bool { return v > limit } }
	below := func(limit float64) func(float64) bool { return func(v float64) bool { return v < limit } }
	side, of, count := int(constant("side")), int(constant("warn_of")), int(constant("warn_count"))
	switch {
	case last > c.HighLimit || last < c.LowLimit:
		return OutOfControl
	case c.lastly(side, side, above(c.Mean)) || c.lastly(side, side, below(c.Mean)):
		return Drift
	case c.lastly(of, count, above(c.WarnHigh)) || c.lastly(of, count, below(c.WarnLow)):
		return Drift
	case last > c.WarnHigh || last < c.WarnLow:
		return Watch
	}
	return InControl
}

// lastly reports whether at least count of the last n values are so.
func (c Chart) lastly(n, count int, so func(float64) bool) bool {
	if len(c.Values) < n {
		return false
	}
	found := 0
	for _, v := range c.Values[len(c.Values)-n:] {
		if so(v) {
			found++
		}
	}
	return found >= count
}

func (c Chart) String() string {
	return fmt.Sprintf("%s: mean %.1f, limits %.1f to %.1f", c.Sign, c.Mean, c.LowLimit, c.HighLimit)
}
