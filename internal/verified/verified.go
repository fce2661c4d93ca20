// Package verified reads and writes a site's records of equations whose numbers a named person compared with the paper: a
// text for each equation, in the format of estimate/library/verified.
package verified

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"gradus/estimate"
	"gradus/estimate/library"
	"gradus/internal/record"
)

// Folder holds the records as files; "" is no folder.
type Folder string

var fileName = regexp.MustCompile(`^[0-9a-z][0-9a-z-]{0,63}$`)

// Apply puts the records of a folder into an equation.
func (f Folder) Apply(e *estimate.Estimator) (faults []error) {
	if f == "" {
		return nil
	}
	return Apply(e, func(id string) ([]byte, error) {
		text, err := os.ReadFile(filepath.Join(string(f), id+".yaml"))
		if errors.Is(err, os.ErrNotExist) {
			return nil, nil
		}
		return text, err
	})
}

// Apply puts records into an equation and those it is joined with. of gives the record of an equation, nil when there is
// none. A record that does not fit the equation changes nothing; the errors say which, and why.
func Apply(e *estimate.Estimator, of func(id string) ([]byte, error)) (faults []error) {
	if e == nil {
		return nil
	}
	for _, one := range append([]*estimate.Estimator{e, e.Women}, e.Beside...) {
		if one == nil || !fileName.MatchString(one.ID) {
			continue
		}
		text, err := of(one.ID)
		if err == nil && text != nil {
			err = library.Verify(one, one.ID+".yaml", text)
		}
		if err != nil {
			faults = append(faults, err)
		}
	}
	return faults
}

// Record puts what a record holds into an equation, as Apply does. A comparison that does not fit the equation changes
// nothing, and the equation counts as not compared.
func Record(ctx context.Context, store record.Files, e *estimate.Estimator) error {
	all, err := store.FilesOf(ctx, record.FileVerified)
	if err != nil {
		return err
	}
	_ = Apply(e, func(id string) ([]byte, error) {
		for _, f := range all {
			if f.Name == id {
				return f.Content, nil
			}
		}
		return nil, nil
	})
	return nil
}

// Checked is the text of a record. None is given that does not fit the equation.
func Checked(e *estimate.Estimator, v *estimate.Verification) (string, error) {
	text := Text(e, v)
	if !fileName.MatchString(e.ID) {
		return "", fmt.Errorf("%q cannot be the name of a file", e.ID)
	}
	return text, library.Verify(e, e.ID+".yaml", []byte(text))
}

// Text is a record as a file.
func Text(e *estimate.Estimator, v *estimate.Verification) string {
	var b strings.Builder
	fmt.Fprintf(&b, "estimator: %s\nverified_by: %s\nverified_on: %s\nagainst: %s\n", v.Estimator, quoted(v.By), v.On, quoted(v.Against))
	if len(v.Coefficients) > 0 {
		b.WriteString("coefficients:\n")
		for _, t := range e.Terms {
			name := t.Input + t.Of
			if name == "" {
				name = "constant"
			}
			fmt.Fprintf(&b, "  %s: %s\n", quoted(name), number(v.Coefficients[name]))
		}
	}
	if len(v.Numbers) > 0 {
		fmt.Fprintf(&b, "numbers: %s\n", list(v.Numbers))
	}
	if len(v.Tables) == 0 {
		return b.String()
	}
	b.WriteString("tables:\n")
	var ids []string
	for id := range v.Tables {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	for _, id := range ids {
		fmt.Fprintf(&b, "  %s: %s\n", quoted(id), list(v.Tables[id]))
	}
	return b.String()
}

func quoted(text string) string {
	return strconv.Quote(strings.Join(strings.Fields(text), " "))
}

func list(all []float64) string {
	parts := make([]string, len(all))
	for i, v := range all {
		parts[i] = number(v)
	}
	return "[" + strings.Join(parts, ", ") + "]"
}

func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
