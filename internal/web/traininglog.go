package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"gradus/internal/record"
	"gradus/internal/report"
	"gradus/prescribe"
)

// factSessions are sessions of training as they were typed in at a visit; later ones stand beside them.
const factSessions = "sessions"

// session is a line of the log of training. Zero means not recorded.
type session struct {
	Day     string  `json:"day"`
	Minutes float64 `json:"minutes"`
	WorkW   float64 `json:"work_w,omitempty"`
	HR      float64 `json:"hr_bpm,omitempty"`
	RPE     float64 `json:"rpe,omitempty"`
	Told    string  `json:"told,omitempty"`
	Trouble bool    `json:"trouble,omitempty"`
}

func (s *session) line() string {
	part := func(v float64, unit string) string {
		if v == 0 {
			return ""
		}
		return ", " + num(v) + thin + unit
	}
	text := s.Day + part(s.Minutes, "min") + part(s.WorkW, "W") + part(s.HR, "/min")
	if s.RPE > 0 {
		text += ", " + say("log.rpe", num(s.RPE))
	}
	if s.Told != "" {
		text += ", " + s.Told
	}
	if s.Trouble {
		text += ", " + say("log.trouble")
	}
	return text
}

// readSessions reads lines such as "2026-03-04 20 50 112 12 fine": day, minutes, watts, heart rate, exertion, words.
func readSessions(text, today string) (all []session, fault string) {
	for i, line := range linesOf(text) {
		one, msg := readSession(line, today)
		if msg != "" {
			return nil, say("log.line", i+1, line, msg)
		}
		all = append(all, one)
	}
	if len(all) == 0 {
		return nil, say("log.nothing")
	}
	return all, ""
}

func readSession(line, today string) (one session, fault string) {
	words := strings.Fields(line)
	if day, err := time.Parse(time.DateOnly, words[0]); err != nil || day.Year() < 2000 {
		return one, say("log.day", words[0])
	}
	if one.Day = words[0]; one.Day > today {
		return one, say("log.future", one.Day)
	}
	places := []struct {
		name      string
		to        *float64
		low, high float64
	}{{"minutes", &one.Minutes, 1, 600}, {"watts", &one.WorkW, 1, 2000}, {"heart rate", &one.HR, 25, 250}, {"exertion", &one.RPE, 6, 20}}
	words = words[1:]
	for _, place := range places {
		if len(words) == 0 {
			break
		}
		if word := words[0]; word != "-" && word != "\u2013" {
			v, err := strconv.ParseFloat(strings.Replace(word, ",", ".", 1), 64)
			if err != nil || !(v >= place.low && v <= place.high) {
				return one, say("log.number", place.name, word, num(place.low), num(place.high))
			}
			*place.to = v
		}
		words = words[1:]
	}
	if one.Minutes == 0 {
		return one, say("log.minutes")
	}
	told := strings.Join(words, " ")
	if rest, trouble := strings.CutSuffix(told, "!"); trouble {
		told, one.Trouble = strings.TrimSpace(rest), true
	}
	if len(told) > 200 {
		return one, say("form.long", 200)
	}
	one.Told = told
	return one, ""
}

// sessionsOf are all sessions of a person, by day.
func (s *Server) sessionsOf(r *http.Request, person int64) (all []session, err error) {
	visits, err := s.store.Visits(r.Context(), record.VisitFilter{Participant: person})
	if err != nil {
		return nil, err
	}
	for _, v := range visits {
		facts, err := s.store.Facts(r.Context(), v.ID)
		if err != nil {
			return nil, err
		}
		for _, f := range facts {
			var some []session
			if f.Kind != factSessions {
				continue
			}
			if err := json.Unmarshal(f.JSON, &some); err != nil {
				return nil, err
			}
			all = append(all, some...)
		}
	}
	slices.SortStableFunc(all, func(a, b session) int { return strings.Compare(a.Day, b.Day) })
	return all, nil
}

func sessionLines(f record.Fact) (lines []slipLine) {
	var all []session
	if json.Unmarshal(f.JSON, &all) != nil {
		return nil
	}
	for i := range all {
		lines = append(lines, slipLine{strconv.Itoa(i + 1), all[i].line()})
	}
	return lines
}

func reportLines(f record.Fact) (lines []slipLine) {
	var one reportFact
	if json.Unmarshal(f.JSON, &one) != nil {
		return nil
	}
	key := "report.draft"
	if one.Final {
		key = "report.signed"
	}
	lines = append(lines, slipLine{say("fact.report"), say(key, one.Report)})
	for i := range one.Changes {
		lines = append(lines, slipLine{say("plan.page.change"), one.Changes[i].Text()})
	}
	for _, x := range []slipLine{{say("field.question"), one.Question}, {say("field.report_why"), one.Why}, {say("field.plan_edits"), strings.Join(one.Edits, "; ")}, {say("report.said"), one.Said}} {
		if x.Text != "" {
			lines = append(lines, x)
		}
	}
	return lines
}

type logBody struct {
	Person   record.Participant
	Label    string
	Plan     string
	NoPlan   string
	Next     string
	NextWeek string // what that week of the plan holds
	Waits    bool
	Weeks    []weekLine
	Sessions []session
	Form     form
	Kept     int
}

// weekLine is a week of training for a table.
type weekLine struct{ Week, Plan, Done, Minutes, RPE, HR, Dose, Follows string }

func logForm() form {
	return form{Fields: []field{{Name: "sessions", Kind: "area", Most: 8000, Need: true}, {Name: "by", Kind: "text", Most: 80, Need: true}}}
}

func (s *Server) trainingLog(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	return s.showLog(w, r, http.StatusOK, p, logForm())
}

func (s *Server) showLog(w http.ResponseWriter, r *http.Request, status int, p record.Participant, f form) error {
	body := logBody{Person: p, Label: label(p), Form: f}
	body.Kept, _ = strconv.Atoi(r.URL.Query().Get("kept")) // without a number nothing was kept just now
	var err error
	if body.Sessions, err = s.sessionsOf(r, p.ID); err != nil {
		return err
	}
	c, err := s.lastCase(r, p)
	if err != nil {
		return err
	}
	body.NoPlan = say("log.untested")
	if c != nil {
		var plan *prescribe.Prescription
		if plan, body.NoPlan = c.Plan(); plan != nil {
			body.review(c, plan, s.day())
		}
	}
	return s.show(w, status, frame{Page: "log", Title: say("log.title", label(p)), Purpose: say("log.purpose"), Section: "people", Token: s.token(w, r), Body: body})
}

// lastCase is the newest closed test of a person, as its papers tell it; nil when there is none.
func (s *Server) lastCase(r *http.Request, p record.Participant) (*report.Case, error) {
	tests, err := s.store.Tests(r.Context(), record.TestFilter{Participant: p.ID})
	if err != nil {
		return nil, err
	}
	if tests, err = s.counting(r, tests); err != nil {
		return nil, err
	}
	for _, one := range tests {
		if one.Running() {
			continue
		}
		r.SetPathValue("test", one.ID)
		t, st, err := s.standingAt(r)
		if err != nil {
			return nil, err
		}
		return s.caseOf(r, t, &st.now, st.signing(t))
	}
	return nil, nil
}

// review holds the sessions since the test against its plan.
func (b *logBody) review(c *report.Case, plan *prescribe.Prescription, today string) {
	var done []prescribe.Session
	for _, x := range b.Sessions {
		if x.Day >= c.Date {
			done = append(done, prescribe.Session{Day: dayNumber(x.Day), Minutes: x.Minutes, WorkW: x.WorkW, HR: x.HR, RPE: x.RPE, Trouble: x.Trouble})
		}
	}
	person := c.Trainee()
	found := prescribe.ReviewLog(&person, plan, done, dayNumber(today))
	b.Plan, b.Next, b.Waits = say("log.plan", dayText(c.Date), plan.Title), found.Text, found.Next == 0
	if found.Next > 0 && found.Next <= len(plan.Weeks) {
		b.NextWeek = weekWords(&plan.Weeks[found.Next-1])
	}
	for _, w := range found.Weeks {
		line := weekLine{Week: strconv.Itoa(w.Week), Plan: strconv.Itoa(w.Plan), Done: fmt.Sprintf("%d (%s)", w.Sessions, num(w.Planned)), Minutes: num(w.Minutes), Follows: w.Follows + ": " + w.Why}
		if w.RPE != nil {
			line.RPE = fixed(*w.RPE)
		}
		if w.HR != nil {
			line.HR = fixed(*w.HR)
		}
		if w.METMinutes != nil {
			line.Dose = say("log.dose", strconv.FormatFloat(*w.METMinutes, 'f', 0, 64), strconv.FormatFloat(2**w.METMinutesSD, 'f', 0, 64), w.Dose)
		}
		b.Weeks = append(b.Weeks, line)
	}
}

// weekWords is a week of a plan in one line.
func weekWords(w *prescribe.Week) string {
	text := say("log.week", w.Week, num(w.Sessions), num(w.Minutes), num(w.RPEFrom), num(w.RPETo))
	if w.HRLow != nil && w.HRHigh != nil {
		text += ", " + rounded(*w.HRLow) + dash + rounded(*w.HRHigh) + thin + "/min"
	}
	if w.WorkLow != nil && w.WorkHigh != nil {
		text += ", " + rounded(*w.WorkLow) + dash + rounded(*w.WorkHigh) + thin + "W"
	}
	if w.METMinutes != nil {
		text += ", " + say("log.week.dose", rounded(*w.METMinutes))
	}
	if w.Edited {
		text += " (" + w.Changed + ")"
	}
	return text
}

func rounded(v float64) string { return strconv.FormatFloat(v, 'f', 0, 64) }

// tookSessions keeps sessions with today's visit.
func (s *Server) tookSessions(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	f := logForm()
	f.take(r)
	f.signed(s.signed(r))
	all, fault := readSessions(f.text("sessions"), s.day())
	if fault != "" {
		f.fault("sessions", fault)
	}
	if f.text("by") == "" {
		f.fault("by", say("form.empty"))
	}
	if f.bad() {
		return s.showLog(w, r, http.StatusUnprocessableEntity, p, f)
	}
	text, err := json.Marshal(all)
	if err != nil {
		return err
	}
	v, err := s.store.VisitOn(r.Context(), p.ID, s.day())
	if err != nil {
		return err
	}
	if _, err := s.store.AddFact(r.Context(), record.Fact{Visit: v.ID, Kind: factSessions, JSON: text, By: f.text("by")}); err != nil {
		return err
	}
	http.Redirect(w, r, personAddress(p.ID)+"/log?kept="+strconv.Itoa(len(all)), http.StatusSeeOther)
	return nil
}
