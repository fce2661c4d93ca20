package screen

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"gradus/yamlread"
)

// MaxBytes bounds a file of answers.
const MaxBytes = 256 << 10

const maxDepth = 8

// Read takes the answers of a visit from JSON as [Template] prints it. Keys that begin with // are explanations
// and are passed over; null is not answered. Unknown and doubled keys, wrong types and values that cannot be right
// are refused: every error is a *yamlread.Error with file, line, column and what to do.
func Read(name string, data []byte) (*Answers, []error) {
	r := reader{name: name, data: data, dec: json.NewDecoder(bytes.NewReader(data)), at: map[string]int{}}
	if len(data) > MaxBytes {
		return nil, []error{r.fault(0, fmt.Sprintf("the file has %d bytes, more than %d", len(data), MaxBytes), "it is no file of answers")}
	}
	if i := invalidUTF8(data); i >= 0 {
		return nil, []error{r.fault(i, "this is not UTF-8 text", "save the file as UTF-8")}
	}
	r.dec.UseNumber()
	root, err := r.node(0)
	if err == nil {
		err = r.end()
	}
	if err != nil {
		return nil, []error{err}
	}
	var a Answers
	r.group("", root, shipped().Fields, reflect.ValueOf(&a).Elem())
	if len(r.errs) == 0 {
		for _, p := range Problems(&a) {
			r.errs = append(r.errs, r.fault(r.at[p.Path], p.Path+" "+p.Msg, p.Hint))
		}
	}
	if len(r.errs) > 0 {
		return nil, r.errs
	}
	return &a, nil
}

func invalidUTF8(data []byte) int {
	for i := 0; i < len(data); {
		r, size := utf8.DecodeRune(data[i:])
		if r == utf8.RuneError && size == 1 {
			return i
		}
		i += size
	}
	return -1
}

// node is a JSON value with its place.
type node struct {
	at    int
	value any // nil, bool, json.Number, string
	kind  byte
	keys  []string
	keyAt []int
	items []node
}

type reader struct {
	name string
	data []byte
	dec  *json.Decoder
	at   map[string]int // path of a value to its offset
	errs []error
}

func (r *reader) fault(offset int, msg, hint string) error {
	offset = min(max(offset, 0), len(r.data))
	before := r.data[:offset]
	line := bytes.Count(before, []byte("\n")) + 1
	col := utf8.RuneCount(before[bytes.LastIndexByte(before, '\n')+1:]) + 1
	return &yamlread.Error{Name: r.name, Line: line, Col: col, Msg: msg, Hint: hint}
}

// next gives a token and where it begins.
func (r *reader) next() (json.Token, int, error) {
	at := int(r.dec.InputOffset())
	for at < len(r.data) && strings.IndexByte(" \t\r\n,:", r.data[at]) >= 0 {
		at++
	}
	token, err := r.dec.Token()
	if err == nil {
		return token, at, nil
	}
	var syntax *json.SyntaxError
	switch {
	case errors.As(err, &syntax):
		return nil, at, r.fault(at, "this is not JSON ("+syntax.Error()+")", "check quotes, commas and brackets")
	case errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF):
		return nil, at, r.fault(len(r.data), "the text ends too early", "close the brackets")
	}
	return nil, at, r.fault(at, err.Error(), "")
}

func (r *reader) node(depth int) (node, error) {
	token, at, err := r.next()
	if err != nil {
		return node{}, err
	}
	n := node{at: at}
	delim, nested := token.(json.Delim)
	if !nested {
		n.value, n.kind = token, 'v'
		return n, nil
	}
	if depth >= maxDepth {
		return n, r.fault(at, "brackets are nested too deep", "see gradus screen --template")
	}
	n.kind = byte(delim)
	for r.dec.More() {
		if n.kind == '{' {
			key, keyAt, err := r.next()
			if err != nil {
				return n, err
			}
			name, isText := key.(string)
			if !isText {
				return n, r.fault(keyAt, "a key must be text in quotes", "")
			}
			n.keys, n.keyAt = append(n.keys, name), append(n.keyAt, keyAt)
		}
		item, err := r.node(depth + 1)
		if err != nil {
			return n, err
		}
		n.items = append(n.items, item)
	}
	_, _, err = r.next() // the closing bracket
	return n, err
}

// end refuses text after the value.
func (r *reader) end() error {
	at := int(r.dec.InputOffset())
	rest := bytes.TrimLeft(r.data[at:], " \t\r\n")
	if len(rest) > 0 {
		return r.fault(len(r.data)-len(rest), "text after the end", "write one group of answers in a file")
	}
	return nil
}

func (r *reader) refuse(at int, path, msg, hint string) {
	r.errs = append(r.errs, r.fault(at, strings.TrimSpace(path+" "+msg), hint))
}

// group fills a struct from an object.
func (r *reader) group(prefix string, n node, fields []Field, to reflect.Value) {
	if n.kind != '{' {
		r.refuse(n.at, strings.TrimSuffix(prefix, "."), "must be a group of answers in { }, not "+n.what(), "see gradus screen --template")
		return
	}
	for i, key := range n.keys {
		if strings.HasPrefix(key, "//") {
			continue
		}
		f, known := fieldIn(fields, key)
		if !known || strings.Contains(key, ".") {
			r.refuse(n.keyAt[i], "", fmt.Sprintf("unknown field %q", key), nearestField(fields, key))
			continue
		}
		if slices.Contains(n.keys[:i], key) {
			r.refuse(n.keyAt[i], prefix+key, "is there twice", "keep one of the two")
			continue
		}
		r.at[prefix+key] = n.items[i].at
		if n.items[i].value == nil && n.items[i].kind == 'v' {
			continue // null: not answered
		}
		r.field(prefix+key, n.items[i], f, fieldNamed(to, key))
	}
	for _, f := range fields {
		if _, given := r.at[prefix+f.Name]; f.Must && !given {
			r.at[prefix+f.Name] = n.at
		}
	}
}

func fieldNamed(v reflect.Value, key string) reflect.Value {
	for i := range v.NumField() {
		if name, _, _ := strings.Cut(v.Type().Field(i).Tag.Get("json"), ","); name == key {
			return v.Field(i)
		}
	}
	panic("screen: no field " + key)
}

func nearestField(fields []Field, key string) string {
	for _, f := range fields {
		if len(key) >= 4 && (strings.Contains(f.Name, key) || strings.HasPrefix(f.Name, key[:4])) {
			return fmt.Sprintf("perhaps %s", f.Name)
		}
	}
	return "see gradus screen --template"
}

func (r *reader) field(path string, n node, f *Field, to reflect.Value) {
	switch to.Interface().(type) {
	case string:
		text, ok := n.value.(string)
		if !ok {
			r.refuse(n.at, path, fmt.Sprintf("must be %s in quotes, not %s", kindWords[f.Type], n.what()), "null means not answered")
			return
		}
		if text == "" {
			r.refuse(n.at, path, "is empty", "write null when it is not answered")
			return
		}
		to.SetString(text)
	case *float64:
		number, ok := n.value.(json.Number)
		value, err := strconv.ParseFloat(number.String(), 64)
		if !ok || err != nil {
			r.refuse(n.at, path, "must be a number in "+f.Unit+", not "+n.what(), "null means not answered")
			return
		}
		to.Set(reflect.ValueOf(&value))
	case []string:
		r.words(path, n, to)
	case *Questionnaire:
		var q Questionnaire
		r.group(path+".", n, f.Fields, reflect.ValueOf(&q).Elem())
		to.Set(reflect.ValueOf(&q))
	default:
		r.groups(path, n, f, to)
	}
}

var kindWords = map[string]string{"yes-no": `"yes" or "no"`, "word": "a word", "date": "a date", "text": "text"}

func (r *reader) words(path string, n node, to reflect.Value) {
	if n.kind != '[' {
		r.refuse(n.at, path, "must be a list in [ ], not "+n.what(), "[] means none, null not answered")
		return
	}
	words := make([]string, 0, len(n.items))
	for i, item := range n.items {
		at := fmt.Sprintf("%s[%d]", path, i)
		r.at[at] = item.at
		word, ok := item.value.(string)
		if !ok || word == "" {
			r.refuse(item.at, at, "must be a word in quotes, not "+item.what(), "")
			return
		}
		words = append(words, word)
	}
	to.Set(reflect.ValueOf(words))
}

func (r *reader) groups(path string, n node, f *Field, to reflect.Value) {
	if n.kind != '[' {
		r.refuse(n.at, path, "must be a list of groups in [ ], not "+n.what(), "null or [] means none")
		return
	}
	list := reflect.MakeSlice(to.Type(), len(n.items), len(n.items))
	for i, item := range n.items {
		r.group(fmt.Sprintf("%s[%d].", path, i), item, f.Fields, list.Index(i))
	}
	to.Set(list)
}

// what names a value for an error.
func (n node) what() string {
	switch v := n.value.(type) {
	case string:
		return fmt.Sprintf("%.40q", v)
	case json.Number:
		return "the number " + v.String()
	case bool:
		return fmt.Sprint(v)
	}
	switch n.kind {
	case '{':
		return "a group"
	case '[':
		return "a list"
	}
	return "null"
}
