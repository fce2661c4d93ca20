// Package physiology holds the plain facts of the body that tests lean on: today the highest heart rate to
// expect at an age, and the end points made from it.
//
// Every formula is a row of maxhr.csv with its source, its spread and whom it is for. A predicted maximum is
// off by 10 to 12 /min in one person of six on either side: it plans a test, it does not measure a heart.
package physiology

import (
	_ "embed"
	"encoding/csv"
	"errors"
	"math"
	"strconv"
	"strings"
)

// DefaultMaxHR is the formula used when none is chosen.
const DefaultMaxHR = "220-age"

// How says how a number became known.
type How string

// The ways of knowing a number.
const (
	Seen     How = "seen"     // read in the source or a page that prints it
	Memory   How = "memory"   // recalled, not checked
	Practice How = "practice" // common practice, no source
	Choice   How = "choice"   // our own
	Derived  How = "derived"  // computed from other numbers
)

// Formula predicts maximal heart rate in beats/min:
// Intercept + PerYear*age + PerYear2*age*age + PerRest*resting heart rate.
type Formula struct {
	ID                         string
	Aliases                    []string
	Intercept                  float64 // /min
	PerYear, PerYear2, PerRest float64 // /min per year, per year squared, per /min
	Sex                        string  // both, female or male
	AgeFrom, AgeTo             float64 // years of the people it was made from; 0 = not known
	Drug                       string  // none, or the drug without which it does not hold
	SD                         float64 // spread of people around it, /min
	SDHow, How                 How
	Source, Note               string
	Mode                       string // kind of test it is only for, as protocols name it; "" = any
}

//go:embed maxhr.csv
var maxHRTable string

var formulas = readFormulas(maxHRTable)

func readFormulas(table string) []Formula {
	rows, err := csv.NewReader(strings.NewReader(table)).ReadAll()
	if err != nil {
		panic("physiology: maxhr.csv: " + err.Error())
	}
	number := func(s string) float64 {
		if s == "" {
			return 0
		}
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			panic("physiology: maxhr.csv: " + err.Error())
		}
		return v
	}
	all := make([]Formula, 0, len(rows)-1)
	for _, r := range rows[1:] {
		all = append(all, Formula{
			ID: r[0], Aliases: strings.Split(r[1], "|"),
			Intercept: number(r[2]), PerYear: number(r[3]), PerYear2: number(r[4]), PerRest: number(r[5]),
			Sex: r[6], AgeFrom: number(r[7]), AgeTo: number(r[8]), Drug: r[9],
			SD: number(r[10]), SDHow: How(r[11]), How: How(r[12]), Source: r[13], Note: r[14], Mode: r[15],
		})
	}
	return all
}

// Formulas returns all formulas in the order of the table.
func Formulas() []Formula { return append([]Formula(nil), formulas...) }

// FormulaFor finds a formula by id or alias. Case, spaces, underscores and signs of multiplication do not matter:
// "220 - Age", "208-0.7*age", "208 - 0.7 x age" and "Tanaka" are known.
func FormulaFor(id string) (Formula, bool) {
	for i := range formulas { // the spelling that the program itself uses
		if formulas[i].ID == id {
			return formulas[i], true
		}
	}
	want := plain(id)
	for _, f := range formulas {
		if plain(f.ID) == want {
			return f, true
		}
		for _, alias := range f.Aliases {
			if plain(alias) == want {
				return f, true
			}
		}
	}
	return Formula{}, false
}

var plainer = strings.NewReplacer(" x ", "", " ", "", "\t", "", "*", "", "·", "", "×", "", "_", "-", "−", "-", "–", "-", ",", ".")

func plain(id string) string { return plainer.Replace(strings.ToLower(id)) }

// MaxHR predicts the highest heart rate in beats/min, unrounded, by the formula with this id or alias
// (empty means [DefaultMaxHR]). restHR is used by few formulas; 0 means not known. It refuses an unknown
// formula, an age outside 0 to 120, a formula for the other sex, and a missing resting heart rate.
func MaxHR(id string, ageYears float64, female bool, restHR float64) (bpm float64, f Formula, err error) {
	if id == "" {
		id = DefaultMaxHR
	}
	f, known := FormulaFor(id)
	switch {
	case !known:
		return 0, f, errors.New("no formula for maximal heart rate is called " + strconv.Quote(id) + "; known: " + ids())
	case !(ageYears > 0 && ageYears <= 120):
		return 0, f, errors.New("age " + text(ageYears) + " is not between 0 and 120 years; check the entry")
	case f.Sex == "female" && !female:
		return 0, f, errors.New("formula " + f.ID + " is for women only; choose another")
	case f.Sex == "male" && female:
		return 0, f, errors.New("formula " + f.ID + " is for men only; choose another")
	case f.PerRest != 0 && !(restHR > 0 && restHR < 250):
		return 0, f, errors.New("formula " + f.ID + " needs the resting heart rate; enter it")
	}
	return f.At(ageYears, restHR), f, nil
}

// At computes the formula in beats/min without checks; restHR counts only where the formula uses it.
func (f *Formula) At(ageYears, restHR float64) float64 {
	bpm := f.Intercept + float64(f.PerYear*ageYears) + float64(f.PerYear2*float64(ageYears*ageYears))
	if f.PerRest != 0 {
		bpm += float64(f.PerRest * restHR)
	}
	return bpm
}

func text(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

func ids() string {
	names := make([]string, len(formulas))
	for i, f := range formulas {
		names[i] = f.ID
	}
	return strings.Join(names, ", ")
}

// PercentOf returns percent*value/100: 85 percent of 170 is 144.5 exactly.
func PercentOf(percent int, value float64) float64 { return float64(float64(percent)*value) / 100 }

// EndsAt is the first whole beat at or above a limit in beats/min: 145 for 144.5, 170 for 170. A limit
// within a billionth of a whole beat is that beat, so that 0.7 times an age cannot move an end point.
// It is 0 for a limit that is not a number from 0 to 1000.
func EndsAt(limit float64) int {
	if !(limit > 0 && limit <= 1000) {
		return 0
	}
	whole := math.Floor(limit)
	if limit-whole > 1e-9 {
		whole++
	}
	return int(whole)
}
