// Package sample holds arithmetic that must be found (marked) and arithmetic that must pass.
package sample

import (
	"math"
	"math/bits"
)

type watt float64

type pair struct{ a, b float64 }

type number interface{ ~int | ~float64 }

func sink(...float64) {}

const factor = 0.179

const allConstant = 2*3.5 + factor

var atStart = pair{1, 2}.a*factor + 1 // found

func sums(a, b, c float64, w watt, i, j int) float64 {
	x := a*b + c                   // found
	x = c - a*b                    // found
	x += a * b                     // found
	x -= (a * b)                   // found
	x = -(a * b) + c               // found
	x = a*b*c + a                  // found
	x = a*(b+c) - float64(a*b)     // found
	x = float64(a*b+c) + c         // found
	x = c + factor*a               // found
	y := a * b                     // found
	x = y + c                      // the product was found where it was kept
	x *= a                         // found
	w = w*2 + 1                    // found
	sink(a * b)                    // found
	p := pair{a: a * b}            // found
	q := []float64{a * b}          // found
	q[0] += float64(a*b) + p.a*p.b // found
	return a * b                   // found
}

func generic[T number](a, b, c T) T {
	return a*b + c // found
}

func imaginary(a, b complex128) complex128 { return a*b + 1 } // found

func functions(a float64) float64 {
	x := math.Exp(a)        // found
	x += math.Pow(a, 2)     // found
	x += math.Log(a)        // found
	x += math.FMA(a, a, a)  // found
	x += math.Round(a)      // found
	f := math.Tanh          // found
	return x + f(math.Pi/a) // constants are free
}

func passes(a, b, c float64, w watt, i, j int) float64 {
	x := float64(a*b) + c
	x = c - float64(a*b)
	x += float64(a * b)
	x = float64(float64(a*b)*c) + a
	x = float64(a*b*c) + a
	x = float64(a*(b+c)) - a
	x = a*b/c + a
	x = c / (a * b)
	w = watt(w*2) + 1
	k := i*j + 3
	k += i * j
	k *= 2
	k += bits.Len(uint(i)) * 2
	k += int(a * b)
	if a*b < c || math.IsNaN(a*b) {
		x = math.Sqrt(a*b) + math.Abs(a*b) + math.Floor(-(a * b))
	}
	x = float64(-(a * b)) + math.Max(a, b)
	x = allConstant + 2*factor + math.MaxFloat64*0.5
	return x + float64(k) + float64(w) + math.Float64frombits(math.Float64bits(a))
}
