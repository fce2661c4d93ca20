package exact

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
)

func relative(got, want float64) float64 {
	if want == 0 {
		return math.Abs(got)
	}
	return math.Abs(got-want) / math.Abs(want)
}

func TestHalfUp(t *testing.T) {
	for _, c := range []struct{ x, want float64 }{
		{89.5, 90}, {89.49999999999999, 89}, {100.4, 100}, {100.6, 101}, {0, 0}, {-0.5, 0}, {-0.6, -1}, {-1.5, -1},
		{0.49999999999999994, 0}, {4503599627370497.5, 4503599627370498}, {9007199254740993, 9007199254740992},
	} {
		if got := HalfUp(c.x); got != c.want {
			t.Errorf("HalfUp(%v) = %v, want %v", c.x, got, c.want)
		}
	}
	if !math.IsNaN(HalfUp(math.NaN())) || !math.IsInf(HalfUp(math.Inf(1)), 1) || !math.IsInf(HalfUp(math.Inf(-1)), -1) {
		t.Error("NaN or infinity changed")
	}
}

// The standard library is the oracle: it may differ between builds, but only in the last bit.
func TestExpAndLogAgainstTheStandardLibrary(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	for range 200_000 {
		x := r.Float64()*1400 - 700
		if e := relative(Exp(x), math.Exp(x)); e > 4e-16 {
			t.Fatalf("Exp(%v) = %v, want %v (relative %g)", x, Exp(x), math.Exp(x), e)
		}
		small := r.Float64()*4 - 2
		if e := relative(Exp(small), math.Exp(small)); e > 4e-16 {
			t.Fatalf("Exp(%v) = %v, want %v", small, Exp(small), math.Exp(small))
		}
		y := math.Exp(x)
		if e := relative(Log(y), math.Log(y)); e > 4e-16 {
			t.Fatalf("Log(%v) = %v, want %v", y, Log(y), math.Log(y))
		}
		near := 1 + small/10
		if e := relative(Log(near), math.Log(near)); e > 4e-16 {
			t.Fatalf("Log(%v) = %v, want %v", near, Log(near), math.Log(near))
		}
		if e := relative(logOnePlus(y), math.Log1p(y)); e > 1e-15 {
			t.Fatalf("logOnePlus(%v) = %v, want %v", y, logOnePlus(y), math.Log1p(y))
		}
	}
}

func TestExpAndLogAtTheEdges(t *testing.T) {
	for _, c := range []struct{ name, got, want any }{
		{"Exp(0)", Exp(0), 1.0}, {"Exp(-Inf)", Exp(math.Inf(-1)), 0.0}, {"Exp(Inf)", Exp(math.Inf(1)), math.Inf(1)},
		{"Exp(710)", Exp(710), math.Inf(1)}, {"Exp(-746)", Exp(-746), 0.0}, {"Log(1)", Log(1), 0.0},
		{"Log(0)", Log(0), math.Inf(-1)}, {"Log(Inf)", Log(math.Inf(1)), math.Inf(1)},
	} {
		if c.got != c.want {
			t.Errorf("%s = %v, want %v", c.name, c.got, c.want)
		}
	}
	if !math.IsNaN(Log(-1)) || !math.IsNaN(Log(math.NaN())) || !math.IsNaN(Exp(math.NaN())) {
		t.Error("NaN expected")
	}
	for _, x := range []float64{-744, -720, -708.5, 709.7} {
		if e := math.Abs(Exp(x) - math.Exp(x)); e > 4e-16*math.Exp(x)+5e-324 {
			t.Errorf("Exp(%v) = %v, want %v", x, Exp(x), math.Exp(x))
		}
	}
	if e := relative(Log(5e-324), -1074*math.Ln2); e > 4e-16 {
		t.Errorf("Log of the smallest number = %v, want %v", Log(5e-324), -1074*math.Ln2)
	}
}

func TestQuantilesAgainstCertifiedValues(t *testing.T) {
	f, err := os.Open("testdata/quantiles.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	in := csv.NewReader(f)
	in.Comment = '#'
	rows, err := in.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) < 50 {
		t.Fatalf("only %d certified values", len(rows))
	}
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	worst := 0.0
	for _, row := range rows {
		p, want, got := number(row[1]), number(row[3]), 0.0
		if row[0] == "normal_quantile" {
			got = NormalQuantile(p)
		} else {
			got = TQuantile(p, number(row[2]))
		}
		e := relative(got, want)
		worst = max(worst, e)
		if e > 1e-13 {
			t.Errorf("%v: got %.17g (relative %g)", row, got, e)
		}
	}
	t.Logf("%d values, worst relative error %.1e", len(rows), worst)
}

// With one and with two degrees of freedom the quantile has a closed form.
func TestTQuantileClosedForms(t *testing.T) {
	for _, p := range []float64{1e-12, 1e-9, 1e-6, 0.01, 0.2, 0.4, 0.49, 0.4999, 0.50001, 0.6, 0.76, 0.9, 0.999} {
		want := math.Tan(math.Pi * (p - 0.5))
		if p < 0.25 { // the tangent near a pole would lose the digits of p
			want = -1 / math.Tan(math.Pi*p)
		}
		if e := relative(TQuantile(p, 1), want); e > 1e-12 {
			t.Errorf("df 1, p %v: %v, want %v (relative %g)", p, TQuantile(p, 1), want, e)
		}
		want = (2*p - 1) / math.Sqrt(2*p*(1-p))
		if e := relative(TQuantile(p, 2), want); e > 1e-12 {
			t.Errorf("df 2, p %v: %v, want %v (relative %g)", p, TQuantile(p, 2), want, e)
		}
	}
}

// The two ways must meet where one takes over from the other.
func TestTQuantileTwoWaysMeet(t *testing.T) {
	for _, df := range []float64{manyDF / 4, manyDF} {
		for _, p := range []float64{0.6, 0.8, 0.975, 0.999, 0.9999, 0.999999} {
			iterated, expanded := tFromTail(1-p, p-0.5, df), nearNormal(NormalQuantile(p), df)
			if e := relative(iterated, expanded); e > 1e-12 {
				t.Errorf("p %v, df %v: %v iterated, %v expanded (relative %g)", p, df, iterated, expanded, e)
			}
			if TQuantile(p, math.Inf(1)) != NormalQuantile(p) {
				t.Errorf("p %v: infinitely many degrees are not the normal distribution", p)
			}
		}
	}
}

func TestQuantilesAtTheEdges(t *testing.T) {
	for _, df := range []float64{0.5, 1, 28, 1e8, math.Inf(1)} {
		if !math.IsInf(TQuantile(0, df), -1) || !math.IsInf(TQuantile(1, df), 1) || TQuantile(0.5, df) != 0 {
			t.Errorf("df %v: wrong at 0, 1/2 or 1", df)
		}
	}
	for _, bad := range [][2]float64{{-0.1, 5}, {1.1, 5}, {math.NaN(), 5}, {0.5, 0}, {0.5, -1}, {0.2, math.NaN()}} {
		if got := TQuantile(bad[0], bad[1]); !math.IsNaN(got) {
			t.Errorf("TQuantile(%v) = %v, want NaN", bad, got)
		}
	}
	if !math.IsInf(NormalQuantile(0), -1) || !math.IsInf(NormalQuantile(1), 1) || !math.IsNaN(NormalQuantile(2)) {
		t.Error("normal quantile: wrong at the edges")
	}
}

// A new person's 95 % interval for an error of 4.2 found in 30 people.
func ExampleTQuantile() {
	half := TQuantile(0.975, 28) * 4.2 * math.Sqrt(1+1.0/30)
	fmt.Printf("%.3f\n", half)
	// Output: 8.746
}
