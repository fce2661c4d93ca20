package audit

import (
	"bytes"
	"strings"
	"testing"
)

// An exported trail is followed or its faults are named, whatever the file holds; so are lists of anchors.
func FuzzCheckFile(f *testing.F) {
	entries, hashes := chain(3)
	text := file(entries, hashes)
	f.Add([]byte(text))
	f.Add([]byte(text[:len(text)-40]))
	f.Add([]byte(strings.Replace(text, "test/T2", "test/T9", 1)))
	f.Add([]byte(Head{3, hashes[2]}.Anchor().String()))
	f.Fuzz(func(t *testing.T, text []byte) {
		n := int64(0)
		head, faults, err := CheckFile(bytes.NewReader(text), "fuzz", nil, func(Entry) { n++ })
		if err == nil && len(faults) == 0 && head.Seq != n {
			t.Errorf("%d entries and a head of %d without a fault", n, head.Seq)
		}
		_, _ = ReadAnchors(bytes.NewReader(text), "fuzz", nil) // an error is an answer
		_, _ = ParseAnchor(string(text))
	})
}
