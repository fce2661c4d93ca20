package gatt

import "fmt"

// cursor reads little-endian fields one after the other and remembers the first one that is not all there.
// After that it gives zeros, so that a decoder needs one check at its end.
type cursor struct {
	data []byte
	at   int
	uuid uint16
	err  *Error
}

func newCursor(uuid uint16, data []byte) cursor {
	c := cursor{data: data, uuid: uuid}
	if len(data) > maxOctets {
		c.fail(Length, fmt.Sprintf("%d octets, and no value has more than %d", len(data), maxOctets), maxOctets)
	}
	return c
}

func (c *cursor) fail(p Problem, detail string, at int) {
	if c.err == nil {
		c.err = &Error{UUID: c.uuid, Offset: at, Problem: p, Detail: detail}
	}
}

// uint reads n octets, 1 to 4.
func (c *cursor) uint(n int, what string) uint32 {
	if c.err != nil {
		return 0
	}
	if left := len(c.data) - c.at; left < n {
		c.fail(Short, fmt.Sprintf("%s needs %d octets, %d left", what, n, left), c.at)
		return 0
	}
	var v uint32
	for i := range n {
		v |= uint32(c.data[c.at+i]) << (8 * i)
	}
	c.at += n
	return v
}

func (c *cursor) u8(what string) uint8   { return uint8(c.uint(1, what)) }
func (c *cursor) u16(what string) uint16 { return uint16(c.uint(2, what)) }
func (c *cursor) s16(what string) int16  { return int16(c.uint(2, what)) }
func (c *cursor) u32(what string) uint32 { return c.uint(4, what) }

func (c *cursor) sfloat(what string) Decimal { return ParseSFloat(c.u16(what)) }

func (c *cursor) left() int { return len(c.data) - c.at }

// surplus is what the decoder did not use.
func (c *cursor) surplus(flags, known uint32) Surplus {
	return Surplus{UnknownFlags: flags &^ known, TrailingOctets: c.left()}
}

// finish gives the sample, or none at all when something was missing.
func finish[T any](c *cursor, sample T) (T, error) {
	if c.err != nil {
		var none T
		return none, c.err
	}
	return sample, nil
}
