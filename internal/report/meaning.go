package report

import (
	"fmt"
	"math"

	"gradus/conduct"
	"gradus/interpret"
	"gradus/protocol"
	"gradus/screen"
)

// body is what the test found of heart rate and pressure, as package interpret judges it.
func (c *Case) body() interpret.Body {
	in, s, p := &c.State.In, &c.State, c.peak()
	b := interpret.Body{RestHR: in.RestHR, RestSBP: in.RestSBP, RestDBP: in.RestDBP, PeakSBP: p.SBP, PeakDBP: p.DBP, PeakHR: p.HR, Mode: c.machine(), BetaBlocker: in.Drug == conduct.DrugYes && screen.BetaBlocker(or(c.Drug, in.DrugName))}
	if !s.Stop.Active {
		return b
	}
	b.Stop = interpret.StopEarlier
	if end := s.Limits.EndPoint; end > 0 && p.HR >= end && c.Protocol.EndPoint.It.Of == "max_hr" && s.Limits.Percent == 85 {
		b.Stop = interpret.StopAt85
	}
	b.Activity, b.Posture = "none", "sitting"
	if s.CoolFrom > 0 {
		b.Activity, b.Posture = "active", ""
	}
	for _, r := range s.After[:s.NAfter] {
		if r.What != protocol.HeartRate || r.Withdrawn || r.Void || r.Disturbed {
			continue
		}
		minute := float64(r.Moment-s.Stop.At) / float64(protocol.Minute)
		switch {
		case math.Abs(minute-1) <= recoveryWithin:
			b.HRAfter1 = r.V
		case math.Abs(minute-2) <= recoveryWithin:
			b.HRAfter2 = r.V
		}
	}
	return b
}

// recoveryWithin is how far from the full minute a reading of recovery may lie, min: our own choice.
const recoveryWithin = 0.25

// Findings are what heart rate and pressure tell, each by a cut that was made under the same conditions or by none.
func (c *Case) Findings() []interpret.Finding {
	in := &c.State.In
	return interpret.Findings(c.body(), interpret.Person{Sex: or(sexOf(in.Sex), "male"), AgeYears: in.AgeYears})
}

// MeaningBlocks say what the estimate means: first what a decision needs, then what stands behind it.
func (c *Case) MeaningBlocks() (first, more []Block) {
	m := c.Meaning()
	if m == nil {
		first = []Block{Para{Text: or(c.meaningText(), "Not interpreted: "+c.noMeaning()+".")}}
		return first, append(append(more, c.distanceBlocks()...), c.findingTable()...)
	}
	amount := c.convertedText() + fmt.Sprintf("%s METs (%s)", fixed(m.METs, 1), span(m.METsLow95, m.METsHigh95, 1))
	if m.LPerMin != nil {
		amount += fmt.Sprintf(", %s L/min (%s)", fixed(*m.LPerMin, 2), span(*m.LPerMinLow95, *m.LPerMinHigh95, 2))
	}
	place := "No reference for this age in the " + m.Table.Title + "."
	if m.Percentile != nil {
		place = fmt.Sprintf("Percentile %s in the %s (%s, %s of %s years, n = %d). Why this table: %s.", m.Percentile.Text, m.Table.Title, m.Table.Mode, people(m.Sex), m.Table.Ages, m.Table.BlockN, m.Table.Why)
	}
	first = append(first, Para{Lead: true, Text: sentence(amount)}, Para{Text: place})
	if len(m.Classes) > 0 {
		first = append(first, bandTable(m))
	}
	for _, e := range m.Expected {
		if e.Chosen {
			first = append(first, Para{Text: fmt.Sprintf("%s %% (%s) of the %s mL/kg/min that the %s predicts.", fixed(e.Percent, 0), span(e.Low95, e.High95, 0), fixed(e.Predicted, 1), e.Title)})
		}
	}
	first = append(first, thresholdTable(m, true))
	if l := m.LowerLimit; l != nil {
		first = append(first, Para{Text: fmt.Sprintf("Lower limit of normal %s mL/kg/min (%s): chance to lie below it %s.", fixed(l.Value, 1), l.From, percent(l.Below))})
	}
	more = append(more, taskTable(m), predictedTable(m), besideTable(m), thresholdTable(m, false))
	more = append(more, c.findingTable()...)
	var cautions []string
	for _, x := range m.Cautions {
		cautions = append(cautions, sentence(x.Text))
	}
	if len(cautions) > 0 {
		first = append(first, List{Items: cautions})
	}
	return first, append(more, Para{Small: true, Label: "Source of the table.", Text: m.Table.Source})
}

// noMeaning says why an estimate is not held against anything.
func (c *Case) noMeaning() string {
	r := c.Result()
	switch {
	case r == nil:
		return "there is no estimate"
	case r.Unit == "L/min" && c.State.In.MassKg == 0:
		return "the tables are in mL/kg/min, the estimate is in L/min, and no body mass is recorded"
	case r.PerKg(c.State.In.MassKg) == nil:
		return "the tables are in mL/kg/min, the estimate is in " + r.Unit
	case !(float64(r.SEE) > 0):
		return "the error of the estimate is not known"
	}
	return "age or sex is not recorded"
}

func bandTable(m *interpret.Report) Table {
	t := Table{Caption: "Chance that the true value lies in each band", Head: []string{"Percentiles", "mL/kg/min", "Chance"}, Widths: []float64{2, 2, 1.2}}
	for _, k := range m.Classes {
		limits := ""
		switch {
		case k.Low == nil && k.High != nil:
			limits = "below " + fixed(*k.High, 1)
		case k.High == nil && k.Low != nil:
			limits = fixed(*k.Low, 1) + " and above"
		case k.Low != nil:
			limits = span(*k.Low, *k.High, 1)
		}
		source := fmt.Sprintf("limits from %s, %s of %s years. The source's own word for the band: %s (%s). %s", m.Table.Title, people(m.Sex), m.Table.Ages, k.Words, k.How, k.Source)
		t.add([]string{k.Name, limits, percent(k.Probability)}, "", source, chanceFrom(m)+" "+source)
	}
	return t
}

func predictedTable(m *interpret.Report) Table {
	t := Table{Caption: "Percent of what equations predict", Head: []string{"Equation", "Predicts", "Percent (95 % range)"}, Widths: []float64{3, 1.2, 1.8}}
	for _, e := range m.Expected {
		name := upper(e.Title)
		if e.Chosen {
			name += " (used)"
		}
		source := fmt.Sprintf("equation %s from age, sex and, where it needs them, mass and height (%s). %s", e.Equation, e.How, e.Source)
		t.add([]string{name, fixed(e.Predicted, 1) + " mL/kg/min", fmt.Sprintf("%s %% (%s)", fixed(e.Percent, 0), span(e.Low95, e.High95, 0))}, "", upper(source),
			"Estimate and both ends of its range, divided by what is predicted; the error of the equation itself is not in it. "+upper(source))
	}
	return t
}

// thresholdTable has the lines that are applied, or those that are not.
func thresholdTable(m *interpret.Report, applied bool) Table {
	caption := "Lines, and the chance that the true value lies below"
	if !applied {
		caption = "Lines that are not applied"
	}
	t := Table{Caption: caption, Head: []string{"Line", "In", map[bool]string{true: "Chance below", false: "Why not"}[applied]}, Widths: []float64{3.4, 2, 1.8}}
	for _, x := range m.Thresholds {
		if (x.Below != nil) != applied {
			continue
		}
		chance := x.NotApplied
		if x.Below != nil {
			chance = percent(*x.Below)
		}
		source := fmt.Sprintf("Printed as %s (%s): %s", x.Printed, x.How, x.Source)
		t.add([]string{upper(x.Text) + " " + x.Printed + fromMemory(x.How), upper(x.Population), chance}, "", source, chanceFrom(m)+" "+source)
	}
	return t
}

func taskTable(m *interpret.Report) Table {
	t := Table{Caption: "What daily tasks cost of this capacity (for healthy people)", Head: []string{"Task", "METs", "Share (95 % range)"}, Widths: []float64{3.4, 0.8, 2}}
	for _, x := range m.Tasks {
		share := fmt.Sprintf("%s %% (%s)", fixed(x.SharePct, 0), span(x.ShareLow, x.ShareHigh, 0))
		if x.Long {
			share += ", hard to keep up for hours"
		}
		source := fmt.Sprintf("Cost in healthy people (%s): %s", x.How, x.Source)
		t.add([]string{upper(x.Activity) + fromMemory(x.How), fixed(x.METs, 1), share}, "", source, "METs × 3.5 divided by the estimate, and by both ends of its range. "+source)
	}
	return t
}

func besideTable(m *interpret.Report) Table {
	t := Table{Caption: "Other references beside it", Head: []string{"Reference", "Middle", "So", "Percentile"}, Widths: []float64{3.4, 1.2, 1, 1.4}}
	for _, b := range m.Beside {
		source := fmt.Sprintf("%s (%s). %s", upper(b.Note), b.How, b.Source)
		row := []string{upper(b.Title) + ", " + b.Mode + ", " + b.Ages + " years" + fromMemory(b.How), "", "", ""}
		if b.Centre != nil && b.Difference != nil {
			row[1], row[2] = fixed(*b.Centre, 1), signed(*b.Difference, 1)
		}
		if b.Percentile != nil {
			row[3] = b.Percentile.Text
		}
		t.add(row, "", source, "Estimate less the middle of this reference. "+source, source)
	}
	return t
}

// chanceFrom says how a chance was made.
func chanceFrom(m *interpret.Report) string {
	return fmt.Sprintf("As if the error were normal: estimate %s, standard error %s mL/kg/min.", fixed(m.Value, 1), fixed(m.SEE, 2))
}

func (c *Case) findingTable() []Block {
	t := Table{Caption: "Heart rate and pressure", Head: []string{"What", "Found", "Judged", "Why"}, Widths: []float64{2, 1, 1.6, 3}}
	for _, f := range c.Findings() {
		source := or(f.Source, "No cut applies, so there is no source")
		t.add([]string{upper(f.What), foundText(&f), f.Verdict, sentence(f.Why)}, "", "From the readings of this test. "+source, source, source)
	}
	if len(t.Rows) == 0 {
		return nil
	}
	return []Block{t}
}

func foundText(f *interpret.Finding) string {
	if f.Unit == "ratio" {
		return fixed(f.Value, 2)
	}
	return num(math.Round(f.Value*10)/10) + " " + f.Unit
}

// recoveryText is the fall of heart rate after the stop, for the physician; "" when it was not measured.
func (c *Case) recoveryText() string {
	text := ""
	for _, f := range c.Findings() {
		if f.ID != "heart-rate-recovery-1" && f.ID != "heart-rate-recovery-2" {
			continue
		}
		if text != "" {
			text += "; "
		}
		text += fmt.Sprintf("%s %s /min: %s", f.What, num(f.Value), f.Verdict)
	}
	return sentence(text)
}

// ChangeBlocks say what changed since the test before: the three answers, or why there is none.
func (c *Case) ChangeBlocks() []Block {
	p := c.pair()
	if p == nil {
		return []Block{Para{Text: "No earlier test of this person to compare with."}}
	}
	return append([]Block{Para{Lead: true, Text: pairAnswer(p)}}, pairBlocks(p)[0])
}

// PlanBlocks are the plan in short, or why there is none.
func (c *Case) PlanBlocks() []Block {
	p, why := c.Plan()
	if p == nil {
		return []Block{Para{Text: sentence("No plan is proposed: " + why)}}
	}
	return []Block{Para{Lead: true, Text: sentence("begin with " + c.dose(p))}, Para{Text: leadText(p)}, weekTable(p)}
}
