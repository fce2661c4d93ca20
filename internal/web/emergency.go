package web

import (
	"encoding/json"
	"errors"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"gradus/conduct"
	"gradus/internal/record"
	"gradus/internal/web/core"
)

// factEmergency are the entries of the log of an emergency. They belong together by ID and never replace one another.
const factEmergency = "emergency"

// What an entry of the log says.
const (
	alarmVitals = "vitals"
	alarmOnset  = "onset" // when it began, put right
	alarmNote   = "note"
	alarmOver   = "over" // handed over, or passed
)

// alarmDone are things done that one press writes down.
var alarmDone = []string{"called", "aed", "shock", "cpr", "arrived"}

// alarmEntry is one entry of the log, as it is stored.
type alarmEntry struct {
	ID      int64    `json:"id"` // when the card was opened, s since 1970
	What    string   `json:"what"`
	OnsetMs int64    `json:"onset_ms"` // wall time, as it was known then
	AtMs    int64    `json:"at_ms"`    // wall time of the entry
	Test    string   `json:"test,omitempty"`
	HR      *float64 `json:"hr_bpm,omitempty"` // 0: no pulse was found
	SBP     *float64 `json:"sbp_mmhg,omitempty"`
	DBP     *float64 `json:"dbp_mmhg,omitempty"`
	SpO2    *float64 `json:"spo2_percent,omitempty"`
	Awake   string   `json:"awake,omitempty"`
	Note    string   `json:"note,omitempty"`
}

// alarm is an emergency as its entries tell it.
type alarm struct {
	ID    int64
	Onset time.Time
	Test  string
	By    string
	Over  bool
	Taken time.Time // when heart rate and pressure were last taken; zero: not yet
	Lines []alarmLine
	visit int64
}

// alarmLine is an entry in words.
type alarmLine struct{ Clock, Since, HR, BP, SpO2, Awake, Note, By string }

// vitalsAgain is how long after heart rate and pressure were taken they are taken again.
func vitalsAgain() time.Duration { return time.Duration(visitMinutes["vitals"] * float64(time.Minute)) }

// hour is a moment by the clock on the wall.
func (s *Server) hour(t time.Time) string { return t.In(s.now().Location()).Format("15:04:05") }

// longestAlarm is how long after its opening an emergency without an end is still taken as going on.
const longestAlarm = 12 * time.Hour

// alarmsOf puts the entries of a person's emergencies together, the oldest first.
func (s *Server) alarmsOf(facts []record.DatedFact) (list []alarm) {
	place := map[int64]int{}
	var entries []alarmEntry
	var read []record.Fact
	for _, f := range facts {
		var e alarmEntry
		if json.Unmarshal(f.JSON, &e) != nil {
			continue // it stays in the visit's list as it is
		}
		at, there := place[e.ID]
		if !there {
			at = len(list)
			place[e.ID] = at
			list = append(list, alarm{ID: e.ID, visit: f.Visit})
		}
		a := &list[at]
		a.Onset, a.By, a.Test = time.UnixMilli(e.OnsetMs), f.By, or(e.Test, a.Test)
		a.Over = e.What == alarmOver || a.Over
		if e.HR != nil && e.SBP != nil {
			a.Taken = time.UnixMilli(e.AtMs)
		}
		entries, read = append(entries, e), append(read, f.Fact)
	}
	for i := range entries { // the onset may have been put right by a later entry
		a := &list[place[entries[i].ID]]
		a.Lines = append(a.Lines, s.alarmLine(&entries[i], read[i].By, a.Onset))
	}
	return list
}

func (s *Server) alarmLine(e *alarmEntry, by string, onset time.Time) alarmLine {
	at := time.UnixMilli(e.AtMs)
	l := alarmLine{Clock: s.hour(at), Since: clock(at.Sub(onset).Milliseconds()), By: by}
	text := func(v *float64) string {
		if v == nil {
			return ""
		}
		return num(*v)
	}
	l.HR, l.SpO2 = text(e.HR), text(e.SpO2)
	if e.SBP != nil {
		l.BP = text(e.SBP) + "/" + or(text(e.DBP), say("alarm.nodiastolic"))
	}
	if e.Awake != "" {
		l.Awake = optionText("alarm_awake", e.Awake)
	}
	l.Note = strings.TrimSpace(english["alarm.did."+e.What] + " " + e.Note)
	if e.What == alarmOnset {
		l.Note = strings.TrimSpace(say("alarm.did.onset", s.hour(time.UnixMilli(e.OnsetMs))) + " " + e.Note)
	}
	return l
}

func (s *Server) alarms(r *http.Request, person int64) ([]alarm, error) {
	facts, err := s.store.FactsOf(r.Context(), record.FactFilter{Kind: factEmergency, Participant: person})
	return s.alarmsOf(facts), err
}

type emergencyBody struct {
	Site     siteCard
	Person   record.Participant
	Somebody bool // a person is chosen
	Label    string
	Test     string
	Running  bool
	ID       int64
	Onset    string
	SinceMs  int64
	Due      string // when heart rate and pressure are due, in words
	DueMs    int64  // until then; negative: overdue
	Again    int64  // ms between two rounds
	Log      []alarmLine
	Over     bool
	Form     form
	Done     []option
	People   []testLine // running tests, to choose whom
	Here     []visitLine
	Saved    bool
	Nobody   bool   // the person stands for somebody who is not known yet
	Adverse  string // where it is written down as an adverse event
}

func emergencyForm(by string) form {
	number := func(name string) field { return field{Name: name, Kind: "number", Most: 8} }
	return form{Fields: []field{number("alarm_hr"), number("alarm_sbp"), number("alarm_dbp"), number("alarm_spo2"), choiceField("alarm_awake", "", "awake", "voice", "none"),
		textField("alarm_note", "", 1000), textField("by", by, 80), number("alarm_ago")}}
}

// anyEmergency is the card without a person: number and plan at once, and whom it is about.
func (s *Server) anyEmergency(w http.ResponseWriter, r *http.Request) error {
	since, ok := s.openedAt(r)
	if !ok {
		http.Redirect(w, r, "/emergency?since="+strconv.FormatInt(s.now().Unix(), 10), http.StatusSeeOther)
		return nil
	}
	body := emergencyBody{Site: s.own.card(), ID: since.Unix(), Onset: s.hour(since), SinceMs: s.now().Sub(since).Milliseconds()}
	s.times(&body, alarm{Onset: since})
	// The card is there without the record; whom to choose is not.
	if today, err := s.whoIsHere(r); err == nil {
		body.People, body.Here = today.Running, today.Appointments
	}
	return s.show(w, http.StatusOK, frame{Page: "emergency", Title: say("alarm.title"), Purpose: say("alarm.purpose.any"), Section: "emergency", Script: "emergency.js", Token: s.token(w, r), Body: body})
}

func (s *Server) whoIsHere(r *http.Request) (body todayBody, err error) {
	if err = s.testsToday(r, &body); err == nil {
		err = s.visitsToday(r, &body)
	}
	return body, err
}

// openedAt reads when the card was opened; false when the address does not say, or nonsense.
func (s *Server) openedAt(r *http.Request) (time.Time, bool) {
	seconds, err := strconv.ParseInt(r.FormValue("since"), 10, 64)
	if err != nil {
		return time.Time{}, false
	}
	since := time.Unix(seconds, 0)
	ago := s.now().Sub(since)
	return since, ago >= -time.Minute && ago < longestAlarm
}

// testEmergency opens the card of the person of a test.
func (s *Server) testEmergency(w http.ResponseWriter, r *http.Request) error {
	t, err := s.store.Test(r.Context(), r.PathValue("test"))
	if err != nil {
		return err
	}
	q := r.URL.Query()
	at := "/emergency"
	if t.Participant != 0 {
		at, q = personAddress(t.Participant)+"/emergency", url.Values{"test": {t.ID}, "since": q["since"]}
	}
	http.Redirect(w, r, at+"?"+q.Encode(), http.StatusSeeOther)
	return nil
}

// emergency is the card of a person. Its address carries when it was opened, so that the clock runs from the first tap and
// nothing is written before somebody writes.
func (s *Server) emergency(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	list, err := s.alarms(r, p.ID)
	if err != nil {
		return err
	}
	now := s.now()
	since, ok := s.openedAt(r)
	if n := len(list); !ok && n > 0 && !list[n-1].Over && now.Sub(time.Unix(list[n-1].ID, 0)) < longestAlarm {
		since, ok = time.Unix(list[n-1].ID, 0), true
	} else if !ok {
		since = now
	}
	if r.URL.Query().Get("since") != strconv.FormatInt(since.Unix(), 10) {
		q := url.Values{"since": {strconv.FormatInt(since.Unix(), 10)}}
		if test := r.URL.Query().Get("test"); test != "" {
			q.Set("test", test)
		}
		http.Redirect(w, r, personAddress(p.ID)+"/emergency?"+q.Encode(), http.StatusSeeOther)
		return nil
	}
	a := theAlarm(list, since.Unix())
	return s.showEmergency(w, r, http.StatusOK, p, a, emergencyForm(a.By))
}

// theAlarm is the emergency with a number, or a new one without entries.
func theAlarm(list []alarm, id int64) alarm {
	for _, a := range list {
		if a.ID == id {
			return a
		}
	}
	return alarm{ID: id, Onset: time.Unix(id, 0)}
}

func (s *Server) showEmergency(w http.ResponseWriter, r *http.Request, status int, p record.Participant, a alarm, f form) error {
	body := emergencyBody{Site: s.own.card(), Person: p, Somebody: true, Label: label(p), ID: a.ID, Test: or(a.Test, r.FormValue("test")), Log: a.Lines, Over: a.Over, Nobody: isNobody(p), Form: f, Saved: r.URL.Query().Has("saved")}
	s.times(&body, a)
	body.Adverse = adverseAddress(p.ID, a.ID, body.Test)
	for _, what := range alarmDone {
		body.Done = append(body.Done, option{what, say("alarm.do." + what)})
	}
	if body.Test != "" {
		t, err := s.store.Test(r.Context(), body.Test)
		switch {
		case errors.Is(err, record.ErrNotFound):
			body.Test = ""
		case err != nil:
			return err
		default:
			body.Running = t.Running()
		}
	}
	return s.show(w, status, frame{Page: "emergency", Title: say("alarm.title.of", label(p)), Purpose: say("alarm.purpose"), Section: "emergency", Script: "emergency.js", Token: s.token(w, r), Body: body})
}

// times fills in the clock since the onset and when vital signs are due.
func (s *Server) times(b *emergencyBody, a alarm) {
	now := s.now()
	b.Onset, b.SinceMs, b.Again = s.hour(a.Onset), now.Sub(a.Onset).Milliseconds(), vitalsAgain().Milliseconds()
	due := now // never taken: now
	if !a.Taken.IsZero() {
		due = a.Taken.Add(vitalsAgain())
	}
	if b.DueMs = due.Sub(now).Milliseconds(); b.DueMs > 0 {
		b.Due = say("alarm.due.in", clock(b.DueMs))
	} else {
		b.Due = say("alarm.due.now")
	}
}

// tookEmergency writes an entry into the log, at once and for good.
func (s *Server) tookEmergency(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	list, err := s.alarms(r, p.ID)
	if err != nil {
		return err
	}
	since, ok := s.openedAt(r)
	if !ok {
		since = s.now()
	}
	a := theAlarm(list, since.Unix())
	f := emergencyForm("")
	f.take(r)
	f.signed(s.signed(r))
	e := s.readAlarm(r, &f, &a)
	if f.bad() {
		return s.showEmergency(w, r, http.StatusUnprocessableEntity, p, a, f)
	}
	v, err := s.visitOfAlarm(r, p, a)
	if err != nil {
		return err
	}
	text, err := json.Marshal(e)
	if err != nil {
		return err
	}
	// Nobody is sent back for a name in an emergency; who wrote before, or the examiner, stands for it.
	by := or(f.text("by"), or(a.By, say("plan.examiner")))
	if _, err := s.store.AddFact(r.Context(), record.Fact{Visit: v, Kind: factEmergency, JSON: text, By: by}); err != nil {
		return err
	}
	q := url.Values{"since": {strconv.FormatInt(a.ID, 10)}, "saved": {""}}
	if e.Test != "" {
		q.Set("test", e.Test)
	}
	http.Redirect(w, r, personAddress(p.ID)+"/emergency?"+q.Encode(), http.StatusSeeOther)
	return nil
}

// visitOfAlarm is the visit that the log belongs to: the one it began in, also past midnight.
func (s *Server) visitOfAlarm(r *http.Request, p record.Participant, a alarm) (int64, error) {
	if a.visit != 0 {
		return a.visit, nil
	}
	v, err := s.store.VisitOn(r.Context(), p.ID, s.day())
	return v.ID, err
}

// readAlarm reads an entry. A heart rate of 0 is one: no pulse was found.
func (s *Server) readAlarm(r *http.Request, f *form, a *alarm) alarmEntry {
	e := alarmEntry{ID: a.ID, AtMs: s.now().UnixMilli(), What: r.PostForm.Get("do"), OnsetMs: a.Onset.UnixMilli(), Test: or(a.Test, r.PostForm.Get("test")), Note: f.text("alarm_note")}
	e.HR, e.SBP, e.DBP = f.sign("alarm_hr", 0, 350), f.sign("alarm_sbp", 20, 350), f.sign("alarm_dbp", 0, 250)
	e.SpO2, e.Awake = f.sign("alarm_spo2", 0, 100), f.text("alarm_awake")
	if e.DBP != nil && (e.SBP == nil || *e.DBP >= *e.SBP) {
		f.fault("alarm_dbp", say("alarm.pressure"))
	}
	nothing := e.HR == nil && e.SBP == nil && e.SpO2 == nil && e.Awake == "" && e.Note == ""
	switch e.What {
	case alarmOnset:
		if ago := f.sign("alarm_ago", 0, 24*60); ago != nil {
			e.OnsetMs = s.now().Add(-time.Duration(*ago * float64(time.Minute))).UnixMilli()
		} else {
			f.fault("alarm_ago", say("form.empty"))
		}
	case alarmVitals, alarmNote:
		if nothing && !f.bad() {
			f.fault("alarm_hr", say("alarm.empty"))
		}
	case alarmOver:
	default:
		if !isOneOf(e.What, alarmDone) {
			e.What = alarmNote
		}
	}
	return e
}

func isOneOf(word string, words []string) bool {
	for _, w := range words {
		if w == word {
			return true
		}
	}
	return false
}

// sign reads a vital sign, which may be 0; nil when nothing was entered.
func (f *form) sign(name string, low, high float64) *float64 {
	text := f.text(name)
	if text == "" {
		return nil
	}
	v, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
	switch {
	case err != nil || math.IsNaN(v):
		f.fault(name, say("form.number", text))
	case v < low || v > high:
		f.fault(name, say("form.between", num(v), num(low), num(high)))
	default:
		return &v
	}
	return nil
}

// handover is the sheet that goes with the person.
type handoverBody struct {
	Site    siteCard
	Person  record.Participant
	ID      int64
	Test    string
	Who     []slipLine
	What    []slipLine
	Drugs   []string
	Log     []alarmLine
	Events  []core.LogLine
	Minutes []core.MinuteRow
	Printed string
}

func (s *Server) handover(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	list, err := s.alarms(r, p.ID)
	if err != nil {
		return err
	}
	since, ok := s.openedAt(r)
	if !ok { // an old one is named by its number too
		n, err := strconv.ParseInt(r.URL.Query().Get("since"), 10, 64)
		if err != nil {
			return record.ErrNotFound
		}
		since = time.Unix(n, 0)
	}
	a := theAlarm(list, since.Unix())
	body := handoverBody{Site: s.own.card(), Person: p, ID: a.ID, Test: or(a.Test, r.URL.Query().Get("test")), Log: a.Lines, Who: s.whoLines(p), Printed: s.now().Format("2 January 2006, 15:04:05")}
	for _, d := range p.Drugs {
		body.Drugs = append(body.Drugs, drugText(d))
	}
	body.What = append(body.What, slipLine{say("handover.onset"), a.Onset.In(s.now().Location()).Format("2 January 2006, 15:04:05")})
	if body.Test != "" {
		if err := s.testInShort(r, &body); err != nil && !errors.Is(err, record.ErrNotFound) {
			return err
		}
	}
	return s.show(w, http.StatusOK, frame{Page: "handover", Title: say("handover.title", label(p)), Purpose: say("handover.purpose"), Section: "people", Script: "emergency.js", Body: body})
}

// whoLines are who a person is, for people who have never seen them.
func (s *Server) whoLines(p record.Participant) (lines []slipLine) {
	add := func(name, text string) {
		if text != "" {
			lines = append(lines, slipLine{say(name), text})
		}
	}
	add("field.name", p.Name)
	add("field.code", p.Code)
	for _, id := range p.Identifiers {
		add("handover.id", strings.TrimSpace(id.System+" "+id.Value))
	}
	if p.BirthDate != "" {
		years, _ := age(p.BirthDate, s.now())
		add("field.birth_date", say("handover.born", dayText(p.BirthDate), years))
	} else if p.AgeYears > 0 {
		add("field.age_years", num(p.AgeYears)+thin+say("years"))
	}
	if p.Sex != conduct.SexUnknown {
		add("field.sex", optionText("sex", textOf(p.Sex)))
	}
	if p.Rhythm != 0 {
		add("field.rhythm", optionText("rhythm", textOf(p.Rhythm)))
	}
	if text := textOf(p.Condition); text != "" {
		for _, kind := range strings.Split(text, "+") {
			add("field.condition", optionText("condition", kind))
		}
	}
	for _, c := range p.Conditions {
		add("handover.condition", c)
	}
	add("field.note", p.Note)
	return lines
}

// testInShort is what the test was and its last events.
func (s *Server) testInShort(r *http.Request, body *handoverBody) error {
	r.SetPathValue("test", body.Test)
	t, err := s.retell(r)
	if err != nil {
		return err
	}
	add := func(name, text string) {
		if text != "" {
			body.What = append(body.What, slipLine{say(name), text})
		}
	}
	add("handover.test", t.test.Title+", "+day(t.test.Created.Local())+", "+t.test.Created.Local().Format("15:04"))
	in := &t.state.In
	if in.RestHR > 0 {
		add("field.rest_hr_bpm", num(in.RestHR)+thin+"/min")
	}
	if in.RestSBP > 0 {
		add("field.rest_sbp_mmhg", num(in.RestSBP)+"/"+num(in.RestDBP)+thin+"mmHg")
	}
	if in.Drug == conduct.DrugYes {
		add("field.rate_limiting_drug", say("yes"))
	}
	if t.view.Result != nil {
		add("handover.ended", t.view.Result.Ended)
		if t.view.Work > 0 {
			add("handover.work", t.view.Stage+", "+num(t.view.Work)+thin+"W")
		}
	}
	for i := range t.load.Events {
		if e := &t.load.Events[i]; e.Kind == conduct.Began {
			add("result.notes", e.Text)
		}
	}
	body.Events = t.view.Log
	body.Minutes = t.view.Minutes[max(0, len(t.view.Minutes)-lastMinutes):]
	return nil
}

// lastMinutes are the lines of the data sheet that a hand-over sheet shows.
const lastMinutes = 8

// emergencyLines show an entry of the log in the list of a visit.
func (s *Server) emergencyLines(f record.Fact) (lines []slipLine) {
	var e alarmEntry
	if json.Unmarshal(f.JSON, &e) != nil {
		return nil
	}
	l := s.alarmLine(&e, f.By, time.UnixMilli(e.OnsetMs))
	for _, part := range []slipLine{{say("col.since"), l.Since}, {say("col.hr"), l.HR}, {say("col.bp"), l.BP}, {say("col.spo2"), l.SpO2}, {say("col.awake"), l.Awake}, {say("col.note"), l.Note}} {
		if part.Text != "" {
			lines = append(lines, part)
		}
	}
	return lines
}
