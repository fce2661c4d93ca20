// Package eventfile reads and writes the events of a test as a file: one event a line, as JSON.
//
// Reading is strict, because a misread event would change what a test was: unknown and doubled keys, wrong
// types and text after the event are faults, named with file, line and column. Blank lines are passed over.
// Whether an event makes sense in its test is for package conduct to say.
package eventfile

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"unicode/utf8"

	"gradus/conduct"
)

// Limits of a file; a test has a few hundred events.
const (
	MaxLine   = 64 << 10
	MaxEvents = 100_000
	maxFaults = 20 // after which reading stops
)

// Error is a fault in a file, at a place (lines and columns count from 1).
type Error struct {
	Name      string
	Line, Col int
	Msg, Hint string
}

func (e *Error) Error() string {
	text := fmt.Sprintf("%s:%d:%d: %s", e.Name, e.Line, e.Col, e.Msg)
	if e.Hint != "" {
		text += "; " + e.Hint
	}
	return text
}

// List is the events of a file in its order, each with its line.
type List struct {
	Events []conduct.Event
	Lines  []int
}

// Began returns the event with which the test begins, or nil.
func (l *List) Began() *conduct.Begin {
	for i := range l.Events {
		if e := &l.Events[i]; e.Kind == conduct.Began && e.Begin != nil {
			return e.Begin
		}
	}
	return nil
}

// Read reads events; name stands in messages. Every fault is an *Error; events of sound lines are returned
// besides.
func Read(name string, from io.Reader) (*List, []error) {
	r := &reader{name: name, in: bufio.NewReaderSize(from, MaxLine)}
	for r.next() {
		r.line()
	}
	if len(r.faults) == 0 && len(r.list.Events) == 0 {
		r.fault(1, "the file holds no event", "write one event a line, as JSON")
	}
	return &r.list, r.faults
}

type reader struct {
	name   string
	in     *bufio.Reader
	list   List
	faults []error
	text   []byte
	n      int // line
	ended  bool
}

func (r *reader) fault(col int, msg, hint string) {
	r.faults = append(r.faults, &Error{r.name, max(r.n, 1), col, msg, hint})
}

// next brings the next line.
func (r *reader) next() bool {
	if r.ended || len(r.faults) >= maxFaults {
		return false
	}
	text, err := r.in.ReadSlice('\n')
	r.n++
	switch {
	case errors.Is(err, bufio.ErrBufferFull):
		r.fault(1, fmt.Sprintf("the line is longer than %d bytes", MaxLine), "write one event a line")
		r.ended = true
		return false
	case errors.Is(err, io.EOF):
		r.ended = true
	case err != nil:
		r.fault(1, err.Error(), "check the file")
		r.ended = true
		return false
	}
	r.text = bytes.TrimRight(text, "\r\n")
	if r.n == 1 {
		r.text = bytes.TrimPrefix(r.text, []byte("\xef\xbb\xbf"))
	}
	return true
}

// line reads one event.
func (r *reader) line() {
	if len(bytes.TrimSpace(r.text)) == 0 {
		return
	}
	if len(r.list.Events) == MaxEvents {
		r.fault(1, fmt.Sprintf("there are more than %d events", MaxEvents), "a test has a few hundred; is this one test?")
		r.ended = true
		return
	}
	if !utf8.Valid(r.text) {
		r.fault(1, "this is not UTF-8 text", "save the file as UTF-8")
		return
	}
	if key, at := doubled(r.text); key != "" {
		r.fault(at, fmt.Sprintf("key %q appears twice", key), "keep one of the two")
		return
	}
	var e conduct.Event
	if err := strict(r.text, &e); err != nil {
		col, msg, hint := explain(r.text, err)
		r.fault(col, msg, hint)
		return
	}
	if e.Kind == conduct.NoKind {
		r.fault(1, "the event has no kind", `write "kind":"reading" or another`)
		return
	}
	r.list.Events = append(r.list.Events, e)
	r.list.Lines = append(r.list.Lines, r.n)
}

// strict decodes one value and nothing after it.
func strict(text []byte, to any) error {
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(to); err != nil {
		return err
	}
	if rest := bytes.TrimSpace(text[d.InputOffset():]); len(rest) > 0 {
		return &trailing{int(d.InputOffset())}
	}
	return nil
}

type trailing struct{ at int }

func (t *trailing) Error() string { return "there is text after the event" }

// explain finds the place of a fault and says it in plain words.
func explain(text []byte, err error) (col int, msg, hint string) {
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	var rest *trailing
	switch {
	case errors.As(err, &rest):
		return rest.at + 1, rest.Error(), "write one event a line"
	case errors.Is(err, io.ErrUnexpectedEOF):
		return len(text), "the event is cut off", "was the file written to its end?"
	case errors.As(err, &syntax):
		return max(int(syntax.Offset), 1), "this is not JSON: " + strings.TrimPrefix(syntax.Error(), "json: "), "write one event a line, as JSON"
	case errors.As(err, &kind):
		return column(text, kind.Field), fmt.Sprintf("%s must not be a %s", kind.Field, kind.Value), "see the list of keys of an event"
	}
	msg = strings.TrimPrefix(err.Error(), "json: ")
	if name, ok := strings.CutPrefix(msg, "unknown field "); ok {
		return column(text, strings.Trim(name, `"`)), "unknown key " + name, "see the list of keys of an event"
	}
	msg, hint, _ = strings.Cut(msg, "; ")
	return column(text, culprit(text, &conduct.Event{})), msg, hint
}

// culprit is the key whose value cannot be read, by reading them one at a time.
func culprit(text []byte, to any) string {
	var keys map[string]json.RawMessage
	if json.Unmarshal(text, &keys) != nil {
		return ""
	}
	order := slices.Collect(maps.Keys(keys))
	slices.SortFunc(order, func(a, b string) int { return column(text, a) - column(text, b) })
	for _, key := range order {
		value := keys[key]
		one, err := json.Marshal(map[string]json.RawMessage{key: value})
		if err != nil || json.Unmarshal(one, to) == nil {
			continue
		}
		inner := ""
		switch key {
		case "begin":
			inner = culprit(value, &conduct.Begin{})
		case "inputs":
			inner = culprit(value, &conduct.Inputs{})
		}
		if inner != "" {
			return inner
		}
		return key
	}
	return ""
}

// column is where a key stands in a line; 1 when it is not found.
func column(text []byte, field string) int {
	if i := strings.LastIndexByte(field, '.'); i >= 0 {
		field = field[i+1:]
	}
	if i := bytes.Index(text, []byte(`"`+field+`"`)); field != "" && i >= 0 {
		return i + 1
	}
	return 1
}

// doubled finds a key that appears twice in the same object; at is its column.
func doubled(text []byte) (key string, at int) {
	d := json.NewDecoder(bytes.NewReader(text))
	type level struct {
		seen  map[string]bool // nil in a list
		isKey bool
	}
	var open []level
	for {
		token, err := d.Token()
		if err != nil {
			return "", 0 // the end, or a fault that the decoder will name
		}
		top := len(open) - 1
		if word, ok := token.(string); ok && top >= 0 && open[top].isKey {
			if open[top].seen[word] {
				return word, max(int(d.InputOffset())-len(word)-1, 1)
			}
			open[top].seen[word], open[top].isKey = true, false
			continue
		}
		switch token {
		case json.Delim('{'):
			open = append(open, level{map[string]bool{}, true})
			continue
		case json.Delim('['):
			open = append(open, level{})
			continue
		case json.Delim('}'), json.Delim(']'):
			open = open[:top]
			top--
		}
		if top >= 0 && open[top].seen != nil {
			open[top].isKey = true
		}
	}
}

// Write writes events, one a line.
func Write(to io.Writer, events []conduct.Event) error {
	out := bufio.NewWriter(to)
	for i := range events {
		line, err := json.Marshal(&events[i])
		if err != nil {
			return err
		}
		line = append(line, '\n')
		if _, err := out.Write(line); err != nil {
			return err
		}
	}
	return out.Flush()
}
