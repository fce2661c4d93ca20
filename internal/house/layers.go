package house

import (
	"fmt"
	"go/parser"
	"go/token"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// core names the packages that run at the bedside, in the browser as well as on the server: they know no
// clock, file or network, and use only arithmetic that is equal to the last bit in every build.
var core = []string{"exact", "gatt", "heartbeat", "physiology", "protocol", "conduct", "estimate"}

// level places every domain package in the one direction of dependencies: a package imports only packages of a
// lower level, or its own sub-packages. Packages on one level do not know each other.
var level = map[string]int{
	"exact": 0, "units": 0, "yamlread": 0, "gatt": 0, "heartbeat": 0, "equipment": 0, "datatable": 0,
	"physiology": 10,
	"protocol":   20,
	"conduct":    30,
	"estimate":   40,
	"stats":      50,
	"screen":     60, "interpret": 60, "prescribe": 60, "change": 60,
	"gasexchange": 60,
	"prove":       70, "simulate": 70,
}

// unknownToCore lists what a core package must not import: the clock, files, the network, unseeded chance,
// logging. Sub-packages of these are meant too.
var unknownToCore = []string{"time", "os", "net", "math/rand", "log", "crypto/rand", "syscall", "io/ioutil", "path/filepath"}

// importFaults checks the imports of one package.
func importFaults(p goPackage) ([]string, error) {
	if p.family() == "cmd" || p.family() == "internal" || p.family() == "bench" {
		return nil, nil
	}
	if _, ok := level[p.family()]; !ok {
		return []string{fmt.Sprintf("%s: package has no place in the layers; give it one in internal/house/layers.go", p.rel())}, nil
	}
	var faults []string
	add := func(files []string, judge func(goPackage, string) string) error {
		for _, file := range files {
			imports, err := importsOf(file)
			if err != nil {
				return err
			}
			for _, path := range imports {
				if why := judge(p, path); why != "" {
					faults = append(faults, fmt.Sprintf("%s/%s: imports %s: %s", p.rel(), filepath.Base(file), path, why))
				}
			}
		}
		return nil
	}
	if err := add(p.sources(), judgeImport); err != nil {
		return nil, err
	}
	return faults, add(p.tests(), judgeInward)
}

// judgeImport says why a source file of p must not import path, or "".
func judgeImport(p goPackage, path string) string {
	if slices.Contains(core, p.family()) {
		for _, banned := range unknownToCore {
			if path == banned || strings.HasPrefix(path, banned+"/") {
				return "the core knows no clock, file, network, chance or log; take it as data"
			}
		}
	}
	return judgeInward(p, path) + judgeLevel(p, path)
}

// judgeInward holds for tests too: a domain package stands without the program around it.
func judgeInward(_ goPackage, path string) string {
	first, rest, _ := strings.Cut(path, "/")
	if first != modulePath {
		return ""
	}
	family, _, _ := strings.Cut(rest, "/")
	if family == "internal" || family == "cmd" {
		return "a domain package never imports internal or cmd; move what it needs into a domain package"
	}
	return ""
}

func judgeLevel(p goPackage, path string) string {
	rest, ours := strings.CutPrefix(path, modulePath+"/")
	family, _, _ := strings.Cut(rest, "/")
	to, known := level[family]
	if !ours || !known || family == p.family() || to < level[p.family()] {
		return ""
	}
	return fmt.Sprintf("dependencies point one way, and %s stands beside or above %s", family, p.family())
}

func importsOf(file string) ([]string, error) {
	tree, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.ImportsOnly)
	if err != nil {
		return nil, err
	}
	var paths []string
	for _, spec := range tree.Imports {
		path, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			return nil, err
		}
		paths = append(paths, path)
	}
	return paths, nil
}
