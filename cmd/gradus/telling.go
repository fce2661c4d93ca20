package main

import (
	"fmt"
	"io"
	"strings"

	"gradus/internal/prose"
)

// telling collects the sentences of a command.
type telling struct{ b strings.Builder }

// say adds a paragraph; further lines begin with the indent.
func (t *telling) say(indent, format string, args ...any) {
	prose.Wrap(&t.b, indent, fmt.Sprintf(format, args...))
}

func (t *telling) gap() { t.b.WriteString("\n") }

// rule parts two people.
func (t *telling) rule() { prose.Rule(&t.b) }

func (t *telling) to(out io.Writer) error {
	_, err := io.WriteString(out, t.b.String())
	return err
}
