package gatt

import "fmt"

// Sample is one decoded value. A type switch tells which: [HeartRate], [MachineData], [CyclingPower] and so on.
type Sample interface {
	// Unused says what the sender added that the standard, as known here, does not define.
	Unused() Surplus
}

// Surplus counts what a packet holds beyond the defined fields. It makes no sample wrong, but a device that
// sends it may follow another revision of the standard.
type Surplus struct {
	UnknownFlags   uint32 // reserved flag bits that were set
	TrailingOctets int    // octets after the last announced field
}

// Unused returns s itself, so that every sample which embeds it is a [Sample].
func (s Surplus) Unused() Surplus { return s }

// Clean reports whether nothing was left over.
func (s Surplus) Clean() bool { return s == Surplus{} }

// Optional is a field that a packet may leave out.
type Optional[T any] struct {
	Value   T
	Present bool
}

// Get returns the value and whether it was sent.
func (o Optional[T]) Get() (T, bool) { return o.Value, o.Present }

func some[T any](v T) Optional[T] { return Optional[T]{Value: v, Present: true} }

// bit reports whether flag number n is set.
func bit(flags uint32, n int) bool { return flags>>n&1 == 1 }

// names lists the names of the bits that are set; a bit without a name is left out.
func names(bits uint32, table []string) []string {
	var set []string
	for n, name := range table {
		if name != "" && bit(bits, n) {
			set = append(set, name)
		}
	}
	return set
}

// named masks the bits that have a name.
func named(table []string) uint32 {
	var mask uint32
	for n, name := range table {
		if name != "" {
			mask |= 1 << n
		}
	}
	return mask
}

// DateTime is a device's own clock (seen: year 0, month 0 or day 0 mean not known; no time zone). Such clocks
// are often wrong: keep it as a note and record the time of arrival.
type DateTime struct {
	Year                             uint16
	Month, Day, Hour, Minute, Second uint8
}

func (c *cursor) dateTime() DateTime {
	return DateTime{
		Year: c.u16("year"), Month: c.u8("month"), Day: c.u8("day"),
		Hour: c.u8("hour"), Minute: c.u8("minute"), Second: c.u8("second"),
	}
}

// Plausible reports whether all parts are known and in range.
func (d DateTime) Plausible() bool {
	return d.Year >= 1582 && d.Year <= 9999 && d.Month >= 1 && d.Month <= 12 && d.Day >= 1 && d.Day <= 31 &&
		d.Hour < 24 && d.Minute < 60 && d.Second < 60
}

// String writes the parts as 2026-05-02T07:30:00, also when they are not plausible.
func (d DateTime) String() string {
	return fmt.Sprintf("%04d-%02d-%02dT%02d:%02d:%02d", d.Year, d.Month, d.Day, d.Hour, d.Minute, d.Second)
}
