package grid

import (
	"archive/zip"
	"bytes"
	"compress/flate"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"
)

// book makes an XLSX file with what a clinic's sheet may have in it.
func book(t testing.TB) []byte {
	t.Helper()
	f := excelize.NewFile()
	defer f.Close()
	do := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	do(f.SetSheetName("Sheet1", "Notes"))
	_, err := f.NewSheet("Tests 2019")
	do(err)
	day, err := f.NewStyle(&excelize.Style{NumFmt: 14})
	do(err)
	for at, v := range map[string]any{"A1": "Our tests", "A3": "Code", "B3": "Day", "C3": "HR", "D3": "HR", "F3": "kg", "A4": "P-01", "B4": time.Date(2019, 3, 4, 0, 0, 0, 0, time.UTC), "C4": 92, "D4": 94.5, "F4": "68,5",
		"B5": "05/06/2019", "C5": 90, "A7": "P-02", "C7": 88} {
		do(f.SetCellValue("Tests 2019", at, v))
	}
	do(f.SetCellStyle("Tests 2019", "B4", "B4", day))
	do(f.MergeCell("Tests 2019", "A4", "A5"))
	do(f.MergeCell("Tests 2019", "C7", "D7"))
	do(f.MergeCell("Tests 2019", "X4", "Z5")) // empty cells beside the table
	do(f.SetCellFormula("Tests 2019", "D5", "C5+1"))
	do(f.SetCellValue("Tests 2019", "F5", 67.5))
	do(f.SetCellFormula("Tests 2019", "F5", "F4-1"))
	do(f.SetSheetRow("Tests 2019", "A8", &[]any{"P-03", nil, 1}))
	var b bytes.Buffer
	do(f.Write(&b))
	return broken(t, b.Bytes())
}

// broken puts the error of a spreadsheet into a cell, which the library does not write.
func broken(t testing.TB, data []byte) []byte {
	t.Helper()
	in, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	z, done := zip.NewWriter(&out), false
	for _, part := range in.File {
		r, err := part.Open()
		if err != nil {
			t.Fatal(err)
		}
		var body bytes.Buffer
		if _, err := body.ReadFrom(r); err != nil {
			t.Fatal(err)
		}
		changed := bytes.Replace(body.Bytes(), []byte(`<c r="C8"><v>1</v>`), []byte(`<c r="C8" t="e"><v>#DIV/0!</v>`), 1)
		done = done || !bytes.Equal(changed, body.Bytes())
		w, err := z.Create(part.Name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write(changed); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil || !done {
		t.Fatal("no error was put in", err)
	}
	return out.Bytes()
}

func TestBook(t *testing.T) {
	g, err := Read("dir/old.xlsx", book(t), "Tests 2019", 3)
	if err != nil {
		t.Fatal(err)
	}
	if got, want := strings.Join(g.Heads, "|"), "Code|Day|HR|HR (2)|column E|kg"; got != want {
		t.Errorf("headings %s, want %s", got, want)
	}
	if got, want := fmt.Sprint(g.Rows), "[{4 [P-01 2019-03-04 92 94.5  68,5]} {5 [P-01 05/06/2019 90   67.5]} {7 [P-02  88   ]} {8 [P-03  #DIV/0!   ]}]"; got != want {
		t.Errorf("rows %s\nwant %s", got, want)
	}
	for at, want := range map[[2]int]string{{5, 4}: "the formula here has no value", {7, 3}: "joined across columns", {7, 4}: "C7 to D7", {8, 3}: "#DIV/0!", {4, 1}: "", {4, 3}: ""} {
		if why := g.Unfit(at[0], at[1]); !strings.Contains(why, want) || (why == "") != (want == "") {
			t.Errorf("%v: %q, want %q", at, why, want)
		}
	}
	var notes []string
	for _, n := range g.Notes {
		notes = append(notes, n.String())
	}
	if got := strings.Join(notes, "; "); !strings.Contains(got, "old.xlsx, sheet Tests 2019: cells with formulas: 1") || !strings.Contains(got, "A4 (Code): joined with the cells below it, to row 5") {
		t.Error(got)
	}
	if g, err = Read("old.xlsx", book(t), "Tests 2019", 0); err != nil || g.Head != 1 {
		t.Error(g, err)
	}
}

func TestCSV(t *testing.T) {
	for name, data := range map[string]string{
		"semicolons":   "\ufeffCode;kg;Note\r\nP-01;68,5;\"two\nlines; here\"\r\n\r\nP-02;70;x\r\n",
		"commas":       "Code,kg,Note\nP-01,\"68,5\",\"two\nlines; here\"\n\nP-02,70,x\n",
		"tabs":         "Code\tkg\tNote\nP-01\t68,5\t\"two\nlines; here\"\n\nP-02\t70\tx\n",
		"a title line": "Our tests\nCode;kg;Note\nP-01;68,5;\"two\nlines; here\"\nP-02;70;x\n",
	} {
		head := 0
		if name == "a title line" {
			head = 2
		}
		g, err := Read("t.csv", []byte(data), "", head)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if fmt.Sprintf("%v %d %s %s", g.Heads, len(g.Rows), g.Rows[0].Cells[1], g.Rows[1].Cells[0]) != "[Code kg Note] 2 68,5 P-02" || g.Rows[0].Cells[2] != "two\nlines; here" || g.Rows[1].N != 5 {
			t.Errorf("%s: %v %v", name, g.Heads, g.Rows)
		}
	}
	g, err := Read("t.csv", []byte("Name\nM\xfcller\n"), "", 0)
	if err != nil || g.Rows[0].Cells[0] != "Müller" || len(g.Notes) != 1 {
		t.Error(g, err)
	}
	g, err = Read("t.csv", []byte("\xff\xfeA\x00\n\x00\xfc\x00\n\x00"), "", 0)
	if err != nil || g.Rows[0].Cells[0] != "ü" {
		t.Error(g, err)
	}
}

// bomb is a file of some kilobytes that says it unpacks to declared bytes, and unpacks to real ones.
func bomb(t *testing.T, declared uint64, real int) []byte {
	t.Helper()
	var packed bytes.Buffer
	deflate, err := flate.NewWriter(&packed, flate.BestSpeed)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := deflate.Write(bytes.Repeat([]byte(" "), real)); err != nil {
		t.Fatal(err)
	}
	if err := deflate.Close(); err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for _, name := range []string{"[Content_Types].xml", "xl/workbook.xml", "xl/worksheets/sheet1.xml"} {
		w, err := z.CreateRaw(&zip.FileHeader{Name: name, Method: zip.Deflate, CompressedSize64: uint64(packed.Len()), UncompressedSize64: declared})
		if err == nil {
			_, err = w.Write(packed.Bytes())
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestRefusedFiles(t *testing.T) {
	many := "a,b\n" + strings.Repeat("1,2\n", MostRows+1)
	for _, c := range []struct {
		name  string
		data  []byte
		sheet string
		head  int
		want  string
	}{
		{"empty", nil, "", 0, "the file is empty"},
		{"blank", []byte(" \n \n"), "", 0, "the file is empty"},
		{"only separators", []byte(";;\n;;\n"), "", 0, "there is nothing in it"},
		{"headings alone", []byte("a;b\n"), "", 0, "no row below the headings in row 1"},
		{"no such row", []byte("a;b\n1;2\n"), "", 9, "there is no row 9"},
		{"a sheet of a CSV file", []byte("a;b\n1;2\n"), "x", 0, "only an XLSX file has sheets"},
		{"no such sheet", book(t), "x", 0, `there is no sheet "x"; it has Notes, Tests 2019`},
		{"an open quotation mark", []byte("a,b\n\"1,2\n3,4\n"), "", 0, "check the quotation marks"},
		{"a picture", []byte("\x89PNG\x00\x00"), "", 0, "neither an XLSX nor a CSV file"},
		{"an old form", []byte("\xd0\xcf\x11\xe0\xa1\xb1"), "", 0, "of an old form, or has a password"},
		{"cut off", book(t)[:800], "", 0, "cannot be read as a spreadsheet"},
		{"a bomb", bomb(t, 100<<20, 1<<20), "", 0, "unzip size exceeds"},
		{"a bomb that lies", bomb(t, 1000, 8<<20), "", 0, "cannot be read as a spreadsheet"},
		{"too many rows", []byte(many), "", 0, "more than 20000 rows"},
		{"too wide", []byte("a" + strings.Repeat(",b", 600) + "\n1\n"), "", 0, "more than 500 columns"},
		{"too large", make([]byte, MostBytes+1), "", 0, "larger than 32 MB"},
	} {
		if _, err := Read("f", c.data, c.sheet, c.head); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %s", c.name, err, c.want)
		}
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte("Code;kg\nP-01;68,5\n"))
	f.Add([]byte("\ufeffa\tb\r\n\"x\"\t1\r\n"))
	f.Add(book(f))
	f.Fuzz(func(t *testing.T, data []byte) {
		g, err := Read("f", data, "", 0)
		if err != nil {
			return
		}
		for _, r := range g.Rows {
			if len(r.Cells) != len(g.Heads) || r.N <= g.Head {
				t.Errorf("row %d of %d cells, headings %d in row %d", r.N, len(r.Cells), len(g.Heads), g.Head)
			}
		}
	})
}
