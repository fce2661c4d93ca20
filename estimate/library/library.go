// Package library holds the estimators that come with the program, and reads others from files.
//
// A site that wants its own equation writes one YAML file; docs and [Read] say what must be in it. Faults are
// named with line, column and what to do.
package library

import (
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strings"

	"gradus/estimate"
	"gradus/protocol"
	"gradus/yamlread"
)

//go:embed *.yaml verified
var files embed.FS

// All returns the shipped estimators, prepared, in the order of their ids. Each call reads anew, so that the
// caller may keep them.
func All() ([]*estimate.Estimator, error) {
	names, err := fs.Glob(files, "*.yaml")
	if err != nil {
		return nil, err
	}
	var all []*estimate.Estimator
	for _, name := range names {
		e, err := shipped(name)
		if err != nil {
			return nil, err
		}
		all = append(all, e)
	}
	return all, nil
}

// IDs returns the ids of the shipped estimators.
func IDs() []string {
	names, _ := fs.Glob(files, "*.yaml")
	for i, name := range names {
		names[i] = strings.TrimSuffix(name, ".yaml")
	}
	return names
}

// ErrUnknown says that no shipped estimator has the id.
var ErrUnknown = errors.New("no estimator with this id")

// ByID returns a shipped estimator, prepared, or ErrUnknown.
func ByID(id string) (*estimate.Estimator, error) {
	for _, known := range IDs() {
		if known == id {
			return shipped(id + ".yaml")
		}
	}
	return nil, ErrUnknown
}

func shipped(name string) (*estimate.Estimator, error) {
	data, err := files.ReadFile(name)
	if err != nil {
		return nil, err
	}
	verified, err := files.ReadFile(path.Join("verified", name))
	if err != nil {
		verified = nil // not compared with the paper yet
	}
	return Read(name, data, verified)
}

// Read reads an estimator from the bytes of a file called name. verified holds the file that records a
// comparison with the paper; nil when there is none. The error is a *yamlread.Error with line and column.
func Read(name string, data, verified []byte) (*estimate.Estimator, error) {
	e := &estimate.Estimator{}
	file, err := yamlread.Decode(name, data, e)
	if err != nil {
		return nil, err
	}
	if err := e.Prepare(); err != nil {
		return nil, placed(file, "", err)
	}
	if verified == nil {
		return e, nil
	}
	v := &estimate.Verification{}
	proof, err := yamlread.Decode(path.Join("verified", path.Base(name)), verified, v)
	if err != nil {
		return nil, err
	}
	e.Verification = v
	if err := e.Prepare(); err != nil {
		return nil, placed(proof, "verification.", err)
	}
	return e, nil
}

// placed gives a fault in the data its line and column.
func placed(file *yamlread.File, prefix string, err error) error {
	var fault *estimate.FieldError
	if !errors.As(err, &fault) {
		return err
	}
	where := strings.TrimPrefix(fault.Path, prefix)
	line, col := file.Pos(where)
	return &yamlread.Error{Name: file.Name, Line: line, Col: col, Msg: where + " " + fault.Msg, Hint: fault.Hint}
}

// LineOf gives the linear form of an estimator by its id, for protocols that look ahead with it.
func LineOf(id string) (protocol.Line, error) {
	e, err := ByID(id)
	if err != nil {
		return protocol.Line{}, err
	}
	line, ok := e.Line()
	if !ok {
		return line, fmt.Errorf("estimator %s is not linear in age, sex, mass, work rate and heart rate", id)
	}
	return line, nil
}
