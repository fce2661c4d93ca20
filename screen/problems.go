package screen

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
)

// Problem is an answer that cannot be right, at its path: rest_sbp_mmhg, drugs[1], clearances[0].role.
type Problem struct{ Path, Msg, Hint string }

func errWord(what, got, allowed string) error {
	return fmt.Errorf("%s %q is not known; write %s", what, got, allowed)
}

// Problems lists the answers that cannot be right: unknown words, numbers out of the limits of the field, dates
// that are none, entries without what they must have.
func Problems(a *Answers) []Problem {
	c := checker{}
	c.group("", shipped().Fields, reflect.ValueOf(a).Elem())
	if a.RestSBPmmHg != nil && a.RestDBPmmHg != nil && *a.RestSBPmmHg <= *a.RestDBPmmHg {
		c.add("rest_dbp_mmhg", fmt.Sprintf("%v is not below rest_sbp_mmhg, %v", *a.RestDBPmmHg, *a.RestSBPmmHg), "check whether the two are swapped")
	}
	if a.GlucoseMgDL != nil && a.GlucoseMmolL != nil {
		c.add("glucose_mmol_l", "is given beside glucose_mg_dl", "give one of the two")
	}
	return c.found
}

type checker struct{ found []Problem }

func (c *checker) add(path, msg, hint string) { c.found = append(c.found, Problem{path, msg, hint}) }

func (c *checker) group(prefix string, fields []Field, v reflect.Value) {
	for i := range v.NumField() {
		name, _, _ := strings.Cut(v.Type().Field(i).Tag.Get("json"), ",")
		f, _ := fieldIn(fields, name)
		c.field(prefix+name, f, v.Field(i))
	}
}

func (c *checker) field(path string, f *Field, v reflect.Value) {
	switch v := v.Interface().(type) {
	case string:
		if v != "" {
			c.word(path, f, v)
		} else if f.Must {
			c.add(path, "is wanting", "write "+lowerFirst(f.Ask))
		}
	case *float64:
		if v != nil {
			c.number(path, f, *v)
		}
	case []string:
		if f.Must && len(v) == 0 {
			c.add(path, "is wanting", "write "+lowerFirst(f.Ask))
		}
		for i, word := range v {
			at := fmt.Sprintf("%s[%d]", path, i)
			c.word(at, f, word)
			if slices.Contains(v[:i], word) {
				c.add(at, fmt.Sprintf("%q is there twice", word), "keep one")
			}
		}
	case *Questionnaire:
		if v != nil {
			c.group(path+".", f.Fields, reflect.ValueOf(v).Elem())
		}
	case []Clear:
		for i := range v {
			c.group(fmt.Sprintf("%s[%d].", path, i), f.Fields, reflect.ValueOf(&v[i]).Elem())
		}
	case []Override:
		for i := range v {
			c.group(fmt.Sprintf("%s[%d].", path, i), f.Fields, reflect.ValueOf(&v[i]).Elem())
		}
	}
}

func (c *checker) word(path string, f *Field, word string) {
	switch f.Type {
	case "yes-no":
		if word != "yes" && word != "no" {
			c.add(path, fmt.Sprintf("%q is not known", word), `write "yes" or "no"`)
		}
	case "word", "words":
		if !f.allows(word) {
			c.add(path, fmt.Sprintf("%q is not known", word), allowedHint(f, word))
		}
	case "date":
		if _, ok := dayOf(word); !ok {
			c.add(path, fmt.Sprintf("%q is not a date", word), "write year-month-day, for example 2026-11-25")
		}
	case "text":
		if strings.TrimSpace(word) == "" {
			c.add(path, "is empty", "write "+lowerFirst(f.Ask))
		}
	}
}

// allowedHint lists the words that may be written, or only the nearest ones where there are many.
func allowedHint(f *Field, word string) string {
	var near, all []string
	for _, w := range f.Words {
		all = append(all, w.Word)
		if len(word) >= 3 && strings.HasPrefix(w.Word, word[:3]) {
			near = append(near, w.Word)
		}
	}
	if len(all) <= 40 {
		return "write " + strings.Join(all, ", ")
	}
	if len(near) > 0 {
		return "perhaps " + strings.Join(near[:min(len(near), 8)], ", ")
	}
	return "see gradus screen --template"
}

func (c *checker) number(path string, f *Field, n float64) {
	switch {
	case math.IsNaN(n) || math.IsInf(n, 0):
		c.add(path, "is not a number", "")
	case n < f.Low:
		c.add(path, fmt.Sprintf("%v %s is below %v", n, f.Unit, f.Low), "check the entry")
	case n > f.High:
		c.add(path, fmt.Sprintf("%v %s is above %v", n, f.Unit, f.High), "check the entry")
	case f.Type == "whole" && n != math.Trunc(n):
		c.add(path, fmt.Sprintf("%v is not a whole number", n), "round it")
	}
}
