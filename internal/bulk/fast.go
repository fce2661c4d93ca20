package bulk

import (
	"gradus/estimate"
	"gradus/internal/rows"
)

// numeric is what the fast way knows of an input, or of a column.
type numeric struct {
	input     int     // -1: the column is not looked at
	low, high float64 // plausible
	codes     []estimate.Code
	byLetter  *[256]uint8 // which code a first letter belongs to; nil when letters are not enough
}

// firstLetters is nil when two words begin alike.
func firstLetters(codes []estimate.Code) *[256]uint8 {
	table, seen := &[256]uint8{}, [256]bool{}
	for i, c := range codes {
		if c.Word == "" || seen[c.Word[0]] || i > 255 {
			return nil
		}
		seen[c.Word[0]], table[c.Word[0]] = true, uint8(i)
	}
	return table
}

// fast reads a record of common spelling that begins at a place of data: plain numbers, no quotation marks, the
// right number of fields. It returns where the record and its line end end; next is 0 when the slow way must
// look.
func (w *worker) fast(data []byte, at int) (end, next int) {
	comma, point, values := w.comma, w.point, w.values
	for i := range w.inputsAt {
		c := &w.inputsAt[i]
		switch {
		case c.input < 0:
			for end = at; end < len(data) && data[end] != comma && data[end] >= ' '; end++ {
			}
		case len(c.codes) == 0:
			var v float64
			if v, end = rows.QuickDecimal(data, at, point); end == 0 || v < c.low || v > c.high {
				return 0, 0
			}
			values[c.input] = v
		case c.byLetter == nil:
			return 0, 0
		default:
			v, taken := c.code(data[at:])
			if taken == 0 {
				return 0, 0
			}
			values[c.input], end = v, at+taken
		}
		if end >= len(data) {
			return 0, 0
		}
		if data[end] != comma {
			if i+1 < len(w.inputsAt) {
				return 0, 0
			}
			break
		}
		at = end + 1
	}
	switch {
	case data[end] == '\n':
		return end, end + 1
	case data[end] == '\r' && end+1 < len(data) && data[end+1] == '\n':
		return end, end + 2
	}
	return 0, 0
}

// quick reads the common spelling of an input that begins at a place of the record. It returns where the next
// field begins (-1: none); done is false when the slow way must look.
func (w *worker) quick(record []byte, at, input int) (next int, done bool) {
	n := &w.inputs[input]
	v, taken := 0.0, 0
	if len(n.codes) == 0 {
		v, taken = rows.Decimal(record[at:], w.point)
		if v < n.low || v > n.high {
			return 0, false
		}
	} else if n.byLetter != nil {
		v, taken = n.code(record[at:])
	}
	if taken == 0 {
		return 0, false
	}
	w.values[input] = v
	end := at + taken
	if end == len(record) {
		return -1, true
	}
	return end + 1, record[end] == w.comma
}

// code finds the word that text begins with. The first letter says which it can only be, so that the usual
// case needs no guess.
func (n *numeric) code(text []byte) (v float64, taken int) {
	if len(text) == 0 {
		return 0, 0
	}
	c := &n.codes[n.byLetter[text[0]]]
	if len(text) < len(c.Word) || string(text[:len(c.Word)]) != c.Word {
		return 0, 0
	}
	return c.Value, len(c.Word)
}
