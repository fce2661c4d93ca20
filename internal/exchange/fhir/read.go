package fhir

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
)

// Bounds of what is read.
const (
	MostBytes = 64 << 20 // of a file
	mostDepth = 64       // of values in values
)

// object is a JSON object with its keys in their order.
type object struct {
	keys   []string
	values map[string]any
}

func (o *object) get(key string) any {
	if o == nil {
		return nil
	}
	return o.values[key]
}

// text is a text element, "" when there is none.
func (o *object) text(key string) string {
	s, _ := o.get(key).(string)
	return s
}

func (o *object) object(key string) *object {
	x, _ := o.get(key).(*object)
	return x
}

func (o *object) list(key string) []any {
	x, _ := o.get(key).([]any)
	return x
}

// objects are the objects of a list.
func (o *object) objects(key string) (all []*object) {
	for _, x := range o.list(key) {
		if x, ok := x.(*object); ok {
			all = append(all, x)
		}
	}
	return all
}

// read takes a JSON document apart: objects, []any, string, json.Number, bool and nil. Numbers keep their digits.
func read(data []byte) (*object, error) {
	if len(data) > MostBytes {
		return nil, fmt.Errorf("the file is larger than %d MB", MostBytes>>20)
	}
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.UseNumber()
	r := reader{dec: dec}
	v, err := r.value(0)
	if err != nil {
		return nil, fmt.Errorf("line %d: %w", 1+bytes.Count(data[:min(int(dec.InputOffset()), len(data))], []byte{'\n'}), plainly(err))
	}
	if _, err := dec.Token(); err != io.EOF {
		return nil, fmt.Errorf("there is more behind the first JSON value")
	}
	o, ok := v.(*object)
	if !ok {
		return nil, fmt.Errorf("it is no JSON object; a FHIR file is one resource or one Bundle")
	}
	return o, nil
}

// plainly says what is wrong with a text that is no JSON, and what to do.
func plainly(err error) error {
	var syntax *json.SyntaxError
	switch {
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return errors.New("the text ends too early; fetch or save the whole file again")
	case errors.As(err, &syntax):
		return fmt.Errorf("%w: this is no JSON; give the file as JSON", err)
	}
	return err
}

type reader struct{ dec *json.Decoder }

func (r *reader) value(depth int) (any, error) {
	if depth > mostDepth {
		return nil, fmt.Errorf("values are nested more than %d deep", mostDepth)
	}
	token, err := r.dec.Token()
	if err == io.EOF {
		err = io.ErrUnexpectedEOF
	}
	if err != nil {
		return nil, err
	}
	switch token {
	case json.Delim('{'):
		return r.object(depth)
	case json.Delim('['):
		list := []any{}
		for r.dec.More() {
			v, err := r.value(depth + 1)
			if err != nil {
				return nil, err
			}
			list = append(list, v)
		}
		_, err = r.dec.Token()
		return list, err
	}
	return token, nil
}

func (r *reader) object(depth int) (any, error) {
	o := &object{values: map[string]any{}}
	for r.dec.More() {
		token, err := r.dec.Token()
		if err != nil {
			return nil, err
		}
		key, _ := token.(string)
		if _, twice := o.values[key]; twice {
			return nil, fmt.Errorf("%q stands twice in one object", key)
		}
		v, err := r.value(depth + 1)
		if err != nil {
			return nil, err
		}
		o.keys = append(o.keys, key)
		o.values[key] = v
	}
	_, err := r.dec.Token()
	return o, err
}
