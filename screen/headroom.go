package screen

import "fmt"

// Room is what lies between resting heart rate and the end point of a test.
type Room struct {
	BPM  float64 `json:"bpm"`
	Kind string  `json:"kind"` // enough, small, none
	Text string  `json:"text"`
}

// Headroom weighs the room between end point and resting heart rate, both in /min. Below 30 it is small: offer the
// small-step variant or a walk. At 10 or less there is none, and the test as planned is refused. Both limits are
// our own choice.
func Headroom(endPointBPM, restBPM float64) Room {
	limits := shipped().Headroom
	room := Room{BPM: endPointBPM - restBPM, Kind: "enough"}
	switch {
	case room.BPM <= limits.NoneAtMost:
		room.Kind = "none"
		room.Text = fmt.Sprintf("The end point of %v /min is only %v above the resting heart rate of %v: this test cannot be done as planned. Take a walk test, or let exertion lead.",
			endPointBPM, room.BPM, restBPM)
		if room.BPM < 0 {
			room.Text = fmt.Sprintf("The end point of %v /min lies below the resting heart rate of %v: this test cannot be done as planned. Take a walk test, or let exertion lead.", endPointBPM, restBPM)
		}
	case room.BPM < limits.SmallBelow:
		room.Kind = "small"
		room.Text = fmt.Sprintf("The end point of %v /min is only %v above the resting heart rate of %v: take the variant with small steps, or a walk test.",
			endPointBPM, room.BPM, restBPM)
	}
	return room
}
