package gatt

import (
	"fmt"
	"unicode/utf8"
)

// MachineFeatures is Fitness Machine Feature, 0x2ACC. What a machine accepts as a target is read, never used:
// the load is set by hand.
type MachineFeatures struct {
	Surplus // flags: the reserved bits of Bits
	Bits    uint32
	Targets uint32
}

// Bits seen; targets 14 to 16 in one public header only. Bit 8 is "stride count" in one listing and "stair
// count" in another.
var (
	machineFeatures = []string{"averageSpeed", "cadence", "totalDistance", "inclination", "elevationGain", "pace",
		"stepCount", "resistanceLevel", "strideCount", "expendedEnergy", "heartRateMeasurement", "metabolicEquivalent",
		"elapsedTime", "remainingTime", "powerMeasurement", "forceOnBeltAndPowerOutput", "userDataRetention"}
	machineTargets = []string{"speed", "inclination", "resistanceLevel", "power", "heartRate", "expendedEnergy",
		"stepNumber", "strideNumber", "distance", "trainingTime", "timeInTwoHeartRateZones", "timeInThreeHeartRateZones",
		"timeInFiveHeartRateZones", "indoorBikeSimulation", "wheelCircumference", "spinDown", "cadence"}
)

// Names lists what the machine can send.
func (f MachineFeatures) Names() []string { return names(f.Bits, machineFeatures) }

// TargetNames lists what another program could set.
func (f MachineFeatures) TargetNames() []string { return names(f.Targets, machineTargets) }

// DecodeMachineFeature reads Fitness Machine Feature, 0x2ACC.
func DecodeMachineFeature(data []byte) (MachineFeatures, error) {
	c := newCursor(UUIDMachineFeature, data)
	f := MachineFeatures{Bits: c.u32("features"), Targets: c.u32("target settings")}
	f.Surplus = c.surplus(f.Bits, named(machineFeatures))
	f.UnknownFlags |= f.Targets &^ named(machineTargets)
	return finish(&c, f)
}

// Range is a supported range, 0x2AD4 to 0x2AD8.
type Range struct {
	Surplus
	UUID           uint16
	Min, Max, Step float64
	Unit           string
}

// rangeOf gives width, sign, divisor and unit of the three numbers of a range (seen).
func rangeOf(uuid uint16) (width int, signed bool, per float64, unit string) {
	switch uuid {
	case UUIDSpeedRange:
		return 2, false, 100, "km/h"
	case UUIDInclinationRange:
		return 2, true, 10, "%"
	case UUIDResistanceRange:
		return 2, true, 10, "1"
	case UUIDHeartRateRange:
		return 1, false, 1, "bpm"
	}
	return 2, true, 1, "W"
}

// DecodeSpeedRange reads Supported Speed Range, 0x2AD4.
func DecodeSpeedRange(data []byte) (Range, error) { return decodeRange(UUIDSpeedRange, data) }

// DecodeInclinationRange reads Supported Inclination Range, 0x2AD5.
func DecodeInclinationRange(data []byte) (Range, error) {
	return decodeRange(UUIDInclinationRange, data)
}

// DecodeResistanceRange reads Supported Resistance Level Range, 0x2AD6: six octets, or three that count tens.
func DecodeResistanceRange(data []byte) (Range, error) { return decodeRange(UUIDResistanceRange, data) }

// DecodeHeartRateRange reads Supported Heart Rate Range, 0x2AD7.
func DecodeHeartRateRange(data []byte) (Range, error) { return decodeRange(UUIDHeartRateRange, data) }

// DecodePowerRange reads Supported Power Range, 0x2AD8.
func DecodePowerRange(data []byte) (Range, error) { return decodeRange(UUIDPowerRange, data) }

func decodeRange(uuid uint16, data []byte) (Range, error) {
	width, signed, per, unit := rangeOf(uuid)
	c := newCursor(uuid, data)
	tens := uuid == UUIDResistanceRange && len(data) == 3
	number := func(what string, signed bool) float64 {
		switch {
		case tens:
			return float64(10 * int(c.u8(what)))
		case signed && width == 2:
			return float64(c.s16(what)) / per
		}
		return float64(c.uint(width, what)) / per
	}
	r := Range{UUID: uuid, Unit: unit, Min: number("minimum", signed), Max: number("maximum", signed), Step: number("increment", false)}
	r.Surplus = c.surplus(0, 0)
	return finish(&c, r)
}

// TrainingStatus is 0x2AD3: what the machine's own programme is doing.
type TrainingStatus struct {
	Surplus
	Code     uint8
	Name     string // "" = reserved
	Text     Optional[string]
	Extended bool // the text is longer; read the characteristic for all of it
}

// Codes seen.
var trainingStatus = []string{"other", "idle", "warmingUp", "lowIntensityInterval", "highIntensityInterval",
	"recoveryInterval", "isometric", "heartRateControl", "fitnessTest", "speedBelowControlRegion",
	"speedAboveControlRegion", "coolDown", "wattControl", "manualMode", "preWorkout", "postWorkout"}

// DecodeTrainingStatus reads Training Status, 0x2AD3. Flags: 0 text, 1 text longer than a notification.
func DecodeTrainingStatus(data []byte) (TrainingStatus, error) {
	c := newCursor(UUIDTrainingStatus, data)
	flags := uint32(c.u8("flags"))
	s := TrainingStatus{Code: c.u8("status"), Extended: bit(flags, 1)}
	if int(s.Code) < len(trainingStatus) {
		s.Name = trainingStatus[s.Code]
	}
	if bit(flags, 0) {
		s.Text = some(c.text(s.Extended))
	}
	s.Surplus = c.surplus(flags, 3)
	return finish(&c, s)
}

// text reads the rest as UTF-8. When it was cut by the sender, a character cut in half at its end is left out.
func (c *cursor) text(cut bool) string {
	if c.err != nil {
		return ""
	}
	rest := c.data[c.at:]
	at := c.at
	c.at = len(c.data)
	if cut {
		rest = rest[:wholeRunes(rest)]
	}
	if !utf8.Valid(rest) {
		c.fail(Text, fmt.Sprintf("%q is not UTF-8", rest), at)
	}
	return string(rest)
}

func wholeRunes(b []byte) int {
	for back := 1; back < utf8.UTFMax && back <= len(b); back++ {
		if start := len(b) - back; utf8.RuneStart(b[start]) {
			if utf8.FullRune(b[start:]) {
				return len(b)
			}
			return start
		}
	}
	return len(b)
}

// MachineStatus is Fitness Machine Status, 0x2ADA: something happened at the machine.
type MachineStatus struct {
	Surplus
	Op     uint8
	Name   string // "" = reserved
	Values [5]float64
	Count  int // of Values that were sent
	Unit   string
}

// statusOp describes the parameters of a status. Codes seen in three listings, parameters in one of them.
type statusOp struct {
	name   string
	count  int
	width  int
	signed bool
	per    float64
	unit   string
}

var statusOps = map[uint8]statusOp{
	0x01: {name: "reset"},
	0x02: {"stoppedOrPausedByUser", 1, 1, false, 1, ""},
	0x03: {name: "stoppedBySafetyKey"},
	0x04: {name: "startedOrResumedByUser"},
	0x05: {"targetSpeedChanged", 1, 2, false, 100, "km/h"},
	0x06: {"targetInclineChanged", 1, 2, true, 10, "%"},
	0x07: {"targetResistanceLevelChanged", 1, 1, false, 10, "1"},
	0x08: {"targetPowerChanged", 1, 2, true, 1, "W"},
	0x09: {"targetHeartRateChanged", 1, 1, false, 1, "bpm"},
	0x0A: {"targetedExpendedEnergyChanged", 1, 2, false, 1, "kcal"},
	0x0B: {"targetedNumberOfStepsChanged", 1, 2, false, 1, "steps"},
	0x0C: {"targetedNumberOfStridesChanged", 1, 2, false, 1, "strides"},
	0x0D: {"targetedDistanceChanged", 1, 3, false, 1, "m"},
	0x0E: {"targetedTrainingTimeChanged", 1, 2, false, 1, "s"},
	0x0F: {"targetedTimeInTwoHeartRateZonesChanged", 2, 2, false, 1, "s"},
	0x10: {"targetedTimeInThreeHeartRateZonesChanged", 3, 2, false, 1, "s"},
	0x11: {"targetedTimeInFiveHeartRateZonesChanged", 5, 2, false, 1, "s"},
	0x12: {name: "indoorBikeSimulationParametersChanged"},
	0x13: {"wheelCircumferenceChanged", 1, 2, false, 10, "mm"},
	0x14: {"spinDownStatus", 1, 1, false, 1, ""},
	0x15: {"targetedCadenceChanged", 1, 2, false, 2, "rpm"},
	0xFF: {name: "controlPermissionLost"},
}

// Halted reports that the machine was stopped or paused at its console or by its safety key: work rate is no
// longer what the plan says.
func (s MachineStatus) Halted() bool { return s.Op == 0x02 || s.Op == 0x03 }

// DecodeMachineStatus reads Fitness Machine Status, 0x2ADA.
func DecodeMachineStatus(data []byte) (MachineStatus, error) {
	c := newCursor(UUIDMachineStatus, data)
	s := MachineStatus{Op: c.u8("op code")}
	op := statusOps[s.Op]
	s.Name, s.Count, s.Unit = op.name, op.count, op.unit
	for i := range op.count {
		v := c.uint(op.width, op.name)
		s.Values[i] = float64(v) / op.per
		if op.signed {
			s.Values[i] = float64(int16(v)) / op.per
		}
	}
	switch s.Op {
	case 0x02:
		s.Name = stopName(s.Values[0])
	case 0x12:
		c.simulation(&s)
	}
	s.Surplus = c.surplus(0, 0)
	return finish(&c, s)
}

func stopName(v float64) string {
	switch v {
	case 1:
		return "stoppedByUser"
	case 2:
		return "pausedByUser"
	}
	return "stoppedOrPausedByUser" // a reserved parameter: stopped all the same
}

// simulation reads wind (m/s), grade (%), rolling resistance (1) and wind resistance (kg/m).
func (c *cursor) simulation(s *MachineStatus) {
	s.Values[0] = float64(c.s16("wind speed")) / 1000
	s.Values[1] = float64(c.s16("grade")) / 100
	s.Values[2] = float64(c.u8("rolling resistance")) / 10000
	s.Values[3] = float64(c.u8("wind resistance")) / 100
	s.Count = 4
}
