package report

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/interpret"
	"gradus/physiology"
	"gradus/prescribe"
	"gradus/protocol"
)

// Note is the clinician's note: one page, the answer first.
func (c *Case) Note() *Document {
	d := &Document{Title: "Exercise test, submaximal", Who: c.who(), Standing: c.Signing.Text(), Foot: c.versions(), OnePage: true, Day: c.Date}
	if c.Clinic != "" {
		d.Title += ", " + c.Clinic
	}
	d.Blocks = append(d.Blocks, Para{Text: c.Answer(), Lead: true}, c.physician(), c.service())
	d.Blocks = append(d.Blocks, Twin{Left: []Block{c.minutes()}, Right: []Block{c.stairs(false)}, Share: 0.48})
	for _, p := range []Para{{Label: "Result.", Text: c.resultText()}, {Label: "Validity.", Text: c.validity()}, {Label: "Meaning.", Text: c.meaningText()},
		{Label: "Plan.", Text: c.planText()}, {Label: "Change.", Text: c.changeText()}, {Label: "Cautions.", Text: c.cautions()}} {
		if p.Text != "" {
			d.Blocks = append(d.Blocks, p)
		}
	}
	d.Blocks = append(d.Blocks, Para{Label: "Sources.", Text: c.sources(), Small: true})
	return d
}

// Answer is the first sentence of the note: it answers what was asked.
func (c *Case) Answer() string {
	switch c.Asks {
	case AskTraining:
		if plan, why := c.Plan(); plan != nil {
			return sentence("Training may begin at " + c.dose(plan) + "; " + c.inShort())
		} else {
			return sentence("No training dose is proposed: " + why + "; " + c.inShort())
		}
	case AskChange:
		if text := c.changeAnswer(); text != "" {
			return text
		}
		return sentence("Whether fitness has changed cannot be said: there is no earlier test to compare with; " + c.inShort())
	}
	return sentence(c.inShort())
}

// inShort is the result in one clause, never without its range.
func (c *Case) inShort() string {
	r := c.Result()
	switch {
	case r == nil && c.measured() != "":
		return c.measured() + "; no oxygen uptake is estimated from this test"
	case r == nil:
		return "no estimate of fitness: " + c.noResult()
	case !c.Usable():
		return "fitness cannot be told from this test (" + c.firstReason() + ")"
	}
	text := fmt.Sprintf("estimated %s is %s %s (%s)", r.What, fixed(float64(r.Value), estimate.Decimals(r.Unit)), r.Unit, rangeText(r))
	if m := c.Meaning(); m != nil && m.Percentile != nil {
		text += fmt.Sprintf(", percentile %s for %s of %s", m.Percentile.Text, people(m.Sex), m.Table.Ages)
	}
	return text
}

func people(sex string) string {
	if sex == "female" {
		return "women"
	}
	return "men"
}

func (c *Case) firstReason() string {
	for _, r := range c.Judged.Reasons {
		if !r.Notice {
			return r.Text
		}
	}
	return c.Judged.Verdict
}

// physician is the box that a physician looks for.
func (c *Case) physician() Box {
	p, in, l := c.peak(), &c.State.In, &c.State.Limits
	box := Box{Title: "For the physician"}
	add := func(name, value string) { box.Lines = append(box.Lines, Pair{name, value}) }
	first := "No ECG was recorded. "
	if in.HRMethod == conduct.ECG {
		first = "An ECG gave the heart rate; this program did not read it. "
	}
	add("Limits of this test.", first+"It was submaximal: it cannot exclude ischaemia or a rhythm disorder.")
	add("Heart rate.", reachedText(p.HR, l))
	pressure := "not measured"
	if p.SBP > 0 {
		pressure = "highest " + num(p.SBP) + "/" + num(p.DBP) + " mmHg"
	}
	if in.RestSBP > 0 {
		pressure = "rest " + num(in.RestSBP) + "/" + num(in.RestDBP) + " mmHg; " + pressure
	}
	if p.SBP > 0 && p.HR > 0 {
		pressure += fmt.Sprintf("; highest heart rate × highest systolic pressure %s mmHg/min", num(math.Round(interpret.RatePressure(p.HR, p.SBP))))
	}
	add("Pressure.", sentence(pressure))
	if text := c.recoveryText(); text != "" {
		add("Recovery.", text)
	}
	ended := "not recorded"
	if why := c.ended(); why != "" {
		ended = fmt.Sprintf("%s, minute %d", why, conduct.Minute(c.State.Stop.At))
	}
	add("Ended.", sentence(ended))
	add("Drugs.", sentence(c.drugs()))
	return box
}

// reachedText says how near the predicted maximum the test came, with what the prediction is worth.
func reachedText(hr float64, l *conduct.Limits) string {
	switch {
	case hr == 0:
		return "Not recorded."
	case l.MaxHR == 0:
		return fmt.Sprintf("Highest %s /min; no maximal heart rate is known to hold it against.", num(hr))
	case l.Formula == "given":
		return fmt.Sprintf("Highest %s /min, %s %% of the given maximum of %s /min.", num(hr), fixed(100*hr/l.MaxHR, 0), fixed(l.MaxHR, 0))
	}
	text := fmt.Sprintf("Highest %s /min, %s %% of the predicted maximum of %s /min (%s", num(hr), fixed(100*hr/l.MaxHR, 0), fixed(l.MaxHR, 0), l.Formula)
	if f, ok := physiology.FormulaFor(l.Formula); ok && f.SD > 0 {
		text += fmt.Sprintf("; people differ by SD %s /min, so %s %% in 19 of 20", num(f.SD), span(100*hr/(l.MaxHR+1.96*f.SD), 100*hr/(l.MaxHR-1.96*f.SD), 0))
	}
	return text + ")."
}

// service is who, why, screening, protocol and the minutes of the test's own clock.
func (c *Case) service() Pairs {
	out := Pairs{}
	add := func(name, value string) { out = append(out, Pair{name, sentence(value)}) }
	if c.Question != "" || c.Referrer != "" {
		add("Why.", or(c.Question, "question not recorded")+map[bool]string{true: " (asked by " + c.Referrer + ")"}[c.Referrer != ""])
	}
	if c.Condition != "" || c.State.In.Condition != 0 {
		add("Condition.", or(c.Condition, textOf(c.State.In.Condition)))
	}
	add("Screening.", or(c.Screening, "outcome not recorded here"))
	protocolText := c.Protocol.Title + ", version " + c.Protocol.Version
	if c.Ergometer != "" {
		protocolText += ", on " + c.Ergometer
	}
	tester := "; tester not recorded"
	if c.Examiner != "" {
		tester = "; tested by " + c.Examiner
	}
	add("Protocol.", protocolText+tester)
	minutes := c.minutesText()
	if c.Visit != "" {
		minutes += "; " + c.Visit
	}
	add("Minutes.", minutes)
	return out
}

// minutesText is what the test's own clock measured.
func (c *Case) minutesText() string {
	s := &c.State
	end := s.Now
	if s.ClosedAt > 0 {
		end = s.ClosedAt
	}
	minutes := func(ms protocol.Ms) string {
		return num(math.Round(float64(ms)/float64(protocol.Minute)*10) / 10)
	}
	if !s.Stop.Active {
		return minutes(end) + " min by the test's clock, no stop recorded"
	}
	return fmt.Sprintf("%s min by the test's clock, first load to last reading: exercise %s, after it %s; preparation and talk not in it", minutes(end), minutes(s.Stop.At), minutes(end-s.Stop.At))
}

// minutes is the sheet of the test; only what was read has a column.
func (c *Case) minutes() Table {
	v := c.View()
	rpe, bp, spo2 := false, false, false
	for _, m := range v.Minutes {
		rpe, bp, spo2 = rpe || m.RPE > 0, bp || m.SBP > 0, spo2 || m.SpO2 > 0
	}
	unit := or(c.unit(), "load")
	t := Table{Caption: "Minute by minute", Head: []string{"Min", "Part", unit, "HR"}, Widths: []float64{0.8, 2.3, 1, 1}}
	for _, extra := range []struct {
		is    bool
		name  string
		width float64
	}{{rpe, "RPE", 0.8}, {bp, "BP", 1.5}, {spo2, "SpO2", 1}} {
		if extra.is {
			t.Head, t.Widths = append(t.Head, extra.name), append(t.Widths, extra.width)
		}
	}
	for _, m := range v.Minutes {
		hr := blank(m.HR)
		if m.Disturbed {
			hr += " (disturbed)"
		}
		work := num(round(m.Work))
		if c.State.Stop.Active && m.Work == 0 {
			work = blank(m.Work) // after the stop nothing is set
		}
		row := []string{strconv.Itoa(m.Minute), upper(m.Stage), work, hr}
		if rpe {
			row = append(row, blank(m.RPE))
		}
		if bp {
			text := ""
			if m.SBP > 0 {
				text = num(m.SBP) + "/" + num(m.DBP)
			}
			row = append(row, text)
		}
		if spo2 {
			row = append(row, blank(m.SpO2))
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

func blank(v float64) string {
	if v == 0 {
		return ""
	}
	return num(v)
}

func (c *Case) resultText() string {
	r := c.Result()
	if text := c.measured(); r == nil && text != "" {
		return sentence(text) + " No oxygen uptake is estimated: " + sentence(or(c.Protocol.Outcome.Note, c.noResult()))
	}
	if r == nil {
		return sentence("No estimate: " + c.noResult())
	}
	text := ""
	if !c.Usable() {
		text = "Not usable as such, kept for the record: "
	}
	text += fmt.Sprintf("estimated %s %s %s, %s", r.What, fixed(float64(r.Value), estimate.Decimals(r.Unit)), r.Unit, rangeText(r))
	if r.Covers != "" {
		text += ", " + r.Covers
	}
	if e := c.Judged.End; e != nil {
		text += fmt.Sprintf("; from %s %s and %s /min, as a %s peak", num(round(e.WorkW)), or(c.unit(), "W"), num(e.HR), r.Criterion)
	}
	return sentence(text)
}

func (c *Case) validity() string {
	var why []string
	for _, r := range c.Judged.Reasons {
		if !r.Notice {
			why = append(why, r.Text)
		}
	}
	said := strings.Join(why, "; ")
	for _, d := range c.Judged.Departures {
		if text := fmt.Sprintf("minute %d: %s", d.Minute, d.Text); !strings.Contains(said, d.Text) {
			why = append(why, text)
		}
	}
	if len(why) == 0 {
		return sentence(c.Judged.Verdict)
	}
	return sentence(c.Judged.Verdict + ": " + strings.Join(why, "; "))
}

func (c *Case) meaningText() string {
	m := c.Meaning()
	if m == nil {
		if c.Result() != nil && !c.Usable() {
			return "Not interpreted: the estimate is not usable."
		}
		return c.distanceText()
	}
	text := c.convertedText() + fmt.Sprintf("%s METs (%s)", fixed(m.METs, 1), span(m.METsLow95, m.METsHigh95, 1))
	if m.LPerMin != nil {
		text += fmt.Sprintf(", %s L/min (%s)", fixed(*m.LPerMin, 2), span(*m.LPerMinLow95, *m.LPerMinHigh95, 2))
	}
	if m.Percentile != nil {
		text += fmt.Sprintf("; percentile %s in the %s (%s, %s of %s, n = %d)", m.Percentile.Text, m.Table.Title, m.Table.Mode, people(m.Sex), m.Table.Ages, m.Table.BlockN)
	} else {
		text += "; no reference for this age in the " + m.Table.Title
	}
	for _, e := range m.Expected {
		if e.Chosen {
			text += fmt.Sprintf("; %s %% of predicted (%s), %s", fixed(e.Percent, 0), span(e.Low95, e.High95, 0), e.Title)
		}
	}
	if m.LowerLimit != nil {
		text += fmt.Sprintf("; chance to lie below the lower limit of %s mL/kg/min (%s): %s", fixed(m.LowerLimit.Value, 1), m.LowerLimit.From, percent(m.LowerLimit.Below))
	}
	for _, t := range m.Thresholds {
		if t.Below != nil && *t.Below >= 0.05 {
			text += fmt.Sprintf("; %s %s: chance to lie below it %s", t.Text, t.Printed, percent(*t.Below))
		}
	}
	return sentence(text)
}

// dose is a plan in one clause.
func (c *Case) dose(p *prescribe.Prescription) string {
	var parts []string
	for _, t := range p.Targets {
		if !t.Leads || t.Withheld != "" || t.Low == nil || t.High == nil {
			continue
		}
		parts = append(parts, targetText(&t))
	}
	text := strings.Join(parts, ", ")
	if text == "" {
		text = p.Level + " effort"
	}
	if len(p.Weeks) > 0 {
		w := p.Weeks[0]
		text += fmt.Sprintf(", %s min, %s days a week", num(w.Minutes), num(w.Sessions))
	}
	return text
}

// targetText is a target with its error, where one is known.
func targetText(t *prescribe.Target) string {
	decimals := 0
	if t.Unit == "mL/kg/min" || t.Unit == "MET" || t.Unit == "METs" {
		decimals = 1
	}
	what := t.What
	if t.ID == "exertion" {
		what = "exertion (6 to 20)"
	}
	text := strings.TrimSpace(what + " " + span(*t.Low, *t.High, decimals) + " " + t.Unit)
	if t.LowSD == nil && t.Unit == "W" {
		text += " (error not known)"
	}
	if t.LowSD != nil && t.HighSD != nil {
		text += " (give or take " + fixed(2*max(*t.LowSD, *t.HighSD), decimals) + ")"
	}
	return text
}

func (c *Case) planText() string {
	p, why := c.Plan()
	if p == nil {
		return sentence("None proposed: " + why)
	}
	text := fmt.Sprintf("%s (%s), %s %% of reserve; begin with %s; %s", upper(p.Title), p.Level, span(p.ReserveFrom, p.ReserveTo, 0), c.dose(p), p.Progression)
	for _, t := range p.Targets {
		if t.Withheld != "" && t.ID == "heart-rate-reserve" {
			text += "; no heart-rate target: " + t.Withheld
		}
	}
	changed := slices.Clone(c.Edits)
	for i := range c.Changes {
		changed = append(changed, c.Changes[i].Text())
	}
	if len(changed) > 0 {
		text += ". Changed by the clinician: " + strings.Join(changed, "; ")
		if computed, _ := c.Computed(); computed != nil && len(c.Changes) > 0 {
			text += "; computed was " + c.dose(computed)
		}
	}
	return sentence(text + ". Adapt to local policy and to the person")
}

func (c *Case) cautions() string {
	var all []string
	for _, r := range c.Judged.Reasons {
		if r.Notice {
			all = append(all, r.Text)
		}
	}
	if m := c.Meaning(); m != nil {
		for _, x := range m.Cautions {
			all = append(all, x.Text)
		}
	}
	if p, _ := c.Plan(); p != nil {
		for _, x := range p.Cautions {
			all = append(all, x.Text)
		}
	}
	return sentence(strings.Join(unique(all), ". "))
}

func unique(all []string) (out []string) {
	seen := map[string]bool{}
	for _, s := range all {
		if s = strings.TrimSuffix(upper(s), "."); s != "" && !seen[s] {
			seen[s] = true
			out = append(out, s)
		}
	}
	return out
}

func (c *Case) sources() string {
	var all []string
	if r := c.Judged.Estimate; r != nil {
		all = append(all, r.Source)
		if r.ErrorSource != r.Source {
			all = append(all, r.ErrorSource)
		}
	}
	for _, s := range c.Protocol.Sources {
		all = append(all, cite(&s))
	}
	if m := c.Meaning(); m != nil {
		all = append(all, m.Table.Source)
	}
	if p, _ := c.Plan(); p != nil && len(p.Sources) > 0 {
		all = append(all, p.Sources[0])
	}
	return strings.Join(onceEach(all), ". ") + "."
}

// onceEach drops a source that stands there already by its DOI.
func onceEach(all []string) (out []string) {
	seen := map[string]bool{}
	for _, s := range unique(all) {
		if _, doi, ok := strings.Cut(s, "doi "); ok {
			if doi, _, _ = strings.Cut(doi, " "); seen[doi] {
				continue
			}
			seen[doi] = true
		}
		out = append(out, s)
	}
	return out
}

// Chart is the short text for pasting into a chart system.
func (c *Case) Chart() string {
	var b strings.Builder
	say := func(text string) {
		if text != "" {
			wrap(&b, text, "")
		}
	}
	say(c.Answer())
	say(c.who() + ". " + c.Protocol.Title + ". " + c.Signing.Text())
	for _, p := range c.physician().Lines {
		say(p.Name + " " + p.Value)
	}
	say("Result. " + c.resultText())
	say("Validity. " + c.validity())
	say("Plan. " + c.planText())
	say(c.versions())
	return b.String()
}

func cite(s *protocol.Source) string {
	text := s.Title
	if s.Journal != "" {
		text += ". " + s.Journal
	}
	if s.Year > 0 {
		text += " " + strconv.Itoa(s.Year)
	}
	if s.DOI != "" {
		text += ", doi " + s.DOI
	}
	return text
}
