package conduct

import (
	"fmt"
	"sort"

	"gradus/protocol"
)

// Departure is a place where the test was not run as the protocol says. Departures are computed from the
// readings and acts as they stand, so a correction changes them.
type Departure struct {
	At     protocol.Ms `json:"at"`
	Minute int         `json:"minute"` // of the test, from 1
	Stage  int         `json:"stage"`  // from 1; 0: none
	Text   string      `json:"text"`
	Rule   Rule        `json:"rule"`
	Lowers bool        `json:"lowers"` // by itself it makes the result usable with caution at best
}

// Minute is the minute of the test a moment lies in: minute 5 is 4:00 to 5:00, its end included.
func Minute(at protocol.Ms) int { return max(1, int((at+protocol.Minute-1)/protocol.Minute)) }

// Departures lists where the test departed from the protocol, in the order of time.
func Departures(p *protocol.Protocol, s *State) []Departure {
	d := &departer{p: p, s: s}
	for i := range s.Stages[:s.NStages] {
		d.work(i)
		d.length(i)
		d.readings(i)
	}
	d.branch()
	d.unread()
	d.wentOn()
	d.late()
	d.reason()
	d.afterwards()
	sort.SliceStable(d.out, func(i, j int) bool { return d.out[i].At < d.out[j].At })
	return d.out
}

type departer struct {
	p   *protocol.Protocol
	s   *State
	out []Departure
}

func (d *departer) add(at protocol.Ms, stage int, rule Rule, lowers bool, format string, args ...any) {
	d.out = append(d.out, Departure{at, Minute(at), stage + 1, fmt.Sprintf(format, args...), rule, lowers})
}

// begun is add for an act: one at 3:00 begins minute 4, where a reading at 3:00 ends minute 3.
func (d *departer) begun(at protocol.Ms, stage int, rule Rule, lowers bool, format string, args ...any) {
	d.add(at, stage, rule, lowers, format, args...)
	d.out[len(d.out)-1].Minute = Minute(at + 1)
}

// title names a stage as people count: by its part, with the load where parts repeat.
func (d *departer) title(i int) string { return d.p.Parts[d.s.Stages[i].Part].Title }

// work looks for loads other than planned and for stages left out or taken up again.
func (d *departer) work(i int) {
	st := &d.s.Stages[i]
	part := &d.p.Parts[st.Part]
	form := part.Work.Form()
	switch {
	case st.Row == 0 && form == "row":
		d.begun(st.Began, i, "choose.rows", true, "%s began at %s W before a row could be chosen", part.Title, num(st.First))
	case st.otherWork(d.p) && (form == "fixed" || form == "row" || form == "added"):
		d.begun(st.Began, i, "parts.work", st.Set > st.Planned, "%s at %s W, planned %s W", part.Title, num(st.Set), num(st.Planned))
	case st.otherWork(d.p) && (form == "speed" || form == "same-speed"):
		d.begun(st.Began, i, "parts.work", st.Set > st.Planned, "%s at %s, planned %s", part.Title, SpeedText(&part.Work, st.Set), SpeedText(&part.Work, st.Planned))
	}
	if st.Changed {
		d.begun(st.From, i, "wrong_work", false, "work rate of %s changed from %s to %s W", part.Title, num(st.First), num(st.Set))
	}
	if d.leftOut(i) {
		d.begun(st.Began, i, "parts", true, "a stage was left out before %s", part.Title)
	}
	if ObservedDiffers(d.p, st) {
		d.begun(st.From, i, "wrong_work.tolerance_watts", true, "the machine measured %s W in %s, set were %s W", num(st.Observed), part.Title, num(st.Set))
	}
	if st.Restarts > 0 {
		d.begun(st.From, i, "breaks", false, "the minutes of %s began again", part.Title)
	}
}

// leftOut reports whether a part that needs no condition and no asking was left out before a stage.
func (d *departer) leftOut(i int) bool {
	from := 0
	if i > 0 {
		from = int(d.s.Stages[i-1].Part) + 1
	}
	if d.p.Parts[d.s.Stages[i].Part].If != "" {
		return false
	}
	for k := from; k < int(d.s.Stages[i].Part); k++ {
		if part := &d.p.Parts[k]; part.If == "" && part.OnlyIf == nil {
			return true
		}
	}
	return false
}

// length looks for stages that were too short or too long.
func (d *departer) length(i int) {
	st := &d.s.Stages[i]
	part := &d.p.Parts[st.Part]
	if part.Steady != "hold" || st.Superseded {
		return
	}
	j := d.s.Judge(d.p, i)
	last := i == int(d.s.NStages)-1
	switch {
	case last && !d.s.Stop.Active:
	case st.Accepted:
		d.add(st.Ended, i, "hold.then", false, "%s was accepted although unsteady", part.Title)
	case j.Known && !j.Steady && (!last || d.unexplained()):
		d.add(st.Ended, i, "hold.within", false, "%s was not extended although %s and %s differ by %s", part.Title, num(j.Prev), num(j.Last), num(j.Apart()))
	case !j.Complete && !last && st.Ended-st.From < part.Lasts:
		d.add(st.Ended, i, "parts.lasts", false, "%s was left after %v", part.Title, st.Ended-st.From)
	}
	d.extensions(i)
}

// unexplained reports whether the test ended without a reason that explains why its last stage was not extended.
func (d *departer) unexplained() bool {
	code := d.s.Stop.Code
	return (code == "completed" || code == "other") && d.s.Standing(d.p, d.s.Stop.At).Severity == NotEnding
}

// extensions looks for minutes added although the heart rate was steady, and for too many of them.
func (d *departer) extensions(i int) {
	st := &d.s.Stages[i]
	part := &d.p.Parts[st.Part]
	free := int(st.Extra[ForCuff]) + int(st.Extra[ForBreak])
	base := int(part.Lasts / protocol.Minute)
	for k := 0; k < st.minutesExtra(); k++ {
		minute := uint8(base + k)
		prev, ok1 := d.s.heartAt(d.p, st, minute-1, true)
		now, ok2 := d.s.heartAt(d.p, st, minute, true)
		if !ok1 || !ok2 || max(prev-now, now-prev) > d.p.Hold.It.Within {
			continue
		}
		if free > 0 {
			free--
			continue
		}
		at := st.From + protocol.Ms(minute)*protocol.Minute
		d.add(at+protocol.Minute, i, "hold.within", false, "%s was extended although steady (%s, then %s)", part.Title, num(prev), num(now))
	}
	if st.asked() > d.p.Hold.It.AtMost {
		d.add(st.Ended, i, "hold.at_most", false, "%s had %d extra minutes, at most %d are meant", part.Title, st.asked(), d.p.Hold.It.AtMost)
	}
}

// readings looks for planned readings that are missing, late or outside their window.
func (d *departer) readings(i int) {
	st := &d.s.Stages[i]
	if st.Superseded {
		return
	}
	until := st.Ended - st.From
	if st.Running() {
		until = d.s.Now - st.From
	}
	for _, minute := range heartMinutes(d.p, st) {
		due := st.dueAt(d.p, minute) - st.From
		if minute == 0 || due > until {
			break
		}
		if planned := st.plannedHeart(d.p, minute); planned != nil && planned.Need != protocol.Required {
			continue
		}
		if _, ok := d.s.heartAt(d.p, st, minute, true); !ok {
			d.add(st.From+due, i, "readings", false, "heart rate at the end of minute %d of %s is missing", minute, d.title(i))
		}
	}
	over := overOf(d.p, st, protocol.HeartRate)
	for k := range st.Readings[:st.NReadings] {
		r := &st.Readings[k]
		if r.What != protocol.HeartRate || r.Slot == 0 || !r.sound() {
			continue
		}
		due := st.dueAt(d.p, r.Slot)
		if st.wanted(d.p, r.Slot) == 1 && r.outside(due, over) && r.Moment >= st.Began {
			d.add(r.Moment, i, "readings", false, "heart rate of minute %d of %s was read outside its window", r.Slot, d.title(i))
		}
	}
}

// branch looks for a row other than the one the reading called for.
func (d *departer) branch() {
	called, hr, near := d.s.RowCalled(d.p)
	for i := range d.s.Stages[:d.s.NStages] {
		st := &d.s.Stages[i]
		row := int(st.Row)
		if row == 0 || row == called {
			continue
		}
		rows := &d.p.Choose.It
		if called == 0 {
			d.begun(st.Began, i, "choose.rows", true, "row %d (%s) ridden, although no heart rate calls for a row", row, rowWork(rows, row))
			return
		}
		harder := Harder(d.p, row, called)
		text := fmt.Sprintf("row %d (%s) ridden, %s calls for row %d (%s)", row, rowWork(rows, row), num(hr), called, rowWork(rows, called))
		if !harder {
			text += "; a gentler row is always allowed"
		}
		if d.s.Repeats && row == int(d.s.Before) {
			text += "; " + whyRepeat
			harder = harder && !st.Confirmed
		} else if harder && near == row {
			text += fmt.Sprintf("; %s lies within %s beats of it", num(hr), num(rows.Near))
		}
		d.begun(st.Began, i, "choose.rows", harder, "%s", text)
		return
	}
}

func rowWork(c *protocol.Choose, row int) string {
	text := ""
	for i, w := range c.Rows[row-1].Work {
		if i > 0 {
			text += ", "
		}
		text += num(*w.Watts)
	}
	return text + " W"
}

// wentOn looks for a test that went on after its end was reached.
func (d *departer) wentOn() {
	s := d.s
	if s.NStages == 0 {
		return
	}
	end := s.Standing(d.p, s.Now)
	if end.Severity == NotEnding || end.Severity == CheckFirst {
		return
	}
	for i := 1; i < int(s.NStages); i++ {
		// A reading at the very end of a stage comes before the next load.
		if st := &s.Stages[i]; st.Began >= end.At && (st.Began > end.At || s.stageAt(end.At, false) < i) {
			d.begun(st.Began, i, end.Rule, true, "the test went on with %s W after: %s", num(st.Set), sayEnding(d.p, s, end))
			return
		}
	}
	last := &s.Stages[s.NStages-1]
	if !last.Running() && last.Ended-end.At > protocol.Minute {
		d.add(end.At, int(s.NStages)-1, end.Rule, true, "the stage went on for %v after: %s", last.Ended-end.At, sayEnding(d.p, s, end))
	}
}

// unread looks for a test that began with too little room, or went on although no heart rate could be read for longer than the sign allows.
func (d *departer) unread() {
	s := d.s
	if room, beats := RoomOf(&s.In, &s.Limits); room == RoomNone && s.NStages > 0 {
		d.begun(s.Stages[0].Began, 0, "conductor.headroom", false, "begun with only %s beats between the resting heart rate and the first end by heart rate", num(beats))
	}
	gap := s.Unread
	for i := range d.p.Table {
		sign := &d.p.Table[i]
		if sign.When.Unread && gap.Lasts > sign.Within {
			d.add(gap.From, s.stageAt(gap.From, false), "signs", true, "no heart rate could be read for %v; the test stops after %v", gap.Lasts, sign.Within)
		}
	}
}

// late looks for facts of a former device that would have stopped the test, had they come in time.
func (d *departer) late() {
	s := d.s
	for i := range s.Late[:s.NLate] {
		v := &s.Late[i]
		if s.NStages == 0 || !s.lateAlarm(d.p, v) {
			continue
		}
		last := &s.Stages[s.NStages-1]
		wentOn := last.Running() || last.Ended-v.Moment > protocol.Minute
		d.add(v.Moment, -1, "conductor.take-over", wentOn, "%s It came late and decided nothing.", warnLate(v))
	}
}

// reason looks for a planned end that was given as the reason although nothing reached it.
func (d *departer) reason() {
	s := d.s
	if s.Stop.Active && s.Stop.Code == "end-point" && s.Limits.EndPoint > 0 {
		if _, _, ok := s.reached(d.p, protocol.HeartRate, s.Limits.EndPoint); !ok {
			d.add(s.Stop.At, -1, "end_point.percent", false, "the end point was given as the reason to stop, but no heart rate reached %d", s.Limits.EndBeat)
		}
	}
}

// afterwards looks at the cool-down and the close.
func (d *departer) afterwards() {
	s := d.s
	if d.p.CoolDown.Is() && s.CoolFrom > 0 && s.CoolWork > CoolWork(d.p, s) {
		d.begun(s.CoolFrom, -1, "cool_down", false, "cool-down at %s W, above %s W", num(s.CoolWork), num(CoolWork(d.p, s)))
	}
	if s.Stop.Taken > 0 {
		d.add(s.Now, -1, "stop_by_mistake", false, "a stop was taken back as a mistake (%d)", s.Stop.Taken)
	}
	if a, _ := s.advice(d.p); s.Stop.Active && s.CoolFrom > 0 && a == protocol.AfterSeated {
		d.begun(s.CoolFrom, -1, "signs", false, "cool-down at %s W after a sign for which one stays seated", num(s.CoolWork))
	}
	if s.Phase == Over && d.p.Recovery.Is() && s.CloseCode == "recovered" && s.Stop.Active && !s.RecoveredAt(d.p, s.ClosedAt).All {
		d.add(s.ClosedAt, -1, "recovery", false, "closed as recovered, which the readings do not show")
	}
	if s.Phase == Over && d.p.Recovery.Is() && s.CloseCode != "recovered" && s.CloseCode != "sheet" {
		d.add(s.ClosedAt, -1, "recovery", false, "closed before recovery was complete (%s)", s.CloseCode)
	}
}
