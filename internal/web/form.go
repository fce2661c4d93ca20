package web

import (
	"fmt"
	"net/http"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// form is a form as it is shown: with what was entered and with what is wrong, so that nothing is lost.
type form struct {
	Fields  []field
	Faults  []faultLine // in the order of the fields
	General string      // a fault of the form as a whole
}

// faultLine says which field is wrong, what, and what to do.
type faultLine struct{ Name, Label, Text string }

// field is one entry. Its label, unit and help are texts named after it.
type field struct {
	Name    string
	Prefix  string // of its place in the page, where another form has a field of the same name
	Kind    string // text, number, date, choice, many, area or tick
	Value   string
	Values  []string // of kind many
	Options []option
	Most    int // characters
	Fault   string
	Need    bool
	Hidden  bool // not asked in this form: it keeps its value
	Fixed   bool // not asked: an account is signed in, and what is entered is by it
}

// signers are the fields that ask who enters something. Whoever else is named on a page (who cleared a person, who wore the
// belt of a control run) is entered as it is.
var signers = []string{"by", "n_by", "entered_by", "paper_by", "merge_by", "reassign_by", "bring_by", "compared_by"}

// signerOf is the name of the account that is signed in; "" where nobody signs in by name, and names are typed.
func signerOf(r *http.Request) string {
	who := visitorOf(r).who
	if who.Account == 0 {
		return ""
	}
	return or(who.Name, say("trail.account", strconv.FormatInt(who.Account, 10)))
}

// signFields puts a name into the fields of every form of a page that ask who enters it. depth ends the search in what a
// page holds beside its forms.
func signFields(v reflect.Value, name string, depth int) {
	if depth == 0 {
		return
	}
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		if !v.IsNil() {
			signFields(v.Elem(), name, depth-1)
		}
	case reflect.Slice:
		if fields, ok := v.Interface().([]field); ok {
			for i := range fields {
				if slices.Contains(signers, fields[i].Name) {
					fields[i].Value, fields[i].Fixed = name, true
				}
			}
			return
		}
		for i := range v.Len() {
			signFields(v.Index(i), name, depth-1)
		}
	case reflect.Struct:
		if v.Type().PkgPath() != reflect.TypeFor[field]().PkgPath() {
			return
		}
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				signFields(v.Field(i), name, depth-1)
			}
		}
	}
}

type option struct{ Value, Label string }

// ID is its place in the page.
func (f field) ID() string { return f.Prefix + f.Name }

// Label is the field's name for a person.
func (f field) Label() string { return say("field." + f.Name) }

// Unit is what its number is in; "" for others.
func (f field) Unit() string { return english["field."+f.Name+".unit"] }

// Help says what to enter, or nothing.
func (f field) Help() string { return english["field."+f.Name+".help"] }

// Has reports whether a choice is taken.
func (f field) Has(value string) bool {
	if f.Kind == "many" {
		for _, v := range f.Values {
			if v == value {
				return true
			}
		}
		return false
	}
	return f.Value == value
}

func textField(name, value string, most int) field {
	return field{Name: name, Kind: "text", Value: value, Most: most}
}

// choiceField offers words; their texts are named after field and word.
func choiceField(name, value string, words ...string) field {
	f := field{Name: name, Kind: "choice", Value: value}
	for _, w := range words {
		f.Options = append(f.Options, option{w, optionText(name, w)})
	}
	return f
}

func optionText(name, word string) string {
	return or(english["field."+name+"="+word], word)
}

// at returns a field by name. The forms are written in this package, so it is there.
func (f *form) at(name string) *field {
	for i := range f.Fields {
		if f.Fields[i].Name == name {
			return &f.Fields[i]
		}
	}
	panic("web: no field " + name)
}

// Field is at for the pages.
func (f form) Field(name string) field { return *f.at(name) }

// Within are the fields in a place of their own, for pages with several forms.
func (f form) Within(place any) []field {
	fields := slices.Clone(f.Fields)
	for i := range fields {
		fields[i].Prefix = fmt.Sprint(place, "-")
	}
	return fields
}

// Filled reports whether any of the named fields has something in it, or a fault.
func (f form) Filled(names ...string) bool {
	return slices.ContainsFunc(names, func(name string) bool {
		e := f.at(name)
		return e.Value != "" || len(e.Values) > 0 || e.Fault != ""
	})
}

// take fills the fields with what was sent.
func (f *form) take(r *http.Request) {
	for i := range f.Fields {
		e := &f.Fields[i]
		if e.Hidden {
			continue
		}
		if name := signerOf(r); name != "" && slices.Contains(signers, e.Name) {
			e.Value = name
			continue
		}
		switch e.Kind {
		case "many":
			e.Values = r.PostForm[e.Name]
		default:
			e.Value = strings.TrimSpace(r.PostForm.Get(e.Name))
		}
		if !utf8.ValidString(e.Value) {
			e.Value = strings.ToValidUTF8(e.Value, "")
		}
		if e.Most > 0 && utf8.RuneCountInString(e.Value) > e.Most {
			f.fault(e.Name, say("form.long", e.Most))
		}
		if e.Kind == "choice" && !e.offers(e.Value) || e.Kind == "many" && !e.offersAll() {
			f.fault(e.Name, say("form.word"))
		}
	}
}

func (f *field) offers(value string) bool {
	for _, o := range f.Options {
		if o.Value == value {
			return true
		}
	}
	return value == "" && !f.Need
}

func (f *field) offersAll() bool {
	for _, v := range f.Values {
		if !f.offers(v) {
			return false
		}
	}
	return true
}

func (f *form) text(name string) string { return f.at(name).Value }

// number reads a number with a point or a comma; 0 when nothing was entered.
func (f *form) number(name string) float64 {
	text := f.text(name)
	if text == "" {
		return 0
	}
	v, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
	if err != nil || v != v || v > 1e9 || v < -1e9 {
		f.fault(name, say("form.number", text))
		return 0
	}
	if v == 0 {
		f.fault(name, say("form.zero"))
	}
	return v
}

// fault notes what is wrong with a field; the first word on it stands.
func (f *form) fault(name, text string) {
	e := f.at(name)
	if e.Fault != "" {
		return
	}
	e.Fault = text
	f.Faults = append(f.Faults, faultLine{name, e.Label(), text})
}

// signed notes a form that was not written for this browser.
func (f *form) signed(ok bool) {
	if !ok {
		f.General = say("form.unsigned")
	}
}

func (f *form) bad() bool { return len(f.Faults) > 0 || f.General != "" }
