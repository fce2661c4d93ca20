package conduct

import "gradus/protocol"

// Fact is a number of the test by the name that equations use for it: an input by its name, or one of
//
//	hr_bpm            the heart rate of a counted stage, or the count that follows it
//	work_w            its work rate, W, where the plan sets watts
//	speed_kmh         its speed, km/h
//	grade_percent     its grade, %
//	step_rate_per_min its steps or cycles, /min
//	step_height_m     and the height of the bench, m
//	time_min          how long it took, min, where it ends with its metres
//	distance_m        of the whole test, m
//	rest_hr_bpm       as recorded, else that of a counted rest, /min
//	bmi               mass over height squared, kg/m2
//	hr_standard_bpm   the heart rate of the first counted stage, and from it to this one
//	hr_rise_bpm       the rise of heart rate and
//	work_rise_w       the rise of the work rate, W
//
// i is the counted stage. ok is false when the test does not have it.
func (s *State) Fact(p *protocol.Protocol, i int, name string) (v float64, ok bool) {
	st := &s.Stages[i]
	form := p.Parts[st.Part].Work.Form()
	watts := form == "fixed" || form == "row" || form == "added" || form == "chosen"
	speed := form == "speed" || form == "same-speed" || form == "chosen-speed"
	switch name {
	case "hr_bpm":
		return s.heartOf(p, i)
	case "work_w":
		return st.Set, watts && st.Set > 0
	case "speed_kmh":
		return st.Set, speed
	case "grade_percent":
		return st.Set2, speed
	case "step_rate_per_min":
		return st.Set, form == "rate"
	case "step_height_m":
		return st.Set2, form == "rate"
	case "time_min":
		return float64(st.Done-st.From) / float64(protocol.Minute), st.Done > 0
	case "distance_m":
		m, known := s.DistanceM(p, s.Now)
		return m, known && m > 0
	case "bmi":
		h := s.In.HeightCm / 100
		return s.In.MassKg / max(float64(h*h), 0.01), s.In.MassKg > 0 && h > 0
	case "rest_hr_bpm":
		if s.In.RestHR > 0 || form != "rest" {
			return s.In.RestHR, s.In.RestHR > 0
		}
		return s.heartOf(p, i)
	case "hr_standard_bpm", "hr_rise_bpm", "work_rise_w":
		return s.rise(p, i, name)
	}
	if v, ok := s.In.Answers.Value(name); ok {
		return v, true
	}
	v, _ = s.In.value(name)
	return v, v > 0
}

// heartOf is the planned heart rate of a stage; where it has none, that of the count that follows it.
func (s *State) heartOf(p *protocol.Protocol, i int) (hr float64, ok bool) {
	for k := i; k < int(s.NStages); k++ {
		if k > i && p.Parts[s.Stages[k].Part].Counts != "never" {
			break
		}
		if j := s.Judge(p, k); j.N > 0 {
			return j.Last, true
		}
	}
	return 0, false
}

// rise compares a stage with the first one that counts, at a lower work rate.
func (s *State) rise(p *protocol.Protocol, i int, name string) (v float64, ok bool) {
	first := 0
	for first < i && !s.Judge(p, first).Counts {
		first++
	}
	from, ok1 := s.heartOf(p, first)
	to, ok2 := s.heartOf(p, i)
	if first == i || !ok1 || !ok2 || s.Stages[i].Set <= s.Stages[first].Set {
		return 0, false
	}
	switch name {
	case "hr_standard_bpm":
		return from, true
	case "hr_rise_bpm":
		return to - from, true
	}
	return s.Stages[i].Set - s.Stages[first].Set, true
}
