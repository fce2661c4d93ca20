package web

import (
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"gradus/internal/record"
)

// factIncident are adverse events and what was added to them later. They belong together by ID; a later entry replaces none.
const factIncident = "incident"

// incidentEntry is an adverse event as it was written down first, or what was added.
type incidentEntry struct {
	ID       string `json:"id"`
	Added    bool   `json:"added,omitempty"` // to an event that is there
	Date     string `json:"date,omitempty"`  // when it happened, YYYY-MM-DD
	Time     string `json:"time,omitempty"`
	Test     string `json:"test,omitempty"`
	What     string `json:"what,omitempty"`
	Severity string `json:"severity,omitempty"`
	Relation string `json:"relation,omitempty"` // to the test
	Action   string `json:"action,omitempty"`
	Outcome  string `json:"outcome,omitempty"`
	FollowUp string `json:"follow_up,omitempty"`
}

// incident is an adverse event with all that was added.
type incident struct {
	ID       string
	Person   int64
	Who      string // for the list of the site
	Code     string
	Visit    int64
	When     string
	Test     string
	Entries  []incidentPart
	Severity string // as it stands now
	Outcome  string
	Open     bool // no outcome yet that ends it
	date     string
}

// incidentPart is an entry in words.
type incidentPart struct {
	Head  string // who, when
	Lines []slipLine
}

var (
	severities = []string{"mild", "moderate", "severe", "life-threatening", "fatal"}
	relations  = []string{"none", "unlikely", "possible", "probable", "certain"}
	outcomes   = []string{"recovered", "recovering", "not-recovered", "lasting", "died", "unknown"}
)

// ended are the outcomes after which nothing more is expected.
var endedOutcomes = []string{"recovered", "lasting", "died"}

func (e *incidentEntry) lines() (lines []slipLine) {
	add := func(name, text string) {
		if text != "" {
			lines = append(lines, slipLine{say("field." + name), text})
		}
	}
	word := func(name, value string) {
		if value != "" {
			add(name, optionText(name, value))
		}
	}
	add("event_what", e.What)
	if e.Date != "" {
		add("event_date", dayText(e.Date))
	}
	add("event_time", e.Time)
	add("event_test", e.Test)
	word("event_severity", e.Severity)
	word("event_relation", e.Relation)
	add("event_action", e.Action)
	word("event_outcome", e.Outcome)
	add("event_follow", e.FollowUp)
	return lines
}

// incidentLines show an adverse event in the list of a visit.
func incidentLines(f record.Fact) []slipLine {
	var e incidentEntry
	if json.Unmarshal(f.JSON, &e) != nil {
		return nil
	}
	return e.lines()
}

// incidentsOf puts the entries of adverse events together, the newest event first.
func incidentsOf(facts []record.DatedFact) []incident {
	var list []incident
	place := map[string]int{}
	for _, f := range facts {
		var e incidentEntry
		if json.Unmarshal(f.JSON, &e) != nil {
			continue // it stays in the visit's list as it is
		}
		at, there := place[e.ID]
		if !there {
			at = len(list)
			place[e.ID] = at
			list = append(list, incident{ID: e.ID, Person: f.Participant, Visit: f.Visit, Test: e.Test, Open: true, date: e.Date + e.Time})
			list[at].When = dayText(e.Date)
			if e.Time != "" {
				list[at].When += ", " + e.Time
			}
		}
		one := &list[at]
		if e.Severity != "" {
			one.Severity, _, _ = strings.Cut(optionText("event_severity", e.Severity), ":")
		}
		if e.Outcome != "" {
			one.Outcome, one.Open = optionText("event_outcome", e.Outcome), !slices.Contains(endedOutcomes, e.Outcome)
		}
		one.Entries = append(one.Entries, incidentPart{say("event.by", f.By, day(f.At.Local()), f.At.Local().Format("15:04")), e.lines()})
	}
	slices.SortStableFunc(list, func(a, b incident) int { return -strings.Compare(a.date, b.date) })
	return list
}

// needChoice is a choice that must be made.
func needChoice(name string, words ...string) field {
	f := choiceField(name, "", words...)
	f.Need = true
	return f
}

func incidentForm(date, hour, what string) form {
	return form{Fields: []field{{Name: "event_what", Kind: "area", Value: what, Most: 4000, Need: true}, {Name: "event_date", Kind: "date", Value: date, Need: true}, {Name: "event_time", Kind: "time", Value: hour},
		needChoice("event_severity", severities...), needChoice("event_relation", relations...), {Name: "event_action", Kind: "area", Most: 4000, Need: true},
		choiceField("event_outcome", "", outcomes...), {Name: "event_follow", Kind: "area", Most: 4000}, {Name: "by", Kind: "text", Most: 80, Need: true}}}
}

func followForm() form {
	return form{Fields: []field{{Name: "event_follow", Kind: "area", Most: 4000, Need: true}, choiceField("event_outcome", "", outcomes...), choiceField("event_severity", "", severities...), {Name: "by", Kind: "text", Most: 80, Need: true}}}
}

type incidentsBody struct {
	Person   record.Participant
	Somebody bool
	Label    string
	Test     string
	List     []incident
	Form     form
	Follow   form
	Open     bool
	Saved    bool
	Printed  string
}

// allIncidents is the list of the site, to print.
func (s *Server) allIncidents(w http.ResponseWriter, r *http.Request) error {
	facts, err := s.store.FactsOf(r.Context(), record.FactFilter{Kind: factIncident})
	if err != nil {
		return err
	}
	body := incidentsBody{List: incidentsOf(facts), Printed: s.now().Format("2 January 2006, 15:04")}
	for i := range body.List {
		p, err := s.keptPerson(r, body.List[i].Person)
		if err != nil {
			return err
		}
		body.List[i].Person, body.List[i].Who, body.List[i].Code = p.ID, label(p), p.Code
	}
	return s.show(w, http.StatusOK, frame{Page: "incidents", Title: say("events.title"), Purpose: say("events.purpose"), Section: "settings", Body: body})
}

func (s *Server) incidents(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	now := s.now()
	date, hour, what := s.day(), now.Format("15:04"), ""
	if since, ok := s.openedAt(r); ok { // from the emergency card
		date, hour = since.In(now.Location()).Format(time.DateOnly), since.In(now.Location()).Format("15:04")
		if list, err := s.alarms(r, p.ID); err == nil {
			a := theAlarm(list, since.Unix())
			what = a.story()
		}
	}
	return s.showIncidents(w, r, http.StatusOK, p, incidentForm(date, hour, what), followForm())
}

// story is what the log of an emergency tells in words.
func (a *alarm) story() (text string) {
	for _, l := range a.Lines {
		if l.Note != "" {
			text += l.Clock[:5] + " " + l.Note + "\n"
		}
	}
	return text
}

func (s *Server) showIncidents(w http.ResponseWriter, r *http.Request, status int, p record.Participant, f, follow form) error {
	facts, err := s.store.FactsOf(r.Context(), record.FactFilter{Kind: factIncident, Participant: p.ID})
	if err != nil {
		return err
	}
	body := incidentsBody{Person: p, Somebody: true, Label: label(p), Test: r.FormValue("test"), List: incidentsOf(facts), Form: f, Follow: follow, Saved: r.URL.Query().Has("saved"),
		Printed: s.now().Format("2 January 2006, 15:04")}
	body.Open = len(body.List) == 0 || f.bad() || r.URL.Query().Has("since") || r.URL.Query().Has("test")
	return s.show(w, status, frame{Page: "incidents", Title: say("events.title.of", label(p)), Purpose: say("events.purpose.of"), Section: "people", Token: s.token(w, r), Body: body})
}

// tookIncident writes down an adverse event, or adds to one.
func (s *Server) tookIncident(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	added := r.PostForm.Get("event")
	f := incidentForm("", "", "")
	if added != "" {
		f = followForm()
	}
	f.take(r)
	f.signed(s.signed(r))
	for _, e := range f.Fields {
		if e.Need && e.Value == "" {
			f.fault(e.Name, say("form.empty"))
		}
	}
	e := incidentEntry{ID: added, Added: added != "", Outcome: f.text("event_outcome"), FollowUp: f.text("event_follow"), Severity: f.text("event_severity")}
	visit, err := s.visitOfEvent(r, p, &e, &f)
	if err != nil {
		return err
	}
	if f.bad() {
		if added != "" {
			return s.showIncidents(w, r, http.StatusUnprocessableEntity, p, incidentForm(s.day(), "", ""), f)
		}
		return s.showIncidents(w, r, http.StatusUnprocessableEntity, p, f, followForm())
	}
	text, err := json.Marshal(e)
	if err != nil {
		return err
	}
	if _, err := s.store.AddFact(r.Context(), record.Fact{Visit: visit, Kind: factIncident, JSON: text, By: f.text("by")}); err != nil {
		return err
	}
	http.Redirect(w, r, personAddress(p.ID)+"/incidents?saved", http.StatusSeeOther)
	return nil
}

// visitOfEvent completes the entry and finds the visit it is kept with: that of the event it is added to, of its test, the
// last one until its day, or today's.
func (s *Server) visitOfEvent(r *http.Request, p record.Participant, e *incidentEntry, f *form) (int64, error) {
	if e.Added {
		facts, err := s.store.FactsOf(r.Context(), record.FactFilter{Kind: factIncident, Participant: p.ID})
		if err != nil {
			return 0, err
		}
		for _, one := range incidentsOf(facts) {
			if one.ID == e.ID {
				return one.Visit, nil
			}
		}
		return 0, record.ErrNotFound
	}
	e.ID = s.newTestID()
	e.What, e.Date, e.Time, e.Relation, e.Action = f.text("event_what"), f.text("event_date"), f.text("event_time"), f.text("event_relation"), f.text("event_action")
	if _, err := time.Parse(time.DateOnly, e.Date); err != nil && e.Date != "" {
		f.fault("event_date", say("form.day"))
	} else if e.Date > s.day() {
		f.fault("event_date", say("event.later"))
	}
	if _, err := time.Parse("15:04", e.Time); err != nil && e.Time != "" {
		f.fault("event_time", say("event.hour"))
	}
	if f.bad() {
		return 0, nil
	}
	if test := r.PostForm.Get("test"); test != "" {
		t, err := s.store.Test(r.Context(), test)
		if err == nil && t.Participant != 0 {
			if own, err := s.keptPerson(r, t.Participant); err == nil && own.ID == p.ID {
				e.Test = t.ID
				if t.Visit != 0 {
					return t.Visit, nil
				}
			}
		} else if err != nil && !errors.Is(err, record.ErrNotFound) {
			return 0, err
		}
	}
	visits, err := s.store.Visits(r.Context(), record.VisitFilter{Participant: p.ID, To: e.Date, Newest: true, Limit: 1})
	if err != nil {
		return 0, err
	}
	if len(visits) > 0 {
		return visits[0].ID, nil
	}
	v, err := s.store.VisitOn(r.Context(), p.ID, s.day())
	return v.ID, err
}

// adverseAddress is where an adverse event of an emergency is written down.
func adverseAddress(person, since int64, test string) string {
	q := url.Values{"since": {strconv.FormatInt(since, 10)}}
	if test != "" {
		q.Set("test", test)
	}
	return personAddress(person) + "/incidents?" + q.Encode()
}
