package report

import (
	"fmt"
	"math"
	"strconv"

	"gradus/internal/web/core"
)

// stairs draws a test: loads as steps, heart rates as dots on a scale of their own, the planned end as a dashed line.
func (c *Case) stairs(plain bool) Picture {
	v := c.View()
	const w, left, right, top = 360.0, 34.0, 326.0, 22.0
	bottom := 162.0
	if plain {
		bottom = 120
	}
	h := bottom + 28
	d := Drawing{W: w, H: h}
	length, most := 60000.0, 1.0
	low, high := 80.0, 120.0
	for _, s := range v.Stairs {
		if !s.Planned {
			length, most = max(length, float64(s.ToMs)), max(most, s.Work)
		}
	}
	n := 0
	for _, dot := range v.Dots {
		if dot.Taken {
			low, high, length = min(low, dot.V), max(high, dot.V), max(length, float64(dot.AtMs))
			n++
		}
	}
	end := c.State.Limits.EndPoint
	if end > 0 {
		high = max(high, end)
	}
	low, high = math.Floor((low-5)/10)*10, math.Ceil((high+5)/10)*10
	length = math.Ceil(length/60000) * 60000
	x := func(ms int64) float64 { return round(left + (right-left)*float64(ms)/length) }
	yWork := func(work float64) float64 { return round(bottom - (bottom-top)*0.72*work/most) }
	yHR := func(hr float64) float64 { return round(bottom - (bottom-top)*(hr-low)/(high-low)) }

	unit := c.unit()
	for _, s := range v.Stairs {
		if s.Planned || s.ToMs <= s.FromMs {
			continue
		}
		grey := 0.16
		if !s.Counts {
			grey = 0
		}
		y := yWork(s.Work)
		d.box(x(s.FromMs), y, x(s.ToMs), bottom, grey, 0.8)
		if s.Work > 0 && x(s.ToMs)-x(s.FromMs) > 18 {
			d.text((x(s.FromMs)+x(s.ToMs))/2, bottom-4, 9, "middle", num(round(s.Work)))
		}
	}
	d.line(left, bottom, right, bottom, 1, false)
	d.line(left, top, left, bottom, 0.6, false)
	d.line(right, top, right, bottom, 0.6, false)
	every := int(math.Ceil(length / 60000 / 12))
	for minute := 0; float64(minute) <= length/60000; minute += every {
		at := x(int64(minute) * 60000)
		d.line(at, bottom, at, bottom+3, 0.6, false)
		d.text(at, bottom+13, 9, "middle", strconv.Itoa(minute))
	}
	d.text((left+right)/2, bottom+25, 9, "middle", "minute")
	if unit != "" {
		d.text(left-4, yWork(most)+3, 9, "end", num(round(most)))
		d.text(left-4, bottom+3, 9, "end", "0")
		d.text(4, 9, 9, "start", unit+" (steps)")
	}
	step := 20.0
	if high-low > 120 {
		step = 40
	}
	for hr := math.Ceil(low/step) * step; hr <= high; hr += step {
		d.line(right, yHR(hr), right+3, yHR(hr), 0.6, false)
		d.text(right+6, yHR(hr)+3, 9, "start", num(hr))
	}
	d.text(w-2, 9, 9, "end", "beats/min (dots)")
	if end > 0 && !plain {
		d.line(left, yHR(end), right, yHR(end), 0.8, true)
		d.text(left+4, yHR(end)-3, 9, "start", fmt.Sprintf("planned end %d", c.State.Limits.EndBeat))
	}
	var before *core.ReadingDot
	for i := range v.Dots {
		dot := &v.Dots[i]
		if !dot.Taken {
			continue
		}
		if before != nil && !dot.Disturbed {
			d.line(x(before.AtMs), yHR(before.V), x(dot.AtMs), yHR(dot.V), 0.5, false)
		}
		if !dot.Disturbed {
			before = dot
		}
	}
	for _, dot := range v.Dots {
		if dot.Taken {
			d.dot(x(dot.AtMs), yHR(dot.V), 3, !dot.Disturbed)
		}
	}
	text := fmt.Sprintf("%d stages up to %s %s over %s min; %d heart rates", int(c.State.NStages), num(round(most)), unit, num(length/60000), n)
	if end > 0 && !plain {
		text += fmt.Sprintf("; planned end at %d /min", c.State.Limits.EndBeat)
	}
	title := "The test: loads and heart rate"
	if plain {
		text = fmt.Sprintf("%d steps; at each one the load rose, and the heart beat faster", int(c.State.NStages))
		title = "Your test: each step was harder, and your heart beat faster"
		if !c.rises() {
			text, title = "the dots show how fast your heart beat", "Your test, and how fast your heart beat"
		}
	} else {
		title += " (grey: counts; ring: disturbed)"
		text += "; the table of minutes holds the numbers"
	}
	return Picture{Title: title, Text: text + ".", Drawing: d}
}

// rises reports whether each stage was harder than the one before.
func (c *Case) rises() bool {
	stages := c.State.Stages[:c.State.NStages]
	for i := 1; i < len(stages); i++ {
		if stages[i].Set <= stages[i-1].Set && stages[i].Set2 <= stages[i-1].Set2 {
			return false
		}
	}
	return len(stages) > 1
}

func round(v float64) float64 { return math.Round(v*100) / 100 }
