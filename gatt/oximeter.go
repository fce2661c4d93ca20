package gatt

// Oximetry is one pair of oxygen saturation and pulse rate.
type Oximetry struct {
	SpO2Percent     Decimal
	PulseRatePerMin Decimal
}

func (c *cursor) oximetry(which string) Oximetry {
	return Oximetry{SpO2Percent: c.sfloat(which + "oxygen saturation"), PulseRatePerMin: c.sfloat(which + "pulse rate")}
}

// Trust is how far a value may be used.
type Trust uint8

// The degrees of trust.
const (
	Good Trust = iota
	Questionable
	NoValue
)

// OximeterStatus holds the two sets of status bits of a pulse oximeter. Bits seen.
type OximeterStatus struct {
	Measurement Optional[uint16]
	Device      Optional[uint32] // 24 bits
}

var (
	measurementStatus = []string{5: "measurementOngoing", 6: "earlyEstimatedData", 7: "validatedData",
		8: "fullyQualifiedData", 9: "dataFromMeasurementStorage", 10: "dataForDemonstration", 11: "dataForTesting",
		12: "calibrationOngoing", 13: "measurementUnavailable", 14: "questionableMeasurement", 15: "invalidMeasurement"}
	deviceStatus = []string{"extendedDisplayUpdateOngoing", "equipmentMalfunction", "signalProcessingIrregularity",
		"inadequateSignal", "poorSignal", "lowPerfusion", "erraticSignal", "nonPulsatileSignal", "questionablePulse",
		"signalAnalysisOngoing", "sensorInterference", "sensorUnconnectedToUser", "unknownSensorConnected",
		"sensorDisplaced", "sensorMalfunctioning", "sensorDisconnected"}
)

// The bits that take trust away are our own choice.
const (
	measurementNone  = 1<<10 | 1<<11 | 1<<13 | 1<<15
	measurementDoubt = 1<<6 | 1<<12 | 1<<14
	deviceNone       = 1<<1 | 1<<11 | 1<<14 | 1<<15
	deviceDoubt      = 1<<2 | 1<<3 | 1<<4 | 1<<5 | 1<<6 | 1<<7 | 1<<8 | 1<<10 | 1<<13
)

// MeasurementNames lists the bits set in the measurement status.
func (s OximeterStatus) MeasurementNames() []string {
	return names(uint32(s.Measurement.Value), measurementStatus)
}

// DeviceNames lists the bits set in the device and sensor status.
func (s OximeterStatus) DeviceNames() []string { return names(s.Device.Value, deviceStatus) }

// Trust judges the status: a demonstration, a test value, an invalid or unavailable measurement and a sensor
// that is off the finger or broken give no value; a poor, early or disturbed one is questionable.
func (s OximeterStatus) Trust() Trust {
	m, d := s.Measurement.Value, s.Device.Value
	switch {
	case m&measurementNone != 0 || d&deviceNone != 0:
		return NoValue
	case m&measurementDoubt != 0 || d&deviceDoubt != 0:
		return Questionable
	}
	return Good
}

func (c *cursor) oximeterStatus(measurement, device bool) OximeterStatus {
	var s OximeterStatus
	if measurement {
		s.Measurement = some(c.u16("measurement status"))
	}
	if device {
		s.Device = some(c.uint(3, "device and sensor status"))
	}
	return s
}

// SpotCheck is PLX Spot-check Measurement, 0x2A5E.
type SpotCheck struct {
	Surplus
	Oximetry
	OximeterStatus
	DeviceTime            Optional[DateTime]
	PulseAmplitudePercent Optional[Decimal]
	ClockNotSet           bool // DeviceTime means nothing
}

// DecodeSpotCheck reads PLX Spot-check Measurement, 0x2A5E. Flags: 0 time, 1 measurement status, 2 device
// status, 3 pulse amplitude, 4 clock not set. Fields and order seen.
func DecodeSpotCheck(data []byte) (SpotCheck, error) {
	c := newCursor(UUIDSpotCheck, data)
	flags := uint32(c.u8("flags"))
	s := SpotCheck{Oximetry: c.oximetry(""), ClockNotSet: bit(flags, 4)}
	if bit(flags, 0) {
		s.DeviceTime = some(c.dateTime())
	}
	s.OximeterStatus = c.oximeterStatus(bit(flags, 1), bit(flags, 2))
	if bit(flags, 3) {
		s.PulseAmplitudePercent = some(c.sfloat("pulse amplitude index"))
	}
	s.Surplus = c.surplus(flags, 0x1F)
	return finish(&c, s)
}

// Continuous is PLX Continuous Measurement, 0x2A5F: the normal averaging time, and a faster and a slower one
// when the device has them.
type Continuous struct {
	Surplus
	Oximetry
	OximeterStatus
	Fast, Slow            Optional[Oximetry]
	PulseAmplitudePercent Optional[Decimal]
}

// DecodeContinuous reads PLX Continuous Measurement, 0x2A5F. Flags: 0 fast, 1 slow, 2 measurement status, 3
// device status, 4 pulse amplitude. Fields and order seen.
func DecodeContinuous(data []byte) (Continuous, error) {
	c := newCursor(UUIDContinuous, data)
	flags := uint32(c.u8("flags"))
	s := Continuous{Oximetry: c.oximetry("")}
	if bit(flags, 0) {
		s.Fast = some(c.oximetry("fast "))
	}
	if bit(flags, 1) {
		s.Slow = some(c.oximetry("slow "))
	}
	s.OximeterStatus = c.oximeterStatus(bit(flags, 2), bit(flags, 3))
	if bit(flags, 4) {
		s.PulseAmplitudePercent = some(c.sfloat("pulse amplitude index"))
	}
	s.Surplus = c.surplus(flags, 0x1F)
	return finish(&c, s)
}
