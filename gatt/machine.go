package gatt

import "fmt"

// MachineData is one notification of a fitness machine, or a whole record that a [Merger] put together. It is a
// plain value and can be compared and copied.
type MachineData struct {
	Surplus
	UUID     uint16
	Flags    uint32 // as sent; of the last part in a merged record
	MoreData bool   // the rest of the record comes in another notification
	Backward bool   // cross trainer only: the direction of movement
	Layout   Layout
	present  uint32 // by Field
	raw      [fieldCount]int32
}

// DecodeTreadmill reads Treadmill Data, 0x2ACD.
func DecodeTreadmill(data []byte) (MachineData, error) { return decodeMachine(UUIDTreadmill, data) }

// DecodeCrossTrainer reads Cross Trainer Data, 0x2ACE. A recumbent stepper usually shows itself as one.
func DecodeCrossTrainer(data []byte) (MachineData, error) {
	return decodeMachine(UUIDCrossTrainer, data)
}

// DecodeStepClimber reads Step Climber Data, 0x2ACF. It has no power.
func DecodeStepClimber(data []byte) (MachineData, error) { return decodeMachine(UUIDStepClimber, data) }

// DecodeStairClimber reads Stair Climber Data, 0x2AD0. It has no power.
func DecodeStairClimber(data []byte) (MachineData, error) {
	return decodeMachine(UUIDStairClimber, data)
}

// DecodeRower reads Rower Data, 0x2AD1.
func DecodeRower(data []byte) (MachineData, error) { return decodeMachine(UUIDRower, data) }

// DecodeIndoorBike reads Indoor Bike Data, 0x2AD2.
func DecodeIndoorBike(data []byte) (MachineData, error) { return decodeMachine(UUIDIndoorBike, data) }

func decodeMachine(uuid uint16, data []byte) (MachineData, error) {
	c := newCursor(uuid, data)
	m := machineFor(uuid)
	flags := c.uint(m.flagWidth, "flags")
	d := MachineData{UUID: uuid, Flags: flags, MoreData: bit(flags, 0), Backward: uuid == UUIDCrossTrainer && bit(flags, 15)}
	d.Layout = c.layout(m, flags)
	for i := range m.slots {
		s := &m.slots[i]
		if !s.gated(flags) {
			continue
		}
		s = s.in(d.Layout)
		v := c.uint(s.width, s.field.String())
		d.present |= 1 << s.field
		d.raw[s.field] = int32(v)
		if s.signed {
			d.raw[s.field] = int32(int16(v))
		}
	}
	d.Surplus = c.surplus(flags, m.known)
	return finish(&c, d)
}

// gated reports whether the flags announce the field. Bit 0 is the other way round: 0 = there.
func (s *slot) gated(flags uint32) bool { return bit(flags, s.gate) != (s.gate == 0) }

func (s *slot) in(l Layout) *slot {
	if l == LayoutB && s.b != nil {
		return s.b
	}
	return s
}

// layout finds the one layout that needs as many octets as there are. When a field of differing width was sent
// and no layout fits, the octets after it could be anything: that is an error, not a guess.
func (c *cursor) layout(m *machine, flags uint32) Layout {
	a, b := 0, 0
	var differs *slot
	for i := range m.slots {
		s := &m.slots[i]
		if !s.gated(flags) {
			continue
		}
		a += s.width
		b += s.in(LayoutB).width
		if s.b != nil && differs == nil {
			differs = s
		}
	}
	left := c.left()
	switch {
	case c.err != nil || differs == nil:
		return AnyLayout
	case left == a:
		return LayoutA
	case left == b:
		return LayoutB
	case left < min(a, b):
		return LayoutA // the field that is cut off is found in reading
	}
	c.fail(Length, fmt.Sprintf("%d octets of fields; with %s they are %d or %d", left, differs.field, a, b), c.at)
	return AnyLayout
}

// Raw returns a field as sent, and false when it was not.
func (d *MachineData) Raw(f Field) (int32, bool) { return d.raw[f], d.present>>f&1 == 1 }

// Value returns a field in its unit, and false when it was not sent or the machine says "not available".
// A heart rate of 0 is no reading, but it is what was sent.
func (d *MachineData) Value(f Field) (float64, bool) {
	raw, ok := d.Raw(f)
	if !ok || notAvailable(f, raw) {
		return 0, false
	}
	s := d.slot(f)
	if s.per < 1 { // the one field that counts tens
		return float64(float64(raw) * 10), true
	}
	return float64(raw) / s.per, true
}

// notAvailable knows the codes of the energy fields (seen).
func notAvailable(f Field, raw int32) bool {
	switch f {
	case TotalEnergy, EnergyPerHour:
		return raw == 0xFFFF
	case EnergyPerMinute:
		return raw == 0xFF
	}
	return false
}

// Unit is the unit of Value for this machine; "1" is a bare number, "" a field that it does not know.
func (d *MachineData) Unit(f Field) string {
	if s := d.slot(f); s != nil {
		return s.unit
	}
	return ""
}

func (d *MachineData) slot(f Field) *slot {
	m := machineFor(d.UUID)
	if m == nil {
		return nil
	}
	for i := range m.slots {
		if m.slots[i].field == f {
			return m.slots[i].in(d.Layout)
		}
	}
	return nil
}

// Fields lists what was sent, in the standard's order.
func (d *MachineData) Fields() []Field {
	var sent []Field
	if m := machineFor(d.UUID); m != nil {
		for _, s := range m.slots {
			if _, ok := d.Raw(s.field); ok {
				sent = append(sent, s.field)
			}
		}
	}
	return sent
}

// PowerW is the power of the person in W. A treadmill's own power output is not one.
func (d *MachineData) PowerW() (float64, bool) { return d.Value(Power) }

// CadencePerMin is pedal revolutions, steps or strokes per minute, whichever the machine counts.
func (d *MachineData) CadencePerMin() (float64, bool) {
	for _, f := range [...]Field{Cadence, StepRate, StrokeRate} {
		if v, ok := d.Value(f); ok {
			return v, true
		}
	}
	return 0, false
}

// Merger puts the parts of a record together. A machine that cannot fit a record into one notification sends
// parts with More Data set and closes with one that has it clear. Use one Merger per machine and characteristic.
type Merger struct {
	parts  MachineData
	open   bool
	layout Layout // of the last part in which it showed
	// Dropped counts records whose closing part never came.
	Dropped int
}

// Add takes the next part. It returns the record and true when the part closes one. A part that repeats a field
// belongs to a new record: the unfinished one is dropped and counted, so that no old value slips into a new
// record. A part of another characteristic, or of another layout than the one before it, is an error.
func (m *Merger) Add(part MachineData) (MachineData, bool, error) {
	if m.open && part.UUID != m.parts.UUID {
		return MachineData{}, false, &Error{UUID: part.UUID, Problem: Order, Detail: fmt.Sprintf("a part of 0x%04X is open; use one merger for each characteristic", m.parts.UUID)}
	}
	if m.layout != AnyLayout && part.Layout != AnyLayout && part.Layout != m.layout {
		m.layout = part.Layout // a second packet of this width is believed
		m.Lost()
		return MachineData{}, false, &Error{UUID: part.UUID, Problem: Length, Detail: "the field widths changed; a stray octet is likely"}
	}
	if part.Layout != AnyLayout {
		m.layout = part.Layout
	}
	if m.open && m.parts.present&part.present != 0 {
		m.Lost()
	}
	if m.open {
		part = m.parts.with(part)
	}
	m.parts, m.open = part, part.MoreData
	return part, !part.MoreData, nil
}

// Lost drops an unfinished record; call it when the connection ends.
func (m *Merger) Lost() {
	if m.open {
		m.Dropped++
	}
	m.parts, m.open = MachineData{}, false
}

func (d MachineData) with(later MachineData) MachineData {
	for f := range fieldCount {
		if raw, ok := d.Raw(f); ok {
			later.raw[f] = raw
		}
	}
	later.present |= d.present
	later.UnknownFlags |= d.UnknownFlags
	later.TrailingOctets += d.TrailingOctets
	if later.Layout == AnyLayout {
		later.Layout = d.Layout
	}
	return later
}
