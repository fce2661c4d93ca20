// Package mapping reads wide tables, one row for each test, as other programs and surveys write them: a mapping, a
// strict YAML file, says which columns become the person, the stages with their readings, and the end of a test.
// Each row becomes the events of package conduct, is replayed by the protocol it names and judged like any other
// test; no rule of a test is written here.
//
// Shipped mappings lie in library; `gradus score TABLE.csv --mapping NAME` reads one of them or a file.
package mapping

import (
	"embed"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"

	"gradus/protocol"
	"gradus/yamlread"
)

// Format is the version of the mapping files that this package reads.
const Format = "gradus-mapping/1"

//go:embed library/*.yaml
var files embed.FS

// Mapping says how the columns of a table become tests.
type Mapping struct {
	Format  string `yaml:"format"`
	ID      string `yaml:"id"`
	Version string `yaml:"version"`
	Title   string `yaml:"title"`
	Source  string `yaml:"source"`

	Test     string           `yaml:"test"`     // the column of the test's id
	Protocol Chosen           `yaml:"protocol"` // which protocol a row was run by
	Person   map[string]Value `yaml:"person"`   // by input of the conductor
	Stages   []Stage          `yaml:"stages"`
	After    []Reading        `yaml:"after"`
	Stop     *Stop            `yaml:"stop"`
	Official *Official        `yaml:"official"`
	Carry    []string         `yaml:"carry"` // columns that pass through

	// Of a clinic's own table, instead of test, person, stages and what follows them.
	Rows     string           `yaml:"rows"`     // what a row is: test or reading
	Sheet    string           `yaml:"sheet"`    // of an XLSX file; "" the first
	Head     int              `yaml:"head"`     // row of the headings; 0: the first that is filled
	Dates    string           `yaml:"dates"`    // ymd, dmy or mdy; "": only days that can be read in one way
	Decimal  string           `yaml:"decimal"`  // point or comma; "": only numbers that can be read in one way
	Columns  map[string]Value `yaml:"columns"`  // by column of a data sheet
	Readings []Moment         `yaml:"readings"` // with rows: test
}

// Chosen is a column whose words name protocols, or one protocol for all rows (Is).
type Chosen struct {
	Is      string            `yaml:"is"`
	Column  string            `yaml:"column"`
	Words   map[string]string `yaml:"words"`
	Missing string            `yaml:"missing"` // why a row without one has no result
}

// Value is a column of a number, or of words.
type Value struct {
	Column string            `yaml:"column"`
	Words  map[string]string `yaml:"words"`
}

// Reading names the columns of a moment. Minutes is the time spent since the moment before; without a number there
// the plan's time counts.
type Reading struct {
	Minutes   string `yaml:"minutes"`
	HeartRate string `yaml:"heart_rate"`
	RPE       string `yaml:"rpe"`
	SBP       string `yaml:"sbp"`
	DBP       string `yaml:"dbp"`
	SpO2      string `yaml:"spo2"`
}

// Stage is a part of the protocol with the columns of its end.
type Stage struct {
	Part    string `yaml:"part"`
	Work    string `yaml:"work"` // in the unit of the part; without it as planned
	Reading `yaml:",inline"`
}

// Stop is a column of letters, each a reason to stop.
type Stop struct {
	Column  string            `yaml:"column"`
	Letters map[string]Reason `yaml:"letters"`
}

// Reason is the code of a reason and what the table means by it.
type Reason struct {
	Code string `yaml:"code"`
	Text string `yaml:"text"`
}

// Official says which rows have an estimate by whoever made the table, and in which column. Rows without one get no
// estimate here either, but the reason.
type Official struct {
	Column  string   `yaml:"column"`
	Words   []string `yaml:"words"`
	Missing string   `yaml:"missing"`
	Value   string   `yaml:"value"`
	Within  float64  `yaml:"within"` // how far our value may lie from it, in its unit
}

// IDs lists the shipped mappings.
func IDs() []string {
	names, err := fs.Glob(files, "library/*.yaml")
	if err != nil {
		panic("mapping: " + err.Error())
	}
	for i, name := range names {
		names[i] = strings.TrimSuffix(strings.TrimPrefix(name, "library/"), ".yaml")
	}
	return names
}

// Load reads a shipped mapping by its id, or a file whose name ends in .yaml.
func Load(name string) (*Mapping, error) {
	if strings.HasSuffix(name, ".yaml") {
		data, err := os.ReadFile(name)
		if err != nil {
			return nil, err
		}
		return Read(name, data)
	}
	if slices.Contains(IDs(), name) {
		data, err := files.ReadFile("library/" + name + ".yaml")
		if err != nil {
			return nil, err
		}
		return Read(name+".yaml", data)
	}
	return nil, fmt.Errorf("no mapping is called %q; known: %s; or name a file that ends in .yaml", name, strings.Join(IDs(), ", "))
}

// Read reads a mapping. The error names line and column.
func Read(name string, data []byte) (*Mapping, error) {
	m := &Mapping{}
	file, err := yamlread.Decode(name, data, m)
	if err != nil {
		return nil, err
	}
	if path, msg := m.fault(); msg != "" {
		return nil, file.Errorf(path, "%s %s", path, msg)
	}
	return m, nil
}

// inputs are the facts about a person that a mapping can fill.
var inputs = []string{"age_years", "sex", "mass_kg", "height_cm", "rest_hr_bpm", "rest_sbp_mmhg", "rest_dbp_mmhg", "max_hr_bpm",
	"rate_limiting_drug", "rhythm", "target_cadence_per_min"}

func (m *Mapping) fault() (path, msg string) {
	switch {
	case m.Format != Format:
		return "format", "is not known; write " + Format
	case m.ID == "" || m.Version == "" || m.Title == "" || m.Source == "":
		return "id", "id, version, title or source is missing; write all four"
	case m.Clinic() && (m.Protocol.Is == "") == (m.Protocol.Column == ""):
		return "protocol", "needs a column, or `is` with one protocol for all rows; write one of the two"
	case m.Clinic():
		return m.clinicFault()
	case m.Test == "":
		return "test", "is missing; name the column of the test's id"
	case (m.Protocol.Is == "") == (m.Protocol.Column == ""):
		return "protocol", "needs a column, or `is` with one protocol for all rows; write one of the two"
	case m.Protocol.Column != "" && (len(m.Protocol.Words) == 0 || m.Protocol.Missing == ""):
		return "protocol", "needs words and missing; say which word is which protocol, and why a row without one has no result"
	case len(m.Stages) == 0:
		return "stages", "is missing; list the parts and the columns of their readings"
	}
	for name, v := range m.Person {
		if !slices.Contains(inputs, name) {
			return "person." + name, "is no input; known are " + strings.Join(inputs, ", ")
		}
		if v.Column == "" {
			return "person." + name, "names no column; write {column: …}"
		}
	}
	for i, s := range m.Stages {
		if s.Part == "" || s.HeartRate == "" && s.Minutes == "" {
			return fmt.Sprintf("stages[%d]", i), "needs part, and minutes or heart_rate; else it cannot be seen whether it was begun"
		}
	}
	if m.Stop != nil {
		for letter, r := range m.Stop.Letters {
			if _, known := protocol.ReasonOf(r.Code); !known || r.Text == "" || len(letter) != 1 {
				return "stop.letters." + letter, "needs one letter, a known code and a text; codes are " + codes()
			}
		}
	}
	if o := m.Official; o != nil && (o.Column == "" || len(o.Words) == 0 || o.Missing == "" || o.Value != "" && !(o.Within > 0)) {
		return "official", "needs column, words and missing; with value also within"
	}
	return "", ""
}

func codes() string {
	var all []string
	for _, r := range protocol.Reasons {
		all = append(all, r.Code)
	}
	return strings.Join(all, ", ")
}
