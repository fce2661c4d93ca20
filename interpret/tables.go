package interpret

import (
	"embed"
	"math"
	"slices"
	"strconv"
	"strings"

	"gradus/datatable"
)

//go:embed tables
var tableFiles embed.FS

// Kinds of reference tables.
const (
	Percentiles = "percentiles" // a distribution for each sex and decade
	Medians     = "medians"
	Means       = "means"
	Bands       = "bands" // lower bounds of named bands
)

// Reference is a table of peak oxygen uptake in people of known sex and age.
type Reference struct {
	ID         string `json:"id"`
	Title      string `json:"title"`
	Kind       string `json:"kind"`
	Edition    string `json:"edition"`
	Mode       string `json:"mode"` // of the maximal test: treadmill or cycle
	Unit       string `json:"unit"`
	N          int    `json:"n"` // people; 0: not known
	Population string `json:"population"`
	How        string `json:"how"`
	Source     string `json:"source"`
	Note       string `json:"note"`

	Blocks []Block `json:"-"`
}

// Block is the part of a table for one sex and range of age, in completed years, both ends included.
type Block struct {
	Sex            string
	AgeFrom, AgeTo int // AgeTo is 0 when the range is open
	N              int
	Cells          []Cell // in the order of the table
}

// Cell is one number of a table.
type Cell struct {
	Statistic  string  // p5 … p95, mean, or the word of a band
	Percentile float64 // of p5 … p95, else 0
	Value      float64
	How        string
}

// Ages names the range of a block, such as "40 to 49".
func (b *Block) Ages() string {
	if b.AgeTo == 0 {
		return strconv.Itoa(b.AgeFrom) + " and older"
	}
	return strconv.Itoa(b.AgeFrom) + " to " + strconv.Itoa(b.AgeTo)
}

// FromMemory counts the cells that nobody has read in the publication.
func (b *Block) FromMemory() (n int) {
	for _, c := range b.Cells {
		if c.How == "memory" {
			n++
		}
	}
	return n
}

// Block finds the part of the table for a sex and an age in years; years are counted when completed.
func (r *Reference) Block(sex string, ageYears float64) (*Block, bool) {
	years := int(math.Floor(ageYears))
	for i := range r.Blocks {
		b := &r.Blocks[i]
		if b.Sex == sex && years >= b.AgeFrom && (b.AgeTo == 0 || years <= b.AgeTo) {
			return b, true
		}
	}
	return nil, false
}

// Ages is the range of completed years that the table covers for a sex; to is 0 when it is open.
func (r *Reference) Ages(sex string) (from, to int) {
	from = math.MaxInt
	for _, b := range r.Blocks {
		if b.Sex == sex {
			from = min(from, b.AgeFrom)
			to = b.AgeTo
		}
	}
	return from, to
}

// References returns all tables; the first is the default.
func References() []Reference { return slices.Clone(references) }

// ReferenceByID finds a table.
func ReferenceByID(id string) (*Reference, bool) {
	for i := range references {
		if references[i].ID == id {
			return &references[i], true
		}
	}
	return nil, false
}

// number is a constant with how it is known.
type number struct {
	value             float64
	unit, how, source string
	note              string
}

type band struct {
	name     string
	from, to float64 // percentiles; to is excluded
	words    string
	how      string
	source   string
}

type threshold struct {
	id, text, population, sex string
	value                     float64 // mL/kg/min
	measuredOnly              bool
	how, source               string
	asPrinted                 string
}

type task struct {
	activity    string
	mets        float64
	how, source string
}

var (
	numbers    = readNumbers("numbers", "responses")
	references = readReferences()
	bands      = readBands()
	thresholds = readThresholds()
	tasks      = readTasks()
	cuts       = readCuts()
	equations  = slices.Concat(readEquations(), readIdealWeight())
)

func readNumbers(files ...string) map[string]number {
	all := map[string]number{}
	for _, file := range files {
		for _, r := range datatable.Rows(tableFiles, file) {
			all[r["id"]] = number{datatable.Number(r["value"]), r["unit"], r["how"], r["source"], r["note"]}
		}
	}
	return all
}

func readReferences() []Reference {
	var all []Reference
	for _, r := range datatable.Rows(tableFiles, "references") {
		all = append(all, Reference{ID: r["id"], Title: r["title"], Kind: r["kind"], Edition: r["edition"], Mode: r["mode"], Unit: r["unit"],
			N: int(datatable.Number(r["n"])), Population: r["population"], How: r["how"], Source: r["source"], Note: r["note"]})
	}
	for _, r := range datatable.Rows(tableFiles, "cells") {
		at := slices.IndexFunc(all, func(t Reference) bool { return t.ID == r["reference"] })
		blocks := &all[at].Blocks
		from, to := int(datatable.Number(r["age_from"])), int(datatable.Number(r["age_to"]))
		if n := len(*blocks); n == 0 || (*blocks)[n-1].Sex != r["sex"] || (*blocks)[n-1].AgeFrom != from {
			*blocks = append(*blocks, Block{Sex: r["sex"], AgeFrom: from, AgeTo: to, N: int(datatable.Number(r["n"]))})
		}
		b := &(*blocks)[len(*blocks)-1]
		c := Cell{Statistic: r["statistic"], Value: datatable.Number(r["value"]), How: r["how"]}
		if all[at].Kind == Percentiles || all[at].Kind == Medians {
			c.Percentile = datatable.Number(strings.TrimPrefix(c.Statistic, "p"))
		}
		b.Cells = append(b.Cells, c)
	}
	return all
}

func readBands() (all []band) {
	for _, r := range datatable.Rows(tableFiles, "bands") {
		all = append(all, band{r["name"], datatable.Number(r["from_percentile"]), datatable.Number(r["to_percentile"]), r["words"], r["how"], r["source"]})
	}
	return all
}

func readThresholds() (all []threshold) {
	for _, r := range datatable.Rows(tableFiles, "thresholds") {
		v := datatable.Number(r["value"])
		printed := r["value"] + " " + r["unit"]
		if r["unit"] == "MET" {
			v *= numbers["met"].value
		}
		all = append(all, threshold{r["id"], r["text"], r["population"], r["sex"], v, r["measured_only"] == "yes", r["how"], r["source"], printed})
	}
	return all
}

func readTasks() (all []task) {
	for _, r := range datatable.Rows(tableFiles, "tasks") {
		all = append(all, task{r["activity"], datatable.Number(r["mets"]), r["how"], r["source"]})
	}
	return all
}

// Data returns a data file of this package, its line of names first: references, cells, bands, equations,
// ideal-weight-equations, thresholds, tasks, recovery-cuts, responses, numbers. It is nil for another name.
func Data(name string) [][]string { return datatable.Records(tableFiles, name) }
