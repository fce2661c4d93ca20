package prescribe

import "math"

// MostWeeks is the longest plan.
const MostWeeks = 52

// weeks lays out the plan. Every second week one thing changes: first longer sessions, then more of them, then
// a harder band. The rhythm is our own; the guidelines lengthen sessions every one to two weeks.
func (w *writer) weeks(c *Choice) {
	r, o := w.rec, &w.out
	minutes, days, from, to := r.StartMinutes, r.DaysFrom, o.ReserveFrom, o.ReserveTo
	chosen := o.ReserveFrom != r.StartReserveFrom || o.ReserveTo != r.StartReserveTo
	for n := 1; n <= min(c.Weeks, MostWeeks); n++ {
		changed := ""
		if n > 1 && n%2 == 1 {
			longest := min(r.MinutesTo, max(r.MinutesFrom, 30))
			switch {
			case minutes < longest:
				minutes, changed = min(minutes+r.MinutesStep, longest), "longer sessions"
			case days < min(r.DaysTo, 5):
				days, changed = days+1, "one more session"
			case to < r.ReserveTo && !chosen:
				step := min(5, r.ReserveTo-to)
				from, to, changed = from+step, to+step, "a harder band"
			}
		}
		o.Weeks = append(o.Weeks, w.week(n, days, minutes, from, to, changed))
	}
}

func (w *writer) week(n int, days, minutes, from, to float64, changed string) Week {
	p, r := w.p, w.rec
	x := Week{Week: n, Sessions: days, Minutes: minutes, ReserveFrom: from, ReserveTo: to, RPEFrom: r.StartRPEFrom, RPETo: r.StartRPETo, Changed: changed}
	if from > w.rec.StartReserveFrom {
		x.RPEFrom, x.RPETo = min(r.RPETo, math.Floor(exertionAt(from))), min(r.RPETo, math.Round(exertionAt(to)))
	}
	if w.hold == "" && p.RestHR > 0 && p.MaxHR > 0 {
		low, _ := HeartRateAt(from/100, p.RestHR, p.MaxHR)
		high, _ := HeartRateAt(to/100, p.RestHR, p.MaxHR)
		if w.cap > 0 {
			low, high = min(low, w.cap), min(high, w.cap)
		}
		x.HRLow, x.HRHigh = &low, &high
		if line := w.out.Line; line != nil {
			wl, _ := line.WorkAt(low)
			wh, _ := line.WorkAt(high)
			x.WorkLow, x.WorkHigh = some(line.tested(wl)), some(line.tested(wh))
		}
	}
	if rated := w.rated(); w.hold != "" && len(rated) > 0 && rated[0].RPE <= x.RPETo {
		x.WorkLow, x.WorkHigh = some(workAtRPE(rated, x.RPEFrom)), some(workAtRPE(rated, x.RPETo))
	}
	if middle, err := UptakeAt((from+to)/200, p.VO2Peak); err == nil {
		mets := middle / numbers["rest-vo2"].value
		x.METMinutes = some(mets * minutes * days)
		if p.MassKg > 0 {
			x.KcalGross, x.KcalNet = some(Kcal(mets, p.MassKg, false)*minutes*days), some(Kcal(mets, p.MassKg, true)*minutes*days)
		}
	}
	return x
}

// exertionAt is the exertion (6 to 20) at a percentage of reserve, linear within its band.
func exertionAt(reserve float64) float64 {
	l := LevelAt(reserve)
	below := l.ReserveBelow
	if below == 0 {
		below = 100
	}
	return l.RPEFrom + (l.RPETo-l.RPEFrom)*(reserve-l.ReserveFrom)/(below-l.ReserveFrom)
}
