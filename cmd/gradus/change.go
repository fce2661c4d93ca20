package main

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"gradus/change"
	"gradus/estimate"
	"gradus/internal/sheet"
)

type changeCmd struct {
	Files []string `arg:"" name:"file" placeholder:"FILE.csv" help:"Data sheets in which people have two or more tests, as for 'gradus score'."`

	Meaningful string `name:"meaningful" placeholder:"X" help:"The change that matters: a number of mL/kg/min, or one-met, six-percent, one-ml, fifth-of-spread (one-met); for walks metres, such as 30m (the published one for the condition)."`
	JSON       bool   `name:"json" help:"Print one JSON document."`
	Today      string `name:"today" placeholder:"DATE" help:"The day that counts as today (year-month-day); later dates are refused."`
}

// changes is what became of the people of some sheets.
type changes struct {
	Pairs   []change.Pair `json:"pairs"`   // each test with the next one of the same person
	Overall []change.Pair `json:"overall"` // the first with the last, of people with more than two
	Series  []change.Row  `json:"series"`  // all tests of a person, for a chart
}

// Run compares the tests of each participant. Notices and faults go to stderr; other people are compared all
// the same.
func (c *changeCmd) Run(e *env) error {
	choice := change.Choice{ID: c.Meaningful}
	if v, err := strconv.ParseFloat(strings.TrimSuffix(c.Meaningful, "m"), 64); err == nil && strings.HasSuffix(c.Meaningful, "m") {
		if !(v > 0 && v <= 1000) {
			return usageError{fmt.Sprintf("--meaningful %s is not above 0 and at most 1000 m", c.Meaningful)}
		}
		choice = change.Choice{Metres: v}
	} else if v, err := strconv.ParseFloat(c.Meaningful, 64); err == nil {
		if !(v > 0 && v <= 50) {
			return usageError{fmt.Sprintf("--meaningful %s is not above 0 and at most 50 mL/kg/min", c.Meaningful)}
		}
		choice = change.Choice{Threshold: v}
	}
	today := e.today()
	if c.Today != "" {
		var err error
		if today, err = time.Parse("2006-01-02", c.Today); err != nil {
			return usageError{fmt.Sprintf("--today %q is not a date written year-month-day, such as 2026-03-02", c.Today)}
		}
	}
	sheets, unread := readSheets(e.err, c.Files)
	scores := sheet.Score(sheets, today, planReader(false, ""))
	complain(e.err, scores, "")
	found, err := compareAll(e.err, scores, choice)
	if err != nil {
		return usageError{err.Error()}
	}
	if c.JSON {
		err = writeJSON(e.out, found)
	} else {
		err = writeChanges(e.out, found)
	}
	if err == nil && (unread || scores.Failed()) {
		return errReported
	}
	return err
}

// compareAll groups the tests by participant, in the order the participants first appear.
func compareAll(errw io.Writer, scores *sheet.Scores, choice change.Choice) (*changes, error) {
	found := &changes{Pairs: []change.Pair{}, Overall: []change.Pair{}, Series: []change.Row{}}
	equations := map[string]*estimate.Estimator{}
	people := map[string][]*change.Test{}
	var order []string
	for _, t := range scores.Tests {
		if len(t.Faults) > 0 {
			continue
		}
		v := t.Visit()
		if t.Estimator != nil {
			equations[t.Estimator.ID] = t.Estimator
		}
		if v.Participant == "" {
			fmt.Fprintf(errw, "notice: %s: test %s names no participant; it is compared with nothing\n", t.File, t.ID)
			continue
		}
		if !slices.Contains(order, v.Participant) {
			order = append(order, v.Participant)
		}
		people[v.Participant] = append(people[v.Participant], v)
	}
	for _, name := range order {
		if len(people[name]) < 2 {
			fmt.Fprintf(errw, "notice: participant %s has one test only; there is nothing to compare\n", name)
			continue
		}
		h, err := change.Series(people[name], func(id string) *estimate.Estimator { return equations[id] }, choice)
		if err != nil {
			return nil, err
		}
		found.Pairs = append(found.Pairs, h.Pairs...)
		if h.Overall != nil {
			found.Overall = append(found.Overall, *h.Overall)
		}
		found.Series = append(found.Series, h.Row)
	}
	return found, nil
}

// writeChanges prints the comparisons so that they can be read aloud.
func writeChanges(out io.Writer, found *changes) error {
	t := &telling{}
	if len(found.Pairs) == 0 {
		t.say("", "Nobody has two tests to compare.")
	}
	for i := range found.Series {
		if i > 0 {
			t.rule()
		}
		row := &found.Series[i]
		first := true
		for k := range found.Pairs {
			if found.Pairs[k].Participant != row.Participant {
				continue
			}
			if !first {
				t.gap()
			}
			first = false
			tellPair(t, &found.Pairs[k], "")
		}
		for k := range found.Overall {
			if found.Overall[k].Participant == row.Participant {
				t.gap()
				tellPair(t, &found.Overall[k], "first to last, ")
			}
		}
		if s := row.Slope; s != nil {
			t.gap()
			t.say("", "Over all %d tests: %s %s a week (95 %% range %s to %s).", len(row.Points), signed(s.PerWeek, 2), unitOf(found, row.Participant), signed(s.Low95, 2), signed(s.High95, 2))
		}
	}
	return t.to(out)
}

func tellPair(t *telling, p *change.Pair, what string) {
	t.say("", "%s: %s%s to %s%s.", p.Participant, what, named(p.From, p.FromDate), named(p.To, p.ToDate), apart(p.Days))
	if p.Difference != nil {
		what := "Estimated VO2peak"
		if p.Unit == change.Metres {
			what = "Distance"
		}
		t.say("", "%s %.1f, then %.1f %s: %s (%s %%).", what, *p.FromValue, *p.ToValue, p.Unit, signed(*p.Difference, 1), signed(*p.Percent, 0))
	}
	if p.Withheld != "" {
		t.say("", "No verdict on change: %s.", p.Withheld)
	} else {
		t.say("  ", "Beyond error? %s. 95 %% range of the change %s to %s; %.2f or more is beyond error.", yesNo(*p.Beyond), signed(*p.Low95, 1), signed(*p.High95, 1), *p.Error.MDC95)
		t.say("  ", "Large enough to matter? %s", matters(&p.Matter, p.Unit))
		t.say("  ", "How sure? The chance that the true change is above zero is %s%s (flat prior).", chance(*p.Rise), aboveText(&p.Matter))
	}
	if len(p.Parts) > 0 {
		t.say("  ", "Of %s: %s.", signed(*p.Difference, 1), partsText(p))
	}
	if l := p.LPerMin; l != nil && p.Difference != nil {
		t.say("  ", "Not divided by mass: %.2f, then %.2f L/min (%s).", l.From, l.To, signed(l.Difference, 2))
	}
	if len(p.Direct) > 0 {
		t.say("  ", "Without any equation: %s.", directText(p.Direct))
	}
	var differs []string
	for _, m := range p.Moved {
		differs = append(differs, fmt.Sprintf("%s (%s, then %s)", m.What, m.From, m.To))
	}
	if len(differs) > 0 {
		t.say("  ", "What differs: %s.", strings.Join(differs, "; "))
	}
	for _, c := range p.Cautions {
		t.say("  ", "Caution: %s.", c.Text)
	}
	if p.Error.Population != "" && p.Error.N == 0 {
		t.say("  ", "Error: %s. %s", p.Error.Population, p.Error.Source)
	} else if p.Error.Population != "" {
		t.say("  ", "Error: %s, n = %d, over %s. %s", p.Error.Population, p.Error.N, p.Error.Over, p.Error.Source)
	}
}

// unitOf is the unit of a person's values.
func unitOf(found *changes, participant string) string {
	for i := range found.Pairs {
		if found.Pairs[i].Participant == participant {
			return found.Pairs[i].Unit
		}
	}
	return "mL/kg/min"
}

func named(id, date string) string {
	if date == "" {
		return id
	}
	return id + " (" + date + ")"
}

func apart(days *int) string {
	switch {
	case days == nil:
		return ""
	case *days == 1:
		return ", 1 day apart"
	}
	return fmt.Sprintf(", %d days apart", *days)
}

func yesNo(yes bool) string {
	if yes {
		return "Yes"
	}
	return "No"
}

// signed writes a difference with its sign; a difference that rounds to nothing has none.
func signed(v float64, decimals int) string {
	text := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(text, "-0.") == "" {
		return strings.TrimPrefix(text, "-")
	}
	if v > 0 {
		return "+" + text
	}
	return text
}

func matters(m *change.Matter, unit string) string {
	if m.Threshold == nil {
		return "No line was chosen."
	}
	yes := "No"
	if m.Verdict == change.LargeEnough {
		yes = "Yes"
	}
	return fmt.Sprintf("%s: the line is %.1f %s (%s).", yes, *m.Threshold, unit, m.Text)
}

func aboveText(m *change.Matter) string {
	if m.Threshold == nil || m.Above == nil {
		return ""
	}
	text := fmt.Sprintf(", above %s %s", signed(*m.Threshold, 1), chance(*m.Above))
	if *m.Below > 0.005 {
		text += fmt.Sprintf(", below %s %s", signed(-*m.Threshold, 1), chance(*m.Below))
	}
	return text
}

var partNames = []struct{ id, text string }{{"mass", "mass"}, {"age", "age"}, {"work_and_heart_rate", "work rate and heart rate"}, {"sex", "sex"}, {"other", "other inputs"}}

func partsText(p *change.Pair) string {
	var all []string
	for _, n := range partNames {
		if v, ok := p.Parts[n.id]; ok {
			all = append(all, signed(v, 1)+" from "+n.text)
		}
	}
	return strings.Join(all, ", ")
}

func fromMemory(how string) string {
	if how == "memory" {
		return " (from memory)"
	}
	return ""
}

func directText(all []change.Direct) string {
	var texts []string
	for _, d := range all {
		unit := ""
		if d.Unit != "" {
			unit = " " + d.Unit
		}
		text := fmt.Sprintf("%s %.0f, then %.0f%s (%s", d.What, d.From, d.To, unit, signed(d.Difference, 0))
		switch {
		case d.Error95 == nil:
			text += ", error not known)"
		case *d.Beyond:
			text += fmt.Sprintf(", beyond its error of %.0f%s)", *d.Error95, fromMemory(d.How))
		default:
			text += fmt.Sprintf(", within its error of %.0f%s)", *d.Error95, fromMemory(d.How))
		}
		texts = append(texts, text)
	}
	return strings.Join(texts, "; ")
}
