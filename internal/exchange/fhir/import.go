package fhir

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"gradus/internal/exchange/ucum"
)

// Imported is what was found in a file.
type Imported struct {
	People []Person      `json:"people"`
	Vitals []Measurement `json:"vital_signs"`
	Left   []Fault       `json:"left_out"` // what was not taken, and why
}

// Measurement is one reading. Value2 is the diastolic pressure.
type Measurement struct {
	Person   int     `json:"person"` // index in People; -1: of nobody in the file
	Kind     string  `json:"kind"`   // as in codes.csv: heart-rate, blood-pressure, weight, …
	Value    float64 `json:"value"`
	Value2   float64 `json:"value2,omitempty"`
	Unit     string  `json:"unit"`             // in UCUM, that of codes.csv
	When     string  `json:"when"`             // date, or date and time with zone
	Minute   float64 `json:"minute,omitempty"` // of a test, where it says so
	Note     string  `json:"note,omitempty"`
	Resource string  `json:"resource,omitempty"` // its name in the file
}

// Import reads patients and readings out of a resource or Bundle of ours or of others. What breaks a rule is left out and
// listed; the rest is taken. The error says that nothing can be read.
func Import(data []byte) (*Imported, error) {
	o, err := read(data)
	if err != nil {
		return nil, err
	}
	i := &importer{out: Imported{People: []Person{}, Vitals: []Measurement{}, Left: []Fault{}}, at: map[string]int{}}
	i.collect(o)
	for _, r := range i.found {
		if r.of == "Patient" {
			i.patient(r)
		}
	}
	for _, r := range i.found {
		if r.of == "Observation" {
			i.observation(r)
		}
	}
	if len(i.out.People) == 0 && len(i.out.Vitals) == 0 && len(i.out.Left) == 0 {
		return nil, fmt.Errorf("there is neither a Patient nor an Observation that is known here in it")
	}
	return &i.out, nil
}

type found struct {
	path, of, name string
	o              *object
}

type importer struct {
	out   Imported
	found []found
	at    map[string]int // names of patients
}

func (i *importer) collect(o *object) {
	if o.text("resourceType") != "Bundle" {
		i.found = []found{{"", o.text("resourceType"), o.text("resourceType") + "/" + o.text("id"), o}}
		return
	}
	for n, e := range o.objects("entry") {
		r := e.object("resource")
		name := e.text("fullUrl")
		if name == "" {
			name = r.text("resourceType") + "/" + r.text("id")
		}
		i.found = append(i.found, found{fmt.Sprintf("entry[%d].resource", n), r.text("resourceType"), name, r})
	}
}

// sound checks a resource; what is wrong is listed.
func (i *importer) sound(r found) bool {
	c := &checker{}
	c.resource(r.path, r.o)
	i.out.Left = append(i.out.Left, c.faults...)
	return len(c.faults) == 0
}

func (i *importer) left(r found, format string, args ...any) {
	i.out.Left = append(i.out.Left, Fault{r.path, "import", fmt.Sprintf(format, args...)})
}

func (i *importer) patient(r found) {
	if !i.sound(r) {
		return
	}
	p := Person{BirthDate: r.o.text("birthDate"), Name: nameOf(r.o)}
	if g := r.o.text("gender"); g == "female" || g == "male" {
		p.Sex = g
	} else if g != "" {
		i.left(r, "gender %q says nothing about which coefficient an equation uses; enter the sex by hand", g)
	}
	for _, id := range r.o.objects("identifier") {
		system, value := id.text("system"), id.text("value")
		switch {
		case value == "":
		case p.Code == "":
			p.Code = value
			if system != PersonSystem {
				p.System = system
			}
		default:
			if system == "" {
				system = id.object("assigner").text("display")
			}
			p.Identifiers = append(p.Identifiers, Identifier{system, value})
		}
	}
	i.at[r.name] = len(i.out.People)
	if id := r.o.text("id"); id != "" {
		i.at["Patient/"+id] = len(i.out.People)
	}
	i.out.People = append(i.out.People, p)
}

// nameOf is the first name that is in use, written out.
func nameOf(patient *object) string {
	for _, n := range patient.objects("name") {
		if n.text("use") == "old" {
			continue
		}
		if text := n.text("text"); text != "" {
			return text
		}
		var parts []string
		for _, given := range n.list("given") {
			if s, ok := given.(string); ok {
				parts = append(parts, s)
			}
		}
		if family := n.text("family"); family != "" {
			parts = append(parts, family)
		}
		return strings.Join(parts, " ")
	}
	return ""
}

// taken are the kinds that are read back.
var taken = []string{"resting-heart-rate", "heart-rate", "blood-pressure", "weight", "height", "bmi", "spo2", "rpe", "cadence", "distance", "breathlessness", "respiratory-rate", "temperature", "walk"}

func (i *importer) observation(r found) {
	kind := ""
	known := codesIn(r.o.object("code"))
	for _, want := range taken { // the closer name first: a resting heart rate carries both
		if slices.ContainsFunc(known, func(c *Code) bool { return c.Kind == want }) {
			kind = want
			break
		}
	}
	if kind == "" || !i.sound(r) {
		return
	}
	if s := r.o.text("status"); s == "entered-in-error" || s == "cancelled" {
		i.left(r, "its status is %s", s)
		return
	}
	m := Measurement{Person: -1, Kind: kind, When: r.o.text("effectiveDateTime"), Resource: r.name}
	if m.When == "" {
		m.When = r.o.object("effectivePeriod").text("start")
	}
	if n, ok := i.at[r.o.object("subject").text("reference")]; ok {
		m.Person = n
	}
	for _, n := range r.o.objects("note") {
		m.Note = strings.Trim(m.Note+"; "+n.text("text"), "; ")
	}
	minute := codeOf("minute")
	for _, part := range r.o.objects("component") {
		if known := codesIn(part.object("code")); len(known) > 0 && known[0] == minute {
			m.Minute, _ = numberOf(part.object("valueQuantity"), "value")
		}
	}
	if msg := m.fill(codeOf(kind), r.o); msg != "" {
		i.left(r, "%s", msg)
		return
	}
	i.out.Vitals = append(i.out.Vitals, m)
}

// fill takes the value over; msg says why there is none.
func (m *Measurement) fill(c *Code, o *object) (msg string) {
	if c.Kind != "blood-pressure" {
		m.Unit = c.Unit
		m.Value, msg = valueIn(o, c)
		return msg
	}
	m.Unit = "mm[Hg]"
	for _, part := range o.objects("component") {
		for _, known := range codesIn(part.object("code")) {
			v, bad := valueIn(part, codeOf("systolic"))
			switch {
			case known.Kind == "systolic" && bad == "":
				m.Value = v
			case known.Kind == "diastolic" && bad == "":
				m.Value2 = v
			}
		}
	}
	if m.Value == 0 && m.Value2 == 0 {
		return "neither pressure has a value"
	}
	return ""
}

// valueIn is the value of an observation in the unit of a code.
func valueIn(o *object, c *Code) (v float64, msg string) {
	if n, ok := o.get("valueInteger").(json.Number); ok {
		v, err := n.Float64()
		if err != nil {
			return 0, "the value is no number"
		}
		return v, ""
	}
	q := o.object("valueQuantity")
	v, ok := numberOf(q, "value")
	if !ok {
		return 0, "it has no value"
	}
	if q.text("comparator") != "" {
		return 0, "the value is a bound (" + q.text("comparator") + "), not a number"
	}
	unit := q.text("code")
	if unit == c.Unit {
		return v, ""
	}
	if c.Unit == "Cel" {
		return 0, "write the temperature in Cel"
	}
	factor, ok := ucum.Per(unit, c.Unit)
	if !ok {
		return 0, fmt.Sprintf("unit %q cannot be turned into %s", unit, c.Unit)
	}
	return v * factor, ""
}
