package fhir

import (
	"fmt"
	"slices"
	"strings"

	"gradus/internal/exchange/ucum"
)

// unit checks a UCUM unit by itself.
func (c *checker) unit(path string, o *object) {
	if o.text("system") != ucumSystem || o.text("code") == "" {
		return
	}
	if _, err := ucum.Parse(o.text("code")); err != nil {
		c.fault(join(path, "code"), "own.ucum", "%v", err)
	}
}

// observation checks the invariants of Observation, the vital signs profile, and our rules for an estimate.
func (c *checker) observation(path string, o *object) {
	valued := has(o, "value")
	if valued && o.get("dataAbsentReason") != nil {
		c.fault(join(path, "dataAbsentReason"), "obs-6", "a reason for no value stands beside a value; keep one of the two")
	}
	for i, part := range o.objects("component") {
		at := fmt.Sprintf("%s[%d]", join(path, "component"), i)
		if valued && sameCoding(o.object("code"), part.object("code")) {
			c.fault(at, "obs-7", "the component has the code of the observation, which has a value of its own")
		}
		if has(part, "value") && part.get("dataAbsentReason") != nil {
			c.fault(at, "obs-6", "a reason for no value stands beside a value; keep one of the two")
		}
		c.measured(at, part)
	}
	c.measured(path, o)
	c.vital(path, o)
	c.estimate(path, o)
}

func sameCoding(a, b *object) bool {
	for _, x := range a.objects("coding") {
		for _, y := range b.objects("coding") {
			if x.text("code") != "" && x.text("code") == y.text("code") && x.text("system") == y.text("system") {
				return true
			}
		}
	}
	return false
}

// measured checks that the unit of a value measures what its code says.
func (c *checker) measured(path string, o *object) {
	q := o.object("valueQuantity")
	if q == nil || q.text("system") != ucumSystem || q.text("code") == "" {
		return
	}
	for _, code := range codesIn(o.object("code")) {
		if code.Rule != "" || code.Unit == "" {
			continue
		}
		want, _ := ucum.Parse(code.Unit)
		have, err := ucum.Parse(q.text("code"))
		if err == nil && have.Dimension != want.Dimension {
			c.fault(join(path, "valueQuantity.code"), "own.unit-dimension", "%s measures something else than %s, the unit of %s", q.text("code"), code.Unit, code.Code)
			return
		}
	}
}

// vital checks the vital signs profile.
func (c *checker) vital(path string, o *object) {
	var code *Code
	rule := ""
	for _, known := range codesIn(o.object("code")) {
		if known.Rule != "" {
			code, rule = known, known.Rule
			break
		}
	}
	claims := slices.ContainsFunc(o.objects("category"), func(k *object) bool {
		return slices.ContainsFunc(k.objects("coding"), func(x *object) bool {
			return x.text("code") == "vital-signs" && x.text("system") == categorySystem
		})
	})
	if code == nil && !claims {
		return
	}
	if !claims {
		c.fault(join(path, "category"), "vs.category", "a vital sign needs the category vital-signs of %s", categorySystem)
	}
	if o.object("subject") == nil {
		c.fault(join(path, "subject"), "vs.subject", "a vital sign needs the patient")
	}
	c.vitalTime(path, o)
	valued := has(o, "value")
	if !valued && o.get("dataAbsentReason") == nil && o.get("component") == nil && o.get("hasMember") == nil {
		c.fault(path, "vs-2", "needs a value, a dataAbsentReason, components or members")
	}
	for i, part := range o.objects("component") {
		at := fmt.Sprintf("%s[%d]", join(path, "component"), i)
		if !has(part, "value") && part.get("dataAbsentReason") == nil {
			c.fault(at, "vs-3", "needs a value or a dataAbsentReason")
		}
		for _, known := range codesIn(part.object("code")) {
			c.vitalUnit(at, known, part)
		}
	}
	if code == nil {
		return
	}
	switch {
	case rule == "spo2" && !hasCode(o, "2708-6"):
		c.fault(join(path, "code"), "spo2.code", "the codings must hold 2708-6")
	case code.Code == "85354-9":
		c.pressures(path, o, valued)
		return
	}
	c.vitalUnit(path, code, o)
}

func hasCode(o *object, code string) bool {
	return slices.ContainsFunc(o.object("code").objects("coding"), func(x *object) bool {
		return x.text("code") == code && x.text("system") == loincSystem
	})
}

func (c *checker) vitalTime(path string, o *object) {
	day := o.text("effectiveDateTime")
	period := o.object("effectivePeriod")
	switch {
	case day == "" && period == nil && o.get("_effectiveDateTime") == nil:
		c.fault(join(path, "effectiveDateTime"), "vs.effective", "a vital sign needs effectiveDateTime or effectivePeriod")
	case day != "" && len(day) < len("2026-03-14"), period != nil && period.text("start") != "" && len(period.text("start")) < len("2026-03-14"):
		c.fault(join(path, "effectiveDateTime"), "vs-1", "must be at least a full day")
	}
}

func (c *checker) pressures(path string, o *object, valued bool) {
	if valued {
		c.fault(path, "bp.panel-value", "the panel itself carries no value; its components do")
	}
	for _, need := range []string{"8480-6", "8462-4"} {
		n := 0
		for _, part := range o.objects("component") {
			if hasCode(part, need) {
				n++
			}
		}
		if n != 1 {
			c.fault(join(path, "component"), "bp.components", "needs one component %s, has %d; a pressure that is missing carries dataAbsentReason", need, n)
		}
	}
}

// vitalUnit checks value, unit, system and code of a vital sign.
func (c *checker) vitalUnit(path string, code *Code, o *object) {
	if code.Rule == "" || code.Unit == "" {
		return
	}
	q, what := o.object("valueQuantity"), "valueQuantity"
	if s := o.object("valueSampledData"); q == nil && s != nil {
		q, what = s.object("origin"), "valueSampledData.origin"
	}
	at := join(path, what)
	switch {
	case q == nil && has(o, "value"):
		c.fault(path, code.Rule+".value", "%s must be a quantity", code.Display)
	case q == nil:
	case q.get("value") == nil:
		c.fault(at, "vs.quantity", "the value is missing")
	case q.get("code") == nil || q.get("system") == nil && q.get("code") == nil:
		c.fault(at, code.Rule+".unit", "the unit is missing; write code %s and system %s", code.Unit, ucumSystem)
	case q.get("system") == nil: // said by qty-3
	case q.text("system") != ucumSystem:
		c.fault(join(at, "system"), code.Rule+".unit", "the unit must be of %s", ucumSystem)
	case q.text("code") != code.Unit && !slices.Contains(code.Also, q.text("code")):
		c.fault(join(at, "code"), code.Rule+".unit", "%s must be in %s, not %q", code.Display, strings.Join(append([]string{code.Unit}, code.Also...), ", "), q.text("code"))
	case q.get("unit") == nil:
		c.fault(at, "vs.quantity", "the unit for readers is missing")
	}
	if v, ok := numberOf(q, "value"); ok && code.Unit == "%" && (v < 0 || v > 100) {
		c.fault(at, "own.range", "%g %% is outside 0 to 100", v)
	}
}

// estimate checks our own rules: an estimate says that it is one, and never stands without its error.
func (c *checker) estimate(path string, o *object) {
	codings := o.object("code").objects("coding")
	own := slices.IndexFunc(codings, func(x *object) bool {
		return x.text("code") == codeOf("estimate").Code && x.text("system") != loincSystem
	})
	loinc := slices.IndexFunc(codings, func(x *object) bool {
		return x.text("code") == codeOf("vo2peak").Code && x.text("system") == loincSystem
	})
	says := saysEstimated(o.object("method"))
	if own < 0 {
		if loinc >= 0 && says {
			c.fault(join(path, "code"), "own.code", "an estimate carries the code %s of our own first: %s alone says that it was measured", codeOf("estimate").Code, codings[loinc].text("code"))
		}
		return
	}
	if own > 0 {
		c.fault(join(path, "code"), "own.code", "the code %s must come first, so that a reader who shows only one shows that it is an estimate", codeOf("estimate").Code)
	}
	if !says {
		c.fault(join(path, "method"), "own.method", "an estimate must say so in method")
	}
	value, ok := numberOf(o.object("valueQuantity"), "value")
	if !ok {
		if has(o, "value") {
			c.fault(path, "own.value", "an estimate is a quantity")
		} else if o.get("dataAbsentReason") == nil {
			c.fault(path, "own.value", "needs a value, or the reason why there is none")
		}
		return
	}
	if q := o.object("valueQuantity"); q.text("system") != ucumSystem || q.text("code") == "" {
		c.fault(join(path, "valueQuantity"), "own.value", "needs a unit of %s", ucumSystem)
	}
	c.interval(path, o, value)
}

func saysEstimated(method *object) bool {
	text := method.text("text")
	for _, x := range method.objects("coding") {
		text += " " + x.text("display")
	}
	text = strings.ToLower(text)
	return strings.Contains(text, "estimat") || strings.Contains(text, "predict") || strings.Contains(text, "not measured")
}

func (c *checker) interval(path string, o *object, value float64) {
	part := func(kind string) (float64, bool) {
		for _, p := range o.objects("component") {
			for _, known := range codesIn(p.object("code")) {
				if known.Kind == kind {
					return numberOf(p.object("valueQuantity"), "value")
				}
			}
		}
		return 0, false
	}
	for i, p := range o.objects("component") {
		c.sameUnit(fmt.Sprintf("%s[%d]", join(path, "component"), i), o.object("valueQuantity"), p)
	}
	low, okLow := part("low95")
	high, okHigh := part("high95")
	see, okSee := part("see")
	switch {
	case !okLow && !okHigh && !okSee && o.get("note") == nil:
		c.fault(join(path, "component"), "own.interval", "an estimate needs its error: components pi95-low and pi95-high or see, or a note that says why there is none")
	case okLow != okHigh:
		c.fault(join(path, "component"), "own.interval", "one end of the interval is missing")
	case okLow && !(low <= value && value <= high):
		c.fault(join(path, "component"), "own.interval", "%g does not lie between %g and %g", value, low, high)
	case okSee && see <= 0:
		c.fault(join(path, "component"), "own.interval", "a standard error of %g cannot be", see)
	}
}

// sameUnit checks that an end of the interval or the standard error measures what the estimate does.
func (c *checker) sameUnit(path string, of, part *object) {
	q := part.object("valueQuantity")
	for _, known := range codesIn(part.object("code")) {
		if q == nil || known.Kind != "low95" && known.Kind != "high95" && known.Kind != "see" {
			continue
		}
		a, err := ucum.Parse(of.text("code"))
		b, err2 := ucum.Parse(q.text("code"))
		if err == nil && (err2 != nil || a.Dimension != b.Dimension) {
			c.fault(join(path, "valueQuantity.code"), "own.unit-dimension", "%q measures something else than the estimate in %s", q.text("code"), of.text("code"))
		}
	}
}
