package fhir

import (
	_ "embed"
	"encoding/csv"
	"strings"

	"gradus/internal/exchange/ucum"
)

// Code systems. OwnSystem is ours: it says what no public system has a code for, first of all that a value is an
// estimate from a submaximal test.
const (
	OwnSystem      = "urn:uuid:0f6f2b0e-5f0d-4c7a-9a2e-6f1f6a1f9c10"
	loincSystem    = "http://loinc.org"
	ucumSystem     = "http://unitsofmeasure.org"
	categorySystem = "http://terminology.hl7.org/CodeSystem/observation-category"
	absentSystem   = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
	agentSystem    = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
	snomedSystem   = "http://snomed.info/sct"
)

// Code is a line of codes.csv.
type Code struct {
	Kind, System, Code, Display string
	Unit                        string // in UCUM; "" when there is no number
	Also                        []string
	UnitText                    string
	Category                    string
	Rule                        string // of the vital signs profile: hr, bp, …; "" when it is no vital sign
	How, Source                 string
}

//go:embed codes.csv
var codesFile string

// Codes are the codes this program writes and knows, in the order of codes.csv.
var Codes = readCodes()

func readCodes() []Code {
	lines, err := csv.NewReader(strings.NewReader(codesFile)).ReadAll()
	if err != nil {
		panic("fhir: codes.csv: " + err.Error())
	}
	systems := map[string]string{"loinc": loincSystem, "own": OwnSystem}
	var all []Code
	for _, l := range lines[1:] {
		c := Code{l[0], systems[l[1]], l[2], l[3], l[4], strings.Fields(l[5]), l[6], l[7], l[8], l[9], l[10]}
		if _, err := ucum.Parse(c.Unit); c.System == "" || c.Unit != "" && err != nil {
			panic("fhir: codes.csv: " + c.Kind)
		}
		all = append(all, c)
	}
	return all
}

// codeOf is the code of a kind, which must be in the table.
func codeOf(kind string) *Code {
	for i := range Codes {
		if Codes[i].Kind == kind {
			return &Codes[i]
		}
	}
	panic("fhir: no code of kind " + kind)
}

// codesIn are the codings of a concept that the table knows.
func codesIn(concept *object) (all []*Code) {
	for _, coding := range concept.objects("coding") {
		for i := range Codes {
			c := &Codes[i]
			if coding.text("code") == c.Code && (coding.text("system") == c.System || c.System == OwnSystem && coding.text("system") != loincSystem && coding.text("system") != snomedSystem) {
				all = append(all, c)
			}
		}
	}
	return all
}
