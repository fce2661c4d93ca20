package rows

import (
	"bytes"
	"math"
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

const pairs = "00010203040506070809" + "10111213141516171819" + "20212223242526272829" + "30313233343536373839" +
	"40414243444546474849" + "50515253545556575859" + "60616263646566676869" + "70717273747576777879" +
	"80818283848586878889" + "90919293949596979899"

// AppendFixed3 appends v with three decimals, rounded correctly (halves to even), as strconv does.
func AppendFixed3(to []byte, v float64, point byte) []byte {
	size := math.Abs(v)
	if !(size < 4e6) {
		return appendSlow(to, v, point)
	}
	scaled := size * 1000
	n := uint32(scaled)
	d := scaled - float64(n)
	if miss := d - 0.5; miss > 1e-6 {
		n++
	} else if miss >= -1e-6 { // so near to a half that the rounding of the product counts
		miss += math.FMA(size, 1000, -scaled)
		if miss > 0 || miss == 0 && n&1 == 1 {
			n++
		}
	}
	if math.Signbit(v) {
		to = append(to, '-')
	}
	whole, part := n/1000, n%1000
	if whole < 100 {
		if whole >= 10 {
			to = append(to, pairs[2*whole])
		}
		to = append(to, pairs[2*whole+1])
	} else {
		to = strconv.AppendUint(to, uint64(whole), 10)
	}
	low := 2 * (part % 100)
	return append(to, point, byte('0'+part/100), pairs[low], pairs[low+1])
}

func appendSlow(to []byte, v float64, point byte) []byte {
	from := len(to)
	to = strconv.AppendFloat(to, v, 'f', 3, 64)
	if at := bytes.IndexByte(to[from:], '.'); at >= 0 {
		to[from+at] = point
	}
	return to
}
