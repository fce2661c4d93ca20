// Package tried knows the passwords that are tried first, so that nobody takes one.
//
// The list is that of the npm package @zxcvbn-ts/language-common, version 3.0.4 (MIT, LICENSE.txt): passwords that leaked, the
// most frequent ones, in small letters and of at least 8 characters, sorted and pressed. It is a list of the frequent ones
// among those that leaked, not of all of them.
package tried

import (
	"bytes"
	"compress/gzip"
	_ "embed"
	"io"
	"slices"
	"strings"
	"sync"
)

//go:embed passwords.txt.gz
var pressed []byte

// list is sorted.
var list = sync.OnceValue(func() []string {
	z, err := gzip.NewReader(bytes.NewReader(pressed))
	if err != nil {
		panic("tried: " + err.Error())
	}
	text, err := io.ReadAll(z)
	if err != nil {
		panic("tried: " + err.Error())
	}
	return strings.Fields(string(text))
})

// First reports whether a text is on the list, in whatever case, also with digits and signs behind it or before it.
func First(text string) bool {
	low := strings.ToLower(strings.TrimSpace(text))
	const ends = "0123456789!?.,-_*#$%&+@ "
	for _, one := range []string{low, strings.TrimRight(low, ends), strings.TrimLeft(low, ends), strings.Trim(low, ends)} {
		if _, there := slices.BinarySearch(list(), one); there {
			return true
		}
	}
	return false
}
