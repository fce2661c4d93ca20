package gatt_test

import (
	"fmt"

	"gradus/gatt"
)

// A chest strap sends 75 beats/min and one interval.
func ExampleDecode() {
	sample, err := gatt.Decode(gatt.UUIDHeartRate, []byte{0x16, 0x4B, 0x4D, 0x03})
	if err != nil {
		fmt.Println(err)
		return
	}
	h := sample.(gatt.HeartRate)
	fmt.Printf("%d /min, contact %v, interval %.1f ms\n", h.RatePerMin, h.Contact == gatt.ContactGood, h.RRMs(0))

	_, err = gatt.Decode(gatt.UUIDHeartRate, []byte{0x01, 0x48})
	fmt.Println(err)
	// Output:
	// 75 /min, contact true, interval 825.2 ms
	// gatt: heart rate measurement (0x2A37), octet 1: short: heart rate needs 2 octets, 1 left
}

// A stepper that shows itself as a cross trainer sends its steps first and its power in a second packet.
func ExampleMerger() {
	var merger gatt.Merger
	for _, packet := range [][]byte{
		{0x09, 0x00, 0x00, 0x60, 0x00, 0x5C, 0x00},
		{0x00, 0x09, 0x00, 0x00, 0x00, 0x4B, 0x00, 0x70},
	} {
		part, err := gatt.DecodeCrossTrainer(packet)
		if err != nil {
			fmt.Println(err)
			return
		}
		record, whole, err := merger.Add(part)
		if err != nil || !whole {
			continue
		}
		for _, f := range record.Fields() {
			v, _ := record.Value(f)
			fmt.Println(f, v, record.Unit(f))
		}
	}
	// Output:
	// instantaneousSpeed 0 km/h
	// stepRate 96 steps/min
	// averageStepRate 92 steps/min
	// instantaneousPower 75 W
	// heartRate 112 bpm
}

// Crank counters become a cadence, and 0 when no revolution comes for three seconds.
func ExampleTracker() {
	tracker := gatt.NewCrankTracker()
	tracker.AddCrank(0, gatt.Crank{Revolutions: 65535, EventTicks: 65000})
	fmt.Println(tracker.AddCrank(1000, gatt.Crank{Revolutions: 0, EventTicks: 488}))
	fmt.Println(tracker.Now(5000))
	// Output:
	// 60 true
	// 0 true
}
