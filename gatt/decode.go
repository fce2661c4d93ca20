package gatt

// The characteristics that this package reads. 0xXXXX stands for 0000XXXX-0000-1000-8000-00805F9B34FB.
const (
	UUIDBattery             uint16 = 0x2A19
	UUIDModel               uint16 = 0x2A24
	UUIDFirmware            uint16 = 0x2A26
	UUIDHardware            uint16 = 0x2A27
	UUIDSoftware            uint16 = 0x2A28
	UUIDManufacturer        uint16 = 0x2A29
	UUIDBloodPressure       uint16 = 0x2A35
	UUIDCuffPressure        uint16 = 0x2A36
	UUIDHeartRate           uint16 = 0x2A37
	UUIDBodySensorLocation  uint16 = 0x2A38
	UUIDPnPID               uint16 = 0x2A50
	UUIDRunningSpeed        uint16 = 0x2A53
	UUIDRunningFeature      uint16 = 0x2A54
	UUIDCyclingSpeed        uint16 = 0x2A5B
	UUIDCyclingFeature      uint16 = 0x2A5C
	UUIDSensorLocation      uint16 = 0x2A5D
	UUIDSpotCheck           uint16 = 0x2A5E
	UUIDContinuous          uint16 = 0x2A5F
	UUIDCyclingPower        uint16 = 0x2A63
	UUIDCyclingPowerFeature uint16 = 0x2A65
	UUIDWeight              uint16 = 0x2A9D
	UUIDMachineFeature      uint16 = 0x2ACC
	UUIDTreadmill           uint16 = 0x2ACD
	UUIDCrossTrainer        uint16 = 0x2ACE
	UUIDStepClimber         uint16 = 0x2ACF
	UUIDStairClimber        uint16 = 0x2AD0
	UUIDRower               uint16 = 0x2AD1
	UUIDIndoorBike          uint16 = 0x2AD2
	UUIDTrainingStatus      uint16 = 0x2AD3
	UUIDSpeedRange          uint16 = 0x2AD4
	UUIDInclinationRange    uint16 = 0x2AD5
	UUIDResistanceRange     uint16 = 0x2AD6
	UUIDHeartRateRange      uint16 = 0x2AD7
	UUIDPowerRange          uint16 = 0x2AD8
	UUIDMachineStatus       uint16 = 0x2ADA
)

// How says how a value gets to the client.
type How string

// The ways of a value.
const (
	Read     How = "read"
	Notify   How = "notify"
	Indicate How = "indicate"
)

// Characteristic is one kind of value and where to find it.
type Characteristic struct {
	UUID, Service uint16
	Name          string
	How           How
	decode        func([]byte) (Sample, error)
}

// The services that hold the characteristics (seen).
const (
	ServiceDeviceInformation uint16 = 0x180A
	ServiceHeartRate         uint16 = 0x180D
	ServiceBattery           uint16 = 0x180F
	ServiceBloodPressure     uint16 = 0x1810
	ServiceRunningSpeed      uint16 = 0x1814
	ServiceCyclingSpeed      uint16 = 0x1816
	ServiceCyclingPower      uint16 = 0x1818
	ServiceWeightScale       uint16 = 0x181D
	ServicePulseOximeter     uint16 = 0x1822
	ServiceFitnessMachine    uint16 = 0x1826
)

// with turns a decoder into one that gives a Sample, and nil with an error.
func with[T Sample](decode func([]byte) (T, error)) func([]byte) (Sample, error) {
	return func(data []byte) (Sample, error) {
		sample, err := decode(data)
		if err != nil {
			return nil, err
		}
		return sample, nil
	}
}

func withText(uuid uint16) func([]byte) (Sample, error) {
	return with(func(data []byte) (DeviceText, error) { return DecodeDeviceText(uuid, data) })
}

var characteristics = [...]Characteristic{
	{UUIDBattery, ServiceBattery, "battery level", Notify, with(DecodeBattery)},
	{UUIDModel, ServiceDeviceInformation, "model number", Read, withText(UUIDModel)},
	{UUIDFirmware, ServiceDeviceInformation, "firmware revision", Read, withText(UUIDFirmware)},
	{UUIDHardware, ServiceDeviceInformation, "hardware revision", Read, withText(UUIDHardware)},
	{UUIDSoftware, ServiceDeviceInformation, "software revision", Read, withText(UUIDSoftware)},
	{UUIDManufacturer, ServiceDeviceInformation, "manufacturer name", Read, withText(UUIDManufacturer)},
	{UUIDBloodPressure, ServiceBloodPressure, "blood pressure measurement", Indicate, with(DecodeBloodPressure)},
	{UUIDCuffPressure, ServiceBloodPressure, "intermediate cuff pressure", Notify, with(DecodeCuffPressure)},
	{UUIDHeartRate, ServiceHeartRate, "heart rate measurement", Notify, with(DecodeHeartRate)},
	{UUIDBodySensorLocation, ServiceHeartRate, "body sensor location", Read, with(DecodeBodySensorLocation)},
	{UUIDPnPID, ServiceDeviceInformation, "PnP ID", Read, with(DecodePnPID)},
	{UUIDRunningSpeed, ServiceRunningSpeed, "running speed and cadence", Notify, with(DecodeRunningSpeed)},
	{UUIDRunningFeature, ServiceRunningSpeed, "running speed feature", Read, with(DecodeRunningFeature)},
	{UUIDCyclingSpeed, ServiceCyclingSpeed, "cycling speed and cadence", Notify, with(DecodeCyclingSpeed)},
	{UUIDCyclingFeature, ServiceCyclingSpeed, "cycling speed feature", Read, with(DecodeCyclingFeature)},
	{UUIDSensorLocation, ServiceCyclingPower, "sensor location", Read, with(DecodeSensorLocation)},
	{UUIDSpotCheck, ServicePulseOximeter, "pulse oximeter spot check", Indicate, with(DecodeSpotCheck)},
	{UUIDContinuous, ServicePulseOximeter, "pulse oximeter continuous", Notify, with(DecodeContinuous)},
	{UUIDCyclingPower, ServiceCyclingPower, "cycling power measurement", Notify, with(DecodeCyclingPower)},
	{UUIDCyclingPowerFeature, ServiceCyclingPower, "cycling power feature", Read, with(DecodeCyclingPowerFeature)},
	{UUIDWeight, ServiceWeightScale, "weight measurement", Indicate, with(DecodeWeight)},
	{UUIDMachineFeature, ServiceFitnessMachine, "fitness machine feature", Read, with(DecodeMachineFeature)},
	{UUIDTreadmill, ServiceFitnessMachine, "treadmill data", Notify, with(DecodeTreadmill)},
	{UUIDCrossTrainer, ServiceFitnessMachine, "cross trainer data", Notify, with(DecodeCrossTrainer)},
	{UUIDStepClimber, ServiceFitnessMachine, "step climber data", Notify, with(DecodeStepClimber)},
	{UUIDStairClimber, ServiceFitnessMachine, "stair climber data", Notify, with(DecodeStairClimber)},
	{UUIDRower, ServiceFitnessMachine, "rower data", Notify, with(DecodeRower)},
	{UUIDIndoorBike, ServiceFitnessMachine, "indoor bike data", Notify, with(DecodeIndoorBike)},
	{UUIDTrainingStatus, ServiceFitnessMachine, "training status", Notify, with(DecodeTrainingStatus)},
	{UUIDSpeedRange, ServiceFitnessMachine, "supported speed range", Read, with(DecodeSpeedRange)},
	{UUIDInclinationRange, ServiceFitnessMachine, "supported inclination range", Read, with(DecodeInclinationRange)},
	{UUIDResistanceRange, ServiceFitnessMachine, "supported resistance level range", Read, with(DecodeResistanceRange)},
	{UUIDHeartRateRange, ServiceFitnessMachine, "supported heart rate range", Read, with(DecodeHeartRateRange)},
	{UUIDPowerRange, ServiceFitnessMachine, "supported power range", Read, with(DecodePowerRange)},
	{UUIDMachineStatus, ServiceFitnessMachine, "fitness machine status", Notify, with(DecodeMachineStatus)},
}

// Characteristics lists what can be decoded, by number. A client needs the services to ask for access.
func Characteristics() []Characteristic { return append([]Characteristic(nil), characteristics[:]...) }

func find(uuid uint16) *Characteristic {
	for i := range characteristics {
		if characteristics[i].UUID == uuid {
			return &characteristics[i]
		}
	}
	return nil
}

// Name is the plain name of a characteristic.
func Name(uuid uint16) string {
	if c := find(uuid); c != nil {
		return c.Name
	}
	return "unknown characteristic"
}

// Decode reads one value of the characteristic. The error is an [*Error], and then the sample is nil. The
// sample keeps nothing of data.
func Decode(uuid uint16, data []byte) (Sample, error) {
	c := find(uuid)
	if c == nil {
		return nil, &Error{UUID: uuid, Problem: Unknown, Detail: "no decoder"}
	}
	return c.decode(data)
}
