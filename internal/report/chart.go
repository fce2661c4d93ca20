package report

import (
	"fmt"
	"math"
	"slices"
	"time"

	"gradus/change"
)

// Training is a stretch of training between tests.
type Training struct {
	From, To string // year-month-day
	Sessions int
	Minutes  float64
}

// dayNumber counts days; false for what is no day.
func dayNumber(date string) (float64, bool) {
	t, err := time.Parse(time.DateOnly, date)
	return float64(t.Unix()) / (24 * 60 * 60), err == nil
}

// chartOf draws all tests of one kind with the error of a single test, and the training between them. What tells things
// apart is shape, dash and word.
func chartOf(row *change.Row, pairs []change.Pair, unit string, training []Training) Picture {
	k := chart{unit: unit, w: 440, left: 40, right: 425, top: 20, bottom: 132}
	for _, p := range row.Points {
		if p.Value != nil {
			k.points = append(k.points, p)
		}
	}
	k.withheld = map[string]bool{}
	for _, p := range pairs {
		k.withheld[p.From+"\x00"+p.To] = p.Withheld != ""
	}
	k.training = training
	k.scales()
	k.frame()
	k.draw()
	return Picture{Title: k.title(), Text: k.words(), Drawing: k.Drawing}
}

type chart struct {
	Drawing
	unit                        string
	points                      []change.Point
	training                    []Training
	withheld                    map[string]bool
	w, left, right, top, bottom float64
	low, high, step             float64
	from, to                    float64 // days
	dated, dashed, ring         bool
}

// scales finds the ends of both axes.
func (k *chart) scales() {
	low, high := math.Inf(1), math.Inf(-1)
	k.dated, k.from, k.to = true, math.Inf(1), math.Inf(-1)
	for i := range k.points {
		p := &k.points[i]
		l, h := *p.Value, *p.Value
		if p.Low95 != nil && p.High95 != nil {
			l, h = *p.Low95, *p.High95
		}
		low, high = min(low, l), max(high, h)
		day, ok := dayNumber(p.Date)
		k.dated = k.dated && ok
		k.from, k.to = min(k.from, day), max(k.to, day)
	}
	for _, t := range k.training {
		if from, ok := dayNumber(t.From); ok && k.dated {
			k.from = min(k.from, from)
		}
		if to, ok := dayNumber(t.To); ok && k.dated {
			k.to = max(k.to, to)
		}
	}
	if k.step = 5; high-low > 40 {
		k.step = 5 * math.Pow(10, math.Floor(math.Log10((high-low)/5)))
		for (high-low)/k.step > 8 {
			k.step *= 2
		}
	}
	k.low, k.high = max(0, math.Floor(low/k.step)*k.step), math.Ceil(high/k.step)*k.step
	if k.high == k.low {
		k.high += k.step
	}
	k.bottom += 14 * float64(min(len(k.training), 1))
	k.W, k.H = k.w, k.bottom+30
	if k.to <= k.from {
		k.to = k.from + 1
	}
}

func (k *chart) y(v float64) float64 {
	floor := k.bottom - 4 - 14*float64(min(len(k.training), 1))
	return round(floor - (floor-k.top)*(v-k.low)/(k.high-k.low))
}

func (k *chart) xOfDay(day float64) float64 {
	return round(k.left + 30 + (k.right-k.left-62)*(day-k.from)/(k.to-k.from))
}

// x is the place of the i-th point: by its day, or in order where days are missing.
func (k *chart) x(i int) float64 {
	if !k.dated {
		return round(k.left + 30 + (k.right-k.left-62)*float64(i)/float64(max(len(k.points)-1, 1)))
	}
	day, _ := dayNumber(k.points[i].Date)
	return k.xOfDay(day)
}

func (k *chart) frame() {
	for v := k.low; v <= k.high+k.step/2; v += k.step {
		k.line(k.left-3, k.y(v), k.left, k.y(v), 0.6, false)
		k.text9(k.left-6, k.y(v)+3, "end", num(v))
	}
	k.line(k.left, k.top, k.left, k.bottom, 0.6, false)
	k.line(k.left, k.bottom, k.right, k.bottom, 1, false)
	k.text9(2, k.top-9, "start", k.unit)
	if !k.dated {
		return
	}
	for i, t := range k.training {
		from, ok1 := dayNumber(t.From)
		to, ok2 := dayNumber(t.To)
		if !ok1 || !ok2 {
			continue
		}
		a, b := k.xOfDay(from), max(k.xOfDay(to), k.xOfDay(from)+3)
		k.box(a, k.bottom-12, b, k.bottom-1, 0.22, 0.8)
		if name := fmt.Sprintf("T%d", i+1); b-a > 12 {
			k.text9((a+b)/2, k.bottom-3, "middle", name)
		}
	}
}

func (k *chart) text9(x, y float64, align, text string) { k.Drawing.text(x, y, 9, align, text) }

// draw sets the points with their bars, joined by a line: dashed where two tests have no verdict.
func (k *chart) draw() {
	for i := 1; i < len(k.points); i++ {
		none := k.withheld[k.points[i-1].Test+"\x00"+k.points[i].Test]
		k.dashed = k.dashed || none
		k.line(k.x(i-1), k.y(*k.points[i-1].Value), k.x(i), k.y(*k.points[i].Value), 0.5, none)
	}
	labelled, valued := math.Inf(-1), math.Inf(-1)
	for i := range k.points {
		p := &k.points[i]
		x, y := k.x(i), k.y(*p.Value)
		if p.Low95 != nil && p.High95 != nil {
			low, high := k.y(max(*p.Low95, k.low)), k.y(*p.High95)
			k.line(x, low, x, high, 1, false)
			k.line(x-4, low, x+4, low, 1, false)
			k.line(x-4, high, x+4, high, 1, false)
		}
		k.dot(x, y, 3.5, p.Usable)
		switch last := i == len(k.points)-1; {
		case x-valued >= 26: // else it stands in the table
			above := *p.Value
			if p.High95 != nil {
				above = *p.High95
			}
			k.text9(x, k.y(above)-4, "middle", fixed(*p.Value, 1))
			valued = x
		case last:
			k.text9(x+7, y+3, "start", fixed(*p.Value, 1))
		}
		k.ring = k.ring || !p.Usable
		below := 13.0
		switch near := x-labelled < 58; {
		case near && i < len(k.points)-1:
			continue // its day stands in the table
		case near:
			below = 24
		}
		labelled = x
		k.text9(x, k.bottom+below, "middle", or(p.Date, p.Test))
	}
}

func (k *chart) title() string {
	text := "Tests over time with the error of a single test (bars: 95 %"
	if !slices.ContainsFunc(k.points, func(p change.Point) bool { return p.Low95 != nil }) {
		text = "Tests over time (their errors stand in the table" // one test has no error against others
	}
	if k.ring {
		text += "; ring: not usable"
	}
	if k.dashed {
		text += "; dashed: no verdict on the change"
	}
	if len(k.training) > 0 {
		text += "; grey: training"
	}
	return text + ")"
}

func (k *chart) words() string {
	text := counted(len(k.points), "test", "tests")
	if n := len(k.training); n > 0 {
		text += "; " + counted(n, "period", "periods") + " of training"
	}
	return text + "; the values stand in the table."
}

func counted(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
