package prescribe

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Styles of a session.
const (
	Continuous = "continuous"
	Intervals  = "intervals"
)

// Part is a stretch of a session, once or several times over. Pointers are nil where nothing is known or said.
type Part struct {
	What        string   `json:"what"` // warm-up, steady, hard, easy, cool-down
	Times       int      `json:"times"`
	Minutes     float64  `json:"minutes"` // each time
	ReserveFrom *float64 `json:"reserve_from"`
	ReserveTo   *float64 `json:"reserve_to"`
	RPEFrom     *float64 `json:"rpe_from"`
	RPETo       *float64 `json:"rpe_to"`
	HRLow       *float64 `json:"heart_rate_low"`
	HRHigh      *float64 `json:"heart_rate_high"`
	WorkLow     *float64 `json:"work_w_low"`
	WorkHigh    *float64 `json:"work_w_high"`
}

// Planned is one session of a plan. Minutes and dose leave out warm-up and cool-down.
type Planned struct {
	Session    int      `json:"session"` // from 1, through the whole plan
	Week       int      `json:"week"`
	Day        int      `json:"day"` // of the week, from 1, evenly spread: a proposal
	Style      string   `json:"style"`
	Minutes    float64  `json:"minutes"`
	Parts      []Part   `json:"parts"`
	METMinutes *float64 `json:"met_minutes"`
	KcalGross  *float64 `json:"kcal_gross"`
	KcalNet    *float64 `json:"kcal_net"`
}

// spread lays the weeks out session by session; the dose of a week is the sum of its sessions where all are known.
func (o *Prescription) spread() {
	o.Sessions = []Planned{}
	for i := range o.Weeks {
		w := &o.Weeks[i]
		n := int(math.Round(w.Sessions))
		whole := *w
		total, known := [3]float64{}, w.METMinutes != nil
		w.Intervals = 0
		for k := range n {
			x := Planned{Session: len(o.Sessions) + 1, Week: w.Week, Day: 1 + k*7/n, Style: Continuous, Minutes: w.Minutes}
			x.Parts = []Part{aside("warm-up"), steady(w), aside("cool-down")}
			x.METMinutes, x.KcalGross, x.KcalNet = share(whole.METMinutes, n), share(whole.KcalGross, n), share(whole.KcalNet, n)
			if len(o.bouts) > 0 && w.Week >= o.boutsFrom && float64(k) < numbers["interval-days"].value {
				o.hard(&x)
				w.Intervals++
			}
			if known = known && x.METMinutes != nil; known {
				total[0] += *x.METMinutes
			}
			if known && x.KcalGross != nil {
				total[1], total[2] = total[1]+*x.KcalGross, total[2]+*x.KcalNet
			}
			o.Sessions = append(o.Sessions, x)
		}
		if w.Intervals == 0 {
			continue
		}
		w.METMinutes, w.KcalGross, w.KcalNet = nil, nil, nil
		if known {
			w.METMinutes = some(total[0])
			if o.massKg > 0 {
				w.KcalGross, w.KcalNet = some(total[1]), some(total[2])
			}
		}
	}
}

func share(of *float64, n int) *float64 {
	if of == nil {
		return nil
	}
	return some(*of / float64(n))
}

func aside(what string) Part { return Part{What: what, Times: 1, Minutes: numbers["warm-up"].value} }

func steady(w *Week) Part {
	return Part{What: "steady", Times: 1, Minutes: w.Minutes, ReserveFrom: some(w.ReserveFrom), ReserveTo: some(w.ReserveTo), RPEFrom: some(w.RPEFrom), RPETo: some(w.RPETo),
		HRLow: w.HRLow, HRHigh: w.HRHigh, WorkLow: w.WorkLow, WorkHigh: w.WorkHigh}
}

// hard makes a session one of intervals.
func (o *Prescription) hard(x *Planned) {
	x.Style, x.Minutes = Intervals, 0
	x.Parts = slices.Concat([]Part{aside("warm-up")}, o.bouts, []Part{aside("cool-down")})
	for _, b := range o.bouts {
		x.Minutes += float64(b.Times) * b.Minutes
	}
	x.METMinutes, x.KcalGross, x.KcalNet = nil, nil, nil
	if o.boutsMETs == nil {
		return
	}
	x.METMinutes = some(*o.boutsMETs * x.Minutes)
	if o.massKg > 0 {
		x.KcalGross, x.KcalNet = some(Kcal(*o.boutsMETs, o.massKg, false)*x.Minutes), some(Kcal(*o.boutsMETs, o.massKg, true)*x.Minutes)
	}
}

// intervals prepares the interval session that was chosen.
func (w *writer) intervals(id string) error {
	o := &w.out
	o.cap = w.cap
	for _, s := range w.p.Stages {
		o.highest = max(o.highest, s.WorkW)
	}
	if id == "" {
		return nil
	}
	at := slices.IndexFunc(o.Intervals, func(x Interval) bool { return x.ID == id })
	if at < 0 {
		var known []string
		for _, x := range o.Intervals {
			known = append(known, x.ID)
		}
		if len(known) == 0 {
			return &InputError{"interval", fmt.Sprintf("no interval session is published here for %s; leave it out", o.Title)}
		}
		return &InputError{"interval", fmt.Sprintf("no interval session for %s is called %q; known: %s", o.Title, id, strings.Join(known, ", "))}
	}
	x := &o.Intervals[at]
	o.Interval, o.boutsFrom = id, 1
	source := numbers["interval-low-capacity"].source
	if limit := numbers["interval-low-capacity"].value; w.p.VO2Peak < limit*numbers["rest-vo2"].value {
		o.boutsFrom += int(numbers["interval-wait"].value)
		w.caution("intervals-wait", source, "intervals begin in week %d: the capacity is below %g METs or not known", o.boutsFrom, limit)
	}
	w.caution("intervals", source, "intervals only after medical clearance, in stable people and with monitoring; one session a week to begin with")
	easy := Part{What: "easy", Times: x.Bouts, Minutes: x.Easy / 60}
	hard := w.bout(x, &easy)
	o.bouts = []Part{hard, easy}
	if hard.ReserveFrom != nil && w.p.VO2Peak > 0 {
		if easy.ReserveFrom == nil {
			return nil
		}
		middle := func(p *Part) float64 { u, _ := UptakeAt((*p.ReserveFrom+*p.ReserveTo)/200, w.p.VO2Peak); return u }
		mean := (middle(&hard)*hard.Minutes + middle(&easy)*easy.Minutes) / (hard.Minutes + easy.Minutes)
		o.boutsMETs = some(mean / numbers["rest-vo2"].value)
	}
	return nil
}

// bout is the hard part of an interval session; the easy one gets what is said of it. No work rate lies above the highest
// tested stage, no heart rate above the highest one without symptoms.
func (w *writer) bout(x *Interval, easy *Part) Part {
	p, line := w.p, w.out.Line
	hard := Part{What: "hard", Times: x.Bouts, Minutes: x.Hard / 60}
	if x.rpeFrom > 0 {
		hard.RPEFrom, hard.RPETo = some(x.rpeFrom), some(x.rpeTo)
	}
	rates := func(low, high float64) {
		if w.hold != "" {
			return
		}
		if w.cap > 0 && high > w.cap {
			low, high = min(low, w.cap), w.cap
			w.caution("intervals-capped", ownChoice, "the intervals are lowered to %.0f /min, %s", w.cap, w.capBy)
			if hard.ReserveFrom != nil {
				reserve := p.MaxHR - p.RestHR
				hard.ReserveFrom, hard.ReserveTo = some(100*(low-p.RestHR)/reserve), some(100*(high-p.RestHR)/reserve)
			}
		}
		hard.HRLow, hard.HRHigh = &low, &high
		if line != nil {
			l, _ := line.WorkAt(low)
			h, _ := line.WorkAt(high)
			hard.WorkLow, hard.WorkHigh = some(line.tested(l)), some(line.tested(h))
		}
	}
	switch {
	case x.reserveFrom > 0:
		hard.ReserveFrom, hard.ReserveTo = some(x.reserveFrom), some(x.reserveTo)
		light := LevelAt(30)
		easy.ReserveFrom, easy.ReserveTo = some(light.ReserveFrom), some(light.ReserveBelow)
		if p.RestHR > 0 && p.MaxHR > 0 {
			low, _ := HeartRateAt(x.reserveFrom/100, p.RestHR, p.MaxHR)
			high, _ := HeartRateAt(x.reserveTo/100, p.RestHR, p.MaxHR)
			rates(low, high)
		}
	case x.maxHRFrom > 0 && p.MaxHR > 0:
		rates(x.maxHRFrom/100*p.MaxHR, x.maxHRTo/100*p.MaxHR)
	case x.maxWHard > 0 && line != nil && p.MaxHR > 0 && w.hold == "":
		most, _ := line.WorkAt(p.MaxHR)
		hard.WorkLow, hard.WorkHigh = some(line.tested(x.maxWHard/100*most)), some(line.tested(x.maxWHard/100*most))
		easy.WorkLow, easy.WorkHigh = some(line.tested(x.maxWEasy/100*most)), some(line.tested(x.maxWEasy/100*most))
	}
	if hard.WorkLow == nil && x.maxWHard > 0 {
		w.caution("intervals-no-load", ownChoice, "the work rate of the intervals cannot be told: it is a share of the highest one, which an own heart-rate line and a maximal heart rate would give")
	}
	return hard
}

// tested keeps a work rate at or above 0 and at or below the highest tested one.
func (l *Line) tested(workW float64) float64 { return min(max(workW, 0), l.Highest) }
