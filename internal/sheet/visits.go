package sheet

import (
	"math"
	"time"

	"gradus/change"
	"gradus/conduct"
	"gradus/protocol"
)

// Visit is a scored test as the comparison of visits takes it. It is for tests without faults.
func (t *Scored) Visit() *change.Test {
	in, said := &t.State.In, t.Person.Said
	v := &change.Test{
		ID: t.ID, Participant: t.Person.Participant, Date: t.Person.Date, Time: said["time"],
		Verdict: t.Judged.Verdict, NoEstimate: t.Judged.NoEstimate, Value: math.NaN(),
		Protocol: t.Protocol.ID, Ergometer: said["ergometer"], Sex: textOf(in.Sex), AgeYears: in.AgeYears, MassKg: in.MassKg,
		Condition: condition(t), Drug: drugWord(in.Drug), DrugName: t.Person.DrugName, Dose: said["drug_dose"], HoursSinceDose: math.NaN(),
		Rhythm: textOf(in.Rhythm), MaxHRFormula: t.State.Limits.Formula,
	}
	if day, err := time.Parse(isoDate, v.Date); err == nil {
		v.Day, v.HasDay = int(day.Unix()/(24*60*60)), true
	}
	for _, layout := range []string{"15:04", "15:04:05", "15.04", "3:04 pm", "3:04pm"} {
		if clock, err := time.Parse(layout, v.Time); err == nil {
			v.Hour = float64(clock.Hour()) + float64(clock.Minute())/60
			break
		}
	}
	if hours, msg := numberOf(said["hours_since_dose"], true); msg == "" {
		v.HoursSinceDose = hours
	}
	if t.Estimator != nil {
		v.Estimator = t.Estimator.ID
	}
	if r := t.Judged.Estimate; r != nil {
		v.Unit = r.Unit
		if v.Value = float64(r.Value); !r.Value.Present() {
			v.NoEstimate = r.Why
		}
		for _, used := range r.Inputs {
			v.Inputs = append(v.Inputs, used.Value)
		}
	}
	v.Loads, v.Recovery = t.loads(), t.falls()
	if t.Estimator == nil && t.Protocol.Outcome.What == "distance" {
		t.walk(v)
	}
	return v
}

// walk makes the distance the value of a test whose outcome it is. There are no work rates to compare.
func (t *Scored) walk(v *change.Test) {
	m, ok := t.State.DistanceM(t.Protocol, t.State.Now)
	if !ok {
		v.NoEstimate = "the distance is not recorded"
		return
	}
	v.Value, v.Unit, v.Inputs, v.NoEstimate, v.Loads = m, change.Metres, []float64{}, "", nil
	v.CourseM, v.Aid = t.State.CourseM(t.Protocol, int(t.State.Stages[0].Part)), t.State.In.Aid
	v.OxygenLMin, _ = t.State.In.Answers.Value("oxygen_l_min")
}

// condition is "none" when the sheet says that there is none.
func condition(t *Scored) string {
	if t.Person.Condition != "" && t.State.In.Condition == 0 {
		return "none"
	}
	return t.Person.Condition
}

func drugWord(d conduct.Drug) string {
	if d == conduct.DrugNotRecorded {
		d = conduct.DrugNotKnown
	}
	return textOf(d)
}

// loads are the stages that count, with their last heart rate and exertion.
func (t *Scored) loads() (all []change.Load) {
	for i := range int(t.State.NStages) {
		if !t.State.Judge(t.Protocol, i).Counts {
			continue
		}
		st := &t.State.Stages[i]
		l := change.Load{WorkW: st.Set}
		l.HR, _, _ = t.State.LastHeart(t.Protocol, i)
		for _, r := range st.Readings[:st.NReadings] {
			if r.What == protocol.RPE && !r.Withdrawn && !r.Void {
				l.RPE = r.V
			}
		}
		all = append(all, l)
	}
	return all
}

// falls are the falls of heart rate from its last exercise reading.
func (t *Scored) falls() (all []change.Fall) {
	last := t.State.Current()
	if last < 0 {
		return nil
	}
	end, _, ok := t.State.LastHeart(t.Protocol, last)
	stop := t.State.Stop.At
	if !ok {
		return nil
	}
	for _, r := range t.State.After[:t.State.NAfter] {
		if r.What == protocol.HeartRate && !r.Withdrawn && !r.Void {
			all = append(all, change.Fall{Minutes: math.Round(float64(r.Moment-stop)/float64(protocol.Minute)*10) / 10, From: end, BPM: end - r.V})
		}
	}
	return all
}
