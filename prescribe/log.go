package prescribe

import (
	"fmt"
	"math"
	"slices"
	"strconv"
)

// Session is a session that was done, as it was written into the log. Zero means not recorded.
type Session struct {
	Day     int // days since any fixed day; used for differences only
	Minutes float64
	WorkW   float64
	HR      float64 // /min
	RPE     float64 // 6 to 20
	Trouble bool    // something was wrong
}

// What follows a week of training.
const (
	GoOn   = "go on"   // with the next week of the plan
	Repeat = "repeat"  // the same week once more
	Back   = "go back" // to the week before
	Wait   = "wait"    // until the clinician has asked
	Runs   = "runs"    // the week is not over
)

// WeekDone is a week of training held against its plan.
type WeekDone struct {
	Week         int      `json:"week"`      // since the first session, from 1
	Plan         int      `json:"plan_week"` // the week of the plan it was to be
	Sessions     int      `json:"sessions"`
	Planned      float64  `json:"planned_sessions"`
	Minutes      float64  `json:"minutes"`
	RPE          *float64 `json:"rpe"`                        // mean; nil: not recorded
	HR           *float64 `json:"heart_rate"`                 // mean, /min
	METMinutes   *float64 `json:"met_minutes"`                // dose; nil: the peak oxygen uptake is not known
	METMinutesSD *float64 `json:"met_minutes_standard_error"` // from the errors of peak uptake and maximal heart rate
	Dose         string   `json:"dose_from"`                  // heart rate, plan, or both
	Follows      string   `json:"follows"`
	Why          string   `json:"why"`
}

// Review is a log of training held against its plan.
type Review struct {
	Weeks []WeekDone `json:"weeks"` // those without a session too
	Next  int        `json:"next"`  // week of the plan that comes next, from 1; 0: none while Follows is wait
	Text  string     `json:"text"`
}

// ReviewLog holds a log against a plan, week by week from the first session, and says how the plan goes on: on when
// enough sessions were done and none too hard, else again, or back when it was far too hard. A session in which
// something was wrong makes it wait. It proposes; the clinician decides. Today is a day like those of the sessions; the
// week it lies in is not judged before it is over.
func ReviewLog(p *Person, plan *Prescription, sessions []Session, today int) Review {
	out := Review{Weeks: []WeekDone{}, Next: 1, Text: "No session yet: begin with week 1 of the plan."}
	if len(sessions) == 0 || len(plan.Weeks) == 0 {
		return out
	}
	sessions = slices.Clone(sessions)
	slices.SortStableFunc(sessions, func(a, b Session) int { return a.Day - b.Day })
	first := sessions[0].Day
	last := max(today, sessions[len(sessions)-1].Day)
	for week, at := 1, 1; first+7*(week-1) <= last; week++ {
		from := first + 7*(week-1)
		var done []Session
		for _, s := range sessions {
			if s.Day >= from && s.Day < from+7 {
				done = append(done, s)
			}
		}
		w := weekDone(p, plan, at, done)
		w.Week = week
		w.judge(&plan.Weeks[at-1], done, today >= from+7)
		out.Weeks = append(out.Weeks, w)
		switch w.Follows {
		case GoOn:
			at = min(at+1, len(plan.Weeks))
		case Back:
			at = max(at-1, 1)
		}
		out.Next = at
	}
	out.say(len(plan.Weeks))
	return out
}

func (r *Review) say(weeks int) {
	w := &r.Weeks[len(r.Weeks)-1]
	switch w.Follows {
	case Wait:
		r.Next, r.Text = 0, "Wait: "+w.Why+"."
	case Runs:
		r.Text = fmt.Sprintf("Week %d of the plan runs: %s.", w.Plan, w.Why)
	case GoOn:
		r.Text = fmt.Sprintf("Go on with week %d of the plan: %s.", r.Next, w.Why)
		if w.Plan == weeks {
			r.Text = "The plan is done: " + w.Why + ". Time for a retest."
		}
	case Back:
		r.Text = fmt.Sprintf("Go back to week %d of the plan: %s.", r.Next, w.Why)
	default:
		r.Text = fmt.Sprintf("Repeat week %d of the plan: %s.", w.Plan, w.Why)
	}
}

func weekDone(p *Person, plan *Prescription, at int, done []Session) WeekDone {
	w := WeekDone{Plan: at, Sessions: len(done), Planned: plan.Weeks[at-1].Sessions}
	mean := func(of func(*Session) float64) *float64 {
		sum, n := 0.0, 0.0
		for i := range done {
			if v := of(&done[i]); v > 0 {
				sum, n = sum+v, n+1
			}
		}
		if n == 0 {
			return nil
		}
		return some(sum / n)
	}
	w.RPE, w.HR = mean(func(s *Session) float64 { return s.RPE }), mean(func(s *Session) float64 { return s.HR })
	sum, sd, byHR, byPlan := 0.0, 0.0, false, false
	for i := range done {
		w.Minutes += done[i].Minutes
		mets, se, measured := dose(p, plan, &plan.Weeks[at-1], &done[i])
		sum, sd = sum+mets*done[i].Minutes, sd+se*done[i].Minutes // one person's error, the same in every session
		byHR, byPlan = byHR || measured, byPlan || !measured
	}
	if p.VO2Peak > 0 && p.SEE > 0 && len(done) > 0 {
		w.METMinutes, w.METMinutesSD = some(sum), some(sd)
		w.Dose = map[bool]string{true: "heart rate", false: "plan"}[byHR]
		if byHR && byPlan {
			w.Dose = "heart rate, else plan"
		}
	}
	return w
}

// dose is the METs of a session with their standard error: from its heart rate where heart rate may lead, else from
// the planned band.
func dose(p *Person, plan *Prescription, w *Week, s *Session) (mets, sd float64, measured bool) {
	share, shareSD := (w.ReserveFrom+w.ReserveTo)/200, 0.0
	if plan.Leads == "heart rate" && s.HR > 0 && p.RestHR > 0 && p.MaxHR > p.RestHR {
		reserve := p.MaxHR - p.RestHR
		share = min(max((s.HR-p.RestHR)/reserve, 0), 1)
		shareSD, measured = share*p.MaxHRSD/reserve, true
	}
	uptake, err := UptakeAt(share, p.VO2Peak)
	if err != nil {
		return 0, 0, measured
	}
	rest := numbers["rest-vo2"].value
	return uptake / rest, math.Hypot(share*p.SEE, (p.VO2Peak-rest)*shareSD) / rest, measured
}

// judge says what follows a week. The numbers are our own choice.
func (w *WeekDone) judge(planned *Week, done []Session, over bool) {
	need := math.Ceil(planned.Sessions * numbers["log-done"].value / 100)
	count := fmt.Sprintf("%d of %g sessions done", len(done), planned.Sessions)
	tooFast := 0
	for _, s := range done {
		if planned.HRHigh != nil && s.HR > *planned.HRHigh {
			tooFast++
		}
	}
	switch {
	case slices.ContainsFunc(done, func(s Session) bool { return s.Trouble }):
		w.Follows, w.Why = Wait, "something was wrong in a session; ask, and decide before it goes on"
	case w.RPE != nil && *w.RPE >= planned.RPETo+numbers["log-harder"].value:
		w.Follows, w.Why = Back, fmt.Sprintf("mean exertion %s is far above the planned %g to %g", short(*w.RPE), planned.RPEFrom, planned.RPETo)
	case !over:
		w.Follows, w.Why = Runs, count
	case w.RPE != nil && *w.RPE > planned.RPETo:
		w.Follows, w.Why = Repeat, fmt.Sprintf("mean exertion %s is above the planned %g to %g", short(*w.RPE), planned.RPEFrom, planned.RPETo)
	case 2*tooFast > len(done):
		w.Follows, w.Why = Repeat, fmt.Sprintf("heart rate was above the planned %.0f /min in most sessions", *planned.HRHigh)
	case float64(len(done)) < need:
		w.Follows, w.Why = Repeat, count
	default:
		w.Follows, w.Why = GoOn, count
	}
}

func short(v float64) string { return strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64) }

// Period is a stretch of training without a long break.
type Period struct {
	FromDay, ToDay int // days like those of the sessions
	Sessions       int
	Minutes        float64
}

// Periods finds the stretches of training in a log, the earliest first. A break of more than two weeks ends one: our own choice.
func Periods(sessions []Session) (all []Period) {
	sessions = slices.Clone(sessions)
	slices.SortStableFunc(sessions, func(a, b Session) int { return a.Day - b.Day })
	for _, s := range sessions {
		last := len(all) - 1
		if last < 0 || float64(s.Day-all[last].ToDay) > numbers["log-gap"].value {
			all = append(all, Period{FromDay: s.Day})
			last++
		}
		all[last].ToDay = s.Day
		all[last].Sessions++
		all[last].Minutes += s.Minutes
	}
	return all
}
