// Package library holds the protocol files that come with the program, and reads others of the same form.
//
// [Load] gives a shipped protocol by its id; [Parse] reads a file and names the line and column of whatever
// is wrong with it. Both join the plan with the one table of stop signs and with the estimator it names, and
// compute the hash that a test carries for ever.
package library

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io/fs"
	"slices"
	"sort"
	"strings"

	"gradus/physiology"
	"gradus/protocol"
	"gradus/yamlread"
)

//go:embed *.yaml
var files embed.FS

const signsFile = "stop-signs.yaml"

// Equations gives the linear form of an estimator by its id: constant and coefficients of age (years),
// mass (kg), male (1 or 0), end work rate (W) and end heart rate (/min).
type Equations func(id string) (protocol.Line, error)

// signTable is the file of stop signs.
type signTable struct {
	ID      string            `yaml:"id" json:"id"`
	Version string            `yaml:"version" json:"version"`
	Sources []protocol.Source `yaml:"sources" json:"sources"`
	Signs   []protocol.Sign   `yaml:"signs" json:"signs"`
}

// IDs lists the shipped protocols.
func IDs() []string {
	names, err := fs.Glob(files, "*.yaml")
	if err != nil {
		panic("library: " + err.Error())
	}
	var ids []string
	for _, name := range names {
		if name != signsFile {
			ids = append(ids, strings.TrimSuffix(name, ".yaml"))
		}
	}
	sort.Strings(ids)
	return ids
}

// UnknownError says that no shipped protocol has an id.
type UnknownError struct{ ID string }

func (e *UnknownError) Error() string {
	return fmt.Sprintf("no protocol has the id %q; known are: %s", e.ID, strings.Join(IDs(), ", "))
}

// Text returns the file of a shipped protocol.
func Text(id string) ([]byte, error) {
	data, err := files.ReadFile(id + ".yaml")
	if err != nil || id+".yaml" == signsFile {
		return nil, &UnknownError{id}
	}
	return data, nil
}

// Load reads a shipped protocol: the file as it was compiled, checked, by the test of this package. A file that was
// not compiled is parsed.
func Load(id string, equations Equations) (*protocol.Protocol, error) {
	data, err := Text(id)
	if err != nil {
		return nil, err
	}
	if ready, err := compiled.ReadFile("compiled/" + id + ".json"); err == nil {
		return unpack(id, ready)
	}
	p, errs := Parse(id+".yaml", data, equations)
	if len(errs) > 0 {
		return nil, fmt.Errorf("library: shipped protocol: %w", errs[0])
	}
	return p, nil
}

// Parse reads a protocol file. Every error says file, line and column, what is wrong and what to do.
// With errors the protocol is nil.
func Parse(name string, data []byte, equations Equations) (*protocol.Protocol, []error) {
	var p protocol.Protocol
	file, err := yamlread.Decode(name, data, &p)
	if err != nil {
		return nil, []error{err}
	}
	for i := range p.Choose.It.Rows {
		if row := &p.Choose.It.Rows[i]; row.UpTo > 0 && row.Below == 0 {
			row.Below = row.UpTo + 1
		}
	}
	for i := range p.Parts {
		if w := &p.Parts[i].Work; w.SpeedMph > 0 && w.SpeedKmh == 0 {
			w.SpeedKmh = float64(w.SpeedMph * protocol.KmhPerMph)
		}
	}
	problems := p.Problems()
	problems = append(problems, offered(&p)...)
	problems = append(problems, unpapered(&p, file)...)
	problems = append(problems, join(&p, equations)...)
	if len(problems) > 0 {
		errs := make([]error, len(problems))
		for i, problem := range problems {
			line, col := file.Pos(problem.Path)
			errs[i] = &yamlread.Error{Name: name, Line: line, Col: col, Msg: problem.Path + " " + problem.Msg, Hint: problem.Hint}
		}
		return nil, errs
	}
	p.Hash = hashOf(&p)
	return &p, nil
}

// offered checks the words that say whom a test suits and where lists show it.
func offered(p *protocol.Protocol) (found []protocol.Problem) {
	word := func(path, got string, known []string) {
		if !slices.Contains(known, got) {
			found = append(found, protocol.Problem{Path: path, Msg: fmt.Sprintf("%q is not known", got), Hint: "write one of: " + strings.Join(known, ", ")})
		}
	}
	if p.Family != "" {
		word("family", p.Family, protocol.Families)
	}
	if p.Suits.IsZero() {
		return found
	}
	for i, need := range p.Suits.Needs {
		word(fmt.Sprintf("suits.needs[%d]", i), need, protocol.Abilities)
	}
	word("suits.machine", p.Suits.Machine, protocol.Machines)
	if p.Suits.Effort != "" {
		word("suits.effort", p.Suits.Effort, protocol.Efforts)
	}
	if !(p.Suits.SpaceM >= 0 && p.Suits.SpaceM <= 1000) {
		found = append(found, protocol.Problem{Path: "suits.space_m", Msg: "must lie between 0 and 1000", Hint: "0 where no free ground is needed"})
	}
	return found
}

// hashOf hashes the plan as JSON without its own hash, and without whom it suits.
func hashOf(p *protocol.Protocol) string {
	bare := *p
	bare.Hash, bare.Family, bare.Suits = "", "", protocol.Suits{} // who is offered a test changes nothing in how it is run
	text, err := json.Marshal(&bare)
	if err != nil {
		panic("library: protocol as JSON: " + err.Error())
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}

// unpapered finds numbers and times for which no entry under papers speaks.
func unpapered(p *protocol.Protocol, file *yamlread.File) (found []protocol.Problem) {
	for _, s := range file.Scalars() {
		top, _, _ := strings.Cut(s.Path, ".")
		top, _, _ = strings.Cut(top, "[")
		if top == "papers" || top == "sources" || top == "format" || top == "version" || !numeric(s.Value) {
			continue
		}
		if strings.HasSuffix(s.Path, ".row") {
			continue // which column of the table, not a number from a paper
		}
		if _, ok := p.PaperOf(s.Path); !ok {
			found = append(found, protocol.Problem{Path: s.Path, Msg: "has no paper",
				Hint: "say under papers where the number comes from: seen, memory, practice or choice"})
		}
	}
	return found
}

// numeric reports whether a value is a number or a time.
func numeric(value string) bool {
	return value != "" && strings.Trim(value, "0123456789.:-") == ""
}

// join fills the plan with what it refers to: stop signs, formula, estimator.
func join(p *protocol.Protocol, equations Equations) (found []protocol.Problem) {
	table, sources, err := Signs()
	if err != nil {
		return []protocol.Problem{{Path: "signs", Msg: err.Error()}}
	}
	found = joinSigns(p, table, sources, found)
	if p.EndPoint.Is() && p.EndPoint.It.Formula != "" {
		if _, ok := physiology.FormulaFor(p.EndPoint.It.Formula); !ok {
			found = append(found, protocol.Problem{Path: "end_point.formula", Msg: fmt.Sprintf("no formula of maximal heart rate is called %q", p.EndPoint.It.Formula), Hint: "known are " + strings.Join(formulaIDs(), ", ")})
		}
	}
	if ask := p.AskFirst; ask.Is() && ask.It.Expected.Is() {
		line, err := equations(ask.It.Expected.It.Estimator)
		if err != nil {
			found = append(found, protocol.Problem{Path: "ask_first.expected_heart_rate.estimator",
				Msg: fmt.Sprintf("cannot use %s: %v", ask.It.Expected.It.Estimator, err), Hint: "see gradus estimators"})
		}
		p.Expect = line
	}
	return found
}

// joinSigns fills the stop signs of a plan: those it uses of the table, and its own.
func joinSigns(p *protocol.Protocol, table []protocol.Sign, sources []protocol.Source, found []protocol.Problem) []protocol.Problem {
	if p.Signs.Table != "" && p.Signs.Table != "stop-signs" {
		found = append(found, protocol.Problem{Path: "signs.table", Msg: fmt.Sprintf("no table of stop signs is called %q", p.Signs.Table), Hint: "write stop-signs"})
	}
	p.Table, found = chosenSigns(p.Signs.Use, table, found)
	for i := range p.Signs.Own {
		own := p.Signs.Own[i]
		if p.SignIndex(own.ID) >= 0 {
			found = append(found, protocol.Problem{Path: fmt.Sprintf("signs.own[%d].id", i), Msg: fmt.Sprintf("the table has a sign %q already", own.ID), Hint: "give it another id"})
		}
		p.Table = append(p.Table[:len(p.Table):len(p.Table)], own)
	}
	p.TableSources = append(sources[:len(sources):len(sources)], p.Sources...)
	return found
}

func chosenSigns(use []string, table []protocol.Sign, found []protocol.Problem) ([]protocol.Sign, []protocol.Problem) {
	if len(use) == 1 && use[0] == "all" {
		return table, found
	}
	wanted := map[string]int{}
	for i, id := range use {
		wanted[id] = i
	}
	var out []protocol.Sign
	for _, sign := range table {
		if _, ok := wanted[sign.ID]; ok {
			out = append(out, sign)
			delete(wanted, sign.ID)
		}
	}
	for i, id := range use {
		if _, missing := wanted[id]; missing {
			found = append(found, protocol.Problem{Path: fmt.Sprintf("signs.use[%d]", i), Msg: fmt.Sprintf("no stop sign has the id %q", id), Hint: "see stop-signs.yaml"})
		}
	}
	return out, found
}

func formulaIDs() (ids []string) {
	for _, f := range physiology.Formulas() {
		ids = append(ids, f.ID)
	}
	return ids
}

// Signs reads the table of stop signs and its sources.
func Signs() ([]protocol.Sign, []protocol.Source, error) {
	data, err := files.ReadFile(signsFile)
	if err != nil {
		return nil, nil, fmt.Errorf("library: %w", err)
	}
	var table signTable
	if _, err := yamlread.Decode(signsFile, data, &table); err != nil {
		return nil, nil, err
	}
	seen := map[string]bool{}
	for i := range table.Signs {
		s := &table.Signs[i]
		if fault := s.Fault(); fault != "" || seen[s.ID] {
			return nil, nil, fmt.Errorf("%s: sign %d (%s): %s", signsFile, i+1, s.ID, fault)
		}
		seen[s.ID] = true
	}
	if len(table.Signs) > protocol.MaxSigns {
		return nil, nil, fmt.Errorf("%s: more than %d signs", signsFile, protocol.MaxSigns)
	}
	return table.Signs, table.Sources, nil
}
