package audit

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
)

// format names the file of an exported trail.
const format = "gradus-audit/1"

// Writer writes a trail as a file: one line of JSON that names the format, then one for each entry with its hash.
type Writer struct{ w *bufio.Writer }

// NewWriter begins a file.
func NewWriter(w io.Writer) *Writer {
	b := bufio.NewWriter(w)
	fmt.Fprintf(b, "{\"format\":%q}\n", format)
	return &Writer{b}
}

// Add writes an entry.
func (w *Writer) Add(canonical []byte, hash Hash) {
	fmt.Fprintf(w.w, "{\"entry\":%s,\"hash\":\"%s\"}\n", canonical, hash)
}

// End reports whether all was written.
func (w *Writer) End() error { return w.w.Flush() }

// maxLine is the longest line of a file, in bytes.
const maxLine = 1 << 20

// CheckFile follows the trail in an exported file. name names it in errors; each entry that can be read goes to see,
// which may be nil.
func CheckFile(r io.Reader, name string, anchors []Anchor, see func(Entry)) (Head, []Fault, error) {
	lines := bufio.NewScanner(r)
	lines.Buffer(nil, maxLine)
	c := Checker{Anchors: anchors}
	for n := 1; lines.Scan(); n++ {
		if n == 1 {
			var first struct{ Format string }
			if err := json.Unmarshal(lines.Bytes(), &first); err != nil || first.Format != format {
				return Head{}, nil, fmt.Errorf("%s:1: it is no exported trail of this version (%s)", name, format)
			}
			continue
		}
		text, hash, err := readLine(lines.Bytes())
		if err != nil {
			c.Bad(c.head.Seq+1, c.head.Hash, fmt.Sprintf("%s:%d: %v", name, n, err))
			continue
		}
		e, err := ReadEntry(text)
		if err != nil {
			c.Bad(c.head.Seq+1, hash, fmt.Sprintf("%s:%d: %v", name, n, err))
			continue
		}
		c.Add(e.Seq, text, hash)
		if see != nil {
			see(e)
		}
	}
	if err := lines.Err(); err != nil {
		if errors.Is(err, bufio.ErrTooLong) {
			err = errors.New("a line is longer than 1 MiB; it is no exported trail")
		}
		return Head{}, nil, fmt.Errorf("%s: %w", name, err)
	}
	head, faults := c.End()
	return head, faults, nil
}

func readLine(line []byte) (text []byte, hash Hash, err error) {
	var l struct {
		Entry json.RawMessage
		Hash  string
	}
	d := json.NewDecoder(bytes.NewReader(line))
	d.DisallowUnknownFields()
	if err := d.Decode(&l); err != nil {
		return nil, hash, fmt.Errorf("it is no line of a trail: %w", err)
	}
	hash, err = ParseHash(l.Hash)
	return l.Entry, hash, err
}
