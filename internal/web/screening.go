package web

import (
	"encoding/json"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"gradus/conduct"
	"gradus/internal/record"
	"gradus/screen"
)

// Kinds of facts of a visit that come from the page "safe to test?".
const (
	factScreening = "screening"
	factNotTested = "not-tested"
)

// screening is what the record keeps of it: the answers and what they came to by the rules of that day.
type screening struct {
	Answers screen.Answers `json:"answers"`
	Result  screen.Result  `json:"result"`
}

// notTested is the decision not to test today.
type notTested struct {
	Note   string        `json:"note,omitempty"`
	Result screen.Result `json:"result"`
}

// day is the day of the visit, where the server stands.
func (s *Server) day() string { return s.now().Format(time.DateOnly) }

// visitToday finds today's visit of a person without making one; ok is false when there is none.
func (s *Server) visitToday(r *http.Request, p record.Participant) (v record.Visit, ok bool, err error) {
	list, err := s.store.Visits(r.Context(), record.VisitFilter{Participant: p.ID, From: s.day(), To: s.day(), Newest: true, Limit: 1})
	if err != nil || len(list) == 0 {
		return v, false, err
	}
	return list[0], true, nil
}

// screened is the screening of today's visit, with the fact that holds it; nil when there is none.
type screened struct {
	screening
	Fact      record.Fact
	NotTested *record.Fact
}

func (s *Server) screenedToday(r *http.Request, p record.Participant) (*screened, error) {
	v, ok, err := s.visitToday(r, p)
	if err != nil || !ok {
		return nil, err
	}
	facts, err := s.store.Facts(r.Context(), v.ID)
	if err != nil {
		return nil, err
	}
	view := record.InView(facts)
	fact, ok := view[factScreening]
	if !ok {
		return nil, nil
	}
	found := &screened{Fact: fact}
	if err := json.Unmarshal(fact.JSON, &found.screening); err != nil {
		return nil, err
	}
	if left, ok := view[factNotTested]; ok && left.N > fact.N {
		found.NotTested = &left
	}
	return found, nil
}

// mayBegin says why a test must not begin today, or "". In the demonstration anybody may.
func (s *Server) mayBegin(r *http.Request, p record.Participant) (string, error) {
	if s.demo {
		return "", nil
	}
	have, err := s.screenedToday(r, p)
	switch {
	case err != nil:
		return "", err
	case have == nil:
		return say("plan.unscreened"), nil
	case have.NotTested != nil:
		return say("plan.nottested"), nil
	case have.Result.Outcome.Blocks():
		return say("plan.blocked", outcomeText(have.Result.Outcome)), nil
	}
	return "", nil
}

type screeningBody struct {
	Person    record.Participant
	Label     string
	Have      *outcomeView // nil before the first answers of the day
	NotTested string       // who decided and when, or ""
	Form      form
	FormOpen  bool
	Clear     form
	Go        form
	Leave     form
	Known     string // where prefilled answers come from
	Policy    []string
	Done      bool

	MoreOpen, RatesOpen, QOpen bool // parts of the form that hold answers, or faults
}

// holds reports whether one of the fields was filled in or is wrong.
func holds(f form, names ...string) bool {
	return slices.ContainsFunc(names, func(name string) bool { e := f.at(name); return e.Value != "" || len(e.Values) > 0 || e.Fault != "" })
}

// outcomeView is an outcome as the page shows it.
type outcomeView struct {
	Outcome   string
	Blocks    bool
	Words     string // what the outcome means for the examiner
	When, By  string
	Blocking  []reasonView
	Cautions  []reasonView
	Notes     []reasonView
	HeartRate string
	Why       []string
	NotTaken  []string
	MayClear  bool
	MayGo     bool
}

type reasonView struct {
	ID, Does, Text, Do string
	Lines              []slipLine
}

func outcomeText(o screen.Outcome) string { return say("outcome." + string(o)) }

func viewOf(have *screened) *outcomeView {
	r := have.Result
	v := &outcomeView{Outcome: outcomeText(r.Outcome), Blocks: r.Outcome.Blocks(), When: have.Fact.At.Local().Format("15:04"), By: have.Fact.By,
		Words: say("outcome.words." + string(r.Outcome)), Why: r.HeartRate.Why, NotTaken: r.NotTaken, HeartRate: heartRateText(r.HeartRate)}
	for _, reason := range r.Reasons {
		line := viewOfReason(reason)
		switch {
		case reason.Outcome.Blocks():
			v.Blocking = append(v.Blocking, line)
			v.MayClear = v.MayClear || clearable(reason)
			v.MayGo = v.MayGo || mayOverride(have, reason)
		case reason.Outcome == screen.GoWithCautions:
			v.Cautions = append(v.Cautions, line)
		default:
			v.Notes = append(v.Notes, line)
		}
	}
	return v
}

func viewOfReason(r screen.Reason) reasonView {
	v := reasonView{ID: r.ID, Does: outcomeText(r.Outcome), Text: ended(r.Said())}
	if r.Lifted == "" {
		v.Do = ended(r.Needed)
	}
	add := func(key, text string) {
		if text != "" {
			v.Lines = append(v.Lines, slipLine{say("reason." + key), text})
		}
	}
	add("lifted", r.Lifted)
	if r.Outcome.Blocks() {
		add("decides", r.Decides)
		add("override", r.Lift.Words())
	}
	add("source", r.Source)
	add("known", say("known."+r.How))
	for _, p := range r.Also {
		add("also", p.Text+" ("+p.Source+")")
	}
	add("note", r.Note)
	add("rule", r.ID)
	return v
}

// ended closes a sentence that does not close itself.
func ended(text string) string {
	if text == "" || strings.HasSuffix(text, "?") || strings.HasSuffix(text, ".") {
		return text
	}
	return text + "."
}

func heartRateText(h screen.HeartRate) string {
	leads := "screening.hr.leads"
	if !h.Leads {
		leads = "screening.hr.not"
	}
	return say(leads) + " " + say("screening.hr."+h.Estimate)
}

// clearable reports whether a clearance changes anything about a reason.
func clearable(r screen.Reason) bool { return r.Lift != screen.Nobody }

// mayOverride reports whether reason and name of the clinician are all that a reason still needs.
func mayOverride(have *screened, r screen.Reason) bool {
	switch r.Lift {
	case screen.ClinicianOnly, screen.Either:
		return true
	case screen.PhysicianAndReason:
		return slices.ContainsFunc(have.Answers.Clearances, func(c screen.Clear) bool {
			return c.Role == "physician" && slices.Contains(c.For, r.ID)
		})
	}
	return false
}

func (s *Server) screening(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	have, err := s.screenedToday(r, p)
	if err != nil {
		return err
	}
	body := screeningBody{Form: screeningForm(), Done: r.URL.Query().Has("done")}
	switch {
	case have != nil:
		fillAnswers(&body.Form, have.Answers)
		body.Form.at("by").Value = have.Fact.By
	default:
		if body.Known, err = s.fillKnown(r, p, &body.Form); err != nil {
			return err
		}
		if err := s.fillRest(r, p, &body.Form); err != nil {
			return err
		}
	}
	return s.showScreening(w, r, http.StatusOK, p, have, body)
}

func (s *Server) showScreening(w http.ResponseWriter, r *http.Request, status int, p record.Participant, have *screened, body screeningBody) error {
	body.Person, body.Label = p, label(p)
	body.FormOpen = have == nil || body.Form.bad()
	body.Policy = s.policyLines()
	body.MoreOpen = holds(body.Form, "on_oxygen", "temperature_c", "standing_sbp_drop_mmhg", "standing_symptoms", "glucose_mg_dl", "glucose_mmol_l", "ketones", "severe_low_glucose_24h", "inr", "haemoglobin_g_dl", "platelets_per_mm3")
	body.RatesOpen = holds(body.Form, "icd_detection_bpm", "upper_pacing_rate_bpm")
	body.QOpen = holds(body.Form, "q_version", "q_date", "q_outcome", "q_cleared_by")
	if have != nil {
		body.Have = viewOf(have)
		if body.Clear.Fields == nil {
			body.Clear = clearForm(have)
		}
		if body.Go.Fields == nil {
			body.Go = goForm(have)
		}
		if body.Leave.Fields == nil {
			body.Leave = leaveForm(have)
		}
		if have.NotTested != nil {
			body.NotTested = say("screening.left", have.NotTested.By, have.NotTested.At.Local().Format("15:04"))
		}
	}
	return s.show(w, status, frame{Page: "screening", Title: say("screening.title", label(p)), Purpose: say("screening.purpose"), Section: "people", Token: s.token(w, r), Body: body})
}

// policyLines say which policy is in force and where it is looser than the shipped tables.
func (s *Server) policyLines() []string {
	empty := s.site.Judge(&screen.Answers{})
	if empty.Policy == nil {
		return nil
	}
	lines := []string{say("screening.policy", empty.Policy.Author, empty.Policy.Date)}
	for _, l := range empty.Policy.Looser {
		lines = append(lines, say("screening.looser", l))
	}
	return lines
}

// tookScreening takes one of the forms of the page.
func (s *Server) tookScreening(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	have, err := s.screenedToday(r, p)
	if err != nil {
		return err
	}
	do := r.PostForm.Get("do")
	if do == "judge" || have == nil {
		return s.judgeAnswers(w, r, p, have)
	}
	body := screeningBody{Form: screeningForm()}
	fillAnswers(&body.Form, have.Answers)
	body.Form.at("by").Value = have.Fact.By
	answers, by := have.Answers, have.Fact.By
	var f *form
	switch do {
	case "clear":
		body.Clear = clearForm(have)
		f = &body.Clear
		s.readForm(r, f)
		answers.Clearances = append(slices.Clone(answers.Clearances), readClear(f))
		faultsOf(f, &answers, len(answers.Clearances)-1)
	case "go":
		body.Go = goForm(have)
		f = &body.Go
		s.readForm(r, f)
		answers.Overrides = append(slices.Clone(answers.Overrides), readGo(f)...)
		by = or(f.text("o_name"), by)
	case "leave":
		body.Leave = leaveForm(have)
		f = &body.Leave
		s.readForm(r, f)
		if f.text("n_by") == "" {
			f.fault("n_by", say("form.empty"))
		}
		if !f.bad() {
			return s.leave(w, r, p, have, f)
		}
	default:
		return &askError{http.StatusBadRequest, "form", say("form.unread"), say("form.again")}
	}
	if f.bad() {
		return s.showScreening(w, r, http.StatusUnprocessableEntity, p, have, body)
	}
	return s.keepScreening(w, r, p, answers, by)
}

func (s *Server) readForm(r *http.Request, f *form) {
	f.take(r)
	f.signed(s.signed(r))
}

// judgeAnswers reads the answers, judges them and keeps both.
func (s *Server) judgeAnswers(w http.ResponseWriter, r *http.Request, p record.Participant, have *screened) error {
	body := screeningBody{Form: screeningForm()}
	f := &body.Form
	s.readForm(r, f)
	answers := readAnswers(f)
	answers.Date = s.day()
	if years, ok := age(p.BirthDate, s.now()); ok && years > 0 {
		v := float64(years)
		answers.AgeYears = &v
	} else if v := s.yearsTold(p); v > 0 {
		answers.AgeYears = &v
	}
	if have != nil {
		answers.Clearances = have.Answers.Clearances
		answers.Overrides = s.site.Carry(have.Result, have.Answers.Overrides, answers)
	} else if last, _, err := s.lastScreening(r, p); err != nil {
		return err
	} else if last != nil {
		answers.Clearances = last.Answers.Clearances // what was given still stands; its age is judged
	}
	for _, problem := range screen.Problems(&answers) {
		name, _, _ := strings.Cut(problem.Path, "[")
		f.fault(fieldOf(name), strings.TrimSpace(problem.Msg+"; "+problem.Hint))
	}
	if f.text("by") == "" {
		f.fault("by", say("form.empty"))
	}
	if f.bad() {
		return s.showScreening(w, r, http.StatusUnprocessableEntity, p, have, body)
	}
	return s.keepScreening(w, r, p, answers, f.text("by"))
}

// keepScreening judges the answers and appends both to the visit of the day.
func (s *Server) keepScreening(w http.ResponseWriter, r *http.Request, p record.Participant, answers screen.Answers, by string) error {
	answers.Date = s.day()
	text, err := json.Marshal(screening{answers, s.site.Judge(&answers)})
	if err != nil {
		return err
	}
	v, err := s.openVisit(r, p, record.VisitOpen)
	if err != nil {
		return err
	}
	if _, err := s.store.AddFact(r.Context(), record.Fact{Visit: v.ID, Kind: factScreening, JSON: text, By: by}); err != nil {
		return err
	}
	http.Redirect(w, r, screeningPath(p)+"?done#outcome", http.StatusSeeOther)
	return nil
}

// openVisit returns today's visit in a state; one that is done already stays so.
func (s *Server) openVisit(r *http.Request, p record.Participant, state string) (record.Visit, error) {
	v, err := s.store.VisitOn(r.Context(), p.ID, s.day())
	if err != nil || v.State == state || v.State == record.VisitDone {
		return v, err
	}
	v.State = state
	return v, s.store.UpdateVisit(r.Context(), v)
}

// leave records that there is no test today.
func (s *Server) leave(w http.ResponseWriter, r *http.Request, p record.Participant, have *screened, f *form) error {
	text, err := json.Marshal(notTested{f.text("n_note"), have.Result})
	if err != nil {
		return err
	}
	v, err := s.openVisit(r, p, record.VisitNotTested)
	if err != nil {
		return err
	}
	if _, err := s.store.AddFact(r.Context(), record.Fact{Visit: v.ID, Kind: factNotTested, JSON: text, By: f.text("n_by")}); err != nil {
		return err
	}
	http.Redirect(w, r, screeningPath(p)+"?done#papers", http.StatusSeeOther)
	return nil
}

func screeningPath(p record.Participant) string {
	return "/people/" + strconv.FormatInt(p.ID, 10) + "/screening"
}

// lastScreening is the newest one of an earlier visit, with its day.
func (s *Server) lastScreening(r *http.Request, p record.Participant) (*screening, string, error) {
	fact, err := s.store.LastFact(r.Context(), p.ID, factScreening, s.day())
	if isMissing(err) {
		return nil, "", nil
	}
	if err != nil {
		return nil, "", err
	}
	var last screening
	if err := json.Unmarshal(fact.JSON, &last); err != nil {
		return nil, "", err
	}
	when, err := time.Parse(time.DateOnly, last.Answers.Date)
	if err != nil {
		return nil, "", err
	}
	return &last, day(when), nil
}

// fillKnown takes over what seldom changes from the last screening. What belongs to the day is asked anew.
func (s *Server) fillKnown(r *http.Request, p record.Participant, f *form) (string, error) {
	last, when, err := s.lastScreening(r, p)
	if err != nil {
		return "", err
	}
	if last == nil {
		a := recorded(p)
		if a.KnownDisease == nil && a.Drugs == nil && a.RhythmDevices == nil {
			return "", nil
		}
		fillAnswers(f, a)
		return say("screening.known.person"), nil
	}
	a := last.Answers
	fillAnswers(f, screen.Answers{RegularExercise: a.RegularExercise, KnownDisease: a.KnownDisease, IntendedIntensity: a.IntendedIntensity,
		Drugs: a.Drugs, RhythmDevices: a.RhythmDevices, ICDDetectionBPM: a.ICDDetectionBPM, UpperPacingRateBPM: a.UpperPacingRateBPM})
	return say("screening.known", when), nil
}

// rejudge judges the screening of the visit anew with the resting values, so that a pressure or pulse found later
// counts as if it had been known before. Without a screening there is nothing to do yet.
func (s *Server) rejudge(r *http.Request, v record.Visit, rest restFact, by string) error {
	facts, err := s.store.Facts(r.Context(), v.ID)
	if err != nil {
		return err
	}
	fact, ok := record.InView(facts)[factScreening]
	if !ok {
		return nil
	}
	var have screening
	if err := json.Unmarshal(fact.JSON, &have); err != nil {
		return err
	}
	rest.into(&have.Answers)
	have.Answers.Overrides = s.site.Carry(have.Result, have.Answers.Overrides, have.Answers)
	text, err := json.Marshal(screening{have.Answers, s.site.Judge(&have.Answers)})
	if err != nil {
		return err
	}
	_, err = s.store.AddFact(r.Context(), record.Fact{Visit: v.ID, Kind: factScreening, JSON: text, By: say("screening.rejudged", by)})
	return err
}

// fillRest takes over the resting values that were measured today before the screening.
func (s *Server) fillRest(r *http.Request, p record.Participant, f *form) error {
	v, ok, err := s.visitToday(r, p)
	if err != nil || !ok {
		return err
	}
	facts, err := s.store.Facts(r.Context(), v.ID)
	if err != nil {
		return err
	}
	var a screen.Answers
	if fact, there := record.InView(facts)[factRest]; there {
		readRest(fact).into(&a)
	}
	for name, value := range answerNumbers(&a) {
		switch {
		case *value == nil:
		case name == "irregular_beats_per_min":
			f.at(name).Value = irregularStep(**value)
		default:
			f.at(name).Value = strconv.FormatFloat(**value, 'f', -1, 64)
		}
	}
	return nil
}

// into puts what was measured seated into the answers.
func (rest restFact) into(a *screen.Answers) {
	for _, m := range []struct {
		v  float64
		to **float64
	}{{rest.HR, &a.RestHRBPM}, {rest.SBP, &a.RestSBPmmHg}, {rest.DBP, &a.RestDBPmmHg}, {rest.SpO2, &a.SpO2Percent}} {
		if m.v > 0 {
			*m.to = &m.v
		}
	}
	if n, err := strconv.ParseFloat(rest.Irregular, 64); err == nil {
		a.IrregularPerMin = &n
	}
}

// recorded is what stands in the person's record already. Only what is there is ticked; nothing is taken as none.
func recorded(p record.Participant) (a screen.Answers) {
	for _, kind := range []struct {
		is   conduct.Condition
		word string
	}{{conduct.CondHeart, "heart"}, {conduct.CondLung, "lung"}} {
		if p.Condition&kind.is != 0 {
			a.KnownDisease = append(a.KnownDisease, kind.word)
		}
	}
	for _, d := range p.Drugs {
		if class := or(d.Class, "unknown"); !slices.Contains(a.Drugs, class) {
			a.Drugs = append(a.Drugs, class)
		}
	}
	for word, rhythm := range map[string]conduct.Rhythm{"atrial_fibrillation": conduct.AtrialFib, "heart_transplant": conduct.Transplant, "sci_t6_or_above": conduct.SpinalLesionT6, "other_rhythm": conduct.OtherRhythm} {
		if p.Rhythm == rhythm {
			a.RhythmDevices = []string{word}
		}
	}
	return a
}

// screenedBefore says for the result of a test what the check before it came to: outcome, what was lifted and by
// whom, and where the site's policy is looser than the shipped limits.
func (s *Server) screenedBefore(r *http.Request, t record.Test) ([]slipLine, error) {
	if t.Visit == 0 {
		return nil, nil
	}
	facts, err := s.store.Facts(r.Context(), t.Visit)
	if err != nil {
		return nil, err
	}
	var found *record.Fact
	for i, f := range facts {
		if f.Kind == factScreening && !f.At.After(t.Created) {
			found = &facts[i]
		}
	}
	if found == nil {
		return nil, nil
	}
	var was screening
	if err := json.Unmarshal(found.JSON, &was); err != nil {
		return nil, err
	}
	lines := []slipLine{{say("screening.before"), say("screening.before.by", outcomeText(was.Result.Outcome), found.By)}}
	for _, reason := range was.Result.Reasons {
		if reason.Lifted != "" {
			lines = append(lines, slipLine{say("screening.lifted"), ended(reason.Said() + ": " + reason.Lifted)})
		}
	}
	if p := was.Result.Policy; p != nil {
		lines = append(lines, slipLine{say("screening.policy.title"), say("screening.policy", p.Author, p.Date)})
		for _, l := range p.Looser {
			lines = append(lines, slipLine{say("screening.policy.title"), say("screening.looser", l)})
		}
	}
	return lines, nil
}

type paperBody struct {
	Person record.Participant
	Paper  screen.Paper
	Back   string
}

// screeningPaper shows the note, the letter or the request for clearance of "not tested today", to be printed.
func (s *Server) screeningPaper(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	have, err := s.screenedToday(r, p)
	if err != nil {
		return err
	}
	if have == nil {
		return record.ErrNotFound
	}
	who := p.Code
	if p.Name != "" {
		who = p.Name + ", " + p.Code
	}
	if p.BirthDate != "" {
		who += ", " + say("screening.born", p.BirthDate)
	}
	v := screen.Visit{Code: who, Date: have.Answers.Date, Tester: have.Fact.By, Test: say("screening.planned"), To: say("screening.to")}
	var paper screen.Paper
	switch r.PathValue("paper") {
	case "note":
		paper = have.Result.Note(v)
	case "letter":
		paper = have.Result.Letter(v)
	case "request":
		paper = have.Result.Request(v)
	default:
		return record.ErrNotFound
	}
	if note := leftNote(have); note != "" && paper.Kind == "note" {
		paper.Sections = append(paper.Sections, screen.Section{Heading: say("screening.leftnote"), Lines: []string{note}})
	}
	return s.show(w, http.StatusOK, frame{Page: "screening-paper", Title: paper.Title, Section: "people", Body: paperBody{p, paper, screeningPath(p)}})
}

func leftNote(have *screened) string {
	if have.NotTested == nil {
		return ""
	}
	var left notTested
	if json.Unmarshal(have.NotTested.JSON, &left) != nil {
		return ""
	}
	return left.Note
}

// fillScreened takes over into the prepare form what was found before the test today.
func (s *Server) fillScreened(r *http.Request, p record.Participant, f *form) error {
	have, err := s.screenedToday(r, p)
	if err != nil || have == nil {
		return err
	}
	a := have.Answers
	for name, v := range map[string]*float64{"rest_hr_bpm": a.RestHRBPM, "rest_sbp_mmhg": a.RestSBPmmHg, "rest_dbp_mmhg": a.RestDBPmmHg, "device_rate_bpm": a.ICDDetectionBPM} {
		if v != nil {
			f.at(name).Value = strconv.FormatFloat(*v, 'f', -1, 64)
		}
	}
	// A drug that is recorded of the person counts even where it was not named today; the examiner may say no.
	if drug := f.at("rate_limiting_drug"); drug.Value != "yes" {
		drug.Value = or(rateLimiting(a.Drugs), drug.Value)
	}
	f.at("rhythm").Value = or(rhythmOf(a.RhythmDevices), f.at("rhythm").Value)
	kinds := f.at("condition")
	for word, kind := range map[string]string{"brain_vessels": "neurological", "heart": "heart", "lung": "lung", "other": "other"} {
		if slices.Contains(a.KnownDisease, word) && !slices.Contains(kinds.Values, kind) {
			kinds.Values = append(kinds.Values, kind)
		}
	}
	if slices.Contains(a.RhythmDevices, "parkinson") && !slices.Contains(kinds.Values, "neurological") {
		kinds.Values = append(kinds.Values, "neurological")
	}
	slices.Sort(kinds.Values)
	return nil
}

// rateLimiting is the answer of the prepare form to the drugs of the screening.
func rateLimiting(drugs []string) string {
	if drugs == nil {
		return ""
	}
	answer := "no"
	for _, d := range screen.Shipped().Drugs {
		switch {
		case !slices.Contains(drugs, d.Word) || d.Leads:
		case d.Word == "unknown":
			if answer == "no" {
				answer = "unknown"
			}
		default:
			answer = "yes"
		}
	}
	return answer
}

// rhythmWords give the words of the prepare form, the one that takes most from heart rate first.
var rhythmWords = [][2]string{{"heart_transplant", "heart-transplant"}, {"sci_t6_or_above", "sci-t6-or-above"}, {"pacemaker_fixed_rate", "paced"},
	{"pacemaker_rate_adaptive", "paced"}, {"crt", "paced"}, {"atrial_fibrillation", "atrial-fibrillation"}, {"other_rhythm", "other"}}

func rhythmOf(found []string) string {
	if found == nil || slices.Contains(found, "unknown_rhythm") {
		return ""
	}
	for _, pair := range rhythmWords {
		if slices.Contains(found, pair[0]) {
			return pair[1]
		}
	}
	return "sinus"
}
