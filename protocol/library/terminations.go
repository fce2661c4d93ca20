package library

import (
	_ "embed"
	"encoding/csv"
	"fmt"
	"strings"
)

//go:embed terminations.csv
var terminationsFile string

// Termination is a published reason to end an exercise test, and what carries it here: ids of stop signs, "plan:" and a rule
// of the plan, or nothing, with the reason in Why.
type Termination struct {
	ID, Severity, Criterion, Number, From, How string
	CarriedBy                                  []string
	Why                                        string
}

// Terminations lists the published reasons to end a test.
func Terminations() []Termination {
	rows, err := csv.NewReader(strings.NewReader(terminationsFile)).ReadAll()
	if err != nil {
		panic(fmt.Sprintf("library: terminations.csv: %v", err))
	}
	out := make([]Termination, 0, len(rows))
	for _, r := range rows[1:] {
		out = append(out, Termination{r[0], r[1], r[2], r[3], r[4], r[5], strings.Fields(r[6]), r[7]})
	}
	return out
}
