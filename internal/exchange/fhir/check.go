package fhir

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Fault is what is wrong in a FHIR file.
type Fault struct {
	Path string `json:"path"`    // such as entry[3].resource.valueQuantity.code; "" for the whole
	Rule string `json:"rule"`    // of the standard (obs-6, bdl-7), of the vital signs profile (vs-1), of its structure (fhir.…) or ours (own.…)
	Msg  string `json:"message"` // what, and what to do
}

func (f Fault) Error() string {
	if f.Path == "" {
		return f.Rule + ": " + f.Msg
	}
	return f.Path + ": " + f.Rule + ": " + f.Msg
}

const mostFaults = 200

// Check reads one resource or Bundle and lists what is wrong with it, in the order of the file: structure and codes of
// R4 (4.0.1), the invariants of its data types, the vital signs profile, the rules of Bundles, and our own rules for an
// estimate. An empty list means that none was found; profiles of a country are not checked.
func Check(data []byte) []Fault {
	o, err := read(data)
	if err != nil {
		return []Fault{{"", "fhir.json", err.Error()}}
	}
	c := &checker{}
	c.resource("", o)
	return c.faults
}

type checker struct {
	faults []Fault
}

func (c *checker) fault(path, rule, format string, args ...any) {
	if len(c.faults) < mostFaults {
		c.faults = append(c.faults, Fault{path, rule, fmt.Sprintf(format, args...)})
	}
}

func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}

// resource checks a resource with all that is in it.
func (c *checker) resource(path string, o *object) {
	name, _ := o.get("resourceType").(string)
	k, known := kinds()[name]
	if !known || k.elements["implicitRules"] == nil {
		c.fault(join(path, "resourceType"), "fhir.resource-type", "%q is no resource of R4", name)
		return
	}
	c.object(path, name, k, o)
	switch name {
	case "Observation":
		c.observation(path, o)
	case "Bundle":
		c.bundle(path, o)
	case "Goal":
		for i, t := range o.objects("target") {
			if has(t, "detail") && t.object("measure") == nil {
				c.fault(fmt.Sprintf("%s[%d]", join(path, "target"), i), "gol-1", "a target with a detail needs a measure")
			}
		}
	case "CarePlan":
		for i, a := range o.objects("activity") {
			if a.object("detail") != nil && a.object("reference") != nil {
				c.fault(fmt.Sprintf("%s[%d]", join(path, "activity"), i), "cpl-3", "an activity has a detail or a reference, not both")
			}
		}
	case "Composition":
		c.sections(join(path, "section"), o.objects("section"))
	case "Patient":
		for i, p := range o.objects("contact") {
			if p.get("name") == nil && p.get("telecom") == nil && p.get("address") == nil && p.get("organization") == nil {
				c.fault(fmt.Sprintf("%s[%d]", join(path, "contact"), i), "pat-1", "a contact needs at least a name, a telecom, an address or an organization")
			}
		}
	case "ServiceRequest":
		if o.get("orderDetail") != nil && o.get("code") == nil {
			c.fault(join(path, "orderDetail"), "prr-1", "orderDetail needs a code")
		}
	}
}

func (c *checker) sections(path string, all []*object) {
	for i, s := range all {
		at := fmt.Sprintf("%s[%d]", path, i)
		if s.get("text") == nil && s.get("entry") == nil && s.get("section") == nil {
			c.fault(at, "cmp-1", "a section needs text, entries or sections")
		}
		if s.get("emptyReason") != nil && s.get("entry") != nil {
			c.fault(at, "cmp-2", "emptyReason stands only in a section without entries")
		}
		c.sections(join(at, "section"), s.objects("section"))
	}
}

// has reports whether one of a choice is there: detail of detailQuantity.
func has(o *object, stem string) bool {
	return slices.ContainsFunc(o.keys, func(key string) bool {
		return strings.HasPrefix(key, stem) && len(key) > len(stem) && key[len(stem)] >= 'A' && key[len(stem)] <= 'Z'
	})
}

// object checks a resource or data type by the structure.
func (c *checker) object(path, name string, k *kind, o *object) {
	chosen := map[string]string{}
	if len(o.keys) == 0 {
		c.fault(path, "ele-1", "the object is empty; leave it out")
	}
	for _, key := range o.keys {
		at := join(path, key)
		if key == "resourceType" && k.elements["implicitRules"] != nil {
			continue
		}
		if key == "fhir_comments" {
			c.fault(at, "fhir.unknown-property", "comments are not allowed in R4")
			continue
		}
		plain := strings.TrimPrefix(key, "_")
		e := k.elements[plain]
		_, simple := primitives[typeOf(e)]
		if e == nil || plain != key && !simple {
			c.fault(at, "fhir.unknown-property", "%s has no element of this name", strings.ReplaceAll(name, "_", "."))
			continue
		}
		if e.choice != "" {
			if other := chosen[e.choice]; other != "" && other != plain {
				c.fault(at, "fhir.choice", "%s stands already; only one %s[x] is allowed", other, e.choice)
			}
			chosen[e.choice] = plain
		}
		if plain != key {
			c.extra(at, e, o.get(key))
			continue
		}
		c.element(at, e, o.get(key), o.get("_"+key) != nil)
	}
	for _, e := range k.order {
		if e.required && o.get(e.name) == nil && o.get("_"+e.name) == nil {
			c.fault(join(path, e.name), requiredRule(name, e.name), "is missing; %s needs it", strings.ReplaceAll(name, "_", "."))
		}
	}
	c.invariants(path, name, o)
}

func requiredRule(name, element string) string {
	if name == "Observation" {
		return "obs." + element + "-required"
	}
	return "fhir.required"
}

func typeOf(e *element) string {
	if e == nil {
		return ""
	}
	return e.of
}

// extra checks what stands beside a simple element: its id and extensions.
func (c *checker) extra(path string, e *element, v any) {
	one := func(path string, v any) {
		o, ok := v.(*object)
		if !ok {
			c.fault(path, "fhir.value-type", "must be an object with id or extension")
			return
		}
		c.object(path, "Element", kinds()["Element"], o)
	}
	if !e.list {
		one(path, v)
		return
	}
	list, ok := v.([]any)
	if !ok {
		c.fault(path, "fhir.value-type", "must be a list")
	}
	for i, x := range list {
		if x != nil {
			one(fmt.Sprintf("%s[%d]", path, i), x)
		}
	}
}

func (c *checker) element(path string, e *element, v any, beside bool) {
	list, isList := v.([]any)
	switch {
	case e.list && !isList:
		c.fault(path, "fhir.value-type", "must be a list")
	case !e.list && isList:
		c.fault(path, "fhir.value-type", "must be one value, not a list")
	case !e.list:
		c.value(path, e, v)
	case len(list) == 0:
		c.fault(path, "fhir.empty", "the list is empty; leave it out")
	default:
		for i, x := range list {
			if x == nil && beside {
				continue
			}
			c.value(fmt.Sprintf("%s[%d]", path, i), e, x)
		}
	}
}

func (c *checker) value(path string, e *element, v any) {
	if v == nil {
		c.fault(path, "fhir.value-type", "null is no value; leave the element out")
		return
	}
	if _, simple := primitives[e.of]; simple {
		c.simple(path, e, v)
		return
	}
	o, ok := v.(*object)
	if !ok {
		c.fault(path, "fhir.value-type", "must be an object of type %s", e.of)
		return
	}
	if e.of == "ResourceList" {
		c.inner(path, o)
		return
	}
	k := kinds()[e.of]
	if k == nil {
		return
	}
	c.object(path, e.of, k, o)
}

// inner checks a resource in another one.
func (c *checker) inner(path string, o *object) {
	if !strings.Contains(path, "contained[") {
		c.resource(path, o)
		return
	}
	if o.get("contained") != nil {
		c.fault(path, "dom-2", "a contained resource holds no contained resources")
	}
	if meta := o.object("meta"); meta.get("versionId") != nil || meta.get("lastUpdated") != nil {
		c.fault(path, "dom-4", "a contained resource has no version of its own")
	}
	c.resource(path, o)
}

// simple checks a simple value.
func (c *checker) simple(path string, e *element, v any) {
	switch e.of {
	case "boolean":
		if _, ok := v.(bool); !ok {
			c.fault(path, "fhir.value-type", "must be true or false")
		}
		return
	case "decimal", "integer", "unsignedInt", "positiveInt", "number":
		n, ok := v.(json.Number)
		if !ok {
			c.fault(path, "fhir.value-type", "must be a JSON number, not %s", described(v))
			return
		}
		c.number(path, e.of, n)
		return
	}
	text, ok := v.(string)
	if !ok {
		c.fault(path, "fhir.value-type", "must be a text, not %s", described(v))
		return
	}
	if e.of == "xhtml" {
		c.xhtml(path, text)
		return
	}
	pattern := primitives[e.of]
	switch {
	case text == "":
		c.fault(path, "fhir.empty", "the text is empty; leave it out")
	case len(text) > 1<<20 && e.of != "base64Binary":
		c.fault(path, "fhir.value-type", "the text is longer than 1 MB")
	case len(e.codes) > 0 && !slices.Contains(e.codes, text):
		c.fault(path, "fhir.code", "%q is not one of %s", text, strings.Join(e.codes, ", "))
	case pattern != nil && !pattern.MatchString(text) || !realDay(e.of, text):
		c.fault(path, "fhir.value-type", "%q is no %s%s", shortened(text), e.of, hints[e.of])
	}
}

var hints = map[string]string{"date": "; write year, year-month or year-month-day", "dateTime": "; write a date, or date and time with seconds and time zone, such as 2026-03-14T09:26:53+01:00",
	"instant": "; write date and time with seconds and time zone, such as 2026-03-14T09:26:53+01:00"}

func shortened(text string) string {
	if r := []rune(text); len(r) > 60 {
		return string(r[:60]) + "…"
	}
	return text
}

func described(v any) string {
	switch v := v.(type) {
	case string:
		return strconv.Quote(shortened(v))
	case json.Number:
		return "the number " + v.String()
	case bool:
		return strconv.FormatBool(v)
	case []any:
		return "a list"
	}
	return "an object"
}

// realDay refuses 30 February.
func realDay(of, text string) bool {
	if of != "date" && of != "dateTime" && of != "instant" || len(text) < 10 {
		return true
	}
	_, err := time.Parse(time.DateOnly, text[:10])
	return err == nil
}

func (c *checker) number(path, of string, n json.Number) {
	text := n.String()
	whole, err := strconv.ParseInt(text, 10, 32)
	switch {
	case of == "decimal" || of == "number":
		if _, err := n.Float64(); err != nil || len(text) > 40 {
			c.fault(path, "fhir.value-type", "%s is too large or has too many digits", shortened(text))
		}
	case err != nil:
		c.fault(path, "fhir.value-type", "%s is no whole number of 32 bits", shortened(text))
	case of == "positiveInt" && whole < 1 || of == "unsignedInt" && whole < 0:
		c.fault(path, "fhir.value-type", "%s is below what a %s may be", text, of)
	}
}

// xhtml checks the text of a narrative as far as it matters here.
func (c *checker) xhtml(path, text string) {
	trimmed := strings.TrimSpace(text)
	switch {
	case !strings.HasPrefix(trimmed, "<div") || !strings.HasSuffix(trimmed, "</div>") || !strings.Contains(trimmed[:strings.IndexByte(trimmed, '>')+1], `"http://www.w3.org/1999/xhtml"`):
		c.fault(path, "txt-1", "must be a div of http://www.w3.org/1999/xhtml")
	case strings.Contains(strings.ToLower(text), "<script") || strings.Contains(strings.ToLower(text), "javascript:"):
		c.fault(path, "txt-1", "scripts are not allowed")
	case onlyTags(trimmed):
		c.fault(path, "txt-2", "the text is empty")
	}
}

func onlyTags(text string) bool {
	inTag := false
	for _, r := range text {
		switch {
		case r == '<':
			inTag = true
		case r == '>':
			inTag = false
		case !inTag && r > ' ':
			return false
		}
	}
	return !strings.Contains(text, "<img")
}

// number of an element; ok is false when there is none.
func numberOf(o *object, key string) (v float64, ok bool) {
	n, ok := o.get(key).(json.Number)
	if !ok {
		return 0, false
	}
	v, err := n.Float64()
	return v, err == nil
}

// invariants checks the rules of data types that the structure does not show.
func (c *checker) invariants(path, name string, o *object) {
	switch name {
	case "Quantity", "Age", "Count", "Distance", "Duration", "Money":
		if o.get("code") != nil && o.get("system") == nil && name != "Money" {
			c.fault(path, "qty.system", "a unit code needs its system (qty-3); write %s", ucumSystem)
		}
		c.unit(path, o)
	case "Range":
		c.rising(path, "rng-2", o.object("low"), o.object("high"))
	case "Ratio":
		if (o.get("numerator") == nil) != (o.get("denominator") == nil) {
			c.fault(path, "rat-1", "a ratio has both numerator and denominator")
		}
	case "Period":
		from, to := o.text("start"), o.text("end")
		if from != "" && to != "" && later(from, to) {
			c.fault(path, "per-1", "the start %s is after the end %s", from, to)
		}
	case "Timing_Repeat":
		c.timing(path, o)
	case "Extension":
		if has(o, "value") == (o.get("extension") != nil) {
			c.fault(path, "ext-1", "an extension has a value or extensions, one of the two")
		}
	case "Reference":
		if o.get("reference") == nil && o.get("identifier") == nil && o.get("display") == nil && o.get("extension") == nil {
			c.fault(path, "ref-2", "a reference needs reference, identifier or display")
		}
	case "Attachment":
		if o.get("data") != nil && o.get("contentType") == nil {
			c.fault(path, "att-1", "an attachment with data needs its contentType")
		}
	case "ContactPoint":
		if o.get("value") != nil && o.get("system") == nil {
			c.fault(path, "cpt-2", "a contact with a value needs its system")
		}
	case "SampledData":
		c.sampled(path, o)
	case "Narrative":
	case "CodeableConcept", "Coding":
	}
}

func (c *checker) rising(path, rule string, low, high *object) {
	a, okA := numberOf(low, "value")
	b, okB := numberOf(high, "value")
	if okA && okB && a > b && low.text("code") == high.text("code") {
		c.fault(path, rule, "the low end %g is above the high end %g", a, b)
	}
}

// later reports whether one moment is surely after another.
func later(a, b string) bool {
	if x, err := time.Parse(time.RFC3339, a); err == nil {
		if y, err := time.Parse(time.RFC3339, b); err == nil {
			return x.After(y)
		}
	}
	n := min(len(a), len(b), 10)
	return a[:n] > b[:n]
}

func (c *checker) timing(path string, o *object) {
	for _, need := range []struct{ rule, has, needs string }{{"tim-1", "duration", "durationUnit"}, {"tim-2", "period", "periodUnit"}, {"tim-6", "periodMax", "period"},
		{"tim-7", "durationMax", "duration"}, {"tim-8", "countMax", "count"}} {
		if o.get(need.has) != nil && o.get(need.needs) == nil {
			c.fault(path, need.rule, "%s needs %s", need.has, need.needs)
		}
	}
	for rule, key := range map[string]string{"tim-4": "duration", "tim-5": "period"} {
		if v, ok := numberOf(o, key); ok && v < 0 {
			c.fault(join(path, key), rule, "%g is below zero", v)
		}
	}
	if o.get("offset") != nil && o.get("when") == nil {
		c.fault(path, "tim-9", "offset needs when")
	}
	if o.get("timeOfDay") != nil && o.get("when") != nil {
		c.fault(path, "tim-10", "timeOfDay and when exclude each other")
	}
}

func (c *checker) sampled(path string, o *object) {
	dimensions, ok := numberOf(o, "dimensions")
	fields := strings.Fields(o.text("data"))
	if ok && dimensions >= 1 && len(fields)%int(dimensions) != 0 {
		c.fault(path, "own.sampled", "%d values do not fill %g dimensions", len(fields), dimensions)
	}
	for i, f := range fields {
		if _, err := strconv.ParseFloat(f, 64); err != nil && f != "E" && f != "U" && f != "L" {
			c.fault(join(path, "data"), "own.sampled", "value %d, %q, is neither a number nor E, U or L", i+1, shortened(f))
			return
		}
	}
}
