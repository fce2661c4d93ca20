package house

import (
	"fmt"
	"go/ast"
	"go/doc"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"strings"
)

// explainFaults checks that a package says what it is for, and that a public one shows it in an example whose
// output is compared.
func explainFaults(p goPackage) ([]string, error) {
	opening := "Package " + p.Name + " "
	if p.Name == "main" {
		opening = "Command " + filepath.Base(p.rel()) + " "
	}
	comment, err := packageComment(p)
	if err != nil {
		return nil, err
	}
	var faults []string
	if !strings.HasPrefix(comment, opening) {
		faults = append(faults, fmt.Sprintf("%s: no package comment that begins %q and says which task it serves", p.rel(), opening+"…"))
	}
	if !p.public() {
		return faults, nil
	}
	shown, err := hasExample(p.tests())
	if err == nil && !shown {
		faults = append(faults, p.rel()+": a public package needs an Example with an Output comment")
	}
	return faults, err
}

// packageComment returns the comments of all files, joined; one file is the place for it.
func packageComment(p goPackage) (string, error) {
	var all strings.Builder
	for _, file := range p.sources() {
		tree, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.PackageClauseOnly|parser.ParseComments)
		if err != nil {
			return "", err
		}
		all.WriteString(tree.Doc.Text())
	}
	return all.String(), nil
}

func hasExample(files []string) (bool, error) {
	var trees []*ast.File
	for _, name := range files {
		source, err := os.ReadFile(name)
		if err != nil {
			return false, err
		}
		tree, err := parser.ParseFile(token.NewFileSet(), name, source, parser.ParseComments)
		if err != nil {
			return false, err
		}
		trees = append(trees, tree)
	}
	for _, example := range doc.Examples(trees...) {
		if example.Output != "" || example.EmptyOutput {
			return true, nil
		}
	}
	return false, nil
}
