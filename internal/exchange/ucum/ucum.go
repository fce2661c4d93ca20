// Package ucum reads units written in the Unified Code for Units of Measure (case sensitive), as FHIR files carry
// them, and says what they measure. That a unit can be read is not enough: mL/kg.min is well formed, but since / and
// . go from left to right it means mL/kg times minutes.
//
// The atoms are those of unit.csv: the units of exercise tests, vital signs and common laboratory values, not the
// whole code. A unit that is not there is an error.
package ucum

import (
	_ "embed"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Dimension is the power of metre, second, gram, radian, kelvin, coulomb and candela.
type Dimension [7]int16

// Unit is a unit as read. A number in it times Factor is in m, s, g, rad, K, C and cd (without regard to the zero of
// a temperature scale).
type Unit struct {
	Dimension Dimension
	Factor    float64
}

// One is the unit without a dimension.
var One = Unit{Factor: 1}

type atom struct {
	Unit
	metric bool
}

//go:embed unit.csv
var unitFile string

// prefixes of metric units.
var prefixes = map[string]float64{"Y": 1e24, "Z": 1e21, "E": 1e18, "P": 1e15, "T": 1e12, "G": 1e9, "M": 1e6, "k": 1e3, "h": 1e2, "da": 10,
	"d": 0.1, "c": 0.01, "m": 1e-3, "u": 1e-6, "n": 1e-9, "p": 1e-12, "f": 1e-15, "a": 1e-18, "z": 1e-21, "y": 1e-24,
	"Ki": 1 << 10, "Mi": 1 << 20, "Gi": 1 << 30, "Ti": 1 << 40}

var bases = []string{"m", "s", "g", "rad", "K", "C", "cd"}

var atoms = readAtoms()

// readAtoms reads unit.csv: code, metric, value, unit in atoms further up.
func readAtoms() map[string]atom {
	all := map[string]atom{}
	for i, code := range bases {
		a := atom{Unit: One, metric: true}
		a.Dimension[i] = 1
		all[code] = a
	}
	for n, line := range strings.Split(strings.TrimSpace(unitFile), "\n")[1:] {
		cells := strings.SplitN(line, ",", 5)
		value, err := strconv.ParseFloat(cells[2], 64)
		of, err2 := parse(cells[3], all)
		if err != nil || err2 != nil {
			panic(fmt.Sprintf("ucum: unit.csv:%d: %v %v", n+2, err, err2))
		}
		all[cells[0]] = atom{Unit{of.Dimension, value * of.Factor}, cells[1] == "yes"}
	}
	return all
}

// Parse reads a unit. The error says what in it is not known.
func Parse(text string) (Unit, error) { return parse(text, atoms) }

func parse(text string, known map[string]atom) (Unit, error) {
	if text == "" || len(text) > 100 {
		return Unit{}, fmt.Errorf("unit %q is empty or too long", text)
	}
	for _, r := range text {
		if r <= ' ' || r > '~' {
			return Unit{}, fmt.Errorf("unit %q holds a space or a character that units do not have", text)
		}
	}
	p := parser{text: text, known: known}
	u, err := p.main()
	if err == nil && p.at < len(text) {
		err = fmt.Errorf("%q stands behind it", text[p.at:])
	}
	if err != nil {
		return Unit{}, fmt.Errorf("unit %q: %w", text, err)
	}
	return u, nil
}

type parser struct {
	text  string
	at    int
	depth int
	known map[string]atom
}

func (p *parser) peek() byte {
	if p.at < len(p.text) {
		return p.text[p.at]
	}
	return 0
}

// main reads a term that may begin with a slash.
func (p *parser) main() (Unit, error) {
	if p.peek() != '/' {
		return p.term()
	}
	p.at++
	u, err := p.component()
	if err != nil {
		return u, err
	}
	return p.rest(power(u, -1))
}

func (p *parser) term() (Unit, error) {
	u, err := p.component()
	if err != nil {
		return u, err
	}
	return p.rest(u)
}

func (p *parser) rest(u Unit) (Unit, error) {
	for p.peek() == '.' || p.peek() == '/' {
		sign := 1
		if p.peek() == '/' {
			sign = -1
		}
		p.at++
		next, err := p.component()
		if err != nil {
			return u, err
		}
		u = times(u, power(next, sign))
	}
	return u, nil
}

func (p *parser) component() (Unit, error) {
	if p.peek() == '(' {
		if p.depth++; p.depth > 8 {
			return One, fmt.Errorf("too many brackets")
		}
		p.at++
		u, err := p.term()
		if err != nil {
			return u, err
		}
		if p.peek() != ')' {
			return u, fmt.Errorf("a bracket does not close")
		}
		p.at++
		p.depth--
		return u, nil
	}
	start := p.at
	for p.at < len(p.text) && !strings.ContainsRune("./(){", rune(p.text[p.at])) {
		if p.text[p.at] == '[' {
			end := strings.IndexByte(p.text[p.at:], ']')
			if end < 0 {
				return One, fmt.Errorf("a square bracket does not close")
			}
			p.at += end
		}
		p.at++
	}
	u, err := p.simple(p.text[start:p.at])
	if err != nil {
		return u, err
	}
	if p.peek() == '{' {
		end := strings.IndexByte(p.text[p.at:], '}')
		if end < 0 || strings.Contains(p.text[p.at+1:p.at+end], "{") {
			return u, fmt.Errorf("a note in braces does not close")
		}
		p.at += end + 1
		return u, nil
	}
	if p.at == start {
		return u, fmt.Errorf("a unit is missing")
	}
	return u, nil
}

// simple reads an atom with prefix and power, or a whole number.
func (p *parser) simple(text string) (Unit, error) {
	if text == "" {
		return One, nil
	}
	if n, err := strconv.ParseUint(text, 10, 32); err == nil {
		if n == 0 {
			return One, fmt.Errorf("0 is no unit")
		}
		return Unit{Factor: float64(n)}, nil
	}
	name, exponent := text, 1
	if u, ok := p.atom(text); ok {
		return u, nil
	}
	at := len(text)
	for at > 0 && text[at-1] >= '0' && text[at-1] <= '9' {
		at--
	}
	if at < len(text) && at > 0 {
		from := at
		if text[at-1] == '-' || text[at-1] == '+' {
			from = at - 1
		}
		n, err := strconv.Atoi(text[from:])
		if err != nil || n == 0 || n > 9 || n < -9 {
			return One, fmt.Errorf("%q is no power", text[from:])
		}
		name, exponent = text[:from], n
	}
	u, ok := p.atom(name)
	if !ok {
		return One, fmt.Errorf("%q is not known", name)
	}
	return power(u, exponent), nil
}

func (p *parser) atom(name string) (Unit, bool) {
	if a, ok := p.known[name]; ok {
		return a.Unit, true
	}
	for _, n := range []int{1, 2} {
		if len(name) <= n {
			break
		}
		factor, ok := prefixes[name[:n]]
		a, known := p.known[name[n:]]
		if ok && known && a.metric {
			return Unit{a.Dimension, factor * a.Factor}, true
		}
	}
	return One, false
}

func times(a, b Unit) Unit {
	for i := range a.Dimension {
		a.Dimension[i] += b.Dimension[i]
	}
	a.Factor *= b.Factor
	return a
}

func power(u Unit, n int) Unit {
	for i := range u.Dimension {
		u.Dimension[i] *= int16(n)
	}
	u.Factor = math.Pow(u.Factor, float64(n))
	return u
}

// Per returns by what a number in one unit is multiplied to be in another; ok is false when they measure different
// things or either is not known.
func Per(from, to string) (factor float64, ok bool) {
	a, err := Parse(from)
	b, err2 := Parse(to)
	if err != nil || err2 != nil || a.Dimension != b.Dimension {
		return 0, false
	}
	return a.Factor / b.Factor, true
}
