package gatt

// Field names a quantity in the data of a fitness machine.
type Field uint8

// The quantities of the six machines. No machine sends all of them.
const (
	Speed Field = iota // km/h
	AverageSpeed
	TotalDistance // m
	Inclination   // per cent grade: the one for walking equations
	RampAngle     // degrees
	PositiveElevationGain
	NegativeElevationGain
	Pace // km/min or s per 500 m, see Unit
	AveragePace
	TotalEnergy // kcal
	EnergyPerHour
	EnergyPerMinute
	HeartRatePerMin
	MetabolicEquivalent // as the machine computes it, from a weight and formula of its own
	ElapsedTime         // s
	RemainingTime       // s
	ForceOnBelt         // N
	PowerOutput         // W, treadmill
	StepRate            // steps/min
	AverageStepRate
	StrideCount // a stride is a pair of steps
	ResistanceLevel
	Power // W
	AveragePower
	Floors
	StepCount
	StrokeRate // strokes/min
	AverageStrokeRate
	StrokeCount
	Cadence // rev/min
	AverageCadence
	fieldCount
)

var fieldNames = [fieldCount]string{"instantaneousSpeed", "averageSpeed", "totalDistance", "inclination", "rampAngle",
	"positiveElevationGain", "negativeElevationGain", "instantaneousPace", "averagePace", "totalEnergy",
	"energyPerHour", "energyPerMinute", "heartRate", "metabolicEquivalent", "elapsedTime", "remainingTime",
	"forceOnBelt", "powerOutput", "stepRate", "averageStepRate", "strideCount", "resistanceLevel",
	"instantaneousPower", "averagePower", "floors", "stepCount", "strokeRate", "averageStrokeRate", "strokeCount",
	"instantaneousCadence", "averageCadence"}

// String is the standard's name of the field.
func (f Field) String() string { return fieldNames[f] }

// Layout tells two revisions of the standard apart: they give treadmill pace and resistance level different
// widths. Everything else is the same in both.
type Layout uint8

// The layouts.
const (
	AnyLayout Layout = iota // no field that differs was sent
	LayoutA                 // assigned-numbers definitions of 2017
	LayoutB                 // the present GATT Specification Supplement
)

// slot is one field of a machine's data: present when flag bit gate is set (bit 0: when it is clear).
type slot struct {
	field  Field
	gate   int
	width  int // octets
	signed bool
	per    float64 // raw / per is the value
	unit   string
	b      *slot // the same field in layout B, when it differs
}

// machine is the layout of one characteristic.
type machine struct {
	uuid      uint16
	flagWidth int
	known     uint32 // flags with a meaning
	slots     []slot
}

func u8(f Field, gate int, per float64, unit string) slot {
	return slot{f, gate, 1, false, per, unit, nil}
}
func u16(f Field, gate int, per float64, unit string) slot {
	return slot{f, gate, 2, false, per, unit, nil}
}
func s16(f Field, gate int, per float64, unit string) slot {
	return slot{f, gate, 2, true, per, unit, nil}
}
func u24(f Field, gate int, per float64, unit string) slot {
	return slot{f, gate, 3, false, per, unit, nil}
}

func (s slot) or(b slot) slot {
	s.b = &b
	return s
}

// Layout B sends a resistance level as one octet that counts tens.
func resistance(gate int, per float64) slot {
	return s16(ResistanceLevel, gate, per, "1").or(u8(ResistanceLevel, gate, 0.1, "1"))
}

func treadmillPace(f Field, gate int) slot {
	return u8(f, gate, 10, "km/min").or(u16(f, gate, 1, "s/500m"))
}

func energy(gate int) []slot {
	return []slot{u16(TotalEnergy, gate, 1, "kcal"), u16(EnergyPerHour, gate, 1, "kcal/h"), u8(EnergyPerMinute, gate, 1, "kcal/min")}
}

// ending is what every machine's data closes with; the gates go up one by one.
func ending(gate int) []slot {
	return append(energy(gate), u8(HeartRatePerMin, gate+1, 1, "bpm"), u8(MetabolicEquivalent, gate+2, 10, "MET"),
		u16(ElapsedTime, gate+3, 1, "s"), u16(RemainingTime, gate+4, 1, "s"))
}

// machines holds the field order, width, resolution and unit of each machine: seen in the definitions of 2017;
// the widths of layout B seen in a library that follows the supplement. The definitions of 2017 label two bits
// of the indoor bike the wrong way round; the service specification (bit 1 average speed, bit 2 cadence) counts.
var machines = [...]machine{
	{UUIDTreadmill, 2, 0x1FFF, append(append([]slot{
		u16(Speed, 0, 100, "km/h"),
		u16(AverageSpeed, 1, 100, "km/h"),
		u24(TotalDistance, 2, 1, "m"),
		s16(Inclination, 3, 10, "%"), s16(RampAngle, 3, 10, "deg"),
		u16(PositiveElevationGain, 4, 10, "m"), u16(NegativeElevationGain, 4, 10, "m"),
		treadmillPace(Pace, 5),
		treadmillPace(AveragePace, 6),
	}, ending(7)...),
		s16(ForceOnBelt, 12, 1, "N"), s16(PowerOutput, 12, 1, "W"))},
	{UUIDCrossTrainer, 3, 0xFFFF, append([]slot{
		u16(Speed, 0, 100, "km/h"),
		u16(AverageSpeed, 1, 100, "km/h"),
		u24(TotalDistance, 2, 1, "m"),
		u16(StepRate, 3, 1, "steps/min"), u16(AverageStepRate, 3, 1, "steps/min"),
		u16(StrideCount, 4, 10, "strides"),
		u16(PositiveElevationGain, 5, 1, "m"), u16(NegativeElevationGain, 5, 1, "m"),
		s16(Inclination, 6, 10, "%"), s16(RampAngle, 6, 10, "deg"),
		resistance(7, 10),
		s16(Power, 8, 1, "W"),
		s16(AveragePower, 9, 1, "W"),
	}, ending(10)...)},
	{UUIDStepClimber, 2, 0x1FF, append([]slot{
		u16(Floors, 0, 1, "floors"), u16(StepCount, 0, 1, "steps"),
		u16(StepRate, 1, 1, "steps/min"),
		u16(AverageStepRate, 2, 1, "steps/min"),
		u16(PositiveElevationGain, 3, 1, "m"),
	}, ending(4)...)},
	{UUIDStairClimber, 2, 0x3FF, append([]slot{
		u16(Floors, 0, 1, "floors"),
		u16(StepRate, 1, 1, "steps/min"),
		u16(AverageStepRate, 2, 1, "steps/min"),
		u16(PositiveElevationGain, 3, 1, "m"),
		u16(StrideCount, 4, 1, "strides"),
	}, ending(5)...)},
	{UUIDRower, 2, 0x1FFF, append([]slot{
		u8(StrokeRate, 0, 2, "strokes/min"), u16(StrokeCount, 0, 1, "strokes"),
		u8(AverageStrokeRate, 1, 2, "strokes/min"),
		u24(TotalDistance, 2, 1, "m"),
		u16(Pace, 3, 1, "s/500m"),
		u16(AveragePace, 4, 1, "s/500m"),
		s16(Power, 5, 1, "W"),
		s16(AveragePower, 6, 1, "W"),
		resistance(7, 1),
	}, ending(8)...)},
	{UUIDIndoorBike, 2, 0x1FFF, append([]slot{
		u16(Speed, 0, 100, "km/h"),
		u16(AverageSpeed, 1, 100, "km/h"),
		u16(Cadence, 2, 2, "rpm"),
		u16(AverageCadence, 3, 2, "rpm"),
		u24(TotalDistance, 4, 1, "m"),
		resistance(5, 1),
		s16(Power, 6, 1, "W"),
		s16(AveragePower, 7, 1, "W"),
	}, ending(8)...)},
}

// The UUIDs of the six machines follow one another.
func machineFor(uuid uint16) *machine {
	if uuid < UUIDTreadmill || uuid > UUIDIndoorBike {
		return nil
	}
	return &machines[uuid-UUIDTreadmill]
}
