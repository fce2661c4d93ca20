package report

import (
	"errors"
	"fmt"
	"math"

	"gradus/change"
)

// pair is the newest comparison: this test with the one before.
func (c *Case) pair() *change.Pair {
	if c.History == nil || len(c.History.Pairs) == 0 {
		return nil
	}
	for i := range c.History.Pairs {
		if c.History.Pairs[i].To == c.Test {
			return &c.History.Pairs[i]
		}
	}
	return nil
}

// changeAnswer answers "has the fitness changed?" in one sentence; "" when nothing can be compared.
func (c *Case) changeAnswer() string {
	p := c.pair()
	switch {
	case p == nil:
		return ""
	case p.Withheld != "":
		return sentence("Whether fitness has changed cannot be said: " + p.Withheld)
	}
	direction := "no change beyond the error of the test"
	switch {
	case *p.Beyond && *p.Difference > 0:
		direction = "fitness has risen beyond the error of the test"
	case *p.Beyond:
		direction = "fitness has fallen beyond the error of the test"
	}
	return sentence(fmt.Sprintf("%s: %s mL/kg/min (95 %% range %s to %s) since %s; %s", direction, signed(*p.Difference, 1), signed(*p.Low95, 1), signed(*p.High95, 1), or(p.FromDate, p.From), matterText(&p.Matter)))
}

func matterText(m *change.Matter) string {
	switch {
	case m.Threshold == nil || m.Verdict == change.Withheld:
		return "whether it is large enough to matter is not said"
	case m.Verdict == change.LargeEnough:
		return fmt.Sprintf("large enough to matter (line %s mL/kg/min: %s)", fixed(*m.Threshold, 1), m.Text)
	}
	return fmt.Sprintf("not large enough to matter (line %s mL/kg/min: %s)", fixed(*m.Threshold, 1), m.Text)
}

func (c *Case) changeText() string {
	if c.Asks == AskChange {
		return "" // it stands in the first sentence
	}
	return c.changeAnswer()
}

var errNoEarlier = errors.New("there is no earlier test of this person to compare with; a comparison needs two")

// Comparison sets this test beside the one before, and all tests in a picture.
func (c *Case) Comparison() (*Document, error) {
	p := c.pair()
	if p == nil {
		return nil, errNoEarlier
	}
	d := &Document{Title: "Did it change?", Who: c.who(), Standing: c.Signing.Text(), Foot: c.versions(), OnePage: true, Day: c.Date}
	add := func(b ...Block) { d.Blocks = append(d.Blocks, b...) }
	add(Para{Lead: true, Text: c.changeAnswer()})
	if p.Difference != nil {
		add(c.estimates(p))
	}
	if p.Withheld == "" {
		add(Box{Title: "Three questions, kept apart", Lines: []Pair{
			{"Beyond error?", sentence(fmt.Sprintf("%s: %s mL/kg/min, 95 %% range %s to %s; %s or more is beyond error", yes(*p.Beyond), signed(*p.Difference, 1), signed(*p.Low95, 1), signed(*p.High95, 1), fixed(*p.Error.MDC95, 2)))},
			{"Large enough to matter?", sentence(matterText(&p.Matter))},
			{"How sure?", sentence(sureText(p))},
		}})
	}
	if len(c.History.Row.Points) > 1 && c.History.Row.SEM > 0 {
		add(c.timeLine())
	}
	if parts := partsOf(p); len(parts) > 0 {
		add(Table{Caption: "Where the difference comes from (exact parts of the two estimates; the error is that of the whole)", Head: []string{"Part", "mL/kg/min"}, Widths: []float64{3, 1}, Rows: parts})
	}
	if len(p.Direct) > 0 {
		t := Table{Caption: "Signs that need no equation", Head: []string{"Sign", "Before", "Now", "Difference", "Beyond its error?"}, Widths: []float64{3, 1, 1, 1.4, 2.4}}
		for _, s := range p.Direct {
			t.Rows = append(t.Rows, []string{upper(s.What), unit(num(math.Round(s.From*10)/10), s.Unit), unit(num(math.Round(s.To*10)/10), s.Unit), signed(math.Round(s.Difference*10)/10, decimalsOf(s.Difference)), beyondText(&s)})
		}
		add(t)
	}
	if len(p.Moved) > 0 {
		t := Table{Caption: "What else differs", Head: []string{"What", "Before", "Now"}, Widths: []float64{2, 2, 2}}
		for _, m := range p.Moved {
			t.Rows = append(t.Rows, []string{upper(m.What), m.From, m.To})
		}
		add(t)
	}
	var cautions []string
	for _, x := range p.Cautions {
		cautions = append(cautions, sentence(x.Text))
	}
	if len(cautions) > 0 {
		add(Heading("Cautions"), List{Items: cautions})
	}
	if p.Error.Population != "" {
		add(Para{Small: true, Label: "Error.", Text: fmt.Sprintf("That of a repeated test in %s, n = %d, measured over %s. %s", p.Error.Population, p.Error.N, p.Error.Over, p.Error.Source)})
	}
	return d, nil
}

func decimalsOf(v float64) int {
	if v == math.Trunc(v) {
		return 0
	}
	return 1
}

func unit(value, unit string) string {
	if unit == "" {
		return value
	}
	return value + " " + unit
}

func yes(is bool) string {
	if is {
		return "yes"
	}
	return "no"
}

func sureText(p *change.Pair) string {
	text := "the chance that the true change is above zero is " + percent(*p.Rise)
	if p.Matter.Threshold != nil && p.Matter.Above != nil {
		text += fmt.Sprintf(", above %s mL/kg/min %s", signed(*p.Matter.Threshold, 1), percent(*p.Matter.Above))
	}
	return text + " (" + or(p.Prior, "flat prior") + ")"
}

func beyondText(s *change.Direct) string {
	switch {
	case s.Error95 == nil:
		return "error not known"
	case s.Beyond != nil && *s.Beyond:
		return "yes, beyond " + fixed(*s.Error95, 0)
	}
	return "no, within " + fixed(*s.Error95, 0)
}

// estimates are the two values with the range of a single test, which is for comparing one person's tests only.
func (c *Case) estimates(p *change.Pair) Table {
	t := Table{Head: []string{"Test", "Day", "VO2peak, mL/kg/min", "Range of a single test"}, Widths: []float64{1.2, 1.2, 1.6, 2.4}}
	for _, point := range c.History.Row.Points {
		if point.Test != p.From && point.Test != p.To || point.Value == nil {
			continue
		}
		text := "error not known"
		if point.Low95 != nil && point.High95 != nil {
			text = span(*point.Low95, *point.High95, 1) + " (this person's tests among themselves)"
		}
		t.Rows = append(t.Rows, []string{point.Test, point.Date, fixed(*point.Value, 1), text})
	}
	return t
}

func partsOf(p *change.Pair) (rows [][]string) {
	if p.Difference == nil {
		return nil
	}
	for _, n := range []struct{ id, text string }{{"mass", "Body mass"}, {"age", "Age"}, {"work_and_heart_rate", "Work rate and heart rate"}, {"sex", "Sex"}, {"other", "Other inputs"}} {
		if v, ok := p.Parts[n.id]; ok {
			rows = append(rows, []string{n.text, signed(v, 1)})
		}
	}
	if len(rows) == 0 {
		return nil
	}
	return append(rows, []string{"Together", signed(*p.Difference, 1)})
}

// timeLine draws all tests with the error bar of a single test.
func (c *Case) timeLine() Picture {
	const w, h, left, right, top, bottom = 420.0, 150.0, 30.0, 405.0, 18.0, 112.0
	d := Drawing{W: w, H: h}
	points := c.History.Row.Points
	low, high := math.Inf(1), math.Inf(-1)
	last, days := 1.0, true
	for _, p := range points {
		if p.Value == nil || p.Low95 == nil || p.High95 == nil {
			continue
		}
		low, high = min(low, *p.Low95), max(high, *p.High95)
		if p.Day == nil {
			days = false
		} else {
			last = max(last, float64(*p.Day))
		}
	}
	if math.IsInf(low, 0) {
		low, high = 0, 10
	}
	low, high = math.Floor(low/5)*5, math.Ceil(high/5)*5
	y := func(v float64) float64 { return round(bottom - (bottom-top)*(v-low)/(high-low)) }
	for v := low; v <= high; v += 5 {
		d.line(left-3, y(v), left, y(v), 0.6, false)
		if math.Mod(v, 10) == 0 || high-low <= 25 {
			d.text(left-6, y(v)+3, 9, "end", num(v))
		}
	}
	d.line(left, top, left, bottom, 0.6, false)
	d.line(left, bottom, right, bottom, 1, false)
	d.text(4, top-7, 9, "start", "mL/kg/min")
	n := 0
	for i, p := range points {
		if p.Value == nil || p.Low95 == nil || p.High95 == nil {
			continue
		}
		share := float64(i) / float64(max(len(points)-1, 1))
		if days {
			share = float64(*p.Day) / last
		}
		x := round(left + 40 + (right-left-80)*share)
		d.line(x, y(*p.Low95), x, y(*p.High95), 1, false)
		d.line(x-4, y(*p.Low95), x+4, y(*p.Low95), 1, false)
		d.line(x-4, y(*p.High95), x+4, y(*p.High95), 1, false)
		d.dot(x, y(*p.Value), 3.5, p.Usable)
		d.text(x, bottom+13, 9, "middle", or(p.Date, p.Test))
		d.text(x+7, y(*p.Value)+3, 9, "start", fixed(*p.Value, 1))
		n++
	}
	return Picture{Title: "Tests with the error of a single test (ring: not usable)", Text: fmt.Sprintf("%d tests; the values stand in the table.", n), Drawing: d}
}
