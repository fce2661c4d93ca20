package mapping

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/exact"
	"gradus/internal/sheet"
	"gradus/protocol"
)

type planned struct {
	p   *protocol.Protocol
	e   *estimate.Estimator
	err error
}

// worker scores rows; each has its own plans and state.
type worker struct {
	t     *table
	load  func(id string) planned
	plans map[string]planned

	r      *row
	scored sheet.Scored // of the row; used again for the next one
	out    *sheet.Scored
	events []conduct.Event
	s      conduct.State
	p      *protocol.Protocol
	fault  *Fault
}

func (w *worker) write(b *block, r *row, write func([]byte, *Score) ([]byte, error)) error {
	s := w.score(r)
	for _, f := range s.Faults {
		b.said = append(b.said, f.Error())
	}
	b.notices = append(b.notices, s.Notices...)
	var err error
	b.out, err = write(b.out, s)
	return err
}

// score makes a test of a row and judges it.
func (w *worker) score(r *row) *Score {
	w.r, w.fault, w.events = r, nil, w.events[:0]
	m := w.t.m
	w.scored = sheet.Scored{ID: w.t.cell(r, m.Test), File: w.t.name}
	w.out = &w.scored
	w.out.Person.Said = map[string]string{}
	id := m.Protocol.Is
	if id == "" {
		word := w.t.cell(r, m.Protocol.Column)
		if word == "" {
			return &Score{w.out, m.Protocol.Missing}
		}
		if id = m.Protocol.Words[word]; id == "" {
			w.bad(m.Protocol.Column, "%q is no protocol of this mapping", word)
			return w.failed()
		}
	}
	plan, known := w.plans[id]
	if !known {
		plan = w.load(id)
		w.plans[id] = plan
	}
	if plan.err != nil {
		w.bad(m.Protocol.Column, "%v", plan.err)
		return w.failed()
	}
	w.p = plan.p
	in := w.person()
	if w.out.ID == "" {
		w.bad(m.Test, "is empty; every test needs an id")
	}
	w.test(in)
	if w.fault != nil {
		return w.failed()
	}
	w.out.Protocol, w.out.Estimator, w.out.Events, w.out.State = plan.p, plan.e, w.events, w.s
	w.out.Person.In, w.out.Person.Protocol = w.s.In, id
	w.out.Judged = estimate.Assess(plan.p, &w.out.State, plan.e)
	w.official()
	for _, column := range m.Carry {
		if text := w.t.cell(r, column); text != "" {
			w.out.Carried = append(w.out.Carried, sheet.Carried{Column: column, Texts: []string{text}})
		}
	}
	return &Score{Scored: w.out}
}

func (w *worker) failed() *Score {
	f := w.fault
	w.out.Faults = []*sheet.Fault{{File: f.Name, Line: f.Line, Field: f.Field, Msg: f.Msg}}
	return &Score{Scored: w.out}
}

// bad notes the first fault of a row.
func (w *worker) bad(column, format string, args ...any) {
	if w.fault == nil {
		w.fault = &Fault{w.t.name, w.r.line, w.t.columns[column] + 1, column + ": " + fmt.Sprintf(format, args...)}
	}
}

// number reads a cell; there is false when it is empty.
func (w *worker) number(column string) (v float64, there bool) {
	text := w.t.cell(w.r, column)
	if text == "" {
		return 0, false
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		w.bad(column, "%q is not a number; write it with a decimal point", text)
		return 0, false
	}
	return v, true
}

func (w *worker) pointer(column string) *float64 {
	if v, there := w.number(column); there {
		return &v
	}
	return nil
}

// person fills the inputs.
func (w *worker) person() conduct.Inputs {
	in := conduct.Inputs{BP: conduct.BPNone}
	for name, v := range w.t.m.Person {
		if len(v.Words) > 0 {
			word := w.t.cell(w.r, v.Column)
			if word == "" {
				continue
			}
			mapped, known := v.Words[word]
			if !known {
				w.bad(v.Column, "%q is none of the words of this mapping", word)
				continue
			}
			w.input(&in, name, v.Column, mapped, 0)
			continue
		}
		if n, there := w.number(v.Column); there {
			w.input(&in, name, v.Column, "", n)
		}
	}
	return in
}

// input takes a fact about the person. What cannot be true is left out and said; without a true age there is no test.
func (w *worker) input(in *conduct.Inputs, name, column, word string, v float64) {
	err := in.Set(name, word, v)
	switch {
	case err == nil:
	case name == "age_years":
		w.bad(column, "%v", err)
	default:
		w.out.Notices = append(w.out.Notices, fmt.Sprintf("%s:%d:%d: %s is left out: %v", w.t.name, w.r.line, w.t.columns[column]+1, column, err))
	}
}

// add gives an event its place and lets the state take it.
func (w *worker) add(e conduct.Event) error {
	id := w.s.NextID()
	e.Term, e.N, e.At = id.Term, id.N, max(e.At, w.s.Now)
	if err := w.s.Take(w.p, &e); err != nil {
		return err
	}
	w.events = append(w.events, e)
	return nil
}

// must adds an event without which there is no test.
func (w *worker) must(column string, e conduct.Event) bool {
	if err := w.add(e); err != nil {
		w.bad(column, "%s", reasonOf(err))
		return false
	}
	return true
}

func reasonOf(err error) string {
	var r *conduct.RefusedError
	if errors.As(err, &r) {
		if r.Hint != "" {
			return r.Msg + "; " + r.Hint
		}
		return r.Msg
	}
	return err.Error()
}

// test writes the events of a row.
func (w *worker) test(in conduct.Inputs) {
	w.s = conduct.State{}
	begin := &conduct.Begin{Format: conduct.FormatVersion, Protocol: w.p.ID, Version: w.p.Version, Hash: w.p.Hash, Inputs: in}
	if !w.must(w.t.m.Test, conduct.Event{Kind: conduct.Began, Begin: begin}) {
		return
	}
	at := protocol.Ms(0)
	for i := range w.t.m.Stages {
		if !w.stage(i, &at) {
			break
		}
	}
	if w.fault != nil || w.s.NStages == 0 {
		if w.fault == nil {
			w.must(w.t.m.Test, conduct.Event{At: at, Kind: conduct.Closed, Code: "sheet"})
		}
		return
	}
	w.stop(at)
	w.after(at)
	w.must(w.t.m.Test, conduct.Event{Kind: conduct.Closed, Code: "sheet"})
}

// stage writes a stage; more is false when it was not begun.
func (w *worker) stage(i int, at *protocol.Ms) (more bool) {
	st := &w.t.m.Stages[i]
	part := w.p.Find(st.Part)
	if part < 0 {
		w.bad(w.t.m.Test, "protocol %s has no part %s; check the mapping", w.p.ID, st.Part)
		return false
	}
	minutes, lasted := w.number(st.Minutes)
	hr := w.pointer(st.HeartRate)
	if (!lasted || minutes <= 0) && hr == nil {
		return false
	}
	length := w.p.Parts[part].Lasts
	if lasted && minutes > 0 {
		length = protocol.Ms(math.Round(minutes * float64(protocol.Minute)))
	}
	event := conduct.Event{At: *at, Kind: conduct.StageBegun, Code: st.Part}
	event.V, _ = w.s.PlannedWork(w.p, part)
	if g := w.p.Parts[part].Work.Grade; g != nil {
		event.V2 = *g
	}
	if v, there := w.number(st.Work); there {
		event.V = v
	}
	if !w.must(st.HeartRate, event) {
		return false
	}
	began := *at
	*at += length
	r := sheet.Row{Line: w.r.line, Phase: sheet.Stage, Stage: i + 1, In: w.s.Current(), Began: minutesOf(began), At: *at, Minute: minutesOf(*at), StageMinute: minutesOf(length),
		Work: &event.V, HR: hr, RPE: w.pointer(st.RPE), SBP: w.pointer(st.SBP), DBP: w.pointer(st.DBP), SpO2: w.pointer(st.SpO2)}
	w.readings(&r, w.slot(part), &st.Reading)
	w.out.Rows = append(w.out.Rows, r)
	return w.fault == nil
}

// slot is the stage minute of the heart rate that is planned last in a part.
func (w *worker) slot(part int) (minute uint16) {
	for _, planned := range w.p.SetOf(part) {
		if planned.What == protocol.HeartRate {
			minute = uint16((planned.At + protocol.Minute - 1) / protocol.Minute)
		}
	}
	return minute
}

func minutesOf(at protocol.Ms) float64 { return float64(at) / float64(protocol.Minute) }

// readings writes what was read at a moment. A value that cannot be true is left out, and said.
func (w *worker) readings(r *sheet.Row, slot uint16, from *Reading) {
	type reading struct {
		column string
		v      **float64
		e      conduct.Event
	}
	all := []reading{
		{from.HeartRate, &r.HR, conduct.Event{What: protocol.HeartRate, Slot: slot}},
		{from.SBP, &r.SBP, conduct.Event{What: protocol.BloodPressure}},
		{from.SpO2, &r.SpO2, conduct.Event{What: protocol.SpO2}},
		{from.RPE, &r.RPE, conduct.Event{What: protocol.RPE}},
	}
	for i := range all {
		k := &all[i]
		if *k.v == nil {
			continue
		}
		k.e.Kind, k.e.At, k.e.V, k.e.Src = conduct.Reading, r.At, **k.v, conduct.Typed
		if k.e.What == protocol.BloodPressure && r.DBP != nil {
			k.e.V2 = *r.DBP
		}
		if err := w.add(k.e); err != nil {
			w.out.Notices = append(w.out.Notices, fmt.Sprintf("%s:%d: %s is left out: %s", w.t.name, w.r.line, k.column, reasonOf(err)))
			*k.v = nil
		}
	}
}

// stop ends the test where its last stage ended.
func (w *worker) stop(at protocol.Ms) {
	e := conduct.Event{At: at, Kind: conduct.Stopped, Code: "other", Text: "not given"}
	column := w.t.m.Test
	if s := w.t.m.Stop; s != nil {
		column = s.Column
		for _, letter := range w.t.cell(w.r, s.Column) {
			reason, known := s.Letters[string(letter)]
			switch {
			case !known:
				w.bad(s.Column, "%q is no letter of this mapping", string(letter))
			case !w.out.Stop.Given:
				e.Code, e.Text, w.out.Stop.Given = reason.Code, reason.Text, true
			default:
				e.Text += ", " + reason.Text
			}
		}
	}
	if !w.out.Stop.Given && w.s.NextPart(w.p) < 0 {
		e.Code = "completed"
	}
	w.out.Stop.Code, w.out.Stop.Text = e.Code, e.Text
	w.must(column, e)
}

// after writes the readings after the stop.
func (w *worker) after(at protocol.Ms) {
	if len(w.t.m.After) == 0 || w.fault != nil {
		return
	}
	if w.add(conduct.Event{At: at, Kind: conduct.RestBegun}) != nil {
		return
	}
	for i := range w.t.m.After {
		from := &w.t.m.After[i]
		minutes, there := w.number(from.Minutes)
		if !there || minutes <= 0 {
			minutes = 1
		}
		hr, sbp := w.pointer(from.HeartRate), w.pointer(from.SBP)
		at += protocol.Ms(math.Round(minutes * float64(protocol.Minute)))
		if hr == nil && sbp == nil {
			continue
		}
		r := sheet.Row{Line: w.r.line, Phase: sheet.Recovery, In: -1, At: at, Minute: minutesOf(at), HR: hr, RPE: w.pointer(from.RPE), SBP: sbp, DBP: w.pointer(from.DBP), SpO2: w.pointer(from.SpO2)}
		w.readings(&r, 0, from)
		w.out.Rows = append(w.out.Rows, r)
	}
}

// official leaves the estimate out where the table has none, with the reason, and compares where it has one.
func (w *worker) official() {
	o := w.t.m.Official
	if o == nil {
		return
	}
	j := &w.out.Judged
	if !slices.Contains(o.Words, w.t.cell(w.r, o.Column)) {
		text := o.Missing
		switch {
		case j.Estimate == nil:
			text += ": " + j.NoEstimate
		case !j.Estimate.Value.Present():
			text += ": " + j.Estimate.Why
		}
		if w.out.Stop.Given {
			text += "; it was stopped: " + w.out.Stop.Text
		}
		j.Estimate, j.NoEstimate, j.Verdict, j.Compared = nil, text, estimate.NotUsable, []estimate.Compared{}
		j.Reasons = append(j.Reasons, estimate.Caution{ID: "no-official-estimate", Text: text, Source: w.t.m.Source})
		return
	}
	given, there := w.number(o.Value)
	if !there || j.Estimate == nil || !j.Estimate.Value.Present() {
		return
	}
	ours := float64(j.Estimate.Value)
	if apart := math.Abs(ours - given); apart > o.Within+1e-9 && math.Abs(exact.HalfUp(100*ours)/100-given) > 1e-9 {
		j.Reasons = append(j.Reasons, estimate.Caution{ID: "differs-from-official", Text: fmt.Sprintf("the table gives %g, %.3f away", given, apart), Source: w.t.m.Source})
		if j.Verdict == estimate.Usable {
			j.Verdict = estimate.WithCaution
		}
	}
}
