package web

import (
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"gradus/internal/record"
)

// fitFact is how a person sits at which machine.
type fitFact struct {
	Machine        int64   `json:"machine,omitempty"` // of the record; 0: named only
	MachineVersion int     `json:"machine_version,omitempty"`
	MachineName    string  `json:"machine_name,omitempty"`
	Shows          string  `json:"machine_shows,omitempty"`
	NoEstimate     string  `json:"no_estimate,omitempty"` // why the machine gives none; see equipment
	Seat           string  `json:"seat,omitempty"`
	ArmLength      string  `json:"arm_length,omitempty"`
	Strap          string  `json:"hand_strap,omitempty"` // none, left, right, both
	Orthosis       string  `json:"orthosis,omitempty"`
	Shoes          string  `json:"shoes,omitempty"`
	StopSignal     string  `json:"stop_signal,omitempty"`
	TriedS         float64 `json:"familiarised_s,omitempty"`
	CadencePerMin  float64 `json:"cadence_per_min,omitempty"`
	ThreeMinutes   string  `json:"can_3min_30w,omitempty"` // yes, no, not-tried
	MassKg         float64 `json:"mass_kg,omitempty"`
	HeightCm       float64 `json:"height_cm,omitempty"`
	Note           string  `json:"note,omitempty"`
}

// familiarised is how long a person should have tried the machine, in s: 1 to 2 min (common practice).
const familiarised = 60

func readFit(f record.Fact) (fit fitFact) {
	_ = json.Unmarshal(f.JSON, &fit) // what cannot be read is shown as nothing; the fact itself stays
	return fit
}

// lastFit is the last fit of a person before a day, or an empty one.
func (s *Server) lastFit(r *http.Request, person int64, before string) (fitFact, error) {
	f, err := s.store.LastFact(r.Context(), person, factFit, before)
	if errors.Is(err, record.ErrNotFound) {
		return fitFact{}, nil
	}
	return readFit(f), err
}

func (fit fitFact) lines() (lines []slipLine) {
	add := func(name, text string) {
		if text != "" {
			lines = append(lines, slipLine{say("field." + name), text})
		}
	}
	add("fit_machine", fit.MachineName)
	add("fit_seat", fit.Seat)
	add("fit_arm", fit.ArmLength)
	if fit.Strap != "" {
		add("fit_strap", optionText("fit_strap", fit.Strap))
	}
	add("fit_orthosis", fit.Orthosis)
	add("fit_shoes", fit.Shoes)
	add("fit_signal", fit.StopSignal)
	if fit.TriedS > 0 {
		add("fit_tried_min", clock(int64(fit.TriedS*1000))+" min")
	}
	if fit.CadencePerMin > 0 {
		add("fit_cadence", num(fit.CadencePerMin)+thin+say("field.fit_cadence.unit"))
	}
	if fit.ThreeMinutes != "" {
		add("fit_three", optionText("fit_three", fit.ThreeMinutes))
	}
	if fit.MassKg > 0 {
		add("mass_kg", num(fit.MassKg)+thin+"kg")
	}
	if fit.HeightCm > 0 {
		add("height_cm", num(fit.HeightCm)+thin+"cm")
	}
	add("fit_note", fit.Note)
	return lines
}

func (fit fitFact) sentence() string {
	var parts []string
	for _, line := range fit.lines() {
		if len(parts) < 6 {
			parts = append(parts, line.Name+": "+line.Text)
		}
	}
	return strings.Join(parts, ". ") + "."
}

func (fit fitFact) cautions() (list []string) {
	if fit.NoEstimate != "" {
		list = append(list, say("machine.why."+fit.NoEstimate))
	}
	if fit.TriedS < familiarised {
		list = append(list, say("fit.short"))
	}
	if fit.ThreeMinutes == "no" {
		list = append(list, say("fit.cannot"))
	}
	return list
}

func (s *Server) fitForm(r *http.Request, fit fitFact) (form, error) {
	machines, err := s.store.Machines(r.Context())
	if err != nil {
		return form{}, err
	}
	which := field{Name: "fit_machine", Kind: "choice"}
	for _, m := range machines {
		if m.Retired && m.ID != fit.Machine {
			continue
		}
		which.Options = append(which.Options, option{strconv.FormatInt(m.ID, 10), m.Name})
	}
	if fit.Machine != 0 {
		which.Value = strconv.FormatInt(fit.Machine, 10)
	}
	if !which.offers(which.Value) {
		which.Value = ""
	}
	n := func(name string, v float64) field {
		f := field{Name: name, Kind: "number", Most: 8}
		if v != 0 {
			f.Value = strconv.FormatFloat(v, 'f', -1, 64)
		}
		return f
	}
	return form{Fields: []field{which, textField("fit_seat", fit.Seat, 100), textField("fit_arm", fit.ArmLength, 100), choiceField("fit_strap", fit.Strap, "none", "left", "right", "both"),
		textField("fit_orthosis", fit.Orthosis, 200), textField("fit_shoes", fit.Shoes, 200), textField("fit_signal", fit.StopSignal, 200),
		n("fit_tried_min", fit.TriedS/60), n("fit_cadence", fit.CadencePerMin), choiceField("fit_three", fit.ThreeMinutes, "yes", "no", "not-tried"),
		n("mass_kg", fit.MassKg), n("height_cm", fit.HeightCm), textField("fit_note", fit.Note, 1000), textField("by", "", 80)}}, nil
}

type visitFormBody struct {
	Visit  record.Visit
	Person record.Participant
	Form   form
	Same   string // said when the form is filled from the last visit
	// of the resting values alone:
	Sat      string // when the person sat down, for the form
	Wait     *wait  // the countdown
	Machines bool   // there is a machine to choose
}

// fit asks how the person sits at the machine; at a retest it asks whether all is the same as last time.
func (s *Server) fit(w http.ResponseWriter, r *http.Request) error {
	v, p, err := s.visitAt(r)
	if err != nil {
		return err
	}
	body := visitFormBody{Visit: v, Person: p}
	known, date, err := s.knownFact(r, v, p, factFit)
	if err != nil {
		return err
	}
	fit := readFit(known)
	if date != "" {
		body.Same = say("fit.same", dayText(date))
		fit.TriedS, fit.ThreeMinutes, fit.MassKg = 0, "", 0 // these are of each day
	}
	if body.Form, err = s.fitForm(r, fit); err != nil {
		return err
	}
	return s.showFit(w, r, http.StatusOK, body)
}

// knownFact is what this visit has of a kind; else that of the last visit, with its day.
func (s *Server) knownFact(r *http.Request, v record.Visit, p record.Participant, kind string) (f record.Fact, date string, err error) {
	facts, err := s.store.Facts(r.Context(), v.ID)
	if err != nil {
		return f, "", err
	}
	if f, there := record.InView(facts)[kind]; there {
		return f, "", nil
	}
	f, err = s.store.LastFact(r.Context(), p.ID, kind, v.Date)
	if errors.Is(err, record.ErrNotFound) {
		return record.Fact{}, "", nil
	}
	if err != nil {
		return f, "", err
	}
	before, err := s.store.Visit(r.Context(), f.Visit)
	return f, before.Date, err
}

func (s *Server) showFit(w http.ResponseWriter, r *http.Request, status int, body visitFormBody) error {
	body.Machines = len(body.Form.at("fit_machine").Options) > 0
	return s.show(w, status, frame{Page: "fit", Title: say("fit.title", label(body.Person)), Purpose: say("fit.purpose"), Section: "people", Token: s.token(w, r), Body: body})
}

func (s *Server) fitted(w http.ResponseWriter, r *http.Request) error {
	v, p, err := s.visitAt(r)
	if err != nil {
		return err
	}
	last, err := s.lastFit(r, p.ID, "")
	if err != nil {
		return err
	}
	f, err := s.fitForm(r, fitFact{Machine: last.Machine})
	if err != nil {
		return err
	}
	f.take(r)
	f.signed(s.signed(r))
	fit := fitFact{Seat: f.text("fit_seat"), ArmLength: f.text("fit_arm"), Strap: f.text("fit_strap"), Orthosis: f.text("fit_orthosis"), Shoes: f.text("fit_shoes"), StopSignal: f.text("fit_signal"),
		TriedS: f.within("fit_tried_min", 0.1, 60) * 60, CadencePerMin: f.within("fit_cadence", 10, 250), ThreeMinutes: f.text("fit_three"),
		MassKg: f.within("mass_kg", 10, 400), HeightCm: f.within("height_cm", 50, 250), Note: f.text("fit_note")}
	if f.text("by") == "" {
		f.fault("by", say("form.empty"))
	}
	if err := s.machineOf(r, &f, &fit); err != nil {
		return err
	}
	if f.bad() {
		return s.showFit(w, r, http.StatusUnprocessableEntity, visitFormBody{Visit: v, Person: p, Form: f})
	}
	return s.addFact(w, r, v, factFit, fit, f.text("by"))
}

// machineOf takes over what the chosen machine shows and whether an estimate may come of it.
func (s *Server) machineOf(r *http.Request, f *form, fit *fitFact) error {
	id, err := strconv.ParseInt(f.text("fit_machine"), 10, 64)
	if err != nil || f.bad() {
		return nil // none was chosen, or the field has its fault
	}
	m, err := s.store.Machine(r.Context(), id)
	if err != nil {
		return err
	}
	fit.Machine, fit.MachineVersion, fit.MachineName, fit.Shows = m.ID, m.Version, m.Name, string(m.Shows)
	_, fit.NoEstimate = m.Estimates()
	return nil
}

// addFact appends a fact and goes back to the visit.
func (s *Server) addFact(w http.ResponseWriter, r *http.Request, v record.Visit, kind string, fact any, by string) error {
	if err := s.keepFact(r, v, kind, fact, by); err != nil {
		return err
	}
	http.Redirect(w, r, visitAddress(v.ID)+"?saved", http.StatusSeeOther)
	return nil
}

// keepFact appends a fact to a visit; a planned visit of today is open from then on.
func (s *Server) keepFact(r *http.Request, v record.Visit, kind string, fact any, by string) error {
	text, err := json.Marshal(fact)
	if err != nil {
		return err
	}
	if _, err := s.store.AddFact(r.Context(), record.Fact{Visit: v.ID, Kind: kind, JSON: text, By: by}); err != nil {
		return err
	}
	if v.State != record.VisitPlanned || v.Date != s.day() {
		return nil
	}
	v.State = record.VisitOpen
	return s.store.UpdateVisit(r.Context(), v)
}

// within reads a number that must lie between two bounds; 0 when nothing was entered.
func (f *form) within(name string, low, high float64) float64 {
	v := f.number(name)
	if v != 0 && (v < low || v > high) {
		f.fault(name, say("form.between", num(v), num(low), num(high)))
		return 0
	}
	return v
}

// todayFacts are the facts in view of the visits that a person has today.
func (s *Server) todayFacts(r *http.Request, person int64) (map[string]record.Fact, error) {
	today := s.day()
	visits, err := s.store.Visits(r.Context(), record.VisitFilter{Participant: person, From: today, To: today})
	if err != nil {
		return nil, err
	}
	all := map[string]record.Fact{}
	for _, v := range visits {
		facts, err := s.store.Facts(r.Context(), v.ID)
		if err != nil {
			return nil, err
		}
		for kind, f := range record.InView(facts) {
			if have, there := all[kind]; !there || f.At.After(have.At) {
				all[kind] = f
			}
		}
	}
	return all, nil
}

// takeOver fills the prepare form from the person and today's visit, and says which fields it filled.
func (s *Server) takeOver(r *http.Request, p record.Participant, f *form) (filled []string, err error) {
	put := func(name, value string) {
		e := f.at(name)
		if value == "" || e.Kind == "choice" && !e.offers(value) {
			return
		}
		e.Value = value
		filled = append(filled, e.Label())
	}
	number := func(name string, v float64) {
		if v != 0 {
			put(name, strconv.FormatFloat(v, 'f', -1, 64))
		}
	}
	s.takeOverPerson(p, f, put)
	if err := s.fillScreened(r, p, f); err != nil {
		return nil, err
	}
	facts, err := s.todayFacts(r, p.ID)
	if err != nil {
		return nil, err
	}
	if fact, there := facts[factFit]; there {
		fit := readFit(fact)
		put("machine_id", fit.MachineName)
		put("machine_shows", fit.Shows)
		number("mass_kg", fit.MassKg)
		number("height_cm", fit.HeightCm)
		number("target_cadence_per_min", fit.CadencePerMin)
		put("note", fit.briefly())
	}
	if fact, there := facts[factRest]; there {
		rest := readRest(fact)
		number("rest_hr_bpm", rest.HR)
		number("rest_sbp_mmhg", rest.SBP)
		number("rest_dbp_mmhg", rest.DBP)
		put("hr_method", rest.Method)
		if arm := rest.armText(); arm != "" {
			put("note", strings.TrimSpace(f.at("note").Value+" "+arm))
		}
	}
	return slices.Compact(filled), nil
}

// takeOverPerson fills in what is recorded about the person. A drug of a class that keeps the heart rate down is one; of
// others the form still asks.
func (s *Server) takeOverPerson(p record.Participant, f *form, put func(name, value string)) {
	put("rhythm", wordFor(p.Rhythm))
	if kinds := strings.FieldsFunc(wordFor(p.Condition), func(r rune) bool { return r == '+' }); len(kinds) > 0 {
		f.at("condition").Values = kinds
	}
	if years := s.yearsTold(p); years > 0 && f.at("age_years").Value == "" {
		put("age_years", strconv.FormatFloat(years, 'f', -1, 64))
	}
	var names []string
	for _, d := range p.Drugs {
		names = append(names, drugText(d))
		if leadsNot(d.Class) {
			put("rate_limiting_drug", "yes")
		}
	}
	put("drug_name", strings.Join(names, "; "))
}

// yearsTold is the age of a person who told it, with the whole years since; 0 when it was not told.
func (s *Server) yearsTold(p record.Participant) float64 {
	if p.AgeYears == 0 {
		return 0
	}
	since, _ := age(p.AgeTold, s.now())
	return p.AgeYears + float64(since)
}

// briefly is what the examiner at the machine needs of the fit.
func (fit fitFact) briefly() string {
	var parts []string
	for _, line := range fit.lines() {
		switch line.Name {
		case say("field.fit_seat"), say("field.fit_arm"), say("field.fit_strap"), say("field.fit_orthosis"), say("field.fit_signal"):
			parts = append(parts, line.Name+": "+line.Text+".")
		}
	}
	return strings.Join(parts, " ")
}
