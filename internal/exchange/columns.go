package exchange

import (
	_ "embed"
	"encoding/csv"
	"strconv"
	"strings"

	"gradus/conduct"
	"gradus/internal/exchange/table"
	"gradus/internal/exchange/ucum"
)

// What becomes of a column when data are de-identified.
const (
	keeps    = "keep"
	coded    = "code"    // a study code stands there
	made     = "made"    // only in de-identified data
	pooled   = "age"     // 90+ from 90 on
	worded   = "word"    // a word of ours instead of what was typed
	derived  = "derived" // goes when the age is pooled: the age could be computed from it
	dropped  = "drop"    // names, days, numbers of devices
	freeText = "text"    // left out unless asked for after it was looked through
)

// Column is a column of the tables that are exported.
type Column struct {
	Table, Name, Type, Unit string
	Low, High               *float64
	Deid, Title, Text       string
}

//go:embed columns.csv
var columnFile string

// Columns are all columns, in their order.
var Columns = readColumns()

func readColumns() []Column {
	lines, err := csv.NewReader(strings.NewReader(columnFile)).ReadAll()
	if err != nil {
		panic("exchange: columns.csv: " + err.Error())
	}
	var all []Column
	for _, l := range lines[1:] {
		c := Column{l[0], l[1], l[2], l[3], limit(l[4]), limit(l[5]), l[6], l[7], l[8]}
		if _, err := ucum.Parse(c.Unit); c.Unit != "" && err != nil {
			panic("exchange: columns.csv: " + err.Error())
		}
		if c.Name == "protocol_version" { // the answers stand before what was found
			for _, name := range conduct.AnswerNames() {
				all = append(all, Column{Table: "tests", Name: name, Type: "number", Deid: keeps, Title: strings.ReplaceAll(name, "_", " ")})
			}
		}
		all = append(all, c)
	}
	return all
}

func limit(text string) *float64 {
	if text == "" {
		return nil
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		panic("exchange: columns.csv: " + err.Error())
	}
	return &v
}

// field is the column as a data package describes it.
func (c *Column) field() table.Field {
	f := table.Field{Name: c.Name, Type: c.Type, Title: c.Title, Description: c.Text, Unit: c.Unit}
	if c.Low != nil || c.High != nil {
		f.Constraints = &table.Constraints{Minimum: c.Low, Maximum: c.High}
	}
	return f
}
