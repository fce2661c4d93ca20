package samebits

import (
	"encoding/json"

	"gradus/conduct"
	"gradus/estimate"
	estimators "gradus/estimate/library"
	"gradus/protocol"
	"gradus/protocol/library"
)

// estimateCase sends random people through the shipped equation: value, both intervals, cautions.
func estimateCase(sum *Sum, scale float64) {
	var n Numbers
	e := stepperEquation()
	for range times(20_000, scale) {
		values := []float64{n.Between(15, 90), float64(n.Word() % 2), n.Between(40, 130), n.Between(30, 200), n.Between(80, 180)}
		r, err := e.Estimate(values, estimate.Context{Drug: "no", EndPointBPM: n.Between(100, 180), HRMethod: "palpated-10s"})
		if err != nil {
			sum.Text(err.Error())
			continue
		}
		for _, x := range []estimate.Number{r.Value, r.Low95, r.High95, r.Low68, r.High68} {
			sum.Float(float64(x))
		}
		for _, c := range r.Cautions {
			sum.Text(c.Text)
		}
	}
}

// conductCase plays random tests through the shipped protocol: every instruction on the way, and at the end the
// whole state and the judgement of the test.
func conductCase(sum *Sum, scale float64) {
	var n Numbers
	e := stepperEquation()
	p, err := library.Load("recumbent-stepper", estimators.LineOf)
	if err != nil {
		panic("samebits: " + err.Error())
	}
	sum.Text(p.Hash)
	for range times(300, scale) {
		s := randomTest(&n, p, sum)
		sum.Text(text(s))
		sum.Text(text(estimate.Assess(p, &s, e)))
	}
}

// randomTest follows the instructions with random heart rates, and now and then does something else.
func randomTest(n *Numbers, p *protocol.Protocol, sum *Sum) (s conduct.State) {
	take := func(e conduct.Event) {
		id := s.NextID()
		e.Term, e.N = id.Term, id.N
		if err := s.Take(p, &e); err != nil {
			sum.Text(err.Error())
		}
	}
	in := conduct.Inputs{AgeYears: 20 + float64(n.Word()%60), Sex: conduct.Sex(1 + n.Word()%2), MassKg: n.Between(45, 120), RestHR: 70, RestSBP: 120,
		Drug: conduct.Drug(n.Word() % 4), Rhythm: conduct.Rhythm(n.Word() % 7), EndPercent: float64(60 + n.Word()%35)}
	take(conduct.Event{Kind: conduct.Began, Begin: &conduct.Begin{Format: conduct.FormatVersion, Protocol: p.ID, Hash: p.Hash, Inputs: in}})
	hr := n.Between(70, 110)
	for at := protocol.Ms(0); at < 40*protocol.Minute && s.Phase != conduct.Over; at += 15 * protocol.Second {
		for {
			act, ok := s.Due(p, at)
			if !ok {
				break
			}
			take(act)
		}
		next := conduct.Next(p, &s, at)
		sum.Text(text(next))
		hr += n.Between(-1, 2)
		follow(n, next, at, hr, take)
	}
	return s
}

func follow(n *Numbers, next conduct.Instruction, at protocol.Ms, hr float64, take func(conduct.Event)) {
	switch next.Do {
	case conduct.DoBegin, conduct.DoSetWork:
		take(conduct.Event{At: at, Kind: conduct.StageBegun, Code: next.Part, V: next.Work})
	case conduct.DoRead, conduct.DoHoldCheck:
		v := map[protocol.Quantity]float64{protocol.HeartRate: hr, protocol.RPE: 6 + float64(n.Word()%13), protocol.BloodPressure: n.Between(100, 200)}[next.What]
		take(conduct.Event{At: at, Kind: conduct.Reading, What: next.What, V: v, V2: 70, Slot: next.Slot})
	case conduct.DoDecide:
		take(conduct.Event{At: at, Kind: conduct.Accepted})
	case conduct.DoEnd:
		take(conduct.Event{At: at, Kind: conduct.CoolBegun, V: next.Work})
	case conduct.DoStop, conduct.DoRecover:
		take(conduct.Event{At: at, Kind: conduct.RestBegun})
	case conduct.DoClose, conduct.DoPhysician:
		take(conduct.Event{At: at, Kind: conduct.Closed, Code: "examiner"})
	}
}

func stepperEquation() *estimate.Estimator {
	e, err := estimators.ByID("recumbent-stepper-2012")
	if err != nil {
		panic("samebits: " + err.Error())
	}
	return e
}

func text(v any) string {
	data, err := json.Marshal(v)
	if err != nil {
		panic("samebits: " + err.Error())
	}
	return string(data)
}
