package samebits

import "math"

// Controls are computations that builds do NOT agree on. Where they come out equal, the comparison of the cases
// would prove nothing: the build did not do what its name says, or the processor hides the difference.
var Controls = []Case{
	{"control.sum-of-product", fusedControl},
	{"control.library-exp", libraryControl},
}

// fusedControl leaves a product unrounded, so that a build for processors that can will fuse it with the sum.
func fusedControl(sum *Sum, scale float64) {
	var n Numbers
	for range times(10_000, scale) {
		a, b, c := n.Between(0, 100), n.Between(0, 100), n.Between(-10000, 0)
		sum.Float(a*b + c)
	}
}

// libraryControl uses the library's exponential, which is written in assembly for some processors and asks at
// run time whether it may fuse.
func libraryControl(sum *Sum, scale float64) {
	var n Numbers
	for range times(100_000, scale) {
		sum.Float(math.Exp(n.Between(-20, 20)))
	}
}
