package rows

import (
	"bytes"
	"errors"
	"fmt"
	"io"
)

var byteOrderMark = []byte("\xef\xbb\xbf")

// Open reads the first line of from. name stands in messages. It refuses an empty file, one that is not text,
// and one whose cells are not separated by commas or semicolons.
func Open(name string, from io.Reader) (*File, error) {
	buffer := make([]byte, MaxRecord)
	n, err := io.ReadFull(from, buffer)
	ended := errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF)
	if err != nil && !ended {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	f := &File{Name: name, from: from, end: ended, line: 1}
	data := buffer[:n]
	if err := f.checkText(data); err != nil {
		return nil, err
	}
	first, err := f.firstLine(data)
	if err != nil {
		return nil, err
	}
	f.rest = data[first:]
	f.rest = append(buffer[:0], f.rest...)
	return f, nil
}

func (f *File) fault(msg, hint string) error { return &Error{f.Name, 1, 0, msg, hint} }

func (f *File) checkText(data []byte) error {
	switch {
	case len(bytes.TrimSpace(bytes.TrimPrefix(data, byteOrderMark))) == 0:
		return f.fault("the file is empty", "it must begin with the column names")
	case bytes.HasPrefix(data, []byte("\xff\xfe")) || bytes.HasPrefix(data, []byte("\xfe\xff")):
		return f.fault("the file is in UTF-16", "save it as CSV in UTF-8")
	case bytes.IndexByte(data, 0) >= 0:
		return f.fault("this is not a text file", "save the table as CSV in UTF-8")
	}
	return nil
}

// firstLine settles columns, separator and line end, and returns the length of the line with its end.
func (f *File) firstLine(data []byte) (int, error) {
	bom := len(data) - len(bytes.TrimPrefix(data, byteOrderMark))
	body := data[bom:]
	f.Comma = Separator(body, false)
	if f.Comma == '\t' {
		return 0, f.fault("the columns are separated by tabs", "save the table as CSV with commas or semicolons")
	}
	n := RecordEnd(body, f.Comma)
	switch {
	case n < 0 && !f.end:
		return 0, f.fault(fmt.Sprintf("the first line is longer than %d bytes", MaxRecord), "it must hold the column names")
	case n < 0:
		n = len(body)
	}
	line := body[:n]
	f.line = max(bytes.Count(line, []byte{'\n'}), 1)
	f.Newline = "\n"
	if bytes.HasSuffix(line, []byte("\r\n")) {
		f.Newline = "\r\n"
	}
	line = bytes.TrimRight(line, "\r\n")
	f.Header = append([]byte(nil), data[:bom+len(line)]...)
	for next := 0; next >= 0; {
		var cell []byte
		cell, next = Cell(line, f.Comma)
		f.Columns = append(f.Columns, string(Text(cell)))
		if next >= 0 {
			line = line[next:]
		}
	}
	return bom + n, nil
}

// Separator is what occurs most often in the first line outside quotation marks: a comma, a semicolon or a tab. With
// titles it is the first line that holds one: lines of a title may stand above the column names. A comma where there
// is none.
func Separator(data []byte, titles bool) byte {
	counts := map[byte]int{}
	within := false
	for _, c := range data {
		switch {
		case c == '"':
			within = !within
		case within:
		case c == '\n' && (!titles || len(counts) > 0):
			return most(counts)
		case c == ',' || c == ';' || c == '\t':
			counts[c]++
		}
	}
	return most(counts)
}

func most(counts map[byte]int) byte {
	best := byte(',')
	for _, c := range []byte{';', '\t'} {
		if counts[c] > counts[best] {
			best = c
		}
	}
	return best
}

// Column returns the field number of a column, from 0, and whether it is there. Two columns of one name are
// an error.
func (f *File) Column(name string) (at int, there bool, err error) {
	for i, column := range f.Columns {
		if column != name {
			continue
		}
		if there {
			return 0, true, &Error{f.Name, 1, i + 1, "column " + name + " appears twice", "rename one"}
		}
		at, there = i, true
	}
	return at, there, nil
}
