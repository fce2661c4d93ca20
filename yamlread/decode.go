package yamlread

import (
	"encoding"
	"errors"
	"fmt"
	"math"
	"reflect"
	"strconv"
	"strings"
)

// Unmarshaler is a type that reads itself: it may call unmarshal with pointers to the shapes it takes.
type Unmarshaler interface {
	UnmarshalYAML(unmarshal func(any) error) error
}

func decodeInto(f *File, n *node, v any) error {
	target := reflect.ValueOf(v)
	if target.Kind() != reflect.Pointer || target.IsNil() {
		return &Error{f.Name, 1, 1, fmt.Sprintf("the program asked to fill a %T, which is not a pointer", v), ""}
	}
	return decode(f.Name, n, target.Elem())
}

func decode(name string, n *node, to reflect.Value) error {
	if done, err := decodeOwn(name, n, to); done {
		return err
	}
	switch to.Kind() {
	case reflect.Pointer:
		if to.IsNil() {
			to.Set(reflect.New(to.Type().Elem()))
		}
		return decode(name, n, to.Elem())
	case reflect.Struct:
		return decodeStruct(name, n, to)
	case reflect.Map:
		return decodeMap(name, n, to)
	case reflect.Slice:
		return decodeSlice(name, n, to)
	case reflect.Interface:
		if to.NumMethod() == 0 {
			to.Set(reflect.ValueOf(n.plain()))
			return nil
		}
	}
	return decodeScalar(name, n, to)
}

// decodeOwn lets a type read itself.
func decodeOwn(name string, n *node, to reflect.Value) (done bool, err error) {
	if !to.CanAddr() {
		return false, nil
	}
	switch own := to.Addr().Interface().(type) {
	case Unmarshaler:
		err = own.UnmarshalYAML(func(v any) error {
			target := reflect.ValueOf(v)
			if target.Kind() != reflect.Pointer || target.IsNil() {
				return fmt.Errorf("the program asked to fill a %T, which is not a pointer", v)
			}
			return decode(name, n, target.Elem())
		})
	case encoding.TextUnmarshaler:
		if n.kind != scalar {
			return true, n.errorf(name, "write a single value", "%s must be a single value, not %s", n.label(), n.what())
		}
		err = own.UnmarshalText([]byte(n.text))
	default:
		return false, nil
	}
	var placed *Error
	if err == nil || errors.As(err, &placed) {
		return true, err
	}
	msg, hint, _ := strings.Cut(err.Error(), "; ")
	return true, n.errorf(name, hint, "%s: %s", n.label(), msg)
}

func decodeStruct(name string, n *node, to reflect.Value) error {
	if n.kind != mapping {
		return n.errorf(name, "write keys, one a line", "%s must be a group of keys, not %s", n.label(), n.what())
	}
	fields, names := fieldsOf(to.Type())
	for i, key := range n.keys {
		index, known := fields[key]
		if !known {
			return &Error{name, n.keyAt[i][0], n.keyAt[i][1], fmt.Sprintf("unknown key %s", key), nearest(key, names)}
		}
		if err := decode(name, n.items[i], to.FieldByIndex(index)); err != nil {
			return err
		}
	}
	return nil
}

// fieldsOf maps the keys of a struct to its fields, in the order of the fields.
func fieldsOf(t reflect.Type) (index map[string][]int, names []string) {
	index = map[string][]int{}
	for i := range t.NumField() {
		field := t.Field(i)
		key, options, _ := strings.Cut(field.Tag.Get("yaml"), ",")
		if key == "-" || (!field.IsExported() && !field.Anonymous) {
			continue
		}
		if options == "inline" && field.Type.Kind() == reflect.Struct {
			inner, innerNames := fieldsOf(field.Type)
			for _, name := range innerNames {
				index[name] = append([]int{i}, inner[name]...)
			}
			names = append(names, innerNames...)
			continue
		}
		if key == "" {
			key = strings.ToLower(field.Name)
		}
		index[key] = []int{i}
		names = append(names, key)
	}
	return index, names
}

func decodeMap(name string, n *node, to reflect.Value) error {
	if n.kind != mapping {
		return n.errorf(name, "write keys, one a line", "%s must be a group of keys, not %s", n.label(), n.what())
	}
	t := to.Type()
	if t.Key().Kind() != reflect.String {
		return n.errorf(name, "", "the program asked for %s, whose keys are not words", t)
	}
	m := reflect.MakeMapWithSize(t, len(n.keys))
	for i, key := range n.keys {
		item := reflect.New(t.Elem()).Elem()
		if err := decode(name, n.items[i], item); err != nil {
			return err
		}
		m.SetMapIndex(reflect.ValueOf(key).Convert(t.Key()), item)
	}
	to.Set(m)
	return nil
}

func decodeSlice(name string, n *node, to reflect.Value) error {
	if n.kind != sequence {
		return n.errorf(name, "write [a, b] or one - item a line", "%s must be a list, not %s", n.label(), n.what())
	}
	s := reflect.MakeSlice(to.Type(), len(n.items), len(n.items))
	for i, item := range n.items {
		if err := decode(name, item, s.Index(i)); err != nil {
			return err
		}
	}
	to.Set(s)
	return nil
}

func decodeScalar(name string, n *node, to reflect.Value) error {
	if n.kind != scalar {
		return n.errorf(name, "write a single value", "%s must be a single value, not %s", n.label(), n.what())
	}
	wrong := func(wanted string) error {
		return n.errorf(name, "", "%s must be %s, not %s", n.label(), wanted, n.what())
	}
	switch to.Kind() {
	case reflect.String:
		to.SetString(n.text)
	case reflect.Bool:
		if n.quoted || (n.text != "true" && n.text != "false") {
			return wrong("true or false")
		}
		to.SetBool(n.text == "true")
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		v, err := strconv.ParseInt(n.text, 10, 64)
		if err != nil || n.quoted || !number.MatchString(n.text) || to.OverflowInt(v) {
			return wrong("a whole number")
		}
		to.SetInt(v)
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		v, err := strconv.ParseUint(n.text, 10, 64)
		if err != nil || n.quoted || !number.MatchString(n.text) || to.OverflowUint(v) {
			return wrong("a whole number, 0 or above")
		}
		to.SetUint(v)
	case reflect.Float32, reflect.Float64:
		v, err := strconv.ParseFloat(n.text, 64)
		if err != nil || n.quoted || !number.MatchString(n.text) || math.IsInf(v, 0) {
			return wrong("a number")
		}
		to.SetFloat(v)
	default:
		return n.errorf(name, "", "the program asked for %s, which a file cannot hold", to.Type())
	}
	return nil
}

// plain is the value as Go's own types: string, bool, float64, []any, map[string]any.
func (n *node) plain() any {
	switch n.kind {
	case mapping:
		m := make(map[string]any, len(n.keys))
		for i, key := range n.keys {
			m[key] = n.items[i].plain()
		}
		return m
	case sequence:
		s := make([]any, len(n.items))
		for i, item := range n.items {
			s[i] = item.plain()
		}
		return s
	}
	switch {
	case n.quoted:
	case n.text == "true" || n.text == "false":
		return n.text == "true"
	case number.MatchString(n.text):
		if v, err := strconv.ParseFloat(n.text, 64); err == nil {
			return v
		}
	}
	return n.text
}
