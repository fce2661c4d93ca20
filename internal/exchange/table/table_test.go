package table

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

func load(t testing.TB, name string, into any) {
	t.Helper()
	data, err := os.ReadFile("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(data, into); err != nil {
		t.Fatal(err)
	}
}

// TestCSVVectors tries writing, reading and guarding.
func TestCSVVectors(t *testing.T) {
	var file struct {
		Vectors []struct {
			ID           string
			Rows         [][]string
			CSV          string
			FormulaGuard *string
			Parse        *string
			Expect       json.RawMessage
		}
	}
	load(t, "csv_rfc4180.json", &file)
	if len(file.Vectors) < 10 {
		t.Fatal(len(file.Vectors))
	}
	for _, v := range file.Vectors {
		switch {
		case v.FormulaGuard != nil:
			var want string
			if err := json.Unmarshal(v.Expect, &want); err != nil || Guard(*v.FormulaGuard) != want || Unguard(want) != *v.FormulaGuard {
				t.Errorf("%s: %q, want %q", v.ID, Guard(*v.FormulaGuard), want)
			}
		case v.Parse != nil:
			rows, fault := ReadCSV("x.csv", []byte(*v.Parse))
			var want [][]string
			var bad struct{ Error string }
			if json.Unmarshal(v.Expect, &want) != nil {
				if json.Unmarshal(v.Expect, &bad) != nil || fault == nil || fault.Rule != bad.Error {
					t.Errorf("%s: %v, want %s", v.ID, fault, v.Expect)
				}
				continue
			}
			if fault != nil || !same(rows, want) {
				t.Errorf("%s: %v %v", v.ID, rows, fault)
			}
		default:
			var b bytes.Buffer
			if err := WriteCSV(&b, v.Rows); err != nil || b.String() != v.CSV {
				t.Errorf("%s: %q, want %q", v.ID, b.String(), v.CSV)
			}
			if rows, fault := ReadCSV("x.csv", b.Bytes()); fault != nil || !same(rows, v.Rows) {
				t.Errorf("%s: read back %v %v", v.ID, rows, fault)
			}
		}
	}
}

func same(rows []Row, want [][]string) bool {
	return slices.EqualFunc(rows, want, func(a Row, b []string) bool { return slices.Equal(a.Cells, b) })
}

// TestPackageVectors tries the tables of the published example package; a file without a descriptor has that of the first.
func TestPackageVectors(t *testing.T) {
	var file struct {
		Descriptor json.RawMessage
		Vectors    []struct {
			ID      string
			Package json.RawMessage
			Files   map[string]string
			Expect  struct {
				Valid bool
				Error string
			}
		}
	}
	load(t, "datapackage.json", &file)
	if len(file.Vectors) < 5 {
		t.Fatal(len(file.Vectors))
	}
	for _, v := range file.Vectors {
		files := map[string][]byte{Descriptor: file.Descriptor}
		if v.Package != nil {
			files[Descriptor] = v.Package
		}
		for name, text := range v.Files {
			files[name] = []byte(text)
		}
		faults := Check(files)
		if (len(faults) == 0) != v.Expect.Valid || !v.Expect.Valid && faults[0].Rule != v.Expect.Error {
			t.Errorf("%s: %v, want %+v", v.ID, faults, v.Expect)
		}
	}
}

// TestRules breaks the example table in one place each.
func TestRules(t *testing.T) {
	base := "test_id,stage,minute,power_w,hr_bpm,rpe,stopped\r\nT1,1,3,25,92,9,false\r\n"
	var file struct{ Descriptor json.RawMessage }
	load(t, "datapackage.json", &file)
	for _, x := range []struct{ old, new, rule string }{
		{"T1,1,", ",1,", "required"}, {",92,", ",9e9,", "integer"}, {",25,", ",x,", "number"}, {",25,", ",-1,", "minimum"}, {",9,false", ",5,false", "minimum"},
		{"stopped", "halted", "fields"}, {",rpe", "", "ragged"}, {"T1,1,3", "T1,,3", "required"}, {"false\r\n", "false,x\r\n", "ragged"}, {",92", ",\"92", "quote"}, {"stage,", "stage;", "ragged"},
	} {
		text := strings.Replace(base, x.old, x.new, 1)
		faults := Check(map[string][]byte{Descriptor: file.Descriptor, "stages.csv": []byte(text)})
		if !slices.ContainsFunc(faults, func(f Fault) bool { return f.Rule == x.rule }) {
			t.Errorf("%q: %v, want %s", x.new, faults, x.rule)
		}
	}
	if faults := Check(map[string][]byte{Descriptor: file.Descriptor}); len(faults) != 1 || faults[0].Rule != "path" {
		t.Error(faults)
	}
	if faults := Check(nil); len(faults) != 1 || faults[0].Rule != "package" {
		t.Error(faults)
	}
}

// TestZip refuses what would fill the memory, and what leads out of the package.
func TestZip(t *testing.T) {
	make := func(name string, size int) []byte {
		var b bytes.Buffer
		z := zip.NewWriter(&b)
		w, err := z.Create(name)
		if err != nil {
			t.Fatal(err)
		}
		chunk := bytes.Repeat([]byte{' '}, 1<<20)
		for range size {
			if _, err := w.Write(chunk); err != nil {
				t.Fatal(err)
			}
		}
		if err := z.Close(); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	if _, err := Unzip(make("a.csv", 1)); err != nil {
		t.Error(err)
	}
	if _, err := Unzip(make("a.csv", MostUnpacked>>20+1)); err == nil || !strings.Contains(err.Error(), "unpacks to more") {
		t.Error(err)
	}
	for _, name := range []string{"../a.csv", "/a.csv", "x/../../a", `..\a`} {
		if _, err := Unzip(make(name, 0)); err == nil {
			t.Errorf("%s was taken", name)
		}
	}
	if _, err := Unzip([]byte("no zip")); err == nil {
		t.Error("no zip was taken")
	}
}

func FuzzCSV(f *testing.F) {
	for _, s := range []string{"a,b\r\n1,2\r\n", "\"a\"\"b\",c\n", "'=1", "a;b\n", "\"\r\n\",x\r"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		rows, fault := ReadCSV("x", data)
		if fault != nil {
			return
		}
		var cells [][]string
		for _, r := range rows {
			cells = append(cells, r.Cells)
			for _, c := range r.Cells {
				if Unguard(Guard(c)) != c {
					t.Errorf("%q comes back as %q", c, Unguard(Guard(c)))
				}
			}
		}
		var b bytes.Buffer
		if err := WriteCSV(&b, cells); err != nil {
			t.Fatal(err)
		}
		again, fault := ReadCSV("x", b.Bytes())
		semicolons := fault != nil && fault.Rule == "dialect"
		if !semicolons && (fault != nil || !same(again, cells)) {
			t.Errorf("%q: written %q, read %v %v", data, b.String(), again, fault)
		}
	})
}

// FuzzCheck: no descriptor and no table brings the check down, and it lists a bounded number of faults.
func FuzzCheck(f *testing.F) {
	f.Add([]byte(`{"resources":[{"name":"t","path":"t.csv","schema":{"fields":[{"name":"a","type":"integer","constraints":{"minimum":1,"pattern":"[0-9]+"}}],"primaryKey":"a","foreignKeys":[{"fields":"a","reference":{"resource":"","fields":"a"}}]}}]}`), []byte("a\r\n1\r\n"))
	f.Fuzz(func(t *testing.T, descriptor, content []byte) {
		if faults := Check(map[string][]byte{Descriptor: descriptor, "t.csv": content}); len(faults) > mostFaults+100 {
			t.Errorf("%d faults", len(faults))
		}
	})
}

// FuzzUnzip: no archive names a place outside, or holds more than is allowed.
func FuzzUnzip(f *testing.F) {
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for _, name := range []string{"datapackage.json", "../up"} {
		w, err := z.Create(name)
		if err != nil {
			f.Fatal(err)
		}
		if _, err := w.Write([]byte("{}")); err != nil {
			f.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		f.Fatal(err)
	}
	f.Add(b.Bytes())
	f.Fuzz(func(t *testing.T, data []byte) {
		files, err := Unzip(data)
		if err != nil {
			return
		}
		size := 0
		for name, content := range files {
			if size += len(content); !filepath.IsLocal(name) {
				t.Errorf("%q leads out", name)
			}
		}
		if size > MostUnpacked {
			t.Errorf("%d bytes", size)
		}
	})
}
