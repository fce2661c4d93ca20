package record_test

import (
	"bytes"
	"math"
	"reflect"
	"strings"
	"testing"

	"gradus/conduct"
	"gradus/internal/record"
	"gradus/protocol"
)

func TestPack(t *testing.T) {
	for _, samples := range [][]record.Sample{
		nil,
		{{At: 0, V: 0}},
		{{At: 123456, V: 72}, {At: 123456, V: -0.5}, {At: 100, V: 1e300}},
		{{At: -5, V: math.Inf(1)}, {At: math.MaxInt64, V: math.SmallestNonzeroFloat64}},
	} {
		if got, err := record.Unpack(record.Pack(samples)); err != nil || !reflect.DeepEqual(got, samples) {
			t.Errorf("%v: got %v, %v", samples, got, err)
		}
	}
	if got, err := record.Unpack(record.Pack([]record.Sample{{V: math.NaN()}})); err != nil || !math.IsNaN(got[0].V) {
		t.Errorf("no number: got %v, %v", got, err)
	}
}

// A sensor that floods, 100 samples a second for the longest block, still fits one.
func TestPackFlood(t *testing.T) {
	var samples []record.Sample
	for i := range 1000 {
		samples = append(samples, record.Sample{At: protocol.Ms(i * 10), V: 60 + float64(i)/7})
	}
	if n := len(record.Pack(samples)); n > 64<<10 {
		t.Errorf("%d bytes", n)
	}
	for i := range samples {
		samples[i].V = math.Round(samples[i].V)
	}
	if n := len(record.Pack(samples)); n > 5*len(samples) {
		t.Errorf("whole numbers: %d bytes for %d samples", n, len(samples))
	}
}

func FuzzUnpack(f *testing.F) {
	f.Add(record.Pack([]record.Sample{{At: 1000, V: 90}, {At: 2000, V: 91.5}}))
	f.Add([]byte{0x80})
	f.Add(bytes.Repeat([]byte{0xff}, 30))
	f.Fuzz(func(t *testing.T, b []byte) {
		samples, err := record.Unpack(b)
		if err != nil {
			return
		}
		again, err := record.Unpack(record.Pack(samples))
		if err != nil || len(again) != len(samples) {
			t.Fatalf("%v became %v, %v", samples, again, err)
		}
	})
}

// What a test is made of has no place for a name or a birth date.
func TestEventsNameNobody(t *testing.T) {
	fields := 0
	var walk func(reflect.Type, string)
	walk = func(typ reflect.Type, path string) {
		if typ.Kind() == reflect.Pointer || typ.Kind() == reflect.Slice {
			walk(typ.Elem(), path)
		}
		if typ.Kind() != reflect.Struct {
			return
		}
		for i := range typ.NumField() {
			f := typ.Field(i)
			fields++
			if f.Name == "DrugName" { // of a drug
				continue
			}
			for _, word := range []string{"name", "birth", "address", "phone", "mail"} {
				if strings.Contains(strings.ToLower(f.Name+" "+string(f.Tag)), word) {
					t.Errorf("%s.%s can hold who the person is", path, f.Name)
				}
			}
			walk(f.Type, path+"."+f.Name)
		}
	}
	walk(reflect.TypeFor[conduct.Event](), "Event")
	if fields < 20 {
		t.Errorf("only %d fields were looked at", fields)
	}
}
