package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"

	"gradus/estimate"
)

// stages estimates by a line over stages: inputs of stages are lists, those of the person single values.
func (c *estimateCmd) stages(e *env, est *estimate.Estimator) (r estimate.Result, err error) {
	lists := map[int][]string{}
	names := map[int]string{}
	var rest []string
	n := 1
	age, female := 0.0, false
	for _, arg := range c.Values {
		name, text, ok := strings.Cut(arg, "=")
		if !ok {
			return r, usageError{fmt.Sprintf("%q is not name=value", arg)}
		}
		i, _, known := est.Named(name)
		switch {
		case known && names[i] != "":
			return r, usageError{est.Inputs[i].ID + " is given twice"}
		case known:
			lists[i], names[i] = strings.Split(text, ","), name
			n = max(n, len(lists[i]))
		case name == "age_years" || name == "age":
			if age, err = strconv.ParseFloat(text, 64); err != nil {
				return r, fmt.Errorf("%s: %q is not a number; write it in years with a decimal point", name, text)
			}
		case name == "sex":
			if text != "female" && text != "male" {
				return r, fmt.Errorf("sex: %q is not known; write female or male", text)
			}
			female = text == "female"
		default:
			rest = append(rest, arg)
		}
	}
	about, err := aboutTest(est, rest)
	if err != nil {
		return r, err
	}
	maxAt := est.RoleAt("max-heart-rate")
	stages := make([][]float64, n)
	for k := range stages {
		stages[k] = make([]float64, len(est.Inputs))
	}
	for i := range est.Inputs {
		list := lists[i]
		switch {
		case i == maxAt && list == nil:
			continue
		case list == nil:
			return r, usageError{fmt.Sprintf("%s is missing; %s takes %s, and max_hr_bpm or age_years", est.Inputs[i].ID, est.ID, inputNames(est))}
		case len(list) != 1 && len(list) != n || i == maxAt && len(list) != 1:
			return r, usageError{fmt.Sprintf("%s has %d values, other inputs have %d; give one for each stage, or one for all", names[i], len(list), n)}
		}
		for k := range stages {
			if stages[k][i], err = parseNamed(est, names[i], list[min(k, len(list)-1)]); err != nil {
				return r, err
			}
		}
	}
	maxHR, sd, formula := stages[0][maxAt], est.Extrapolate.GivenSD, "given"
	if lists[maxAt] == nil {
		if maxHR, sd, formula, err = est.Extrapolate.PredictMaxHR(about.MaxHRFormula, age, female, about.RestBPM); err != nil {
			return r, fmt.Errorf("max_hr_bpm is missing, and cannot be predicted: %w", err)
		}
	}
	if r, err = est.Stages(stages, maxHR, sd, formula, about); err != nil || c.Simulate == 0 || !r.Value.Present() {
		return r, err
	}
	sim := simulateLine(est.Extrapolate, r.Extrapolation, c.Simulate, c.Seed)
	fmt.Fprintf(e.err, "simulated %d tests (seed %d): standard deviation %.3f, computed %.3f\n", c.Simulate, c.Seed, sim, r.Extrapolation.SD)
	return r, nil
}

// aboutTest reads facts about the test.
func aboutTest(est *estimate.Estimator, args []string) (about estimate.Context, err error) {
	for _, arg := range args {
		name, text, _ := strings.Cut(arg, "=")
		fact := factNamed(name)
		if fact == nil {
			return about, usageError{fmt.Sprintf("%s has no input %q; it takes %s; about the person: age_years, sex; about the test: %s", est.ID, name, inputNames(est), factNames())}
		}
		if err := fact.set(&about, text); err != nil {
			return about, fmt.Errorf("%s: %w", name, err)
		}
	}
	return about, nil
}

func parseNamed(est *estimate.Estimator, name, text string) (float64, error) {
	i, other, _ := est.Named(name)
	if other != nil {
		return est.ParseOther(i, other, text)
	}
	return est.Parse(i, text)
}

func lastTwoText(x *estimate.Extrapolation, unit string) string {
	if !x.LastTwo.Present() {
		return "no answer"
	}
	return fmt.Sprintf("%.1f %s", float64(x.LastTwo), unit)
}

// simulateLine draws n tests around the one given and returns the standard deviation of their answers. Heart rates,
// work rates, economy and maximal heart rate vary as the estimator's file says.
func simulateLine(x *estimate.Extrapolate, line *estimate.Extrapolation, n int, seed uint64) float64 {
	random := rand.New(rand.NewPCG(seed, 0x5eed))
	sum, squares, drawn := 0.0, 0.0, 0
	points := make([]estimate.Point, len(line.Points))
	for range n {
		economy := 1 + x.Efficiency/100*random.NormFloat64()
		for i, p := range line.Points {
			net := (p.X - x.RestVO2) * (1 + x.Work/100*random.NormFloat64()) * economy
			points[i] = estimate.Point{X: x.RestVO2 + net, HR: p.HR + x.HRBPM*random.NormFloat64(), Used: p.Used}
		}
		v := estimate.Answer(points, line.MaxHR+line.MaxHRSD*random.NormFloat64())
		if math.IsNaN(v) {
			continue
		}
		drawn++
		d := v - line.Points[0].X
		sum += d
		squares += d * d
	}
	mean := sum / float64(drawn)
	return math.Sqrt((squares - sum*mean) / float64(drawn-1))
}
