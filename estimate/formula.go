package estimate

import (
	"math"
	"strconv"

	"gradus/exact"
)

// Limits of a formula, far above any published one.
const (
	maxFormula = 4096 // bytes
	maxStack   = 32
	maxNesting = 48
	maxPower   = 16
)

type opcode uint8

const (
	opNumber opcode = iota
	opInput
	opNegate
	opAdd
	opSubtract
	opMultiply
	opDivide
	opPower // to a whole number
	opExp
	opLog
	opSqrt
	opMin
	opMax
	opLess
	opAtMost
	opMore
	opAtLeast
	opEqual
	opIf    // condition, then, else
	opTable // value at the input of table at

	// Steps that stand for several, made by fuse; the same operations in the same order.
	opScaled         // v times input
	opAddScaled      // add v times input
	opSubtractScaled // subtract v times input
	opAddNumber
	opSubtractNumber
	opMultiplyNumber
	opDivideNumber
)

type step struct {
	op opcode
	at int // input, power, or table
	v  float64
}

// program computes the answer. A linear equation keeps its terms side by side, any other is a stack machine.
type program struct {
	first        float64 // the constant when it stands first
	coefficients []float64
	inputs       []int // -1 for a constant elsewhere
	steps        []step
	tables       []Table
	fused        []step // what runs; steps are what was read
}

// eval uses no memory of its own and gives the same bits in every build.
func (p *program) eval(values []float64) float64 {
	if p.steps != nil {
		return p.evalSteps(values)
	}
	sum := p.first
	for i, c := range p.coefficients {
		if at := p.inputs[i]; at >= 0 {
			sum += float64(c * values[at])
		} else {
			sum += c
		}
	}
	return sum
}

func (p *program) evalSteps(values []float64) float64 {
	var stack [maxStack]float64
	top := -1
	steps := p.fused
	if steps == nil {
		steps = p.steps
	}
	for i := range steps {
		s := &steps[i]
		switch s.op {
		case opScaled:
			top++
			stack[top] = float64(s.v * values[s.at])
		case opAddScaled:
			stack[top] += float64(s.v * values[s.at])
		case opSubtractScaled:
			stack[top] -= float64(s.v * values[s.at])
		case opAddNumber:
			stack[top] += s.v
		case opSubtractNumber:
			stack[top] -= s.v
		case opMultiplyNumber:
			stack[top] = float64(stack[top] * s.v)
		case opDivideNumber:
			stack[top] /= s.v
		case opNumber:
			top++
			stack[top] = s.v
		case opInput:
			top++
			stack[top] = values[s.at]
		case opNegate:
			stack[top] = -stack[top]
		case opPower:
			stack[top] = power(stack[top], s.at)
		case opExp:
			stack[top] = exact.Exp(stack[top])
		case opLog:
			stack[top] = exact.Log(stack[top])
		case opSqrt:
			stack[top] = math.Sqrt(stack[top])
		case opTable:
			stack[top] = p.tables[s.at].at(stack[top])
		case opIf:
			top -= 2
			if stack[top] != 0 {
				stack[top] = stack[top+1]
			} else {
				stack[top] = stack[top+2]
			}
		default:
			top--
			stack[top] = combine(s.op, stack[top], stack[top+1])
		}
	}
	return stack[0]
}

func combine(op opcode, a, b float64) float64 {
	switch op {
	case opAdd:
		return a + b
	case opSubtract:
		return a - b
	case opMultiply:
		return float64(a * b)
	case opDivide:
		return a / b
	case opLess:
		return truth(a < b)
	case opAtMost:
		return truth(a <= b)
	case opMore:
		return truth(a > b)
	case opAtLeast:
		return truth(a >= b)
	case opEqual:
		return truth(a == b)
	case opMin:
		if b < a || math.IsNaN(b) {
			return b
		}
		return a
	}
	if b > a || math.IsNaN(b) {
		return b
	}
	return a
}

// fuse joins steps that follow each other, so that sums of products run as fast as terms.
func fuse(steps []step) []step {
	var out []step
	for i := 0; i < len(steps); i++ {
		s := steps[i]
		if s.op == opNumber && i+2 < len(steps) && steps[i+1].op == opInput && steps[i+2].op == opMultiply {
			s.op, s.at = opScaled, steps[i+1].at
			i += 2
			if i+1 < len(steps) && len(out) > 0 {
				switch steps[i+1].op {
				case opAdd:
					s.op = opAddScaled
					i++
				case opSubtract:
					s.op = opSubtractScaled
					i++
				}
			}
			out = append(out, s)
			continue
		}
		if s.op == opNumber && i+1 < len(steps) && len(out) > 0 {
			if next := steps[i+1].op; next >= opAdd && next <= opDivide {
				s.op = opAddNumber + (next - opAdd)
				i++
			}
		}
		out = append(out, s)
	}
	return out
}

func truth(holds bool) float64 {
	if holds {
		return 1
	}
	return 0
}

// at looks x up on the straight line between two points; NaN where the table refuses.
func (t *Table) at(x float64) float64 {
	points := t.Points
	last := len(points) - 1
	switch {
	case x < points[0].X && t.Below != "hold" || x > points[last].X && t.Above != "hold" || math.IsNaN(x):
		return math.NaN()
	case x <= points[0].X:
		return points[0].Y
	case x >= points[last].X:
		return points[last].Y
	}
	i := 1
	for x > points[i].X {
		i++
	}
	a, b := &points[i-1], &points[i]
	return a.Y + float64((b.Y-a.Y)*(x-a.X))/(b.X-a.X)
}

func power(x float64, n int) float64 {
	result := 1.0
	for range max(n, -n) {
		result = float64(result * x)
	}
	if n < 0 {
		return 1 / result
	}
	return result
}

// A FormulaError is a fault in the text of a formula; At counts bytes from 0.
type FormulaError struct {
	At  int
	Msg string
}

func (e *FormulaError) Error() string { return "at character " + strconv.Itoa(e.At+1) + ": " + e.Msg }

// compiler is a recursive-descent parser that writes steps as it reads.
type compiler struct {
	text    string
	at      int
	inputs  func(name string) (int, bool)
	steps   []step
	depth   int // of the stack after the steps so far
	nesting int
	words   []Input   // inputs whose words a condition may name
	tables  []Table   // what can be looked up
	numbers []float64 // of the text, in order, powers not among them
}

// compileFormula understands numbers, input names, + - * / ^ (whole powers), brackets, exp, log (natural),
// sqrt, min(a, b), max(a, b), if(condition, then, else) with < <= > >= =, and lookup(table, value).
func compileFormula(text string, inputs func(string) (int, bool)) ([]step, error) {
	c := &compiler{text: text, inputs: inputs}
	err := c.whole(c.sum)
	if err != nil {
		return nil, err
	}
	return c.steps, nil
}

// whole reads all of the text.
func (c *compiler) whole(read func() error) error {
	if len(c.text) > maxFormula {
		return &FormulaError{0, "formula is longer than " + strconv.Itoa(maxFormula) + " characters"}
	}
	if err := read(); err != nil {
		return err
	}
	if c.peek() != 0 {
		return c.fault("unexpected " + strconv.Quote(c.text[c.at:c.at+1]))
	}
	return nil
}

func (c *compiler) fault(msg string) error { return &FormulaError{c.at, msg} }

// peek returns the next character that is not a space, 0 at the end.
func (c *compiler) peek() byte {
	for c.at < len(c.text) && (c.text[c.at] == ' ' || c.text[c.at] == '\n' || c.text[c.at] == '\t') {
		c.at++
	}
	if c.at == len(c.text) {
		return 0
	}
	return c.text[c.at]
}

func (c *compiler) emit(s step, change int) error {
	c.depth += change
	if c.depth > maxStack {
		return c.fault("formula holds too many values at once")
	}
	c.steps = append(c.steps, s)
	return nil
}

func (c *compiler) sum() error { return c.chain("+-", c.product, opAdd, opSubtract) }

func (c *compiler) product() error { return c.chain("*/", c.signed, opMultiply, opDivide) }

// chain reads operands joined by either of two operators, from the left.
func (c *compiler) chain(operators string, operand func() error, first, second opcode) error {
	if err := operand(); err != nil {
		return err
	}
	for {
		op := first
		switch c.peek() {
		case operators[0]:
		case operators[1]:
			op = second
		default:
			return nil
		}
		c.at++
		if err := operand(); err != nil {
			return err
		}
		if err := c.emit(step{op: op}, -1); err != nil {
			return err
		}
	}
}

func (c *compiler) signed() error {
	if c.peek() != '-' {
		return c.powered()
	}
	c.at++
	if c.nesting++; c.nesting > maxNesting {
		return c.fault("formula is nested too deep")
	}
	defer func() { c.nesting-- }()
	if err := c.signed(); err != nil {
		return err
	}
	return c.emit(step{op: opNegate}, 0)
}

func (c *compiler) powered() error {
	if err := c.single(); err != nil {
		return err
	}
	if c.peek() != '^' {
		return nil
	}
	c.at++
	c.peek()
	from := c.at
	if c.at < len(c.text) && c.text[c.at] == '-' {
		c.at++
	}
	for c.at < len(c.text) && c.text[c.at] >= '0' && c.text[c.at] <= '9' {
		c.at++
	}
	n, err := strconv.Atoi(c.text[from:c.at])
	if err != nil || max(n, -n) > maxPower || (c.at < len(c.text) && c.text[c.at] == '.') {
		c.at = from
		return c.fault("a power must be a whole number from -" + strconv.Itoa(maxPower) + " to " + strconv.Itoa(maxPower))
	}
	if c.peek() == '^' {
		return c.fault("write brackets between two powers")
	}
	return c.emit(step{op: opPower, at: n}, 0)
}

func (c *compiler) single() error {
	ch := c.peek()
	switch {
	case ch == '(':
		c.at++
		return c.inBrackets(c.sum)
	case ch >= '0' && ch <= '9' || ch == '.':
		return c.number()
	case letter(ch):
		return c.name()
	case ch == 0:
		return c.fault("formula ends where a value is expected")
	}
	return c.fault("unexpected " + strconv.Quote(c.text[c.at:c.at+1]))
}

// inBrackets reads what is within, and the closing bracket.
func (c *compiler) inBrackets(within func() error) error {
	if c.nesting++; c.nesting > maxNesting {
		return c.fault("formula is nested too deep")
	}
	defer func() { c.nesting-- }()
	if err := within(); err != nil {
		return err
	}
	if c.peek() != ')' {
		return c.fault("a closing bracket is missing")
	}
	c.at++
	return nil
}

func (c *compiler) number() error {
	from := c.at
	for c.at < len(c.text) && (c.text[c.at] >= '0' && c.text[c.at] <= '9' || c.text[c.at] == '.') {
		c.at++
	}
	v, err := strconv.ParseFloat(c.text[from:c.at], 64)
	if err != nil {
		c.at = from
		return c.fault("this is not a number")
	}
	c.numbers = append(c.numbers, v)
	return c.emit(step{op: opNumber, v: v}, 1)
}

var functions = map[string]struct {
	op        opcode
	arguments int
}{"exp": {opExp, 1}, "log": {opLog, 1}, "sqrt": {opSqrt, 1}, "min": {opMin, 2}, "max": {opMax, 2}, "if": {opIf, 3}, "lookup": {opTable, 1}}

func (c *compiler) name() error {
	from := c.at
	for c.at < len(c.text) && (letter(c.text[c.at]) || c.text[c.at] >= '0' && c.text[c.at] <= '9') {
		c.at++
	}
	word := c.text[from:c.at]
	f, isFunction := functions[word]
	if !isFunction {
		i, known := c.inputs(word)
		if !known {
			c.at = from
			return c.fault("no input is called " + strconv.Quote(word))
		}
		return c.emit(step{op: opInput, at: i}, 1)
	}
	if c.peek() != '(' {
		return c.fault("a bracket must follow " + word)
	}
	c.at++
	if f.op == opTable {
		return c.lookup()
	}
	err := c.inBrackets(func() error {
		first := c.sum
		if f.op == opIf {
			first = c.condition
		}
		if err := first(); err != nil {
			return err
		}
		for n := 1; n < f.arguments; n++ {
			if c.peek() != ',' {
				return c.fault(word + " takes " + []string{"two", "three"}[f.arguments-2] + " values with a comma between them")
			}
			c.at++
			if err := c.sum(); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.emit(step{op: f.op}, 1-f.arguments)
}

// lookup reads the name of a table and the value to look up.
func (c *compiler) lookup() error {
	c.peek()
	from := c.at
	for c.at < len(c.text) && c.text[c.at] != ',' && c.text[c.at] != ')' {
		c.at++
	}
	for i := range c.tables {
		if c.tables[i].ID != c.text[from:c.at] {
			continue
		}
		if c.peek() != ',' {
			return c.fault("lookup takes a table and a value with a comma between them")
		}
		c.at++
		if err := c.inBrackets(c.sum); err != nil {
			return err
		}
		return c.emit(step{op: opTable, at: i}, 0)
	}
	c.at = from
	return c.fault("no table is listed by this name")
}

// condition reads two values with a comparison between them; a word of a coded input may stand on the right.
func (c *compiler) condition() error {
	if err := c.sum(); err != nil {
		return err
	}
	ch := c.peek()
	if ch != '<' && ch != '>' && ch != '=' {
		return c.fault("a comparison is missing; write <, <=, >, >= or =")
	}
	c.at++
	op := map[byte]opcode{'<': opLess, '>': opMore, '=': opEqual}[ch]
	if ch != '=' && c.at < len(c.text) && c.text[c.at] == '=' {
		c.at++
		op++
	}
	if done, err := c.coded(); err != nil || done {
		if err == nil {
			err = c.emit(step{op: op}, -1)
		}
		return err
	}
	if err := c.sum(); err != nil {
		return err
	}
	return c.emit(step{op: op}, -1)
}

// coded reads a word of the coded input that the last step has put on the stack.
func (c *compiler) coded() (done bool, err error) {
	last := c.steps[len(c.steps)-1]
	if c.peek(); last.op != opInput || last.at >= len(c.words) || !letter(c.peek()) {
		return false, nil
	}
	from, at := c.at, c.at
	for at < len(c.text) && (letter(c.text[at]) || c.text[at] == '-' || c.text[at] >= '0' && c.text[at] <= '9') {
		at++
	}
	for _, code := range c.words[last.at].Codes {
		if code.Word == c.text[from:at] {
			c.at = at
			return true, c.emit(step{op: opNumber, v: code.Value}, 1)
		}
	}
	return false, nil
}

func letter(c byte) bool { return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c == '_' }
