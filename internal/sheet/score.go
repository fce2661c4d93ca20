package sheet

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"gradus/conduct"
	"gradus/estimate"
	estimators "gradus/estimate/library"
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
	Noticed  []*Fault // the notices with their places

	Person    Person
	Protocol  *protocol.Protocol
	Estimator *estimate.Estimator
	Rows      []Row
	Stop      Stop
	Events    []conduct.Event
	State     conduct.State
	Judged    estimate.Assessment
	Carried   []Carried

	readNotices int  // notices of reading, before the test was run
	readStop    Stop // as read
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
	carried, from := map[string]bool{}, map[*Scored]*test{}
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
			scored := &Scored{ID: t.id, File: t.sheet.Name}
			out.Tests = append(out.Tests, scored)
			from[scored] = t
			fill(scored, t, today, plans)
			scored.take(t)
		}
	}
	keepFirstFormula(out.Tests, from)
	return out
}

// take keeps what the reader of a test found wrong.
func (out *Scored) take(t *test) {
	out.Faults, out.Unsaid, out.Noticed, out.Notices = t.faults, t.unsaid, t.notices, nil
	for _, f := range t.notices {
		out.Notices = append(out.Notices, f.Error())
	}
}

// keepFirstFormula scores later tests of a person again with the formula of maximal heart rate of the first one, which
// stays the person's default and tells a change.
func keepFirstFormula(tests []*Scored, from map[*Scored]*test) {
	for _, of := range byParticipant(tests) {
		first := ""
		for _, t := range of {
			formula := t.State.Limits.Formula
			switch {
			case first == "" && formula != "given":
				first = formula
			case first != "" && formula != first && formula != "":
				t.Person.In.First = first
				source := from[t]
				source.notices = source.notices[:t.readNotices]
				play(t, source)
				t.take(source)
			}
		}
	}
}

// byParticipant groups the tests without faults by who made them, each group in the order of time where all are dated.
func byParticipant(tests []*Scored) (groups [][]*Scored) {
	at := map[string]int{}
	for _, t := range tests {
		name := t.Person.Participant
		if len(t.Faults) > 0 || name == "" {
			continue
		}
		i, known := at[name]
		if !known {
			i = len(groups)
			at[name], groups = i, append(groups, nil)
		}
		groups[i] = append(groups[i], t)
	}
	for _, g := range groups {
		if slices.ContainsFunc(g, func(t *Scored) bool { return t.Person.Date == "" }) {
			continue
		}
		slices.SortStableFunc(g, func(a, b *Scored) int { return cmp.Compare(a.Person.Date, b.Person.Date) })
	}
	return groups
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
	reader.offers(p)
	out.Protocol, out.Estimator = p, e
	out.Rows, out.Stop = readRows(t, p, out.Person.In.Machine)
	if len(t.faults) > 0 {
		return
	}
	out.readNotices, out.readStop = len(t.notices), out.Stop
	play(out, t)
}

// play runs the test that was read and judges it.
func play(out *Scored, t *test) {
	p := out.Protocol
	out.Events, out.Stop = write(t, p, &out.Person, out.Rows, out.readStop)
	if len(t.faults) > 0 {
		return
	}
	var err error
	if out.State, err = replay(p, out.Events); err != nil {
		t.faultAt(&t.lines[0], "test", "the rows make no test: %s", err.Error())
		return
	}
	e, err := estimators.WithExpectations(out.Estimator, &out.State.In)
	if err != nil {
		t.faultAt(&t.lines[0], "protocol", "%s", err.Error())
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
