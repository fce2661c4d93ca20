package main

import (
	"fmt"
	"io"
	"regexp"
	"strings"
)

// proseWidth fits a screen and a printed page.
const proseWidth = 79

// prose collects sentences and breaks them into lines.
type prose struct{ b strings.Builder }

// unbroken finds a number and its unit, which stay on one line.
var unbroken = regexp.MustCompile(`(\d) (%|W\b|kg\b|mmHg\b|mL\b|/min|MET)`)

const stuck = "\x01" // a space that does not break

// say adds a paragraph; further lines begin with the indent. Runs of spaces inside are kept.
func (p *prose) say(indent, format string, args ...any) {
	at := 0
	text := unbroken.ReplaceAllString(fmt.Sprintf(format, args...), "$1"+stuck+"$2")
	for i, word := range strings.Split(text, " ") {
		n := len([]rune(word))
		switch {
		case i == 0:
		case at+1+n > proseWidth && at > len(indent):
			p.b.WriteString("\n" + indent)
			at = len(indent)
		default:
			p.b.WriteString(" ")
			at++
		}
		p.b.WriteString(strings.ReplaceAll(word, stuck, " "))
		at += n
	}
	p.b.WriteString("\n")
}

func (p *prose) gap() { p.b.WriteString("\n") }

func (p *prose) to(out io.Writer) error {
	_, err := io.WriteString(out, p.b.String())
	return err
}

// rule parts two people.
func (p *prose) rule() { p.b.WriteString("\n" + strings.Repeat("-", proseWidth) + "\n\n") }
