package sheet

import (
	"errors"
	"fmt"
	"time"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/protocol"
)

// Plans gives a protocol by its id, with the estimator it names (nil when it has none).
type Plans func(id string) (*protocol.Protocol, *estimate.Estimator, error)

// Scored is a test and what became of it. With Faults it was not scored, and only ID and File hold.
type Scored struct {
	ID, File string
	Faults   []*Fault
	Unsaid   int // faults beyond those listed
	Notices  []string

	Person    Person
	Protocol  *protocol.Protocol
	Estimator *estimate.Estimator
	Rows      []Row
	Stop      Stop
	Events    []conduct.Event
	State     conduct.State
	Judged    estimate.Assessment
	Carried   []Carried
}

// Carried is a column that is not known, with what it says in the rows of a test, each text once.
type Carried struct {
	Column string
	Texts  []string
}

// Scores is what became of some sheets.
type Scores struct {
	Tests   []*Scored
	Faults  []*Fault // of files, not of tests
	Notices []string
	Carried []string // headings of the unknown columns, in order
}

// Failed reports whether anything was wrong with the input.
func (s *Scores) Failed() bool {
	failed := len(s.Faults) > 0
	for _, t := range s.Tests {
		failed = failed || len(t.Faults) > 0
	}
	return failed
}

// Score scores every test of the sheets, in order. Tests dated after today are refused.
func Score(sheets []*Sheet, today time.Time, plans Plans) *Scores {
	refuseTwins(sheets)
	out := &Scores{}
	carried := map[string]bool{}
	for _, s := range sheets {
		out.Faults = append(out.Faults, s.Faults...)
		if s.unsaid > 0 {
			out.Faults = append(out.Faults, &Fault{File: s.Name, Msg: fmt.Sprintf("%d more faults are not listed", s.unsaid)})
		}
		out.Notices = append(out.Notices, s.Notices...)
		for _, field := range s.carried {
			if name := s.Headings[field]; name != "" && !carried[name] {
				carried[name] = true
				out.Carried = append(out.Carried, name)
			}
		}
		for _, t := range s.tests {
			out.Tests = append(out.Tests, score(t, today, plans))
		}
	}
	return out
}

func score(t *test, today time.Time, plans Plans) *Scored {
	out := &Scored{ID: t.id, File: t.sheet.Name}
	fill(out, t, today, plans)
	out.Faults, out.Unsaid, out.Notices = t.faults, t.unsaid, t.notices
	return out
}

func fill(out *Scored, t *test, today time.Time, plans Plans) {
	if t.twin {
		return // it cannot be known which row belongs to which
	}
	reader := readPerson(t, today)
	out.Person = reader.read()
	if out.Person.Protocol == "" {
		reader.fault("protocol", "is missing; name the protocol, such as recumbent-stepper")
		return
	}
	p, e, err := plans(out.Person.Protocol)
	if err != nil {
		reader.fault("protocol", "%s", err.Error())
		return
	}
	reader.required(p)
	out.Protocol, out.Estimator = p, e
	out.Rows, out.Stop = readRows(t, p, out.Person.In.Machine)
	if len(t.faults) > 0 {
		return
	}
	out.Events, out.Stop = write(t, p, &out.Person, out.Rows, out.Stop)
	if len(t.faults) > 0 {
		return
	}
	if out.State, err = replay(p, out.Events); err != nil {
		reader.fault("test", "the rows make no test: %s", err.Error())
		return
	}
	out.Judged = estimate.Assess(p, &out.State, e)
	out.Carried = carriedBy(t)
}

// replay gives the state of the events; none of them may have been passed over.
func replay(p *protocol.Protocol, events []conduct.Event) (conduct.State, error) {
	s, refused, err := conduct.Replay(p, events)
	var all []error
	for _, r := range refused {
		all = append(all, r.Err)
	}
	return s, errors.Join(append(all, err)...)
}

func carriedBy(t *test) (all []Carried) {
	for _, field := range t.sheet.carried {
		c := Carried{Column: t.sheet.Headings[field]}
		if c.Column == "" {
			continue
		}
		seen := map[string]bool{"": true}
		for i := range t.lines {
			if text := t.lines[i].cells[field]; !seen[text] {
				seen[text] = true
				c.Texts = append(c.Texts, text)
			}
		}
		all = append(all, c)
	}
	return all
}

// number is the stage of a row (from 1) that lies in a stage of the state, as the sheet counts.
func (t *Scored) number(in int) int {
	for i := range t.Rows {
		if t.Rows[i].Phase == Stage && t.Rows[i].In == in {
			return t.Rows[i].Stage
		}
	}
	return in + 1
}

// rowsIn are the rows of a stage of the state.
func (t *Scored) rowsIn(in int) (rows []*Row) {
	for i := range t.Rows {
		if t.Rows[i].Phase == Stage && t.Rows[i].In == in {
			rows = append(rows, &t.Rows[i])
		}
	}
	return rows
}
