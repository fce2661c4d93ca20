package house

import (
	"fmt"
	"go/token"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// The sample's marked lines must be found, each of them, and no other line.
func TestFloatCheckerFindsEverySample(t *testing.T) {
	packages, err := goList(".", "-deps", "-export", "./testdata/floats")
	if err != nil {
		t.Fatal(err)
	}
	sample := packages[len(packages)-1]
	faults, err := newExporter(token.NewFileSet(), packages).floatFaults(sample)
	if err != nil {
		t.Fatal(err)
	}
	got := make(map[string][]string)
	for _, fault := range faults {
		line := strings.Split(fault, ":")[1]
		got[line] = append(got[line], fault)
	}
	text, err := os.ReadFile(filepath.Join("testdata", "floats", "sample.go"))
	if err != nil {
		t.Fatal(err)
	}
	marked := 0
	for i, line := range strings.Split(string(text), "\n") {
		at, want := fmt.Sprint(i+1), strings.Contains(line, "// found")
		if want {
			marked++
		}
		if found := len(got[at]) > 0; found != want {
			t.Errorf("sample.go:%s: found %v, want %v: %s %q", at, found, want, strings.TrimSpace(line), got[at])
		}
	}
	if marked < 20 {
		t.Errorf("only %d marked lines in the sample", marked)
	}
}

func TestFloatCheckerFindsForeignArithmetic(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("a.go", "package a\n\nimport _ \"math/cmplx\"\n")
	write("a_js.go", "package a\n")
	packages, err := goList(".", "-deps", "-export", "math/cmplx")
	if err != nil {
		t.Fatal(err)
	}
	p := goPackage{Dir: dir, ImportPath: "gradus/exact", Name: "a", GoFiles: []string{"a.go"}, IgnoredGoFiles: []string{"a_js.go"}}
	faults, err := newExporter(token.NewFileSet(), packages).floatFaults(p)
	if err != nil {
		t.Fatal(err)
	}
	if len(faults) != 2 || !strings.Contains(faults[0], "a_js.go") || !strings.Contains(faults[1], "math/cmplx") {
		t.Errorf("got %q", faults)
	}
}

func TestImportRules(t *testing.T) {
	for _, c := range []struct {
		from, to string
		ok       bool
	}{
		{"conduct", "gradus/protocol", true},
		{"conduct", "gradus/exact", true},
		{"conduct", "gradus/conduct/library", true},
		{"protocol/library", "gradus/protocol", true},
		{"protocol/library", "embed", true},
		{"protocol/library", "io/fs", true},
		{"prove", "gradus/interpret", true},
		{"prove", "time", true},
		{"conduct", "math", true},
		{"protocol", "gradus/conduct", false},
		{"physiology", "gradus/protocol/library", false},
		{"conduct", "gradus/estimate", false},
		{"conduct", "gradus/screen", false},
		{"interpret", "gradus/change", false},
		{"estimate", "gradus/prove", false},
		{"simulate", "gradus/prove", false},
		{"conduct", "gradus/internal/record", false},
		{"prove", "gradus/cmd/gradus", false},
		{"conduct", "time", false},
		{"conduct", "os", false},
		{"conduct", "os/exec", false},
		{"exact", "math/rand/v2", false},
		{"protocol/library", "net/http", false},
		{"estimate", "crypto/rand", false},
		{"estimate", "log/slog", false},
	} {
		why := judgeImport(goPackage{ImportPath: "gradus/" + c.from}, c.to)
		if (why == "") != c.ok {
			t.Errorf("%s imports %s: %q, want allowed %v", c.from, c.to, why, c.ok)
		}
	}
	faults, err := importFaults(goPackage{ImportPath: "gradus/somewhere"})
	if err != nil || len(faults) != 1 {
		t.Errorf("a package without a place: %q, %v", faults, err)
	}
}

func TestSkipChecker(t *testing.T) {
	for _, c := range []struct {
		body string
		ok   bool
	}{
		{`if testing.Short() { t.Skip("slow") }`, true},
		{`rapid.Check(t, func(rt *rapid.T) { rt.Skip("another draw") })`, true},
		{`t.Skip("later")`, false},
		{`if os.Getenv("DB") == "" { t.Skipf("no %s", "DB") }`, false},
		{`if !testing.Short() { t.SkipNow() }`, false},
		{`if testing.Short() { return } else { t.SkipNow() }`, false},
		{`rapid.Check(t, func(rt *rapid.T) { t.Skip("the whole test") })`, false},
		{`f.Fuzz(func(t *testing.T, b []byte) { t.Skip() })`, false},
	} {
		source := "package a\n\nfunc TestA(t *testing.T) {\n" + c.body + "\n}\n"
		faults, err := skipFaults("a_test.go", source)
		if err != nil {
			t.Fatal(err)
		}
		if (len(faults) == 0) != c.ok {
			t.Errorf("%s: %q, want allowed %v", c.body, faults, c.ok)
		}
	}
}

func TestExplainChecker(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return name
	}
	explained := write("good.go", "// Package a serves a task.\npackage a\n")
	silent := write("bad.go", "package a\n")
	shown := write("good_test.go", "package a\n\nfunc Example() {\n\tprintln()\n\t// Output:\n\t// 1\n}\n")
	unproved := write("bad_test.go", "package a\n\nfunc Example() { println() }\n")
	for _, c := range []struct {
		path, source, test string
		faults             int
	}{
		{"a", explained, shown, 0},
		{"a", explained, unproved, 1},
		{"a", silent, shown, 1},
		{"a", silent, unproved, 2},
		{"internal/a", explained, unproved, 0},
		{"a/library", explained, unproved, 0},
	} {
		p := goPackage{Dir: dir, ImportPath: "gradus/" + c.path, Name: "a", GoFiles: []string{c.source}, TestGoFiles: []string{c.test}}
		faults, err := explainFaults(p)
		if err != nil || len(faults) != c.faults {
			t.Errorf("%+v: %q, %v", c, faults, err)
		}
	}
}

func TestFileChecker(t *testing.T) {
	for _, c := range []struct {
		name, content string
		faults        int
	}{
		{"a.go", "// the work rate of a stage\npackage a\n", 0},
		{"a.md", "see https://example.org/work/rate and exercise/work/rest\n", 0},
		{"a.go", "// TO" + "DO later\n", 1},
		{"a.go", "a\nb // FIX" + "ME\nXX" + "X\n", 2},
		{"a.go", `errors.New("score: not built ` + `yet")`, 1},
		{"a.md", "cd /wo" + "rk/main\n", 1},
		{"a.md", "(/ho" + "me/someone)\n", 1},
		{"a.txt~", "", 1},
		{"docs/a.orig", "", 1},
		{"gradus", "\x7fELF\x02", 1},
		{"a.csv", strings.Repeat("1\n", maxFileBytes), 1},
		{"a.png", "\x89PNG\x00 TO" + "DO", 0},
	} {
		if faults := fileFaults(c.name, []byte(c.content)); len(faults) != c.faults {
			t.Errorf("%s: %q, want %d", c.name, faults, c.faults)
		}
	}
}

func TestModuleRecord(t *testing.T) {
	text := "# Title\n## A\n| module | version | licence | reason |\n| --- | --- | --- | --- |\n| `x/y` | v1.0.0 | MIT | because |\n| `x/z` | v1.0.0 | MIT | |\n## B\n| `other` | v1.0.0 | MIT | because |\n"
	record, err := recordedModules(text, "A")
	if err != nil || len(record) != 2 || record["x/y"] != (recorded{"v1.0.0", "MIT", "because"}) {
		t.Fatalf("%v, %v", record, err)
	}
	got := recordFaults(map[string]string{"x/y": "v1.0.1", "x/z": "v1.0.0", "x/new": "v2.0.0"}, record, "A")
	want := []string{"x/new v2.0.0 is not recorded", "x/y is recorded as v1.0.0", "x/z has no reason"}
	if len(got) != len(want) || !slices.EqualFunc(got, want, strings.Contains) {
		t.Errorf("got %q", got)
	}
	if got := recordFaults(nil, record, "A"); len(got) != 2 {
		t.Errorf("unused rows: %q", got)
	}
	if _, err := recordedModules("## A\n| `x` | v1 |\n", "A"); err == nil {
		t.Error("a short row passed")
	}
	if _, err := recordedModules("## A\n| `x` | v1 | MIT | a |\n| `x` | v1 | MIT | a |\n", "A"); err == nil {
		t.Error("a double row passed")
	}
}

func TestLicenceChecker(t *testing.T) {
	dir, err := root()
	if err != nil {
		t.Fatal(err)
	}
	const kong = "github.com/alecthomas/kong" // MIT
	used, err := requiredModules(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		heading, licence string
		ok               bool
	}{
		{programTable, "MIT", true},
		{programTable, "Apache-2.0", false},
		{programTable, "MPL-2.0", false},
		{programTable, "GPL-3.0", false},
		{programTable, "", false},
		{"Only in tests", "MPL-2.0", false},
	} {
		fault, err := licenceFault(dir, c.heading, kong, recorded{used[kong], c.licence, "because"})
		if err != nil || (fault == "") != c.ok {
			t.Errorf("%+v: %q, %v", c, fault, err)
		}
	}
}

// Without version control every file counts but those that a build makes.
func TestFilesWithoutVersionControl(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"a.go", "bin/gradus", "docs/bin/b.md", ".tools/x"} {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	got, err := trackedFiles(dir)
	if want := []string{"a.go", "docs/bin/b.md"}; err != nil || !slices.Equal(got, want) {
		t.Errorf("got %q, %v, want %q", got, err, want)
	}
}
