package web

import (
	"net/http"
	"time"

	"gradus/internal/access"
	"gradus/internal/record"
)

type todayBody struct {
	Running      []testLine
	Appointments []visitLine
	Due          []visitLine
	Week         string // the last day of this week
	Recent       []testLine
	People       []record.Participant
}

const (
	recentTests  = 8
	recentPeople = 8
	dueMost      = 40
	overdueDays  = 28 // a retest that was due longer ago stands on the person's page alone; our choice
)

func (s *Server) today(w http.ResponseWriter, r *http.Request) error {
	if who := visitorOf(r).who; !who.May(access.See) {
		to := "/account"
		switch {
		case who.May(access.Accounts):
			to = "/accounts"
		case who.May(access.Research):
			to = "/research"
		}
		http.Redirect(w, r, to, http.StatusSeeOther)
		return nil
	}
	body := todayBody{}
	if err := s.testsToday(r, &body); err != nil {
		return err
	}
	if err := s.visitsToday(r, &body); err != nil {
		return err
	}
	found, err := s.store.Participants(r.Context(), record.ParticipantFilter{Limit: recentPeople})
	if err != nil {
		return err
	}
	body.People = found.People
	return s.show(w, http.StatusOK, frame{Page: "today", Title: say("today.title"), Purpose: say("today.purpose"), Section: "today", Body: body})
}

func (s *Server) testsToday(r *http.Request, body *todayBody) error {
	running, err := s.store.Tests(r.Context(), record.TestFilter{Running: true, Limit: foundMost})
	if err != nil {
		return err
	}
	all, err := s.store.Tests(r.Context(), record.TestFilter{Limit: recentTests + len(running)})
	if err != nil {
		return err
	}
	if body.Running, err = s.lines(r, running); err != nil {
		return err
	}
	finished := all[:0]
	for _, t := range all {
		if !t.Running() && len(finished) < recentTests {
			finished = append(finished, t)
		}
	}
	body.Recent, err = s.lines(r, finished)
	return err
}

// visitsToday are the appointments of the day and the retests that are due until the week ends.
func (s *Server) visitsToday(r *http.Request, body *todayBody) error {
	today := s.day()
	visits, err := s.store.Visits(r.Context(), record.VisitFilter{From: today, To: today, Limit: visitsMost})
	if err != nil {
		return err
	}
	body.Week = endOfWeek(s.now())
	due, err := s.store.Visits(r.Context(), record.VisitFilter{DueFrom: s.now().AddDate(0, 0, -overdueDays).Format(time.DateOnly), DueTo: body.Week, Limit: dueMost})
	if err != nil {
		return err
	}
	for _, list := range []struct {
		from []record.Visit
		to   *[]visitLine
	}{{visits, &body.Appointments}, {due, &body.Due}} {
		for _, v := range list.from {
			p, err := s.keptPerson(r, v.Participant)
			if err != nil {
				return err
			}
			line := s.visitLine(v)
			line.Participant, line.Person, line.Code, line.Overdue = p.ID, label(p), p.Code, v.RetestDue != "" && v.RetestDue < today
			*list.to = append(*list.to, line)
		}
	}
	return nil
}

// keptPerson is a person, or who is shown in that person's place.
func (s *Server) keptPerson(r *http.Request, id int64) (record.Participant, error) {
	p, err := s.store.Participant(r.Context(), id)
	if err == nil && p.Kept != 0 {
		return s.store.Participant(r.Context(), p.Kept)
	}
	return p, err
}

// endOfWeek is the Sunday of a day's week.
func endOfWeek(t time.Time) string {
	return t.AddDate(0, 0, (7-int(t.Weekday()))%7).Format(time.DateOnly)
}
