package audit

import (
	"bufio"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// minDigits is how many hexadecimal digits of a hash an anchor needs at least: 64 bits.
const minDigits = 16

// Anchor is the head of a trail as it is kept elsewhere: on a paper, in the manifest of a backup, in a file that the
// server cannot write. Its text is audit:SEQ:DIGITS, and with a key audit:SEQ:DIGITS:MAC.
type Anchor struct {
	Seq    int64
	Digits string // of the hash, from its beginning
	MAC    string // HMAC-SHA-256 of the text before it; "" without a key
}

// Anchor is the head with all its digits.
func (h Head) Anchor() Anchor { return Anchor{Seq: h.Seq, Digits: h.Hash.String()} }

// Short is the head as a paper prints it.
func (h Head) Short() Anchor { return Anchor{Seq: h.Seq, Digits: h.Hash.String()[:minDigits]} }

func (a Anchor) String() string {
	if a.MAC != "" {
		return a.bare() + ":" + a.MAC
	}
	return a.bare()
}

func (a Anchor) bare() string { return "audit:" + strconv.FormatInt(a.Seq, 10) + ":" + a.Digits }

// Sign adds the proof that somebody with the key made the anchor.
func (a Anchor) Sign(key []byte) Anchor {
	a.MAC = hex.EncodeToString(a.mac(key))
	return a
}

func (a Anchor) mac(key []byte) []byte {
	m := hmac.New(sha256.New, key)
	m.Write([]byte(a.bare()))
	return m.Sum(nil)
}

// Signed reports whether the key made the anchor.
func (a Anchor) Signed(key []byte) bool {
	have, err := hex.DecodeString(a.MAC)
	return err == nil && hmac.Equal(have, a.mac(key))
}

func (a Anchor) fits(h Head) bool {
	return a.Seq == h.Seq && strings.HasPrefix(h.Hash.String(), a.Digits)
}

// ParseAnchor reads the text of an anchor.
func ParseAnchor(s string) (Anchor, error) {
	bad := fmt.Errorf("%q is no anchor; one is written as audit:NUMBER:DIGITS with at least %d digits of the hash", cut(s), minDigits)
	parts := strings.Split(s, ":")
	if len(parts) < 3 || len(parts) > 4 || parts[0] != "audit" {
		return Anchor{}, bad
	}
	a := Anchor{Digits: parts[2]}
	var err error
	if a.Seq, err = strconv.ParseInt(parts[1], 10, 64); err != nil || a.Seq < 0 || strconv.FormatInt(a.Seq, 10) != parts[1] {
		return Anchor{}, bad
	}
	if len(a.Digits) < minDigits || len(a.Digits) > 2*len(Hash{}) || !isHex(a.Digits) {
		return Anchor{}, bad
	}
	if len(parts) == 4 {
		if a.MAC = parts[3]; len(a.MAC) != 2*sha256.Size || !isHex(a.MAC) {
			return Anchor{}, bad
		}
	}
	return a, nil
}

func isHex(s string) bool {
	return !strings.ContainsFunc(s, func(r rune) bool { return !(r >= '0' && r <= '9' || r >= 'a' && r <= 'f') })
}

// ReadAnchors reads the anchors of a text, wherever they stand in it, as in a backup's manifest. With a key each must
// be signed by it. name names the text in errors.
func ReadAnchors(r io.Reader, name string, key []byte) (list []Anchor, err error) {
	lines := bufio.NewScanner(r)
	for n := 1; lines.Scan(); n++ {
		for _, word := range strings.FieldsFunc(lines.Text(), func(r rune) bool { return strings.ContainsRune(" \t\",;()", r) }) {
			if !strings.HasPrefix(word, "audit:") {
				continue
			}
			a, err := ParseAnchor(word)
			if err != nil {
				return nil, fmt.Errorf("%s:%d: %w", name, n, err)
			}
			if key != nil && !a.Signed(key) {
				return nil, fmt.Errorf("%s:%d: anchor %d is not signed by this key", name, n, a.Seq)
			}
			list = append(list, a)
		}
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if len(list) == 0 {
		return nil, fmt.Errorf("%s: it holds no anchor; print one with 'gradus audit anchor'", name)
	}
	return list, nil
}
