package gatt

import "strconv"

// Decimal is an SFLOAT, the 16-bit number of medical devices (IEEE 11073-20601): Mantissa times ten to the
// Exponent. It stays decimal, so that 97.5 is 97.5. Layout and special words seen.
type Decimal struct {
	Mantissa int16 // -2048 to 2047
	Exponent int8  // -8 to 7
	Special  Special
}

// Special marks a word that is no number.
type Special uint8

// The special words. Only a Number has a value.
const (
	Number   Special = iota
	NaN              // 0x07FF: not a number
	NRes             // 0x0800: not at this resolution
	PlusInf          // 0x07FE
	MinusInf         // 0x0802
	Reserved         // 0x0801
)

var specialNames = [...]string{"number", "NaN", "NRes", "+INF", "-INF", "reserved"}

func (s Special) String() string { return specialNames[s] }

// ParseSFloat reads one SFLOAT word. The special words have exponent 0; 0xF800 is an ordinary -204.8.
func ParseSFloat(word uint16) Decimal {
	switch word {
	case 0x07FF:
		return Decimal{Special: NaN}
	case 0x0800:
		return Decimal{Special: NRes}
	case 0x07FE:
		return Decimal{Special: PlusInf}
	case 0x0802:
		return Decimal{Special: MinusInf}
	case 0x0801:
		return Decimal{Special: Reserved}
	}
	return Decimal{Mantissa: int16(word<<4) >> 4, Exponent: int8(word>>8) >> 4}
}

var tens = [...]float64{1, 10, 100, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8}

// Value returns the number nearest to the decimal, and false for a special word.
func (d Decimal) Value() (float64, bool) {
	if d.Special != Number {
		return 0, false
	}
	if d.Exponent < 0 {
		return float64(d.Mantissa) / tens[-d.Exponent], true
	}
	return float64(float64(d.Mantissa) * tens[d.Exponent]), true
}

// String writes the decimal with the digits it was sent with: 2.000 stays 2.000.
func (d Decimal) String() string {
	v, ok := d.Value()
	if !ok {
		return d.Special.String()
	}
	return strconv.FormatFloat(v, 'f', max(0, -int(d.Exponent)), 64)
}
