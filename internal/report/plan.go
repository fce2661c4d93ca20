package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gradus/prescribe"
)

// How many sessions the log has room for.
const logLeast, logMost = 12, 40

// PlanSheet is the exercise plan to take home, with a table to write each session into. The error says why there is
// no plan.
func (c *Case) PlanSheet() (*Document, error) {
	p, why := c.Plan()
	if p == nil {
		return nil, fmt.Errorf("no plan: %s", why)
	}
	d := &Document{Title: "Exercise plan", Who: c.who(), Standing: c.Signing.Text(), Foot: c.versions(), Day: c.Date}
	add := func(b ...Block) { d.Blocks = append(d.Blocks, b...) }
	add(c.planHead(p)...)
	targets := Table{Caption: "How hard", Head: []string{"By", "From", "To", "Give or take", "Note"}, Widths: []float64{2.6, 0.8, 1.7, 1.1, 3}}
	for _, t := range p.Targets {
		targets.Rows = append(targets.Rows, targetRow(&t))
	}
	add(targets)
	add(c.planWeeks(p)...)
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

// WholePlanBlocks are the plan with what was computed and what was changed, for a page on which it is changed.
func (c *Case) WholePlanBlocks() []Block {
	p, why := c.Plan()
	if p == nil {
		return []Block{Para{Text: sentence("No plan is proposed: " + why)}}
	}
	out := append(c.planHead(p), c.planWeeks(p)...)
	var cautions []string
	for _, x := range p.Cautions {
		cautions = append(cautions, sentence(x.Text))
	}
	if len(cautions) > 0 {
		out = append(out, List{Items: cautions})
	}
	sessions := Table{Caption: "Session by session (5 min light before and after each, not counted)", Head: []string{"Session", "Week, day", "What", "MET-min"}, Widths: []float64{0.8, 1.1, 5, 1}}
	for _, x := range p.Sessions {
		var parts []string
		for i := range x.Parts {
			if part := &x.Parts[i]; part.What != "warm-up" && part.What != "cool-down" {
				parts = append(parts, partText(part))
			}
		}
		dose := "not known"
		if x.METMinutes != nil {
			dose = "about " + fixed(math.Round(*x.METMinutes/10)*10, 0)
		}
		sessions.Rows = append(sessions.Rows, []string{fmt.Sprint(x.Session), fmt.Sprintf("%d, day %d", x.Week, x.Day), upper(strings.Join(parts, "; ")), dose})
	}
	return append(out, sessions)
}

// planHead is how to begin, and what the clinician changed.
func (c *Case) planHead(p *prescribe.Prescription) (out []Block) {
	first := ""
	if len(p.Weeks) > 0 {
		first = fmt.Sprintf("Begin with %s sessions a week of %s min. ", num(p.Weeks[0].Sessions), num(p.Weeks[0].Minutes))
	}
	out = append(out, Para{Lead: true, Text: first + leadText(p)})
	if len(c.Changes) > 0 {
		var lines []string
		for i := range c.Changes {
			lines = append(lines, sentence(c.Changes[i].Text()))
		}
		out = append(out, Heading("Changed by the clinician"), List{Items: lines})
	}
	if len(c.Edits) > 0 {
		out = append(out, Para{Label: "Changed by the clinician:", Text: sentence(strings.Join(c.Edits, "; "))})
	}
	return out
}

// planWeeks is the plan week by week; what was computed stands beside what was changed.
func (c *Case) planWeeks(p *prescribe.Prescription) (out []Block) {
	t := weekTable(p)
	if len(c.Changes) > 0 {
		t.Caption = "Week by week, as changed by the clinician (each computed number within the give or take above)"
	}
	out = append(out, t)
	if v := p.Volume; v != nil {
		out = append(out, Para{Text: fmt.Sprintf("Recommended for adults in all: %s to %s MET-min a week, here %s to %s min; give or take as for the METs.", num(v.Low), num(v.High), fixed(v.MinutesLow, 0), fixed(v.MinutesHigh, 0))})
	}
	if text := intervalText(p); text != "" {
		out = append(out, Para{Label: "Interval session:", Text: text})
	}
	if len(c.Changes) == 0 {
		return out
	}
	if computed, _ := c.Computed(); computed != nil {
		was := weekTable(computed)
		was.Caption = "As it was computed, for comparison"
		out = append(out, was)
	}
	return out
}

// intervalText is how an interval session of the plan is done; "" when there is none.
func intervalText(p *prescribe.Prescription) string {
	at := slices.IndexFunc(p.Sessions, func(x prescribe.Planned) bool { return x.Style == prescribe.Intervals })
	if at < 0 {
		return ""
	}
	var parts []string
	for _, x := range p.Sessions[at].Parts {
		parts = append(parts, partText(&x))
	}
	return fmt.Sprintf("the first session of each week from week %d. %s.", p.Sessions[at].Week, upper(strings.Join(parts, "; ")))
}

func partText(x *prescribe.Part) string {
	text := x.What + " "
	if x.Times > 1 {
		text += fmt.Sprintf("%d times ", x.Times)
	}
	text += num(math.Round(x.Minutes*100)/100) + " min"
	if x.HRLow != nil && x.HRHigh != nil {
		text += ", heart rate " + span(*x.HRLow, *x.HRHigh, 0)
	}
	if x.WorkLow != nil && x.WorkHigh != nil {
		text += ", " + span(*x.WorkLow, *x.WorkHigh, 0) + " W"
	}
	if x.RPEFrom != nil && x.RPETo != nil {
		text += ", exertion " + span(*x.RPEFrom, *x.RPETo, 0)
	}
	return text
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
	t := Table{Caption: "Week by week (each number within the give or take above)", Head: []string{"Week", "Days", "Minutes", "Exertion", "Heart rate", "Watts", "MET-min", "kcal (with rest)", "New"}, Widths: []float64{0.8, 0.9, 1, 1.1, 1.3, 1.1, 1.1, 1.2, 1.6}}
	for i := 0; i < len(p.Weeks); {
		last := i
		for last+1 < len(p.Weeks) && p.Weeks[last+1].Continues(&p.Weeks[last]) {
			last++
		}
		w := &p.Weeks[i]
		days := num(w.Sessions)
		if w.Intervals > 0 {
			days += fmt.Sprintf(" (%d intervals)", w.Intervals)
		}
		row := []string{span(float64(w.Week), float64(p.Weeks[last].Week), 0), days, num(w.Minutes), span(w.RPEFrom, w.RPETo, 0), "", "", "", "", w.Changed}
		if w.HRLow != nil && w.HRHigh != nil {
			row[4] = span(*w.HRLow, *w.HRHigh, 0)
		}
		if w.WorkLow != nil && w.WorkHigh != nil {
			row[5] = span(*w.WorkLow, *w.WorkHigh, 0)
		}
		if w.METMinutes != nil {
			row[6] = "about " + fixed(math.Round(*w.METMinutes/10)*10, 0)
		}
		if w.KcalGross != nil {
			row[7] = "about " + fixed(math.Round(*w.KcalGross/10)*10, 0)
		}
		t.add(row, behindWeek(p, w)...)
		i = last + 1
	}
	return t
}

// behindWeek says of each number of a week where it comes from.
func behindWeek(p *prescribe.Prescription, w *prescribe.Week) []string {
	recommended := upper(p.Title) + ": recommended start and progression; every second week one thing changes (our own rhythm)."
	if len(p.Sources) > 0 {
		recommended += " " + p.Sources[0]
	}
	band := fmt.Sprintf("%s to %s %% of reserve", num(w.ReserveFrom), num(w.ReserveTo))
	rate := "Rest + share × (maximal - rest) at " + band + ", never above the highest one reached without symptoms."
	work := "Read from the own stages at that heart rate, or at that exertion where heart rate does not lead; never above the highest tested stage."
	dose := "METs at the middle of " + band + " times minutes times sessions; its error is that of the METs above."
	out := []string{"", recommended, recommended, "Exertion of the recommendation, then of the band: " + band + ".", rate, work, dose, "METs × 3.5 × mass / 200 a minute, rest included; its error is that of the METs.", ""}
	if w.Edited {
		for i := 1; i <= 5; i++ {
			out[i] = "As " + w.Changed + ", or as computed where nothing was set. " + out[i]
		}
	}
	return out
}

// logTable has a line for each planned session, as far as the sheet reaches; the plan stands before the boxes.
func logTable(p *prescribe.Prescription) Table {
	t := Table{Caption: "Log: one line for each session", Head: []string{"Planned", "Day", "Minutes", "Watts", "Heart rate", "Exertion 6–20", "How it felt"}, Widths: []float64{2.2, 1.1, 1, 0.9, 1.1, 1.2, 2.2}, Boxes: true}
	for _, x := range p.Sessions[:min(len(p.Sessions), logMost)] {
		row := make([]string, 7)
		row[0] = fmt.Sprintf("%d. Week %d: %s min", x.Session, x.Week, num(x.Minutes))
		if x.Style == prescribe.Intervals {
			row[0] += ", intervals"
		}
		t.Rows = append(t.Rows, row)
	}
	for len(t.Rows) < logLeast {
		t.Rows = append(t.Rows, make([]string, 7))
	}
	return t
}
