package conduct

import "gradus/protocol"

// CourseM is the length of the course of a part in m, as the site has it or else as the plan says; 0 when it has none.
func (s *State) CourseM(p *protocol.Protocol, part int) float64 {
	if m, ok := s.In.Answers.Value("course_length_m"); ok && p.Parts[part].Course != nil && p.Parts[part].Beeps.InPart == 0 {
		return m
	}
	if c := p.Parts[part].Course; c != nil {
		return c.LengthM
	}
	return 0
}

// DistanceM is how far the participant has come in the test at a moment, in m; ok is false when the plan keeps no distance.
// A distance that was read after the stop is the whole distance, as the examiner measured it. Where beeps set the
// pace and no distance was read, the lengths of the course that were to be complete by then count.
func (s *State) DistanceM(p *protocol.Protocol, at protocol.Ms) (m float64, ok bool) {
	for i := int(s.NAfter) - 1; i >= 0; i-- {
		if v := &s.After[i]; v.What == protocol.Distance && !v.Withdrawn {
			return v.V, true
		}
	}
	for i := range s.Stages[:s.NStages] {
		st := &s.Stages[i]
		part := &p.Parts[st.Part]
		kept := false
		for k := range part.Follow {
			kept = kept || part.Follow[k].What == protocol.Distance
		}
		ok = ok || kept
		switch {
		case !kept || st.Superseded:
		case st.Distance > 0 || part.Beeps.InPart == 0:
			m += st.Distance
		default:
			m += float64(s.CourseM(p, int(st.Part)) * float64(st.beeped(p, at)))
		}
	}
	return m, ok
}

// beeped is the number of beeps of a stage that have sounded at a moment.
func (st *Stage) beeped(p *protocol.Protocol, at protocol.Ms) int {
	part := &p.Parts[st.Part]
	every := part.Beeps.Every(part.Lasts)
	if every == 0 {
		return 0
	}
	if !st.Running() {
		at = min(at, st.Ended)
	}
	at = min(at, st.From+part.Lasts)
	// A beep at the very end of the part must not be lost to the last bit of a division.
	return int((float64(at-st.From) + 0.5) / every)
}

// LowestSpO2 is the lowest oxygen saturation that the parts kept, in %; 0: none.
func (s *State) LowestSpO2() (low float64) {
	for i := range s.Stages[:s.NStages] {
		if v := s.Stages[i].LowSpO2; v > 0 && (low == 0 || v < low) {
			low = v
		}
	}
	return low
}

// RestsAt is the number of rests at a moment and the time they took, the present one included.
func (s *State) RestsAt(at protocol.Ms) (n int, lasted protocol.Ms) {
	n, lasted = int(s.Rests), s.Rested
	if s.OnBreak {
		n, lasted = n+1, lasted+max(0, at-s.BreakFrom)
	}
	return n, lasted
}

// Sound is the next beep of a part and the ones that follow it.
type Sound struct {
	AtMs    float64 `json:"at_ms"`    // test time of the next one, in ms
	EveryMs float64 `json:"every_ms"` // and of the others after it
	Left    int     `json:"left"`     // how many are left in this part, the next one included
	Opens   string  `json:"opens"`    // "triple" when the part that follows by the clock opens with three
	Level   string  `json:"level"`    // title of the part
	Done    int     `json:"done"`     // beeps so far
}

// NextBeep is what sounds next at a moment; ok is false when nothing does.
func (s *State) NextBeep(p *protocol.Protocol, at protocol.Ms) (b Sound, ok bool) {
	st := s.stage()
	if s.Phase != Riding || st == nil {
		return b, false
	}
	part := &p.Parts[st.Part]
	every := part.Beeps.Every(part.Lasts)
	if every == 0 {
		return b, false
	}
	done := st.beeped(p, at)
	total := int((float64(part.Lasts) + 0.5) / every)
	if done >= total {
		return b, false
	}
	b = Sound{AtMs: float64(st.From) + float64(every*float64(done+1)), EveryMs: every, Left: total - done, Level: part.Title, Done: done}
	if next := s.NextPart(p); next >= 0 && p.Parts[next].Begins == "clock" {
		b.Opens = p.Parts[next].Beeps.Opens
	}
	return b, true
}

// cueLasts is how long a cue of the plan stays the words of the moment (our own choice).
const cueLasts = 10 * protocol.Second

// cueAt is what the plan says to the participant at a moment of the part that runs; "" when nothing.
func (s *State) cueAt(p *protocol.Protocol, at protocol.Ms) string {
	st := s.stage()
	if s.Phase != Riding || st == nil {
		return ""
	}
	for _, cue := range p.Parts[st.Part].Cues {
		if since := at - st.From - cue.At; since >= 0 && since < cueLasts {
			return cue.Text
		}
	}
	return ""
}
