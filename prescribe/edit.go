package prescribe

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Edit is what the clinician set instead of what was computed, for some weeks of a plan. Zero keeps what was computed.
type Edit struct {
	FromWeek int     `json:"from_week"`
	ToWeek   int     `json:"to_week"`
	Sessions float64 `json:"sessions,omitempty"` // a week
	Minutes  float64 `json:"minutes,omitempty"`
	RPEFrom  float64 `json:"rpe_from,omitempty"`
	RPETo    float64 `json:"rpe_to,omitempty"`
	HRLow    float64 `json:"heart_rate_low,omitempty"`
	HRHigh   float64 `json:"heart_rate_high,omitempty"`
	WorkLow  float64 `json:"work_w_low,omitempty"`
	WorkHigh float64 `json:"work_w_high,omitempty"`
	Why      string  `json:"why,omitempty"`
	By       string  `json:"by"`
	On       string  `json:"on"` // year-month-day
}

// Check refuses an edit that cannot be followed in a plan of so many weeks. An error is an *InputError.
func (e *Edit) Check(weeks int) error {
	if !(e.FromWeek >= 1 && e.ToWeek >= e.FromWeek && e.ToWeek <= weeks) {
		return &InputError{"weeks", fmt.Sprintf("%d to %d are no weeks of a plan of %d", e.FromWeek, e.ToWeek, weeks)}
	}
	for _, x := range []struct {
		name      string
		v         float64
		low, high float64
	}{{"sessions", e.Sessions, 1, 14}, {"minutes", e.Minutes, 1, 240}, {"rpe", e.RPEFrom, 6, 20}, {"rpe", e.RPETo, 6, 20}, {"heart-rate", e.HRLow, 30, 230}, {"heart-rate", e.HRHigh, 30, 230},
		{"work", e.WorkLow, 0.5, 1000}, {"work", e.WorkHigh, 0.5, 1000}} {
		if x.v != 0 && !(x.v >= x.low && x.v <= x.high) {
			return &InputError{x.name, fmt.Sprintf("%g is not between %g and %g; check the entry", x.v, x.low, x.high)}
		}
	}
	for _, x := range []struct {
		name      string
		low, high float64
	}{{"rpe", e.RPEFrom, e.RPETo}, {"heart-rate", e.HRLow, e.HRHigh}, {"work", e.WorkLow, e.WorkHigh}} {
		if (x.low == 0) != (x.high == 0) || x.low > x.high {
			return &InputError{x.name, "write both ends, the lower one first"}
		}
	}
	if e.Sessions != math.Trunc(e.Sessions) {
		return &InputError{"sessions", "write whole sessions"}
	}
	if e.Sessions == 0 && e.Minutes == 0 && e.RPETo == 0 && e.HRHigh == 0 && e.WorkHigh == 0 {
		return &InputError{"weeks", "nothing is changed; fill in at least one number"}
	}
	return nil
}

// Text is an edit in words, with who made it and when.
func (e *Edit) Text() string {
	var parts []string
	add := func(v float64, format string, values ...any) {
		if v > 0 {
			parts = append(parts, fmt.Sprintf(format, values...))
		}
	}
	add(e.Sessions, "%g sessions a week", e.Sessions)
	add(e.Minutes, "%g min", e.Minutes)
	add(e.RPETo, "exertion %g to %g", e.RPEFrom, e.RPETo)
	add(e.HRHigh, "heart rate %g to %g /min", e.HRLow, e.HRHigh)
	add(e.WorkHigh, "%g to %g W", e.WorkLow, e.WorkHigh)
	text := fmt.Sprintf("week %d to %d: ", e.FromWeek, e.ToWeek)
	if e.FromWeek == e.ToWeek {
		text = fmt.Sprintf("week %d: ", e.FromWeek)
	}
	text += strings.Join(parts, ", ")
	if e.Why != "" {
		text += " (" + e.Why + ")"
	}
	return text + ", by " + e.By + " on " + e.On
}

// Edited is a plan as the clinician changed it; the computed one stays as it is. Later edits count over earlier ones. Where an
// edit goes beyond what was reached without symptoms, a caution says so.
func (o *Prescription) Edited(edits []Edit) *Prescription {
	if len(edits) == 0 {
		return o
	}
	out := *o
	out.Weeks, out.Targets, out.Cautions = slices.Clone(o.Weeks), slices.Clone(o.Targets), slices.Clone(o.Cautions)
	for i := range out.Weeks {
		for k := range edits {
			if e := &edits[k]; out.Weeks[i].Week >= e.FromWeek && out.Weeks[i].Week <= e.ToWeek {
				out.Weeks[i].edit(e)
			}
		}
	}
	for k := range edits {
		out.beyond(&edits[k])
		if edits[k].FromWeek == 1 {
			out.start(&edits[k])
		}
	}
	out.jumps()
	out.spread()
	return &out
}

// jumps warns where the minutes of a week rise by more than half after a week that was set: the rest of the plan was not computed
// for it.
func (o *Prescription) jumps() {
	for i := 1; i < len(o.Weeks); i++ {
		a, b := &o.Weeks[i-1], &o.Weeks[i]
		was, is := a.Sessions*a.Minutes, b.Sessions*b.Minutes
		if (a.Edited || b.Edited) && is > numbers["edit-jump"].value*was {
			o.Cautions = append(o.Cautions, Caution{"edit-jump", fmt.Sprintf("week %d has %.0f min after %.0f in week %d: set the weeks between, or raise it more slowly", b.Week, is, was, a.Week), ownChoice})
		}
	}
}

func (w *Week) edit(e *Edit) {
	was := w.Sessions * w.Minutes
	if e.Sessions > 0 {
		w.Sessions = e.Sessions
	}
	if e.Minutes > 0 {
		w.Minutes = e.Minutes
	}
	for _, dose := range []**float64{&w.METMinutes, &w.KcalGross, &w.KcalNet} {
		if *dose != nil && was > 0 {
			*dose = some(**dose * w.Sessions * w.Minutes / was)
		}
	}
	if e.RPETo > 0 {
		w.RPEFrom, w.RPETo = e.RPEFrom, e.RPETo
	}
	if e.HRHigh > 0 {
		w.HRLow, w.HRHigh = some(e.HRLow), some(e.HRHigh)
	}
	if e.WorkHigh > 0 {
		w.WorkLow, w.WorkHigh = some(e.WorkLow), some(e.WorkHigh)
	}
	w.Edited = true
	w.Changed = "set by " + e.By
}

// start puts what an edit of the first week says into the targets, with what was computed beside it.
func (o *Prescription) start(e *Edit) {
	for i := range o.Targets {
		t := &o.Targets[i]
		low, high := 0.0, 0.0
		switch t.ID {
		case "exertion":
			low, high = e.RPEFrom, e.RPETo
		case "heart-rate-reserve":
			low, high = e.HRLow, e.HRHigh
		case "work-own-line", "work-exertion":
			if t.Leads {
				low, high = e.WorkLow, e.WorkHigh
			}
		}
		if high == 0 {
			continue
		}
		was := "none computed: " + t.Withheld
		if t.Low != nil && t.High != nil {
			was = fmt.Sprintf("computed %.0f to %.0f", *t.Low, *t.High)
		}
		t.Notes = append(slices.Clone(t.Notes), fmt.Sprintf("set by %s on %s; %s", e.By, e.On, was))
		t.Low, t.High, t.LowSD, t.HighSD, t.Withheld = some(low), some(high), nil, nil, ""
	}
}

// beyond warns where an edit leaves what the test has shown.
func (o *Prescription) beyond(e *Edit) {
	add := func(id, format string, args ...any) {
		o.Cautions = append(o.Cautions, Caution{id, fmt.Sprintf(format, args...), ownChoice})
	}
	if o.cap > 0 && e.HRHigh > o.cap {
		add("edit-above-cap", "%s set a heart rate of %.0f /min, above %.0f, the highest allowed by the test: watch this person closely", e.By, e.HRHigh, o.cap)
	}
	if o.highest > 0 && e.WorkHigh > o.highest {
		add("edit-above-tested", "%s set %.0f W, above the highest tested stage of %.0f W: watch this person closely", e.By, e.WorkHigh, o.highest)
	}
	if o.Leads != "heart rate" && e.HRHigh > 0 {
		add("edit-heart-rate", "%s set a heart rate although heart rate does not lead here", e.By)
	}
}
