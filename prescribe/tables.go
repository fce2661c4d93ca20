package prescribe

import (
	"embed"
	"strings"

	"gradus/datatable"
)

//go:embed tables
var tableFiles embed.FS

// Data returns a data file of this package, its line of names first: intensity, plans, intervals or numbers.
// It is nil for another name.
func Data(name string) [][]string { return datatable.Records(tableFiles, name) }

type number struct {
	value        float64
	unit, source string
}

// Level is a band of intensity. Below is excluded; 0 means open.
type Level struct {
	Name                      string
	ReserveFrom, ReserveBelow float64 // % of heart-rate reserve or of oxygen-uptake reserve
	HRMaxFrom, HRMaxBelow     float64 // % of maximal heart rate
	VO2MaxFrom, VO2MaxBelow   float64 // % of peak oxygen uptake
	RPEFrom, RPETo            float64 // 6 to 20
	How, Source               string

	mets [3][2]float64 // by age group: 20 to 39, 40 to 64, 65 and older
}

// Recommendation is what is recommended for a condition.
type Recommendation struct {
	ID, Title                        string
	DaysFrom, DaysTo                 float64
	MinutesFrom, MinutesTo           float64
	ReserveFrom, ReserveTo           float64
	RPEFrom, RPETo                   float64
	StartReserveFrom, StartReserveTo float64
	StartRPEFrom, StartRPETo         float64
	StartMinutes, MinutesStep        float64
	Leads                            string // "" or what leads instead of heart rate
	Type, Progression, Cautions      string
	How, Source                      string
}

// Interval is a published interval session.
type Interval struct {
	ID     string `json:"id"`
	Text   string `json:"text"`
	People string `json:"people"`
	How    string `json:"how"`
	Source string `json:"source"`

	Hard  float64 `json:"hard_s"` // one bout, s
	Easy  float64 `json:"easy_s"` // the rest after it, s
	Bouts int     `json:"bouts"`
	Frame string  `json:"frame"` // what of these three is printed, and what is ours

	conditions             []string
	reserveFrom, reserveTo float64 // %, 0: not said this way
	maxHRFrom, maxHRTo     float64 // % of maximal heart rate
	maxWHard, maxWEasy     float64 // % of the work rate at maximal heart rate on the own line
	rpeFrom, rpeTo         float64
}

var (
	numbers         = readNumbers()
	levels          = readLevels()
	recommendations = readRecommendations()
	intervals       = readIntervals()
)

// Recommendations lists what is recommended, by condition; the first is that of healthy adults.
func Recommendations() []Recommendation { return append([]Recommendation(nil), recommendations...) }

// IntervalSessions lists the published interval sessions.
func IntervalSessions() []Interval { return append([]Interval(nil), intervals...) }

// Levels lists the bands of intensity, the lightest first.
func Levels() []Level { return append([]Level(nil), levels...) }

func readNumbers() map[string]number {
	all := map[string]number{}
	for _, r := range datatable.Rows(tableFiles, "numbers") {
		all[r["id"]] = number{datatable.Number(r["value"]), r["unit"], r["source"]}
	}
	return all
}

func readLevels() (all []Level) {
	for _, r := range datatable.Rows(tableFiles, "intensity") {
		l := Level{Name: r["level"], ReserveFrom: datatable.Number(r["reserve_from"]), ReserveBelow: datatable.Number(r["reserve_below"]), HRMaxFrom: datatable.Number(r["hrmax_from"]), HRMaxBelow: datatable.Number(r["hrmax_below"]),
			VO2MaxFrom: datatable.Number(r["vo2max_from"]), VO2MaxBelow: datatable.Number(r["vo2max_below"]), RPEFrom: datatable.Number(r["rpe_from"]), RPETo: datatable.Number(r["rpe_to"]), How: r["how"], Source: r["source"]}
		for i, group := range []string{"20", "40", "65"} {
			l.mets[i] = [2]float64{datatable.Number(r["mets"+group+"_from"]), datatable.Number(r["mets"+group+"_below"])}
		}
		all = append(all, l)
	}
	return all
}

// METs is the band in METs for an age in years; below is 0 when it is open.
func (l *Level) METs(ageYears float64) (from, below float64) {
	switch {
	case ageYears < 40:
		return l.mets[0][0], l.mets[0][1]
	case ageYears < 65:
		return l.mets[1][0], l.mets[1][1]
	}
	return l.mets[2][0], l.mets[2][1]
}

func readRecommendations() (all []Recommendation) {
	for _, r := range datatable.Rows(tableFiles, "plans") {
		n := func(name string) float64 { return datatable.Number(r[name]) }
		all = append(all, Recommendation{r["id"], r["title"], n("days_from"), n("days_to"), n("minutes_from"), n("minutes_to"), n("reserve_from"), n("reserve_to"), n("rpe_from"), n("rpe_to"),
			n("start_reserve_from"), n("start_reserve_to"), n("start_rpe_from"), n("start_rpe_to"), n("start_minutes"), n("minutes_step"), r["leads"], r["type"], r["progression"], r["cautions"], r["how"], r["source"]})
	}
	return all
}

func readIntervals() (all []Interval) {
	for _, r := range datatable.Rows(tableFiles, "intervals") {
		n := func(name string) float64 { return datatable.Number(r[name]) }
		all = append(all, Interval{ID: r["id"], Text: r["text"], People: r["people"], How: r["how"], Source: r["source"], Hard: n("on_s"), Easy: n("off_s"), Bouts: int(n("bouts")), Frame: r["frame"],
			conditions: strings.Split(r["conditions"], "|"), reserveFrom: n("reserve_from"), reserveTo: n("reserve_to"), maxHRFrom: n("max_hr_from"), maxHRTo: n("max_hr_to"),
			maxWHard: n("max_w_hard"), maxWEasy: n("max_w_easy"), rpeFrom: n("rpe_from"), rpeTo: n("rpe_to")})
	}
	return all
}
