package fhir

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/url"
	"strconv"
	"strings"
	"time"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/prescribe"
	"gradus/protocol"
)

// Person is who was tested.
type Person struct {
	Code        string       `json:"code"`                  // of the site
	System      string       `json:"system,omitempty"`      // who gave the code, a URI; "" is the site itself
	Name        string       `json:"name,omitempty"`        // "" when it is not to be written
	Identifiers []Identifier `json:"identifiers,omitempty"` //
	BirthDate   string       `json:"birth_date,omitempty"`  // year, year-month or year-month-day
	Sex         string       `json:"sex,omitempty"`         // female or male, as the equations use it
}

// Identifier is a number that somebody else gave.
type Identifier struct {
	System string `json:"system,omitempty"`
	Value  string `json:"value"`
}

// Test is what is written of one test.
type Test struct {
	ID       string
	Person   Person
	Date     string    // day of the test, year-month-day
	Begin    time.Time // moment it began, with its zone; zero when only the day is known
	Examiner string

	Protocol  *protocol.Protocol
	Estimator *estimate.Estimator // nil when the protocol has none
	State     *conduct.State
	Judged    *estimate.Assessment

	SignedBy string // who signed the report; "": it is a draft
	Amends   bool   // another version was signed before
	Version  int    // of the result; above 1 it replaces an earlier one
	Replaced string // what the version before said, and why it changed
	Report   []byte // the report as PDF; nil: none
	Plan     *prescribe.Prescription
}

// Options say how to write.
type Options struct {
	Program string // name and version of the program
	NoLOINC bool   // the estimate carries our own code alone
}

// codeSystem of the site's own participant codes and test ids, where it names none.
const (
	PersonSystem = "urn:uuid:7b0d1a34-54c9-4f0e-8f0a-6a4a5d8f0c11"
	testSystem   = "urn:uuid:2f3c8f5e-7f7b-4a38-9d3b-0f5b8c0c2a12"
)

// Write writes tests as one transaction Bundle. An error means that a test lacks what the standard demands.
func Write(out io.Writer, tests []Test, o Options) error {
	if len(tests) == 0 {
		return fmt.Errorf("there is no test to write")
	}
	w := &writer{o: o, seen: map[string]bool{}}
	for i := range tests {
		if err := w.test(&tests[i]); err != nil {
			return fmt.Errorf("test %s: %w", tests[i].ID, err)
		}
	}
	return obj("resourceType", "Bundle", "type", "transaction", "entry", w.entries).write(out)
}

type writer struct {
	o       Options
	t       *Test
	entries []any
	seen    map[string]bool

	patient, examiner, program, machine, procedure string
	results                                        []*object
}

// uuid is a name for a resource that is the same for the same content (version 8: made from a hash).
func uuid(parts ...string) string {
	sum := sha256.Sum256([]byte(strings.Join(parts, "\x00")))
	b := sum[:16]
	b[6], b[8] = b[6]&0x0f|0x80, b[8]&0x3f|0x80
	h := hex.EncodeToString(b)
	return "urn:uuid:" + h[:8] + "-" + h[8:12] + "-" + h[12:16] + "-" + h[16:20] + "-" + h[20:]
}

// add puts a resource into the Bundle, once, and returns its name.
func (w *writer) add(id string, r *object, ifNone string) string {
	if w.seen[id] {
		return id
	}
	w.seen[id] = true
	kind := r.text("resourceType")
	w.entries = append(w.entries, obj("fullUrl", id, "resource", r, "request", obj("method", "POST", "url", kind, "ifNoneExist", ifNone)))
	return id
}

func reference(id string) *object {
	if id == "" {
		return nil
	}
	return obj("reference", id)
}

func (w *writer) test(t *Test) error {
	if _, err := time.Parse(time.DateOnly, t.Date); err != nil {
		return fmt.Errorf("it has no date; a reading without its day is no vital sign: enter the date")
	}
	if t.Protocol == nil || t.State == nil || t.Judged == nil {
		return fmt.Errorf("it was not judged")
	}
	w.t, w.results, w.machine, w.examiner = t, nil, "", ""
	w.people()
	w.procedure = w.add(w.id("procedure"), w.procedureResource(), "")
	w.before()
	stages := w.stages()
	est := w.estimate(stages)
	report := w.add(w.id("report"), w.report(), "")
	plan := w.plan()
	w.provenance(est, report, plan)
	return nil
}

func (w *writer) id(parts ...string) string {
	t := w.t
	return uuid(append([]string{t.ID, t.Date, t.Person.Code, t.Protocol.Hash, strconv.Itoa(t.Version)}, parts...)...)
}

// people adds patient, examiner, program and machine.
func (w *writer) people() {
	p := &w.t.Person
	system, code := p.System, p.Code
	if system == "" {
		system = PersonSystem
	}
	ids := []*object{}
	ifNone := ""
	if code != "" {
		ids = append(ids, obj("system", system, "value", code))
		ifNone = "identifier=" + url.QueryEscape(system+"|"+code)
	}
	for _, i := range p.Identifiers {
		x := obj("value", i.Value)
		if strings.Contains(i.System, ":") {
			x = obj("system", i.System, "value", i.Value)
		} else if i.System != "" {
			x.set("assigner", obj("display", i.System))
		}
		ids = append(ids, x)
	}
	patient := obj("resourceType", "Patient", "identifier", list(ids...), "name", list(obj("text", p.Name)), "gender", p.Sex, "birthDate", p.BirthDate)
	if len(patient.keys) == 1 {
		patient.set("active", true)
	}
	key := code
	if key == "" {
		key = "\x00" + w.t.ID
	}
	w.patient = w.add(uuid("patient", system, key), patient, ifNone)
	if w.t.Examiner != "" {
		w.examiner = w.practitioner(w.t.Examiner)
	}
	program := obj("resourceType", "Device", "status", "active", "deviceName", list(obj("name", w.o.Program, "type", "user-friendly-name")), "type", obj("text", "software"))
	w.program = w.add(uuid("program", w.o.Program), program, "")
	if m := w.t.State.In.MachineID; m != "" {
		w.machine = w.add(uuid("machine", m), obj("resourceType", "Device", "status", "active", "deviceName", list(obj("name", m, "type", "user-friendly-name")), "type", obj("text", "exercise machine")), "")
	}
}

func (w *writer) practitioner(name string) string {
	return w.add(uuid("practitioner", name), obj("resourceType", "Practitioner", "name", list(obj("text", name))), "")
}

// moment is a moment of the test: with the clock when its begin is known, else its day.
func (w *writer) moment(at protocol.Ms) string {
	if w.t.Begin.IsZero() {
		return w.t.Date
	}
	return w.t.Begin.Add(time.Duration(at) * time.Millisecond).Truncate(time.Second).Format(time.RFC3339)
}

// end is the moment from which the result is known. Where only the day is known it is that day's last second in UTC:
// an instant must have a clock, and the file must not depend on when it is written.
func (w *writer) end() string {
	if w.t.Begin.IsZero() {
		return w.t.Date + "T23:59:59Z"
	}
	return w.moment(max(w.t.State.Now, w.t.State.ClosedAt))
}

func (w *writer) procedureResource() *object {
	t, s := w.t, w.t.State
	o := obj("resourceType", "Procedure", "identifier", list(obj("system", testSystem, "value", t.ID)), "status", "completed")
	if early := s.Stop.Active && stoppedEarly(t.Protocol, s.Stop.Code); early {
		o = obj("resourceType", "Procedure", "identifier", list(obj("system", testSystem, "value", t.ID)), "status", "stopped", "statusReason", obj("text", reason(t.Protocol, s.Stop.Code)))
	}
	o.set("code", concept(codeOf("test"), "Submaximal exercise test: "+t.Protocol.Title))
	o.set("subject", reference(w.patient))
	if t.Begin.IsZero() {
		o.set("performedDateTime", t.Date)
	} else {
		o.set("performedPeriod", obj("start", w.moment(0), "end", w.end()))
	}
	if w.examiner != "" {
		o.set("performer", list(obj("actor", reference(w.examiner))))
	}
	return o
}

// stoppedEarly is true of a stop sign and of every reason but the planned ends.
func stoppedEarly(p *protocol.Protocol, code string) bool {
	if p.SignIndex(code) >= 0 {
		return true
	}
	return code != "end-point" && code != "completed" && code != "exertion"
}

func reason(p *protocol.Protocol, code string) string {
	if r, ok := protocol.ReasonOf(code); ok {
		return r.Text
	}
	if i := p.SignIndex(code); i >= 0 {
		return p.Table[i].Text
	}
	return code
}

func concept(c *Code, text string) *object {
	codings := list(c.coding())
	if c.Kind == "resting-heart-rate" { // the profile wants the plain code as well
		codings = append(codings, codeOf("heart-rate").coding())
	}
	if c.Kind == "spo2" {
		codings = append(codings, codeOf("spo2-oximetry").coding())
	}
	return obj("coding", codings, "text", text)
}

func (c *Code) coding() *object {
	return obj("system", c.System, "code", c.Code, "display", c.Display)
}

func quantity(v json.Number, c *Code) *object {
	return obj("value", v, "unit", c.UnitText, "system", ucumSystem, "code", c.Unit)
}

// observation begins an observation of a kind.
func (w *writer) observation(c *Code, when, text string) *object {
	category := c.Category
	names := map[string]string{"vital-signs": "Vital Signs", "procedure": "Procedure"}
	o := obj("resourceType", "Observation", "status", "final", "category", list(obj("coding", list(obj("system", categorySystem, "code", category, "display", names[category])))),
		"code", concept(c, text), "subject", reference(w.patient), "effectiveDateTime", when)
	o.set("performer", list(reference(w.examiner)))
	return o
}

// status of what was concluded: preliminary until somebody has signed it, amended when another version was signed before.
func (w *writer) status() string {
	switch {
	case w.t.SignedBy == "":
		return "preliminary"
	case w.t.Amends:
		return "amended"
	}
	return "final"
}

// before adds what was measured before the test.
func (w *writer) before() {
	in := &w.t.State.In
	put := func(kind string, v float64) {
		if v > 0 {
			c := codeOf(kind)
			o := w.observation(c, w.moment(0), "")
			o.set("valueQuantity", quantity(decimal(v), c))
			w.results = append(w.results, reference(w.add(w.id("before", kind), o, "")))
		}
	}
	put("weight", in.MassKg)
	put("height", in.HeightCm)
	put("resting-heart-rate", in.RestHR)
	if in.RestSBP > 0 || in.RestDBP > 0 {
		o := w.observation(codeOf("blood-pressure"), w.moment(0), "resting")
		o.set("component", pressures(in.RestSBP, in.RestDBP))
		w.results = append(w.results, reference(w.add(w.id("before", "pressure"), o, "")))
	}
}

func pressures(sbp, dbp float64) []any {
	part := func(kind string, v float64) *object {
		c := codeOf(kind)
		o := obj("code", concept(c, ""))
		if v > 0 {
			o.set("valueQuantity", quantity(decimal(v), c))
		} else {
			o.set("dataAbsentReason", absent("unknown", "Unknown"))
		}
		return o
	}
	return list(part("systolic", sbp), part("diastolic", dbp))
}

func absent(code, display string) *object {
	return obj("coding", list(obj("system", absentSystem, "code", code, "display", display)))
}

// stages adds each stage with its readings, and the readings after the stop. It returns the names of the stages and of
// the last heart rate of each.
func (w *writer) stages() (names []stageNames) {
	s, p := w.t.State, w.t.Protocol
	for i := range s.Stages[:s.NStages] {
		st := &s.Stages[i]
		var members []*object
		n := stageNames{}
		for k := range st.Readings[:st.NReadings] {
			r := &st.Readings[k]
			id := w.reading(r, fmt.Sprintf("stage %d", i+1))
			if id == "" {
				continue
			}
			members = append(members, reference(id))
			if r.What == protocol.HeartRate && !r.Disturbed {
				n.heart = id
			}
		}
		c := codeOf("stage")
		end := st.Ended
		if end < 0 {
			end = s.Now
		}
		o := w.observation(c, w.moment(end), fmt.Sprintf("Stage %d: %s", i+1, p.Parts[st.Part].Title))
		o.set("partOf", list(reference(w.procedure)))
		o.set("device", reference(w.machine))
		o.set("hasMember", list(members...))
		o.set("component", w.stageParts(i, end))
		n.stage = w.add(w.id("stage", strconv.Itoa(i)), o, "")
		names = append(names, n)
		w.results = append(w.results, reference(n.stage))
	}
	for k := range s.After[:s.NAfter] {
		if id := w.reading(&s.After[k], "after the stop"); id != "" {
			w.results = append(w.results, reference(id))
		}
	}
	return names
}

type stageNames struct{ stage, heart string }

func (w *writer) stageParts(i int, end protocol.Ms) []any {
	s, p := w.t.State, w.t.Protocol
	st := &s.Stages[i]
	parts := []*object{}
	put := func(kind string, v float64) {
		c := codeOf(kind)
		parts = append(parts, obj("code", concept(c, ""), "valueQuantity", quantity(decimal(v), c)))
	}
	switch form := p.Parts[st.Part].Work.Form(); form {
	case "fixed", "row", "added", "chosen":
		put("work", st.Set)
	case "speed", "chosen-speed", "same-speed":
		put("speed", st.Set)
		put("grade", st.Set2)
	}
	put("minute", minutes(end))
	judged := s.Judge(p, i)
	if hr, _, ok := s.LastHeart(p, i); ok && judged.Steady {
		put("steady", hr)
	}
	parts = append(parts, obj("code", concept(codeOf("counts"), ""), "valueBoolean", judged.Counts))
	return list(parts...)
}

func minutes(at protocol.Ms) float64 {
	return math.Round(float64(at)/float64(protocol.Minute)*1000) / 1000
}

// kindsOf names the codes of quantities.
var kindsOf = map[protocol.Quantity]string{protocol.HeartRate: "heart-rate", protocol.BloodPressure: "blood-pressure", protocol.RPE: "rpe", protocol.SpO2: "spo2",
	protocol.CadenceRate: "cadence", protocol.Distance: "distance", protocol.Breathless: "breathlessness"}

// reading adds a reading; "" when it does not stand any more or has no code.
func (w *writer) reading(r *conduct.Value, where string) string {
	kind := kindsOf[r.What]
	if kind == "" || r.Withdrawn || r.Void {
		return ""
	}
	c := codeOf(kind)
	o := w.observation(c, w.moment(r.Moment), "")
	o.set("partOf", list(reference(w.procedure)))
	at := obj("code", concept(codeOf("minute"), ""), "valueQuantity", quantity(decimal(minutes(r.Moment)), codeOf("minute")))
	switch r.What {
	case protocol.BloodPressure:
		o.set("component", append(pressures(r.V, r.V2), at))
	case protocol.RPE:
		o.set("valueQuantity", quantity(decimal(r.V), c))
		o.set("method", obj("text", "rating of perceived exertion, scale 6 to 20"))
	default:
		o.set("valueQuantity", quantity(decimal(r.V), c))
	}
	if r.What != protocol.BloodPressure {
		o.set("component", list(at))
	}
	if r.Corrected {
		o.values["status"] = "corrected"
	}
	text := where
	if r.Disturbed {
		text += ", disturbed"
	}
	o.set("note", list(obj("text", text)))
	return w.add(w.id("reading", r.Ref.String(), kind, where, strconv.FormatInt(int64(r.Moment), 10)), o, "")
}

// unitCodes are the units of estimators in UCUM.
var unitCodes = map[string]string{"mL/kg/min": "mL/kg/min", "L/min": "L/min", "mL/min": "mL/min", "MET": "[MET]", "m": "m", "/min": "/min", "W": "W", "m/min": "m/min", "kgm/min": "kgf.m/min"}

// estimate adds the estimate with its error; "" when the protocol estimates nothing.
func (w *writer) estimate(stages []stageNames) string {
	t, r := w.t, w.t.Judged.Estimate
	if t.Estimator == nil {
		return ""
	}
	out := &t.Estimator.Outcome
	c := codeOf("estimate")
	switch {
	case !strings.HasPrefix(out.What, "VO2"):
		c = codeOf("other-estimate")
	case out.Unit != "mL/kg/min" && out.Unit != "MET":
		c = codeOf("absolute-estimate")
	}
	o := w.observation(c, w.moment(t.State.Stop.At), "")
	codes := list(c.coding())
	if c.Kind == "estimate" && !w.o.NoLOINC {
		codes = append(codes, codeOf("vo2peak").coding())
	}
	o.values["code"], o.values["status"] = obj("coding", codes, "text", "Estimated "+out.What), w.status()
	o.set("partOf", list(reference(w.procedure)))
	o.set("device", reference(w.program))
	o.set("method", obj("text", "Estimated from a submaximal test by equation "+t.Estimator.ID+"; not measured by gas exchange"))
	if end := t.Judged.End; end != nil && end.Stage < len(stages) {
		o.set("derivedFrom", list(reference(stages[end.Stage].stage), reference(stages[end.Stage].heart)))
	}
	why := ""
	switch {
	case r == nil:
		why = t.Judged.NoEstimate
	case !r.Value.Present():
		why = r.Why
	case t.Judged.Verdict == estimate.NotUsable:
		why = "not usable as " + out.What
	}
	unit := unitCodes[out.Unit]
	if unit == "" && why == "" {
		why = "the unit " + out.Unit + " has no code"
	}
	notes := []string{"verdict: " + t.Judged.Verdict}
	if why != "" {
		reason := absent("unknown", "Unknown")
		reason.set("text", why)
		o.set("dataAbsentReason", reason)
	} else {
		q := func(v estimate.Number, decimals int) *object {
			return obj("value", rounded(float64(v), decimals), "unit", out.Unit, "system", ucumSystem, "code", unit)
		}
		decimals := 1
		if out.Unit == "L/min" {
			decimals = 2
		}
		o.set("valueQuantity", q(r.Value, decimals))
		parts := []*object{}
		for _, part := range []struct {
			kind string
			v    estimate.Number
		}{{"low95", r.Low95}, {"high95", r.High95}, {"see", r.SEE}} {
			if part.v.Present() && r.NoError == "" {
				parts = append(parts, obj("code", concept(codeOf(part.kind), ""), "valueQuantity", q(part.v, max(decimals, decimalsOf(part.kind)))))
			}
		}
		o.set("component", list(parts...))
		if r.NoError != "" {
			notes = append(notes, "no interval: "+r.NoError)
		} else {
			notes = append(notes, "the interval holds "+r.Covers)
		}
		notes = append(notes, "it predicts a maximal test on this: "+out.CriterionMode, "source: "+r.Source, "provenance: "+r.Provenance)
	}
	for _, reason := range t.Judged.Reasons {
		notes = append(notes, reason.Text)
	}
	if t.Replaced != "" {
		notes = append(notes, t.Replaced)
	}
	all := []*object{}
	for _, text := range notes {
		all = append(all, obj("text", text))
	}
	o.set("note", list(all...))
	id := w.add(w.id("estimate"), o, "")
	w.results = append([]*object{reference(id)}, w.results...)
	return id
}

// decimalsOf keeps a standard error such as 4.46 as it was published.
func decimalsOf(kind string) int {
	if kind == "see" {
		return 2
	}
	return 0
}

// Conclusion is the result in one sentence, never without its error.
func Conclusion(t *Test) string {
	r := t.Judged.Estimate
	switch {
	case r == nil || !r.Value.Present():
		why := t.Judged.NoEstimate
		if r != nil {
			why = r.Why
		}
		return upper(t.Judged.Verdict) + ". No estimate: " + why + "."
	case t.Judged.Verdict == estimate.NotUsable:
		return "Not usable as " + r.What + "; no value is reported. The readings are."
	}
	d := estimate.Decimals(r.Unit)
	return fmt.Sprintf("Estimated (not measured) %s %.*f %s, %s. %s.", r.What, d, float64(r.Value), r.Unit, r.RangeText(d), upper(t.Judged.Verdict))
}

func upper(text string) string {
	if text == "" {
		return text
	}
	return strings.ToUpper(text[:1]) + text[1:]
}

func (w *writer) report() *object {
	o := obj("resourceType", "DiagnosticReport", "status", w.status(), "category", list(obj("text", "Exercise physiology")), "code", concept(codeOf("report"), ""),
		"subject", reference(w.patient), "effectiveDateTime", w.moment(0), "issued", w.end())
	o.set("performer", list(reference(w.examiner)))
	if w.t.SignedBy != "" {
		o.set("resultsInterpreter", list(reference(w.practitioner(w.t.SignedBy))))
	}
	o.set("result", list(w.results...))
	o.set("conclusion", Conclusion(w.t))
	if len(w.t.Report) > 0 {
		o.set("presentedForm", list(obj("contentType", "application/pdf", "data", base64.StdEncoding.EncodeToString(w.t.Report), "title", "Report of test "+w.t.ID)))
	}
	return o
}

// provenance says who computed what from what.
func (w *writer) provenance(est, report string, plan []string) {
	targets := []*object{reference(est), reference(report)}
	for _, id := range plan {
		targets = append(targets, reference(id))
	}
	who := func(code, display, id string) *object {
		if id == "" {
			return nil
		}
		return obj("type", obj("coding", list(obj("system", agentSystem, "code", code, "display", display))), "who", reference(id))
	}
	p := w.t.Protocol
	source := "protocol " + p.ID + " " + p.Version + " (" + p.Hash + ")"
	if w.t.Estimator != nil {
		source += ", estimator " + w.t.Estimator.ID
	}
	entities := []*object{obj("role", "source", "what", reference(w.procedure)), obj("role", "source", "what", obj("display", source))}
	if w.t.Version > 1 {
		entities = append(entities, obj("role", "revision", "what", obj("display", fmt.Sprintf("version %d of the result of test %s, which this one replaces", w.t.Version-1, w.t.ID))))
	}
	w.add(w.id("provenance"), obj("resourceType", "Provenance", "target", list(targets...), "recorded", w.end(), "activity", obj("text", "calculated"),
		"agent", list(who("assembler", "Assembler", w.program), who("author", "Author", w.examiner)), "entity", list(entities...)), "")
}
