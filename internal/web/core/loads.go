package core

import (
	"strconv"

	"gradus/conduct"
	"gradus/protocol"
	"gradus/simulate"
)

// LoadText says a load as a person sets it: 75 W, 4.8 km/h at 5 %, 24 steps/min; "" where nothing is set.
func LoadText(w *protocol.Work, v float64) string {
	switch w.Form() {
	case "speed", "same-speed", "chosen-speed":
		text := conduct.SpeedText(w, v)
		if w.Second() != 0 {
			text += " at " + number(w.Second()) + "\u2009%"
		}
		return text
	case "rate":
		return number(v) + " steps/min, " + number(w.HeightM) + "\u2009m"
	case "own-pace", "rest":
		return ""
	}
	return number(v) + "\u2009W"
}

// shortText is what stands on a step of the picture; the unit of watts is at the axis.
func shortText(w *protocol.Work, v float64) string {
	switch w.Form() {
	case "speed", "same-speed", "chosen-speed":
		text := strconv.FormatFloat(v, 'f', 1, 64)
		if w.Second() != 0 {
			text += " / " + number(w.Second()) + "\u2009%"
		}
		return text
	case "rate":
		return number(v) + "/min"
	case "own-pace":
		return w.OwnPace
	case "rest":
		return ""
	}
	return number(v)
}

// height is how high a step is drawn: its watts, or for other loads what weighs about as much for a person. It orders
// the steps for the eye; nothing is computed from it.
func height(w *protocol.Work, v float64) float64 {
	switch w.Form() {
	case "speed", "same-speed", "chosen-speed":
		return simulate.Walking(v, w.Second())
	case "rate":
		return simulate.Stepping(v, w.HeightM)
	case "own-pace":
		return simulate.OwnPace
	case "rest":
		return 0
	}
	return v
}

func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func unitOf(w *protocol.Work) string {
	switch w.Form() {
	case "speed", "same-speed", "chosen-speed":
		return "km/h"
	case "rate":
		return "/min"
	case "own-pace", "rest":
		return ""
	}
	return "W"
}

// coolText says the load of the cool-down.
func coolText(p *protocol.Protocol, v float64) string {
	i := p.Find(p.CoolDown.It.AtMost)
	if !p.CoolDown.Is() || i < 0 || v == 0 {
		return ""
	}
	switch unit := unitOf(&p.Parts[i].Work); unit {
	case "km/h":
		return strconv.FormatFloat(v, 'f', 1, 64) + "\u2009km/h, level"
	case "W":
		return number(v) + "\u2009W"
	}
	return ""
}

// viewAsked says what the instruction asks to set, how a heart rate is read, and what the picture is drawn in.
func (c *Core) viewAsked(v *View) {
	p, s := c.protocol, &c.state
	v.Axis = unitOf(&p.Parts[0].Work)
	for i := range p.Parts {
		if unit := unitOf(&p.Parts[i].Work); unit != v.Axis || unit != "W" {
			v.Axis = ""
		}
	}
	if i := p.Find(v.Next.Part); i >= 0 {
		w := &p.Parts[i].Work
		v.Asked = &AskedLoad{V: v.Next.Work, Second: w.Second(), Text: LoadText(w, v.Next.Work), Unit: unitOf(w), Pick: w.Choose}
		if w.Pace != nil {
			v.Asked.Pick = w.Pace
		}
		if s.In.Machine.NoWatts() && v.Asked.Unit == "W" {
			v.Asked.Text = "" // the level is recorded
		}
	}
	if i := s.Current(); i >= 0 && s.Phase == conduct.Riding && v.Next.What == protocol.HeartRate {
		for _, r := range p.SetOf(int(s.Stages[i].Part)) {
			if r.What == protocol.HeartRate && int64((r.At+protocol.Minute-1)/protocol.Minute) == int64(v.Next.Slot) {
				v.Reading = &DueReading{int64(r.Over), r.Count}
			}
		}
	}
}
