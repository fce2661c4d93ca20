package estimate

import (
	"errors"
	"math"
	"strings"
	"testing"
)

func names(list ...string) func(string) (int, bool) {
	return func(name string) (int, bool) {
		for i, n := range list {
			if n == name {
				return i, true
			}
		}
		return 0, false
	}
}

func TestFormulaValues(t *testing.T) {
	for _, c := range []struct {
		text string
		want float64
	}{
		{"1 + 2*3", 7}, {"(1+2)*3", 9}, {"10 - 3 - 2", 5}, {"24/4/2", 3}, {"-x^2", -9}, {"(-x)^2", 9}, {"2^3", 8}, {"2^-1", 0.5},
		{"x^0", 1}, {"--x", 3}, {"2*-x", -6}, {"exp(0)", 1}, {"log(1)", 0}, {"sqrt(16)", 4}, {"min(x, y)", 3}, {"max(x, y)", 4},
		{"max(min(x,y), 2) + y", 7}, {" x\n*\ty ", 12}, {".5 * y", 2}, {"1.5", 1.5}, {"x/(y-4)", math.Inf(1)},
		{"132.853 - 0.0769*x - 0.3877*y", 132.853 - 0.0769*3 - 0.3877*4},
	} {
		steps, err := compileFormula(c.text, names("x", "y"))
		if err != nil {
			t.Errorf("%q: %v", c.text, err)
			continue
		}
		p := program{steps: steps}
		if got := p.eval([]float64{3, 4}); math.Abs(got-c.want) > 1e-12 && got != c.want {
			t.Errorf("%q = %v, want %v", c.text, got, c.want)
		}
	}
}

func TestFormulaFaultsHaveTheirPlace(t *testing.T) {
	for _, c := range []struct {
		text string
		at   int
		want string
	}{
		{"", 0, "ends where a value"}, {"1 +", 3, "ends where a value"}, {"1 + z", 4, `no input is called "z"`}, {"(1", 2, "closing bracket"},
		{"1)", 1, `unexpected ")"`}, {"x^1.5", 2, "whole number"}, {"x^y", 2, "whole number"}, {"x^99", 2, "whole number"}, {"2^3^2", 3, "brackets between"},
		{"exp x", 4, "bracket must follow exp"}, {"min(x)", 5, "two values"}, {"exp(x,y)", 5, "closing bracket"}, {"1..2", 0, "not a number"},
		{"x $ y", 2, `unexpected "$"`}, {"x y", 2, `unexpected "y"`}, {strings.Repeat("(", 60) + "x", 49, "nested too deep"},
		{strings.Repeat("-", 60) + "x", 49, "nested too deep"}, {strings.Repeat("x", 5000), 0, "longer than"},
		{strings.Repeat("1+(", 40) + "1" + strings.Repeat(")", 40), 97, "too many values"},
	} {
		_, err := compileFormula(c.text, names("x", "y"))
		var placed *FormulaError
		if !errors.As(err, &placed) || placed.At != c.at || !strings.Contains(placed.Msg, c.want) {
			t.Errorf("%.20q: %v (at %+v), want %q at %d", c.text, err, placed, c.want, c.at)
		}
	}
}

// A linear equation written as terms and as a formula must be the same number.
func TestFormulaEqualsTerms(t *testing.T) {
	line := program{coefficients: []float64{125.707, -0.476, 7.686}, inputs: []int{-1, 0, 1}}
	steps, err := compileFormula("125.707 + -0.476*age + 7.686*sex", names("age", "sex"))
	if err != nil {
		t.Fatal(err)
	}
	formula := program{steps: steps}
	for age := 20.0; age < 80; age += 0.5 {
		values := []float64{age, 1}
		if a, b := line.eval(values), formula.eval(values); a != b {
			t.Fatalf("age %v: %v by terms, %v by formula", age, a, b)
		}
	}
}

func FuzzFormula(f *testing.F) {
	for _, seed := range []string{"1+2*x", "min(x, y)^-3", "exp(log(sqrt(x)))", "((((", "--1", "x^", "1e5", "max(", "x/0"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		steps, err := compileFormula(text, names("x", "y"))
		var placed *FormulaError
		if err != nil && (!errors.As(err, &placed) || placed.At < 0 || placed.At > len(text)) {
			t.Fatalf("%q: error without a place: %v", text, err)
		}
		if err != nil {
			return
		}
		p := program{steps: steps}
		values := []float64{1.5, -2}
		first := p.eval(values)
		q := program{steps: steps, fused: fuse(steps)}
		if fast := q.eval(values); math.Float64bits(fast) != math.Float64bits(first) && !(math.IsNaN(fast) && math.IsNaN(first)) {
			t.Fatalf("%q is %v, fused %v", text, first, fast)
		}
		if again := p.eval(values); math.Float64bits(first) != math.Float64bits(again) {
			t.Fatalf("%q is %v, then %v", text, first, again)
		}
	})
}

var sink float64

func BenchmarkFormula(b *testing.B) {
	steps, err := compileFormula("125.707 - 0.476*age + 7.686*sex - 0.451*mass + 0.179*w - 0.415*hr", names("age", "sex", "mass", "w", "hr"))
	if err != nil {
		b.Fatal(err)
	}
	p, values := program{steps: steps}, []float64{67, 0, 68.5, 75, 130}
	b.ReportAllocs()
	for b.Loop() {
		sink = p.eval(values)
	}
}

func BenchmarkTerms(b *testing.B) {
	p := program{coefficients: []float64{125.707, -0.476, 7.686, -0.451, 0.179, -0.415}, inputs: []int{-1, 0, 1, 2, 3, 4}}
	values := []float64{67, 0, 68.5, 75, 130}
	b.ReportAllocs()
	for b.Loop() {
		sink = p.eval(values)
	}
}
