package protocol

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// A Problem makes a plan unusable. Path names the place in the file.
type Problem struct {
	Path, Msg, Hint string
}

func (p Problem) Error() string {
	text := p.Path + ": " + p.Msg
	if p.Hint != "" {
		text += "; " + p.Hint
	}
	return text
}

// Problems lists what a plan lacks or says wrongly, in the order of the file. It looks at the plan as
// text; package prove drives a test through every state of it.
func (p *Protocol) Problems() []Problem {
	c := &checker{p: p}
	c.head()
	c.written()
	c.readings()
	c.branch()
	c.parts()
	c.ends()
	c.after()
	c.papers()
	return c.found
}

type checker struct {
	p     *Protocol
	found []Problem
}

func (c *checker) add(ok bool, path, msg, hint string) {
	if !ok {
		c.found = append(c.found, Problem{path, msg, hint})
	}
}

func (c *checker) oneOf(path, got string, allowed ...string) {
	for _, a := range allowed {
		if got == a {
			return
		}
	}
	c.add(false, path, fmt.Sprintf("%q is not known", got), "write one of: "+strings.Join(allowed, ", "))
}

func (c *checker) head() {
	p := c.p
	c.add(p.Format == Format, "format", fmt.Sprintf("%q is not a format this program reads", p.Format), "write "+Format)
	c.add(isID(p.ID), "id", fmt.Sprintf("%q is no id", p.ID), "use small letters, digits and hyphens")
	for _, field := range []struct{ path, text string }{
		{"version", p.Version}, {"title", p.Title}, {"modality", p.Modality}, {"purpose", p.Purpose},
		{"population", p.Population}, {"posture", p.Posture}, {"outcome.what", p.Outcome.What},
	} {
		c.add(field.text != "", field.path, "is missing", "a reader must know it")
	}
	c.add(len(p.Equipment) > 0, "equipment", "is missing", "list what must be at hand")
	c.add(p.Outcome.Estimator != "", "outcome.estimator", "is missing", "name an estimator, or write none")
	c.add(len(p.Inputs.Required) > 0, "inputs.required", "is missing", "list what must be known before the test")
}

func (c *checker) written() {
	p := c.p
	for _, m := range []struct {
		path string
		is   bool
	}{
		{"cadence", p.Cadence.Written}, {"end_point", p.EndPoint.Written}, {"window", p.Window.Written},
		{"exertion", p.Exertion.Written}, {"hold", p.Hold.Written}, {"choose", p.Choose.Written},
		{"ask_first", p.AskFirst.Written}, {"breaks", p.Breaks.Written}, {"wrong_work", p.WrongWork.Written},
		{"cool_down", p.CoolDown.Written}, {"recovery", p.Recovery.Written}, {"again", p.Again.Written},
	} {
		c.add(m.is, m.path, "is missing", "write it, or write none: nothing is implied")
	}
	c.add(p.Signs.Table != "" && len(p.Signs.Use) > 0, "signs", "is missing", "name the table of stop signs and what is used of it")
	for i := range p.Signs.Own {
		fault := p.Signs.Own[i].Fault()
		c.add(fault == "", fmt.Sprintf("signs.own[%d]", i), fault, "write it like the signs of the table")
	}
	c.add(p.Resume > 0 && p.Resume <= Minute, "stop_by_mistake", "must lie between 0:01 and 1:00", "a stop can be taken back only at once")
}

func (c *checker) readings() {
	r := c.p.Readings
	c.oneOf("readings.whole_beats", r.WholeBeats, "half-up")
	c.add(r.LateBy > 0 && r.LateBy <= 5*Minute, "readings.late_by", "must lie between 0:01 and 5:00", "say how late a reading may be typed")
	seen := map[string]bool{}
	for i, set := range r.Sets {
		path := fmt.Sprintf("readings.sets[%d]", i)
		c.add(isID(set.ID) && !seen[set.ID], path+".id", fmt.Sprintf("%q is no new id", set.ID), "every set needs an id of its own")
		seen[set.ID] = true
		last := map[Quantity]Ms{}
		for j, planned := range set.Read {
			at := fmt.Sprintf("%s.read[%d]", path, j)
			c.add(planned.What != 0, at+".what", "is missing", "name the quantity")
			c.add(planned.Need != 0, at+".need", "is missing", "write required, asked or setting")
			c.add(planned.At > last[planned.What], at+".at", "is not later than the reading before it", "list the readings of a quantity in time order")
			c.add(planned.What != HeartRate || planned.Over > 0 && planned.Over <= planned.At, at+".over", "must be longer than 0:00 and fit before the reading", "")
			c.add(planned.What != HeartRate || minute(planned.At) != minute(last[HeartRate]) || last[HeartRate] == 0, at+".at", "two heart rates lie in one minute", "one reading a minute; write mean_of for a mean of several")
			c.add(planned.MeanOf >= 0 && planned.MeanOf <= 6 && (planned.MeanOf < 2 || planned.What == HeartRate), at+".mean_of", "must lie between 2 and 6, of heart rates", "")
			last[planned.What] = planned.At
		}
	}
	if c.p.Hold.Is() {
		h := c.p.Hold.It
		c.add(h.Compare == HeartRate, "hold.compare", "only heart_rate can be compared", "")
		c.add(h.Within > 0, "hold.within", "must be above 0", "")
		c.add(h.Add == Minute, "hold.add", "must be 1:00", "readings are end-of-minute values")
		c.add(h.AtMost >= 1 && h.AtMost <= 4, "hold.at_most", "must lie between 1 and 4", "a stage cannot go on for ever")
		c.add(h.Over > 0 && h.Over <= Minute, "hold.over", "must lie between 0:01 and 1:00", "")
		c.oneOf("hold.then", h.Then, "ask")
	}
}

// minute is the stage minute a moment lies in, from 1.
func minute(at Ms) Ms { return (at + Minute - 1) / Minute }

func (c *checker) branch() {
	if !c.p.Choose.Is() {
		return
	}
	ch := c.p.Choose.It
	c.add(c.p.Find(ch.After) >= 0, "choose.after", fmt.Sprintf("no part has the id %q", ch.After), "")
	c.add(ch.By == HeartRate, "choose.by", "only heart_rate can choose a row", "")
	c.add(len(ch.Rows) >= 2 && len(ch.Rows) <= MaxRows, "choose.rows", fmt.Sprintf("must have 2 to %d rows", MaxRows), "")
	seen := map[string]bool{}
	for i, row := range ch.Rows {
		path := fmt.Sprintf("choose.rows[%d]", i)
		c.add(isID(row.ID) && !seen[row.ID], path+".id", fmt.Sprintf("%q is no new id", row.ID), "")
		seen[row.ID] = true
		if i == len(ch.Rows)-1 {
			c.add(row.Below == 0, path+".below", "the last row takes every higher reading", "leave below out")
		} else {
			c.add(row.Below > 0, path+".below", "is missing", "say below which whole beat the row holds, or up to which")
			c.add(i == 0 || row.Below > ch.Rows[i-1].Below, path+".below", "is not above the row before", "rows must cover all heart rates without gap or overlap, lowest first")
		}
		c.add(row.UpTo == math.Floor(row.UpTo), path+".up_to", "must be a whole beat", "a heart rate is a whole beat before it picks a row")
		c.add(row.UpTo == 0 || row.Below == row.UpTo+1, path+".up_to", "the row says both below and up_to", "write one of them")
		c.add(len(row.Work) == len(ch.Rows[0].Work) && len(row.Work) <= MaxRowWork, path+".work", "must have as many work rates as the first row", "")
		for j, w := range row.Work {
			c.add(w.Form() == "fixed", fmt.Sprintf("%s.work[%d]", path, j), "must be watts", "")
		}
	}
}

func (c *checker) parts() {
	p := c.p
	c.add(len(p.Parts) > 0, "parts", "is missing", "a test needs at least one part")
	seen, total, counts := map[string]bool{}, 0, false
	tooMany := "parts" // or the repeats that make them too many
	for i, part := range p.Parts {
		path := fmt.Sprintf("parts[%d]", i)
		c.add(isID(part.ID) && !seen[part.ID], path+".id", fmt.Sprintf("%q is no new id", part.ID), "every part needs an id of its own")
		seen[part.ID] = true
		c.add(part.Title != "", path+".title", "is missing", "")
		c.add(part.Lasts >= 10*Second && part.Lasts <= 2*Hour, path+".lasts", "must lie between 0:10 and 2:00:00", "")
		c.oneOf(path+".steady", part.Steady, "hold", "judge", "none")
		c.oneOf(path+".counts", part.Counts, "when-steady", "when-complete", "when-read", "never")
		c.oneOf(path+".begins", part.Begins, "", "clock")
		c.oneOf(path+".if", part.If, "", "asked")
		c.add(part.AtMost >= 0, path+".at_most", "must not be negative", "")
		c.add(part.AtMost <= 1 || part.If == "asked" || part.OnlyIf != nil, path+".at_most", "only a part with a condition, or one the examiner asks for, can repeat", "write if: asked or only_if, or list the part again")
		total += max(1, part.AtMost)
		if total > MaxParts && part.AtMost > 1 {
			tooMany = path + ".at_most"
		}
		counts = counts || part.Counts != "never"
		c.partRules(i, path)
		c.partWork(i, path)
		c.partReadings(i, path)
	}
	c.add(total <= MaxParts, tooMany, fmt.Sprintf("with repeats there are %d parts; at most %d", total, MaxParts), "")
	c.add(len(p.Parts) == 0 || counts, "parts", "no part counts", "at least one part must say when it counts")
}

// partRules checks what says when a part begins, whether it comes at all, what it sounds and what it keeps.
func (c *checker) partRules(i int, path string) {
	p, part := c.p, &c.p.Parts[i]
	c.add(part.Begins == "" || i > 0 && part.If == "", path+".begins", "the first part, and one that is asked for, is begun by hand", "")
	if o := part.OnlyIf; o != nil {
		c.add(i > 0 && part.If == "", path+".only_if", "there is no part before whose heart rate could decide", "")
		c.add((o.Below > 0) != (o.BelowPercent > 0) && o.BelowPercent <= 100, path+".only_if", "needs heart_rate_below or heart_rate_below_percent", "write one of them")
		c.add(o.BelowPercent == 0 || p.EndPoint.Is(), path+".only_if.heart_rate_below_percent", "there is no formula of maximal heart rate", "write end_point, or heart_rate_below")
	}
	b := &part.Beeps
	c.add(b.PerMinute == 0 || b.InPart == 0 && b.PerMinute > 0 && b.PerMinute <= 300, path+".beeps", "needs per_minute (up to 300) or in_part", "")
	c.add(b.InPart >= 0 && b.InPart <= 100, path+".beeps.in_part", "must lie between 1 and 100", "")
	c.oneOf(path+".beeps.opens", b.Opens, "", "triple")
	for k, f := range part.Follow {
		known := f.What == Distance && f.As == "sum" || f.What == SpO2 && f.As == "lowest"
		c.add(known, fmt.Sprintf("%s.follow[%d]", path, k), "cannot be kept", "write distance as sum, or spo2 as lowest")
	}
	c.add(part.Course == nil || part.Course.LengthM >= 1 && part.Course.LengthM <= 1000, path+".course.length_m", "must lie between 1 and 1000", "")
	c.add(part.UntilM == 0 || part.UntilM > 0 && c.follows(part, Distance), path+".until_m", "the distance is not kept", "write follow: [{what: distance, as: sum}]")
	last := Ms(0)
	for k, cue := range part.Cues {
		c.add(cue.At > last && cue.At <= part.Lasts && cue.Text != "", fmt.Sprintf("%s.cues[%d]", path, k), "must be text, in time order, within the part", "")
		last = cue.At
	}
}

func (c *checker) follows(part *Part, what Quantity) bool {
	return slices.ContainsFunc(part.Follow, func(f Sum) bool { return f.What == what })
}

func (c *checker) partWork(i int, path string) {
	p, w := c.p, c.p.Parts[i].Work
	switch w.Form() {
	case "":
		c.add(false, path+".work", "must have exactly one form", "watts, row, add_watts, choose, speed_kmh with grade_percent, steps_per_min with height_m, own_pace or rest")
	case "fixed":
		c.add(*w.Watts >= 0 && *w.Watts <= 1000, path+".work.watts", "must lie between 0 and 1000 W", "")
	case "row":
		c.add(p.Choose.Is(), path+".work.row", "there is no table to choose from", "write choose")
		c.add(w.Row >= 1 && len(p.Choose.It.Rows) > 0 && w.Row <= len(p.Choose.It.Rows[0].Work), path+".work.row", "the rows have no such work rate", "count from 1")
		c.add(!p.Choose.Is() || p.Find(p.Choose.It.After) < i, path+".work.row", "comes before the row is chosen", "")
	case "added":
		c.add(i > 0, path+".work.add_watts", "there is no part before", "")
	case "chosen":
		c.add(w.Choose.From <= w.Choose.To && w.Choose.Step > 0, path+".work.choose", "must go from a lower to a higher work rate in steps", "")
	case "speed":
		c.add(w.SpeedKmh > 0 && w.SpeedKmh <= 30 && w.Grade != nil, path+".work", "needs speed_kmh (up to 30) and grade_percent", "")
	case "chosen-speed":
		c.add(w.Pace.From > 0 && w.Pace.From <= w.Pace.To && w.Pace.To <= 30 && w.Pace.Step > 0 && w.Grade != nil, path+".work.choose_kmh", "must go from a lower to a higher speed (up to 30) in steps, with grade_percent", "")
	case "same-speed":
		c.add(i > 0 && w.Grade != nil, path+".work.same_speed", "needs a part before and grade_percent", "")
	case "rate":
		c.add(w.Rate > 0 && w.HeightM > 0 && w.HeightM <= 1, path+".work", "needs steps_per_min and height_m (up to 1)", "")
	}
}

func (c *checker) partReadings(i int, path string) {
	p, part := c.p, c.p.Parts[i]
	set := p.SetOf(i)
	c.add(part.Read == "none" || set != nil, path+".read", fmt.Sprintf("no set of readings has the id %q", part.Read), "name one, or write none")
	compared, lastAt := 0, Ms(0)
	for _, planned := range set {
		c.add(planned.At <= part.Lasts, path+".read", fmt.Sprintf("a reading at %v comes after the part ends at %v", planned.At, part.Lasts), "")
		if planned.What == p.Hold.It.Compare && planned.Need == Required {
			compared, lastAt = compared+1, planned.At
		}
	}
	if part.Steady == "judge" {
		c.add(p.Hold.Is(), path+".steady", "there is no steady-state rule", "write hold")
		c.add(compared >= 2, path+".read", "a part whose steadiness is judged needs two required readings to compare", "")
	}
	if part.Steady == "hold" {
		c.add(p.Hold.Is(), path+".steady", "there is no steady-state rule", "write hold")
		c.add(compared >= 2 && lastAt == part.Lasts, path+".read", "a part that must be steady needs two required readings to compare, the last at its end", "")
		c.add(part.Lasts%Minute == 0, path+".lasts", "a part that must be steady lasts whole minutes", "")
		extra := int(p.Hold.It.AtMost) + 3
		c.add(compared+extra <= MaxReadings, path+".read", fmt.Sprintf("more than %d readings with extra minutes", MaxReadings), "lower hold.at_most")
	}
	c.add(part.Counts != "when-steady" || part.Steady != "none", path+".counts", "when-steady needs steady: hold or judge", "")
	c.add(part.Counts != "when-read" || compared >= 1 || hearts(set) > 0, path+".counts", "when-read needs a planned heart rate", "")
}

// hearts counts the planned heart rates of a set.
func hearts(set []Planned) (n int) {
	for i := range set {
		if set[i].What == HeartRate {
			n++
		}
	}
	return n
}

func (c *checker) ends() {
	p := c.p
	if p.EndPoint.Is() {
		e := p.EndPoint.It
		c.add(e.Percent >= 1 && e.Percent <= 100, "end_point.percent", "must lie between 1 and 100", "")
		c.oneOf("end_point.of", e.Of, "max_hr", "hr_reserve")
		c.add(e.Formula != "", "end_point.formula", "is missing", "name the formula of maximal heart rate")
		c.add(slices.Contains(e.Watch, WatchReading), "end_point.watch", "lacks reading", "a reading that was typed must always be able to end the test; add window for live heart rate")
	}
	if p.Exertion.Is() {
		e := p.Exertion.It
		c.add(e.Alert >= 6 && e.Alert <= e.End && e.End <= 20, "exertion", "needs 6 <= alert <= end <= 20", "")
		c.add(e.Careful.Alert >= 6 && e.Careful.Alert <= e.Careful.End && e.Careful.End <= e.End, "exertion.careful", "must not be looser than the ordinary limits", "")
	}
	if p.Cadence.Is() {
		k := p.Cadence.It
		c.add((k.Fixed > 0) != (k.OwnFrom > 0 && k.OwnFrom < k.OwnTo), "cadence", "needs fixed, or own_from and own_to", "")
		c.add(k.Low.ByPercent > 0 && k.Low.For > 0 && k.Low.Times > 0, "cadence.low", "needs by_percent, for and times", "")
	}
	if p.Breaks.Is() {
		b := p.Breaks.It
		c.add(b.GoOn <= b.AddTo && b.AddTo <= b.Restart, "breaks", "go_on, add_to and restart must rise", "")
		c.add(b.Add == Minute, "breaks.add", "must be 1:00", "readings are end-of-minute values")
		c.add(b.AtMost >= 0 && b.AtMost <= 4, "breaks.at_most", "must lie between 0 and 4", "a part cannot begin again for ever")
		c.oneOf("breaks.beyond", b.Beyond, "end")
	}
	if p.AskFirst.Is() {
		a := p.AskFirst.It
		c.add(a.StepOverWatts > 0, "ask_first.step_over_watts", "must be above 0", "")
		c.add(a.Expected.Written, "ask_first.expected_heart_rate", "is missing", "write it, or none")
	}
}

func (c *checker) after() {
	p := c.p
	if p.CoolDown.Is() {
		c.add(p.Find(p.CoolDown.It.AtMost) >= 0, "cool_down.at_most", fmt.Sprintf("no part has the id %q", p.CoolDown.It.AtMost), "")
		c.add(p.CoolDown.It.Lasts > 0 && p.CoolDown.It.Lasts <= 30*Minute, "cool_down.lasts", "must lie between 0:01 and 30:00", "")
	}
	if p.Recovery.Is() {
		r := p.Recovery.It
		c.add(r.Every >= 30*Second, "recovery.every", "must be at least 0:30", "")
		c.add(r.AtLeast > 0 && r.AtLeast <= r.AskAt, "recovery.at_least", "must lie between 0:01 and ask_at", "")
		c.add(r.HRWithin > 0 && r.SBPWithin > 0, "recovery", "needs hr_within and sbp_within", "")
	}
}

func (c *checker) papers() {
	ids := map[string]bool{}
	for i, s := range c.p.Sources {
		path := fmt.Sprintf("sources[%d]", i)
		c.add(s.ID != "" && !ids[s.ID] && s.Title != "", path, "needs an id of its own and a title", "")
		ids[s.ID] = true
	}
	for i, paper := range c.p.Papers {
		path := fmt.Sprintf("papers[%d]", i)
		c.add(len(paper.Of) > 0, path+".of", "is missing", "say which numbers it speaks for")
		c.add(paper.How != 0, path+".how", "is missing", "write seen, memory, practice, choice or derived")
		c.add(paper.Source == "" || ids[paper.Source], path+".source", fmt.Sprintf("no source has the id %q", paper.Source), "")
		c.add(paper.How != Seen || paper.Source != "", path+".source", "a number that was seen needs its source", "")
	}
}

func isID(s string) bool {
	for _, r := range s {
		if r != '-' && (r < 'a' || r > 'z') && (r < '0' || r > '9') {
			return false
		}
	}
	return s != "" && len(s) <= 40
}
