// Package audit is the trail of who saw, entered, corrected, exported and signed what and when: entries that are only
// ever added, each bound to the one before by a hash, so that a changed, removed or moved entry is found and located.
//
// The chain is h(0) = 32 zero bytes, h(i) = SHA-256(h(i-1) followed by the canonical JSON of entry i). It cannot tell
// that its end was cut off or that somebody with the whole database computed all of it anew; for that its head is kept
// elsewhere, as an [Anchor]. An entry names persons, tests and accounts by number alone and holds no word of what was
// recorded, only digests, so that a person can be deleted and the chain stays whole.
package audit

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"unicode/utf8"
)

// Entry is what one line of the trail says. A field that is empty is left out of its JSON.
type Entry struct {
	Seq     int64  `json:"seq"` // 1, 2, …
	At      string `json:"at"`  // UTC, RFC 3339
	Actor   string `json:"actor,omitempty"`
	Session string `json:"session,omitempty"`
	Action  string `json:"action,omitempty"`
	Entity  string `json:"entity,omitempty"` // such as person/5, test/T or visit/3/fact/2
	Before  string `json:"before,omitempty"` // digests of what was recorded
	After   string `json:"after,omitempty"`
	Parts   string `json:"parts,omitempty"` // of several events that came at once, the beginning of each one's digest
	Reason  string `json:"reason,omitempty"`
	Meaning string `json:"meaning,omitempty"` // of a signature
	Note    string `json:"note,omitempty"`
}

// Canonical is the entry as JSON with its keys in order and no white space, the same bytes for the same entry.
func (e Entry) Canonical() []byte {
	b := make([]byte, 0, 384)
	for _, f := range [...]struct{ key, value string }{
		{"action", e.Action}, {"actor", e.Actor}, {"after", e.After}, {"at", e.At}, {"before", e.Before}, {"entity", e.Entity},
		{"meaning", e.Meaning}, {"note", e.Note}, {"parts", e.Parts}, {"reason", e.Reason}, {"seq", ""}, {"session", e.Session},
	} {
		switch {
		case f.key == "seq":
			b = strconv.AppendInt(append(b, `,"seq":`...), e.Seq, 10)
		case f.value != "" || f.key == "at":
			b = append(append(append(b, `,"`...), f.key...), `":`...)
			b = appendString(b, f.value)
		}
	}
	b[0] = '{'
	return append(b, '}')
}

// appendString writes a JSON string that escapes only what it must.
func appendString(b []byte, s string) []byte {
	b = append(b, '"')
	for _, r := range s { // what is not UTF-8 becomes U+FFFD, as it does when it is read again
		switch {
		case r == '"' || r == '\\':
			b = append(b, '\\', byte(r))
		case r == '\n':
			b = append(b, '\\', 'n')
		case r == '\t':
			b = append(b, '\\', 't')
		case r == '\r':
			b = append(b, '\\', 'r')
		case r == '\b':
			b = append(b, '\\', 'b')
		case r == '\f':
			b = append(b, '\\', 'f')
		case r < ' ':
			b = fmt.Appendf(b, `\u%04x`, r)
		default:
			b = utf8.AppendRune(b, r)
		}
	}
	return append(b, '"')
}

// ReadEntry reads an entry that is written in its canonical form.
func ReadEntry(text []byte) (e Entry, err error) {
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&e); err != nil {
		return e, fmt.Errorf("it is no entry: %w", err)
	}
	if _, err := d.Token(); err != io.EOF {
		return e, fmt.Errorf("something follows the entry")
	}
	if !bytes.Equal(e.Canonical(), text) {
		return e, fmt.Errorf("it is not written as the program writes entries")
	}
	return e, nil
}

// Hash binds an entry to all before it.
type Hash [sha256.Size]byte

// Next is the hash of an entry after the one with the hash prev.
func Next(prev Hash, canonical []byte) Hash {
	h := sha256.New()
	h.Write(prev[:])
	h.Write(canonical)
	return Hash(h.Sum(nil))
}

func (h Hash) String() string { return hex.EncodeToString(h[:]) }

// ParseHash reads 64 hexadecimal digits.
func ParseHash(s string) (h Hash, err error) {
	b, err := hex.DecodeString(s)
	if err != nil || len(b) != len(h) || hex.EncodeToString(b) != s {
		return h, fmt.Errorf("%q is no hash of 64 hexadecimal digits", cut(s))
	}
	return Hash(b), nil
}

func cut(s string) string {
	if len(s) > 80 {
		return s[:80] + "…"
	}
	return s
}
