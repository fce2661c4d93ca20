package screen

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
)

// Template gives a file of answers to fill in: every field with null, and above it an explanation under a key that
// begins with //. It is valid JSON, and [Read] takes it as it is.
func Template() []byte {
	var b bytes.Buffer
	b.WriteString("{\n")
	line(&b, "// how to fill in", "null is not answered, [] is none. Names that begin with // are explanations; leave them or remove them. "+
		"A needed answer that is not given means: pause and ask.", false)
	fields := shipped().Fields
	for i, f := range fields {
		if lines := explain(f); len(lines) == 1 {
			line(&b, "// "+f.Name, lines[0], false)
		} else {
			block(&b, "// "+f.Name, lines)
		}
		line(&b, f.Name, nil, i == len(fields)-1)
	}
	b.WriteString("}\n")
	return b.Bytes()
}

func line(b *bytes.Buffer, key string, value any, last bool) {
	b.WriteString("  ")
	b.Write(plainJSON(key))
	b.WriteString(": ")
	b.Write(plainJSON(value))
	if !last {
		b.WriteString(",")
	}
	b.WriteString("\n")
}

// plainJSON writes a value in JSON without escaping < and >.
func plainJSON(v any) []byte {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		panic("screen: template: " + err.Error())
	}
	return bytes.TrimSpace(b.Bytes())
}

// block writes a list of lines, one below the other.
func block(b *bytes.Buffer, key string, lines []string) {
	fmt.Fprintf(b, "  %s: [\n", plainJSON(key))
	for i, l := range lines {
		comma := ","
		if i == len(lines)-1 {
			comma = ""
		}
		fmt.Fprintf(b, "    %s%s\n", plainJSON(l), comma)
	}
	b.WriteString("  ],\n")
}

// explain says what a field takes: in one line, or with a line for each word or inner field.
func explain(f Field) []string {
	text := f.Ask + " (" + takes(f) + neededWords(f) + ")"
	switch {
	case f.Name == "contraindications_unsure":
		return []string{strings.Replace(text, "words below", "words above", 1)}
	case f.Type == "words" && f.WordsFrom != "rules":
		lines := []string{text}
		for _, w := range f.Words {
			lines = append(lines, strings.TrimSuffix(w.Word+": "+w.Text, ": "))
		}
		return lines
	case len(f.Fields) > 0:
		lines := []string{text}
		for _, inner := range f.Fields {
			lines = append(lines, inner.Name+": "+inner.Ask+" ("+takes(inner)+")")
		}
		return lines
	}
	return []string{text}
}

func takes(f Field) string {
	switch f.Type {
	case "yes-no":
		return `"yes" or "no"`
	case "word":
		if f.WordsFrom == "rules" {
			return "an id as in the reasons"
		}
		return wordList(f)
	case "words":
		if f.WordsFrom == "rules" {
			return "a list: " + strings.ReplaceAll(wordList(Field{Words: f.Words[:3]}), " or ", ", ") + ", or ids as in the reasons"
		}
		return "a list of the words below"
	case "number":
		return fmt.Sprintf("number, %s, %v to %v", f.Unit, f.Low, f.High)
	case "whole":
		return fmt.Sprintf("whole number, %s, %v to %v", f.Unit, f.Low, f.High)
	case "date":
		return "year-month-day in quotes, such as \"2026-11-25\""
	case "group":
		return "a group { } with the fields below"
	case "groups":
		return "a list of groups { } with the fields below"
	}
	return "text"
}

func wordList(f Field) string {
	words := make([]string, len(f.Words))
	for i, w := range f.Words {
		words[i] = `"` + w.Word + `"`
	}
	return strings.Join(words, " or ")
}

func neededWords(f Field) string {
	switch {
	case f.Needed.Always:
		return "; needed"
	case len(f.Needed.When) > 0:
		var when []string
		for _, c := range f.Needed.When {
			when = append(when, c.Field+" has "+strings.Join(c.Has, " or "))
		}
		return "; needed when " + strings.Join(when, ", or ")
	}
	return ""
}
