package sheet

import (
	"fmt"
	"io"
	"math"
	"strings"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/internal/prose"
	"gradus/protocol"
)

// WriteText writes every test as sentences that can be read aloud.
func (s *Scores) WriteText(out io.Writer) error {
	var b strings.Builder
	for i, t := range s.Tests {
		if i > 0 {
			prose.Rule(&b)
		}
		w := &teller{out: &b, t: t}
		w.tell()
	}
	_, err := io.WriteString(out, b.String())
	return err
}

// teller tells one test.
type teller struct {
	out *strings.Builder
	t   *Scored
}

// say writes a paragraph, wrapped; further lines begin with the indent.
func (w *teller) say(indent, format string, args ...any) {
	prose.Wrap(w.out, indent, fmt.Sprintf(format, args...))
}

func (w *teller) gap() { w.out.WriteString("\n") }

func (w *teller) tell() {
	t := w.t
	if len(t.Faults) > 0 {
		w.say("", "Test %s was not scored: the sheet says something that cannot be true.", t.ID)
		for _, f := range t.Faults {
			w.say("  ", "- %s", f.Error())
		}
		if t.Unsaid > 0 {
			w.say("  ", "- and %d more", t.Unsaid)
		}
		return
	}
	w.who()
	w.gap()
	w.stages()
	w.ending()
	w.gap()
	w.estimate()
	w.others()
	w.verdict()
	w.departures()
}

func (w *teller) who() {
	t, in := w.t, &w.t.State.In
	head := "Test " + t.ID
	if t.Person.Participant != "" {
		head += ", " + t.Person.Participant
	}
	if t.Person.Date != "" {
		head += ", " + t.Person.Date
	}
	w.say("", "%s. %s.", head, t.Protocol.Title)
	var about []string
	switch in.Sex {
	case conduct.Female:
		about = append(about, "Woman")
	case conduct.Male:
		about = append(about, "Man")
	}
	if in.AgeYears > 0 {
		about = append(about, num(in.AgeYears)+" years")
	}
	if in.MassKg > 0 {
		about = append(about, strings.TrimSuffix(fmt.Sprintf("%.1f", in.MassKg), ".0")+" kg")
	}
	if in.Condition != 0 {
		about = append(about, t.Person.Condition)
	}
	w.say("", "%s", strings.TrimSpace(fmt.Sprintf("%s. %s. %s", strings.Join(about, ", "), w.drug(), w.limits())))
}

func (w *teller) drug() string {
	switch w.t.State.In.Drug {
	case conduct.DrugNo:
		return "No rate-limiting drug"
	case conduct.DrugYes:
		if w.t.Person.DrugName != "" {
			return "Rate-limiting drug: " + w.t.Person.DrugName
		}
		return "A rate-limiting drug is taken"
	}
	return "Rate-limiting drug: not recorded"
}

func (w *teller) limits() string {
	l := &w.t.State.Limits
	var parts []string
	switch {
	case l.EndPoint > 0:
		of := num(l.MaxHR)
		if l.Formula != "given" {
			of += ", " + l.Formula
		}
		parts = append(parts, fmt.Sprintf("Planned end at %d /min (%s %% of %s)", l.EndBeat, num(l.Percent), of))
	case w.t.Protocol.EndPoint.Is():
		parts = append(parts, "Planned end not known")
	}
	for _, limit := range []struct {
		name string
		v    float64
	}{{"heart rate", l.HRLimit}, {"systolic", l.SBPLimit}, {"saturation", l.SpO2Limit}, {"exertion", l.RPELimit}} {
		if limit.v > 0 {
			parts = append(parts, "safety limit: "+limit.name+" "+num(limit.v))
		}
	}
	if !l.HRLeads {
		parts = append(parts, "heart rate does not lead: "+conduct.Next(w.t.Protocol, &w.t.State, w.t.State.Now).Leads+" do")
	}
	if len(parts) == 0 {
		return ""
	}
	return strings.Join(parts, "; ") + "."
}

func (w *teller) stages() {
	t := w.t
	branched := false
	for i := range t.State.Stages[:t.State.NStages] {
		st := &t.State.Stages[i]
		if st.Row > 0 && !branched {
			branched = true
			w.branch()
		}
		w.say("    ", "Stage %d, %s: %s", t.number(i), workText(t.Protocol, st), w.stage(i))
	}
	w.ground()
	if !branched {
		w.branch()
	}
}

// workText is the work of a stage: "100 W", "2.7 km/h at 10 %", "walking".
func workText(p *protocol.Protocol, st *conduct.Stage) string {
	work := &p.Parts[st.Part].Work
	switch work.Form() {
	case "speed", "same-speed", "chosen-speed":
		return fmt.Sprintf("%s at %s %%", conduct.SpeedText(work, st.Set), num(st.Set2))
	case "rate":
		return fmt.Sprintf("%s a minute onto %s m", num(st.Set), num(st.Set2))
	case "own-pace":
		return work.OwnPace
	case "rest":
		return "rest"
	}
	return num(st.Set) + " W"
}

// ground says how far the participant came.
func (w *teller) ground() {
	g := groundJSON(w.t)
	if g == nil {
		return
	}
	text := fmt.Sprintf("Distance: %s m", num(math.Round(g.DistanceM*10)/10))
	if g.CourseM != nil {
		text += fmt.Sprintf(" on a course of %s m", num(*g.CourseM))
	}
	if g.LowSpO2 != nil {
		text += fmt.Sprintf("; lowest oxygen saturation %s %%", num(*g.LowSpO2))
	}
	if g.Rests > 0 {
		text += fmt.Sprintf("; rests: %d, %s s", g.Rests, num(g.RestedS))
	}
	w.say("    ", "%s.", text)
}

func (w *teller) branch() {
	b := branchJSON(w.t)
	if b == nil {
		return
	}
	text := fmt.Sprintf("%s calls for row %d: %s W", num(b.HR), b.Row, wattList(b.Planned))
	if b.Ridden != nil && *b.Ridden != b.Row {
		text += fmt.Sprintf("; row %d was ridden", *b.Ridden)
	}
	w.say("    ", "  %s.", text)
}

func wattList(all []float64) string {
	parts := make([]string, len(all))
	for i, v := range all {
		parts[i] = num(v)
	}
	return strings.Join(parts, ", ")
}

// stage says what was read in a stage and what it is worth.
func (w *teller) stage(i int) string {
	st := &w.t.State.Stages[i]
	j := w.t.State.Judge(w.t.Protocol, i)
	text := w.heart(i, j)
	extra := 0
	for _, n := range st.Extra {
		extra += int(n)
	}
	switch {
	case extra == 1:
		text += " One minute longer."
	case extra > 1:
		text += fmt.Sprintf(" %d minutes longer.", extra)
	}
	switch {
	case j.Counts && j.Steady:
		text += " Steady; counts."
	case j.Counts:
		text += " Counts."
	case !j.Complete:
		text += " Not complete; does not count."
	default:
		text += " Does not count."
	}
	return text + w.other(i)
}

// heart lists the heart rates: "119, 122." or "126, then 133: 7 apart."
func (w *teller) heart(i int, j conduct.Judged) string {
	var all []string
	for _, row := range w.t.rowsIn(i) {
		switch {
		case row.HR == nil:
		case row.Disturbed:
			all = append(all, num(beats(*row.HR))+" (disturbed)")
		default:
			all = append(all, num(beats(*row.HR)))
		}
	}
	switch {
	case len(all) == 0:
		return "no heart rate."
	case j.Known && !j.Steady && len(all) >= 2:
		n := len(all) - 1
		return fmt.Sprintf("%s, then %s: %s apart.", strings.Join(all[:n], ", "), all[n], num(j.Apart()))
	}
	return strings.Join(all, ", ") + "."
}

// other adds the last exertion, pressure and saturation of a stage, and its symptoms.
func (w *teller) other(i int) string {
	var rpe, bp, spo2 string
	var signs []string
	for _, row := range w.t.rowsIn(i) {
		if row.RPE != nil {
			rpe = "exertion " + num(*row.RPE)
		}
		if row.SBP != nil {
			bp = num(*row.SBP)
			if row.DBP != nil {
				bp += "/" + num(*row.DBP)
			}
			bp += " mmHg"
		}
		if row.SpO2 != nil {
			spo2 = num(*row.SpO2) + " %"
		}
		for _, s := range row.Symptoms {
			signs = append(signs, s.Text)
		}
	}
	text := ""
	for _, part := range append([]string{rpe, bp, spo2}, signs...) {
		if part != "" {
			text += ", " + part
		}
	}
	if text == "" {
		return ""
	}
	text = text[2:]
	return " " + strings.ToUpper(text[:1]) + text[1:] + "."
}

// after says what was read once the test had stopped.
func (w *teller) after() (text string) {
	for _, phase := range []struct {
		phase Phase
		name  string
	}{{CoolDown, "Cool-down"}, {Recovery, "Recovery"}} {
		var all []string
		for i := range w.t.Rows {
			if row := &w.t.Rows[i]; row.Phase == phase.phase && row.HR != nil {
				all = append(all, num(beats(*row.HR)))
			}
		}
		if len(all) > 0 {
			text += fmt.Sprintf(" %s: %s.", phase.name, strings.Join(all, ", "))
		}
	}
	return text
}

func (w *teller) ending() {
	s := &w.t.State
	if !s.Stop.Active {
		return
	}
	reason := reasonText(w.t.Protocol, s.Stop.Code)
	switch {
	case !w.t.Stop.Given && s.Stop.Code == "other":
		reason = "the sheet gives no reason"
	case !w.t.Stop.Given:
		reason += " (read from the readings; the sheet gives no reason)"
	case s.Stop.Code == "other":
		reason = w.t.Stop.Text
	}
	w.say("    ", "The test ended in minute %d: %s.%s", conduct.Minute(s.Stop.At), strings.ToLower(reason[:1])+reason[1:], w.after())
}

func (w *teller) estimate() {
	r := w.t.Judged.Estimate
	end := w.t.Judged.End
	switch {
	case r == nil:
		w.say("", "No estimate: %s. What was measured stands above.", w.t.Judged.NoEstimate)
		w.note()
		return
	case !r.Value.Present():
		w.say("", "No estimate from %s: %s.", w.from(end), r.Why)
		return
	}
	mark := "Estimated"
	if w.t.Judged.Verdict == estimate.NotUsable {
		mark = "Not usable as such, shown for the record: estimated"
	}
	d := estimate.Decimals(r.Unit)
	w.say("", "%s %s %.*f %s, %s. It predicts a %s peak, from %s in stage %d.",
		mark, r.What, d, float64(r.Value), r.Unit, r.RangeText(d), r.Criterion,
		w.from(end), w.t.number(end.Stage))
}

// note is what a reader of the outcome must know.
func (w *teller) note() {
	if text := w.t.Protocol.Outcome.Note; text != "" {
		w.say("", "%s.", strings.ToUpper(text[:1])+text[1:])
	}
}

// from is what an estimate comes from: "100 W and 122 /min".
func (w *teller) from(end *estimate.End) string {
	st := &w.t.State.Stages[end.Stage]
	var parts []string
	if form := w.t.Protocol.Parts[st.Part].Work.Form(); form != "own-pace" && form != "rest" {
		parts = append(parts, workText(w.t.Protocol, st))
	}
	if v, ok := w.t.State.Fact(w.t.Protocol, end.Stage, "time_min"); ok {
		parts = append(parts, num(math.Round(v*100)/100)+" min")
	}
	if end.HR > 0 {
		parts = append(parts, num(end.HR)+" /min")
	}
	if len(parts) == 0 {
		return "what was measured"
	}
	return strings.Join(parts, " and ")
}

// others tells the estimates that stand beside the leading one.
func (w *teller) others() {
	for i := range w.t.Judged.Compared {
		c := &w.t.Judged.Compared[i]
		if c.Leads {
			continue
		}
		switch {
		case c.Result == nil:
			w.say("  ", "  Beside it, %s (%s): no estimate, %s.", c.Title, c.Kind, c.NoEstimate)
			continue
		}
		word := "whether they agree cannot be said, no error is known"
		if c.Agrees != nil {
			word = "they agree within their errors"
			if !*c.Agrees {
				word = "they do not agree within their errors"
			}
		}
		d := estimate.Decimals(c.Result.Unit)
		w.say("  ", "  Beside it, %s (%s): %.*f %s, %s; %s.", c.Title, c.Kind, d, float64(c.Result.Value), c.Result.Unit, c.Result.RangeText(d), word)
	}
}

// verdict says whether the result can be trusted, and why not.
func (w *teller) verdict() {
	j := &w.t.Judged
	var why, notes []estimate.Caution
	for _, r := range j.Reasons {
		if r.Notice {
			notes = append(notes, r)
		} else {
			why = append(why, r)
		}
	}
	verdict := strings.ToUpper(j.Verdict[:1]) + j.Verdict[1:]
	if len(why) == 0 {
		w.say("", "%s.", verdict)
	} else {
		w.say("", "%s:", verdict)
	}
	for _, r := range why {
		w.say("  ", "- %s", r.Text)
	}
	for _, r := range notes {
		w.say("  ", "Note: %s.", r.Text)
	}
}

// departures lists what was not as planned, unless it stands among the reasons already.
func (w *teller) departures() {
	said := map[string]bool{}
	for _, r := range w.t.Judged.Reasons {
		said[r.Text] = true
	}
	first := true
	for _, d := range w.t.Judged.Departures {
		text := fmt.Sprintf("minute %d: %s", d.Minute, d.Text)
		if said[text] {
			continue
		}
		if first {
			w.say("", "Not as planned:")
			first = false
		}
		w.say("  ", "- %s", text)
	}
}

// AppendText appends the test as sentences that can be read aloud.
func (t *Scored) AppendText(to []byte) []byte {
	var b strings.Builder
	w := &teller{out: &b, t: t}
	w.tell()
	return append(to, b.String()...)
}
