package report

import (
	"fmt"
	"strconv"
	"strings"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/protocol"
)

// Blank is the data sheet of a protocol to write on by hand, with the end point, limits and branch table of a person.
// The inputs may be empty: then there are lines to fill in.
func Blank(p *protocol.Protocol, e *estimate.Estimator, in *conduct.Inputs, participant, day, program string) *Document {
	c := &Case{Participant: participant, Protocol: p, Estimator: e, Program: program}
	c.State.In = *in
	d := &Document{Title: "Data sheet: " + p.Title, Foot: c.versions(), OnePage: true, Day: day}
	d.Who = c.who()
	if participant == "" {
		d.Who = "Participant ____________________   Date ______________   Tester ____________________"
	} else {
		d.Who += "   Date ______________   Tester ____________________"
	}
	add := func(b ...Block) { d.Blocks = append(d.Blocks, b...) }
	l := conduct.LimitsOf(p, in)
	add(Twin{Share: 0.5, Left: []Block{Heading("This test ends at"), endsOf(p, in, &l)}, Right: []Block{Heading("Today"), todayOf(in)}})
	add(sheetRows(p))
	if t, ok := branches(p); ok {
		add(t)
	}
	if p.Hold.Is() {
		h := p.Hold.It
		add(Para{Small: true, Label: "Steady?", Text: fmt.Sprintf("A stage is over when its last two heart rates lie at most %s apart. If not, it goes on by %v, at most %d times.", num(h.Within), h.Add, h.AtMost)})
	}
	if i := p.Find(p.CoolDown.It.AtMost); p.CoolDown.Is() && i >= 0 && p.Parts[i].Work.Watts != nil {
		add(Para{Small: true, Label: "After.", Text: fmt.Sprintf("Cool-down at %s W or less for %v, then seated recovery.", num(*p.Parts[i].Work.Watts), p.CoolDown.It.Lasts)})
	}
	add(signsOf(p)...)
	if e != nil {
		add(Para{Small: true, Label: "Estimate.", Text: formulaText(e)})
	}
	add(Para{Small: true, Text: "Why it ended ______________________________   Minute ______   Stage that counts last ______   Load ______   Heart rate ______"})
	return d
}

func endsOf(p *protocol.Protocol, in *conduct.Inputs, l *conduct.Limits) Pairs {
	out := Pairs{}
	if p.EndPoint.Is() {
		of := "of the maximal heart rate"
		if p.EndPoint.It.Of == "hr_reserve" {
			of = "of the heart-rate reserve"
		}
		switch {
		case l.EndBeat > 0 && l.Formula == "given":
			out = append(out, Pair{"Heart rate", fmt.Sprintf("%d /min (%s %% %s, maximum %s as given)", l.EndBeat, num(l.Percent), of, fixed(l.MaxHR, 0))})
		case l.EndBeat > 0:
			out = append(out, Pair{"Heart rate", fmt.Sprintf("%d /min (%s %% %s, predicted %s by %s)", l.EndBeat, num(l.Percent), of, fixed(l.MaxHR, 0), l.Formula)})
		default:
			out = append(out, Pair{"Heart rate", fmt.Sprintf("______ /min (%d %% %s, by %s)", p.EndPoint.It.Percent, of, or(p.EndPoint.It.Formula, "the formula chosen"))})
		}
	}
	for _, x := range []struct {
		name, unit string
		v          float64
	}{{"Safety limit, heart rate", "/min", l.HRLimit}, {"Safety limit, systolic", "mmHg", l.SBPLimit}, {"Safety limit, saturation", "%", l.SpO2Limit}, {"Safety limit, exertion", "", l.RPELimit}} {
		if x.v > 0 {
			out = append(out, Pair{x.name, unit(num(x.v), x.unit)})
		}
	}
	if p.Exertion.Is() && l.RPEEnd > 0 {
		out = append(out, Pair{"Exertion", num(l.RPEEnd) + " on the scale 6 to 20"})
	}
	if !l.HRLeads && p.EndPoint.Is() {
		out = append(out, Pair{"Heart rate does not lead", "with this drug, rhythm or condition: symptoms and exertion do"})
	}
	if len(out) == 0 {
		out = append(out, Pair{"Plan", "the test ends with its last part, at a stop sign, or when the participant asks"})
	}
	return out
}

func todayOf(in *conduct.Inputs) Pairs {
	fill := func(v float64, unit string) string {
		if v > 0 {
			return num(v) + " " + unit
		}
		return "______ " + unit
	}
	bp := "____ / ____ mmHg"
	if in.RestSBP > 0 {
		bp = num(in.RestSBP) + "/" + num(in.RestDBP) + " mmHg"
	}
	drug := map[conduct.Drug]string{conduct.DrugNo: "no rate-limiting drug", conduct.DrugYes: or(in.DrugName, "rate-limiting drug") + ", dose ______, hours since ____"}[in.Drug]
	return Pairs{{"Age, mass", fill(in.AgeYears, "years") + ", " + fill(in.MassKg, "kg")}, {"At rest", fill(in.RestHR, "/min") + ", " + bp}, {"Drugs", or(drug, "______________________, hours since ____")}, {"Rhythm", or(strings.TrimSuffix(textOf(in.Rhythm), "not-recorded"), "____________")}}
}

// what a sheet has columns for.
var sheetColumns = []struct {
	name string
	what protocol.Quantity
}{{"Heart rate", protocol.HeartRate}, {"RPE", protocol.RPE}, {"BP", protocol.BloodPressure}, {"SpO2", protocol.SpO2}}

// sheetRows has a line for each moment at which a part wants something read.
func sheetRows(p *protocol.Protocol) Table {
	t := Table{Caption: "Fill in what is white; grey is not asked for", Head: []string{"Part", "Minute", "Load"}, Widths: []float64{2.2, 0.9, 1.9}, Boxes: true}
	for _, col := range sheetColumns {
		t.Head, t.Widths = append(t.Head, col.name), append(t.Widths, 1.2)
	}
	walk := walked(p)
	if walk {
		t.Head, t.Widths = append(t.Head, "Metres", "Rest, s"), append(t.Widths, 1.2, 1.2)
	}
	t.Head, t.Widths = append(t.Head, "Note"), append(t.Widths, 2.2)
	for i := range p.Parts {
		part := &p.Parts[i]
		title := part.Title
		if part.If != "" {
			title += " (if " + part.If + ")"
		}
		due := map[protocol.Ms]map[protocol.Quantity]bool{}
		var times []protocol.Ms
		for _, r := range p.SetOf(i) {
			if due[r.At] == nil {
				due[r.At] = map[protocol.Quantity]bool{}
				times = append(times, r.At)
			}
			due[r.At][r.What] = true
		}
		sortMs(times)
		if len(times) == 0 {
			times = []protocol.Ms{part.Lasts}
		}
		for k, at := range times {
			row := []string{"", minuteText(at), ""}
			if k == 0 {
				row[0], row[2] = upper(title), workText(part.Work)
			}
			for _, col := range sheetColumns {
				cell := dash
				if due[at][col.what] {
					cell = ""
				}
				row = append(row, cell)
			}
			if walk {
				row = append(row, "", "")
			}
			t.Rows = append(t.Rows, append(row, ""))
		}
		if p.Hold.Is() && part.Steady == "hold" {
			t.Rows = append(t.Rows, t.filled("", "+ ____", "", "", dash, dash, dash))
		}
	}
	for _, name := range []string{"Cool-down", "Recovery", "Recovery"} {
		t.Rows = append(t.Rows, t.filled(name))
	}
	return t
}

// walked reports whether a plan counts metres while its clock runs on through rests.
func walked(p *protocol.Protocol) bool {
	if p.Breaks.Is() {
		return false
	}
	for i := range p.Parts {
		for _, f := range p.Parts[i].Follow {
			if f.What == protocol.Distance {
				return true
			}
		}
	}
	return false
}

// filled is a row with empty boxes where nothing is said.
func (t *Table) filled(cells ...string) []string {
	for len(cells) < len(t.Head) {
		cells = append(cells, "")
	}
	return cells
}

func sortMs(all []protocol.Ms) {
	for i := range all {
		for k := i; k > 0 && all[k] < all[k-1]; k-- {
			all[k], all[k-1] = all[k-1], all[k]
		}
	}
}

func minuteText(at protocol.Ms) string {
	seconds := int64(at / 1000)
	if seconds%60 == 0 {
		return strconv.FormatInt(seconds/60, 10)
	}
	return fmt.Sprintf("%d:%02d", seconds/60, seconds%60)
}

// workText is a planned load in words.
func workText(w protocol.Work) string {
	switch w.Form() {
	case "fixed":
		return num(*w.Watts) + " W"
	case "row":
		return "____ W (by table)"
	case "added":
		return signed(w.AddWatts, 0) + " W: ____ W"
	case "chosen":
		return "____ W (" + span(w.Choose.From, w.Choose.To, 0) + ")"
	case "speed":
		return strings.TrimSuffix(speedText(w)+", "+gradeText(w), ", ")
	case "chosen-speed":
		return "____ km/h (" + num(w.Pace.From) + " to " + num(w.Pace.To) + "), " + gradeText(w)
	case "same-speed":
		return "same speed, " + gradeText(w)
	case "rate":
		return num(w.Rate) + " steps/min"
	case "own-pace":
		return "own pace"
	case "rest":
		return "rest"
	}
	return ""
}

// speedText has the speed as the source prints it.
func speedText(w protocol.Work) string {
	kmh := num(round(w.SpeedKmh)) + " km/h"
	if w.SpeedMph > 0 {
		return num(w.SpeedMph) + " mph (" + kmh + ")"
	}
	return kmh
}

func gradeText(w protocol.Work) string {
	if w.Grade == nil {
		return ""
	}
	return num(*w.Grade) + " % grade"
}

func branches(p *protocol.Protocol) (Table, bool) {
	if !p.Choose.Is() {
		return Table{}, false
	}
	ch := p.Choose.It
	t := Table{Caption: "Which loads next? By the last heart rate of " + partTitle(p, ch.After), Head: []string{"Heart rate"}, Widths: []float64{1.6}}
	most := 0
	for _, r := range ch.Rows {
		most = max(most, len(r.Work))
	}
	for i := range most {
		title := "Load " + strconv.Itoa(i+1)
		for k := range p.Parts {
			if p.Parts[k].Work.Row == i+1 {
				title = upper(p.Parts[k].Title)
				break
			}
		}
		t.Head, t.Widths = append(t.Head, title), append(t.Widths, 1)
	}
	before := 0.0
	for _, r := range ch.Rows {
		name := ""
		switch {
		case before == 0:
			name = "below " + num(r.Below)
		case r.Below == 0:
			name = num(before) + " and above"
		default:
			name = num(before) + " to " + num(r.Below-1)
		}
		row := []string{name}
		for _, w := range r.Work {
			row = append(row, workText(w))
		}
		for len(row) <= most {
			row = append(row, "")
		}
		t.Rows = append(t.Rows, row)
		before = r.Below
	}
	return t, true
}

func partTitle(p *protocol.Protocol, id string) string {
	if i := p.Find(id); i >= 0 {
		return p.Parts[i].Title
	}
	return id
}

func signsOf(p *protocol.Protocol) (out []Block) {
	for _, g := range []struct {
		title string
		does  protocol.Does
		rest  bool
	}{{"Stop, stay seated:", protocol.DoesStop, true}, {"Stop:", protocol.DoesStop, false}, {"Check:", protocol.DoesCheck, false}, {"Measure again:", protocol.DoesAlert, false}, {"Pause:", protocol.DoesPause, false}} {
		var texts []string
		for i := range p.Table {
			s := &p.Table[i]
			if s.Does == g.does && (g.does != protocol.DoesStop || g.rest == (s.After == protocol.AfterSeated)) {
				texts = append(texts, s.Text)
			}
		}
		if len(texts) > 0 {
			out = append(out, Para{Small: true, Label: g.title, Text: strings.Join(texts, "; ") + "."})
		}
	}
	return out
}

// formulaText is the equation with its error, to reckon by hand.
func formulaText(e *estimate.Estimator) string {
	text := ""
	switch {
	case e.Formula != nil:
		text = e.Formula.Text
	default:
		var b strings.Builder
		for i, t := range e.Terms {
			v := t.Coefficient
			switch {
			case i == 0 && v < 0:
				b.WriteString(minus)
			case i > 0 && v < 0:
				b.WriteString(" " + minus + " ")
			case i > 0:
				b.WriteString(" + ")
			}
			b.WriteString(strconv.FormatFloat(max(v, -v), 'f', -1, 64))
			if name := or(t.Input, t.Of); name != "" {
				b.WriteString(" × " + name)
			}
		}
		text = b.String()
	}
	text = e.Outcome.What + " = " + text + " " + e.Outcome.Unit
	switch half := e.Half95(); {
	case half == half:
		text += fmt.Sprintf("; 95 %% range: give or take %s %s", fixed(half, 1), e.Outcome.Unit)
	case e.Error.None != "":
		text += "; range not known: " + e.Error.None
	case e.Error.Percent > 0:
		text += fmt.Sprintf("; standard error %s %% of the value", num(e.Error.Percent))
	}
	return text + ". " + e.Source
}
