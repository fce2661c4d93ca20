package samebits

import "gradus/exact"

// Cases is what every build must agree on. A new part of the core gets a line here.
var Cases = []Case{
	{"exact.Exp", expCase},
	{"exact.Log", logCase},
	{"exact.HalfUp", halfUpCase},
	{"exact.NormalQuantile", normalQuantileCase},
	{"exact.TQuantile", tQuantileCase},
	{"estimate.Estimate", estimateCase},
	{"conduct.Next", conductCase},
}

const million = 1_000_000

func expCase(sum *Sum, scale float64) {
	var n Numbers
	for range times(million, scale) {
		sum.Float(exact.Exp(n.Between(-20, 20)))
	}
	for range times(million/10, scale) {
		sum.Float(exact.Exp(n.Between(-750, 711)))
	}
}

func logCase(sum *Sum, scale float64) {
	var n Numbers
	for range times(million, scale) {
		sum.Float(exact.Log(n.Between(0, 300)))
	}
	for range times(million/10, scale) {
		sum.Float(exact.Log(exact.Exp(n.Between(-745, 709))))
	}
}

func halfUpCase(sum *Sum, scale float64) {
	var n Numbers
	for range times(million, scale) {
		sum.Float(exact.HalfUp(n.Between(-300, 300)))
	}
}

func normalQuantileCase(sum *Sum, scale float64) {
	var n Numbers
	for range times(million, scale) {
		sum.Float(exact.NormalQuantile(n.Between(0, 1)))
	}
}

func tQuantileCase(sum *Sum, scale float64) {
	var n Numbers
	for range times(million, scale) {
		p := n.Between(0, 1)
		sum.Float(exact.TQuantile(p, exact.HalfUp(n.Between(1, 400))))
	}
}
