package change

import (
	"embed"
	"encoding/csv"
	"math"
	"strconv"

	"gradus/stats"
)

//go:embed tables
var tableFiles embed.FS

// Data returns a data file of this package, its line of names first: errors, meaningful, signs or walks. It is nil
// for another name.
func Data(name string) [][]string {
	file, err := tableFiles.Open("tables/" + name + ".csv")
	if err != nil {
		return nil
	}
	defer file.Close()
	all, err := csv.NewReader(file).ReadAll()
	if err != nil {
		panic("change: " + name + ".csv: " + err.Error())
	}
	return all
}

func rowsOf(name string) (rows []map[string]string) {
	all := Data(name)
	for _, r := range all[1:] {
		row := map[string]string{}
		for i, cell := range r {
			row[all[0][i]] = cell
		}
		rows = append(rows, row)
	}
	return rows
}

// decimal reads a number of an embedded table; an empty cell is 0.
func decimal(text string) float64 {
	if text == "" {
		return 0
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		panic("change: embedded table: " + err.Error())
	}
	return v
}

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
	for _, r := range rowsOf("errors") {
		s := study{id: r["id"], estimator: r["estimator"], population: r["population"], healthy: r["healthy"] == "yes",
			ageFrom: decimal(r["age_from"]), ageTo: decimal(r["age_to"]), mean1: decimal(r["mean1"]), sd1: decimal(r["sd1"]), mean2: decimal(r["mean2"]), r: decimal(r["r"]),
			practiceP: r["practice_p"], over: r["over"], how: r["how"], source: r["source"]}
		s.err = stats.FromSummary(s.sd1, decimal(r["sd2"]), s.r, int(decimal(r["n"])))
		all = append(all, s)
	}
	return all
}

func readMeaningful() (all []Meaningful) {
	for _, r := range rowsOf("meaningful") {
		all = append(all, Meaningful{r["id"], r["text"], r["kind"], decimal(r["value"]), r["unit"], r["how"], r["source"]})
	}
	return all
}

type sign struct {
	value              float64
	unit, source, note string
}

func readSigns() map[string]sign {
	all := map[string]sign{}
	for _, r := range rowsOf("signs") {
		all[r["id"]] = sign{decimal(r["value"]), r["unit"], r["source"], r["note"]}
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
