package exact

import "math"

// NormalQuantile returns the z below which the standard normal distribution has probability p.
// It is -Inf at 0, +Inf at 1 and NaN outside.
//
// Source: "Algorithm AS 241: The percentage points of the normal distribution", Applied Statistics
// 1988;37(3):477-484, doi 10.2307/2347330 (the double-precision variant, relative accuracy 1e-16).
func NormalQuantile(p float64) float64 {
	switch {
	case math.IsNaN(p) || p < 0 || p > 1:
		return math.NaN()
	case p == 0:
		return math.Inf(-1)
	case p == 1:
		return math.Inf(1)
	}
	q := p - 0.5
	if math.Abs(q) <= 0.425 {
		return float64(q * ratio(0.180625-float64(q*q), &centre))
	}
	tail := p
	if q > 0 {
		tail = 1 - p
	}
	r := math.Sqrt(-Log(tail))
	z := 0.0
	if r <= 5 {
		z = ratio(r-1.6, &shoulder)
	} else {
		z = ratio(r-5, &farTail)
	}
	if q < 0 {
		return -z
	}
	return z
}

// rational holds the coefficients of one piece of AS 241, lowest power first.
type rational struct{ above, below [8]float64 }

var (
	centre = rational{
		[8]float64{3.3871328727963666080e0, 1.3314166789178437745e+2, 1.9715909503065514427e+3, 1.3731693765509461125e+4,
			4.5921953931549871457e+4, 6.7265770927008700853e+4, 3.3430575583588128105e+4, 2.5090809287301226727e+3},
		[8]float64{1, 4.2313330701600911252e+1, 6.8718700749205790830e+2, 5.3941960214247511077e+3,
			2.1213794301586595867e+4, 3.9307895800092710610e+4, 2.8729085735721942674e+4, 5.2264952788528545610e+3},
	}
	shoulder = rational{
		[8]float64{1.42343711074968357734e0, 4.63033784615654529590e0, 5.76949722146069140550e0, 3.64784832476320460504e0,
			1.27045825245236838258e0, 2.41780725177450611770e-1, 2.27238449892691845833e-2, 7.74545014278341407640e-4},
		[8]float64{1, 2.05319162663775882187e0, 1.67638483018380384940e0, 6.89767334985100004550e-1,
			1.48103976427480074590e-1, 1.51986665636164571966e-2, 5.47593808499534494600e-4, 1.05075007164441684324e-9},
	}
	farTail = rational{
		[8]float64{6.65790464350110377720e0, 5.46378491116411436990e0, 1.78482653991729133580e0, 2.96560571828504891230e-1,
			2.65321895265761230930e-2, 1.24266094738807843860e-3, 2.71155556874348757815e-5, 2.01033439929228813265e-7},
		[8]float64{1, 5.99832206555887937690e-1, 1.36929880922735805310e-1, 1.48753612908506148525e-2,
			7.86869131145613259100e-4, 1.84631831751005468180e-5, 1.42151175831644588870e-7, 2.04426310338993978564e-15},
	}
)

func ratio(x float64, r *rational) float64 {
	above, below := r.above[7], r.below[7]
	for i := 6; i >= 0; i-- {
		above = float64(above*x) + r.above[i]
		below = float64(below*x) + r.below[i]
	}
	return above / below
}

// manyDF is where the expansion around the normal quantile becomes the more accurate of the two ways.
const manyDF = 1e4

// TQuantile returns the t below which Student's distribution with df degrees of freedom (above 0, need not
// be whole) has probability p. It is -Inf at 0, +Inf at 1 and NaN outside or when df is not positive.
// Accuracy is better than 1e-12 relative for df >= 0.5 and p from 1e-12 to 1-1e-12.
func TQuantile(p, df float64) float64 {
	switch {
	case math.IsNaN(p) || math.IsNaN(df) || p < 0 || p > 1 || df <= 0:
		return math.NaN()
	case p == 0:
		return math.Inf(-1)
	case p == 1:
		return math.Inf(1)
	case p == 0.5:
		return 0
	case df >= manyDF:
		return nearNormal(NormalQuantile(p), df)
	case p < 0.5:
		return -tFromTail(p, 0.5-p, df)
	}
	return tFromTail(1-p, p-0.5, df)
}

// nearNormal expands the t quantile in powers of 1/df around the normal quantile z.
//
// Source: "Handbook of Mathematical Functions", National Bureau of Standards 1964, formula 26.7.5.
func nearNormal(z, df float64) float64 {
	if math.IsInf(df, 1) {
		return z
	}
	q := float64(z * z)
	g1 := float64(z*(q+1)) / 4
	g2 := float64(z*(float64(q*(float64(5*q)+16))+3)) / 96
	g3 := float64(z*(float64(q*(float64(q*(float64(3*q)+19))+17))-15)) / 384
	g4 := float64(z*(float64(q*(float64(q*(float64(q*(float64(79*q)+776))+1482))-1920))-945)) / 92160
	return z + (g1+(g2+(g3+g4/df)/df)/df)/df
}

// tFromTail returns the positive t with upper tail probability `tail`; `half` is the probability between 0
// and t. Newton's steps, kept inside a bracket that shrinks, so that it always ends.
func tFromTail(tail, half, df float64) float64 {
	c := tConstant(df)
	low, high := 0.0, 1.0
	for upperTail(high, df, c) > tail {
		low, high = high, float64(high*4)
		if math.IsInf(high, 1) {
			return high
		}
	}
	t := (low + high) / 2
	for range 200 {
		miss, slope := tMiss(t, tail, half, df, c)
		if miss > 0 {
			low = t
		} else {
			high = t
		}
		next := t + miss/slope
		if !(next > low && next < high) {
			next = (low + high) / 2
		}
		if math.Abs(next-t) <= float64(1e-16*t) || next == t {
			return next
		}
		t = next
	}
	return t
}

// tMiss says how much probability is missing at t (positive: t is too small), and the slope. In the outer
// part the logarithms are compared, so that a far tail keeps its relative accuracy.
func tMiss(t, tail, half, df, c float64) (miss, slope float64) {
	density := tDensity(t, df, c)
	if half < 0.25 {
		return half - lowerHalf(t, df, c), density
	}
	u := upperTail(t, df, c)
	return Log(u / tail), density / u
}

// tConstant is the density at 0: Gamma((df+1)/2) / (Gamma(df/2) sqrt(pi df)).
func tConstant(df float64) float64 {
	a, shift := df/2, 1.0
	for a < 25 {
		shift = float64(shift*a) / (a + 0.5)
		a++
	}
	// log of Gamma(a+1/2)/(Gamma(a) sqrt(a)) in falling odd powers of a (from Stirling's series).
	w := 1 / float64(a*a)
	s := float64(w * (17.0/14336 - float64(w*31.0/18432)))
	s = float64(w * (1.0/192 + float64(w*(-1.0/640+s))))
	return float64(shift*math.Sqrt(a)*Exp((-1.0/8+s)/a)) / math.Sqrt(math.Pi*df)
}

// tDensity is Student's density at t; c is tConstant(df).
func tDensity(t, df, c float64) float64 {
	return float64(c * Exp(-float64(float64((df+1)/2)*logOnePlus(float64(t*t)/df))))
}

// upperTail is the probability above t > 0. It and lowerHalf each use the continued fraction on the side
// where it converges fast.
func upperTail(t, df, c float64) float64 {
	if float64(t*t) < float64(3*df)/(df+2) {
		return 0.5 - lowerHalf(t, df, c)
	}
	x := df / (df + float64(t*t))
	return float64(float64(float64(t*tDensity(t, df, c))/df) * betaFraction(x, df/2, 0.5))
}

// lowerHalf is the probability between 0 and t > 0.
func lowerHalf(t, df, c float64) float64 {
	if float64(t*t) >= float64(3*df)/(df+2) {
		return 0.5 - upperTail(t, df, c)
	}
	y := float64(t*t) / (df + float64(t*t))
	return float64(float64(t*tDensity(t, df, c)) * betaFraction(y, 0.5, df/2))
}

// betaFraction is the continued fraction of the incomplete beta function, by the modified Lentz method.
func betaFraction(x, a, b float64) float64 {
	const tiny = 1e-300
	d := 1 - float64((a+b)*x)/(a+1)
	if math.Abs(d) < tiny {
		d = tiny
	}
	d = 1 / d
	c, f := 1.0, d
	for i := 1; i < 100000; i++ {
		m := float64(i)
		even := float64(float64(m*(b-m))*x) / float64((a+float64(2*m)-1)*(a+float64(2*m)))
		odd := -float64(float64((a+m)*(a+b+m))*x) / float64((a+float64(2*m))*(a+float64(2*m)+1))
		step := 1.0
		for _, k := range [2]float64{even, odd} {
			d = 1 + float64(k*d)
			if math.Abs(d) < tiny {
				d = tiny
			}
			c = 1 + k/c
			if math.Abs(c) < tiny {
				c = tiny
			}
			d = 1 / d
			step = float64(d * c)
			f = float64(f * step)
		}
		if math.Abs(step-1) < 1e-16 {
			break
		}
	}
	return f
}
