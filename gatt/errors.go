package gatt

import "fmt"

// Problem says what is wrong with a packet.
type Problem string

// The problems of a packet.
const (
	Short   Problem = "short"      // fewer octets than the flags announce
	Length  Problem = "length"     // the octets fit none of the known field widths, or no attribute is that long
	Unknown Problem = "unknown"    // no decoder for this characteristic
	Order   Problem = "order"      // parts of a record that do not belong together
	Code    Problem = "reserved"   // a whole value that the standard reserves
	Text    Problem = "not a text" // a string that is not UTF-8
)

// Error names the characteristic, the octet and what is missing or wrong.
type Error struct {
	UUID    uint16
	Offset  int // of the octet where the trouble is, from 0
	Problem Problem
	Detail  string
}

func (e *Error) Error() string {
	return fmt.Sprintf("gatt: %s (0x%04X), octet %d: %s: %s", Name(e.UUID), e.UUID, e.Offset, e.Problem, e.Detail)
}

// maxOctets is the longest value of an attribute (Bluetooth Core, attribute protocol; memory, high confidence).
const maxOctets = 512
