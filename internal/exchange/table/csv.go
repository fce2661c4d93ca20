// Package table writes and reads tables for research: CSV by RFC 4180, and Frictionless Data Packages (version 2), which say of
// each column its type, unit and limits, so that a reader needs no letter beside the file.
//
// [Package.Write] makes one zip file of equal bytes for equal content; [Check] holds the tables against what the package says
// of them.
package table

import (
	"bytes"
	"fmt"
	"io"
	"regexp"
	"strings"
	"unicode/utf8"
)

// Fault is what is wrong with a table or package.
type Fault struct {
	File  string `json:"file"`
	Line  int    `json:"line"`    // from 1; 0: the file as a whole
	Field int    `json:"field"`   //
	Rule  string `json:"rule"`    // type, required, maximum, primaryKey, fieldOrder …
	Msg   string `json:"message"` //
}

func (f *Fault) Error() string {
	where := f.File
	if f.Line > 0 {
		where += fmt.Sprintf(":%d:%d", f.Line, f.Field)
	}
	return where + ": " + f.Rule + ": " + f.Msg
}

// WriteCSV writes rows with CRLF, quoting where RFC 4180 demands it. Spaces are data.
func WriteCSV(out io.Writer, rows [][]string) error {
	var b bytes.Buffer
	for _, row := range rows {
		for i, cell := range row {
			if i > 0 {
				b.WriteByte(',')
			}
			if strings.ContainsAny(cell, ",\"\r\n") || len(row) == 1 && cell == "" {
				b.WriteString(`"` + strings.ReplaceAll(cell, `"`, `""`) + `"`)
			} else {
				b.WriteString(cell)
			}
		}
		b.WriteString("\r\n")
	}
	_, err := out.Write(b.Bytes())
	return err
}

// Row is a row of a table with the line it begins in.
type Row struct {
	Line  int
	Cells []string
}

// Bounds of what is read.
const (
	MostBytes = 128 << 20 // of a table
	mostCells = 2000      // in a row
)

// ReadCSV reads a table: commas, CRLF or LF, a byte order mark, a last line without its end. All rows must be as long as the
// first. A table of semicolons is refused: with a decimal comma it would be read wrongly.
func ReadCSV(name string, data []byte) ([]Row, *Fault) {
	if len(data) > MostBytes {
		return nil, &Fault{name, 0, 0, "size", fmt.Sprintf("the table is larger than %d MB", MostBytes>>20)}
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	if !utf8.Valid(data) {
		return nil, &Fault{name, 0, 0, "encoding", "the table is not in UTF-8; save it as CSV in UTF-8"}
	}
	first, _, _ := bytes.Cut(data, []byte("\n"))
	if bytes.IndexByte(first, ',') < 0 && bytes.IndexByte(first, ';') >= 0 {
		return nil, &Fault{name, 1, 1, "dialect", "the cells are separated by semicolons; save the table with commas and a decimal point"}
	}
	var rows []Row
	line := 1
	for len(data) > 0 {
		row, n, lines, fault := record(name, line, data)
		if fault != nil {
			return nil, fault
		}
		if len(rows) > 0 && len(row.Cells) != len(rows[0].Cells) {
			return nil, &Fault{name, line, min(len(row.Cells), len(rows[0].Cells)), "ragged", fmt.Sprintf("the row has %d cells, the first line has %d", len(row.Cells), len(rows[0].Cells))}
		}
		rows = append(rows, row)
		data, line = data[n:], line+lines
	}
	return rows, nil
}

// record reads one row and says how many bytes and lines it takes.
func record(name string, line int, data []byte) (row Row, n, lines int, fault *Fault) {
	row.Line = line
	for {
		if len(row.Cells) >= mostCells {
			return row, n, lines, &Fault{name, line, len(row.Cells), "size", fmt.Sprintf("the row has more than %d cells", mostCells)}
		}
		cell, end, ok := cellAt(data[n:])
		if !ok {
			return row, n, lines, &Fault{name, line, len(row.Cells) + 1, "quote", "a quotation mark does not close, or something stands behind the one that does"}
		}
		lines += bytes.Count(data[n:n+end], []byte{'\n'})
		row.Cells = append(row.Cells, cell)
		n += end
		switch {
		case n >= len(data):
			return row, n, lines, nil
		case data[n] == ',':
			n++
		case data[n] == '\r' && n+1 < len(data) && data[n+1] == '\n':
			return row, n + 2, lines + 1, nil
		case data[n] == '\n':
			return row, n + 1, lines + 1, nil
		case data[n] == '\r' && n+1 == len(data):
			return row, n + 1, lines, nil
		default:
			return row, n, lines, &Fault{name, line, len(row.Cells), "quote", "something stands behind a quotation mark that closes"}
		}
	}
}

// cellAt reads a cell and says where it ends.
func cellAt(data []byte) (cell string, end int, ok bool) {
	if len(data) == 0 || data[0] != '"' {
		end = bytes.IndexAny(data, ",\n")
		if end < 0 {
			end = len(data)
		}
		if end > 0 && end < len(data) && data[end] == '\n' && data[end-1] == '\r' {
			end--
		} else if end == len(data) && end > 0 && data[end-1] == '\r' {
			end--
		}
		return string(data[:end]), end, bytes.IndexByte(data[:end], '"') < 0
	}
	var b strings.Builder
	for i := 1; i < len(data); i++ {
		switch {
		case data[i] != '"':
			b.WriteByte(data[i])
		case i+1 < len(data) && data[i+1] == '"':
			b.WriteByte('"')
			i++
		default:
			return b.String(), i + 1, true
		}
	}
	return "", len(data), false
}

var plainNumber = regexp.MustCompile(`^[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?$`)

// Guard keeps a spreadsheet from taking a text for a formula: an apostrophe stands before it, unless it is a plain number.
func Guard(text string) string {
	if risky(text) {
		return "'" + text
	}
	return text
}

// Unguard is the text before [Guard].
func Unguard(text string) string {
	if strings.HasPrefix(text, "'") && risky(text[1:]) {
		return text[1:]
	}
	return text
}

// risky is true of a text that begins like a formula, also behind apostrophes, so that Guard can be undone.
func risky(text string) bool {
	bare := strings.TrimLeft(text, "'")
	return bare != "" && strings.ContainsRune("=+-@\t\r", rune(bare[0])) && !(bare == text && plainNumber.MatchString(text))
}
