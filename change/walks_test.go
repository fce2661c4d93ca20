package change

import (
	"math"
	"strings"
	"testing"

	"gradus/estimate"
)

func walk(id, condition string, metres float64) *Test {
	return &Test{ID: id, Participant: "Invented 1", Verdict: estimate.Usable, Inputs: []float64{}, Value: metres, Unit: Metres, Protocol: "six-minute-walk",
		Sex: "female", AgeYears: 70, Condition: condition, Drug: "no", Rhythm: "sinus", HoursSinceDose: math.NaN(), CourseM: 30}
}

// Cardiopulm Phys Ther J 2012 23(3):5: 43.1 m in heart failure; Int J Cardiol 2014, doi 10.1016/j.ijcard.2014.06.035: 36 m
// matter. Physiother Theory Pract 2008 24(3):195: 54.1 m with 90 % confidence after stroke, 64.5 with 95 %; J Neurol Phys
// Ther 2018, doi 10.1097/NPT.0000000000000236: 71 m matter.
func TestWalksHaveAVerdict(t *testing.T) {
	for _, c := range []struct {
		condition      string
		to, mdc, line  float64
		beyond, enough bool
	}{
		{"heart failure", 340, 43.1, 36, false, true},
		{"Heart failure, NYHA II", 343.1, 43.1, 36, true, true},
		{"stroke", 366, 64.46, 71, true, false},
		{"COPD", 340, 82, 30, false, true}, // no error is known for it: the largest, Phys Ther 2008
		{"", 320, 82, 30.5, false, false},
	} {
		p, err := Between(walk("A", c.condition, 300), walk("B", c.condition, c.to), nil, Choice{}, true)
		if err != nil || p.Withheld != "" || p.Unit != "m" {
			t.Fatalf("%s: %v %q %q", c.condition, err, p.Withheld, p.Unit)
		}
		within(t, c.condition+" error", *p.Error.MDC95, c.mdc, 0.05)
		within(t, c.condition+" line", *p.Matter.Threshold, c.line, 1e-9)
		if *p.Beyond != c.beyond || (p.Matter.Verdict == LargeEnough) != c.enough {
			t.Errorf("%s: beyond %v, %s", c.condition, *p.Beyond, p.Matter.Verdict)
		}
		warned := false
		for _, w := range p.Cautions {
			warned = warned || w.ID == "larger-error"
		}
		if warned != (c.mdc == 82) {
			t.Errorf("%s: larger error said: %v", c.condition, warned)
		}
	}
	p, _ := Between(walk("A", "COPD", 300), walk("B", "COPD", 340), nil, Choice{Metres: 50}, true)
	if *p.Matter.Threshold != 50 || p.Reliable.Practice != 26 { // Eur Respir J 2014: 26 m
		t.Errorf("%+v %+v", p.Matter, p.Reliable)
	}
}

func TestWalksThatCannotBeCompared(t *testing.T) {
	for want, alter := range map[string]func(*Test){
		"course":      func(x *Test) { x.CourseM = 20 },
		"walking-aid": func(x *Test) { x.Aid = "rollator" },
		"oxygen":      func(x *Test) { x.OxygenLMin = 2 },
		"protocol":    func(x *Test) { x.Protocol = "incremental-shuttle-walk" },
	} {
		b := walk("B", "COPD", 340)
		alter(b)
		p, err := Between(walk("A", "COPD", 300), b, nil, Choice{}, true)
		if err != nil || !strings.Contains(p.Withheld, "differs") || p.Reasons[0].ID != want || p.Beyond != nil {
			t.Errorf("%s: %v %+v", want, err, p.Reasons)
		}
	}
}
