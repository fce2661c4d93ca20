package interpret

import (
	"fmt"
	"math"
	"strings"

	"gradus/datatable"
)

// How a test stopped, as far as a recovery cut is concerned.
const (
	StopMaximal = "maximal"            // symptom-limited
	StopAt85    = "submaximal at 85 %" // at 85 % of the predicted maximal heart rate
	StopEarlier = "submaximal, earlier"
)

// Body is what was measured of heart rate and pressure. Zero means not measured, "" not recorded.
type Body struct {
	RestHR, RestSBP, RestDBP float64 // /min, mmHg
	PeakHR, PeakSBP, PeakDBP float64 // highest of the test
	HRAfter1, HRAfter2       float64 // heart rate 1 and 2 min after the stop
	EndMETs                  float64 // of the last stage, where it is known
	Stop                     string  // StopMaximal, StopAt85 or StopEarlier
	Activity                 string  // after the stop: none, walking or active
	Posture                  string  // after the stop: sitting, supine, upright, lying on the left side
	Mode                     string  // of the test: treadmill, cycle, recumbent stepper
	BetaBlocker              bool
}

// Finding is one thing that heart rate or pressure tells.
type Finding struct {
	ID      string   `json:"id"`
	What    string   `json:"what"`
	Value   float64  `json:"value"`
	Unit    string   `json:"unit"`
	Cut     *float64 `json:"cut"` // nil: no cut applies
	Verdict string   `json:"verdict"`
	Why     string   `json:"why"`
	How     string   `json:"how"`
	Source  string   `json:"source"`
}

type recoveryCut struct {
	id                            string
	minute, cut                   float64
	rule, stop, activity, posture string
	postureHow, mode, people      string
	how, source                   string
}

func readCuts() (all []recoveryCut) {
	for _, r := range datatable.Rows(tableFiles, "recovery-cuts") {
		all = append(all, recoveryCut{r["id"], datatable.Number(r["minute"]), datatable.Number(r["cut_bpm"]), r["rule"], r["stop"], r["activity"], r["posture"],
			r["posture_how"], r["mode"], r["people"], r["how"], r["source"]})
	}
	return all
}

// noCut is what is said when no published cut was made under the same conditions.
const noCut = "no cut applies"

// Findings reads heart rate and pressure. Only what was measured is judged, and only by a cut that was made
// under the same conditions.
func Findings(b Body, p Person) (all []Finding) {
	if b.HRAfter1 > 0 && b.PeakHR > 0 {
		all = append(all, recovery(&b, 1, b.PeakHR-b.HRAfter1))
	}
	if b.HRAfter2 > 0 && b.PeakHR > 0 {
		all = append(all, recovery(&b, 2, b.PeakHR-b.HRAfter2))
	}
	if b.RestHR > 0 {
		all = append(all, restingRate(b.RestHR))
	}
	if b.PeakHR > 0 && b.RestHR > 0 {
		all = append(all, chronotropic(&b, p.AgeYears))
	}
	if b.PeakSBP > 0 {
		all = append(all, systolic(&b, p.Sex))
	}
	if b.PeakDBP > 0 {
		all = append(all, high("diastolic", "highest diastolic pressure", b.PeakDBP, "diastolic-high", b.Stop))
	}
	if b.PeakSBP > 0 && b.RestSBP > 0 && b.EndMETs > 1 {
		all = append(all, slope(&b))
	}
	if b.PeakSBP > 0 && b.PeakHR > 0 {
		all = append(all, product(&b))
	}
	return all
}

func recovery(b *Body, minute, fall float64) Finding {
	f := Finding{ID: fmt.Sprintf("heart-rate-recovery-%g", minute), What: fmt.Sprintf("fall of heart rate in %g min", minute), Value: fall, Unit: "/min", Verdict: noCut}
	f.Why = fmt.Sprintf("no published cut for %g min was made with %s", minute, conditions(b))
	for i := range cuts {
		c := &cuts[i]
		if c.minute != minute || !c.fits(b) {
			continue
		}
		f.Cut, f.How, f.Source, f.Verdict = &c.cut, c.how, c.source, "above the cut"
		if fall < c.cut || c.rule == "<=" && fall == c.cut {
			f.Verdict = "slow: at or below the cut"
			if c.rule == "<" {
				f.Verdict = "slow: below the cut"
			}
		}
		f.Why = "made in " + c.people
		if c.mode != b.Mode {
			f.Why += fmt.Sprintf("; on a %s, not on a %s", c.mode, orUnknown(b.Mode))
		}
		break
	}
	return f
}

// fits compares everything that must be the same for a cut to hold. What is not recorded fits nothing.
func (c *recoveryCut) fits(b *Body) bool {
	return c.stop == b.Stop && c.activity == b.Activity && (c.posture == "any" || c.posture == b.Posture)
}

func conditions(b *Body) string {
	return strings.Join([]string{"stop: " + orUnknown(b.Stop), "then: " + orUnknown(b.Activity), "posture: " + orUnknown(b.Posture)}, ", ")
}

func orUnknown(text string) string {
	if text == "" {
		return "not recorded"
	}
	return text
}

func restingRate(bpm float64) Finding {
	low, up := numbers["rest-hr-low"], numbers["rest-hr-high"]
	f := Finding{ID: "resting-heart-rate", What: "resting heart rate", Value: bpm, Unit: "/min", How: low.how, Source: low.source,
		Verdict: "usual", Why: fmt.Sprintf("usual is %g to %g", low.value, up.value)}
	switch {
	case bpm < low.value:
		f.Verdict = "below the usual range"
	case bpm > up.value:
		f.Verdict = "above the usual range"
	}
	return f
}

// ChronotropicIndex is the share of the heart-rate reserve that was used: (peak - rest) / (220 - age - rest).
func ChronotropicIndex(peak, rest, ageYears float64) float64 {
	return (peak - rest) / (numbers["chronotropic-age-intercept"].value - ageYears - rest)
}

func chronotropic(b *Body, age float64) Finding {
	f := Finding{ID: "chronotropic-index", What: "share of the heart-rate reserve that was used", Value: ChronotropicIndex(b.PeakHR, b.RestHR, age), Unit: "ratio", Verdict: noCut}
	cut := numbers["chronotropic-index"]
	if b.BetaBlocker {
		cut = numbers["chronotropic-index-beta-blocker"]
	}
	if b.Stop != StopMaximal {
		f.Why = "a submaximal test ends before the heart has shown what it can"
		return f
	}
	f.Cut, f.How, f.Source, f.Why, f.Verdict = &cut.value, cut.how, cut.source, cut.note, "above the cut"
	if f.Value < cut.value || b.BetaBlocker && f.Value == cut.value {
		f.Verdict = "low"
	}
	return f
}

func systolic(b *Body, sex string) Finding {
	return high("systolic", "highest systolic pressure", b.PeakSBP, "systolic-high-"+sex, b.Stop)
}

// high judges a pressure that is too high at any effort; below the cut a submaximal test says nothing.
func high(id, what string, value float64, cutID, stop string) Finding {
	cut := numbers[cutID]
	f := Finding{ID: id, What: what, Value: value, Unit: "mmHg", Cut: &cut.value, How: cut.how, Source: cut.source}
	f.Why = fmt.Sprintf("from %g mmHg it is called exaggerated %s", cut.value, cut.note)
	switch {
	case value >= cut.value:
		f.Verdict = "exaggerated by this cut-off"
	case stop == StopMaximal:
		f.Verdict = "below the cut-off"
	default:
		f.Verdict = "below the cut-off so far; the test was submaximal"
	}
	return f
}

// PressureSlope is the rise of systolic pressure for each MET above rest, mmHg/MET.
func PressureSlope(rest, peak, restMETs, endMETs float64) float64 {
	return (peak - rest) / (endMETs - restMETs)
}

func slope(b *Body) Finding {
	usual := numbers["systolic-per-met"]
	return Finding{ID: "systolic-slope", What: "rise of systolic pressure", Value: PressureSlope(b.RestSBP, b.PeakSBP, 1, b.EndMETs), Unit: usual.unit,
		Verdict: fmt.Sprintf("usual is about %g", usual.value), How: usual.how, Source: usual.source, Why: "from rest (1 MET) to the last stage"}
}

// RatePressure is heart rate times systolic pressure, mmHg/min.
func RatePressure(hr, sbp float64) float64 { return hr * sbp }

func product(b *Body) Finding {
	low, up := numbers["rate-pressure-low"], numbers["rate-pressure-high"]
	f := Finding{ID: "rate-pressure-product", What: "heart rate times systolic pressure", Value: math.Round(RatePressure(b.PeakHR, b.PeakSBP)), Unit: low.unit, How: low.how, Source: low.source}
	f.Why = fmt.Sprintf("a maximal test usually reaches %g to %g", low.value, up.value)
	switch {
	case b.Stop != StopMaximal:
		f.Verdict = noCut
		f.Why += "; this one was submaximal"
	case f.Value < low.value:
		f.Verdict = "below the usual range"
	case f.Value > up.value:
		f.Verdict = "above the usual range"
	default:
		f.Verdict = "usual"
	}
	return f
}
