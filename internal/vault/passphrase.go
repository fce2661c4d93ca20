package vault

import (
	_ "embed"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"

	"gradus/internal/tried"
)

// Lengths of a passphrase in characters. There are no rules about which characters.
const (
	ShortestPassphrase    = 8
	RecommendedPassphrase = 15
	longestPassphrase     = 1024
)

// WeakError says why a passphrase is not taken.
type WeakError struct{ Why string }

func (e *WeakError) Error() string { return e.Why }

// Check says what speaks against a new passphrase; nil when nothing does.
func Check(passphrase string) error {
	n := utf8.RuneCountInString(passphrase)
	switch {
	case !utf8.ValidString(passphrase):
		return &WeakError{"The passphrase is no text."}
	case n < ShortestPassphrase:
		return &WeakError{fmt.Sprintf("The passphrase has %d characters; take at least %d, better %d. A sentence of your own is easy to remember.", n, ShortestPassphrase, RecommendedPassphrase)}
	case n > longestPassphrase:
		return &WeakError{fmt.Sprintf("The passphrase has more than %d characters.", longestPassphrase)}
	case common(passphrase), tried.First(norm.NFKC.String(passphrase)):
		return &WeakError{"This passphrase is among the first that somebody would try. Take another, such as a sentence of your own."}
	}
	return nil
}

// normal makes the same passphrase of what different keyboards send for it.
func normal(passphrase string) []byte { return norm.NFKC.Bytes([]byte(passphrase)) }

//go:embed common.txt
var commonText string

// common reports whether a passphrase is one of those everybody takes, with figures behind it or not, one piece again
// and again, or a run along the alphabet or the figures.
func common(passphrase string) bool {
	folded := strings.ToLower(strings.Join(strings.Fields(norm.NFKC.String(passphrase)), ""))
	stem := strings.TrimRight(folded, "0123456789!?.-_*#")
	for line := range strings.Lines(commonText) {
		if line = strings.TrimSpace(line); line != "" && !strings.HasPrefix(line, "#") && (line == folded || line == stem) {
			return true
		}
	}
	return repeated(folded) || run(folded)
}

// repeated reports whether a text is a piece of at most four characters again and again.
func repeated(text string) bool {
	chars := []rune(text)
	for piece := 1; piece <= 4; piece++ {
		same := true
		for i := piece; i < len(chars); i++ {
			same = same && chars[i] == chars[i-piece]
		}
		if same && len(chars) > piece {
			return true
		}
	}
	return false
}

// run reports whether each character follows the one before, up or down.
func run(text string) bool {
	chars := []rune(text)
	up, down := len(chars) > 1, len(chars) > 1
	for i := 1; i < len(chars); i++ {
		up, down = up && chars[i] == chars[i-1]+1, down && chars[i] == chars[i-1]-1
	}
	return up || down
}
