package house

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
)

// skipFaults finds tests that may leave themselves out. Only the short run may: `if testing.Short() { t.Skip(…) }`;
// the full run then runs them. A property test's draw may be discarded; that is another draw, not a skipped test.
func skipFaults(name string, source any) ([]string, error) {
	fset := token.NewFileSet()
	file, err := parser.ParseFile(fset, name, source, parser.SkipObjectResolution)
	if err != nil {
		return nil, err
	}
	var faults []string
	ast.PreorderStack(file, nil, func(n ast.Node, stack []ast.Node) bool {
		call, ok := n.(*ast.CallExpr)
		if !ok {
			return true
		}
		method, ok := call.Fun.(*ast.SelectorExpr)
		if !ok || !isSkip(method.Sel.Name) {
			return true
		}
		receiver, ok := method.X.(*ast.Ident)
		if ok && (drawn(receiver.Name, stack) || onlyWhenShort(call, stack)) {
			return true
		}
		faults = append(faults, fmt.Sprintf("%s:%d: a test that may skip itself proves nothing; fail with what to install, or skip only if testing.Short()",
			name, fset.Position(n.Pos()).Line))
		return true
	})
	return faults, nil
}

func isSkip(name string) bool { return name == "Skip" || name == "Skipf" || name == "SkipNow" }

// onlyWhenShort reports whether the call stands directly in the body of `if testing.Short()`.
func onlyWhenShort(call ast.Node, stack []ast.Node) bool {
	for _, up := range stack {
		branch, ok := up.(*ast.IfStmt)
		if !ok || call.Pos() < branch.Body.Pos() || call.End() > branch.Body.End() {
			continue
		}
		cond, ok := branch.Cond.(*ast.CallExpr)
		if !ok {
			continue
		}
		fun, ok := cond.Fun.(*ast.SelectorExpr)
		if !ok || fun.Sel.Name != "Short" {
			continue
		}
		if from, ok := fun.X.(*ast.Ident); ok && from.Name == "testing" {
			return true
		}
	}
	return false
}

// drawn reports whether name is, in the innermost function that declares it, a parameter of type *rapid.T.
func drawn(name string, stack []ast.Node) bool {
	for i := len(stack) - 1; i >= 0; i-- {
		var params *ast.FieldList
		switch fn := stack[i].(type) {
		case *ast.FuncLit:
			params = fn.Type.Params
		case *ast.FuncDecl:
			params = fn.Type.Params
		default:
			continue
		}
		for _, field := range params.List {
			for _, id := range field.Names {
				if id.Name == name {
					return isRapid(field.Type)
				}
			}
		}
	}
	return false
}

func isRapid(e ast.Expr) bool {
	star, ok := e.(*ast.StarExpr)
	if !ok {
		return false
	}
	selector, ok := star.X.(*ast.SelectorExpr)
	if !ok {
		return false
	}
	from, ok := selector.X.(*ast.Ident)
	return ok && from.Name == "rapid" && selector.Sel.Name == "T"
}
