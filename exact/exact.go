// Package exact is the small arithmetic that every build of the program agrees on to the last bit.
//
// A test is run in a browser, on a server and on the command line; the estimate, the instruction and the
// recorded state must be the same number in all three. The usual mathematical functions are not: processors
// may fuse a product and a sum, and exponentials differ between builds. Everything here is made of + - * /
// and square root, with each product rounded on its own.
//
// Accuracy is better than 1e-12 relative over the documented ranges.
package exact

import "math"

// ln2 in two parts (the first with trailing zeros, so that k*ln2Hi is exact for |k| < 2048).
const (
	ln2Hi = 6.93147180369123816490e-01
	ln2Lo = 1.90821492927058770002e-10
	ln2   = 0.693147180559945309417232121458
)

// HalfUp rounds x to the nearest whole number, halves upwards: 89.5 is 90, -0.5 is 0.
// NaN and infinities come back unchanged.
func HalfUp(x float64) float64 {
	whole := math.Floor(x)
	if x-whole >= 0.5 {
		return whole + 1
	}
	return whole
}

// Exp returns e to the power x. It overflows to +Inf above 709.78 and is 0 below -745.13.
func Exp(x float64) float64 {
	switch {
	case math.IsNaN(x) || math.IsInf(x, 1):
		return x
	case x > 709.782712893384:
		return math.Inf(1)
	case x < -745.1332191019412:
		return 0
	}
	k := math.Floor(float64(x/ln2) + 0.5)
	r := (x - float64(k*ln2Hi)) - float64(k*ln2Lo)
	return scale(expSmall(r), int(k))
}

// expSmall is the Taylor series of e^r for |r| <= 0.35; the first term left out is below 1e-17.
func expSmall(r float64) float64 {
	sum := 0.0
	for n := 14; n >= 2; n-- {
		sum = float64((1+sum)*r) / float64(n)
	}
	return 1 + (r + float64(r*sum))
}

// scale returns x times 2 to the power k for -1080 < k < 1030.
func scale(x float64, k int) float64 {
	for k > 1000 {
		x, k = float64(x*twoTo(1000)), k-1000
	}
	for k < -1000 {
		x, k = float64(x*twoTo(-1000)), k+1000
	}
	return float64(x * twoTo(k))
}

// twoTo returns 2 to the power k for a k that gives a normal number.
func twoTo(k int) float64 { return math.Float64frombits(uint64(k+1023) << 52) }

// Log returns the natural logarithm of x: NaN below 0, -Inf at 0.
func Log(x float64) float64 {
	switch {
	case math.IsNaN(x) || math.IsInf(x, 1):
		return x
	case x < 0:
		return math.NaN()
	case x == 0:
		return math.Inf(-1)
	}
	m, k := split(x)
	// With s = (m-1)/(m+1), log m = 2(s + s^3/3 + s^5/5 + ...); |s| < 0.172, so 21 powers are enough.
	f := m - 1
	s := f / (2 + f)
	z := float64(s * s)
	sum := 0.0
	for n := 21; n >= 3; n -= 2 {
		sum = float64(z * (sum + 1/float64(n)))
	}
	// log m = f - s*(f - 2*sum): the leading term f is exact, only the correction is rounded.
	correction := float64(s * (f - float64(2*sum)))
	return float64(k*ln2Hi) + (f - (correction - float64(k*ln2Lo)))
}

// split returns m in [sqrt(1/2), sqrt(2)) and k with x = m * 2^k, for a positive finite x.
func split(x float64) (m, k float64) {
	if x < twoTo(-1022) {
		x, k = float64(x*twoTo(54)), -54
	}
	bits := math.Float64bits(x)
	k += float64(int(bits>>52) - 1023)
	m = math.Float64frombits(bits&(1<<52-1) | 1023<<52)
	if m >= math.Sqrt2 {
		m, k = m/2, k+1
	}
	return m, k
}

// logOnePlus returns Log(1+x) without losing the digits of a small x.
func logOnePlus(x float64) float64 {
	u := 1 + x
	if u == 1 {
		return x
	}
	return float64(Log(u)*x) / (u - 1)
}
