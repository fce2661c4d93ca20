package gatt

// Features says which fields a sensor may send.
type Features struct {
	Surplus
	UUID uint16
	Bits uint32
}

// The bits of 0x2A65, 0x2A54 and 0x2A5C are from memory; nothing is decided by them.
var (
	cyclingPowerFeatures = []string{"pedalBalance", "accumulatedTorque", "wheelRevolutions", "crankRevolutions",
		"extremeMagnitudes", "extremeAngles", "deadSpotAngles", "accumulatedEnergy", "offsetCompensationIndicator",
		"offsetCompensation", "contentMasking", "multipleLocations", "crankLengthAdjustment", "chainLengthAdjustment",
		"chainWeightAdjustment", "spanLengthAdjustment", "torqueBased", "measurementDirection", "factoryCalibrationDate",
		"enhancedOffsetCompensation", "notForDistributedSystems", "forDistributedSystems"}
	runningFeatures = []string{"strideLength", "totalDistance", "walkingOrRunning", "calibration", "multipleLocations"}
	cyclingFeatures = []string{"wheelRevolutions", "crankRevolutions", "multipleLocations"}
)

func featureNames(uuid uint16) []string {
	switch uuid {
	case UUIDCyclingPowerFeature:
		return cyclingPowerFeatures
	case UUIDRunningFeature:
		return runningFeatures
	}
	return cyclingFeatures
}

// Names lists the features that the sensor has.
func (f Features) Names() []string { return names(f.Bits, featureNames(f.UUID)) }

// DecodeCyclingPowerFeature reads Cycling Power Feature, 0x2A65.
func DecodeCyclingPowerFeature(data []byte) (Features, error) {
	return decodeFeatures(UUIDCyclingPowerFeature, data, 4)
}

// DecodeRunningFeature reads RSC Feature, 0x2A54.
func DecodeRunningFeature(data []byte) (Features, error) {
	return decodeFeatures(UUIDRunningFeature, data, 2)
}

// DecodeCyclingFeature reads CSC Feature, 0x2A5C.
func DecodeCyclingFeature(data []byte) (Features, error) {
	return decodeFeatures(UUIDCyclingFeature, data, 2)
}

func decodeFeatures(uuid uint16, data []byte, width int) (Features, error) {
	c := newCursor(uuid, data)
	f := Features{UUID: uuid, Bits: c.uint(width, "features")}
	f.Surplus = c.surplus(f.Bits, named(featureNames(uuid)))
	return finish(&c, f)
}
