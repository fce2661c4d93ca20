package report

import (
	"fmt"
	"strings"

	"gradus/estimate"
	estimators "gradus/estimate/library"
)

// measured is the outcome of a test that is no estimate, in words: a distance, a work rate, a heart rate. "" when the protocol
// has an estimator or nothing was measured.
func (c *Case) measured() string {
	if c.Protocol.Outcome.Estimator != "none" || c.Judged.Verdict == estimate.NotUsable {
		return ""
	}
	var parts []string
	if m, ok := c.walked(); ok {
		parts = append(parts, num(m)+" m")
	}
	if i := c.State.LastCounted(c.Protocol); i >= 0 {
		if w, ok := c.State.Fact(c.Protocol, i, "work_w"); ok {
			parts = append(parts, num(w)+" W")
		}
		hr, ok := c.State.Fact(c.Protocol, i, "hr_bpm")
		if !ok {
			hr, _, ok = c.State.LastHeart(c.Protocol, i)
		}
		if ok {
			parts = append(parts, "heart rate "+num(hr)+" /min")
		}
	}
	if len(parts) == 0 {
		return ""
	}
	return c.Protocol.Outcome.What + ": " + strings.Join(parts, ", ")
}

// convertedText says an estimate in L/min per kg first; "" for one that is per kg as it is.
func (c *Case) convertedText() string {
	r := c.perKg()
	if r == nil || r.Unit == c.Result().Unit {
		return ""
	}
	return fmt.Sprintf("%s mL/kg/min (%s) at %s kg; ", fixed(float64(r.Value), 1), rangeText(r), num(c.State.In.MassKg))
}

// walked is the distance in m of a test whose outcome it is.
func (c *Case) walked() (m float64, ok bool) {
	if !strings.HasPrefix(c.Protocol.Outcome.What, "distance") {
		return 0, false
	}
	m, ok = c.State.DistanceM(c.Protocol, c.State.Now)
	return m, ok && m > 0
}

// besideDistance are the answers of the equations that the protocol names beside its distance, in their order: what healthy
// people walk, in m, and an oxygen uptake. One whose inputs are not recorded has none.
func (c *Case) besideDistance() (expected, uptakes []*estimate.Result) {
	if _, ok := c.walked(); !ok {
		return nil, nil
	}
	for _, id := range c.Protocol.Outcome.Also {
		e, err := estimators.ByID(id)
		if err != nil {
			continue
		}
		r := estimate.Assess(c.Protocol, &c.State, e).Estimate
		switch {
		case r == nil || !r.Value.Present():
		case r.Unit == "m":
			expected = append(expected, r)
		default:
			uptakes = append(uptakes, r)
		}
	}
	return expected, uptakes
}

// distanceText holds the distance against the first reference that the protocol names; "" when there is none.
func (c *Case) distanceText() string {
	m, _ := c.walked()
	expected, _ := c.besideDistance()
	if len(expected) == 0 {
		return ""
	}
	r := expected[0]
	text := fmt.Sprintf("%s m are %s %% of the %s m that the equation %s expects of healthy people of this age, sex and size", num(m), fixed(100*m/float64(r.Value), 0), fixed(float64(r.Value), 0), r.Estimator)
	if r.Normal != nil {
		side := "not below"
		if m < float64(*r.Normal) {
			side = "below"
		}
		text += fmt.Sprintf("; %s its lower limit of %s m", side, fixed(float64(*r.Normal), 0))
	} else {
		text += "; how far healthy people differ from it was not found"
	}
	return sentence(text)
}

// distanceBlocks are the references of the distance and what it says of oxygen uptake.
func (c *Case) distanceBlocks() (out []Block) {
	m, _ := c.walked()
	expected, uptakes := c.besideDistance()
	if len(expected) > 0 {
		t := Table{Caption: "What healthy people of this age, sex and size walk", Head: []string{"Equation", "Expects", "Walked", "Lower limit of normal"}, Widths: []float64{3, 1.2, 1.2, 2}}
		for _, r := range expected {
			limit := "not found"
			if r.Normal != nil {
				limit = fixed(float64(*r.Normal), 0) + " m"
			}
			t.add([]string{r.Estimator, fixed(float64(r.Value), 0) + " m", fixed(100*m/float64(r.Value), 0) + " %", limit}, "", r.Source, "The distance divided by what is expected. "+r.Source, r.Source)
		}
		out = append(out, t)
	}
	if len(uptakes) > 0 {
		t := Table{Caption: "Oxygen uptake from the distance", Head: []string{"Equation", "mL/kg/min", "Care"}, Widths: []float64{2, 1.8, 3.5}}
		for _, r := range uptakes {
			value := fixed(float64(r.Value), estimate.Decimals(r.Unit)) + ", error not published"
			if r.Low95.Present() {
				value = fixed(float64(r.Value), estimate.Decimals(r.Unit)) + " (" + rangeText(r) + ")"
			}
			var care []string
			for _, x := range r.Cautions {
				care = append(care, x.Text)
			}
			t.add([]string{r.Estimator, value, sentence(strings.Join(care, "; "))}, "", r.Source+". Error: "+or(r.ErrorSource, r.NoError), "")
		}
		out = append(out, t)
	}
	return out
}
