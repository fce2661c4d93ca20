// Package prose writes paragraphs for the terminal and for plain text files: wrapped, a number and its unit together
// on one line, and nothing of what it is told can steer the terminal.
package prose

import (
	"regexp"
	"strings"
	"unicode"
)

// Width fits a screen and a printed page.
const Width = 79

// unbroken finds a number and its unit, which stay on one line.
var unbroken = regexp.MustCompile(`(\d) (%|W\b|kg\b|mmHg\b|mL\b|/min|MET)`)

const stuck = "\x01" // a space that does not break

// Wrap writes a paragraph; further lines begin with the indent. Runs of spaces inside are kept; a control character
// becomes a space.
func Wrap(b *strings.Builder, indent, text string) {
	text = unbroken.ReplaceAllString(plain(text), "$1"+stuck+"$2")
	at := 0
	for i, word := range strings.Split(text, " ") {
		n := len([]rune(word))
		switch {
		case i == 0:
		case at+1+n > Width && at > len(indent):
			b.WriteString("\n" + indent)
			at = len(indent)
		default:
			b.WriteString(" ")
			at++
		}
		b.WriteString(strings.ReplaceAll(word, stuck, " "))
		at += n
	}
	b.WriteString("\n")
}

// Rule parts two people or two tests.
func Rule(b *strings.Builder) { b.WriteString("\n" + strings.Repeat("-", Width) + "\n\n") }

func plain(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, text)
}
