package estimate_test

import (
	"fmt"
	"strings"

	"gradus/conduct"
	"gradus/estimate"
	estimators "gradus/estimate/library"
	"gradus/protocol"
	"gradus/protocol/library"
)

// What a bare equation says: a value with its interval, what moves it, and what is wrong with trusting it.
func Example() {
	e, err := estimators.ByID("recumbent-stepper-2012")
	if err != nil {
		fmt.Println(err)
		return
	}
	// The order of the values is that of e.Inputs: age, sex (1 is male), mass, work rate, heart rate.
	r, err := e.Estimate([]float64{60, 1, 88, 75, 100}, estimate.Context{Drug: "metoprolol", Rhythm: "sinus", HRMethod: "palpated-10s"})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%s %.1f %s, 95 %% interval %s to %.1f\n", r.What, r.Value, r.Unit, r.Low95Text(1), r.High95)
	for _, c := range r.Cautions {
		fmt.Println("-", c.Text)
	}
	// Output:
	// VO2peak 37.1 mL/kg/min, 95 % interval 28.3 to 45.8
	// - a rate-limiting drug is taken (metoprolol): heart rate is lower for the same effort, so the estimate is too high, by about 0.4 mL/kg/min for each beat
	// - the end heart rate of 100 /min is 36 below the end point of 136; the estimate reaches far beyond what was measured
	// - the pulse was counted for 10 s, so the heart rate moves in steps of 6 /min; one count changes the estimate by 2.5 mL/kg/min
	// - coefficients not verified against the paper
}

// A whole test: which stage counts, may the number be used, and every reason.
func ExampleAssess() {
	e, err := estimators.ByID("recumbent-stepper-2012")
	if err != nil {
		fmt.Println(err)
		return
	}
	p, err := library.Load("recumbent-stepper", estimators.LineOf)
	if err != nil {
		fmt.Println(err)
		return
	}
	// An invented man of 34 years and 82 kg. Stage 4 was broken off at the end point after two readings that
	// lie 7 apart, so stage 3 counts.
	events := []conduct.Event{{Kind: conduct.Began, Begin: &conduct.Begin{Format: conduct.FormatVersion, Protocol: p.ID, Hash: p.Hash,
		Inputs: conduct.Inputs{AgeYears: 34, Sex: conduct.Male, MassKg: 82, Drug: conduct.DrugNo, Rhythm: conduct.Sinus, BP: conduct.BPNone}}}}
	for i, stage := range []struct{ watts, minute2, minute3 float64 }{{30, 96, 98}, {75, 119, 122}, {100, 135, 139}, {125, 152, 159}} {
		began := protocol.Ms(3*i) * protocol.Minute
		events = append(events,
			conduct.Event{At: began, Kind: conduct.StageBegun, V: stage.watts},
			conduct.Event{At: began + 2*protocol.Minute, Kind: conduct.Reading, What: protocol.HeartRate, V: stage.minute2},
			conduct.Event{At: began + 3*protocol.Minute, Kind: conduct.Reading, What: protocol.HeartRate, V: stage.minute3})
	}
	events = append(events, conduct.Event{At: 12 * protocol.Minute, Kind: conduct.Stopped, Code: "end-point"})
	for i := range events {
		events[i].Term, events[i].N = 1, uint32(i+1)
	}
	s, _, err := conduct.Replay(p, events)
	if err != nil {
		fmt.Println(err)
		return
	}
	a := estimate.Assess(p, &s, e)
	fmt.Println(strings.ToUpper(a.Verdict))
	fmt.Printf("%.1f %s from %g W and %g /min\n", a.Estimate.Value, a.Estimate.Unit, a.End.WorkW, a.End.HR)
	for _, r := range a.Reasons {
		fmt.Println("-", r.Text)
	}
	// Output:
	// USABLE WITH CAUTION
	// 40.4 mL/kg/min from 100 W and 139 /min
	// - coefficients not verified against the paper
	// - stage 4 (125 W, 159 /min) does not count; with it the estimate would be 36.6 mL/kg/min
}
