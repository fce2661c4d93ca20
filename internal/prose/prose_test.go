package prose

import (
	"strings"
	"testing"
)

func wrapped(indent, text string) string {
	var b strings.Builder
	Wrap(&b, indent, text)
	return b.String()
}

func TestWrap(t *testing.T) {
	long := strings.Repeat("word ", 15) // 75 characters
	for _, c := range []struct{ name, indent, text, want string }{
		{"short", "  ", "One line.", "One line.\n"},
		{"fits", "", long + "four", long + "four\n"},
		{"wraps", "  ", long + "fives", strings.TrimSpace(long) + "\n  fives\n"},
		{"number with unit", "", long + "1 W", strings.TrimSpace(long) + " 1 W\n"},
		{"number with unit on the next line", "", long + "150 W", strings.TrimSpace(long) + "\n150 W\n"},
		{"spaces are kept", "", "a  b", "a  b\n"},
		{"control characters", "", "A\x1b[2J\tB\nC\u009b", "A [2J B C \n"},
		{"no line for a long word alone", "  ", strings.Repeat("x", 90), strings.Repeat("x", 90) + "\n"},
	} {
		if got := wrapped(c.indent, c.text); got != c.want {
			t.Errorf("%s:\n%q, want\n%q", c.name, got, c.want)
		}
	}
}
