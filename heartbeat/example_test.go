package heartbeat_test

import (
	"fmt"

	"gradus/heartbeat"
)

// A chest strap at 75 /min misses one beat; the mean of the last 15 s does not notice.
func ExampleWindow() {
	w := heartbeat.NewWindow(heartbeat.Window15s)
	for second := int64(0); second < 20; second++ {
		for _, beat := range beatsOfSecond(second) {
			w.AddIntervals(second*1000+900, []uint16{beat})
		}
	}
	reading := w.Reading(19900)
	fmt.Println(reading)
	fmt.Println(reading.OK())

	fmt.Println(w.Reading(24000))
	// Output:
	// 75.0 /min, 17 beats used, 1 dropped
	// true
	// 75.0 /min, 12 beats used, 1 dropped, poor: more than 3 s without a usable beat
}

// beatsOfSecond makes 800 ms intervals, in 1/1024 s, with one of double length.
func beatsOfSecond(second int64) []uint16 {
	switch {
	case second == 12:
		return nil
	case second == 13:
		return []uint16{1638}
	case second%4 == 3:
		return []uint16{819, 819}
	}
	return []uint16{819}
}

func ExampleRate() {
	fmt.Println(heartbeat.Rate([]float64{750, 760, 740, 755, 745, 300, 450, 750, 1500, 745, 750, 755, 740}))
	// Output:
	// 80.1 /min, 10 beats used, 2 dropped, poor: more than 10 % of the beats dropped
}
