package prescribe

import (
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func logged(t *testing.T) (*Person, *Prescription) {
	t.Helper()
	p := &Person{AgeYears: 50, MassKg: 80, VO2Peak: 28, SEE: 4, RestHR: 70, MaxHR: 170, MaxHRSD: 12, Drug: "no", Rhythm: "sinus", Machine: "recumbent stepper",
		Stages: []Stage{{30, 95, 9}, {50, 106, 11}, {75, 120, 13}}}
	plan, err := For(*p, Choice{Condition: "healthy", Weeks: 8})
	if err != nil {
		t.Fatal(err)
	}
	return p, plan
}

func week(n, first int, s Session) (all []Session) {
	for i := range n {
		s.Day = first + 2*i
		all = append(all, s)
	}
	return all
}

func TestReviewLog(t *testing.T) {
	p, plan := logged(t)
	high := plan.Weeks[0].HRHigh
	if high == nil {
		t.Fatal("the plan has no heart rate")
	}
	fine := Session{Minutes: 30, WorkW: 50, HR: *high - 5, RPE: plan.Weeks[0].RPETo}
	hard, far, fast, wrong := fine, fine, fine, fine
	hard.RPE, far.RPE, fast.HR, wrong.Trouble = fine.RPE+1, fine.RPE+2, *high+1, true
	n := int(plan.Weeks[0].Sessions)
	for _, c := range []struct {
		name     string
		sessions []Session
		today    int
		follows  string
		next     int
	}{
		{"done", week(n, 100, fine), 107, GoOn, 2},
		{"the week runs", week(n, 100, fine), 106, Runs, 1},
		{"too few", week(n-1, 100, fine), 107, Repeat, 1},
		{"harder than planned", week(n, 100, hard), 107, Repeat, 1},
		{"faster than planned", week(n, 100, fast), 107, Repeat, 1},
		{"far too hard, at once", week(1, 100, far), 101, Back, 1},
		{"something wrong, at once", week(1, 100, wrong), 100, Wait, 0},
		{"then a week without any", week(n, 100, fine), 114, Repeat, 2},
	} {
		r := ReviewLog(p, plan, c.sessions, c.today)
		last := r.Weeks[len(r.Weeks)-1]
		// A week that has just begun runs; the one before is the judged one.
		if c.follows != Runs && last.Follows == Runs {
			last = r.Weeks[len(r.Weeks)-2]
		}
		if last.Follows != c.follows || r.Next != c.next {
			t.Errorf("%s: %s (%s), next %d; want %s, next %d", c.name, last.Follows, last.Why, r.Next, c.follows, c.next)
		}
	}
	if r := ReviewLog(p, plan, nil, 5); r.Next != 1 || len(r.Weeks) != 0 {
		t.Errorf("without a session: %+v", r)
	}
}

// The dose by hand: heart rate 120 of 70 to 170 is half the reserve; 3.5 + 0.5 · 24.5 = 15.75 mL/kg/min = 4.5 METs, times 30 min
// = 135. Its error: 0.5 · 4 = 2 from the peak, 24.5 · 0.5 · 12 / 100 = 1.47 from the maximum; together 2.482 / 3.5 · 30 = 21.28.
func TestDoseByHand(t *testing.T) {
	p, plan := logged(t)
	w := ReviewLog(p, plan, []Session{{Day: 1, Minutes: 30, HR: 120}}, 2).Weeks[0]
	if w.METMinutes == nil || w.METMinutesSD == nil || w.Dose != "heart rate" {
		t.Fatalf("%+v", w)
	}
	within(t, "dose", *w.METMinutes, 135, 1e-9)
	within(t, "its error", *w.METMinutesSD, math.Hypot(2, 1.47)/3.5*30, 1e-9)
	p.VO2Peak, p.SEE = 0, 0
	if w := ReviewLog(p, plan, []Session{{Day: 1, Minutes: 30, HR: 120}}, 2).Weeks[0]; w.METMinutes != nil {
		t.Error("a dose without a peak oxygen uptake")
	}
}

// Whatever was logged: the next week is one of the plan, a harder log never leads further, and every dose has its error.
func TestLogStaysInPlan(t *testing.T) {
	p, plan := logged(t)
	rapid.Check(t, func(t *rapid.T) {
		var easy, hard []Session
		for range rapid.IntRange(0, 30).Draw(t, "sessions") {
			s := Session{Day: rapid.IntRange(0, 80).Draw(t, "day"), Minutes: rapid.Float64Range(5, 60).Draw(t, "minutes"), HR: rapid.Float64Range(0, 180).Draw(t, "hr"), RPE: rapid.Float64Range(6, 17).Draw(t, "rpe")}
			easy = append(easy, s)
			s.RPE += rapid.Float64Range(0, 3).Draw(t, "harder")
			hard = append(hard, s)
		}
		today := rapid.IntRange(0, 90).Draw(t, "today")
		a, b := ReviewLog(p, plan, easy, today), ReviewLog(p, plan, hard, today)
		if a.Next < 1 || a.Next > len(plan.Weeks) || strings.Contains(a.Text, "NaN") {
			t.Fatalf("%+v", a)
		}
		if len(a.Weeks) > 0 && a.Weeks[0].Sessions == b.Weeks[0].Sessions && b.Next > a.Next {
			t.Fatalf("the harder log leads further: %d, %d", a.Next, b.Next)
		}
		for _, w := range a.Weeks {
			if (w.METMinutes == nil) != (w.METMinutesSD == nil) {
				t.Fatal("a dose without its error")
			}
		}
	})
}

// A break of two weeks is still one period, a longer one is two.
func TestPeriods(t *testing.T) {
	got := Periods([]Session{{Day: 40, Minutes: 20}, {Day: 0, Minutes: 10}, {Day: 14, Minutes: 15}, {Day: 29, Minutes: 30}})
	want := []Period{{0, 14, 2, 25}, {29, 40, 2, 50}}
	if !slices.Equal(got, want) {
		t.Errorf("%+v, want %+v", got, want)
	}
	if Periods(nil) != nil {
		t.Error("no session, no period")
	}
}
