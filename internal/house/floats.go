package house

import (
	"errors"
	"fmt"
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"os"
	"path/filepath"
	"strings"
)

// mathAllowed lists the functions of package math whose results are the same in every build: they are exact,
// or (Sqrt) rounded correctly by definition. Constants are free.
var mathAllowed = map[string]bool{
	"Sqrt": true, "Floor": true, "Ceil": true, "Trunc": true, "Abs": true, "Max": true, "Signbit": true,
	"IsNaN": true, "IsInf": true, "Inf": true, "NaN": true, "Float64bits": true, "Float64frombits": true,
}

// exporter reads the compiled form of the packages that a checked one imports.
type exporter struct {
	fset    *token.FileSet
	imports types.Importer
}

func newExporter(fset *token.FileSet, packages []goPackage) exporter {
	export := make(map[string]string)
	for _, p := range packages {
		export[p.ImportPath] = p.Export
	}
	open := func(path string) (io.ReadCloser, error) {
		if export[path] == "" {
			return nil, errors.New(path + " is not compiled; does it build?")
		}
		return os.Open(export[path])
	}
	return exporter{fset, importer.ForCompiler(fset, "gc", open)}
}

// floatFaults checks the arithmetic of one package against the rule that every build gives the same bits.
func (x exporter) floatFaults(p goPackage) ([]string, error) {
	var faults []string
	for _, name := range append(append(p.IgnoredGoFiles, p.CgoFiles...), p.SFiles...) {
		if !strings.HasSuffix(name, "_test.go") {
			faults = append(faults, fmt.Sprintf("%s/%s: built only on some machines; the core is one source for all", p.rel(), name))
		}
	}
	var files []*ast.File
	for _, name := range p.GoFiles {
		file, err := parser.ParseFile(x.fset, filepath.Join(p.Dir, name), nil, parser.SkipObjectResolution)
		if err != nil {
			return nil, err
		}
		files = append(files, file)
	}
	info := &types.Info{Types: make(map[ast.Expr]types.TypeAndValue), Uses: make(map[*ast.Ident]types.Object)}
	if _, err := (&types.Config{Importer: x.imports}).Check(p.ImportPath, x.fset, files, info); err != nil {
		return nil, err
	}
	for _, file := range files {
		check := floatCheck{fset: x.fset, info: info, place: p.rel()}
		check.imports(file)
		ast.PreorderStack(file, nil, func(n ast.Node, stack []ast.Node) bool {
			check.node(n, stack)
			return true
		})
		faults = append(faults, check.faults...)
	}
	return faults, nil
}

type floatCheck struct {
	fset   *token.FileSet
	info   *types.Info
	place  string
	faults []string
}

func (c *floatCheck) fault(at ast.Node, text string) {
	pos := c.fset.Position(at.Pos())
	c.faults = append(c.faults, fmt.Sprintf("%s/%s:%d: %s", c.place, filepath.Base(pos.Filename), pos.Line, text))
}

func (c *floatCheck) imports(file *ast.File) {
	for _, spec := range file.Imports {
		path := strings.Trim(spec.Path.Value, `"`)
		if path == "math/cmplx" || path == "math/rand" || path == "math/rand/v2" || strings.HasPrefix(path, "gonum.org/") {
			c.fault(spec, path+" differs between builds; it has no place in the core")
		}
	}
}

func (c *floatCheck) node(n ast.Node, stack []ast.Node) {
	switch n := n.(type) {
	case *ast.Ident:
		c.function(n)
	case *ast.AssignStmt:
		if n.Tok == token.MUL_ASSIGN && c.float(n.Lhs[0]) {
			c.fault(n, "x *= y keeps a product that is not rounded; write x = float64(x * y)")
		}
	case *ast.BinaryExpr:
		if n.Op == token.MUL && c.float(n) {
			c.product(n, stack)
		}
	}
}

// function flags what is not allowed of package math.
func (c *floatCheck) function(id *ast.Ident) {
	fn, ok := c.info.Uses[id].(*types.Func)
	if !ok || fn.Pkg() == nil || fn.Pkg().Path() != "math" || mathAllowed[fn.Name()] {
		return
	}
	c.fault(id, "math."+fn.Name()+" differs between builds; package exact has what the core may use")
}

// product flags a floating-point product that a compiler may fuse with a sum. The language lets it do so across
// statements and through inlined calls, so it is not enough to look at a*b + c: a product must be rounded by a
// conversion at once, unless it goes into something that cannot be fused.
func (c *floatCheck) product(n *ast.BinaryExpr, stack []ast.Node) {
	var from ast.Node = n
	for i := len(stack) - 1; i >= 0; i-- {
		switch up := stack[i].(type) {
		case *ast.ParenExpr:
		case *ast.UnaryExpr: // a changed sign does not stop fusing
		case *ast.BinaryExpr:
			if up.Op == token.ADD || up.Op == token.SUB {
				c.fault(n, "product in a sum may be fused; write float64(a*b)")
			}
			return
		case *ast.CallExpr:
			if from != up.Fun && (c.info.Types[up.Fun].IsType() || c.fromMath(up.Fun)) {
				return
			}
			c.fault(n, "product goes on unrounded and may be fused with a later sum; write float64(a*b)")
			return
		case *ast.AssignStmt:
			if up.Tok == token.ADD_ASSIGN || up.Tok == token.SUB_ASSIGN {
				c.fault(n, "product in a sum may be fused; write float64(a*b)")
				return
			}
			c.fault(n, "product goes on unrounded and may be fused with a later sum; write float64(a*b)")
			return
		default:
			c.fault(n, "product goes on unrounded and may be fused with a later sum; write float64(a*b)")
			return
		}
		from = stack[i]
	}
}

func (c *floatCheck) fromMath(fun ast.Expr) bool {
	selector, ok := fun.(*ast.SelectorExpr)
	if !ok {
		return false
	}
	fn, ok := c.info.Uses[selector.Sel].(*types.Func)
	return ok && fn.Pkg() != nil && fn.Pkg().Path() == "math"
}

// float reports whether e is computed in floating point (or complex) numbers when the program runs.
func (c *floatCheck) float(e ast.Expr) bool {
	got, ok := c.info.Types[e]
	if !ok || got.Value != nil {
		return false
	}
	return holdsFloat(got.Type)
}

func holdsFloat(t types.Type) bool {
	switch t := t.(type) {
	case *types.TypeParam:
		return holdsFloat(t.Constraint().Underlying())
	case *types.Interface:
		for i := range t.NumEmbeddeds() {
			if holdsFloat(t.EmbeddedType(i)) {
				return true
			}
		}
		return false
	case *types.Union:
		for i := range t.Len() {
			if holdsFloat(t.Term(i).Type()) {
				return true
			}
		}
		return false
	}
	switch under := t.Underlying().(type) {
	case *types.Basic:
		return under.Info()&(types.IsFloat|types.IsComplex) != 0
	case *types.Interface:
		return holdsFloat(under)
	}
	return false
}
