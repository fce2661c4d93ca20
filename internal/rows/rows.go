// Package rows passes a large CSV file through a function, block after block on all processors, in order and
// with little memory: a registry of a million tests takes no more than a sheet of ten.
//
// [Open] reads the first line and settles separator, line ends and column names; [File.Each] hands whole
// records to a worker and writes what it makes of them. Quotes follow RFC 4180; a quotation mark within an
// unquoted cell is just a character. Places are line and field number, both from 1.
package rows

import (
	"bytes"
	"errors"
	"fmt"
	"io"
)

// MaxRecord is the longest record taken, in bytes. A longer one is refused, so that memory stays flat.
const MaxRecord = 256 << 10

// blocks in flight for each worker: one at work, one waiting to be written.
const blocksPerWorker = 2

// An Error is a fault in the file. Line and Field count from 1; Field 0 stands for the whole line and is told as
// its first field.
type Error struct {
	Name        string
	Line, Field int
	Msg, Hint   string
}

// Error gives name:line:field: message; hint.
func (e *Error) Error() string {
	s := fmt.Sprintf("%s:%d:%d: %s", e.Name, e.Line, max(1, e.Field), e.Msg)
	if e.Hint != "" {
		s += "; " + e.Hint
	}
	return s
}

// File is an opened table: its first line has been read.
type File struct {
	Name    string
	Columns []string // names, unquoted, without surrounding spaces
	Comma   byte     // ',' or ';'
	Header  []byte   // the first line as it stands, with byte order mark, without line end
	Newline string   // of the first line

	// ByLine gives a worker whole lines where no record ends for longer than MaxRecord, as after a quotation
	// mark that does not close, instead of giving up.
	ByLine bool

	from io.Reader
	rest []byte // read beyond the first line
	line int    // lines consumed
	end  bool
}

// DecimalComma says whether numbers in this file may be, and answers are, written with a decimal comma.
func (f *File) DecimalComma() bool { return f.Comma == ';' }

// Block is a run of whole records.
type Block struct {
	Data    []byte // in: the records, each with its line end (the last of the file may lack it)
	Line    int    // in: line of the first record
	Quoted  bool   // in: a quotation mark occurs
	Out     []byte // out: what is to be written
	Faults  []Fault
	Records int // out: records seen
	Bad     int // out: bad ones, whether or not all stand in Faults
	Marked  int // out: records to be counted for another reason, which the caller knows

	buffer []byte
	done   chan struct{}
	err    error
}

// Fault is one bad cell, for the reader of the messages.
type Fault struct {
	Line, Field int
	Msg         string
}

// Worker turns one block after another into output. Each is used by one goroutine only.
type Worker interface{ Do(b *Block) }

// Each gives all records to the workers and calls write with every block in order. It ends at the first error
// of reading or writing. A file without records is an error.
func (f *File) Each(workers []Worker, write func(b *Block) error) error {
	n := len(workers) * blocksPerWorker
	free, todo, ordered := make(chan *Block, n), make(chan *Block, n), make(chan *Block, n+1)
	for range n {
		free <- &Block{buffer: make([]byte, MaxRecord), done: make(chan struct{}, 1)}
	}
	for _, w := range workers {
		go func() {
			for b := range todo {
				w.Do(b)
				b.done <- struct{}{}
			}
		}()
	}
	stop := make(chan struct{})
	go f.read(free, todo, ordered, stop)
	var first error
	for b := range ordered {
		if b.err != nil {
			if first == nil {
				first = b.err
			}
			continue
		}
		<-b.done
		if first == nil {
			if first = write(b); first != nil {
				close(stop)
			}
		}
		free <- b
	}
	return first
}

// read cuts the file into blocks until its end, an error, or stop.
func (f *File) read(free, todo, ordered chan *Block, stop chan struct{}) {
	defer close(ordered)
	defer close(todo)
	any := false
	for {
		var b *Block
		select {
		case b = <-free:
		case <-stop:
			return
		}
		err := f.fill(b)
		if err == nil && len(b.Data) == 0 {
			if !any {
				ordered <- &Block{err: &Error{f.Name, f.line, 0, "no rows follow the column names", "check the file"}}
			}
			return
		}
		if err != nil {
			ordered <- &Block{err: err}
			return
		}
		any = true
		todo <- b
		ordered <- b
	}
}

// fill puts the next whole records into b; none are left when Data is empty.
func (f *File) fill(b *Block) error {
	n := copy(b.buffer, f.rest)
	f.rest = f.rest[:0]
	if !f.end {
		got, err := io.ReadFull(f.from, b.buffer[n:])
		n += got
		switch {
		case errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF):
			f.end = true
		case err != nil:
			return fmt.Errorf("%s: %w", f.Name, err)
		}
	}
	data := b.buffer[:n]
	cut := n
	b.Quoted = bytes.IndexByte(data, '"') >= 0
	if !f.end {
		if cut = lastEnd(data, f.Comma, b.Quoted); cut == 0 && f.ByLine {
			cut = bytes.LastIndexByte(data, '\n') + 1
		}
		if cut == 0 {
			return &Error{f.Name, f.line + 1, 0, fmt.Sprintf("a row is longer than %d bytes", MaxRecord), "check line ends and quotation marks"}
		}
	}
	f.rest = append(f.rest, data[cut:]...)
	b.Data, b.Line, b.Out, b.Faults, b.Records, b.Bad, b.Marked = data[:cut], f.line+1, b.Out[:0], b.Faults[:0], 0, 0, 0
	f.line += bytes.Count(b.Data, []byte{'\n'})
	return nil
}

// lastEnd is where the last whole record of data ends, 0 when there is none.
func lastEnd(data []byte, comma byte, quoted bool) int {
	if !quoted {
		return bytes.LastIndexByte(data, '\n') + 1
	}
	at := 0
	for {
		n := RecordEnd(data[at:], comma)
		if n < 0 {
			return at
		}
		at += n
	}
}

// RecordEnd is the length of the first record of data with its line end, -1 when it does not end in data.
func RecordEnd(data []byte, comma byte) int {
	start := true
	for i := 0; i < len(data); {
		c := data[i]
		if start && c == '"' {
			n := quotedEnd(data[i:])
			if n < 0 {
				return -1
			}
			i, start = i+n, false
			continue
		}
		if i++; c == '\n' {
			return i
		}
		start = c == comma
	}
	return -1
}

// quotedEnd is the length of the quoted text that data begins with, -1 when it does not close.
func quotedEnd(data []byte) int {
	for i := 1; ; i += 2 {
		n := bytes.IndexByte(data[i:], '"')
		if n < 0 {
			return -1
		}
		if i += n; i+1 >= len(data) || data[i+1] != '"' {
			return i + 1
		}
	}
}

// Cell takes the first cell off a record that has no line end: its bytes as they stand, and where the next
// cell begins, -1 after the last. A quoted cell that does not close goes to the end.
func Cell(record []byte, comma byte) (cell []byte, next int) {
	from := 0
	if len(record) > 0 && record[0] == '"' {
		if from = quotedEnd(record); from < 0 {
			return record, -1
		}
	}
	n := bytes.IndexByte(record[from:], comma)
	if n < 0 {
		return record, -1
	}
	return record[:from+n], from + n + 1
}

// Unclosed says whether a cell begins with a quotation mark that does not close.
func Unclosed(cell []byte) bool { return len(cell) > 0 && cell[0] == '"' && quotedEnd(cell) < 0 }

// Text is what a cell says: without quotation marks and surrounding spaces. It may share the cell's memory.
func Text(cell []byte) []byte {
	cell = bytes.TrimSpace(cell)
	if len(cell) < 2 || cell[0] != '"' || cell[len(cell)-1] != '"' {
		return cell
	}
	return bytes.TrimSpace(bytes.ReplaceAll(cell[1:len(cell)-1], []byte(`""`), []byte(`"`)))
}
