package estimate

import (
	"maps"
	"strconv"
)

// measure is the unit of a value on the way through a formula: units with their powers. A nil measure is free: a
// plain number, or a value with a coefficient, whose unit the coefficient makes.
type measure map[string]int

// CheckUnits finds places where a formula, a product of a term or a condition adds, subtracts or compares inputs
// of different units without a coefficient between them, and a formula whose answer has another unit than the
// outcome. It is called when a file is read; the error is a *FieldError.
func CheckUnits(e *Estimator) error {
	if e.Formula != nil {
		m, msg := e.measured(e.run.steps)
		if msg == "" && m != nil && !maps.Equal(m, unitOf(e.Outcome.Unit)) {
			msg = "gives " + m.text() + ", the outcome is in " + e.Outcome.Unit
		}
		if msg != "" {
			return fault("formula.text", msg, "give one of them a coefficient with its unit")
		}
	}
	for i, t := range e.Terms {
		if wrong := e.termUnit(&t); wrong != "" {
			return fault(at("terms", i, "unit"), wrong, "the unit is that of the outcome, per unit of the input; compare input and coefficient with the paper")
		}
		if t.Of == "" {
			continue
		}
		c, err := e.compiled(t.Of, false)
		if err != nil {
			return fault(at("terms", i, "of"), err.Error(), "")
		}
		if _, msg := e.measured(c.steps); msg != "" {
			return fault(at("terms", i, "of"), msg, "write a term for each")
		}
	}
	for i := range e.musts {
		if _, msg := e.measured(e.musts[i].steps); msg != "" {
			return fault(at("require", i, "that"), msg, "compare like with like")
		}
	}
	return nil
}

// termUnit says what is wrong with the unit that a linear term states for its coefficient.
func (e *Estimator) termUnit(t *Term) string {
	i, known := e.InputAt(t.Input)
	if !known || len(e.Inputs[i].Codes) > 0 {
		return ""
	}
	per := e.Inputs[i].Unit
	switch per {
	case "years":
		per = "year"
	case "/min":
		per = "beat/min"
	}
	if want := e.Outcome.Unit + " per " + per; t.Unit != want {
		return strconv.Quote(t.Unit) + " is not " + strconv.Quote(want)
	}
	return ""
}

func unitOf(unit string) measure {
	if unit == "none" {
		return measure{}
	}
	return measure{unit: 1}
}

func (m measure) text() string {
	text := ""
	for unit, n := range m {
		if text != "" {
			text += " * "
		}
		text += unit
		if n != 1 {
			text += "^" + strconv.Itoa(n)
		}
	}
	if text == "" {
		return "a plain number"
	}
	return text
}

// measured follows the units through the steps; msg says what does not fit.
func (e *Estimator) measured(steps []step) (result measure, msg string) {
	var stack []measure
	pop := func() measure {
		m := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		return m
	}
	same := func(what string, a, b measure) measure {
		if a != nil && b != nil && !maps.Equal(a, b) && msg == "" {
			msg = what + " " + a.text() + " and " + b.text()
		}
		if a == nil {
			return b
		}
		return a
	}
	for _, s := range steps {
		var m measure
		switch s.op {
		case opNumber:
		case opInput:
			m = unitOf(e.Inputs[s.at].Unit)
			if len(e.Inputs[s.at].Codes) > 0 {
				m = measure{}
			}
		case opNegate:
			m = pop()
		case opAdd:
			m = same("adds", pop(), pop())
		case opSubtract:
			m = same("subtracts", pop(), pop())
		case opMin, opMax:
			m = same("compares", pop(), pop())
		case opLess, opAtMost, opMore, opAtLeast, opEqual:
			same("compares", pop(), pop())
		case opIf:
			m = same("chooses between", pop(), pop())
			pop()
		case opMultiply, opDivide:
			m = joined(s.op, pop(), pop())
		case opPower:
			m = powered(pop(), s.at)
		case opSqrt:
			pop()
		case opTable:
			t := &e.Tables[s.at]
			same("looks up", pop(), unitOf(t.XUnit))
			m = unitOf(t.YUnit)
		default: // exp and log
			if a := pop(); len(a) > 0 && msg == "" {
				msg = "takes exp or log of " + a.text()
			}
		}
		stack = append(stack, m)
	}
	return stack[0], msg
}

// joined is the unit of a product, or of a/b; b is on top of the stack.
func joined(op opcode, b, a measure) measure {
	if a == nil || b == nil {
		return nil
	}
	m := maps.Clone(a)
	for unit, n := range b {
		if op == opDivide {
			n = -n
		}
		if m[unit] += n; m[unit] == 0 {
			delete(m, unit)
		}
	}
	return m
}

func powered(a measure, n int) measure {
	if a == nil {
		return nil
	}
	m := measure{}
	for unit, k := range a {
		if k*n != 0 {
			m[unit] = k * n
		}
	}
	return m
}
