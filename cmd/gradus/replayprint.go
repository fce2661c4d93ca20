package main

import (
	"fmt"
	"io"
	"strings"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/protocol"
)

// write prints a replayed test so that it can be read aloud.
func (r *replayed) write(out io.Writer) error {
	var b strings.Builder
	p, s := r.plan.p, &r.state
	fmt.Fprintf(&b, "%s (%s, version %s)\n", p.Title, p.ID, p.Version)
	r.happened(&b)
	r.stages(&b)
	fmt.Fprintf(&b, "\nState at %v: %v", s.Now, s.Phase)
	if s.Stop.Active {
		fmt.Fprintf(&b, "; stopped at %v (%s)", s.Stop.At, s.Stop.Code)
	}
	b.WriteString(".\n")
	r.instruction(&b)
	r.departures(&b)
	r.judged(&b)
	_, err := io.WriteString(out, b.String())
	return err
}

// happened lists the events of the test in the order of the file.
func (r *replayed) happened(b *strings.Builder) {
	no := map[int]bool{}
	for _, refused := range r.refused {
		no[refused.Index] = true
	}
	b.WriteString("\nWhat happened\n")
	for i := range r.list.Events {
		e := &r.list.Events[i]
		mark := ""
		if no[i] {
			mark = "  REFUSED"
		}
		fmt.Fprintf(b, "  %7v  %s%s\n", e.At, eventLine(e), mark)
	}
}

func (r *replayed) stages(b *strings.Builder) {
	p, s := r.plan.p, &r.state
	if s.NStages == 0 {
		return
	}
	b.WriteString("\nStages\n")
	for i := range s.Stages[:s.NStages] {
		st := &s.Stages[i]
		part := &p.Parts[st.Part]
		fmt.Fprintf(b, "  %d. %s, %s, from %v", i+1, part.Title, setWork(part, st), st.Began)
		if st.Running() {
			b.WriteString(", running")
		} else {
			fmt.Fprintf(b, " to %v", st.Ended)
		}
		fmt.Fprintf(b, ": %s.", stageStanding(p, s, i))
		if beats := heartRates(st); beats != "" {
			fmt.Fprintf(b, " Heart rate %s.", beats)
		}
		if st.Distance > 0 {
			fmt.Fprintf(b, " Distance %g m.", st.Distance)
		}
		if st.LowSpO2 > 0 {
			fmt.Fprintf(b, " Lowest saturation %g %%.", st.LowSpO2)
		}
		b.WriteString("\n")
	}
}

func setWork(part *protocol.Part, st *conduct.Stage) string {
	switch part.Work.Form() {
	case "speed":
		return fmt.Sprintf("%g km/h at %g %%", st.Set, st.Set2)
	case "rate":
		return fmt.Sprintf("%g steps a minute onto %g m", st.Set, st.Set2)
	case "own-pace":
		return "own pace"
	case "rest":
		return "rest"
	}
	return fmt.Sprintf("%g W", st.Set)
}

func stageStanding(p *protocol.Protocol, s *conduct.State, i int) string {
	j := s.Judge(p, i)
	st := &s.Stages[i]
	switch {
	case st.Superseded:
		return "taken up again later"
	case j.Counts && j.Steady:
		return "steady, counts"
	case j.Counts && st.Accepted:
		return "accepted although unsteady, counts"
	case j.Counts:
		return "complete, counts"
	case !j.Complete:
		return "not complete, does not count"
	case j.Known && !j.Steady:
		return fmt.Sprintf("%g, then %g, %g apart: not steady, does not count", j.Prev, j.Last, j.Apart())
	}
	return "does not count"
}

func heartRates(st *conduct.Stage) string {
	var beats []string
	for k := range st.Readings[:st.NReadings] {
		v := &st.Readings[k]
		if v.What != protocol.HeartRate {
			continue
		}
		text := fmt.Sprintf("%g", v.V)
		switch {
		case v.Withdrawn:
			text += " (withdrawn)"
		case v.Void:
			text += " (before the restart)"
		case v.Disturbed:
			text += " (disturbed)"
		case v.Corrected:
			text += " (corrected)"
		case v.Slot == 0:
			text += " (unplanned)"
		}
		beats = append(beats, text)
	}
	return strings.Join(beats, ", ")
}

func (r *replayed) instruction(b *strings.Builder) {
	n := &r.next
	fmt.Fprintf(b, "\nInstruction at %v: %s", r.at, n.Say)
	if n.Why != "" {
		fmt.Fprintf(b, " %s", n.Why)
	}
	fmt.Fprintf(b, "\n  Rule: %s (%s)\n", n.Rule, n.Source)
	if n.Confirm != "" {
		fmt.Fprintf(b, "  Confirm: %s\n", n.Confirm)
	}
	for _, c := range n.Choices {
		fmt.Fprintf(b, "  Or: %s\n", c.Say)
	}
	for _, w := range n.Warnings {
		fmt.Fprintf(b, "  Warning: %s\n", w.Say)
	}
}

func (r *replayed) departures(b *strings.Builder) {
	if len(r.verdict.Departures) == 0 {
		b.WriteString("\nNo departure from the protocol.\n")
		return
	}
	b.WriteString("\nDepartures from the protocol\n")
	for _, d := range r.verdict.Departures {
		fmt.Fprintf(b, "  minute %d: %s (%s)\n", d.Minute, d.Text, d.Rule)
	}
}

func (r *replayed) judged(b *strings.Builder) {
	a := &r.verdict
	fmt.Fprintf(b, "\nThe test is %s.\n", a.Verdict)
	for _, c := range a.Reasons {
		word := "Because"
		if c.Notice {
			word = "Note"
		}
		fmt.Fprintf(b, "  %s: %s\n", word, c.Text)
	}
	switch e := a.Estimate; {
	case e == nil:
		fmt.Fprintf(b, "No estimate: %s.\n", a.NoEstimate)
	case e.Verdict == estimate.Refused:
		fmt.Fprintf(b, "No estimate: %s.\n", e.Why)
	default:
		d := estimate.Decimals(e.Unit)
		fmt.Fprintf(b, "%s %.*f %s, %s. It predicts a %s peak.\n", e.What, d, e.Value, e.Unit, strings.Replace(e.RangeText(d), " range ", " interval ", 1), e.Criterion)
		fmt.Fprintf(b, "Source: %s\n", e.Source)
	}
}

// json is the replayed test as a program reads it. Absent parts are null, lists never are.
func (r *replayed) json() any {
	p, s := r.plan.p, &r.state
	out := replayJSON{
		Protocol: p.ID, Version: p.Version, Hash: p.Hash, Events: len(r.list.Events), Refused: []refusedJSON{},
		Phase: s.Phase, Now: s.Now, Stages: []stageJSON{}, At: r.at, Instruction: r.next,
		Departures: r.verdict.Departures, Verdict: r.verdict.Verdict, Reasons: r.verdict.Reasons, Estimate: r.verdict.Estimate,
	}
	for _, no := range r.refused {
		e := no.Err
		out.Refused = append(out.Refused, refusedJSON{r.list.Lines[no.Index], e.Event.String(), e.Kind, e.Rule, e.Msg, e.Hint})
	}
	for i := range s.Stages[:s.NStages] {
		out.Stages = append(out.Stages, r.stageJSON(i))
	}
	if s.Row > 0 {
		out.Row = &p.Choose.It.Rows[s.Row-1].ID
	}
	if s.Limits.EndPoint > 0 {
		out.EndPoint, out.EndBeat = &s.Limits.EndPoint, &s.Limits.EndBeat
	}
	if s.Stop.Active {
		out.Stop = &stopJSON{s.Stop.At, s.Stop.Code}
	}
	if r.verdict.Estimate == nil {
		out.NoEstimate = &r.verdict.NoEstimate
	}
	if e := r.verdict.End; e != nil {
		out.End = &endJSON{e.Stage + 1, e.WorkW, e.HR}
	}
	if u := r.verdict.Unfinished; u != nil {
		out.Unfinished = &unfinishedJSON{u.Stage + 1, u.WorkW, u.HR, u.Value}
	}
	return out
}

type replayJSON struct {
	Protocol    string              `json:"protocol"`
	Version     string              `json:"version"`
	Hash        string              `json:"hash"`
	Events      int                 `json:"events"`
	Refused     []refusedJSON       `json:"refused"`
	Phase       conduct.Phase       `json:"phase"`
	Now         protocol.Ms         `json:"now"`
	Stages      []stageJSON         `json:"stages"`
	Row         *string             `json:"row"`
	EndPoint    *float64            `json:"end_point_bpm"`
	EndBeat     *int                `json:"end_beat_bpm"`
	Stop        *stopJSON           `json:"stop"`
	At          protocol.Ms         `json:"at"`
	Instruction conduct.Instruction `json:"instruction"`
	Departures  []conduct.Departure `json:"departures"`
	Verdict     string              `json:"verdict"`
	Reasons     []estimate.Caution  `json:"reasons"`
	Estimate    *estimate.Result    `json:"estimate"`
	NoEstimate  *string             `json:"no_estimate"`
	End         *endJSON            `json:"end"`
	Unfinished  *unfinishedJSON     `json:"unfinished"`
}

type refusedJSON struct {
	Line  int          `json:"line"`
	Event string       `json:"event"`
	Kind  conduct.Kind `json:"kind"`
	Rule  conduct.Rule `json:"rule"`
	Text  string       `json:"text"`
	Hint  string       `json:"hint"`
}

type stageJSON struct {
	Stage    int           `json:"stage"`
	Part     string        `json:"part"`
	Work     float64       `json:"work"`
	Planned  float64       `json:"planned"`
	Second   float64       `json:"second"` // grade or height
	Began    protocol.Ms   `json:"began"`
	Ended    *protocol.Ms  `json:"ended"` // null while it runs
	Readings []readingJSON `json:"readings"`
	Steady   bool          `json:"steady"`
	Complete bool          `json:"complete"`
	Accepted bool          `json:"accepted"`
	Counted  bool          `json:"counted"`
	Distance float64       `json:"distance_m"`
	LowSpO2  *float64      `json:"lowest_spo2_percent"`
}

type readingJSON struct {
	Event     string            `json:"event"`
	At        protocol.Ms       `json:"at"` // the moment it belongs to
	What      protocol.Quantity `json:"what"`
	Value     float64           `json:"value"`
	Second    *float64          `json:"second"` // diastolic pressure
	Raw       float64           `json:"raw"`
	Slot      uint8             `json:"slot"` // stage minute of the planned reading it fills; 0: none
	Disturbed bool              `json:"disturbed"`
	Withdrawn bool              `json:"withdrawn"`
	Void      bool              `json:"void"` // taken before the stage's minutes began again
	Corrected bool              `json:"corrected"`
}

type stopJSON struct {
	At   protocol.Ms `json:"at"`
	Code string      `json:"code"`
}

type endJSON struct {
	Stage int     `json:"stage"`
	Work  float64 `json:"work_w"`
	HR    float64 `json:"hr_bpm"`
}

type unfinishedJSON struct {
	Stage int             `json:"stage"`
	Work  float64         `json:"work_w"`
	HR    float64         `json:"hr_bpm"`
	Value estimate.Number `json:"value"`
}

func (r *replayed) stageJSON(i int) stageJSON {
	p, s := r.plan.p, &r.state
	st := &s.Stages[i]
	j := s.Judge(p, i)
	out := stageJSON{Stage: i + 1, Part: p.Parts[st.Part].ID, Work: st.Set, Planned: st.Planned, Second: st.Set2, Began: st.Began,
		Readings: []readingJSON{}, Steady: j.Steady, Complete: j.Complete, Accepted: st.Accepted, Counted: j.Counts, Distance: st.Distance}
	if !st.Running() {
		out.Ended = &st.Ended
	}
	if st.LowSpO2 > 0 {
		out.LowSpO2 = &st.LowSpO2
	}
	for k := range st.Readings[:st.NReadings] {
		v := &st.Readings[k]
		reading := readingJSON{v.Ref.String(), v.Moment, v.What, v.V, nil, v.Raw, v.Slot, v.Disturbed, v.Withdrawn, v.Void, v.Corrected}
		if v.What == protocol.BloodPressure {
			reading.Second = &v.V2
		}
		out.Readings = append(out.Readings, reading)
	}
	return out
}
