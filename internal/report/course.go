package report

import (
	"fmt"
	"slices"
	"strings"

	"gradus/change"
	"gradus/estimate"
	"gradus/internal/sheet"
)

// Course is all tests of one person over time, with the training between them. Tests of different protocols are not compared.
type Course struct {
	Participant string
	Program     string
	Trail       string // end of the audit trail of the record; "" without a record
	Invented    bool
	Lines       []CourseLine // by protocol, the one tested last first
	Training    []Training
}

// CourseLine is the tests of one protocol.
type CourseLine struct {
	Protocol string // its title
	Unit     string
	History  change.History
	tests    map[string]*sheet.Scored
}

// CourseOf sorts scored tests without faults of one person by protocol and compares each with the next one.
func CourseOf(tests []*sheet.Scored, meaningful change.Choice) (Course, error) {
	var c Course
	visits := map[string][]*change.Test{}
	lines := map[string]*CourseLine{}
	var order []string
	equations := map[string]*estimate.Estimator{}
	for _, t := range tests {
		if len(t.Faults) > 0 {
			continue
		}
		c.Participant = t.Person.Participant
		id := t.Protocol.ID
		if lines[id] == nil {
			lines[id] = &CourseLine{Protocol: t.Protocol.Title, tests: map[string]*sheet.Scored{}}
			order = append(order, id)
		}
		v := t.Visit()
		visits[id] = append(visits[id], v)
		lines[id].tests[v.ID] = t
		if t.Estimator != nil {
			equations[t.Estimator.ID] = t.Estimator
		}
	}
	for _, id := range order {
		h, err := change.Series(visits[id], func(id string) *estimate.Estimator { return equations[id] }, meaningful)
		if err != nil {
			return c, err
		}
		line := lines[id]
		line.History, line.Unit = h, or(visits[id][len(visits[id])-1].Unit, "mL/kg/min")
		c.Lines = append(c.Lines, *line)
	}
	slices.SortStableFunc(c.Lines, func(a, b CourseLine) int { return -strings.Compare(a.last(), b.last()) })
	return c, nil
}

// last is the day of the newest test.
func (l *CourseLine) last() string {
	points := l.History.Row.Points
	return points[len(points)-1].Date
}

// Day is the day of the newest test of all.
func (c *Course) Day() (day string) {
	for i := range c.Lines {
		day = max(day, c.Lines[i].last())
	}
	return day
}

// Tests are the ids of all tests.
func (c *Course) Tests() (ids []string) {
	for i := range c.Lines {
		for _, p := range c.Lines[i].History.Row.Points {
			ids = append(ids, p.Test)
		}
	}
	return ids
}

// Paper is the person's tests over time: a picture, every comparison with its three answers, and what stands behind them.
func (c *Course) Paper() *Document {
	d := &Document{Title: "Over time", Who: or(c.Participant, "participant not named"), Standing: "Made from the tests as they stand; the report of each test says whether it is signed.", Day: c.Day(), Foot: c.foot()}
	d.Blocks = c.Blocks()
	return d
}

func (c *Course) foot() string {
	text := "Gradus"
	if c.Invented {
		text = "Invented person, for practice only. Gradus"
	}
	if c.Program != "" {
		text += " " + c.Program
	}
	return text + ". It informs; the clinician decides. Not certified as a medical device." + anchored(c.Trail)
}

// Blocks are what the paper says.
func (c *Course) Blocks() (out []Block) {
	if len(c.Lines) == 0 {
		return []Block{Para{Lead: true, Text: "No test of this person is closed."}}
	}
	for i := range c.Lines {
		line := &c.Lines[i]
		if len(c.Lines) > 1 {
			out = append(out, Heading(line.Protocol))
		}
		out = append(out, line.blocks(c.Training)...)
	}
	if len(c.Lines) > 1 {
		out = append(out, Para{Small: true, Text: "Tests of different protocols measure different things; they are not compared with one another."})
	}
	return append(out, trainingTable(c.Training)...)
}

func trainingTable(all []Training) []Block {
	if len(all) == 0 {
		return []Block{Para{Small: true, Text: "No training is typed in between the tests."}}
	}
	t := Table{Caption: "Training, from the sessions that were typed in (a break of more than two weeks ends a period: our own choice)", Head: []string{"", "From", "To", "Sessions", "Minutes"}, Widths: []float64{0.6, 1.4, 1.4, 1, 1}}
	for i, x := range all {
		t.Rows = append(t.Rows, []string{fmt.Sprintf("T%d", i+1), x.From, x.To, fmt.Sprint(x.Sessions), fixed(x.Minutes, 0)})
	}
	return []Block{t}
}

func (l *CourseLine) blocks(training []Training) (out []Block) {
	add := func(b ...Block) { out = append(out, b...) }
	h := &l.History
	add(Para{Lead: true, Text: l.lead()})
	if slices.ContainsFunc(h.Row.Points, func(p change.Point) bool { return p.Value != nil }) {
		add(chartOf(&h.Row, h.Pairs, l.Unit, training))
	}
	add(l.table())
	if s := h.Row.Slope; s != nil {
		add(Para{Label: "Over all tests:", Text: fmt.Sprintf("%s %s a week (95 %% range %s to %s), from the error of a single test.", signed(s.PerWeek, 2), l.Unit, signed(s.Low95, 2), signed(s.High95, 2))})
	}
	if h.Overall != nil {
		add(Heading(pairTitle(h.Overall, "First to last: ")))
		add(pairBlocks(h.Overall)...)
	}
	for i := len(h.Pairs) - 1; i >= 0; i-- {
		add(Heading(pairTitle(&h.Pairs[i], "")))
		add(pairBlocks(&h.Pairs[i])...)
	}
	return out
}

// lead answers first what is asked first: has it changed since the test before, and since the first one?
func (l *CourseLine) lead() string {
	h := &l.History
	if len(h.Pairs) == 0 {
		return "One test so far; a comparison needs two."
	}
	text := "Since the test before: " + lowerFirst(pairAnswer(&h.Pairs[len(h.Pairs)-1]))
	if h.Overall != nil {
		text += " Since the first test: " + lowerFirst(pairAnswer(h.Overall))
	}
	return text
}

func lowerFirst(text string) string {
	if text == "" {
		return ""
	}
	return string(text[0]|0x20) + text[1:]
}

func pairTitle(p *change.Pair, before string) string {
	text := before + or(p.FromDate, p.From) + " to " + or(p.ToDate, p.To)
	switch {
	case p.Days == nil:
	case *p.Days == 1:
		text += ", 1 day apart"
	default:
		text += fmt.Sprintf(", %d days apart", *p.Days)
	}
	return text
}

func pairBlocks(p *change.Pair) (out []Block) {
	switch {
	case p.Withheld == "":
		out = append(out, statements(p))
	default:
		box := Box{Title: "No verdict on the change"}
		for _, r := range p.Reasons {
			box.Lines = append(box.Lines, Pair{"Because", sentence(r.Text)})
		}
		if p.Difference != nil {
			box.Lines = append(box.Lines, Pair{"The two numbers", fmt.Sprintf("differ by %s %s; what of it is a change cannot be told.", signed(*p.Difference, 1), p.Unit)})
		}
		out = append(out, box)
	}
	if x := p.LPerMin; x != nil && p.Difference != nil {
		half := "error not known"
		if p.Error.MDC95 != nil {
			half = fmt.Sprintf("beyond error from about %s L/min at this mass", fixed(*p.Error.MDC95*x.To/(*p.ToValue), 2))
		}
		out = append(out, Para{Label: "Not divided by mass:", Text: fmt.Sprintf("%s, then %s L/min (%s; %s).", fixed(x.From, 2), fixed(x.To, 2), signed(x.Difference, 2), half)})
	}
	return append(out, evidence(p)...)
}

// table has every test with both of its errors: as a value of fitness, and against this person's other tests.
func (l *CourseLine) table() Table {
	t := Table{Caption: "All tests", Head: []string{"Day", valueHead(l.Unit), "95 % range", "Against own tests", "Mass", "Verdict"}, Widths: []float64{1.3, 1.4, 1.9, 1.6, 0.9, 1.9}}
	for _, p := range l.History.Row.Points {
		row := []string{or(p.Date, p.Test), "none", "", "", "", ""}
		one := l.tests[p.Test]
		row[5] = one.Judged.Verdict
		if p.MassKg > 0 {
			row[4] = num(p.MassKg) + " kg"
		}
		if p.Value != nil {
			row[1] = fixed(*p.Value, 1)
			row[2] = "not known"
			if r := one.Judged.Estimate; r != nil && r.Value.Present() && r.NoError == "" {
				row[2] = strings.TrimPrefix(rangeText(r), "95 % range ")
			}
			row[3] = "not known"
			if p.Low95 != nil && p.High95 != nil {
				row[3] = span(*p.Low95, *p.High95, 1)
			}
		} else if one.Judged.NoEstimate != "" {
			row[2] = one.Judged.NoEstimate
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}
