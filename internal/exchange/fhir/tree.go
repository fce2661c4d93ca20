package fhir

import (
	"bytes"
	"encoding/json"
	"io"
	"strconv"
)

// obj makes an object of keys and values in their order; what is empty is left out.
func obj(pairs ...any) *object {
	o := &object{values: map[string]any{}}
	for i := 0; i+1 < len(pairs); i += 2 {
		o.set(pairs[i].(string), pairs[i+1])
	}
	return o
}

func (o *object) set(key string, v any) {
	switch v := v.(type) {
	case nil:
		return
	case string:
		if v == "" {
			return
		}
	case []any:
		if len(v) == 0 {
			return
		}
	case *object:
		if v == nil || len(v.keys) == 0 {
			return
		}
	}
	o.keys = append(o.keys, key)
	o.values[key] = v
}

// list makes a list of what is not empty.
func list(items ...*object) (all []any) {
	for _, x := range items {
		if x != nil && len(x.keys) > 0 {
			all = append(all, x)
		}
	}
	return all
}

// decimal writes a number without an exponent, with the digits it has.
func decimal(v float64) json.Number { return json.Number(strconv.FormatFloat(v, 'f', -1, 64)) }

// rounded writes a number with so many decimals.
func rounded(v float64, decimals int) json.Number {
	return json.Number(strconv.FormatFloat(v, 'f', decimals, 64))
}

// MarshalJSON writes the keys in their order.
func (o *object) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for i, key := range o.keys {
		if i > 0 {
			b.WriteByte(',')
		}
		name, err := plain(key)
		if err != nil {
			return nil, err
		}
		value, err := plain(o.values[key])
		if err != nil {
			return nil, err
		}
		b.Write(name)
		b.WriteByte(':')
		b.Write(value)
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// plain is JSON with < and > as they are.
func plain(v any) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n")), nil
}

func (o *object) write(out io.Writer) error {
	enc := json.NewEncoder(out)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(o)
}
