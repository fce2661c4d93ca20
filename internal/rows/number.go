package rows

import (
	"bytes"
	"encoding/binary"
	"math"
	"math/bits"
	"strconv"
)

// exactPowers are the powers of ten that a float64 holds exactly.
var exactPowers = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15}

// Decimal reads an unsigned or negative decimal number at the start of data, of 15 digits at most, such as 67
// or -70.5, with point as the decimal mark. It returns how many bytes it took; 0 means that Number must look.
// The value is the nearest float64.
func Decimal(data []byte, point byte) (v float64, taken int) {
	i, digits, decimals := 0, 0, 0
	negative := false
	if len(data) > 0 && data[0] == '-' {
		negative, i = true, 1
	}
	whole := uint64(0)
	from := i
	for i < len(data) {
		c := data[i] - '0'
		if c > 9 {
			break
		}
		whole = whole*10 + uint64(c)
		i++
	}
	if digits = i - from; digits == 0 || digits > 15 {
		return 0, 0
	}
	if i < len(data) && data[i] == point {
		i++
		from = i
		for i < len(data) {
			c := data[i] - '0'
			if c > 9 {
				break
			}
			whole = whole*10 + uint64(c)
			i++
		}
		if decimals = i - from; decimals == 0 || digits+decimals > 15 {
			return 0, 0
		}
	}
	v = float64(int64(whole))
	if decimals > 0 {
		v /= exactPowers[decimals]
	}
	if negative {
		v = -v
	}
	return v, i
}

const (
	zeros     = 0x3030303030303030
	highBits  = 0x8080808080808080
	quickRoom = 16 // bytes that must follow for QuickDecimal
)

// QuickDecimal reads an unsigned number of at most 7 digits before and after the decimal mark, eight bytes at
// a time. It returns where the number ends, 0 when Decimal or Number must look.
func QuickDecimal(data []byte, at int, point byte) (v float64, end int) {
	if at+quickRoom > len(data) {
		return 0, 0
	}
	whole, n := eightDigits(binary.LittleEndian.Uint64(data[at:]))
	if n == 0 || n == 8 {
		return 0, 0
	}
	if end = at + n; data[end] != point {
		return float64(int64(whole)), end
	}
	part, m := eightDigits(binary.LittleEndian.Uint64(data[end+1:]))
	if m == 0 || m == 8 {
		return 0, 0
	}
	scale := exactPowers[m]
	return float64(int64(whole*uint64(scale)+part)) / scale, end + 1 + m
}

// eightDigits reads the digits that a word of text begins with (first character in the lowest byte) and counts
// them; 8 may mean that more follow.
func eightDigits(text uint64) (v uint64, n int) {
	text ^= zeros
	// A byte above 9 gets its high bit set; what it carries into later bytes does not matter.
	n = bits.TrailingZeros64(((text+0x7676767676767676)|text)&highBits) / 8
	text <<= 64 - 8*uint(n) // the digits at the end, zeros before them
	text = text*10 + text>>8
	const ends = 0x000000FF000000FF
	return ((text&ends)*(100+1000000<<32) + (text>>16&ends)*(1+10000<<32)) >> 32, n
}

// Number reads the text of a cell as a number: digits, sign, decimal mark, exponent. With decimalComma both
// marks are understood, but not both in one number.
func Number(text []byte, decimalComma bool) (float64, bool) {
	for _, c := range text {
		switch {
		case c >= '0' && c <= '9' || c == '.' || c == '-' || c == '+' || c == 'e' || c == 'E':
		case c == ',' && decimalComma:
		default:
			return 0, false
		}
	}
	if decimalComma && bytes.IndexByte(text, ',') >= 0 {
		if bytes.IndexByte(text, '.') >= 0 || bytes.Count(text, []byte{','}) > 1 {
			return 0, false
		}
		text = bytes.ReplaceAll(text, []byte{','}, []byte{'.'})
	}
	v, err := strconv.ParseFloat(string(text), 64)
	return v, err == nil
}

// triples holds the three digits of 0 to 999 as text, first digit in the lowest byte.
var triples = func() (t [1000]uint32) {
	for i := range uint32(1000) {
		t[i] = '0' + i/100 | ('0'+i/10%10)<<8 | ('0'+i%10)<<16
	}
	return t
}()

// AppendFixed3 appends v with three decimals, rounded correctly (halves to even), as strconv does.
func AppendFixed3(to []byte, v float64, point byte) []byte {
	size := math.Abs(v)
	if !(size < 999) {
		return appendSlow(to, v, point)
	}
	scaled := size * 1000
	n := uint32(int64(scaled + 0.5))
	if over := scaled + 0.5 - float64(n); over < 1e-6 || over > 1-1e-6 {
		n = nearHalf(size, scaled) // so near to a half that the rounding of the product counts
	}
	if math.Signbit(v) {
		to = append(to, '-')
	}
	whole, part := n/1000, n%1000
	width := uint32(3)
	if whole < 100 {
		width = 2
	}
	if whole < 10 {
		width = 1
	}
	text := uint64(triples[whole]>>(24-8*width)) | (uint64(point)|uint64(triples[part])<<8)<<(8*width)
	end := len(to) + int(width) + 4
	return binary.LittleEndian.AppendUint64(to, text)[:end]
}

// nearHalf rounds size*1000 to a whole number; scaled is that product, rounded.
func nearHalf(size, scaled float64) uint32 {
	n := uint32(int64(scaled))
	miss := scaled - float64(n) - 0.5 + math.FMA(size, 1000, -scaled)
	if miss > 0 || miss == 0 && n&1 == 1 {
		n++
	}
	return n
}

func appendSlow(to []byte, v float64, point byte) []byte {
	from := len(to)
	to = strconv.AppendFloat(to, v, 'f', 3, 64)
	if at := bytes.IndexByte(to[from:], '.'); at >= 0 {
		to[from+at] = point
	}
	return to
}
