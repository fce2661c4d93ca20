package gatt

// mmHgPerKPa turns kPa into mmHg (memory, high confidence; 1 mmHg is 133.322 Pa by convention).
const mmHgPerKPa = 7.50062

// Pressure is a cuff pressure in the unit it was sent in.
type Pressure struct {
	Sent Decimal
	KPa  bool // else mmHg
}

// MmHg returns the pressure in mmHg, and false when the device sent no number.
func (p Pressure) MmHg() (float64, bool) {
	v, ok := p.Sent.Value()
	if !p.KPa || !ok {
		return v, ok
	}
	return float64(v * mmHgPerKPa), true
}

// PulseRange is what a monitor says about the pulse rate against its own range.
type PulseRange uint8

// The answers of a monitor.
const (
	PulseWithinRange PulseRange = iota
	PulseAboveRange
	PulseBelowRange
	PulseRangeReserved
)

// CuffStatus is the status of a blood pressure measurement. Bits seen.
type CuffStatus uint16

var cuffStatus = []string{0: "bodyMovement", 1: "cuffTooLoose", 2: "irregularPulse", 5: "improperPosition"}

// Names lists the bits that are set, without the two of the pulse range.
func (s CuffStatus) Names() []string { return names(uint32(s), cuffStatus) }

// PulseRange tells whether the pulse rate was above or below the monitor's range.
func (s CuffStatus) PulseRange() PulseRange { return PulseRange(s >> 3 & 3) }

// BloodPressure is Blood Pressure Measurement, 0x2A35. Cuffs often give no number in exercise; then none is
// made up.
type BloodPressure struct {
	Surplus
	Systolic, Diastolic, Mean Pressure
	DeviceTime                Optional[DateTime]
	PulseRatePerMin           Optional[Decimal]
	UserID                    Optional[uint8] // absent also when the monitor sends 255, unknown
	Status                    Optional[CuffStatus]
}

// DecodeBloodPressure reads Blood Pressure Measurement, 0x2A35. Flags: 0 kPa, 1 time, 2 pulse rate, 3 user,
// 4 status. Fields and order seen.
func DecodeBloodPressure(data []byte) (BloodPressure, error) {
	return decodePressure(UUIDBloodPressure, data)
}

// CuffPressure is Intermediate Cuff Pressure, 0x2A36: the pressure in the cuff while it works.
type CuffPressure struct {
	Surplus
	Cuff            Pressure
	DeviceTime      Optional[DateTime]
	PulseRatePerMin Optional[Decimal]
	UserID          Optional[uint8]
	Status          Optional[CuffStatus]
}

// DecodeCuffPressure reads Intermediate Cuff Pressure, 0x2A36. It is laid out as 0x2A35; the cuff pressure
// stands in the place of the systolic one and the two others hold no number (memory).
func DecodeCuffPressure(data []byte) (CuffPressure, error) {
	b, err := decodePressure(UUIDCuffPressure, data)
	return CuffPressure{b.Surplus, b.Systolic, b.DeviceTime, b.PulseRatePerMin, b.UserID, b.Status}, err
}

func decodePressure(uuid uint16, data []byte) (BloodPressure, error) {
	c := newCursor(uuid, data)
	flags := uint32(c.u8("flags"))
	kPa := bit(flags, 0)
	b := BloodPressure{
		Systolic:  Pressure{c.sfloat("systolic pressure"), kPa},
		Diastolic: Pressure{c.sfloat("diastolic pressure"), kPa},
		Mean:      Pressure{c.sfloat("mean pressure"), kPa},
	}
	if bit(flags, 1) {
		b.DeviceTime = some(c.dateTime())
	}
	if bit(flags, 2) {
		b.PulseRatePerMin = some(c.sfloat("pulse rate"))
	}
	if bit(flags, 3) {
		b.UserID = c.user()
	}
	if bit(flags, 4) {
		b.Status = some(CuffStatus(c.u16("status")))
	}
	b.Surplus = c.surplus(flags, 0x1F)
	return finish(&c, b)
}

// user reads a user number; 255 means that the device does not know.
func (c *cursor) user() Optional[uint8] {
	id := c.u8("user")
	if id == 255 {
		return Optional[uint8]{}
	}
	return some(id)
}
