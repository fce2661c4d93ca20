package report

import (
	"fmt"
	"math"
	"strings"

	"gradus/prescribe"
)

// logLines is how many sessions the log has room for.
const logLines = 18

// PlanSheet is the exercise plan to take home, with a table to write each session into. The error says why there is
// no plan.
func (c *Case) PlanSheet() (*Document, error) {
	p, why := c.Plan()
	if p == nil {
		return nil, fmt.Errorf("no plan: %s", why)
	}
	d := &Document{Title: "Exercise plan", Who: c.who(), Standing: c.Signing.Text(), Foot: c.versions(), Day: c.Date}
	add := func(b ...Block) { d.Blocks = append(d.Blocks, b...) }
	first := ""
	if len(p.Weeks) > 0 {
		first = fmt.Sprintf("Begin with %s sessions a week of %s min. ", num(p.Weeks[0].Sessions), num(p.Weeks[0].Minutes))
	}
	add(Para{Lead: true, Text: first + leadText(p)})
	if len(c.Edits) > 0 {
		add(Para{Label: "Changed by the clinician:", Text: sentence(strings.Join(c.Edits, "; "))})
	}
	targets := Table{Caption: "How hard", Head: []string{"By", "From", "To", "Give or take", "Note"}, Widths: []float64{2.6, 0.8, 1.7, 1.1, 3}}
	for _, t := range p.Targets {
		targets.Rows = append(targets.Rows, targetRow(&t))
	}
	add(targets, weekTable(p))
	add(Heading("When to stop"), List{Items: []string{
		"Stop and sit down if your chest hurts or feels tight, if you feel faint or sick, or if you are very short of breath. If it does not pass in a few minutes, call for help.",
		"Do not train with a fever or a new illness. Tell us about new medicines.",
	}})
	var cautions []string
	for _, x := range p.Cautions {
		cautions = append(cautions, sentence(x.Text))
	}
	if len(cautions) > 0 {
		add(Heading("Cautions"), List{Items: cautions})
	}
	add(Para{Text: "Adapt to local policy and to the person. Bring this sheet to the next visit: the sessions are typed in, and the plan goes on from there."})
	add(logTable(p))
	if len(p.Sources) > 0 {
		add(Para{Small: true, Label: "Sources.", Text: strings.Join(unique(p.Sources), ". ") + "."})
	}
	return d, nil
}

func leadText(p *prescribe.Prescription) string {
	if p.Leads == "heart rate" {
		return "Heart rate leads."
	}
	return "Exertion and work rate lead, not heart rate."
}

func targetRow(t *prescribe.Target) []string {
	name := upper(t.What)
	if t.Leads {
		name += " (leads)"
	}
	if t.Withheld != "" || t.Low == nil || t.High == nil {
		return []string{name, "none", "", "", sentence(t.Withheld)}
	}
	decimals := 0
	if t.Unit == "mL/kg/min" || t.Unit == "MET" || t.Unit == "METs" {
		decimals = 1
	}
	give := "not known"
	switch {
	case t.LowSD != nil && t.HighSD != nil:
		give = fixed(2*max(*t.LowSD, *t.HighSD), decimals)
	case t.ID == "exertion":
		give = "own rating"
	}
	return []string{name, fixed(*t.Low, decimals), strings.TrimSpace(fixed(*t.High, decimals) + " " + t.Unit), give, sentence(strings.Join(t.Notes, "; "))}
}

func weekTable(p *prescribe.Prescription) Table {
	t := Table{Caption: "Week by week (each number within the give or take above)", Head: []string{"Week", "Days", "Minutes", "Exertion", "Heart rate", "Watts", "MET-min", "New"}, Widths: []float64{0.8, 0.7, 1, 1.1, 1.4, 1.2, 1, 1.8}}
	for i := 0; i < len(p.Weeks); {
		last := i
		for last+1 < len(p.Weeks) && p.Weeks[last+1].Changed == "" {
			last++
		}
		w := &p.Weeks[i]
		row := []string{span(float64(w.Week), float64(p.Weeks[last].Week), 0), num(w.Sessions), num(w.Minutes), span(w.RPEFrom, w.RPETo, 0), "", "", "", w.Changed}
		if w.HRLow != nil && w.HRHigh != nil {
			row[4] = span(*w.HRLow, *w.HRHigh, 0)
		}
		if w.WorkLow != nil && w.WorkHigh != nil {
			row[5] = span(*w.WorkLow, *w.WorkHigh, 0)
		}
		if w.METMinutes != nil {
			row[6] = "about " + fixed(math.Round(*w.METMinutes/10)*10, 0)
		}
		t.Rows = append(t.Rows, row)
		i = last + 1
	}
	return t
}

func logTable(p *prescribe.Prescription) Table {
	t := Table{Caption: "Log: one line for each session", Head: []string{"Day", "Minutes", "Watts", "Heart rate", "Exertion 6–20", "How it felt"}, Widths: []float64{1.3, 1, 1, 1.1, 1.3, 3}, Boxes: true}
	for range logLines {
		t.Rows = append(t.Rows, make([]string, 6))
	}
	return t
}
