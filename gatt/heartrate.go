package gatt

// Contact is what a heart rate sensor says about the skin.
type Contact uint8

// The states of contact.
const (
	ContactNotSupported Contact = iota // the sensor cannot tell
	ContactLost
	ContactGood
)

// HeartRate is one notification of Heart Rate Measurement, 0x2A37.
type HeartRate struct {
	Surplus
	RatePerMin uint16 // beats/min, as sent; 0 is no heart rate
	Contact    Contact
	EnergyKJ   Optional[uint16] // since the counter was reset; 65535 = full (memory)
	// RR holds the intervals between beats since the last notification, oldest first, in 1/1024 s as sent.
	RR []uint16
}

// Usable reports whether the rate is one: above 0, and the sensor does not say that contact is lost.
func (h HeartRate) Usable() bool { return h.RatePerMin > 0 && h.Contact != ContactLost }

// RRMs returns interval i in milliseconds.
func (h HeartRate) RRMs(i int) float64 { return TicksMs(h.RR[i]) }

// TicksMs converts an interval in 1/1024 s to milliseconds, exactly.
func TicksMs(ticks uint16) float64 { return float64(float64(ticks)*1000) / 1024 }

// DecodeHeartRate reads Heart Rate Measurement, 0x2A37. Flags: 0 = 16-bit rate, 1 contact, 2 contact supported,
// 3 energy, 4 intervals. Fields and order seen.
func DecodeHeartRate(data []byte) (HeartRate, error) {
	c := newCursor(UUIDHeartRate, data)
	flags := uint32(c.u8("flags"))
	var h HeartRate
	if bit(flags, 0) {
		h.RatePerMin = c.u16("heart rate")
	} else {
		h.RatePerMin = uint16(c.u8("heart rate"))
	}
	switch flags >> 1 & 3 {
	case 2:
		h.Contact = ContactLost
	case 3:
		h.Contact = ContactGood
	}
	if bit(flags, 3) {
		h.EnergyKJ = some(c.u16("energy expended"))
	}
	if n := c.left() / 2; c.err == nil && bit(flags, 4) && n > 0 {
		h.RR = make([]uint16, n)
		for i := range h.RR {
			h.RR[i] = c.u16("interval")
		}
	}
	h.Surplus = c.surplus(flags, 0x1F)
	return finish(&c, h)
}

// SensorLocation is where a sensor is worn: Body Sensor Location 0x2A38, or Sensor Location 0x2A5D of a bike or
// running sensor.
type SensorLocation struct {
	Surplus
	Code uint8
	Name string // "" = reserved
}

// Codes of 0x2A38 seen; those of 0x2A5D from memory.
var (
	bodyLocations   = []string{"other", "chest", "wrist", "finger", "hand", "earLobe", "foot"}
	sensorLocations = []string{"other", "topOfShoe", "inShoe", "hip", "frontWheel", "leftCrank", "rightCrank",
		"leftPedal", "rightPedal", "frontHub", "rearDropout", "chainstay", "rearWheel", "rearHub", "chest", "spider",
		"chainRing"}
)

// DecodeBodySensorLocation reads Body Sensor Location, 0x2A38. A chest strap is the one to trust in a test.
func DecodeBodySensorLocation(data []byte) (SensorLocation, error) {
	return decodeLocation(UUIDBodySensorLocation, data, bodyLocations)
}

// DecodeSensorLocation reads Sensor Location, 0x2A5D, of cycling power, cycling speed and running speed sensors.
func DecodeSensorLocation(data []byte) (SensorLocation, error) {
	return decodeLocation(UUIDSensorLocation, data, sensorLocations)
}

func decodeLocation(uuid uint16, data []byte, known []string) (SensorLocation, error) {
	c := newCursor(uuid, data)
	l := SensorLocation{Code: c.u8("location")}
	if int(l.Code) < len(known) {
		l.Name = known[l.Code]
	}
	l.Surplus = c.surplus(0, 0)
	return finish(&c, l)
}

// Battery is Battery Level, 0x2A19.
type Battery struct {
	Surplus
	// Percent is 0 to 100, and absent when the device sends a reserved value.
	Percent Optional[uint8]
}

// DecodeBattery reads Battery Level, 0x2A19. Range seen.
func DecodeBattery(data []byte) (Battery, error) {
	c := newCursor(UUIDBattery, data)
	level := c.u8("level")
	b := Battery{Surplus: c.surplus(0, 0)}
	if level <= 100 {
		b.Percent = some(level)
	}
	return finish(&c, b)
}
