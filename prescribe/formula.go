package prescribe

import (
	"errors"
	"fmt"
	"math"
)

// HeartRateAt is the heart rate at a share of the reserve: rest + share · (max - rest), /min. It refuses a
// maximal heart rate that is not above rest.
func HeartRateAt(share, rest, max float64) (float64, error) {
	if !(max > rest) {
		return 0, fmt.Errorf("maximal heart rate %g is not above the resting one of %g; check both", max, rest)
	}
	return rest + share*(max-rest), nil
}

// UptakeAt is the oxygen uptake at a share of its reserve: 3.5 + share · (peak - 3.5), mL/kg/min. It refuses
// a peak that is not above rest.
func UptakeAt(share, peak float64) (float64, error) {
	rest := numbers["rest-vo2"].value
	if !(peak > rest) {
		return 0, fmt.Errorf("a peak of %g mL/kg/min is not above rest (%g); check the entry", peak, rest)
	}
	return rest + share*(peak-rest), nil
}

// Machines for which a metabolic equation exists. None exists for the recumbent stepper.
const (
	Cycle = "cycle"
	Arm   = "arm"
	Walk  = "walk"
)

// ErrOutside marks a work rate outside the range in which its equation was published.
var ErrOutside = errors.New("outside the range of the equation")

// WorkFor inverts a metabolic equation: the work rate in W at an oxygen uptake in mL/kg/min. Below the uptake
// at no load it refuses; outside the published range it gives the number with [ErrOutside].
func WorkFor(machine string, uptake, massKg float64) (float64, error) {
	if machine != Cycle && machine != Arm {
		return 0, fmt.Errorf("no metabolic equation exists for %s; use the person's own heart-rate line, or exertion", machine)
	}
	base, perW := numbers[machine+"-base"].value, numbers[machine+"-per-w"].value
	if !(uptake > base) {
		return 0, fmt.Errorf("an uptake of %.1f is not above the %g mL/kg/min that turning without load costs; no work rate comes from this equation", uptake, base)
	}
	w := (uptake - base) * massKg / perW
	if from, to := numbers[machine+"-from"].value, numbers[machine+"-to"].value; w < from || w > to {
		return w, fmt.Errorf("%.0f W is %w (%g to %g W)", w, ErrOutside, from, to)
	}
	return w, nil
}

// WalkSpeedFor is the speed on the level at an uptake, m/min; outside 50 to 100 with [ErrOutside].
func WalkSpeedFor(uptake float64) (float64, error) {
	rest := numbers["rest-vo2"].value
	if !(uptake > rest) {
		return 0, fmt.Errorf("an uptake of %.1f mL/kg/min is not above rest", uptake)
	}
	s := (uptake - rest) / numbers["walk-speed"].value
	if from, to := numbers["walk-from"].value, numbers["walk-to"].value; s < from || s > to {
		return s, fmt.Errorf("%.0f m/min is %w (%g to %g m/min)", s, ErrOutside, from, to)
	}
	return s, nil
}

// WalkGradeFor is the grade (a fraction) at an uptake and a speed in m/min. It refuses a grade below 0.
func WalkGradeFor(uptake, speed float64) (float64, error) {
	g := (uptake - numbers["rest-vo2"].value - numbers["walk-speed"].value*speed) / (numbers["walk-grade"].value * speed)
	if g < 0 {
		return 0, fmt.Errorf("walking at %g m/min on the level already costs more than %.1f mL/kg/min; walk more slowly", speed, uptake)
	}
	return g, nil
}

// CycleUptake is the uptake of leg cycling in mL/kg/min at a work rate in W.
func CycleUptake(workW, massKg float64) float64 {
	return numbers["cycle-per-w"].value*workW/massKg + numbers["cycle-base"].value
}

// WalkUptake is the uptake of walking in mL/kg/min at a speed in m/min and a grade (a fraction).
func WalkUptake(speed, grade float64) float64 {
	return numbers["walk-speed"].value*speed + numbers["walk-grade"].value*speed*grade + numbers["rest-vo2"].value
}

// Kcal is the energy of a minute in kcal: METs · 3.5 · kg / 200. Net leaves out what rest would have cost.
func Kcal(mets, massKg float64, net bool) float64 {
	if net {
		mets--
	}
	return mets * numbers["rest-vo2"].value * massKg / 1000 * numbers["kcal-per-litre"].value
}

// Stage is a steady stage of the person's own test. RPE is 0 when it was not asked.
type Stage struct{ WorkW, HR, RPE float64 }

// Line is a person's own heart rate on a machine: HR = A + B · W. SD is the spread of the stages around it.
type Line struct {
	A       float64 `json:"at_0_w"` // /min
	B       float64 `json:"per_w"`  // /min for each W
	SD      float64 `json:"sd"`     // /min
	Lowest  float64 `json:"lowest"` // tested work rates, W
	Highest float64 `json:"highest"`
}

// OwnLine fits heart rate on work rate by least squares. It refuses fewer than three stages and a heart rate
// that does not rise.
func OwnLine(stages []Stage) (l Line, err error) {
	n := float64(len(stages))
	if n < numbers["own-line-stages"].value {
		return l, fmt.Errorf("%g steady stages make no line of one's own; %g are needed", n, numbers["own-line-stages"].value)
	}
	meanW, meanHR := 0.0, 0.0
	l.Lowest, l.Highest = math.Inf(1), math.Inf(-1)
	for _, s := range stages {
		meanW, meanHR = meanW+s.WorkW/n, meanHR+s.HR/n
		l.Lowest, l.Highest = min(l.Lowest, s.WorkW), max(l.Highest, s.WorkW)
	}
	xx, xy := 0.0, 0.0
	for _, s := range stages {
		xx += (s.WorkW - meanW) * (s.WorkW - meanW)
		xy += (s.WorkW - meanW) * (s.HR - meanHR)
	}
	if !(xx > 0 && xy > 0) {
		return l, errors.New("heart rate does not rise with the work rate; there is no line of one's own")
	}
	l.B = xy / xx
	l.A = meanHR - l.B*meanW
	squares := 0.0
	for _, s := range stages {
		d := s.HR - l.A - l.B*s.WorkW
		squares += d * d
	}
	l.SD = math.Sqrt(squares / (n - 2))
	return l, nil
}

// WorkAt is the work rate of the line at a heart rate; outside says whether it was not tested.
func (l *Line) WorkAt(hr float64) (workW float64, outside bool) {
	w := (hr - l.A) / l.B
	return w, w < l.Lowest-1e-9 || w > l.Highest+1e-9
}
