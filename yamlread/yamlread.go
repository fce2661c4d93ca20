// Package yamlread reads the data files of the trade, protocols and estimators, which people write by hand.
//
// It takes a small, unsurprising part of YAML and refuses the rest, because a misread number in such a file
// reaches a patient: no anchors, aliases, tags, merge keys, leading zeros, empty values, unknown or doubled
// keys, and no file above [MaxBytes]. Every error says file, line and column, and how to put it right.
//
// [Decode] fills Go values; the [File] it returns finds the place of any value again, for the checks that
// come later.
package yamlread

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// Limits of a file: large enough for any hand-written one.
const (
	MaxBytes = 256 << 10
	// MaxLines keeps a file whose every line is a key from taking the parser seconds.
	MaxLines = 10_000
	MaxDepth = 32
	// scanDepth bounds brackets before the text reaches the parser, which recurses; brackets within quoted
	// text count too, so it is wider than MaxDepth.
	scanDepth = 4 * MaxDepth
)

// Error is a fault in a file, at a place (lines and columns count from 1).
type Error struct {
	Name      string
	Line, Col int
	Msg       string
	Hint      string // what to do; may be empty
}

// Error gives name:line:col: message; hint.
func (e *Error) Error() string {
	s := fmt.Sprintf("%s:%d:%d: %s", e.Name, e.Line, e.Col, e.Msg)
	if e.Hint != "" {
		s += "; " + e.Hint
	}
	return s
}

// File is a file that has been read; it knows the place of each value.
type File struct {
	Name string
	root *node
}

// Scalar is a single value of a file with its place. Value is the text as a reader understands it: without
// quotes, escapes resolved.
type Scalar struct {
	Path, Value string
	Line, Col   int
}

// Decode reads data, one YAML document, and fills v, a pointer to a struct, map, slice or scalar; a nil v
// only checks the text. Struct fields are named by the tag `yaml:"name"` (else by the lower-case name);
// `yaml:"-"` leaves a field out and `yaml:",inline"` takes the keys of an embedded struct. Types may
// implement [Unmarshaler] or encoding.TextUnmarshaler. An error is always an *Error. It never panics.
func Decode(name string, data []byte, v any) (f *File, err error) {
	defer func() {
		if r := recover(); r != nil {
			f, err = nil, &Error{name, 1, 1, fmt.Sprintf("this text cannot be read (%v)", r), "simplify it"}
		}
	}()
	text, err := clean(name, data)
	if err != nil {
		return nil, err
	}
	root, err := parse(name, text)
	if err != nil {
		return nil, err
	}
	f = &File{name, root}
	if v == nil {
		return f, nil
	}
	if err := decodeInto(f, root, v); err != nil {
		return nil, err
	}
	return f, nil
}

// clean refuses what is not text and gives it plain line ends.
func clean(name string, data []byte) ([]byte, error) {
	if len(data) > MaxBytes {
		return nil, &Error{name, 1, 1, fmt.Sprintf("the file has %d bytes, more than %d", len(data), MaxBytes), "split it"}
	}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	data = bytes.ReplaceAll(data, []byte("\r\n"), []byte("\n"))
	if n := bytes.Count(data, []byte("\n")); n > MaxLines {
		return nil, &Error{name, MaxLines + 1, 1, fmt.Sprintf("the file has %d lines, more than %d", n, MaxLines), "split it"}
	}
	line, col, depth := 1, 1, 0
	for i := 0; i < len(data); {
		r, size := utf8.DecodeRune(data[i:])
		fault := func(msg, hint string) ([]byte, error) { return nil, &Error{name, line, col, msg, hint} }
		switch {
		case r == utf8.RuneError && size == 1:
			return fault("this is not UTF-8 text", "save the file as UTF-8")
		case r < ' ' && r != '\n' && r != '\t', r == 0x7f, r == 0x85, r == 0x2028, r == 0x2029, r == 0xfeff:
			return fault(fmt.Sprintf("control character %U", r), "remove it")
		case r == '[' || r == '{':
			depth++
		case (r == ']' || r == '}') && depth > 0:
			depth--
		}
		if depth > scanDepth {
			return fault("brackets are nested too deep", fmt.Sprintf("use at most %d levels", MaxDepth))
		}
		if col == 1 && markers(data[i:]) > MaxDepth {
			return fault("lists are nested too deep", fmt.Sprintf("use at most %d levels", MaxDepth))
		}
		i, col = i+size, col+1
		if r == '\n' {
			line, col = line+1, 1
		}
	}
	return data, nil
}

// markers counts the "- " and "? " that open a line.
func markers(line []byte) (n int) {
	for _, c := range line {
		switch c {
		case '-', '?':
			n++
		case ' ', '\t':
		default:
			return n
		}
	}
	return n
}

// parse turns text into our own tree, refusing the parts of YAML that mislead.
func parse(name string, text []byte) (*node, error) {
	tree, err := parser.ParseBytes(text, 0)
	if err != nil {
		return nil, syntaxError(name, err)
	}
	var body ast.Node
	for _, doc := range tree.Docs {
		if doc.Body == nil {
			continue
		}
		if directive, ok := body.(*ast.DirectiveNode); ok {
			return nil, errorAt(name, directive.GetToken(), "directives (%) are not taken", "remove the line")
		}
		if body != nil {
			at := doc.Body.GetToken()
			return nil, errorAt(name, at, "a second document begins", "write one document in a file")
		}
		body = doc.Body
	}
	if body == nil {
		return nil, &Error{name, 1, 1, "the file is empty", "write at least one key"}
	}
	b := builder{name: name}
	return b.build(body, "", 0)
}

// syntaxError keeps place and message of the parser's error and drops its picture of the source.
func syntaxError(name string, err error) *Error {
	var placed interface {
		GetToken() *token.Token
		GetMessage() string
	}
	if !errors.As(err, &placed) {
		msg, _, _ := strings.Cut(err.Error(), "\n")
		return &Error{name, 1, 1, msg, ""}
	}
	msg, hint := placed.GetMessage(), ""
	if strings.Contains(msg, "already defined") {
		hint = "keep one of the two"
	}
	return errorAt(name, placed.GetToken(), msg, hint)
}

func errorAt(name string, at *token.Token, msg, hint string) *Error {
	line, col := place(at)
	return &Error{name, line, col, msg, hint}
}

// place is where a token begins; 1:1 if it has no place.
func place(at *token.Token) (line, col int) {
	if at == nil || at.Position == nil {
		return 1, 1
	}
	return max(at.Position.Line, 1), max(at.Position.Column, 1)
}

// Pos returns the place of a value by its path, such as parts[0].work.w, or of its nearest ancestor that
// exists. A single value is found at the value, a list or a map at its key.
func (f *File) Pos(path string) (line, col int) {
	n := f.root.find(path)
	return n.line, n.col
}

// Has says whether the file holds a value at path.
func (f *File) Has(path string) bool { return f.root.find(path).path == path }

// Errorf makes an error at the place of path. A hint may follow the message after "; ".
func (f *File) Errorf(path, format string, args ...any) *Error {
	msg, hint, _ := strings.Cut(fmt.Sprintf(format, args...), "; ")
	line, col := f.Pos(path)
	return &Error{f.Name, line, col, msg, hint}
}

// Scalars lists all single values in file order.
func (f *File) Scalars() []Scalar {
	var all []Scalar
	f.root.walk(func(n *node) {
		if n.kind == scalar {
			all = append(all, Scalar{n.path, n.text, n.line, n.col})
		}
	})
	return all
}
