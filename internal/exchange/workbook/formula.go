package workbook

import (
	"fmt"
	"strconv"
	"strings"

	"gradus/estimate"
)

// formulaOf is the equation of an estimator as a spreadsheet computes it. cell gives the cell of an input, lookUp the cells of a
// table; why says what cannot be written as a formula.
func formulaOf(e *estimate.Estimator, cell func(input int) string, tables map[string]span) (formula, why string) {
	if e.Formula == nil {
		return linear(e, cell)
	}
	t := &translator{e: e, text: e.Formula.Text, cell: cell, tables: tables}
	out, err := t.sum()
	if err == nil && t.peek() != 0 {
		err = fmt.Errorf("%q is left", t.text[t.at:])
	}
	if err != nil {
		return "", "the formula of " + e.ID + " cannot be written for a spreadsheet: " + err.Error()
	}
	return out, ""
}

// span is where the points of a table stand: columns X and Y from First to Last.
type span struct {
	Sheet       string
	X, Y        string // letters of the columns
	First, Last int
	Table       *estimate.Table
}

func literal(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// linear is a sum of terms.
func linear(e *estimate.Estimator, cell func(int) string) (string, string) {
	if len(e.Terms) == 0 {
		return "", "the equation of " + e.ID + " is neither a sum of terms nor a formula"
	}
	var parts []string
	for _, t := range e.Terms {
		part := "(" + literal(t.Coefficient) + ")"
		for _, id := range []string{t.Input, t.Of} {
			if id == "" {
				continue
			}
			i, ok := e.InputAt(id)
			if !ok {
				return "", "input " + id + " of " + e.ID + " is not among its inputs"
			}
			part += "*" + valueOf(e, i, cell)
		}
		parts = append(parts, part)
	}
	return strings.Join(parts, "+"), ""
}

// valueOf is the number of an input: the cell itself, or the code of the word in it.
func valueOf(e *estimate.Estimator, i int, cell func(int) string) string {
	in := &e.Inputs[i]
	if len(in.Codes) == 0 {
		return cell(i)
	}
	out := "NA()"
	for k := len(in.Codes) - 1; k >= 0; k-- {
		out = fmt.Sprintf("IF(%s=\"%s\",%s,%s)", cell(i), in.Codes[k].Word, literal(in.Codes[k].Value), out)
	}
	return out
}

// translator writes a formula of an estimator file as one for a spreadsheet. There a sign binds before a power, so every power
// and every sign gets brackets of its own.
type translator struct {
	e      *estimate.Estimator
	text   string
	at     int
	depth  int
	cell   func(int) string
	tables map[string]span
}

func (t *translator) peek() byte {
	for t.at < len(t.text) && (t.text[t.at] == ' ' || t.text[t.at] == '\n' || t.text[t.at] == '\t') {
		t.at++
	}
	if t.at < len(t.text) {
		return t.text[t.at]
	}
	return 0
}

func (t *translator) expect(c byte) error {
	if t.peek() != c {
		return fmt.Errorf("%q is missing at character %d", string(c), t.at+1)
	}
	t.at++
	return nil
}

func (t *translator) chain(operators string, operand func() (string, error)) (string, error) {
	out, err := operand()
	for err == nil && t.peek() != 0 && strings.IndexByte(operators, t.peek()) >= 0 {
		op := string(t.peek())
		t.at++
		var next string
		if next, err = operand(); err == nil {
			out += op + next
		}
	}
	return out, err
}

func (t *translator) sum() (string, error) {
	if t.depth++; t.depth > 64 {
		return "", fmt.Errorf("too many brackets")
	}
	defer func() { t.depth-- }()
	return t.chain("+-", t.product)
}

func (t *translator) product() (string, error) { return t.chain("*/", t.signed) }

func (t *translator) signed() (string, error) {
	if t.peek() != '-' {
		return t.powered()
	}
	t.at++
	if t.depth++; t.depth > 64 {
		return "", fmt.Errorf("too many signs")
	}
	defer func() { t.depth-- }()
	out, err := t.signed()
	return "(0-" + out + ")", err
}

func (t *translator) powered() (string, error) {
	out, err := t.single()
	if err != nil || t.peek() != '^' {
		return out, err
	}
	t.at++
	sign := ""
	if t.peek() == '-' {
		sign = "-"
		t.at++
	}
	n := t.digits()
	if n == "" {
		return "", fmt.Errorf("a power is missing at character %d", t.at+1)
	}
	return "((" + out + ")^(" + sign + n + "))", nil
}

func (t *translator) digits() string {
	t.peek()
	from := t.at
	for t.at < len(t.text) && (t.text[t.at] >= '0' && t.text[t.at] <= '9' || t.text[t.at] == '.') {
		t.at++
	}
	return t.text[from:t.at]
}

func letter(c byte) bool { return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c == '_' }

func (t *translator) word(more string) string {
	t.peek()
	from := t.at
	for t.at < len(t.text) && (letter(t.text[t.at]) || t.text[t.at] >= '0' && t.text[t.at] <= '9' || strings.IndexByte(more, t.text[t.at]) >= 0) {
		t.at++
	}
	return t.text[from:t.at]
}

func (t *translator) single() (string, error) {
	switch c := t.peek(); {
	case c == '(':
		t.at++
		out, err := t.sum()
		if err != nil {
			return "", err
		}
		return "(" + out + ")", t.expect(')')
	case c >= '0' && c <= '9' || c == '.':
		return t.digits(), nil
	case letter(c):
		return t.named()
	}
	return "", fmt.Errorf("a value is missing at character %d", t.at+1)
}

func (t *translator) named() (string, error) {
	word := t.word("")
	names := map[string]string{"exp": "EXP", "log": "LN", "sqrt": "SQRT", "min": "MIN", "max": "MAX", "if": "IF"}
	name, isFunction := names[word]
	if word == "lookup" {
		return t.lookUp()
	}
	if !isFunction {
		i, ok := t.e.InputAt(word)
		if !ok {
			return "", fmt.Errorf("no input is called %q", word)
		}
		return valueOf(t.e, i, t.cell), nil
	}
	if err := t.expect('('); err != nil {
		return "", err
	}
	first := t.sum
	if name == "IF" {
		first = t.condition
	}
	var parts []string
	for {
		read := t.sum
		if len(parts) == 0 {
			read = first
		}
		part, err := read()
		if err != nil {
			return "", err
		}
		parts = append(parts, part)
		if t.peek() != ',' {
			break
		}
		t.at++
	}
	return name + "(" + strings.Join(parts, ",") + ")", t.expect(')')
}

// condition compares; the word of a coded input stands as text.
func (t *translator) condition() (string, error) {
	from := t.at
	word := t.word("")
	i, ok := t.e.InputAt(word)
	coded := ok && len(t.e.Inputs[i].Codes) > 0
	left := ""
	var err error
	if coded && t.peek() == '=' {
		t.at++
		if t.peek(); letter(t.peek()) {
			return fmt.Sprintf("%s=\"%s\"", t.cell(i), t.word("-")), nil
		}
	}
	t.at = from
	if left, err = t.sum(); err != nil {
		return "", err
	}
	op := string(t.peek())
	if !strings.Contains("<>=", op) {
		return "", fmt.Errorf("a comparison is missing at character %d", t.at+1)
	}
	t.at++
	if op != "=" && t.at < len(t.text) && t.text[t.at] == '=' {
		op += "="
		t.at++
	}
	right, err := t.sum()
	return "(" + left + ")" + op + "(" + right + ")", err
}

// lookUp is the straight line between two points of a table, which stands in a sheet of its own.
func (t *translator) lookUp() (string, error) {
	if err := t.expect('('); err != nil {
		return "", err
	}
	t.peek()
	from := t.at
	for t.at < len(t.text) && t.text[t.at] != ',' && t.text[t.at] != ')' {
		t.at++
	}
	s, ok := t.tables[strings.TrimSpace(t.text[from:t.at])]
	if !ok {
		return "", fmt.Errorf("table %q is not known", t.text[from:t.at])
	}
	if err := t.expect(','); err != nil {
		return "", err
	}
	x, err := t.sum()
	if err != nil {
		return "", err
	}
	return s.line(x), t.expect(')')
}

func (s *span) line(x string) string {
	points := s.Table.Points
	first, last := literal(points[0].X), literal(points[len(points)-1].X)
	column := func(letters string) string {
		return fmt.Sprintf("%s!$%s$%d:$%s$%d", s.Sheet, letters, s.First, letters, s.Last)
	}
	held := "MAX(" + first + ",MIN(" + last + "," + x + "))"
	at := fmt.Sprintf("MIN(%d,MATCH(%s,%s,1))", len(points)-1, held, column(s.X))
	point := func(letters, n string) string { return "INDEX(" + column(letters) + "," + n + ")" }
	next := at + "+1"
	out := fmt.Sprintf("(%s+(%s-%s)*(%s-%s)/(%s-%s))", point(s.Y, at), point(s.Y, next), point(s.Y, at), held, point(s.X, at), point(s.X, next), point(s.X, at))
	var refused []string
	if s.Table.Below != "hold" {
		refused = append(refused, "("+x+")<"+first)
	}
	if s.Table.Above != "hold" {
		refused = append(refused, "("+x+")>"+last)
	}
	if len(refused) > 0 {
		out = "IF(OR(" + strings.Join(refused, ",") + "),NA()," + out + ")"
	}
	return out
}
