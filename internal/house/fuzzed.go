package house

import (
	"go/ast"
	"go/parser"
	"go/token"
	"go/types"
	"os"
	"regexp"
	"strings"
)

// readsInput matches the names of functions that read what comes from outside.
var readsInput = regexp.MustCompile(`^(Read|Parse|Decode|Unpack|Unzip|Import|Load|Check)`)

// fuzzedThrough names the readers that no target calls by their own name, with the target that reaches them, or why none is needed.
var fuzzedThrough = map[string]string{
	"internal/access.ParseRoles":           "a list of names, each compared with a table",
	"internal/exchange/workbook.Read":      "internal/exchange/grid FuzzRead",
	"internal/exchange/workbook.ReadSheet": "internal/exchange/grid FuzzRead",
	"internal/sheet.Read":                  "internal/sheet FuzzSheet",
	"internal/vault.Parse":                 "internal/vault FuzzKeyFile, by Load",
	"internal/audit.ParseHash":             "internal/audit FuzzAnchor",
}

// readers lists the exported functions of a source file that read bytes, a stream or a text from outside.
func readers(name string, source any) (names []string, err error) {
	file, err := parser.ParseFile(token.NewFileSet(), name, source, parser.SkipObjectResolution)
	if err != nil || file.Name.Name == "main" {
		return nil, err
	}
	for _, d := range file.Decls {
		f, ok := d.(*ast.FuncDecl)
		if ok && f.Recv == nil && f.Name.IsExported() && readsInput.MatchString(f.Name.Name) && takesInput(f) {
			names = append(names, f.Name.Name)
		}
	}
	return names, nil
}

func takesInput(f *ast.FuncDecl) bool {
	for _, p := range f.Type.Params.List {
		switch types.ExprString(p.Type) {
		case "[]byte", "io.Reader", "io.ReaderAt", "map[string][]byte":
			return true
		case "string":
			if strings.HasPrefix(f.Name.Name, "Parse") {
				return true
			}
		}
	}
	return false
}

// fuzzTargets is the text of the fuzz targets of a test file.
func fuzzTargets(name string) (text string, err error) {
	source, err := os.ReadFile(name)
	if err != nil {
		return "", err
	}
	fset := token.NewFileSet()
	file, err := parser.ParseFile(fset, name, source, parser.SkipObjectResolution)
	if err != nil {
		return "", err
	}
	for _, d := range file.Decls {
		if f, ok := d.(*ast.FuncDecl); ok && strings.HasPrefix(f.Name.Name, "Fuzz") {
			text += string(source[fset.Position(f.Pos()).Offset:fset.Position(f.End()).Offset])
		}
	}
	return text, nil
}

// unfuzzed lists the readers of a package that no fuzz target of it calls, as "package.Name".
func unfuzzed(p goPackage) (all []string, err error) {
	text := ""
	for _, name := range p.tests() {
		t, err := fuzzTargets(name)
		if err != nil {
			return nil, err
		}
		text += t
	}
	// A table of decoders is tried as a whole.
	if p.rel() == "gatt" && strings.Contains(text, "Decode(") {
		return nil, nil
	}
	for _, name := range p.sources() {
		found, err := readers(name, nil)
		if err != nil {
			return nil, err
		}
		for _, f := range found {
			if !regexp.MustCompile(`\b` + f + `\(`).MatchString(text) {
				all = append(all, p.rel()+"."+f)
			}
		}
	}
	return all, nil
}
