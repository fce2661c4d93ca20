package rows

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"testing/iotest"
	"time"
)

// copier passes every block on as it is, at its own pace.
type copier struct{ slow bool }

func (c copier) Do(b *Block) {
	if c.slow {
		time.Sleep(time.Millisecond)
	}
	b.Out = append(b.Out, b.Data...)
	for data := b.Data; len(data) > 0; b.Records++ {
		n := RecordEnd(data, ',')
		if n < 0 {
			n = len(data)
		}
		data = data[n:]
	}
}

func pass(t *testing.T, text string, from io.Reader) (out string, records int, err error) {
	t.Helper()
	f, err := Open("t.csv", from)
	if err != nil {
		return "", 0, err
	}
	var got bytes.Buffer
	line := 2
	err = f.Each([]Worker{copier{true}, copier{}, copier{}}, func(b *Block) error {
		if b.Line != line {
			t.Errorf("block begins at line %d, want %d", b.Line, line)
		}
		line += bytes.Count(b.Data, []byte{'\n'})
		records += b.Records
		got.Write(b.Out)
		return nil
	})
	return got.String(), records, err
}

func TestBlocksKeepOrderAndBytes(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 2))
	var b strings.Builder
	b.WriteString("a,b\n")
	n := 0
	for b.Len() < 5*MaxRecord {
		switch n++; r.IntN(5) {
		case 0:
			fmt.Fprintf(&b, "%d,\"quoted, with\nnew line and \"\"marks\"\"\"\n", n)
		case 1:
			fmt.Fprintf(&b, "%d,a \" within\r\n", n)
		case 2:
			fmt.Fprintf(&b, "%d,%s\n", n, strings.Repeat("long ", r.IntN(3000)))
		default:
			fmt.Fprintf(&b, "%d,x\n", n)
		}
	}
	b.WriteString("last,without end")
	text := b.String()
	for name, from := range map[string]io.Reader{
		"whole": strings.NewReader(text), "halves": iotest.HalfReader(strings.NewReader(text)), "late end": iotest.DataErrReader(strings.NewReader(text)),
	} {
		out, records, err := pass(t, text, from)
		if err != nil || out != text[len("a,b\n"):] || records != n+1 {
			t.Errorf("%s: error %v, %d of %d records, %d of %d bytes", name, err, records, n+1, len(out), len(text)-4)
		}
	}
}

// Column names stand in the first line; in a clinic's own sheet lines of a title may stand above them.
func TestSeparator(t *testing.T) {
	for _, c := range []struct {
		text          string
		names, titled byte
	}{
		{"a;b\n1,2,3\n", ';', ';'},
		{"only\n1;2\n", ',', ';'},
		{"Tests of 2019\n\na\tb\n1,2,3\t4\n", ',', '\t'},
		{"\"Tests, 2019\"\na;b\n", ',', ';'},
		{"\"a\nb;c\";d\n1,2,3\n", ';', ';'},
		{"a,b;c\n", ',', ','},
		{"", ',', ','},
	} {
		if names, titled := Separator([]byte(c.text), false), Separator([]byte(c.text), true); names != c.names || titled != c.titled {
			t.Errorf("%q: %q and below titles %q, want %q and %q", c.text, names, titled, c.names, c.titled)
		}
	}
}

func TestFirstLine(t *testing.T) {
	for _, c := range []struct {
		text    string
		columns []string
		comma   byte
		newline string
	}{
		{"a,b\n1,2\n", []string{"a", "b"}, ',', "\n"},
		{"a;b,c\r\n1;2\r\n", []string{"a;b", "c"}, ',', "\r\n"}, // as many of each: comma
		{"a;b;c\n1;2,5;3\n", []string{"a", "b", "c"}, ';', "\n"},
		{"\xef\xbb\xbf\"a;x\", b \n1,2\n", []string{"a;x", "b"}, ',', "\n"},
		{"only\n1\n", []string{"only"}, ',', "\n"},
	} {
		f, err := Open("t.csv", strings.NewReader(c.text))
		if err != nil || fmt.Sprint(f.Columns) != fmt.Sprint(c.columns) || f.Comma != c.comma || f.Newline != c.newline {
			t.Errorf("%q: %v %+v", c.text, err, f)
		}
	}
}

func TestFilesThatAreRefused(t *testing.T) {
	long := strings.Repeat("x", 3*MaxRecord)
	for _, c := range []struct{ name, text, want string }{
		{"empty", "", "t.csv:1:1: the file is empty"},
		{"blank", " \n\n", "t.csv:1:1: the file is empty"},
		{"mark only", "\xef\xbb\xbf", "t.csv:1:1: the file is empty"},
		{"header only", "a,b\n", "t.csv:1:1: no rows follow"},
		{"header without end", "a,b", "t.csv:1:1: no rows follow"},
		{"tabs", "a\tb\tc\n1\t2\t3\n", "t.csv:1:1: the columns are separated by tabs"},
		{"UTF-16", "\xff\xfea\x00,\x00", "t.csv:1:1: the file is in UTF-16"},
		{"binary", "\x7fELF\x02\x01\x01\x00\x00", "t.csv:1:1: this is not a text file"},
		{"long first line", long, "t.csv:1:1: the first line is longer"},
		{"long row", "a\n1\n" + long, "t.csv:3:1: a row is longer"},
		{"open quotation mark", "a\n1\n\"" + long, "t.csv:3:1: a row is longer"},
	} {
		_, _, err := pass(t, c.text, strings.NewReader(c.text))
		var fault *Error
		if !errors.As(err, &fault) || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%s: %v, want %s", c.name, err, c.want)
		}
	}
}

// endless gives the same byte for ever; one line of any length must not cost memory.
type endless struct{ n int64 }

func (e *endless) Read(p []byte) (int, error) {
	if e.n <= 0 {
		return 0, io.EOF
	}
	for i := range p {
		p[i] = 'x'
	}
	e.n -= int64(len(p))
	return len(p), nil
}

func TestGigabyteOfOneLineIsRefusedWithFlatMemory(t *testing.T) {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	source := &endless{1 << 30}
	_, _, err := pass(t, "", io.MultiReader(strings.NewReader("a,b\n1,2\n"), source))
	runtime.ReadMemStats(&after)
	if err == nil || !strings.Contains(err.Error(), "t.csv:3:1: a row is longer") {
		t.Errorf("error %v", err)
	}
	if used := after.TotalAlloc - before.TotalAlloc; used > 16<<20 {
		t.Errorf("%d MB were used", used>>20)
	}
	if read := 1<<30 - source.n; read > 4*MaxRecord {
		t.Errorf("%d bytes were read before the line was refused", read)
	}
}

func TestErrorsOfReadingAndWritingEndTheRun(t *testing.T) {
	broken := errors.New("broken")
	text := "a,b\n" + strings.Repeat("1,2\n", MaxRecord)
	_, _, err := pass(t, text, io.MultiReader(strings.NewReader(text), iotest.ErrReader(broken)))
	if !errors.Is(err, broken) {
		t.Errorf("reading: %v", err)
	}
	f, err := Open("t.csv", strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	written := 0
	err = f.Each([]Worker{copier{}, copier{}}, func(*Block) error { written++; return broken })
	if !errors.Is(err, broken) || written != 1 {
		t.Errorf("writing: %v after %d blocks", err, written)
	}
}

func TestCells(t *testing.T) {
	for _, c := range []struct {
		record string
		want   []string
	}{
		{"a,b", []string{"a", "b"}}, {"", []string{""}}, {",", []string{"", ""}}, {`"a,b",c`, []string{"a,b", "c"}}, {`"a ""x""",`, []string{`a "x"`, ""}},
		{` "a" , b`, []string{"a", "b"}}, {`a"b,c`, []string{`a"b`, "c"}}, {`"open,c`, []string{`"open,c`}}, {`"a"b,c`, []string{`"a"b`, "c"}},
	} {
		var got []string
		for rest, next := []byte(c.record), 0; next >= 0; {
			var cell []byte
			cell, next = Cell(rest, ',')
			got = append(got, string(Text(cell)))
			if next >= 0 {
				rest = rest[next:]
			}
		}
		if fmt.Sprintf("%q", got) != fmt.Sprintf("%q", c.want) {
			t.Errorf("%s: %q, want %q", c.record, got, c.want)
		}
	}
}

func TestOutputAppearsWholeOrNotAtAll(t *testing.T) {
	dir := t.TempDir()
	name := filepath.Join(dir, "out.csv")
	list := func() (names string) {
		entries, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			names += e.Name() + " "
		}
		return names
	}
	if err := os.WriteFile(name, []byte("old"), 0o600); err != nil {
		t.Fatal(err)
	}
	o, err := Create(name)
	if err != nil {
		t.Fatal(err)
	}
	part := bytes.Repeat([]byte("x"), 1<<20)
	for range 10 { // more than one early sync
		if _, err := o.Write(part); err != nil {
			t.Fatal(err)
		}
	}
	if data, _ := os.ReadFile(name); string(data) != "old" {
		t.Error("the old file changed before the end")
	}
	o.Abort()
	if data, _ := os.ReadFile(name); string(data) != "old" || list() != "out.csv " {
		t.Errorf("after an abort there is %s", list())
	}
	if o, err = Create(name); err != nil {
		t.Fatal(err)
	}
	if _, err := o.Write(part); err != nil {
		t.Fatal(err)
	}
	if err := o.Commit(); err != nil {
		t.Fatal(err)
	}
	if data, _ := os.ReadFile(name); !bytes.Equal(data, part) || list() != "out.csv " {
		t.Errorf("after the end there is %s", list())
	}
	for place, want := range map[string]string{dir: "is a folder", filepath.Join(dir, "none", "x.csv"): "check that the folder is there"} {
		if _, err := Create(place); err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), ".part") {
			t.Errorf("%s: %v", place, err)
		}
	}
}

func ExampleFile_Each() {
	f, err := Open("visits.csv", strings.NewReader("id;kg\nA;70,5\nB;81\n"))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(f.Columns, f.DecimalComma())
	err = f.Each([]Worker{copier{}}, func(b *Block) error {
		fmt.Printf("from line %d:\n%s", b.Line, b.Out)
		return nil
	})
	if err != nil {
		fmt.Println(err)
	}
	// Output:
	// [id kg] true
	// from line 2:
	// A;70,5
	// B;81
}
