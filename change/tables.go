package change

import (
	"embed"
	"math"

	"gradus/datatable"
	"gradus/stats"
)

//go:embed tables
var tableFiles embed.FS

// Data returns a data file of this package, its line of names first: errors, meaningful, signs or walks. It is nil
// for another name.
func Data(name string) [][]string { return datatable.Records(tableFiles, name) }

// study is a published test and retest of people who did not change.
type study struct {
	id, estimator, population string
	healthy                   bool
	other                     bool    // of a walk: about people with another condition
	ageFrom, ageTo            float64 // completed years; 0: no limit
	mean1, sd1, mean2, r      float64
	practiceP                 string
	over, how, source         string
	err                       stats.RepeatError
}

// practice is how much higher the second visit was on average, without training, mL/kg/min.
func (s *study) practice() float64 { return s.mean2 - s.mean1 }

func (s *study) covers(t *Test) bool {
	years := math.Floor(t.AgeYears)
	return (s.ageFrom == 0 || years >= s.ageFrom) && (s.ageTo == 0 || years <= s.ageTo)
}

// Meaningful is a change that is held to matter.
type Meaningful struct {
	ID, Text, Kind    string
	Value             float64
	Unit, How, Source string
}

var (
	studies    = readStudies()
	meaningful = readMeaningful()
	signs      = readSigns()
)

// DefaultMeaningful is the change that counts as large enough when none is chosen.
const DefaultMeaningful = "one-met"

// MeaningfulChanges lists the published conventions; the first is the default.
func MeaningfulChanges() []Meaningful { return append([]Meaningful(nil), meaningful...) }

func readStudies() (all []study) {
	for _, r := range datatable.Rows(tableFiles, "errors") {
		s := study{id: r["id"], estimator: r["estimator"], population: r["population"], healthy: r["healthy"] == "yes",
			ageFrom: datatable.Number(r["age_from"]), ageTo: datatable.Number(r["age_to"]), mean1: datatable.Number(r["mean1"]), sd1: datatable.Number(r["sd1"]), mean2: datatable.Number(r["mean2"]), r: datatable.Number(r["r"]),
			practiceP: r["practice_p"], over: r["over"], how: r["how"], source: r["source"]}
		s.err = stats.FromSummary(s.sd1, datatable.Number(r["sd2"]), s.r, int(datatable.Number(r["n"])))
		all = append(all, s)
	}
	return all
}

func readMeaningful() (all []Meaningful) {
	for _, r := range datatable.Rows(tableFiles, "meaningful") {
		all = append(all, Meaningful{r["id"], r["text"], r["kind"], datatable.Number(r["value"]), r["unit"], r["how"], r["source"]})
	}
	return all
}

type sign struct {
	value                   float64
	unit, how, source, note string
}

func readSigns() map[string]sign {
	all := map[string]sign{}
	for _, r := range datatable.Rows(tableFiles, "signs") {
		all[r["id"]] = sign{datatable.Number(r["value"]), r["unit"], r["how"], r["source"], r["note"]}
	}
	return all
}

// studyFor picks the error of two tests: that of healthy adults only when both visits say so and lie within its
// ages, else the largest one published for the equation. It is nil when none is published.
func studyFor(a, b *Test) (picked *study) {
	if a.Unit == Metres && b.Unit == Metres {
		return walkStudy(a, b)
	}
	for i := range studies {
		s := &studies[i]
		if s.estimator != a.Estimator {
			continue
		}
		if s.healthy && a.healthy() && b.healthy() && s.covers(a) && s.covers(b) {
			return s
		}
		if !s.healthy && (picked == nil || s.err.SDDiff > picked.err.SDDiff) {
			picked = s
		}
	}
	return picked
}
