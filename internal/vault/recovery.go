package vault

import (
	"crypto/rand"
	"fmt"
	"strings"
)

const (
	recoveryGroups = 8
	groupLength    = 5 // four characters of 5 bits and one that checks them
)

// letters are the 32 characters of a recovery key; those that are taken for each other on paper are left out and read
// as the ones they look like.
const letters = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

var lookalikes = strings.NewReplacer("O", "0", "I", "1", "L", "1", "U", "V")

// Recovery is a recovery key: 160 bits, drawn by chance.
type Recovery struct {
	five [recoveryGroups * (groupLength - 1)]byte // 5 bits each
}

// NewRecovery draws a recovery key.
func NewRecovery() Recovery {
	var r Recovery
	rand.Read(r.five[:]) //nolint:errcheck // it never fails
	for i := range r.five {
		r.five[i] &= 31
	}
	return r
}

// Groups are the eight groups of five characters as they are printed.
func (r Recovery) Groups() []string {
	var groups []string
	for g := range recoveryGroups {
		part := r.five[g*(groupLength-1) : (g+1)*(groupLength-1)]
		var text []byte
		for _, v := range part {
			text = append(text, letters[v])
		}
		groups = append(groups, string(append(text, letters[checkOf(g, part)])))
	}
	return groups
}

// String writes the key on one line.
func (r Recovery) String() string { return strings.Join(r.Groups(), "-") }

// checkOf weighs four values and the place of their group in the field of 32 elements, each with another weight. Any
// one wrong character, any two exchanged ones and any two exchanged groups give another value.
func checkOf(group int, part []byte) byte {
	sum, weight := byte(0), byte(1)
	for _, v := range append([]byte{byte(group + 1)}, part...) {
		weight = times(weight, 2)
		sum ^= times(v, weight)
	}
	return sum
}

// times multiplies in the field of 32 elements, by x^5 + x^2 + 1.
func times(a, b byte) (product byte) {
	for range 5 {
		if b&1 != 0 {
			product ^= a
		}
		if a <<= 1; a&32 != 0 {
			a ^= 0b100101
		}
		b >>= 1
	}
	return product
}

// ParseRecovery reads a recovery key as somebody typed it: in any case, with any spaces and dashes. The error says
// which group is wrong.
func ParseRecovery(text string) (Recovery, error) {
	text = plainLetters(text)
	if len(text) != recoveryGroups*groupLength {
		return Recovery{}, fmt.Errorf("the recovery key has %d characters in %d groups of %d, not %d; look at the sheet again", recoveryGroups*groupLength, recoveryGroups, groupLength, len(text))
	}
	var r Recovery
	for g := range recoveryGroups {
		group := text[g*groupLength : (g+1)*groupLength]
		values := make([]byte, groupLength)
		for i := range group {
			at := strings.IndexByte(letters, group[i])
			if at < 0 {
				return Recovery{}, fmt.Errorf("group %d of the recovery key has a character that no key has; look at the sheet again", g+1)
			}
			values[i] = byte(at)
		}
		if checkOf(g, values[:groupLength-1]) != values[groupLength-1] {
			return Recovery{}, fmt.Errorf("group %d of the recovery key is not as it was printed; look at the sheet again", g+1)
		}
		copy(r.five[g*(groupLength-1):], values)
	}
	return r, nil
}

// Proves reports whether somebody has typed the n-th group (from 1) of the key.
func (r Recovery) Proves(n int, typed string) bool {
	return n >= 1 && n <= recoveryGroups && plainLetters(typed) == r.Groups()[n-1]
}

func plainLetters(text string) string {
	keep := func(c rune) rune {
		if strings.ContainsRune(" \t\r\n-–—\u00a0", c) {
			return -1
		}
		return c
	}
	return lookalikes.Replace(strings.ToUpper(strings.Map(keep, text)))
}
