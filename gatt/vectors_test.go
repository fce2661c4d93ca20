package gatt

import (
	"encoding/hex"
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

type vector struct {
	ID            string
	Char          string
	Hex           *string
	Notifications []string
	Expect        json.RawMessage
}

func readVectors(t *testing.T, name string) []vector {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", name+".json"))
	if err != nil {
		t.Fatal(err)
	}
	var file struct{ Vectors []vector }
	if err := json.Unmarshal(text, &file); err != nil {
		t.Fatal(name, err)
	}
	if len(file.Vectors) == 0 {
		t.Fatal(name, "holds no vector")
	}
	return file.Vectors
}

func octets(t *testing.T, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(text)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func (v vector) uuid(t *testing.T) uint16 {
	t.Helper()
	n, err := strconv.ParseUint(v.Char, 16, 16)
	if err != nil {
		t.Fatal(v.ID, err)
	}
	return uint16(n)
}

func (v vector) want(t *testing.T) map[string]any {
	t.Helper()
	var m map[string]any
	if err := json.Unmarshal(v.Expect, &m); err != nil {
		t.Fatal(v.ID, err)
	}
	return m
}

func TestVectors(t *testing.T) {
	for name, count := range map[string]int{"hrm_2a37": 20, "ftms_machine_data": 30, "ftms_feature_range_status": 14,
		"ftms_status": 11, "cycling_power_2a63": 8, "csc_2a5b_rsc_2a53": 7, "plx_2a5e_2a5f": 8,
		"blood_pressure_2a35": 7, "weight_battery_misc": 16} {
		vectors := readVectors(t, name)
		if len(vectors) < count {
			t.Errorf("%s: %d vectors, want at least %d", name, len(vectors), count)
		}
		for _, v := range vectors {
			t.Run(v.ID, func(t *testing.T) { checkVector(t, v) })
		}
	}
}

func checkVector(t *testing.T, v vector) {
	data, want := octets(t, *v.Hex), v.want(t)
	sample, err := Decode(v.uuid(t), data)
	if v.Char == "2A39" { // a write: there must be no decoder for it, as nothing is ever written
		if sample != nil || err == nil {
			t.Errorf("got %v, %v", sample, err)
		}
		return
	}
	if problem, bad := want["error"]; bad {
		var e *Error
		if sample != nil || !errors.As(err, &e) || string(e.Problem) != problem {
			t.Errorf("got %v, %v, want the error %q", sample, err, problem)
		}
		return
	}
	if err != nil {
		t.Fatal(err)
	}
	if why := differ("", observe(sample), forget(want, sample)); why != "" {
		t.Error(why)
	}
}

// forget leaves out of the wanted values what the sample holds in another form: the raw flags of the power
// meter, and an unknown user, which is an absent one.
func forget(want map[string]any, s Sample) map[string]any {
	switch s.(type) {
	case CyclingPower:
		delete(want, "flags")
	case BloodPressure:
		if id, there := want["userId"]; there && id == nil {
			delete(want, "userId")
		}
	}
	return want
}

func TestSFloatVectors(t *testing.T) {
	for _, v := range readVectors(t, "sfloat") {
		b := octets(t, *v.Hex)
		got := ParseSFloat(uint16(b[0]) | uint16(b[1])<<8)
		var special struct{ Special string }
		if json.Unmarshal(v.Expect, &special) == nil {
			if _, ok := got.Value(); ok || got.Special.String() != special.Special {
				t.Errorf("%s: got %v, want %s", v.ID, got, special.Special)
			}
			continue
		}
		var want float64
		if err := json.Unmarshal(v.Expect, &want); err != nil {
			t.Fatal(v.ID, err)
		}
		if n, ok := got.Value(); !ok || n != want {
			t.Errorf("%s: got %v, want exactly %v", v.ID, got, want)
		}
	}
}

// Every word, against the shortest decimal text read by the standard library: the result is the nearest number.
func TestSFloatEveryWord(t *testing.T) {
	special := map[uint16]Special{0x7FF: NaN, 0x800: NRes, 0x7FE: PlusInf, 0x802: MinusInf, 0x801: Reserved}
	for w := range 1 << 16 {
		word := uint16(w)
		got := ParseSFloat(word)
		v, ok := got.Value()
		if s, is := special[word]; is {
			if ok || got.Special != s {
				t.Errorf("0x%04X: %v, want %v", word, got, s)
			}
			continue
		}
		mantissa, exponent := w&0xFFF, w>>12
		if mantissa > 2047 {
			mantissa -= 4096
		}
		if exponent > 7 {
			exponent -= 16
		}
		want, err := strconv.ParseFloat(strconv.Itoa(mantissa)+"e"+strconv.Itoa(exponent), 64)
		if err != nil || !ok || v != want || math.Signbit(v) != math.Signbit(want) {
			t.Fatalf("0x%04X: got %v, want %v (%v)", word, v, want, err)
		}
	}
	if got := ParseSFloat(0xD7D0).String(); got != "2.000" {
		t.Errorf("got %q: digits were sent that are not shown", got)
	}
}

func TestLayoutVectors(t *testing.T) {
	for _, v := range readVectors(t, "ftms_layout_detection") {
		sample, err := Decode(v.uuid(t), octets(t, *v.Hex))
		if err != nil {
			t.Error(v.ID, err)
			continue
		}
		fit := v.want(t)["layoutsThatFit"].([]any)
		want := map[any]Layout{"A": LayoutA, "B": LayoutB}[fit[0]]
		if len(fit) == 2 {
			want = AnyLayout
		}
		if got := sample.(MachineData).Layout; got != want {
			t.Errorf("%s: layout %d, want %d", v.ID, got, want)
		}
	}
}

func TestSplitRecordVectors(t *testing.T) {
	for _, v := range readVectors(t, "ftms_split_records") {
		var merger Merger
		var got []any
		for _, text := range v.Notifications {
			sample, err := Decode(v.uuid(t), octets(t, text))
			if err != nil {
				t.Fatal(v.ID, err)
			}
			record, whole, err := merger.Add(sample.(MachineData))
			if err != nil {
				t.Fatal(v.ID, err)
			}
			if whole {
				got = append(got, observeFields(record))
			}
		}
		if why := differ(v.ID, got, v.want(t)["records"]); why != "" {
			t.Error(why)
		}
	}
}

func TestCadenceVectors(t *testing.T) {
	for _, v := range readVectors(t, "crank_cadence_sequences") {
		tracker := NewCrankTracker()
		var got []any
		for i, text := range v.Notifications {
			p, err := DecodeCyclingPower(octets(t, text))
			if err != nil {
				t.Fatal(v.ID, err)
			}
			rate, ok := tracker.AddCrank(int64(i)*1000, p.Crank.Value)
			if got = append(got, nil); ok {
				got[i] = rate
			}
		}
		if why := differ(v.ID, got, v.want(t)["cadenceRpm"]); why != "" {
			t.Error(why)
		}
	}
}
