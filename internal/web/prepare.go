package web

import (
	"encoding/json"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"gradus/conduct"
	estimators "gradus/estimate/library"
	"gradus/internal/record"
	"gradus/physiology"
	"gradus/protocol"
)

// The fields of the prepare page that are inputs of a test under the same name.
var (
	numberInputs = []string{"age_years", "mass_kg", "height_cm", "rest_hr_bpm", "rest_sbp_mmhg", "rest_dbp_mmhg", "max_hr_bpm", "end_point_percent",
		"hr_limit_bpm", "sbp_limit_mmhg", "spo2_limit_percent", "rpe_limit", "rpe_alert", "rpe_end", "target_cadence_per_min", "device_rate_bpm", "device_margin_bpm", "ischaemia_hr_bpm", "hours_since_dose"}
	wordInputs = []string{"sex", "rate_limiting_drug", "rhythm", "hr_method", "blood_pressure", "max_hr_formula", "medical_cover", "machine_id", "machine_shows"}
)

// planForm is the form of a test for a person, with what is known already.
func planForm(p record.Participant, plan *protocol.Protocol, known conduct.Inputs, plans []option) form {
	n := func(name string, v float64) field {
		f := field{Name: name, Kind: "number", Most: 12, Need: slices.Contains(plan.Inputs.Required, name)}
		if v != 0 {
			f.Value = strconv.FormatFloat(v, 'f', -1, 64)
		}
		return f
	}
	c := func(name, value string, words ...string) field { return choiceField(name, value, words...) }
	sex := c("sex", wordFor(p.Sex), "female", "male")
	sex.Need = true
	fields := []field{
		{Name: "birth_date", Kind: "date", Value: p.BirthDate}, n("age_years", known.AgeYears), sex, n("mass_kg", known.MassKg), n("height_cm", known.HeightCm),
		n("rest_hr_bpm", 0), n("rest_sbp_mmhg", 0), n("rest_dbp_mmhg", 0), c("hr_method", "strap", "strap", "optical", "ecg", "palpated-15s", "palpated-30s", "palpated-10s"),
		c("rate_limiting_drug", "", "no", "yes", "unknown"), c("rhythm", "", "sinus", "atrial-fibrillation", "paced", "heart-transplant", "sci-t6-or-above", "other"),
		manyField("condition", "neurological", "heart", "lung", "other"), textField("drug_name", "", 200), n("hours_since_dose", 0),
		{Name: "protocol", Kind: "choice", Value: plan.ID, Options: plans, Need: true}, n("end_point_percent", endPercent(plan)), formulaField(plan), n("max_hr_bpm", 0),
		n("hr_limit_bpm", 0), n("sbp_limit_mmhg", 0), n("spo2_limit_percent", 0), n("rpe_limit", 0), textField("limits_name", "", 120), {Name: "limits_date", Kind: "date"},
		c("blood_pressure", "every-stage", "every-stage", "every-second-stage", "none"), n("target_cadence_per_min", known.Cadence), textField("rpe_card", "", 120),
		n("device_rate_bpm", 0), marginField(), n("ischaemia_hr_bpm", 0), c("medical_cover", "no", "no", "yes"),
		textField("machine_id", known.MachineID, 80), c("machine_shows", wordFor(known.Machine), "watts", "levels", "levels-only", "mets"),
		n("rpe_alert", 0), n("rpe_end", 0), textField("rpe_reason", "", 200), textField("by", "", 80), {Name: "note", Kind: "area", Most: 1000},
		equipmentField(plan),
	}
	f := form{Fields: fields}
	for _, name := range askedBesides(&f, plan) {
		more := n(name, 0)
		switch name {
		case "hand_rail":
			more = c(name, "", "no", "touched", "held")
		case "walking_aid":
			more = textField(name, known.Aid, 80)
		}
		f.Fields = append(f.Fields, more)
	}
	for _, name := range expectationNames(plan) {
		f.Fields = append(f.Fields, n(name, 0))
	}
	f.hideUnasked(plan)
	return f
}

// expectationNames are the answers from which an expectation without exercise can stand beside the estimate of a plan,
// where the plan does not ask for them anyway.
func expectationNames(plan *protocol.Protocol) (names []string) {
	e, err := estimators.ByID(plan.Outcome.Estimator)
	if err != nil || e.Test == "none" || !strings.HasPrefix(e.Outcome.What, "VO2") {
		return nil
	}
	all, err := estimators.ExpectationAnswers()
	if err != nil {
		return nil // the library is tested to be whole; the test can be prepared without
	}
	for _, name := range all {
		if !slices.Contains(plan.Inputs.Required, name) && !slices.Contains(plan.Inputs.Asked, name) {
			names = append(names, name)
		}
	}
	return names
}

// askedBesides are the inputs that a plan names and that not every test asks for.
func askedBesides(f *form, plan *protocol.Protocol) (names []string) {
	has := func(name string) bool {
		return slices.ContainsFunc(f.Fields, func(e field) bool { return e.Name == name })
	}
	for _, name := range slices.Concat(plan.Inputs.Required, plan.Inputs.Asked) {
		if !has(name) && name != "rest_bp_mmhg" && !slices.Contains(names, name) { // the pressure has two fields of its own
			names = append(names, name)
		}
	}
	return names
}

// hideUnasked leaves out what means nothing for a plan.
func (f *form) hideUnasked(plan *protocol.Protocol) {
	hide := func(when bool, names ...string) {
		for _, name := range names {
			f.at(name).Hidden = when
		}
	}
	hide(!plan.Cadence.Is() || plan.Cadence.It.Fixed > 0, "target_cadence_per_min")
	hide(!plan.EndPoint.Is(), "end_point_percent", "max_hr_formula")
	hide(!plan.EndPoint.Is() && !slices.Contains(plan.Inputs.Asked, "max_hr_bpm"), "max_hr_bpm")
	hide(!plan.Exertion.Is(), "rpe_alert", "rpe_end", "rpe_reason")
	for name, m := range map[string]protocol.Measure{"hr_limit_bpm": protocol.MeasureHR, "sbp_limit_mmhg": protocol.MeasureSBP, "spo2_limit_percent": protocol.MeasureSpO2, "rpe_limit": protocol.MeasureRPE} {
		hide(!slices.Contains(plan.Limits, m), name)
	}
	pressure, card, watts := false, false, false
	for _, set := range plan.Readings.Sets {
		for _, r := range set.Read {
			pressure = pressure || r.Need == protocol.Setting
			card = card || r.What == protocol.RPE
		}
	}
	for i := range plan.Parts {
		switch plan.Parts[i].Work.Form() {
		case "fixed", "row", "added", "chosen":
			watts = true
		}
	}
	hide(!pressure, "blood_pressure")
	hide(!card, "rpe_card")
	hide(!watts, "machine_shows")
}

// planOptions are all protocols by their titles, in the order of the families.
func (s *Server) planOptions() (out []option) {
	ids := s.lib.ids()
	for _, family := range append(slices.Clone(protocol.Families), "") {
		for _, id := range ids {
			if p, err := s.lib.protocol(id); err == nil && p.Family == family && !slices.ContainsFunc(out, func(o option) bool { return o.Value == id }) {
				out = append(out, option{id, p.Title})
			}
		}
	}
	return out
}

// marginField offers how far below a device's rate the test stays.
func marginField() field {
	var words []string
	for _, v := range conduct.DeviceMargins() {
		words = append(words, num(v))
	}
	return choiceField("device_margin_bpm", "", words...)
}

func manyField(name string, words ...string) field {
	f := choiceField(name, "", words...)
	f.Kind = "many"
	return f
}

func endPercent(plan *protocol.Protocol) float64 {
	if !plan.EndPoint.Is() {
		return 0
	}
	return float64(plan.EndPoint.It.Percent)
}

func formulaField(plan *protocol.Protocol) field {
	f := field{Name: "max_hr_formula", Kind: "choice", Value: physiology.DefaultMaxHR}
	if plan.EndPoint.Is() && plan.EndPoint.It.Formula != "" {
		f.Value = plan.EndPoint.It.Formula
	}
	for _, row := range physiology.Formulas() {
		text := row.ID
		if row.Sex != "both" {
			text += ", " + say("plan.formula."+row.Sex)
		}
		if row.Mode != "" {
			text += ", " + row.Mode
		}
		if row.Drug != "none" {
			text += ", " + say("plan.formula.drug", row.Drug)
		}
		f.Options = append(f.Options, option{row.ID, text})
	}
	return f
}

func equipmentField(plan *protocol.Protocol) field {
	f := field{Name: "equipment", Kind: "many"}
	for _, item := range plan.Equipment {
		f.Options = append(f.Options, option{item, item})
	}
	return f
}

type prepareBody struct {
	Person record.Participant
	Label  string
	Form   form
	Asked  []string // fields that this plan asks for besides
	Expect []string // answers for an expectation without exercise; none while what it needs of the person is not known
	Open   bool     // some are filled in
	Test   string   // id the test will have; sending the form twice makes one test
	Plan   planView
	Known  string // where prefilled values come from

	Fit fitView // whether the chosen test fits, and why not

	Screened string // what the check before the test came to today
	Unsafe   bool   // it stands against a test, or nobody has asked
}

// prepare shows what is known of a person and the plan of the test that follows from it.
func (s *Server) prepare(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	plan, err := s.lib.protocol(or(r.URL.Query().Get("protocol"), defaultProtocol))
	if err != nil {
		return err
	}
	known, when, err := s.knownOf(r, p)
	if err != nil {
		return err
	}
	f := planForm(p, plan, known, s.planOptions())
	if years, ok := age(p.BirthDate, s.now()); ok && years > 0 {
		f.at("age_years").Value = strconv.Itoa(years)
	}
	filled, err := s.takeOver(r, p, &f)
	if err != nil {
		return err
	}
	if filled, err = s.fillVitals(r, p, &f, filled); err != nil {
		return err
	}
	first, err := s.firstFormula(r, p.ID)
	if err != nil {
		return err
	}
	keepFormula(&f, plan, first)
	if s.demo {
		fillInvented(&f, p.Code)
	}
	return s.showPlan(w, r, http.StatusOK, p, plan, f, s.newTestID(), knownText(when, filled))
}

// firstFormula is the formula of maximal heart rate of the person's first test that used one; "" when there is none.
func (s *Server) firstFormula(r *http.Request, person int64) (string, error) {
	tests, err := s.store.Tests(r.Context(), record.TestFilter{Participant: person})
	if err != nil {
		return "", err
	}
	for i := len(tests) - 1; i >= 0; i-- {
		whole, err := s.store.Test(r.Context(), tests[i].ID) // a list holds no plans
		if err != nil {
			return "", err
		}
		plan, err := s.lib.planOf(whole)
		if err != nil || !plan.EndPoint.Is() {
			continue // a test that cannot be read decides nothing here; its own page says so
		}
		events, err := s.store.Events(r.Context(), tests[i].ID)
		if err != nil {
			return "", err
		}
		for k := range events {
			b := events[k].Begin
			if b == nil {
				continue
			}
			if l := conduct.LimitsOf(plan, &b.Inputs); l.Formula != "" && l.Formula != "given" {
				return l.Formula, nil
			}
		}
	}
	return "", nil
}

// keepFormula puts the formula of the first test into the form where it may stay the default: not where the protocol
// needs its own, and one for people on a drug, of one sex or for one kind of test only where that holds.
func keepFormula(f *form, plan *protocol.Protocol, first string) {
	row, known := physiology.FormulaFor(first)
	switch {
	case !known || !plan.EndPoint.Is() || plan.EndPoint.It.Needs:
	case row.Drug != "none" && f.text("rate_limiting_drug") != "yes":
	case row.Mode != "" && row.Mode != plan.Modality:
	case row.Sex != "both" && row.Sex != f.text("sex"):
	default:
		f.at("max_hr_formula").Value = row.ID
	}
}

// knownText says where what is filled in comes from.
func knownText(when string, filled []string) string {
	var parts []string
	if when != "" {
		parts = append(parts, say("plan.known", when))
	}
	if len(filled) > 0 {
		parts = append(parts, say("plan.filled", strings.Join(filled, ", ")))
	}
	return strings.Join(parts, " ")
}

const defaultProtocol = "recumbent-stepper"

// knownOf takes over from the last test what seldom changes, so that it need not be entered again.
func (s *Server) knownOf(r *http.Request, p record.Participant) (in conduct.Inputs, when string, err error) {
	tests, err := s.store.Tests(r.Context(), record.TestFilter{Participant: p.ID, Limit: 1})
	if err != nil || len(tests) == 0 {
		return in, "", err
	}
	events, err := s.store.Events(r.Context(), tests[0].ID)
	if err != nil {
		return in, "", err
	}
	for i := range events {
		if b := events[i].Begin; b != nil {
			last := b.Inputs
			return conduct.Inputs{AgeYears: ageLater(last.AgeYears, p), MassKg: last.MassKg, HeightCm: last.HeightCm, Cadence: last.Cadence, MachineID: last.MachineID, Machine: last.Machine}, day(tests[0].Created.Local()), nil
		}
	}
	return in, "", nil
}

// ageLater keeps an age only where a birth date does not say better.
func ageLater(years float64, p record.Participant) float64 {
	if p.BirthDate != "" {
		return 0
	}
	return years
}

// newTestID is a new name of a test: the day, for people, and chance.
func (s *Server) newTestID() string { return s.now().Format("060102") + "-" + randomHex(5) }

var testID = regexp.MustCompile(`^[0-9]{6}-[0-9a-f]{10}$`)

func (s *Server) showPlan(w http.ResponseWriter, r *http.Request, status int, p record.Participant, plan *protocol.Protocol, f form, id, from string) error {
	body := prepareBody{Person: p, Label: label(p), Form: f, Asked: f.besides(plan), Test: id, Known: from}
	first, err := s.firstFormula(r, p.ID)
	if err != nil {
		return err
	}
	in := readInputs(&f, plan, &record.Participant{}, s.now(), first)
	have, err := s.screenedToday(r, p)
	if err != nil {
		return err
	}
	if body.Screened, err = s.mayBegin(r, p); err != nil {
		return err
	}
	if body.Unsafe = body.Screened != ""; !body.Unsafe && have != nil {
		body.Screened = say("plan.screened", outcomeText(have.Result.Outcome), have.Fact.By, have.Fact.At.Local().Format("15:04"))
	}
	if body.Expect = expectationNames(plan); in.AgeYears == 0 || in.Sex == conduct.SexUnknown || in.MassKg == 0 || in.HeightCm == 0 {
		body.Expect = nil
	}
	body.Open = f.Filled(body.Expect...)
	if body.Fit, err = s.fitOf(r, p, plan); err != nil {
		return err
	}
	machine, known, err := s.byMachine(r, &in)
	if err != nil {
		return err
	}
	if body.Plan, err = s.planView(plan, in); err != nil {
		return err
	}
	body.Plan.onMachine(plan, &in, machine, known)
	body.Plan.Cautions = append(body.Plan.Cautions, offersOf(plan, &in, f.text("drug_name"))...)
	return s.show(w, status, frame{Page: "prepare", Title: say("plan.title", label(p)), Purpose: say("plan.purpose"), Section: "people", Script: "prepare.js", Token: s.token(w, r), Body: body})
}

// prepared takes the form: it shows the plan anew, or makes the test and opens it.
func (s *Server) prepared(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	plan, err := s.lib.protocol(or(r.PostForm.Get("protocol"), defaultProtocol))
	if err != nil {
		return err
	}
	f := planForm(p, plan, conduct.Inputs{}, s.planOptions())
	f.take(r)
	f.signed(s.signed(r))
	first, err := s.firstFormula(r, p.ID)
	if err != nil {
		return err
	}
	in := readInputs(&f, plan, &p, s.now(), first)
	id := r.PostForm.Get("test")
	if !testID.MatchString(id) {
		id = s.newTestID()
	}
	if r.PostForm.Get("do") != "begin" {
		return s.showPlan(w, r, http.StatusOK, p, plan, f, id, "")
	}
	mustHave(&f, plan, &in)
	why, err := s.mayBegin(r, p)
	if err != nil {
		return err
	}
	if f.General == "" {
		f.General = why
	}
	if f.bad() {
		return s.showPlan(w, r, http.StatusUnprocessableEntity, p, plan, f, id, "")
	}
	if _, _, err := s.byMachine(r, &in); err != nil {
		return err
	}
	if err := s.begin(r, p, plan, in, &f, id); err != nil {
		return err
	}
	http.Redirect(w, r, "/tests/"+id+"/run", http.StatusSeeOther)
	return nil
}

// mustHave asks for what the test cannot begin without.
func mustHave(f *form, plan *protocol.Protocol, in *conduct.Inputs) {
	for _, name := range in.Missing(plan) {
		f.fault(name, say("plan.needed"))
	}
	if l := conduct.LimitsOf(plan, in); in.RestHR > 0 {
		if room, beats := conduct.RoomOf(in, &l); room == conduct.RoomNone {
			f.fault("rest_hr_bpm", say("caution.room.none", num(beats), num(in.RestHR)))
		}
	}
	if (in.DeviceRate > 0 || in.IschaemiaHR > 0 || in.HRLimit > 0 || in.SBPLimit > 0 || in.SpO2Limit > 0 || in.RPELimit > 0) && f.text("limits_name") == "" {
		f.fault("limits_name", say("plan.limits.who"))
	}
	if in.LimitsBy != "" && f.text("limits_date") == "" {
		f.fault("limits_date", say("plan.limits.when"))
	}
	if (in.RPEEnd > 0 || in.RPEAlert > 0) && in.RPEReason == "" {
		f.fault("rpe_reason", say("plan.rpe.why"))
	}
}

// readInputs takes the inputs of the test out of the form and notes what cannot be true. A birth date that was
// entered here goes into the person.
func readInputs(f *form, plan *protocol.Protocol, p *record.Participant, now time.Time, first string) (in conduct.Inputs) {
	for _, name := range numberInputs {
		if v := f.number(name); v != 0 {
			if err := in.Set(name, "", v); err != nil {
				f.fault(name, plainly(name, err))
			}
		}
	}
	for _, name := range wordInputs {
		if word := f.text(name); word != "" {
			if err := in.Set(name, word, 0); err != nil {
				f.fault(name, plainly(name, err))
			}
		}
	}
	if err := in.Set("condition", strings.Join(f.at("condition").Values, "+"), 0); err != nil {
		f.fault("condition", plainly("condition", err))
	}
	if in.Drug == conduct.DrugYes {
		in.DrugName = strings.Join(strings.Fields(f.text("drug_name")), " ")
	}
	readAsked(f, plan, &in)
	in.RPEReason = f.text("rpe_reason")
	if who := f.text("limits_name"); who != "" {
		in.LimitsBy = strings.TrimSuffix(who+", "+f.text("limits_date"), ", ")
	}
	if plan.EndPoint.Is() && in.EndPercent == float64(plan.EndPoint.It.Percent) {
		in.EndPercent = 0
	}
	readAge(f, &in, p, now)
	in.First = first
	if chosen := in.Formula; plan.EndPoint.Is() {
		if in.Formula = ""; in.FormulaOf(plan.Modality, &plan.EndPoint.It) != chosen {
			in.Formula = chosen
		}
	}
	checkPairs(f, plan, &in)
	return in
}

// besides are the fields of a form that its plan asks for and not every plan.
func (f *form) besides(plan *protocol.Protocol) (names []string) {
	for _, e := range f.Fields {
		if !slices.Contains(numberInputs, e.Name) && !slices.Contains(wordInputs, e.Name) && e.Name != "condition" && slices.Contains(slices.Concat(plan.Inputs.Required, plan.Inputs.Asked), e.Name) {
			names = append(names, e.Name)
		}
	}
	return names
}

// readAsked takes what only some plans ask for; 0 is an answer there.
func readAsked(f *form, plan *protocol.Protocol, in *conduct.Inputs) {
	for _, name := range slices.Concat(f.besides(plan), expectationNames(plan)) {
		text := f.text(name)
		if text == "" {
			continue
		}
		v := 0.0
		if e := f.at(name); e.Kind == "number" {
			var err error
			if v, err = strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64); err != nil {
				f.fault(name, say("form.number", text))
				continue
			}
		}
		if err := in.Set(name, text, v); err != nil {
			f.fault(name, plainly(name, err))
		}
	}
}

// plainly says a fault of an input with the name that the form gives it.
func plainly(name string, err error) string {
	return strings.TrimSpace(strings.TrimPrefix(err.Error(), name))
}

// readAge makes the age from the birth date and refuses two that disagree.
func readAge(f *form, in *conduct.Inputs, p *record.Participant, now time.Time) {
	birth := f.text("birth_date")
	if birth == "" {
		return
	}
	years, ok := age(birth, now)
	switch {
	case !ok || years < 1:
		f.fault("birth_date", say("person.birth.bad"))
	case in.AgeYears == 0:
		in.AgeYears, p.BirthDate = float64(years), birth
		f.at("age_years").Value = strconv.Itoa(years)
	case in.AgeYears != float64(years):
		f.fault("age_years", say("plan.age.differs", num(in.AgeYears), years))
	default:
		p.BirthDate = birth
	}
}

// checkPairs looks at entries that must fit together.
func checkPairs(f *form, plan *protocol.Protocol, in *conduct.Inputs) {
	if in.RestSBP > 0 && in.RestDBP >= in.RestSBP {
		f.fault("rest_dbp_mmhg", say("plan.pressure"))
	}
	if in.RPEAlert > 0 && in.RPEEnd > 0 && in.RPEAlert > in.RPEEnd {
		f.fault("rpe_alert", say("plan.rpe.order"))
	}
	if day := f.text("limits_date"); day != "" {
		if _, err := time.Parse(time.DateOnly, day); err != nil {
			f.fault("limits_date", say("form.day"))
		}
	}
	if !plan.EndPoint.Is() || in.MaxHR > 0 || in.AgeYears == 0 || in.Sex == conduct.SexUnknown {
		return
	}
	if _, _, err := physiology.MaxHR(in.FormulaOf(plan.Modality, &plan.EndPoint.It), in.AgeYears, in.Sex == conduct.Female, in.RestHR); err != nil {
		f.fault("max_hr_formula", err.Error())
	}
}

// begin makes the test with its first event. The same form sent again finds the test made.
func (s *Server) begin(r *http.Request, p record.Participant, plan *protocol.Protocol, in conduct.Inputs, f *form, id string) error {
	if have, err := s.store.Test(r.Context(), id); err == nil && have.Participant == p.ID {
		if l, err := s.liveTest(r.Context(), id); err == nil && len(l.marksNow()) > 0 {
			return nil
		}
	}
	if err := s.rememberPerson(r, p); err != nil {
		return err
	}
	sent, err := json.Marshal(plan)
	if err != nil {
		return err
	}
	v, err := s.openVisit(r, p, record.VisitOpen)
	if err != nil {
		return err
	}
	t := record.Test{ID: id, Participant: p.ID, Visit: v.ID, Protocol: plan.ID, Version: plan.Version, Hash: plan.Hash, Sent: sent, Title: plan.Title, Demo: s.demo}
	if _, err := s.store.NewTest(r.Context(), t); err != nil {
		return err
	}
	l, err := s.liveTest(r.Context(), id)
	if err != nil {
		return err
	}
	began := s.began(plan, in, f)
	if began.Begin.RowBefore, err = s.rowBefore(r, p.ID, plan, id); err != nil {
		return err
	}
	_, err = s.keep(r, l, []conduct.Event{began})
	return err
}

// rowBefore is the row of the person's first test of a plan, whose work rates may be repeated; "" when there was none.
func (s *Server) rowBefore(r *http.Request, person int64, plan *protocol.Protocol, besides string) (string, error) {
	tests, err := s.store.Tests(r.Context(), record.TestFilter{Participant: person})
	if err != nil || !plan.Choose.Is() {
		return "", err
	}
	for i := len(tests) - 1; i >= 0; i-- {
		if tests[i].Protocol != plan.ID || tests[i].ID == besides {
			continue
		}
		events, err := s.store.Events(r.Context(), tests[i].ID)
		if err != nil {
			return "", err
		}
		if row := rowTaken(events); row != "" {
			return row, nil
		}
	}
	return "", nil
}

// rowTaken is the row that was taken last in a test; acts stand as they were done.
func rowTaken(events []conduct.Event) (row string) {
	for i := range events {
		if events[i].Kind == conduct.Branched {
			row = events[i].Code
		}
	}
	return row
}

// rememberPerson keeps a birth date that was entered with the test.
func (s *Server) rememberPerson(r *http.Request, p record.Participant) error {
	have, err := s.store.Participant(r.Context(), p.ID)
	if err != nil || have.BirthDate == p.BirthDate {
		return err
	}
	return s.store.UpdateParticipant(r.Context(), p)
}

// began is the first event of the test. Its text says what was prepared.
func (s *Server) began(plan *protocol.Protocol, in conduct.Inputs, f *form) conduct.Event {
	return conduct.Event{Term: 1, N: 1, Kind: conduct.Began, By: or(f.text("by"), say("plan.examiner")), Wall: s.now().Format(time.RFC3339), Text: strings.Join(notes(plan, f), " "),
		Begin: &conduct.Begin{Format: conduct.FormatVersion, Protocol: plan.ID, Version: plan.Version, Hash: plan.Hash, Inputs: in}}
}

func notes(plan *protocol.Protocol, f *form) (notes []string) {
	ticked := f.at("equipment").Values
	missing := slices.DeleteFunc(slices.Clone(plan.Equipment), func(item string) bool { return slices.Contains(ticked, item) })
	switch {
	case len(missing) == 0:
		notes = append(notes, say("note.equipment.all"))
	default:
		notes = append(notes, say("note.equipment.some", strings.Join(missing, "; ")))
	}
	for _, name := range []string{"drug_name", "rpe_card", "note"} {
		if text := f.text(name); text != "" {
			notes = append(notes, say("note."+name, text))
		}
	}
	return notes
}

// marksNow are the marks of what is stored.
func (l *live) marksNow() record.Marks {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clone(l.marks)
}
