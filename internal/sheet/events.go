package sheet

import (
	"errors"

	"gradus/conduct"
	"gradus/protocol"
)

// writer turns the rows of a test into events, one after the other, and asks the conductor's state whatever
// a row does not say: how long the stage was to be, whether it was steady, what stood against going on.
type writer struct {
	t      *test
	p      *protocol.Protocol
	src    conduct.Source
	s      conduct.State
	events []conduct.Event
	rows   []Row
	stop   Stop
	phase  Phase
	stage  int // as the rows count
}

// write makes the events of a test. The rows learn in which stage of the state they lie.
func write(t *test, p *protocol.Protocol, person *Person, rows []Row, stop Stop) (events []conduct.Event, ended Stop) {
	in := person.In
	if !tookPressure(rows) {
		in.BP = conduct.BPNone
	}
	w := &writer{t: t, p: p, src: in.HRMethod, rows: rows, stop: stop}
	if w.src == conduct.NoSource {
		w.src = conduct.Typed
	}
	begin := &conduct.Begin{Format: conduct.FormatVersion, Protocol: p.ID, Version: p.Version, Hash: p.Hash, Inputs: in}
	if !w.add(0, conduct.Event{Kind: conduct.Began, Begin: begin}) {
		return nil, w.stop
	}
	for i := range rows {
		if !w.row(i) {
			return nil, w.stop
		}
	}
	if !w.stopped(len(rows) - 1) {
		return nil, w.stop
	}
	w.add(len(rows)-1, conduct.Event{Kind: conduct.Closed, Code: "sheet"})
	return w.events, w.stop
}

func tookPressure(rows []Row) bool {
	for i := range rows {
		if rows[i].SBP != nil && rows[i].Phase == Stage {
			return true
		}
	}
	return false
}

// add gives an event its id and its time, if it has none, and lets the state take it. What the conductor
// refuses is a fault of the row.
func (w *writer) add(row int, e conduct.Event) bool {
	if err := w.try(e); err != nil {
		return w.refused(row, &e, err)
	}
	return true
}

func (w *writer) refused(row int, e *conduct.Event, err error) bool {
	msg := err.Error()
	var refused *conduct.RefusedError
	if errors.As(err, &refused) {
		msg = refused.Msg
		if refused.Hint != "" {
			msg += "; " + refused.Hint
		}
	}
	w.t.faultAt(w.line(row), columnOf(e), "%s", msg)
	return false
}

func (w *writer) try(e conduct.Event) error {
	id := w.s.NextID()
	e.Term, e.N = id.Term, id.N
	e.At = max(e.At, w.s.Now)
	next, err := conduct.Apply(w.p, w.s, &e)
	if err != nil {
		return err
	}
	w.s = next
	w.events = append(w.events, e)
	return nil
}

// columnOf is the column an event comes from, for messages.
func columnOf(e *conduct.Event) string {
	switch e.Kind {
	case conduct.Began:
		return "test"
	case conduct.Reading:
		return map[protocol.Quantity]string{protocol.HeartRate: "hr_bpm", protocol.RPE: "rpe", protocol.BloodPressure: "sbp_mmhg",
			protocol.SpO2: "spo2_percent", protocol.CadenceRate: "cadence_per_min",
			protocol.Distance: "distance_m", protocol.Breathless: "breathlessness"}[e.What]
	case conduct.WorkSet, conduct.CoolBegun:
		return "work_w"
	case conduct.Break, conduct.BreakOver:
		return "rest_s"
	case conduct.SignSeen:
		return "symptom"
	case conduct.Stopped:
		return "stop_reason"
	}
	return "stage"
}

func (w *writer) line(row int) *line {
	for i := range w.t.lines {
		if w.t.lines[i].n == w.rows[row].Line {
			return &w.t.lines[i]
		}
	}
	return &w.t.lines[0]
}

// row writes one row: the stage it opens, the work rate it changes, the minutes it adds, what it reads.
func (w *writer) row(i int) bool {
	row := &w.rows[i]
	if !w.enter(i, row) || !w.setWork(i, row) {
		return false
	}
	if row.Phase == Stage {
		w.extend(row)
		row.In = w.s.Current()
	}
	return w.rest(i, row) && w.readings(i, row) && w.signs(i, row)
}

// rest writes a rest that ended with the minute of the row.
func (w *writer) rest(i int, row *Row) bool {
	if row.Rest == nil {
		return true
	}
	return w.add(i, conduct.Event{At: row.At - protocol.Ms(*row.Rest*1000), Kind: conduct.Break}) && w.add(i, conduct.Event{At: row.At, Kind: conduct.BreakOver})
}

// enter opens the stage, cool-down or recovery of a row where the row before ended.
func (w *writer) enter(i int, row *Row) bool {
	if i > 0 && row.Phase == w.phase && row.Stage == w.stage {
		return true
	}
	w.phase, w.stage = row.Phase, row.Stage
	work := 0.0
	if row.Work != nil {
		work = *row.Work
	}
	switch row.Phase {
	case CoolDown:
		return w.stopped(i) && w.add(i, conduct.Event{Kind: conduct.CoolBegun, V: work})
	case Recovery:
		return w.stopped(i) && w.add(i, conduct.Event{Kind: conduct.RestBegun})
	}
	part := partOf(w.p, row.Stage)
	if !w.branch(i, part) {
		return false
	}
	if row.Work == nil && watts(w.p.Parts[part].Work.Form()) {
		work, _ = w.s.PlannedWork(w.p, part) // only METs are shown: what was set is not known
	}
	begin := conduct.Event{At: testTime(row.Began), Kind: conduct.StageBegun, Code: w.p.Parts[part].ID, V: work, Level: level(row)}
	if form := w.p.Parts[part].Work.Form(); !watts(form) {
		begin.V, begin.V2 = w.otherWork(i, part)
	}
	return w.add(i, begin)
}

func level(row *Row) float64 {
	if row.Level == nil {
		return 0
	}
	return *row.Level
}

// otherWork is the speed and grade, or the rate and height, of a part: as the row says, else as planned.
func (w *writer) otherWork(i, part int) (v, v2 float64) {
	v, _ = w.s.PlannedWork(w.p, part)
	v2 = w.p.Parts[part].Work.Second()
	if row := &w.rows[i]; row.Speed != nil {
		v = *row.Speed
		if row.Grade != nil {
			v2 = *row.Grade
		}
	}
	return v, v2
}

// branch records the row that was ridden before the first stage that comes from one.
func (w *writer) branch(i, part int) bool {
	if w.p.Parts[part].Work.Form() != "row" || w.s.Row != 0 {
		return true
	}
	row := w.rodeRow()
	if row == 0 {
		return true // no row fits: the conductor compares with the one called for
	}
	return w.add(i, conduct.Event{Kind: conduct.Branched, Code: w.p.Choose.It.Rows[row-1].ID})
}

// rodeRow is the row (from 1) whose work rates fit most of the stages as ridden; 0 when none fits. Between
// rows that fit equally well the one that was called for is taken, then the one that fits sooner.
func (w *writer) rodeRow() (best int) {
	called, _, _ := w.s.RowCalled(w.p)
	most, bestSoon := 0, 0
	for k := range w.p.Choose.It.Rows {
		fits, soon := w.fit(k)
		if fits == 0 {
			continue
		}
		better := fits > most || fits == most && k+1 == called || fits == most && best != called && soon > bestSoon
		if better {
			best, most, bestSoon = k+1, fits, soon
		}
	}
	return best
}

// fit counts the stages whose first work rate is that of a row; soon is larger the earlier they are.
func (w *writer) fit(k int) (fits, soon int) {
	stage := 0
	for i := range w.rows {
		row := &w.rows[i]
		if row.Phase != Stage || row.Stage == stage || row.Work == nil {
			continue
		}
		stage = row.Stage
		work := &w.p.Parts[partOf(w.p, stage)].Work
		if work.Form() == "row" && *w.p.Choose.It.Rows[k].Work[work.Row-1].Watts == *row.Work {
			fits++
			soon = max(soon, len(w.p.Parts)-stage)
		}
	}
	return fits, soon
}

// setWork changes the work rate inside a stage; the new one holds from the minute of the row on.
func (w *writer) setWork(i int, row *Row) bool {
	if row.Work == nil {
		return true
	}
	switch row.Phase {
	case Stage:
		if *row.Work != w.s.Stages[w.s.Current()].Set {
			return w.add(i, conduct.Event{Kind: conduct.WorkSet, V: *row.Work, Level: level(row)})
		}
	case CoolDown:
		if *row.Work != w.s.CoolWork {
			return w.add(i, conduct.Event{Kind: conduct.WorkSet, V: *row.Work})
		}
	}
	return true
}

// extend adds the minutes that the sheet shows beyond those planned so far.
func (w *writer) extend(row *Row) {
	for {
		st := &w.s.Stages[w.s.Current()]
		end := st.From + st.Length(w.p)
		if row.At <= end+w.p.Hold.It.Over {
			return
		}
		if w.try(conduct.Event{At: end, Kind: conduct.Extended, Code: w.whyLonger(end)}) != nil {
			w.t.notice(row.Line, w.t.sheet.at["stage"], "stage", "the stage is longer than a stage can be; its later readings decide nothing")
			return
		}
	}
}

// whyLonger is the conductor's own reason for one more minute, where it had one.
func (w *writer) whyLonger(end protocol.Ms) string {
	if act, ok := w.s.Due(w.p, end); ok && act.Kind == conduct.Extended {
		return act.Code
	}
	i := w.s.Current()
	st := &w.s.Stages[i]
	j := w.s.Judge(w.p, i)
	last := uint8(st.Length(w.p) / protocol.Minute)
	switch {
	case j.LastMinute < last:
		return "missing"
	case j.Known && !j.Steady:
		return "steady"
	}
	return "examiner"
}

// readings writes what a row reads, heart rate first.
func (w *writer) readings(i int, row *Row) bool {
	if row.HR != nil {
		if !w.add(i, conduct.Event{At: row.At, Kind: conduct.Reading, What: protocol.HeartRate, V: *row.HR, Src: w.src}) {
			return false
		}
		if row.Disturbed {
			ref := w.events[len(w.events)-1].ID()
			if !w.add(i, conduct.Event{At: row.At, Kind: conduct.Disturbed, Ref: ref}) {
				return false
			}
		}
	}
	if row.SBP != nil {
		e := conduct.Event{At: row.At, Kind: conduct.Reading, What: protocol.BloodPressure, V: *row.SBP, Src: conduct.Typed}
		if row.DBP != nil {
			e.V2 = *row.DBP
		}
		if !w.add(i, e) {
			return false
		}
	}
	for _, r := range []struct {
		what protocol.Quantity
		v    *float64
	}{{protocol.SpO2, row.SpO2}, {protocol.RPE, row.RPE}, {protocol.CadenceRate, row.Cadence}, {protocol.Distance, row.Distance}, {protocol.Breathless, row.Breathless}} {
		if r.v != nil && !w.add(i, conduct.Event{At: row.At, Kind: conduct.Reading, What: r.what, V: *r.v, Src: conduct.Typed}) {
			return false
		}
	}
	// A row that reads nothing still lets time pass.
	return w.s.Now == row.At || w.add(i, conduct.Event{At: row.At, Kind: conduct.Note, Text: row.Note})
}

func (w *writer) signs(i int, row *Row) bool {
	for _, symptom := range row.Symptoms {
		if !w.add(i, conduct.Event{At: row.At, Kind: conduct.SignSeen, Code: symptom.Sign, Text: symptom.Text}) {
			return false
		}
	}
	if row.Note != "" && w.events[len(w.events)-1].Text != row.Note {
		return w.add(i, conduct.Event{At: row.At, Kind: conduct.Note, Text: row.Note})
	}
	return true
}

// NotGiven stands in place of a reason to stop that a sheet does not give.
const NotGiven = "not given"

// stopped stops the test where its last stage ended.
func (w *writer) stopped(i int) bool {
	if w.s.Stop.Active || w.s.NStages == 0 {
		return true
	}
	if !w.stop.Given {
		w.stop.Code, w.stop.Text = w.standing(), NotGiven
	}
	return w.add(i, conduct.Event{Kind: conduct.Stopped, Code: w.stop.Code, Text: w.stop.Text})
}

// standing is the reason to stop where the sheet gives none: what stood against going on, else the end of
// the plan, else another one.
func (w *writer) standing() string {
	end := w.s.Standing(w.p, w.s.Now)
	if end.Severity != conduct.NotEnding && end.Severity != conduct.CheckFirst {
		return end.Code
	}
	if w.s.NextPart(w.p) < 0 && w.s.Judge(w.p, w.s.Current()).Complete {
		return "completed"
	}
	return "other"
}
