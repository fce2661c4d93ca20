package gatt

import (
	"encoding/csv"
	"errors"

	"math/rand/v2"
	"os"
	"strconv"
	"testing"
)

// wireField is a row of machine_fields.csv, the table of the test's own encoder.
type wireField struct {
	gate       int
	name       string
	kind, unit [2]string // layout A and B
	resolution [2]float64
	differs    bool
}

type wireMachine struct {
	uuid       uint16
	flagOctets int
	fields     []wireField
}

func wireMachines(t testing.TB) []*wireMachine {
	t.Helper()
	file, err := os.Open("testdata/machine_fields.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	reader := csv.NewReader(file)
	reader.Comment = '#'
	rows, err := reader.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	var all []*wireMachine
	for _, r := range rows[1:] {
		uuid, err := strconv.ParseUint(r[0], 16, 16)
		if err != nil {
			t.Fatal(err)
		}
		if len(all) == 0 || all[len(all)-1].uuid != uint16(uuid) {
			all = append(all, &wireMachine{uuid: uint16(uuid), flagOctets: int(number(r[1]))})
		}
		f := wireField{gate: int(number(r[2])), name: r[3], kind: [2]string{r[4], r[4]}, unit: [2]string{r[6], r[6]}}
		f.resolution = [2]float64{number(r[5]), number(r[5])}
		if r[7] != "" {
			f.differs, f.kind[1], f.resolution[1], f.unit[1] = true, r[7], number(r[8]), r[9]
		}
		m := all[len(all)-1]
		m.fields = append(m.fields, f)
	}
	if len(all) != 6 {
		t.Fatalf("%d machines", len(all))
	}
	return all
}

// encode writes a packet with random values and the picture that its decoding must give.
func (m *wireMachine) encode(random *rand.Rand, flags uint32, layout int) (data []byte, want map[string]any, differs bool) {
	for i := range m.flagOctets {
		data = append(data, byte(flags>>(8*i)))
	}
	want = make(map[string]any)
	for _, f := range m.fields {
		set := flags&(1<<f.gate) != 0
		if f.gate == 0 {
			set = !set
		}
		if !set {
			continue
		}
		differs = differs || f.differs
		size := map[string]int{"uint8": 1, "uint16": 2, "sint16": 2, "uint24": 3}[f.kind[layout]]
		v := random.Int64N(1 << (8 * size))
		if random.IntN(20) == 0 {
			v = 1<<(8*size) - 1 // all ones: the code for "not available" of the energy fields
		}
		for i := range size {
			data = append(data, byte(v>>(8*i)))
		}
		raw := v
		if f.kind[layout] == "sint16" && v >= 1<<15 {
			raw -= 1 << 16
		}
		one := map[string]any{"raw": float64(raw), "value": float64(raw) * f.resolution[layout], "unit": f.unit[layout]}
		if len(f.name) > 6 && (f.name[:6] == "energy" || f.name == "totalEnergy") && v == 1<<(8*size)-1 {
			one["value"] = nil
		}
		want[f.name] = one
	}
	return data, want, differs
}

// Every combination of the flags that gate a field, in both layouts, whole and cut at every length.
func TestMachineEveryFlagCombination(t *testing.T) {
	random := rand.New(rand.NewPCG(1826, 1))
	combinations, cuts := 0, 0
	for _, m := range wireMachines(t) {
		gates := m.fields[len(m.fields)-1].gate
		for flags := range uint32(1) << (gates + 1) {
			for layout := range 2 {
				data, want, differs := m.encode(random, flags, layout)
				if layout == 1 && !differs {
					continue
				}
				combinations++
				d, err := decodeMachine(m.uuid, data)
				if err != nil {
					t.Fatalf("0x%04X flags %04X: %v", m.uuid, flags, err)
				}
				if why := differ("", observeFields(d), want); why != "" || !d.Clean() || d.MoreData != (flags&1 == 1) {
					t.Fatalf("0x%04X flags %04X layout %d: %s %+v", m.uuid, flags, layout, why, d)
				}
				if wanted := [2]Layout{LayoutA, LayoutB}[layout]; differs && d.Layout != wanted || !differs && d.Layout != AnyLayout {
					t.Fatalf("0x%04X flags %04X: layout %d, want %d", m.uuid, flags, d.Layout, layout)
				}
				cuts += m.cut(t, data, flags, layout, differs)
			}
		}
	}
	t.Logf("%d combinations, %d cut packets", combinations, cuts)
}

// cut checks that a packet which lost octets at its end is an error, unless the other layout needs just that many.
func (m *wireMachine) cut(t *testing.T, data []byte, flags uint32, layout int, differs bool) int {
	t.Helper()
	other := len(data)
	if differs {
		twin, _, _ := m.encode(rand.New(rand.NewPCG(1, 1)), flags, 1-layout)
		other = len(twin)
	}
	for n := range data {
		_, err := decodeMachine(m.uuid, data[:n])
		if n == other && differs {
			if err != nil {
				t.Fatalf("0x%04X flags %04X, %d octets fit the other layout: %v", m.uuid, flags, n, err)
			}
			continue
		}
		var e *Error
		if !errors.As(err, &e) || e.UUID != m.uuid || e.Offset > n || e.Problem != Short && !(differs && e.Problem == Length) {
			t.Fatalf("0x%04X flags %04X cut to %d of %d: %v", m.uuid, flags, n, len(data), err)
		}
	}
	return len(data)
}

// Octets after the last field are kept apart, unless they leave open where the fields are.
func TestMachineTrailingOctets(t *testing.T) {
	d, err := DecodeIndoorBike([]byte{0x40, 0x00, 0x84, 0x03, 0x28, 0x00, 1, 2, 3})
	if power, ok := d.PowerW(); err != nil || !ok || power != 40 || d.TrailingOctets != 3 {
		t.Errorf("%v, %v: power %v %v", d, err, power, ok)
	}
	// Treadmill bit 13 and three octets: a step count in some machines.
	d, err = DecodeTreadmill([]byte{0x00, 0x21, 0xF4, 0x01, 0x78, 9, 0, 0})
	if hr, _ := d.Value(HeartRatePerMin); err != nil || hr != 120 || d.TrailingOctets != 3 || d.UnknownFlags != 1<<13 {
		t.Errorf("%+v, %v", d, err)
	}
	_, err = DecodeIndoorBike([]byte{0x20, 0x00, 0x84, 0x03, 0x28, 0x00, 0x01})
	var e *Error
	if !errors.As(err, &e) || e.Problem != Length || e.Offset != 2 {
		t.Errorf("three octets where one or two belong: %v", err)
	}
}

func TestMachineReservedFlagsChangeNothing(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 3))
	for _, m := range wireMachines(t) {
		last := m.fields[len(m.fields)-1].gate + 1
		if m.uuid == UUIDCrossTrainer {
			last++ // the direction
		}
		for b := last; b < 8*m.flagOctets; b++ {
			data, want, _ := m.encode(random, 1<<b, 0)
			d, err := decodeMachine(m.uuid, data)
			if why := differ("", observeFields(d), want); err != nil || why != "" || d.UnknownFlags != 1<<b {
				t.Errorf("0x%04X bit %d: %v %s %+v", m.uuid, b, err, why, d.Surplus)
			}
		}
	}
}

// A record split at any place gives what the whole one gives.
func TestMergerGivesTheWholeRecord(t *testing.T) {
	random := rand.New(rand.NewPCG(4, 4))
	for _, m := range wireMachines(t) {
		gates := m.fields[len(m.fields)-1].gate
		for range 500 {
			flags := random.Uint32N(1<<(gates+1)) &^ 1
			first := flags & random.Uint32()
			var merger Merger
			one, wantOne, _ := m.encode(random, first|1, 0)
			two, wantTwo, _ := m.encode(random, flags&^first, 0)
			a, errA := decodeMachine(m.uuid, one)
			b, errB := decodeMachine(m.uuid, two)
			_, early, err1 := merger.Add(a)
			record, whole, err2 := merger.Add(b)
			if err := errors.Join(errA, errB, err1, err2); err != nil || early || !whole {
				t.Fatal(err, early, whole)
			}
			for name, v := range wantOne {
				wantTwo[name] = v
			}
			if why := differ("", observeFields(record), wantTwo); why != "" {
				t.Fatal(why)
			}
		}
	}
}

func TestMergerForgetsWhatWasNotClosed(t *testing.T) {
	part := func(octets ...byte) MachineData {
		d, err := DecodeIndoorBike(octets)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	cadence := part(0x05, 0, 120, 0)
	closing := part(0x40, 0, 0, 0, 50, 0)

	var m Merger
	mustAdd(t, &m, cadence)
	mustAdd(t, &m, part(0x05, 0, 100, 0)) // the closing part was lost
	record := mustAdd(t, &m, closing)
	if c, ok := record.CadencePerMin(); !ok || c != 50 || m.Dropped != 1 {
		t.Errorf("cadence %v %v, dropped %d", c, ok, m.Dropped)
	}
	mustAdd(t, &m, cadence)
	m.Lost()
	record = mustAdd(t, &m, closing)
	if _, ok := record.CadencePerMin(); ok || m.Dropped != 2 {
		t.Errorf("a cadence from before the lost connection; dropped %d", m.Dropped)
	}
	mustAdd(t, &m, cadence)
	other, err := DecodeStairClimber([]byte{0, 0, 3, 0})
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := m.Add(other); err == nil {
		t.Error("a stair climber closed the record of a bike")
	}
	m.Lost()
	mustAdd(t, &m, part(0x20, 0, 0, 0, 3, 0))
	if _, _, err := m.Add(part(0x20, 0, 0, 0, 3)); err == nil {
		t.Error("the field width changed unnoticed")
	}
	mustAdd(t, &m, part(0x20, 0, 0, 0, 3)) // the machine goes on with it
}

func mustAdd(t *testing.T, m *Merger, d MachineData) MachineData {
	t.Helper()
	record, _, err := m.Add(d)
	if err != nil {
		t.Fatal(err)
	}
	return record
}

func TestMachineStatusEveryOp(t *testing.T) {
	params := map[byte]int{0x01: 0, 0x02: 1, 0x03: 0, 0x04: 0, 0x05: 2, 0x06: 2, 0x07: 1, 0x08: 2, 0x09: 1, 0x0A: 2, 0x0B: 2,
		0x0C: 2, 0x0D: 3, 0x0E: 2, 0x0F: 4, 0x10: 6, 0x11: 10, 0x12: 6, 0x13: 2, 0x14: 1, 0x15: 2, 0xFF: 0}
	for op := range 256 {
		need, known := params[byte(op)]
		data := append([]byte{byte(op)}, make([]byte, 12)...)
		s, err := DecodeMachineStatus(data)
		if err != nil || (s.Name != "") != known || s.TrailingOctets != 12-need || s.Halted() != (op == 2 || op == 3) {
			t.Errorf("op %02X: %+v, %v", op, s, err)
		}
		for n := range need {
			if _, err := DecodeMachineStatus(data[:1+n]); err == nil {
				t.Errorf("op %02X with %d of %d octets passed", op, n, need)
			}
		}
	}
	s, err := DecodeMachineStatus([]byte{0x12, 0x18, 0xFC, 0x9C, 0xFF, 40, 51})
	if want := [5]float64{-1, -1, 0.004, 0.51}; err != nil || s.Values != want || s.Count != 4 {
		t.Errorf("simulation: %+v, %v", s, err)
	}
	s, err = DecodeMachineStatus([]byte{0x10, 1, 0, 2, 0, 3, 1})
	if want := [5]float64{1, 2, 259}; err != nil || s.Values != want || s.Count != 3 {
		t.Errorf("zones: %+v, %v", s, err)
	}
}

func TestTrainingStatusText(t *testing.T) {
	for _, c := range []struct {
		data []byte
		want string
		ok   bool
	}{
		{[]byte("\x01\x08Stufe 2 \xc3\xa4"), "Stufe 2 ä", true},
		{[]byte("\x03\x08lang \xc3"), "lang ", true}, // cut by the sender in the middle of a letter
		{[]byte("\x03\x08lang \xe2\x82"), "lang ", true},
		{[]byte("\x01\x08lang \xc3"), "", false},
		{[]byte("\x03\x08\xff\xfex"), "", false},
		{[]byte("\x01\x08"), "", true},
	} {
		s, err := DecodeTrainingStatus(c.data)
		if (err == nil) != c.ok || s.Text.Value != c.want || c.ok != s.Text.Present {
			t.Errorf("%q: %+v, %v", c.data, s, err)
		}
	}
}

func TestDecodingAllocatesNothing(t *testing.T) {
	bike := []byte{0x44, 0x02, 8, 7, 120, 0, 75, 0, 120}
	var power float64
	if n := testing.AllocsPerRun(100, func() {
		d, err := DecodeIndoorBike(bike)
		if err != nil {
			t.Fatal(err)
		}
		power, _ = d.PowerW()
	}); n != 0 || power != 75 {
		t.Errorf("%v allocations, %v W", n, power)
	}
}

func TestRangesAndUnits(t *testing.T) {
	r, err := DecodeResistanceRange([]byte{0, 0, 200, 0, 5, 0})
	if err != nil || r.Max != 20 || r.Step != 0.5 {
		t.Errorf("six octets: %+v, %v", r, err)
	}
	var d MachineData
	if d.Unit(Power) != "" || len(d.Fields()) != 0 {
		t.Error("an empty sample knows a unit")
	}
	if _, ok := d.PowerW(); ok {
		t.Error("an empty sample has a power")
	}
}
