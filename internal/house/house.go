// Package house keeps the house rules of the source: which package may import which, which arithmetic the core
// may use, what every package must explain, which modules the program contains, and what must not be checked in.
//
// It has no part in the program. Its tests read the source tree and name the file, the line and the remedy of
// every breach; the checkers themselves are tested on samples that must be found and samples that must pass.
package house

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

// modulePath is the name of this module.
const modulePath = "gradus"

// root returns the folder that holds the module's go.mod.
func root() (string, error) {
	dir, err := os.Getwd()
	if err != nil {
		return "", err
	}
	for {
		text, err := os.ReadFile(filepath.Join(dir, "go.mod"))
		if err == nil && strings.HasPrefix(string(text), "module "+modulePath+"\n") {
			return dir, nil
		}
		up := filepath.Dir(dir)
		if up == dir {
			return "", errors.New("house: no go.mod of this module above the working folder")
		}
		dir = up
	}
}

// goPackage is what `go list` says of one package.
type goPackage struct {
	Dir, ImportPath, Name, Export      string
	Standard, DepOnly                  bool
	GoFiles, IgnoredGoFiles            []string
	CgoFiles, SFiles                   []string
	TestGoFiles, XTestGoFiles, Imports []string
}

// rel is the import path without the module's name: "conduct", "protocol/library", "." for the root.
func (p goPackage) rel() string {
	if p.ImportPath == modulePath {
		return "."
	}
	return strings.TrimPrefix(p.ImportPath, modulePath+"/")
}

// family is the first element of rel: "protocol" for protocol/library.
func (p goPackage) family() string {
	first, _, _ := strings.Cut(p.rel(), "/")
	return first
}

// public reports whether the package is meant for other programs. A library folder only carries data files.
func (p goPackage) public() bool {
	if p.Name == "main" || p.family() == "internal" || p.family() == "cmd" {
		return false
	}
	return filepath.Base(p.rel()) != "library"
}

// sources returns the package's non-test Go files, those left out by build constraints too.
func (p goPackage) sources() []string {
	var files []string
	for _, list := range [][]string{p.GoFiles, p.CgoFiles, p.IgnoredGoFiles} {
		for _, name := range list {
			if !strings.HasSuffix(name, "_test.go") {
				files = append(files, filepath.Join(p.Dir, name))
			}
		}
	}
	return files
}

// tests returns the package's test files.
func (p goPackage) tests() []string {
	var files []string
	for _, list := range [][]string{p.TestGoFiles, p.XTestGoFiles} {
		for _, name := range list {
			files = append(files, filepath.Join(p.Dir, name))
		}
	}
	return files
}

// goList runs `go list` in dir. A package that does not compile is listed all the same: its own tests say so.
func goList(dir string, args ...string) ([]goPackage, error) {
	out, err := goTool(dir, append([]string{"list", "-e", "-json"}, args...)...)
	if err != nil {
		return nil, err
	}
	var packages []goPackage
	in := json.NewDecoder(bytes.NewReader(out))
	for {
		var p goPackage
		switch err := in.Decode(&p); {
		case err == io.EOF:
			return packages, nil
		case err != nil:
			return nil, fmt.Errorf("go list: %w", err)
		}
		packages = append(packages, p)
	}
}

// goTool runs the go command in dir and returns what it prints.
func goTool(dir string, args ...string) ([]byte, error) {
	cmd := exec.Command("go", args...)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	var out, talk bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &talk
	if err := cmd.Run(); err != nil {
		return nil, fmt.Errorf("go %s: %w\n%s", strings.Join(args, " "), err, talk.Bytes())
	}
	return out.Bytes(), nil
}

// trackedFiles returns the files under version control, relative to dir. A source archive has no version
// control: there every file counts that a build does not make.
func trackedFiles(dir string) ([]string, error) {
	if _, err := os.Stat(filepath.Join(dir, ".git")); err != nil {
		return walkFiles(dir)
	}
	cmd := exec.Command("git", "ls-files", "-z")
	cmd.Dir = dir
	out, err := cmd.Output()
	if err != nil {
		return walkFiles(dir)
	}
	var files []string
	for _, name := range strings.Split(string(out), "\x00") {
		info, err := os.Lstat(filepath.Join(dir, name))
		if name != "" && err == nil && info.Mode().IsRegular() {
			files = append(files, name)
		}
	}
	return files, nil
}

// built names the folders at the top that a build makes; the list of ignored files names the same.
var built = map[string]bool{".git": true, ".tools": true, "bin": true, "node_modules": true}

func walkFiles(dir string) ([]string, error) {
	var files []string
	err := filepath.WalkDir(dir, func(path string, entry fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name, err := filepath.Rel(dir, path)
		switch {
		case err != nil:
			return err
		case entry.IsDir() && built[name]:
			return filepath.SkipDir
		case entry.Type().IsRegular():
			files = append(files, filepath.ToSlash(name))
		}
		return nil
	})
	return files, err
}
