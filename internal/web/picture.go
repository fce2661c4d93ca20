package web

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"gradus/conduct"
	"gradus/internal/web/core"
	"gradus/protocol"
)

// picture is a test drawn as stairs: work rates along the minutes, planned and taken heart rates, the end point.
// Lengths are in units of the drawing.
type picture struct {
	Width, Height     float64
	Left, Right       float64 // of the field where things are drawn
	Top, Bottom       float64
	Title, Text       string // for who cannot see it
	Unit              string // of the heights; "" where each step says its own
	Steps             []step
	Paths             []branchPath
	Dots              []dot
	Trace             string
	End               *level
	XTicks, Watts, HR []tick
}

// step is a load over a stretch of time.
type step struct {
	X, Y, W, H float64
	Class      string
	Label      string
	LabelX     float64
	LabelY     float64
}

// branchPath is the stairs of one row of the branch table.
type branchPath struct {
	D, Label string
	X, Y     float64
}

type dot struct {
	X, Y  float64
	Class string
	Title string
}

type level struct {
	Y     float64
	Label string
}

type tick struct {
	At    float64
	Label string
}

// scale places values on one axis.
type scale struct{ from, to, a, b float64 }

func (s scale) at(v float64) float64 {
	if s.to == s.from {
		return s.a
	}
	return math.Round(10*(s.a+(v-s.from)/(s.to-s.from)*(s.b-s.a))) / 10
}

const (
	letterWidth   = 7 // of a label, about
	pictureWidth  = 720
	pictureHeight = 300
)

func emptyPicture() picture {
	return picture{Width: pictureWidth, Height: pictureHeight, Left: 44, Right: pictureWidth - 60, Top: 18, Bottom: pictureHeight - 34}
}

// axes are the three scales of a picture.
type axes struct{ x, watts, hr scale }

func (p *picture) axes(lengthMs int64, mostWatts, lowHR, highHR float64) axes {
	mostWatts = 25 * math.Ceil(max(mostWatts, 50)/25)
	lowHR, highHR = 20*math.Floor(lowHR/20), 20*math.Ceil(highHR/20)
	a := axes{scale{0, float64(max(lengthMs, 60000)), p.Left, p.Right}, scale{0, mostWatts, p.Bottom, p.Top}, scale{lowHR, highHR, p.Bottom, p.Top}}
	minutes := int(math.Ceil(float64(lengthMs) / 60000))
	every := 1
	for minutes/every > 16 {
		every++
	}
	for m := 0; m <= minutes; m += every {
		if x := a.x.at(float64(m) * 60000); x <= p.Right+0.5 {
			p.XTicks = append(p.XTicks, tick{x, strconv.Itoa(m)})
		}
	}
	for w := 0.0; w <= mostWatts && p.Unit != ""; w += max(25, 25*math.Ceil(mostWatts/150)) {
		p.Watts = append(p.Watts, tick{a.watts.at(w), num(w)})
	}
	for h := lowHR; h <= highHR && highHR > lowHR; h += 20 {
		p.HR = append(p.HR, tick{a.hr.at(h), num(h)})
	}
	return a
}

func (p *picture) endLine(a axes, l *conduct.Limits) {
	if l.EndPoint > a.hr.from && l.EndPoint <= a.hr.to {
		p.End = &level{a.hr.at(l.EndPoint), say("picture.end", l.EndBeat)}
	}
}

// planPicture draws what is planned. Loads that depend on the first stage are drawn for every row of the table.
func planPicture(plan *protocol.Protocol, v *core.View) picture {
	p := emptyPicture()
	p.Title, p.Text, p.Unit = say("picture.plan"), say("picture.plan.text"), v.Axis
	length, most := int64(0), 0.0
	for _, s := range v.Stairs {
		length, most = max(length, s.ToMs), max(most, s.Height)
	}
	for _, r := range v.Rows {
		for _, w := range r.Work {
			most = max(most, w)
		}
	}
	p.Right -= 52 // room for the names of the rows
	a := p.axes(length, most, 0, 0)
	for _, s := range v.Stairs {
		if s.Known {
			p.addStep(a, s, "step planned")
		}
	}
	p.branches(a, plan, v)
	for _, d := range v.Dots {
		p.Dots = append(p.Dots, dot{a.x.at(float64(d.AtMs)), p.Bottom + 8, "reading open", say("picture.planned", clock(d.AtMs))})
	}
	return p
}

func (p *picture) addStep(a axes, k core.Step, class string) {
	x, y := a.x.at(float64(k.FromMs)), a.watts.at(k.Height)
	s := step{X: x, Y: y, W: max(a.x.at(float64(k.ToMs))-x, 1), H: max(p.Bottom-y, 1), Class: class, Label: k.Load}
	s.LabelX, s.LabelY = s.X+6, p.Bottom-8
	if p.Unit != "" && k.Load != "" {
		s.Label += thin + p.Unit
	}
	if s.W > letterWidth*float64(len(k.Title)+len(s.Label)+3) {
		s.Label = strings.Trim(k.Title+" · "+s.Label, " ·")
	}
	if s.W < letterWidth*float64(len(s.Label)) {
		s.Label = ""
	}
	p.Steps = append(p.Steps, s)
}

// branches draws one line of stairs for each row, from where the row is chosen.
func (p *picture) branches(a axes, plan *protocol.Protocol, v *core.View) {
	for _, row := range v.Rows {
		var d strings.Builder
		x, y := 0.0, 0.0
		for i, s := range v.Stairs {
			if s.Known || i >= len(plan.Parts) {
				continue
			}
			k := plan.Parts[i].Work.Row
			if k == 0 || k > len(row.Work) {
				continue
			}
			y = a.watts.at(row.Work[k-1])
			command := "L"
			if d.Len() == 0 {
				command = "M"
			}
			x = a.x.at(float64(s.ToMs))
			fmt.Fprintf(&d, "%s%g %gH%g", command, a.x.at(float64(s.FromMs)), y, x)
		}
		if d.Len() > 0 {
			p.Paths = append(p.Paths, branchPath{d.String(), rowRange(v.Rows, row.Row), x + 4, y + 4})
		}
	}
}

// rowRange says for which heart rates a row holds.
func rowRange(rows []core.RowView, n int) string {
	row := rows[n-1]
	switch {
	case n == 1 && row.Below > 0:
		return say("row.below", num(row.Below))
	case row.Below == 0 && n > 1:
		return say("row.from", num(rows[n-2].Below))
	case n > 1:
		return say("row.between", num(rows[n-2].Below), num(row.Below-1))
	}
	return say("row.all")
}

// testPicture draws what happened.
func testPicture(v *core.View, l *conduct.Limits, trace [][2]float64) picture {
	p := emptyPicture()
	p.Title, p.Text, p.Unit = say("picture.test"), say("picture.test.text"), v.Axis
	length, most := int64(0), v.CoolW
	low, high := 80.0, 120.0
	for _, s := range v.Stairs {
		if !s.Planned {
			length, most = max(length, s.ToMs), max(most, s.Height)
		}
	}
	for _, d := range v.Dots {
		if d.Taken {
			low, high, length = min(low, d.V), max(high, d.V), max(length, d.AtMs)
		}
	}
	if l.EndPoint > 0 {
		high = max(high, l.EndPoint+5)
	}
	for _, t := range trace {
		low, high = min(low, t[1]), max(high, t[1])
	}
	a := p.axes(length, most, max(low-5, 20), min(high+5, 260))
	p.endLine(a, l)
	for _, s := range v.Stairs {
		if s.Planned {
			continue
		}
		class := "step ridden"
		if !s.Counts {
			class += " uncounted"
		}
		p.addStep(a, s, class)
	}
	p.readings(a, v)
	p.Trace = tracePoints(a, length, trace)
	return p
}

func (p *picture) readings(a axes, v *core.View) {
	for _, d := range v.Dots {
		switch {
		case !d.Taken:
		case d.Disturbed:
			p.Dots = append(p.Dots, dot{a.x.at(float64(d.AtMs)), a.hr.at(d.V), "reading disturbed", say("picture.disturbed", num(d.V), clock(d.AtMs))})
		default:
			p.Dots = append(p.Dots, dot{a.x.at(float64(d.AtMs)), a.hr.at(d.V), "reading taken", say("picture.taken", num(d.V), clock(d.AtMs))})
		}
	}
}

const traceMost = 600

// tracePoints thins a trace to what the drawing can show.
func tracePoints(a axes, length int64, trace [][2]float64) string {
	var b strings.Builder
	every := len(trace)/traceMost + 1
	for i := 0; i < len(trace); i += every {
		if trace[i][0] > float64(length) {
			break
		}
		fmt.Fprintf(&b, "%g,%g ", a.x.at(trace[i][0]), a.hr.at(trace[i][1]))
	}
	return strings.TrimSpace(b.String())
}
