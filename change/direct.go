package change

import (
	"fmt"
	"math"

	"gradus/stats"
)

// Direct is a sign of change that needs no equation.
type Direct struct {
	ID         string   `json:"id"`
	What       string   `json:"what"`
	From       float64  `json:"from"`
	To         float64  `json:"to"`
	Difference float64  `json:"difference"`
	Unit       string   `json:"unit"`
	Error95    *float64 `json:"error95"` // beyond error with 95 % confidence from here on; nil: none is published
	Beyond     *bool    `json:"beyond_error"`
	Note       string   `json:"note"`
	How        string   `json:"how"` // of the error: seen, memory or derived
	Source     string   `json:"source"`
}

// direct compares what was measured at equal loads. With another drug, dose or rhythm these signs change too.
func direct(a, b *Test) []Direct {
	all := []Direct{}
	for i := range a.Loads {
		for k := range b.Loads {
			if a.Loads[i].WorkW == b.Loads[k].WorkW {
				all = append(all, atEqualWork(&a.Loads[i], &b.Loads[k])...)
			}
		}
	}
	if d, ok := workAtEqualRate(a.Loads, b.Loads); ok {
		all = append(all, d)
	}
	return append(all, falls(a.Recovery, b.Recovery)...)
}

// heartError is the smallest difference of two heart rates at equal work that is beyond error, /min.
func heartError(a, b float64) float64 {
	sem := signs["heart-rate-sem"].value / 100 * (a + b) / 2
	return stats.FromSEM(sem, 0).MDC95()
}

func atEqualWork(a, b *Load) []Direct {
	d := Direct{ID: "heart-rate-at-work", What: fmt.Sprintf("heart rate at %g W", a.WorkW), From: a.HR, To: b.HR, Difference: b.HR - a.HR, Unit: "/min",
		Note: signs["heart-rate-sem"].note, How: signs["heart-rate-sem"].how, Source: signs["heart-rate-sem"].source}
	d.judge(heartError(a.HR, b.HR))
	all := []Direct{d}
	if a.RPE > 0 && b.RPE > 0 {
		e := Direct{ID: "exertion-at-work", What: fmt.Sprintf("exertion at %g W", a.WorkW), From: a.RPE, To: b.RPE, Difference: b.RPE - a.RPE, Note: signs["exertion-error"].note, How: signs["exertion-error"].how, Source: signs["exertion-error"].source}
		e.judge(signs["exertion-error"].value)
		all = append(all, e)
	}
	return all
}

func (d *Direct) judge(error95 float64) {
	beyond := math.Abs(d.Difference) >= error95
	d.Error95, d.Beyond = &error95, &beyond
}

// workAtEqualRate reads each test's work rate at one heart rate, the lower of the two last ones, between two of
// its own stages. Its error is that of heart rate divided by the mean slope there.
func workAtEqualRate(a, b []Load) (Direct, bool) {
	if len(a) < 2 || len(b) < 2 {
		return Direct{}, false
	}
	hr := min(a[len(a)-1].HR, b[len(b)-1].HR)
	from, slopeA, okA := workAt(a, hr)
	to, slopeB, okB := workAt(b, hr)
	if !okA || !okB {
		return Direct{}, false
	}
	d := Direct{ID: "work-at-heart-rate", What: fmt.Sprintf("work rate at %g /min", hr), From: from, To: to, Difference: to - from, Unit: "W",
		Note: "read between two stages; its error is that of heart rate divided by the slope", How: "derived", Source: signs["heart-rate-sem"].source}
	d.judge(heartError(hr, hr) / ((slopeA + slopeB) / 2))
	return d, true
}

// workAt is the work rate at a heart rate, linear between two stages, and the slope there in /min for each W.
func workAt(loads []Load, hr float64) (work, slope float64, ok bool) {
	for i := len(loads) - 1; i > 0; i-- {
		l, h := loads[i-1], loads[i]
		if h.HR > l.HR && h.WorkW > l.WorkW && hr >= l.HR && hr <= h.HR {
			slope = (h.HR - l.HR) / (h.WorkW - l.WorkW)
			return l.WorkW + (hr-l.HR)/slope, slope, true
		}
	}
	return 0, 0, false
}

// falls compares recovery readings taken equally long after the stop.
func falls(a, b []Fall) (all []Direct) {
	for _, x := range a {
		for _, y := range b {
			if math.Abs(x.Minutes-y.Minutes) <= signs["hr-match"].value {
				d := Direct{ID: "recovery", How: "derived", What: fmt.Sprintf("fall of heart rate %g min after the stop", x.Minutes), From: x.BPM, To: y.BPM, Difference: y.BPM - x.BPM, Unit: "/min",
					Note:   "its error is at least that of the two heart rates it is made of; it depends on the last heart rate, the cool-down and the posture",
					Source: "derived from " + signs["heart-rate-sem"].source}
				d.judge(fallError(x, y))
				all = append(all, d)
				break
			}
		}
	}
	return all
}

// fallError is the least error of the difference of two falls, /min: each fall is made of two heart rates, which vary from day
// to day on their own.
func fallError(a, b Fall) float64 {
	sem := signs["heart-rate-sem"].value / 100
	last := (a.From + b.From) / 2
	return stats.FromSEM(sem*stats.Together(last, last-(a.BPM+b.BPM)/2), 0).MDC95()
}
