package gatt

const (
	kgPerLb    = 0.45359237 // by definition of the international pound (memory, high confidence)
	mPerInch   = 0.0254     // by definition of the inch (memory, high confidence)
	noWeighing = 0xFFFF     // measurement unsuccessful (memory, medium confidence)
)

// Weight is Weight Measurement, 0x2A9D.
type Weight struct {
	Surplus
	Imperial   bool             // sent in lb and inches
	Raw        Optional[uint16] // in 0.005 kg or 0.01 lb; absent when the weighing did not succeed
	DeviceTime Optional[DateTime]
	UserID     Optional[uint8] // absent also when the scale sends 255, unknown
	BMI        Optional[float64]
	heightRaw  Optional[uint16]
}

// Kg returns the mass in kg, and false when the weighing did not succeed.
func (w Weight) Kg() (float64, bool) {
	if w.Imperial {
		return float64(float64(w.Raw.Value) / 100 * kgPerLb), w.Raw.Present
	}
	return float64(w.Raw.Value) / 200, w.Raw.Present
}

// HeightM returns the height in m that the scale was told, and false when it sends none.
func (w Weight) HeightM() (float64, bool) {
	if w.Imperial {
		return float64(float64(w.heightRaw.Value) / 10 * mPerInch), w.heightRaw.Present
	}
	return float64(w.heightRaw.Value) / 1000, w.heightRaw.Present
}

// DecodeWeight reads Weight Measurement, 0x2A9D. Flags: 0 imperial, 1 time, 2 user, 3 BMI and height. Fields
// and order seen.
func DecodeWeight(data []byte) (Weight, error) {
	c := newCursor(UUIDWeight, data)
	flags := uint32(c.u8("flags"))
	raw := c.u16("weight")
	w := Weight{Imperial: bit(flags, 0)}
	if raw != noWeighing {
		w.Raw = some(raw)
	}
	if bit(flags, 1) {
		w.DeviceTime = some(c.dateTime())
	}
	if bit(flags, 2) {
		w.UserID = c.user()
	}
	if bit(flags, 3) {
		w.BMI = some(float64(c.u16("body mass index")) / 10)
		w.heightRaw = some(c.u16("height"))
	}
	w.Surplus = c.surplus(flags, 0xF)
	return finish(&c, w)
}
