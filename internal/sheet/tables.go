package sheet

import (
	_ "embed"
	"encoding/csv"
	"strconv"
	"strings"
)

//go:embed units.csv
var unitsTable string

//go:embed limits.csv
var limitsTable string

//go:embed words.csv
var wordsTable string

var (
	perUnit = numbersOf(unitsTable, 2)  // by unit: the factor into the unit the columns are kept in
	limits  = numbersOf(limitsTable, 1) // by name
	lexicon = readWords(wordsTable)     // by kind
)

// records reads an embedded table without its first line.
func records(table string) [][]string {
	all, err := csv.NewReader(strings.NewReader(table)).ReadAll()
	if err != nil {
		panic("sheet: embedded table: " + err.Error())
	}
	return all[1:]
}

func numbersOf(table string, column int) map[string]float64 {
	numbers := map[string]float64{}
	for _, r := range records(table) {
		v, err := strconv.ParseFloat(r[column], 64)
		if err != nil {
			panic("sheet: embedded table: " + err.Error())
		}
		numbers[r[0]] = v
	}
	return numbers
}
