// Package aloud reads a protocol as a colleague would: what is done, in the order of a test, and then every number of
// the file with its paper. The command and the pages tell it in the same words.
package aloud

import (
	"fmt"
	"math"
	"strings"

	"gradus/conduct"
	"gradus/protocol"
	"gradus/yamlread"
)

// Text reads a protocol aloud. Name and text are those of its file; an error says where the text cannot be read.
func Text(p *protocol.Protocol, name string, text []byte) (string, error) {
	v := &voice{p: p}
	v.head()
	v.inputs()
	v.stages()
	v.readings()
	v.branch()
	v.ends()
	v.interruptions()
	v.afterwards()
	v.said()
	if err := v.papers(name, text); err != nil {
		return "", err
	}
	return v.b.String(), nil
}

type voice struct {
	p *protocol.Protocol
	b strings.Builder
}

func (v *voice) say(format string, args ...any) { fmt.Fprintf(&v.b, format+"\n", args...) }

func (v *voice) head() {
	p := v.p
	v.say("%s (%s, version %s)", p.Title, p.ID, p.Version)
	v.say("%s", p.Purpose)
	v.say("For: %s", p.Population)
	if len(p.Suits.Needs) > 0 {
		v.say("Needs: %s.", plain(p.Suits.Needs))
	}
	if p.Suits.Effort == "symptom_limited_maximal" {
		v.say("This is a symptom-limited maximal test: the rules of maximal tests hold.")
	}
	v.say("On: %s; %s.", p.Modality, p.Posture)
	v.say("At hand: %s.", strings.Join(p.Equipment, "; "))
	if p.Outcome.Estimator == "none" {
		v.say("Outcome: %s (%s); no equation.", p.Outcome.What, p.Outcome.Unit)
		v.beside()
		return
	}
	text := fmt.Sprintf("Outcome: %s in %s by estimator %s", p.Outcome.What, p.Outcome.Unit, p.Outcome.Estimator)
	if p.Outcome.Women != "" {
		text += fmt.Sprintf(" (women: %s)", p.Outcome.Women)
	}
	v.say("%s.", text)
	v.beside()
}

// beside says what is shown beside the outcome, and what a reader of it must know.
func (v *voice) beside() {
	o := &v.p.Outcome
	if len(o.Also) > 0 {
		v.say("Beside it: %s.", strings.Join(o.Also, ", "))
	}
	if o.Note != "" {
		v.say("Note: %s.", o.Note)
	}
}

func (v *voice) inputs() {
	p := v.p
	v.say("\nBefore the test")
	v.say("  Must be known: %s.", plain(p.Inputs.Required))
	if len(p.Inputs.Asked) > 0 {
		v.say("  Is asked: %s.", plain(p.Inputs.Asked))
	}
	if !p.Cadence.Is() {
		v.say("  No rhythm is kept.")
		return
	}
	k := &p.Cadence.It
	if k.Fixed > 0 {
		v.say("  Rhythm: %g a minute (%s).", k.Fixed, k.Counts)
	} else {
		v.say("  Rhythm: the person's own, %g to %g a minute (%s).", k.OwnFrom, k.OwnTo, k.Counts)
	}
	if k.CautionBelow > 0 {
		v.say("  Below %g a minute is a caution.", k.CautionBelow)
	}
}

func plain(names []string) string {
	return strings.ReplaceAll(strings.Join(names, ", "), "_", " ")
}

func (v *voice) stages() {
	v.say("\nThe parts")
	for i := range v.p.Parts {
		part := &v.p.Parts[i]
		text := fmt.Sprintf("  %s: %s for %v", part.Title, work(&part.Work), part.Lasts)
		if part.UntilM > 0 {
			text = fmt.Sprintf("  %s: %s until %g m are covered, %v at the most", part.Title, work(&part.Work), part.UntilM, part.Lasts)
		}
		text += begins(part)
		if part.AtMost > 1 {
			text += fmt.Sprintf(", up to %d times", part.AtMost)
		}
		if part.If == "asked" {
			text += ", when the examiner asks for it"
		}
		text += ". " + counts(part.Counts)
		if part.Mark != "" {
			text += " It is marked: " + part.Mark + "."
		}
		if part.Pause != nil {
			text += fmt.Sprintf(" It may be interrupted by %s; the clock %s.", strings.Join(part.Pause.By, " or "), part.Pause.Clock)
		}
		if b := &part.Beeps; b.PerMinute > 0 {
			text += fmt.Sprintf(" A beat of %g a minute sounds.", b.PerMinute)
		} else if b.InPart > 0 {
			text += fmt.Sprintf(" %d beeps sound, %.2f s apart.", b.InPart, b.Every(part.Lasts)/1000)
		}
		if part.VO2 > 0 {
			text += fmt.Sprintf(" Oxygen uptake as printed: %g mL/kg/min.", part.VO2)
		}
		for _, f := range part.Follow {
			text += fmt.Sprintf(" Kept: %s, %s.", plain([]string{f.What.String()}), f.As)
		}
		if part.Course != nil {
			text += fmt.Sprintf(" The course is %g m long.", part.Course.LengthM)
		}
		v.say("%s", text)
		for _, cue := range part.Cues {
			v.say("    at %v: %q", cue.At, cue.Text)
		}
	}
}

// begins says when a part begins, where it is not simply the next one.
func begins(part *protocol.Part) (text string) {
	if part.Begins == "clock" {
		text += ", by the clock"
	}
	if o := part.OnlyIf; o != nil && o.Below > 0 {
		text += fmt.Sprintf(", only if the last heart rate is below %g", o.Below)
	} else if o != nil {
		text += fmt.Sprintf(", only if the last heart rate is below %g %% of maximal heart rate", o.BelowPercent)
	}
	return text
}

func work(w *protocol.Work) string {
	switch w.Form() {
	case "fixed":
		return fmt.Sprintf("%g W", *w.Watts)
	case "row":
		return fmt.Sprintf("work rate %d of the row chosen", w.Row)
	case "added":
		return fmt.Sprintf("%+g W", w.AddWatts)
	case "chosen":
		return fmt.Sprintf("a work rate chosen from %g to %g W in steps of %g", w.Choose.From, w.Choose.To, w.Choose.Step)
	case "speed":
		return fmt.Sprintf("%s at %g %% grade", conduct.SpeedText(w, w.SpeedKmh), *w.Grade)
	case "chosen-speed":
		return fmt.Sprintf("a speed chosen from %g to %g km/h at %g %% grade", w.Pace.From, w.Pace.To, *w.Grade)
	case "same-speed":
		return fmt.Sprintf("the same speed at %g %% grade", *w.Grade)
	case "rate":
		return fmt.Sprintf("%g steps a minute onto %g m", w.Rate, w.HeightM)
	case "own-pace":
		return w.OwnPace + " at the own pace"
	}
	return "rest"
}

func counts(word string) string {
	switch word {
	case "when-steady":
		return "It counts when steady."
	case "when-complete":
		return "It counts when complete."
	case "when-read":
		return "It counts when its heart rate was read."
	}
	return "It never counts."
}

func (v *voice) readings() {
	p := v.p
	v.say("\nReadings")
	for _, set := range p.Readings.Sets {
		for _, r := range set.Read {
			if r.What == protocol.HeartRate && r.MeanOf > 1 {
				v.say("  %s: heart rate, the mean of %d in the %v before %v (%v).", set.ID, r.MeanOf, r.Over, r.At, r.Need)
				continue
			}
			if r.What == protocol.HeartRate && r.Count {
				v.say("  %s: the pulse counted over the %v before %v (%v).", set.ID, r.Over, r.At, r.Need)
				continue
			}
			if r.What == protocol.HeartRate {
				v.say("  %s: heart rate in the %v before %v (%v).", set.ID, r.Over, r.At, r.Need)
				continue
			}
			v.say("  %s: %s at %v, within %v (%v).", set.ID, plain([]string{r.What.String()}), r.At, r.Over, r.Need)
		}
	}
	v.say("  A heart rate is a whole beat, halves upwards. One typed up to %v late still fills its place.", p.Readings.LateBy)
	if p.Readings.Cuff.Add > 0 {
		v.say("  If the cuff still runs at %v, the part gets %v for it.", p.Readings.Cuff.RunningAt, p.Readings.Cuff.Add)
	}
	if !p.Hold.Is() {
		v.say("  There is no steady-state rule.")
		return
	}
	h := &p.Hold.It
	v.say("  Steady: the last two readings differ by at most %g. If not, %v more and one more reading, at most %d times; then the examiner decides.", h.Within, h.Add, h.AtMost)
}

func (v *voice) branch() {
	p := v.p
	if !p.Choose.Is() {
		return
	}
	c := &p.Choose.It
	v.say("\nThe branch: the last heart rate of %s picks a row", c.After)
	from := 0.0
	for i, row := range c.Rows {
		span := fmt.Sprintf("%g and above", from)
		switch {
		case i == 0:
			span = fmt.Sprintf("below %g", row.Below)
		case row.Below > 0:
			span = fmt.Sprintf("%g to %g", from, math.Ceil(row.Below)-1)
		}
		from = math.Ceil(row.Below)
		works := make([]string, len(row.Work))
		for j := range row.Work {
			works[j] = work(&row.Work[j])
		}
		v.say("  %s, %s: %s.", row.ID, span, strings.Join(works, ", "))
	}
	v.say("  Within %g beats of a limit both rows are shown. A gentler row is always allowed.", c.Near)
	if p.AskFirst.Is() {
		a := &p.AskFirst.It
		v.say("  A step of more than %g W wants a second confirmation from the age of %g on, with %s, or when the pulse is unusually low for the load.", a.StepOverWatts, a.AgeFrom, states(a.When))
	}
}

func states(list []protocol.State) string {
	names := make([]string, len(list))
	for i, s := range list {
		names[i] = s.String()
	}
	return plain(names)
}

func (v *voice) ends() {
	p := v.p
	v.say("\nWhat ends the test")
	if e := &p.EndPoint; e.Is() {
		what := "maximal heart rate"
		if e.It.Of == "hr_reserve" {
			what = "heart-rate reserve, from rest"
		}
		v.say("  Planned end: %d %% of %s, by %s.", e.It.Percent, what, e.It.Formula)
	} else {
		v.say("  There is no planned end by heart rate.")
	}
	if p.Window.Is() {
		v.say("  Live heart rate is judged on a mean of %v.", p.Window.It.Lasts)
	}
	if e := &p.Exertion; e.Is() {
		v.say("  Exertion: alert at %g, end at %g; alert at %g, end at %g with %s.", e.It.Alert, e.It.End, e.It.Careful.Alert, e.It.Careful.End, states(e.It.Careful.When))
	} else {
		v.say("  There is no limit of exertion.")
	}
	if p.Cadence.Is() {
		low := &p.Cadence.It.Low
		v.say("  Rhythm more than %d %% below the target for %v, %d times.", low.ByPercent, low.For, low.Times)
	}
	if len(p.Misleads) > 0 {
		v.say("  Heart rate is not the only end point with %s.", states(p.Misleads))
	}
	v.say("  Stop signs:")
	for i := range p.Table {
		s := &p.Table[i]
		v.say("    %s (%v; %s, %s)", s.Text, s.Does, s.Source, s.How.Phrase())
	}
}

func (v *voice) interruptions() {
	p := v.p
	v.say("\nInterruptions")
	if p.Breaks.Is() {
		b := &p.Breaks.It
		v.say("  A rest up to %v: go on. Up to %v: %v more. Up to %v: the part begins again, at most %d times. Longer: end.", b.GoOn, b.AddTo, b.Add, b.Restart, b.AtMost)
	} else {
		v.say("  Nothing is said about rests.")
	}
	if p.WrongWork.Is() {
		w := &p.WrongWork.It
		v.say("  A wrong work rate put right within %v: go on; later the part begins again. Measured and set may differ by %g W or %d %%, the larger.", w.GoOnWithin, w.ToleranceWatts, w.TolerancePercent)
	}
	v.say("  A stop by mistake can be taken back within %v.", p.Resume)
}

func (v *voice) afterwards() {
	p := v.p
	v.say("\nAfterwards")
	if p.CoolDown.Is() {
		v.say("  Cool-down: at most the work rate of %s, for %v.", p.CoolDown.It.AtMost, p.CoolDown.It.Lasts)
	} else {
		v.say("  There is no cool-down.")
	}
	if p.Recovery.Is() {
		r := &p.Recovery.It
		v.say("  Recovery: read every %v until heart rate is within %g and systolic pressure within %g of rest and not below %g, for at least %v (%v with heart disease). Unresolved at %v: ask a physician.",
			r.Every, r.HRWithin, r.SBPWithin, r.SBPNotBelow, r.AtLeast, r.Heart, r.AskAt)
	} else {
		v.say("  There is no recovery rule.")
	}
	if p.Again.Is() {
		v.say("  The test may be repeated within the visit after %v; the %s is reported.", p.Again.It.After, p.Again.It.Report)
	}
}

func (v *voice) said() {
	if len(v.p.Say) == 0 {
		return
	}
	v.say("\nWhat is said")
	for _, s := range v.p.Say {
		v.say("  %s: %q", s.When, s.Text)
	}
}

// papers lists every number of the file with how it is known and where it comes from.
func (v *voice) papers(name string, data []byte) error {
	file, err := yamlread.Decode(name, data, nil)
	if err != nil {
		return err
	}
	v.say("\nEvery number and its paper")
	last := ""
	for _, s := range file.Scalars() {
		paper, ok := v.p.PaperOf(s.Path)
		if !ok || strings.Trim(s.Value, "0123456789.:-") != "" || strings.HasPrefix(s.Path, "papers") || strings.HasPrefix(s.Path, "sources") {
			continue
		}
		if text := v.paper(paper); text != last {
			v.say("  %s", text)
			last = text
		}
		v.say("    %s: %s", s.Path, s.Value)
	}
	return nil
}

func (v *voice) paper(paper protocol.Paper) string {
	text := paper.How.Phrase()
	if source, ok := v.p.SourceOf(paper.Source); ok {
		text += ": " + source.Title
		if source.Journal != "" {
			text += ", " + source.Journal
		}
		if source.Year > 0 {
			text += fmt.Sprintf(", %d", source.Year)
		}
		if source.DOI != "" {
			text += ", doi " + source.DOI
		}
	}
	if paper.Note != "" {
		text += " (" + paper.Note + ")"
	}
	return text
}
