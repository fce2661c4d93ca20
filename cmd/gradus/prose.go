package main

import (
	"fmt"
	"io"
	"strings"
)

// proseWidth fits a screen and a printed page.
const proseWidth = 79

// prose collects sentences and breaks them into lines.
type prose struct{ b strings.Builder }

// say adds a paragraph; further lines begin with the indent. Runs of spaces inside are kept.
func (p *prose) say(indent, format string, args ...any) {
	at := 0
	for i, word := range strings.Split(fmt.Sprintf(format, args...), " ") {
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
		p.b.WriteString(word)
		at += n
	}
	p.b.WriteString("\n")
}

func (p *prose) gap() { p.b.WriteString("\n") }

func (p *prose) to(out io.Writer) error {
	_, err := io.WriteString(out, p.b.String())
	return err
}
