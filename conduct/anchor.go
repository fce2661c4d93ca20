package conduct

import "gradus/protocol"

// Clocks is what a device knows of time when it takes a test up again after a crash, a sleep or a take-over.
type Clocks struct {
	LastAt   protocol.Ms // test time of the last event
	SameBoot bool        // the clock that runs since the machine started has not begun anew
	Boot     protocol.Ms // time by that clock since the last event
	HasWall  bool        // both wall times are known
	Wall     protocol.Ms // difference of wall times since the last event; may be negative
}

// Limits of the wall clock as an anchor, our own choice: a longer pause, or a clock that went back, is not
// believed.
const (
	wallAtMost   = 30 * protocol.Minute
	wallUnsure   = 5 * protocol.Second
	minuteUnsure = 30 * protocol.Second
)

// Anchor gives the test time to go on from, by the best clock there is: the one that survives a crash of the
// program; else the difference of wall times when it lies between 0 and 30 minutes. Otherwise ask is true: the
// examiner is asked which minute it is, and [AnchorByExaminer] makes the event. The event still wants its id.
func Anchor(c Clocks) (e Event, ask bool) {
	switch {
	case c.SameBoot && c.Boot >= 0:
		return Event{Kind: Resumed, At: c.LastAt + c.Boot, Code: "boot"}, false
	case c.HasWall && c.Wall >= 0 && c.Wall <= wallAtMost:
		return Event{Kind: Resumed, At: c.LastAt + c.Wall, Code: "wall", V: float64(wallUnsure) / float64(protocol.Second)}, false
	}
	return Event{}, true
}

// AnchorByExaminer makes the anchor from the minute of the test the examiner names: the middle of it, or the
// last event's time when that is later.
func AnchorByExaminer(c Clocks, minute int) Event {
	at := protocol.Ms(max(minute, 1))*protocol.Minute - minuteUnsure
	return Event{Kind: Resumed, At: max(at, c.LastAt), Code: "examiner", V: float64(minuteUnsure) / float64(protocol.Second)}
}
