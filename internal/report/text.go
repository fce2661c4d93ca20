package report

import (
	"fmt"
	"io"
	"strings"
)

const textWidth = 79

// WriteText writes a paper as plain text, 79 characters wide.
func WriteText(w io.Writer, d *Document) error {
	var b strings.Builder
	say := func(text string) { wrap(&b, text, "") }
	say(d.Title)
	for _, line := range []string{d.Who, d.Standing} {
		if line != "" {
			say(line)
		}
	}
	textBlocks(&b, d.Blocks)
	b.WriteString("\n")
	say(d.Foot)
	_, err := io.WriteString(w, b.String())
	return err
}

func textBlocks(b *strings.Builder, all []Block) {
	for _, block := range all {
		switch x := block.(type) {
		case Heading:
			b.WriteString("\n")
			wrap(b, strings.ToUpper(string(x)), "")
		case Para:
			wrap(b, strings.TrimSpace(x.Label+" "+x.Text), "")
		case List:
			for _, item := range x.Items {
				wrap(b, "- "+item, "  ")
			}
		case Pairs:
			for _, p := range x {
				wrap(b, p.Name+" "+p.Value, "  ")
			}
		case Box:
			b.WriteString("\n")
			wrap(b, "["+x.Title+"]", "")
			for _, p := range x.Lines {
				wrap(b, p.Name+" "+p.Value, "  ")
			}
		case Table:
			textTable(b, x)
		case Picture:
			wrap(b, x.Title+": "+x.Text, "  ")
		case Twin:
			textBlocks(b, x.Left)
			textBlocks(b, x.Right)
		}
	}
}

func textTable(b *strings.Builder, t Table) {
	b.WriteString("\n")
	if t.Caption != "" {
		wrap(b, t.Caption, "")
	}
	rows := t.Rows
	if len(t.Head) > 0 {
		rows = append([][]string{t.Head}, rows...)
	}
	widths := make([]int, len(t.Widths))
	for _, r := range rows {
		for i, c := range r {
			widths[i] = max(widths[i], len([]rune(c)))
		}
	}
	for _, r := range rows {
		var line strings.Builder
		for i, c := range r {
			fmt.Fprintf(&line, "%s%s  ", c, strings.Repeat(" ", widths[i]-len([]rune(c))))
		}
		b.WriteString(strings.TrimRight(line.String(), " ") + "\n")
	}
}

func wrap(b *strings.Builder, text, indent string) {
	at := 0
	for i, word := range strings.Split(strings.ReplaceAll(hold(text), "\n", " "), " ") {
		n := len([]rune(word))
		switch {
		case i == 0:
		case at+1+n > textWidth:
			b.WriteString("\n" + indent)
			at = len(indent)
		default:
			b.WriteString(" ")
			at++
		}
		b.WriteString(strings.ReplaceAll(word, held, " "))
		at += n
	}
	b.WriteString("\n")
}
