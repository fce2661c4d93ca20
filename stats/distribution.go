package stats

import (
	"math"

	"gradus/exact"
)

// Z975 is the 0.975 quantile of the standard normal distribution: a 95 % interval is value ± Z975 · SD.
var Z975 = exact.NormalQuantile(0.975)

// Below is the probability that a standard normal variable lies below z.
func Below(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }

// Above is the probability that a standard normal variable lies above z, exact in the far tail.
func Above(z float64) float64 { return math.Erfc(z/math.Sqrt2) / 2 }

// ChiSquareAbove is the probability that a chi-square variable with df degrees of freedom (above 0) exceeds x.
func ChiSquareAbove(x, df float64) float64 {
	if !(x > 0) {
		return 1
	}
	_, above := gammaParts(df/2, x/2)
	return above
}

// ChiSquareQuantile is the x below which a chi-square variable with df degrees of freedom (above 0) lies with
// probability p. It is 0 at 0, +Inf at 1 and NaN outside. Accuracy is better than 1e-11 relative for p from
// 1e-4 to 1-1e-4 and df from 1 to 1000.
func ChiSquareQuantile(p, df float64) float64 {
	switch {
	case !(p >= 0 && p <= 1 && df > 0):
		return math.NaN()
	case p == 0:
		return 0
	case p == 1:
		return math.Inf(1)
	}
	low, high := 0.0, df
	for below, _ := gammaParts(df/2, high/2); below < p; below, _ = gammaParts(df/2, high/2) {
		low, high = high, 2*high
	}
	x := chiSquareGuess(p, df)
	for range 200 {
		if !(x > low && x < high) {
			x = low + (high-low)/2
		}
		below, above := gammaParts(df/2, x/2)
		miss := below - p
		if p > 0.5 {
			miss = (1 - p) - above
		}
		if miss > 0 {
			high = x
		} else {
			low = x
		}
		next := x - miss/chiSquareDensity(x, df)
		if math.Abs(next-x) <= 1e-15*x {
			return next
		}
		x = next
	}
	return x
}

// chiSquareGuess is the cube-root approximation, where Newton's steps begin.
//
// Source: "The distribution of chi-square", Proc Natl Acad Sci USA 1931;17:684-688.
func chiSquareGuess(p, df float64) float64 {
	v := 2 / (9 * df)
	root := 1 - v + exact.NormalQuantile(p)*math.Sqrt(v)
	return df * root * root * root
}

func chiSquareDensity(x, df float64) float64 {
	lg, _ := math.Lgamma(df / 2)
	return math.Exp((df/2-1)*math.Log(x/2)-x/2-lg) / 2
}

// gammaParts are the two regularised incomplete gamma functions P(a, x) and Q(a, x), each found on the side
// where its series or fraction converges fast.
func gammaParts(a, x float64) (below, above float64) {
	lg, _ := math.Lgamma(a)
	front := math.Exp(a*math.Log(x) - x - lg)
	if x < a+1 {
		term := 1 / a
		sum := term
		for n := 1.0; n < 10000 && term > sum*1e-17; n++ {
			term *= x / (a + n)
			sum += term
		}
		below = front * sum
		return below, 1 - below
	}
	above = front * gammaFraction(a, x)
	return 1 - above, above
}

// gammaFraction is the continued fraction of Q(a, x), by the modified Lentz method.
func gammaFraction(a, x float64) float64 {
	const tiny = 1e-300
	b := x + 1 - a
	c := 1 / tiny
	d := 1 / b
	h := d
	for i := 1.0; i < 10000; i++ {
		an := -i * (i - a)
		b += 2
		d = an*d + b
		if math.Abs(d) < tiny {
			d = tiny
		}
		c = b + an/c
		if math.Abs(c) < tiny {
			c = tiny
		}
		d = 1 / d
		step := d * c
		h *= step
		if math.Abs(step-1) < 1e-16 {
			break
		}
	}
	return h
}
