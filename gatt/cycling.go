package gatt

// Wheel is a cumulative counter of wheel revolutions and the time of the last one.
type Wheel struct {
	Revolutions    uint32
	EventTicks     uint16
	TicksPerSecond uint16 // 2048 in cycling power, 1024 in cycling speed and cadence
}

// EventTimeS is the time of the last revolution in seconds; it starts again at 0 after 32 or 64 s.
func (w Wheel) EventTimeS() float64 { return float64(w.EventTicks) / float64(w.TicksPerSecond) }

// Crank is a cumulative counter of crank revolutions and the time of the last one in 1/1024 s.
type Crank struct {
	Revolutions uint16
	EventTicks  uint16
}

// EventTimeS is the time of the last revolution in seconds; it starts again at 0 after 64 s.
func (c Crank) EventTimeS() float64 { return float64(c.EventTicks) / 1024 }

func (c *cursor) wheel(ticksPerSecond uint16) Optional[Wheel] {
	return some(Wheel{Revolutions: c.u32("wheel revolutions"), EventTicks: c.u16("wheel event time"), TicksPerSecond: ticksPerSecond})
}

func (c *cursor) crank() Optional[Crank] {
	return some(Crank{Revolutions: c.u16("crank revolutions"), EventTicks: c.u16("crank event time")})
}

// Extremes are the largest and smallest value within a revolution.
type Extremes struct{ Max, Min float64 }

// CyclingPower is one notification of Cycling Power Measurement, 0x2A63.
type CyclingPower struct {
	Surplus
	PowerW              int16
	PedalBalancePercent Optional[float64] // share of the left pedal, or of one of them when BalanceLeft is false
	BalanceLeft         bool
	AccumulatedTorqueNm Optional[float64] // turns over at 2048 N m
	TorqueAtCrank       bool              // else at the wheel
	Wheel               Optional[Wheel]
	Crank               Optional[Crank]
	ForceN              Optional[Extremes]
	TorqueNm            Optional[Extremes]
	AngleDeg            Optional[Extremes] // as sent, 0 to 4095
	TopDeadSpotDeg      Optional[uint16]
	BottomDeadSpotDeg   Optional[uint16]
	AccumulatedEnergyKJ Optional[uint16]
	OffsetCompensation  bool // the indicator, no field
}

// DecodeCyclingPower reads Cycling Power Measurement, 0x2A63. Fields and order seen. The larger angle comes
// first, in the low 12 bits.
func DecodeCyclingPower(data []byte) (CyclingPower, error) {
	c := newCursor(UUIDCyclingPower, data)
	flags := uint32(c.u16("flags"))
	p := CyclingPower{
		PowerW: c.s16("power"), BalanceLeft: bit(flags, 1), TorqueAtCrank: bit(flags, 3), OffsetCompensation: bit(flags, 12),
	}
	if bit(flags, 0) {
		p.PedalBalancePercent = some(float64(c.u8("pedal balance")) / 2)
	}
	if bit(flags, 2) {
		p.AccumulatedTorqueNm = some(float64(c.u16("accumulated torque")) / 32)
	}
	if bit(flags, 4) {
		p.Wheel = c.wheel(2048)
	}
	if bit(flags, 5) {
		p.Crank = c.crank()
	}
	c.extremes(flags, &p)
	if bit(flags, 9) {
		p.TopDeadSpotDeg = some(c.u16("top dead spot"))
	}
	if bit(flags, 10) {
		p.BottomDeadSpotDeg = some(c.u16("bottom dead spot"))
	}
	if bit(flags, 11) {
		p.AccumulatedEnergyKJ = some(c.u16("accumulated energy"))
	}
	p.Surplus = c.surplus(flags, 0x1FFF)
	return finish(&c, p)
}

func (c *cursor) extremes(flags uint32, p *CyclingPower) {
	if bit(flags, 6) {
		p.ForceN = some(Extremes{Max: float64(c.s16("maximum force")), Min: float64(c.s16("minimum force"))})
	}
	if bit(flags, 7) {
		p.TorqueNm = some(Extremes{Max: float64(c.s16("maximum torque")) / 32, Min: float64(c.s16("minimum torque")) / 32})
	}
	if bit(flags, 8) {
		packed := c.uint(3, "maximum and minimum angle")
		p.AngleDeg = some(Extremes{Max: float64(packed & 0xFFF), Min: float64(packed >> 12)})
	}
}

// CyclingSpeed is one notification of CSC Measurement, 0x2A5B.
type CyclingSpeed struct {
	Surplus
	Wheel Optional[Wheel]
	Crank Optional[Crank]
}

// DecodeCyclingSpeed reads CSC Measurement, 0x2A5B. Flags: 0 wheel, 1 crank. Fields seen.
func DecodeCyclingSpeed(data []byte) (CyclingSpeed, error) {
	c := newCursor(UUIDCyclingSpeed, data)
	flags := uint32(c.u8("flags"))
	var s CyclingSpeed
	if bit(flags, 0) {
		s.Wheel = c.wheel(1024)
	}
	if bit(flags, 1) {
		s.Crank = c.crank()
	}
	s.Surplus = c.surplus(flags, 3)
	return finish(&c, s)
}

// RunningSpeed is one notification of RSC Measurement, 0x2A53.
type RunningSpeed struct {
	Surplus
	SpeedMPerS float64
	// CadencePerMin is as sent. Sources disagree whether steps or strides are counted: compare with a count.
	CadencePerMin  uint8
	StrideLengthM  Optional[float64]
	TotalDistanceM Optional[float64]
	Running        bool // else walking
}

// DecodeRunningSpeed reads RSC Measurement, 0x2A53. Flags: 0 stride length, 1 total distance, 2 running. Fields seen.
func DecodeRunningSpeed(data []byte) (RunningSpeed, error) {
	c := newCursor(UUIDRunningSpeed, data)
	flags := uint32(c.u8("flags"))
	s := RunningSpeed{SpeedMPerS: float64(c.u16("speed")) / 256, CadencePerMin: c.u8("cadence"), Running: bit(flags, 2)}
	if bit(flags, 0) {
		s.StrideLengthM = some(float64(c.u16("stride length")) / 100)
	}
	if bit(flags, 1) {
		s.TotalDistanceM = some(float64(c.u32("total distance")) / 10)
	}
	s.Surplus = c.surplus(flags, 7)
	return finish(&c, s)
}
