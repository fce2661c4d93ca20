package fhir

import (
	_ "embed"
	"regexp"
	"strings"
	"sync"
)

// r4File is the structure of all R4 resources and data types: what the published JSON schema of FHIR 4.0.1 says, without its
// texts. A line that begins in the first column names a type; each indented line is an element of it, * for a list,
// ! where the schema demands it, then its type and, where they are fixed, its codes. A test compares it with the schema.
//
//go:embed r4.txt
var r4File string

// requiredFile lists simple elements that the standard demands and the schema cannot, because a simple element may
// stand as an extension alone.
//
//go:embed required.csv
var requiredFile string

// element is an element of a type.
type element struct {
	name, of string
	list     bool
	required bool
	codes    []string
	choice   string // what it is one of: effective of effectiveDateTime; ""
}

// kind is a resource or data type.
type kind struct {
	elements map[string]*element
	order    []*element
}

// primitives are the simple types with the pattern of their text.
var primitives = map[string]*regexp.Regexp{
	"boolean": nil, "integer": nil, "decimal": nil, "unsignedInt": nil, "positiveInt": nil, "xhtml": nil,
	"string": regexp.MustCompile(`^[ \r\n\t\S]+$`), "markdown": regexp.MustCompile(`^[ \r\n\t\S]+$`),
	"uri": regexp.MustCompile(`^\S+$`), "url": regexp.MustCompile(`^\S+$`), "canonical": regexp.MustCompile(`^\S+$`),
	"code": regexp.MustCompile(`^[^\s]+(\s[^\s]+)*$`), "id": regexp.MustCompile(`^[A-Za-z0-9\-.]{1,64}$`),
	"oid":          regexp.MustCompile(`^urn:oid:[0-2](\.(0|[1-9][0-9]*))+$`),
	"uuid":         regexp.MustCompile(`^urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$`),
	"base64Binary": regexp.MustCompile(`^[0-9A-Za-z+/\s]*={0,2}\s*$`),
	"date":         regexp.MustCompile(`^` + year + `(-` + month + `(-` + dayOf + `)?)?$`),
	"dateTime":     regexp.MustCompile(`^` + year + `(-` + month + `(-` + dayOf + `(T` + clock + zone + `)?)?)?$`),
	"instant":      regexp.MustCompile(`^` + year + `-` + month + `-` + dayOf + `T` + clock + zone + `$`),
	"time":         regexp.MustCompile(`^` + clock + `$`),
}

const (
	year  = `([0-9]([0-9]([0-9][1-9]|[1-9]0)|[1-9]00)|[1-9]000)`
	month = `(0[1-9]|1[0-2])`
	dayOf = `(0[1-9]|[1-2][0-9]|3[0-1])`
	clock = `([01][0-9]|2[0-3]):[0-5][0-9]:([0-5][0-9]|60)(\.[0-9]+)?`
	zone  = `(Z|(\+|-)((0[0-9]|1[0-3]):[0-5][0-9]|14:00))`
)

// kinds is the structure, read once when it is first needed.
var kinds = sync.OnceValue(func() map[string]*kind {
	all := map[string]*kind{}
	var now *kind
	for line := range strings.Lines(r4File) {
		line = strings.TrimSuffix(line, "\n")
		if !strings.HasPrefix(line, " ") {
			now = &kind{elements: map[string]*element{}}
			all[line] = now
			continue
		}
		e := readElement(line[1:])
		now.elements[e.name] = e
		now.order = append(now.order, e)
	}
	for _, k := range all {
		findChoices(k, all)
	}
	for _, line := range strings.Split(strings.TrimSpace(requiredFile), "\n")[1:] {
		cells := strings.Split(line, ",")
		all[cells[0]].elements[cells[1]].required = true
	}
	return all
})

func readElement(line string) *element {
	name, of, _ := strings.Cut(line, " ")
	e := &element{of: of}
	if of, codes, fixed := strings.Cut(of, "="); fixed {
		e.of, e.codes = of, strings.Split(codes, "|")
	}
	if strings.HasSuffix(name, "!") {
		name, e.required = name[:len(name)-1], true
	}
	if strings.HasSuffix(name, "*") {
		name, e.list = name[:len(name)-1], true
	}
	e.name = name
	return e
}

// findChoices marks elements of which only one may stand: at least two whose names are one stem and their own types.
func findChoices(k *kind, all map[string]*kind) {
	stems := map[string][]*element{}
	for _, e := range k.order {
		if len(e.of) == 0 || e.list {
			continue
		}
		suffix := strings.ToUpper(e.of[:1]) + e.of[1:]
		if stem := strings.TrimSuffix(e.name, suffix); stem != e.name && stem != "" {
			stems[stem] = append(stems[stem], e)
		}
	}
	for stem, group := range stems {
		if len(group) < 2 {
			continue
		}
		for _, e := range group {
			e.choice = stem
		}
	}
}
