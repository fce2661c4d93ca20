package gatt

import (
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
)

// wire builds a packet and what it means, field by field; it shares no code with the decoders.
type wire struct {
	random *rand.Rand
	data   []byte
	want   map[string]any
}

func (w *wire) number(octets int) float64 {
	v := w.random.Uint64N(1 << (8 * octets))
	for i := range octets {
		w.data = append(w.data, byte(v>>(8*i)))
	}
	return float64(v)
}

func (w *wire) signed() float64 {
	v := w.number(2)
	if v >= 32768 {
		v -= 65536
	}
	return v
}

// sfloat writes one of the decimals or specials and returns what it means.
func (w *wire) sfloat() any {
	if w.random.IntN(10) == 0 {
		w.data = append(w.data, [][]byte{{0xFF, 7}, {0, 8}, {1, 8}, {2, 8}, {0xFE, 7}}[w.random.IntN(5)]...)
		return nil
	}
	mantissa, exponent := w.random.IntN(2000)-1000, w.random.IntN(4)-3
	word := uint16(exponent)<<12 | uint16(mantissa)&0xFFF
	w.data = append(w.data, byte(word), byte(word>>8))
	v, err := strconv.ParseFloat(fmt.Sprintf("%de%d", mantissa, exponent), 64)
	if err != nil {
		panic(err)
	}
	return v
}

func (w *wire) time() string {
	y, mo, d, h, mi, s := 2000+w.random.IntN(100), 1+w.random.IntN(12), 1+w.random.IntN(28), w.random.IntN(24), w.random.IntN(60), w.random.IntN(60)
	w.data = append(w.data, byte(y), byte(y>>8), byte(mo), byte(d), byte(h), byte(mi), byte(s))
	return fmt.Sprintf("%d-%02d-%02dT%02d:%02d:%02d", y, mo, d, h, mi, s)
}

func (w *wire) user() {
	id := w.random.IntN(255)
	w.data = append(w.data, byte(id))
	w.want["userId"] = float64(id)
}

func (w *wire) bits(octets int, known []string) []any {
	v := w.number(octets)
	set := []any{}
	for n, name := range known {
		if name != "" && uint32(v)>>n&1 == 1 {
			set = append(set, name)
		}
	}
	return set
}

// The names that the bits must get, written down once more.
var (
	wantMeasurement = []string{"", "", "", "", "", "measurementOngoing", "earlyEstimatedData", "validatedData", "fullyQualifiedData",
		"dataFromMeasurementStorage", "dataForDemonstration", "dataForTesting", "calibrationOngoing", "measurementUnavailable",
		"questionableMeasurement", "invalidMeasurement"}
	wantDevice = []string{"extendedDisplayUpdateOngoing", "equipmentMalfunction", "signalProcessingIrregularity", "inadequateSignal",
		"poorSignal", "lowPerfusion", "erraticSignal", "nonPulsatileSignal", "questionablePulse", "signalAnalysisOngoing",
		"sensorInterference", "sensorUnconnectedToUser", "unknownSensorConnected", "sensorDisplaced", "sensorMalfunctioning", "sensorDisconnected"}
	wantCuff = []string{"bodyMovement", "cuffTooLoose", "irregularPulse", "", "", "improperPosition"}
)

type packet struct {
	uuid    uint16
	flags   int // number of defined flag bits
	octets  int // of the flags
	build   func(w *wire, flag func(int) bool)
	anyTail bool // octets at the end are intervals: cutting two of them is no error
}

var packets = []packet{
	{UUIDHeartRate, 5, 1, buildHeartRate, true},
	{UUIDCyclingPower, 13, 2, buildPower, false},
	{UUIDCyclingSpeed, 2, 1, func(w *wire, flag func(int) bool) { buildTurns(w, flag(0), flag(1), 1024) }, false},
	{UUIDRunningSpeed, 3, 1, buildRunning, false},
	{UUIDSpotCheck, 5, 1, buildSpotCheck, false},
	{UUIDContinuous, 5, 1, buildContinuous, false},
	{UUIDBloodPressure, 5, 1, buildPressure, false},
	{UUIDWeight, 4, 1, buildWeight, false},
}

func buildHeartRate(w *wire, flag func(int) bool) {
	if flag(0) {
		w.want["heartRate"] = w.number(2)
	} else {
		w.want["heartRate"] = w.number(1)
	}
	w.want["sensorContactSupported"], w.want["sensorContact"] = flag(2), nil
	if flag(2) {
		w.want["sensorContact"] = flag(1)
	}
	if flag(3) {
		w.want["energyExpendedKJ"] = w.number(2)
	}
	if n := w.random.IntN(10); flag(4) && n > 0 {
		var raw, ms []any
		for range n {
			v := w.number(2)
			raw, ms = append(raw, v), append(ms, v*1000/1024)
		}
		w.want["rrRaw"], w.want["rrMs"] = raw, ms
	}
}

func buildTurns(w *wire, wheel, crank bool, ticks float64) {
	if wheel {
		w.want["wheelRevolutions"], w.want["wheelEventTimeS"] = w.number(4), w.number(2)/ticks
	}
	if crank {
		w.want["crankRevolutions"], w.want["crankEventTimeS"] = w.number(2), w.number(2)/1024
	}
}

func buildPower(w *wire, flag func(int) bool) {
	w.want["instantaneousPowerW"] = w.signed()
	if flag(0) {
		w.want["pedalBalancePercent"] = w.number(1) * 0.5
		w.want["balanceReference"] = map[bool]string{true: "left", false: "unknown"}[flag(1)]
	}
	if flag(2) {
		w.want["accumulatedTorqueNm"] = w.number(2) * 0.03125
		w.want["torqueSource"] = map[bool]string{true: "crank", false: "wheel"}[flag(3)]
	}
	buildTurns(w, flag(4), flag(5), 2048)
	if flag(6) {
		w.want["maximumForceN"], w.want["minimumForceN"] = w.signed(), w.signed()
	}
	if flag(7) {
		w.want["maximumTorqueNm"], w.want["minimumTorqueNm"] = w.signed()*0.03125, w.signed()*0.03125
	}
	if flag(8) {
		v := int(w.number(3))
		w.want["maximumAngleDeg"], w.want["minimumAngleDeg"] = float64(v%4096), float64(v/4096)
	}
	if flag(9) {
		w.want["topDeadSpotDeg"] = w.number(2)
	}
	if flag(10) {
		w.want["bottomDeadSpotDeg"] = w.number(2)
	}
	if flag(11) {
		w.want["accumulatedEnergyKJ"] = w.number(2)
	}
}

func buildRunning(w *wire, flag func(int) bool) {
	w.want["speedMs"], w.want["cadencePerMin"] = w.number(2)/256, w.number(1)
	w.want["status"] = map[bool]string{true: "running", false: "walking"}[flag(2)]
	if flag(0) {
		w.want["strideLengthM"] = w.number(2) / 100
	}
	if flag(1) {
		w.want["totalDistanceM"] = w.number(4) / 10
	}
}

func buildSpotCheck(w *wire, flag func(int) bool) {
	w.want["spo2"], w.want["pulseRate"] = w.sfloat(), w.sfloat()
	if flag(0) {
		w.want["timestamp"] = w.time()
	}
	if flag(4) {
		w.want["clockNotSet"] = true
	}
	buildOximeterEnd(w, flag(1), flag(2), flag(3))
}

func buildOximeterEnd(w *wire, measurement, device, amplitude bool) {
	if measurement {
		w.want["measurementStatus"] = w.bits(2, wantMeasurement)
	}
	if device {
		w.want["deviceStatus"] = w.bits(3, wantDevice)
	}
	if amplitude {
		w.want["pulseAmplitudeIndex"] = w.sfloat()
	}
}

func buildContinuous(w *wire, flag func(int) bool) {
	pair := func() map[string]any {
		return map[string]any{"spo2": w.sfloat(), "pulseRate": w.sfloat()}
	}
	w.want["normal"] = pair()
	if flag(0) {
		w.want["fast"] = pair()
	}
	if flag(1) {
		w.want["slow"] = pair()
	}
	buildOximeterEnd(w, flag(2), flag(3), flag(4))
}

func buildPressure(w *wire, flag func(int) bool) {
	w.want["unit"] = map[bool]string{true: "kPa", false: "mm[Hg]"}[flag(0)]
	w.want["systolic"], w.want["diastolic"], w.want["map"] = w.sfloat(), w.sfloat(), w.sfloat()
	if flag(1) {
		w.want["timestamp"] = w.time()
	}
	if flag(2) {
		w.want["pulseRate"] = w.sfloat()
	}
	if flag(3) {
		w.user()
	}
	if flag(4) {
		w.want["measurementStatus"] = w.bits(2, wantCuff)
	}
}

func buildWeight(w *wire, flag func(int) bool) {
	v := w.random.IntN(0xFFFF)
	w.data = append(w.data, byte(v), byte(v>>8))
	w.want["unit"], w.want["weight"] = "kg", float64(v)/200
	if flag(0) {
		w.want["unit"], w.want["weight"] = "lb", float64(v)/100
	}
	if flag(1) {
		w.want["timestamp"] = w.time()
	}
	if flag(2) {
		w.user()
	}
	if flag(3) {
		w.want["bmi"], w.want["heightUnit"] = w.number(2)/10, "m"
		height := w.number(2) / 1000
		if flag(0) {
			height = height * 100 * 0.0254
		}
		w.want["height"] = height
	}
}

// Every combination of the defined flags, ten times with random values; then cut at every length, and with
// reserved flags and trailing octets.
func TestEveryFlagCombination(t *testing.T) {
	random := rand.New(rand.NewPCG(2026, 11))
	for _, p := range packets {
		for n := range 10 << p.flags {
			flags := uint32(n % (1 << p.flags))
			w := &wire{random: random, want: make(map[string]any)}
			for i := range p.octets {
				w.data = append(w.data, byte(flags>>(8*i)))
			}
			p.build(w, func(b int) bool { return flags&(1<<b) != 0 })
			sample, err := Decode(p.uuid, w.data)
			if err != nil {
				t.Fatalf("0x%04X flags %X: %v", p.uuid, flags, err)
			}
			if why := differ("", observe(sample), w.want); why != "" || !sample.Unused().Clean() {
				t.Fatalf("0x%04X flags %X: %s %+v", p.uuid, flags, why, sample.Unused())
			}
			p.checkCut(t, w.data, flags)
			p.checkSurplus(t, w, flags)
		}
	}
}

func (p packet) checkCut(t *testing.T, data []byte, flags uint32) {
	t.Helper()
	for n := range data {
		sample, err := Decode(p.uuid, data[:n])
		if p.anyTail && err == nil {
			continue
		}
		var e *Error
		if sample != nil || !errors.As(err, &e) || e.UUID != p.uuid || e.Problem != Short || e.Offset > n {
			t.Fatalf("0x%04X flags %X cut to %d: %v, %v", p.uuid, flags, n, sample, err)
		}
	}
	if _, err := Decode(p.uuid, append(append([]byte(nil), data...), make([]byte, 600)...)); err == nil {
		t.Fatalf("0x%04X: more than an attribute can hold passed", p.uuid)
	}
}

func (p packet) checkSurplus(t *testing.T, w *wire, flags uint32) {
	t.Helper()
	data := append([]byte(nil), w.data...)
	data[p.octets-1] |= 0x80
	if !p.anyTail {
		data = append(data, 1, 2, 3)
		w.want["trailingBytes"] = 3.0
	}
	sample, err := Decode(p.uuid, data)
	if err != nil {
		t.Fatal(err)
	}
	if why := differ("", observe(sample), w.want); why != "" || sample.Unused().UnknownFlags != 0x80<<(8*(p.octets-1)) {
		t.Fatalf("0x%04X flags %X with surplus: %s %+v", p.uuid, flags, why, sample.Unused())
	}
}

// Cutting a heart rate packet in front of its intervals is an error; inside them it loses intervals only.
func TestHeartRateCut(t *testing.T) {
	whole := []byte{0x1F, 0xB5, 0x00, 0x10, 0x00, 0x53, 0x01, 0x54, 0x01}
	for n := range whole {
		h, err := DecodeHeartRate(whole[:n])
		if (err == nil) != (n >= 5) {
			t.Errorf("%d octets: %v", n, err)
		}
		if err == nil && (len(h.RR) != (n-5)/2 || h.TrailingOctets != (n-5)%2) {
			t.Errorf("%d octets: %+v", n, h)
		}
	}
	_, err := DecodeHeartRate(whole[:4])
	if want := "gatt: heart rate measurement (0x2A37), octet 3: short: energy expended needs 2 octets, 1 left"; err == nil || err.Error() != want {
		t.Errorf("got %v", err)
	}
}

func TestHeartRateUsable(t *testing.T) {
	for text, want := range map[string]bool{"\x00\x48": true, "\x04\x76": false, "\x06\x76": true, "\x06\x00": false} {
		if h, err := DecodeHeartRate([]byte(text)); err != nil || h.Usable() != want {
			t.Errorf("%x: %+v, %v", text, h, err)
		}
	}
}

func TestSmallCharacteristics(t *testing.T) {
	for level := range 256 {
		b, err := DecodeBattery([]byte{byte(level)})
		if err != nil || b.Percent.Present != (level <= 100) || b.Percent.Present && int(b.Percent.Value) != level {
			t.Errorf("battery %d: %+v, %v", level, b, err)
		}
		l, err := DecodeBodySensorLocation([]byte{byte(level)})
		if err != nil || (l.Name == "") != (level > 6) {
			t.Errorf("location %d: %+v, %v", level, l, err)
		}
	}
	if f, err := DecodeCyclingPowerFeature([]byte{0x0C, 0, 0, 0x80}); err != nil || fmt.Sprint(f.Names()) != "[wheelRevolutions crankRevolutions]" || f.UnknownFlags != 1<<31 {
		t.Errorf("%+v, %v", f, err)
	}
	if f, err := DecodeRunningFeature([]byte{5, 0}); err != nil || fmt.Sprint(f.Names()) != "[strideLength walkingOrRunning]" {
		t.Errorf("%+v, %v", f, err)
	}
	if f, err := DecodeCyclingFeature([]byte{2, 0}); err != nil || fmt.Sprint(f.Names()) != "[crankRevolutions]" {
		t.Errorf("%+v, %v", f, err)
	}
	if text, err := DecodeDeviceText(UUIDModel, []byte("M1\x00\x00")); err != nil || text.Text != "M1" || text.TrailingOctets != 2 {
		t.Errorf("%+v, %v", text, err)
	}
	if _, err := Decode(0x2A00, []byte{1}); err == nil {
		t.Error("a decoder for anything")
	}
}

func TestOximeterTrust(t *testing.T) {
	for _, c := range []struct {
		measurement uint16
		device      uint32
		want        Trust
	}{
		{0, 0, Good}, {1 << 8, 1 << 9, Good}, {1 << 6, 0, Questionable}, {1 << 14, 0, Questionable}, {0, 1 << 5, Questionable},
		{1 << 10, 0, NoValue}, {1 << 11, 0, NoValue}, {1 << 13, 0, NoValue}, {1 << 15, 1 << 5, NoValue}, {1 << 6, 1 << 11, NoValue},
	} {
		data := []byte{6, 98, 0, 70, 0, byte(c.measurement), byte(c.measurement >> 8), byte(c.device), byte(c.device >> 8), 0}
		s, err := DecodeSpotCheck(data)
		if err != nil || s.Trust() != c.want {
			t.Errorf("%04X %06X: %v, %v", c.measurement, c.device, s.Trust(), err)
		}
	}
}

func TestPressureUnits(t *testing.T) {
	b, err := DecodeBloodPressure([]byte{0x11, 0xA3, 0xF0, 0x5D, 0xF0, 0xFF, 0x07, 0x08, 0x00})
	if err != nil {
		t.Fatal(err)
	}
	if v, ok := b.Systolic.MmHg(); !ok || v < 122.25 || v > 122.27 { // 16.3 kPa
		t.Errorf("systolic %v %v", v, ok)
	}
	if v, ok := b.Mean.MmHg(); ok {
		t.Errorf("mean %v from no number", v)
	}
	if b.Status.Value.PulseRange() != PulseAboveRange {
		t.Errorf("pulse range %v", b.Status.Value.PulseRange())
	}
	cuff, err := DecodeCuffPressure([]byte{0, 0x96, 0, 0xFF, 0x07, 0xFF, 0x07})
	if v, ok := cuff.Cuff.MmHg(); err != nil || !ok || v != 150 {
		t.Errorf("%+v, %v", cuff, err)
	}
	unknown, err := DecodeBloodPressure([]byte{8, 0, 0, 0, 0, 0, 0, 255})
	if err != nil || unknown.UserID.Present {
		t.Errorf("user 255: %+v, %v", unknown.UserID, err)
	}
}

func TestWeightImperial(t *testing.T) {
	w, err := DecodeWeight([]byte{1, 0x10, 0x27}) // 100 lb
	if kg, ok := w.Kg(); err != nil || !ok || kg < 45.35923 || kg > 45.35924 {
		t.Errorf("%v %v %v", kg, ok, err)
	}
}

func TestDateTime(t *testing.T) {
	good := DateTime{2026, 5, 2, 7, 30, 0}
	bad := []DateTime{{0, 5, 2, 7, 30, 0}, {2026, 13, 2, 7, 30, 0}, {2026, 0, 2, 7, 30, 0}, {2026, 5, 0, 0, 0, 0}, {2026, 5, 2, 24, 0, 0}}
	if !good.Plausible() {
		t.Error(good)
	}
	for _, d := range bad {
		if d.Plausible() {
			t.Error(d)
		}
	}
}

func TestCharacteristicsAreInOrder(t *testing.T) {
	for i, c := range Characteristics() {
		if c.Name == "" || c.Service == 0 || c.How == "" || i > 0 && c.UUID <= Characteristics()[i-1].UUID {
			t.Errorf("%d: %+v", i, c)
		}
		if _, err := Decode(c.UUID, nil); c.Service != ServiceDeviceInformation && err == nil {
			t.Errorf("0x%04X: nothing at all passed", c.UUID)
		}
	}
}

func FuzzDecode(f *testing.F) {
	for _, name := range []string{"hrm_2a37", "ftms_machine_data", "cycling_power_2a63", "plx_2a5e_2a5f", "blood_pressure_2a35",
		"weight_battery_misc", "ftms_status", "ftms_feature_range_status", "csc_2a5b_rsc_2a53"} {
		for _, v := range seeds(f, name) {
			f.Add(v.uuid, v.data)
		}
	}
	f.Fuzz(func(t *testing.T, uuid uint16, data []byte) {
		for _, id := range []uint16{uuid, UUIDBattery + uuid%0x100} {
			sample, err := Decode(id, data)
			if (err == nil) != (sample != nil) {
				t.Fatalf("0x%04X % X: %v, %v", id, data, sample, err)
			}
			if err != nil {
				if err.Error() == "" {
					t.Fatal("an error without words")
				}
				continue
			}
			if used := len(data) - sample.Unused().TrailingOctets; used < 0 || used > len(data) {
				t.Fatalf("0x%04X % X: %d octets used", id, data, used)
			}
			look(sample)
		}
	})
}

// look asks a sample for everything it can be asked.
func look(s Sample) {
	switch s := s.(type) {
	case Features:
		s.Names()
	case CuffPressure:
		s.Cuff.MmHg()
	default:
		observe(s)
	}
}

type seed struct {
	uuid uint16
	data []byte
}

func seeds(f *testing.F, name string) []seed {
	f.Helper()
	text, err := os.ReadFile("testdata/" + name + ".json")
	if err != nil {
		f.Fatal(err)
	}
	var file struct{ Vectors []vector }
	if err := json.Unmarshal(text, &file); err != nil {
		f.Fatal(err)
	}
	var all []seed
	for _, v := range file.Vectors {
		uuid, err1 := strconv.ParseUint(v.Char, 16, 16)
		data, err2 := hex.DecodeString(*v.Hex)
		if err := errors.Join(err1, err2); err != nil {
			f.Fatal(err)
		}
		all = append(all, seed{uint16(uuid), data})
	}
	return all
}
