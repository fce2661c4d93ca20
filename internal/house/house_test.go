package house

import (
	"go/token"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// tree returns the module's folder and its packages.
func tree(t *testing.T) (string, []goPackage) {
	t.Helper()
	dir, err := root()
	if err != nil {
		t.Fatal(err)
	}
	packages, err := goList(dir, "./...")
	if err != nil {
		t.Fatal(err)
	}
	if len(packages) == 0 {
		t.Fatal("no package found: the house tests would prove nothing")
	}
	return dir, packages
}

func report(t *testing.T, faults []string, err error) {
	t.Helper()
	if err != nil {
		t.Error(err)
	}
	for _, fault := range faults {
		t.Error(fault)
	}
}

func TestDependenciesPointOneWay(t *testing.T) {
	_, packages := tree(t)
	for _, p := range packages {
		faults, err := importFaults(p)
		report(t, faults, err)
	}
}

// The make file builds the core for the browser; it must mean the same packages.
func TestMakefileKnowsTheCore(t *testing.T) {
	dir, _ := tree(t)
	text, err := os.ReadFile(filepath.Join(dir, "Makefile"))
	if err != nil {
		t.Fatal(err)
	}
	want := "CORE := $(wildcard " + strings.Join(core, " ") + ")\n"
	if !strings.Contains(string(text), want) {
		t.Errorf("Makefile: no line %q", want)
	}
}

func TestCoreArithmeticIsTheSameInEveryBuild(t *testing.T) {
	dir, _ := tree(t)
	var patterns []string
	for _, name := range core {
		if _, err := os.Stat(filepath.Join(dir, name)); err == nil {
			patterns = append(patterns, "./"+name+"/...")
		}
	}
	if len(patterns) == 0 {
		t.Fatal("no core package found")
	}
	packages, err := goList(dir, append([]string{"-deps", "-export"}, patterns...)...)
	if err != nil {
		t.Fatal(err)
	}
	check := newExporter(token.NewFileSet(), packages)
	checked := 0
	for _, p := range packages {
		if p.DepOnly {
			continue
		}
		checked++
		faults, err := check.floatFaults(p)
		report(t, faults, err)
	}
	if checked == 0 {
		t.Fatal("no core package checked")
	}
}

func TestPackagesExplainThemselves(t *testing.T) {
	_, packages := tree(t)
	for _, p := range packages {
		faults, err := explainFaults(p)
		report(t, faults, err)
	}
}

func TestNoTestSkipsItself(t *testing.T) {
	_, packages := tree(t)
	for _, p := range packages {
		for _, name := range p.tests() {
			source, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			faults, err := skipFaults(p.rel()+"/"+filepath.Base(name), source)
			report(t, faults, err)
		}
	}
}

func TestCheckedInFiles(t *testing.T) {
	dir, _ := tree(t)
	names, err := trackedFiles(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(names) == 0 {
		t.Fatal("no file found")
	}
	for _, name := range names {
		content, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Error(err)
			continue
		}
		report(t, fileFaults(name, content), nil)
	}
}

func TestEveryModuleIsRecorded(t *testing.T) {
	dir, _ := tree(t)
	text, err := os.ReadFile(filepath.Join(dir, "docs", "dependencies.md"))
	if err != nil {
		t.Fatal(err)
	}
	linked, err := linkedModules(dir, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	if len(linked) == 0 {
		t.Fatal("the program reports no module at all; was it built with module support?")
	}
	testOnly, err := requiredModules(dir)
	if err != nil {
		t.Fatal(err)
	}
	maps.DeleteFunc(testOnly, func(name, _ string) bool { return linked[name] != "" })
	tools, err := requiredModules(filepath.Join(dir, "tools"))
	if err != nil {
		t.Fatal(err)
	}
	for _, part := range []struct {
		heading, dir string
		used         map[string]string
	}{
		{programTable, dir, linked},
		{"Only in tests", dir, testOnly},
		{"Tools", filepath.Join(dir, "tools"), tools},
	} {
		record, err := recordedModules(string(text), part.heading)
		if err != nil {
			t.Fatal(err)
		}
		report(t, recordFaults(part.used, record, part.heading), nil)
		for _, name := range slices.Sorted(maps.Keys(record)) {
			if _, used := part.used[name]; !used {
				continue
			}
			fault, err := licenceFault(part.dir, part.heading, name, record[name])
			if err != nil || fault != "" {
				t.Error(fault, err)
			}
		}
	}
}
