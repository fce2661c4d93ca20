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
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/protocol"
	"gradus/yamlread"
)

//go:embed *.yaml verified shared
var files embed.FS

// shared are the tables that estimator files lean on.
type shared struct {
	cautions    map[string]estimate.Rule
	conversions []conversion
}

// conversion turns a number given in one unit into another.
type conversion struct {
	From  string  `yaml:"from"`
	To    string  `yaml:"to"`
	Times float64 `yaml:"times"`
	Per   float64 `yaml:"per"`
	How   string  `yaml:"how"`
	Note  string  `yaml:"note"`
}

// complete adds what a file only names: shared cautions, and the factors of other units.
func (s *shared) complete(e *estimate.Estimator) error {
	for i, id := range e.Use {
		r, known := s.cautions[id]
		if !known {
			return &estimate.FieldError{Path: fmt.Sprintf("use[%d]", i), Msg: fmt.Sprintf("no shared caution is called %q", id), Hint: "see shared/cautions.yaml"}
		}
		e.Cautions = append(e.Cautions, r)
	}
	for i := range e.Inputs {
		in := &e.Inputs[i]
		for k := range in.Also {
			o := &in.Also[k]
			if o.Word != "" || o.Times != 0 || o.Per != 0 || o.Unit == in.Unit || len(in.Codes) > 0 {
				continue
			}
			if !s.fill(o, in.Unit) {
				return &estimate.FieldError{Path: fmt.Sprintf("inputs[%d].also[%d].unit", i, k), Msg: fmt.Sprintf("no conversion from %q to %q is known", o.Unit, in.Unit), Hint: "write times or per"}
			}
		}
	}
	return nil
}

func (s *shared) fill(o *estimate.Other, to string) bool {
	for _, c := range s.conversions {
		if c.From == o.Unit && c.To == to {
			o.Times, o.Per, o.How = c.Times, c.Per, c.How
			if o.Note == "" {
				o.Note = c.Note
			}
			return true
		}
	}
	return false
}

// All returns the shipped estimators, prepared, in the order of their ids. Each call reads anew, so that the
// caller may keep them.
func All() ([]*estimate.Estimator, error) {
	names := IDs()
	all, errs := make([]*estimate.Estimator, len(names)), make([]error, len(names))
	var wait sync.WaitGroup
	var next atomic.Int64
	for range runtime.GOMAXPROCS(0) {
		wait.Go(func() {
			for i := int(next.Add(1)) - 1; i < len(names); i = int(next.Add(1)) - 1 {
				all[i], errs[i] = ByID(names[i])
			}
		})
	}
	wait.Wait()
	return all, errors.Join(errs...)
}

// IDs returns the ids of the shipped estimators.
func IDs() []string {
	names, _ := fs.Glob(compiled, "compiled/*.json")
	for i, name := range names {
		names[i] = strings.TrimSuffix(path.Base(name), ".json")
	}
	return names
}

// ErrUnknown says that no shipped estimator has the id.
var ErrUnknown = errors.New("no estimator with this id")

// ByID returns a shipped estimator, prepared, or ErrUnknown.
func ByID(id string) (*estimate.Estimator, error) {
	if strings.ContainsAny(id, "/\\") || id == "" {
		return nil, ErrUnknown
	}
	return unpack(id)
}

// yamlIDs lists the files that the compiled ones are made from.
func yamlIDs() []string {
	names, _ := fs.Glob(files, "*.yaml")
	for i, name := range names {
		names[i] = strings.TrimSuffix(name, ".yaml")
	}
	return names
}

// fromYAML reads a shipped estimator from its file.
func fromYAML(id string) (*estimate.Estimator, error) {
	name := id + ".yaml"
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
	t, err := readTables()
	if err != nil {
		return nil, err
	}
	if err := t.complete(e); err != nil {
		return nil, placed(file, "", err)
	}
	if err := e.Prepare(); err != nil {
		return nil, placed(file, "", err)
	}
	if err := estimate.CheckUnits(e); err != nil {
		return nil, placed(file, "", err)
	}
	if verified == nil {
		return e, nil
	}
	if err := Verify(e, path.Join("verified", path.Base(name)), verified); err != nil {
		return nil, err
	}
	return e, nil
}

// Verify puts the record of a comparison with the paper into an estimator. A record that does not fit changes nothing; the
// error has its line and column.
func Verify(e *estimate.Estimator, name string, text []byte) error {
	v := &estimate.Verification{}
	proof, err := yamlread.Decode(name, text, v)
	if err != nil {
		return err
	}
	before := e.Verification
	e.Verification = v
	err = e.Prepare()
	if err == nil {
		return nil
	}
	e.Verification = before
	return errors.Join(placed(proof, "verification.", err), e.Prepare())
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

// Of returns the estimator whose answer leads in tests by a protocol, joined with the one for women and those that
// are shown beside it; nil when the protocol has none.
func Of(o *protocol.Outcome) (*estimate.Estimator, error) {
	if o.Estimator == "none" || o.Estimator == "" {
		return nil, nil
	}
	lead, err := ByID(o.Estimator)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", o.Estimator, err)
	}
	if o.Women != "" {
		if lead.Women, err = ByID(o.Women); err != nil {
			return nil, fmt.Errorf("%s: %w", o.Women, err)
		}
	}
	for _, id := range o.Also {
		other, err := ByID(id)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", id, err)
		}
		lead.Beside = append(lead.Beside, other)
	}
	return lead, nil
}

// WithExpectations returns an estimator joined with every expectation without exercise, so that those whose inputs are
// recorded stand beside the test. It is the estimator itself where no answer is recorded, or where it does not give an
// oxygen uptake.
func WithExpectations(e *estimate.Estimator, in *conduct.Inputs) (*estimate.Estimator, error) {
	if e == nil || in.Answers.IsZero() || e.Test == "none" || !strings.HasPrefix(e.Outcome.What, "VO2") {
		return e, nil
	}
	own := *e
	own.Beside = slices.Clone(e.Beside)
	for _, id := range IDs() {
		if !strings.HasPrefix(id, expectations) || slices.ContainsFunc(e.Beside, func(o *estimate.Estimator) bool { return o.ID == id }) {
			continue
		}
		prior, err := ByID(id)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", id, err)
		}
		prior.Prior = true
		own.Beside = append(own.Beside, prior)
	}
	return &own, nil
}

// ExpectationAnswers are the names of the answers that the expectations without exercise take beside age, sex, mass,
// height and resting heart rate.
var ExpectationAnswers = sync.OnceValues(func() (names []string, err error) {
	known := conduct.AnswerNames()
	for _, id := range IDs() {
		if !strings.HasPrefix(id, expectations) {
			continue
		}
		e, err := ByID(id)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", id, err)
		}
		for i := range e.Inputs {
			if name := e.Inputs[i].ID; slices.Contains(known, name) && !slices.Contains(names, name) {
				names = append(names, name)
			}
		}
	}
	return names, nil
})

// expectations is how the ids of equations without exercise begin; a test compares it with what they say.
const expectations = "nx-"

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
