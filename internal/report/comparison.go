package report

import (
	"errors"
	"fmt"
	"math"
	"strings"

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
	if p := c.pair(); p != nil {
		return pairAnswer(p)
	}
	return ""
}

// pairAnswer is the verdict on a comparison, or why there is none.
func pairAnswer(p *change.Pair) string {
	if p.Withheld != "" {
		return sentence("Whether fitness has changed cannot be said: " + p.Withheld)
	}
	return verdictText(p)
}

// verdictText is a comparison with a verdict in one sentence.
func verdictText(p *change.Pair) string {
	what := "fitness"
	if p.Unit == change.Metres {
		what = "the distance"
	}
	direction := "no change beyond the error of the test"
	switch {
	case *p.Beyond && *p.Difference > 0:
		direction = what + " has risen beyond the error of the test"
	case *p.Beyond:
		direction = what + " has fallen beyond the error of the test"
	}
	return sentence(fmt.Sprintf("%s: %s %s (95 %% range %s to %s) since %s; %s", direction, signed(*p.Difference, 1), p.Unit, signed(*p.Low95, 1), signed(*p.High95, 1), or(p.FromDate, p.From), matterText(&p.Matter, p.Unit)))
}

func matterText(m *change.Matter, unit string) string {
	switch {
	case m.Threshold == nil || m.Verdict == change.Withheld:
		return "whether it is large enough to matter is not said"
	case m.Verdict == change.LargeEnough:
		return fmt.Sprintf("large enough to matter (line %s %s: %s)", fixed(*m.Threshold, 1), unit, m.Text)
	}
	return fmt.Sprintf("not large enough to matter (line %s %s: %s)", fixed(*m.Threshold, 1), unit, m.Text)
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
		add(statements(p))
	}
	if len(c.History.Row.Points) > 1 && c.History.Row.SEM > 0 {
		add(chartOf(&c.History.Row, c.History.Pairs, p.Unit, nil))
	}
	add(evidence(p)...)
	return d, nil
}

// statements are the three answers about a change, which are never made into one.
func statements(p *change.Pair) Box {
	return Box{Title: "Three questions, kept apart", Lines: []Pair{
		{"Beyond error?", sentence(fmt.Sprintf("%s: %s %s, 95 %% range %s to %s; %s or more is beyond error", yes(*p.Beyond), signed(*p.Difference, 1), p.Unit, signed(*p.Low95, 1), signed(*p.High95, 1), fixed(*p.Error.MDC95, 2)))},
		{"Large enough to matter?", sentence(matterText(&p.Matter, p.Unit))},
		{"How sure?", sentence(sureText(p))},
	}}
}

// evidence is what stands behind the answers: parts, signs without an equation, what else differs, cautions and the error's source.
func evidence(p *change.Pair) (out []Block) {
	add := func(b ...Block) { out = append(out, b...) }
	if parts := partsOf(p); len(parts) > 0 {
		add(Table{Caption: "Where the difference comes from (exact parts of the two estimates; the error is that of the whole)", Head: []string{"Part", p.Unit}, Widths: []float64{3, 1}, Rows: parts})
	}
	if len(p.Direct) > 0 {
		t := Table{Caption: "Signs that need no equation", Head: []string{"Sign", "Before", "Now", "Difference", "Beyond its error?"}, Widths: []float64{3, 1, 1, 1.4, 2.4}}
		for _, s := range p.Direct {
			t.add([]string{upper(s.What), unit(num(math.Round(s.From*10)/10), s.Unit), unit(num(math.Round(s.To*10)/10), s.Unit), signed(math.Round(s.Difference*10)/10, decimalsOf(s.Difference)), beyondText(&s)},
				"", "", "", "", strings.TrimSpace(sentence(s.Note)+" "+s.Source))
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
	if text := errorText(p); text != "" {
		add(Para{Small: true, Label: "Error.", Text: text})
	}
	return out
}

func errorText(p *change.Pair) string {
	switch {
	case p.Error.Population == "":
		return ""
	case p.Error.N == 0:
		return fmt.Sprintf("That of a repeated test in %s. %s", p.Error.Population, p.Error.Source)
	}
	return fmt.Sprintf("That of a repeated test in %s, n = %d, measured over %s. %s", p.Error.Population, p.Error.N, p.Error.Over, p.Error.Source)
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
		text += fmt.Sprintf(", above %s %s %s", signed(*p.Matter.Threshold, 1), p.Unit, percent(*p.Matter.Above))
	}
	return text + " (" + or(p.Prior, "flat prior") + ")"
}

func beyondText(s *change.Direct) string {
	switch {
	case s.Error95 == nil:
		return "error not known"
	case s.Beyond != nil && *s.Beyond:
		return "yes, beyond " + fixed(*s.Error95, 0) + fromMemory(s.How)
	}
	return "no, within " + fixed(*s.Error95, 0) + fromMemory(s.How)
}

func fromMemory(how string) string {
	if how == "memory" {
		return " (from memory)"
	}
	return ""
}

// estimates are the two values with the range of a single test, which is for comparing one person's tests only.
func (c *Case) estimates(p *change.Pair) Table {
	t := Table{Head: []string{"Test", "Day", valueHead(p.Unit), "Range of a single test"}, Widths: []float64{1.2, 1.2, 1.6, 2.4}}
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

func valueHead(unit string) string {
	if unit == change.Metres {
		return "Distance, m"
	}
	return "VO2peak, " + unit
}
