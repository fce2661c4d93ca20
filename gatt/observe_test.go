package gatt

import (
	"fmt"
	"math"
)

// observe writes a sample as the names and plain values of the test data, so that packets from files and
// packets made in a test are compared in one way. A nil means that the device sent no value.
func observe(s Sample) map[string]any {
	o := make(map[string]any)
	switch s := s.(type) {
	case HeartRate:
		observeHeartRate(o, s)
	case SensorLocation:
		o["location"] = s.Name
	case Battery:
		put(o, "percent", s.Percent)
	case CyclingPower:
		observePower(o, s)
	case CyclingSpeed:
		observeTurns(o, s.Wheel, s.Crank)
	case RunningSpeed:
		o["speedMs"], o["cadencePerMin"] = s.SpeedMPerS, float64(s.CadencePerMin)
		putIf(o, "strideLengthM", s.StrideLengthM)
		putIf(o, "totalDistanceM", s.TotalDistanceM)
		o["status"] = "walking"
		if s.Running {
			o["status"] = "running"
		}
	case SpotCheck:
		observePair(o, s.Oximetry)
		observeStatus(o, s.OximeterStatus)
		putIf(o, "timestamp", s.DeviceTime)
		putIf(o, "pulseAmplitudeIndex", s.PulseAmplitudePercent)
		if s.ClockNotSet {
			o["clockNotSet"] = true
		}
	case Continuous:
		o["normal"] = observePair(map[string]any{}, s.Oximetry)
		for name, pair := range map[string]Optional[Oximetry]{"fast": s.Fast, "slow": s.Slow} {
			if pair.Present {
				o[name] = observePair(map[string]any{}, pair.Value)
			}
		}
		observeStatus(o, s.OximeterStatus)
		putIf(o, "pulseAmplitudeIndex", s.PulseAmplitudePercent)
	case BloodPressure:
		o["systolic"], o["diastolic"], o["map"] = plain(s.Systolic.Sent), plain(s.Diastolic.Sent), plain(s.Mean.Sent)
		o["unit"] = "mm[Hg]"
		if s.Systolic.KPa {
			o["unit"] = "kPa"
		}
		putIf(o, "timestamp", s.DeviceTime)
		putIf(o, "pulseRate", s.PulseRatePerMin)
		putIf(o, "userId", s.UserID)
		if s.Status.Present {
			o["measurementStatus"] = texts(s.Status.Value.Names())
		}
	case Weight:
		observeWeight(o, s)
	case MachineFeatures:
		o["features"], o["targets"] = texts(s.Names()), texts(s.TargetNames())
	case Range:
		o["min"], o["max"], o["increment"], o["unit"] = s.Min, s.Max, s.Step, s.Unit
	case TrainingStatus:
		o["status"], o["code"], o["extendedString"] = s.Name, float64(s.Code), s.Extended
		put(o, "string", s.Text)
	case MachineStatus:
		o["name"] = s.Name
		unit := map[string]string{"km/h": "kmh", "%": "percent", "W": "watts", "bpm": "bpm", "rpm": "rpm"}[s.Unit]
		if unit != "" {
			o[unit] = s.Values[0]
		}
	case MachineData:
		observeMachine(o, s)
	case DeviceText:
		o["string"] = s.Text
	case PnPID:
		o["vendorIdSource"], o["vendorId"], o["productId"] = float64(s.VendorIDSource), float64(s.VendorID), float64(s.ProductID)
		o["productVersion"] = s.VersionText()
	default:
		panic(fmt.Sprintf("no picture of %T", s))
	}
	if n := s.Unused().TrailingOctets; n > 0 {
		o["trailingBytes"] = float64(n)
	}
	return o
}

// plain turns a field into what JSON would hold.
func plain(v any) any {
	switch v := v.(type) {
	case Decimal:
		if n, ok := v.Value(); ok {
			return n
		}
		return nil
	case DateTime:
		return v.String()
	case uint8:
		return float64(v)
	case uint16:
		return float64(v)
	}
	return v
}

func put[T any](o map[string]any, name string, v Optional[T]) {
	o[name] = nil
	putIf(o, name, v)
}

func putIf[T any](o map[string]any, name string, v Optional[T]) {
	if got, ok := v.Get(); ok {
		o[name] = plain(got)
	}
}

func texts(names []string) []any {
	all := []any{}
	for _, n := range names {
		all = append(all, n)
	}
	return all
}

func observeHeartRate(o map[string]any, h HeartRate) {
	o["heartRate"] = float64(h.RatePerMin)
	o["sensorContactSupported"] = h.Contact != ContactNotSupported
	o["sensorContact"] = nil
	if h.Contact != ContactNotSupported {
		o["sensorContact"] = h.Contact == ContactGood
	}
	putIf(o, "energyExpendedKJ", h.EnergyKJ)
	if len(h.RR) == 0 {
		return
	}
	var raw, ms []any
	for i, ticks := range h.RR {
		raw, ms = append(raw, float64(ticks)), append(ms, h.RRMs(i))
	}
	o["rrRaw"], o["rrMs"] = raw, ms
}

func observePower(o map[string]any, p CyclingPower) {
	o["instantaneousPowerW"] = float64(p.PowerW)
	putIf(o, "pedalBalancePercent", p.PedalBalancePercent)
	if p.PedalBalancePercent.Present {
		o["balanceReference"] = map[bool]string{true: "left", false: "unknown"}[p.BalanceLeft]
	}
	putIf(o, "accumulatedTorqueNm", p.AccumulatedTorqueNm)
	if p.AccumulatedTorqueNm.Present {
		o["torqueSource"] = map[bool]string{true: "crank", false: "wheel"}[p.TorqueAtCrank]
	}
	observeTurns(o, p.Wheel, p.Crank)
	for name, x := range map[string]Optional[Extremes]{"ForceN": p.ForceN, "TorqueNm": p.TorqueNm, "AngleDeg": p.AngleDeg} {
		if x.Present {
			o["maximum"+name], o["minimum"+name] = x.Value.Max, x.Value.Min
		}
	}
	putIf(o, "topDeadSpotDeg", p.TopDeadSpotDeg)
	putIf(o, "bottomDeadSpotDeg", p.BottomDeadSpotDeg)
	putIf(o, "accumulatedEnergyKJ", p.AccumulatedEnergyKJ)
}

func observeTurns(o map[string]any, wheel Optional[Wheel], crank Optional[Crank]) {
	if w, ok := wheel.Get(); ok {
		o["wheelRevolutions"], o["wheelEventTimeS"] = float64(w.Revolutions), w.EventTimeS()
	}
	if c, ok := crank.Get(); ok {
		o["crankRevolutions"], o["crankEventTimeS"] = float64(c.Revolutions), c.EventTimeS()
	}
}

func observePair(o map[string]any, p Oximetry) map[string]any {
	o["spo2"], o["pulseRate"] = plain(p.SpO2Percent), plain(p.PulseRatePerMin)
	return o
}

func observeStatus(o map[string]any, s OximeterStatus) {
	if s.Measurement.Present {
		o["measurementStatus"] = texts(s.MeasurementNames())
	}
	if s.Device.Present {
		o["deviceStatus"] = texts(s.DeviceNames())
	}
}

func observeWeight(o map[string]any, w Weight) {
	o["unit"], o["weight"] = "kg", nil
	if w.Imperial {
		o["unit"] = "lb"
	}
	if w.Raw.Present {
		o["weight"] = float64(w.Raw.Value) * map[bool]float64{false: 0.005, true: 0.01}[w.Imperial]
		if kg, _ := w.Kg(); !w.Imperial && math.Abs(kg-o["weight"].(float64)) > 1e-9 {
			panic("two masses of one scale")
		}
	} else {
		o["measurementUnsuccessful"] = true
	}
	putIf(o, "timestamp", w.DeviceTime)
	putIf(o, "userId", w.UserID)
	putIf(o, "bmi", w.BMI)
	if m, ok := w.HeightM(); ok {
		o["height"], o["heightUnit"] = m, "m"
	}
}

func observeMachine(o map[string]any, d MachineData) {
	o["flags"], o["moreData"], o["fields"] = float64(d.Flags), d.MoreData, observeFields(d)
	if d.UUID == UUIDCrossTrainer {
		o["movementDirection"] = map[bool]string{true: "backward", false: "forward"}[d.Backward]
	}
}

func observeFields(d MachineData) map[string]any {
	fields := make(map[string]any)
	for _, f := range d.Fields() {
		raw, _ := d.Raw(f)
		one := map[string]any{"raw": float64(raw), "value": nil, "unit": d.Unit(f)}
		if v, ok := d.Value(f); ok {
			one["value"] = v
		}
		fields[f.String()] = one
	}
	return fields
}

// differ compares a picture with the wanted one; numbers may differ by the rounding of the test data. Names
// that are not wanted must not be there, but a wanted nil may be absent.
func differ(path string, got, want any) string {
	switch want := want.(type) {
	case map[string]any:
		g, ok := got.(map[string]any)
		if !ok {
			return fmt.Sprintf("%s: got %v, want %v", path, got, want)
		}
		for name := range g {
			if _, known := want[name]; !known {
				return fmt.Sprintf("%s.%s: got %v, want nothing", path, name, g[name])
			}
		}
		for name, w := range want {
			if why := differ(path+"."+name, g[name], w); why != "" {
				return why
			}
		}
		return ""
	case []any:
		g, ok := got.([]any)
		if !ok || len(g) != len(want) {
			return fmt.Sprintf("%s: got %v, want %v", path, got, want)
		}
		for i := range want {
			if why := differ(fmt.Sprintf("%s[%d]", path, i), g[i], want[i]); why != "" {
				return why
			}
		}
		return ""
	case float64:
		if g, ok := got.(float64); ok && math.Abs(g-want) <= 0.0005+1e-9*math.Abs(want) {
			return ""
		}
	default:
		if got == want {
			return ""
		}
	}
	return fmt.Sprintf("%s: got %v, want %v", path, got, want)
}
