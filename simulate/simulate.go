// Package simulate is an invented participant on an ergometer: heart rate answers the work rate with a delay,
// some noise and a slow drift, and the cadence wavers about its target.
//
// It serves demonstrations and tests of the program, not physiology: the model is the usual first-order rise,
// its numbers are invented and say so in [Invented]. The same seed and the same work rates give the same
// heart beats on every machine. This package may change.
package simulate

import (
	"gradus/exact"
	"gradus/protocol"
)

// Person is an invented participant. Rates are in beats/min, Slope in beats/min per watt.
type Person struct {
	Label   string
	RestHR  float64
	Slope   float64     // steady heart-rate rise per watt
	Tau     protocol.Ms // time constant of the rise and of the fall
	Drift   float64     // slow rise, beats/min per minute of stepping
	Noise   float64     // standard deviation of the second-to-second noise, beats/min
	Cadence float64     // target cadence, /min
	Seed    uint64
}

// OwnPace is the invented work rate of somebody who goes at the own pace, W.
const OwnPace = 60

// Walking is an invented work rate that weighs about as much as a treadmill at a speed (km/h) and a grade (%), W.
func Walking(kmh, grade float64) float64 { return kmh * (11 + float64(2*grade)) }

// Stepping is the same for steps of a height (m) up and down, so many a minute, W.
func Stepping(perMin, heightM float64) float64 { return perMin * (1.3 + float64(15*heightM)) }

// Invented are the participants of the demonstration; none of them is a real person and every number is made up.
var Invented = []Person{
	{Label: "steady", RestHR: 68, Slope: 0.72, Tau: 32 * protocol.Second, Drift: 0.3, Noise: 0.8, Cadence: 95, Seed: 1},
	{Label: "slow to settle", RestHR: 74, Slope: 0.95, Tau: 75 * protocol.Second, Drift: 0.6, Noise: 1.2, Cadence: 80, Seed: 2},
	{Label: "fit", RestHR: 55, Slope: 0.50, Tau: 24 * protocol.Second, Drift: 0.2, Noise: 0.7, Cadence: 100, Seed: 3},
}

// Earlier are two more at visits before, for a demonstration with a past: the first came down to fewer beats at the same
// work rate, the second stayed much as it is.
var Earlier = []Person{
	{Label: "before training", RestHR: 72, Slope: 0.75, Tau: 34 * protocol.Second, Drift: 0.3, Noise: 0.8, Cadence: 97, Seed: 11},
	{Label: "after training", RestHR: 70, Slope: 0.55, Tau: 32 * protocol.Second, Drift: 0.3, Noise: 0.8, Cadence: 97, Seed: 12},
	{Label: "much the same, at first", RestHR: 72, Slope: 0.75, Tau: 34 * protocol.Second, Drift: 0.3, Noise: 0.8, Cadence: 96, Seed: 13},
	{Label: "much the same, a month on", RestHR: 71, Slope: 0.74, Tau: 34 * protocol.Second, Drift: 0.3, Noise: 0.8, Cadence: 96, Seed: 14},
	{Label: "much the same, now", RestHR: 72, Slope: 0.73, Tau: 34 * protocol.Second, Drift: 0.3, Noise: 0.8, Cadence: 96, Seed: 15},
}

// Number returns one of the invented participants by number: those of today, then those of visits before. A number
// outside means the nearest.
func Number(n int) Person {
	if n = max(n, 0); n < len(Invented) {
		return Invented[n]
	}
	return Earlier[min(n-len(Invented), len(Earlier)-1)]
}

// Body is a person in motion: the state at a moment.
type Body struct {
	Who    Person
	At     protocol.Ms
	hr     float64     // without noise
	moving protocol.Ms // time spent at a load
	noise  float64     // correlated noise
	random uint64
}

// Start puts a person at rest at a moment.
func Start(who Person, at protocol.Ms) *Body {
	return &Body{Who: who, At: at, hr: who.RestHR, random: who.Seed}
}

// Sample is what sensors would say at the end of a step.
type Sample struct {
	At      protocol.Ms
	HR      float64 // beats/min, with noise
	RR      float64 // ms between beats at this rate
	Cadence float64 // /min; 0 at rest
}

// Step lets time pass at a work rate in watts; stepping says whether the person moves at all.
func (b *Body) Step(to protocol.Ms, watts float64, stepping bool) Sample {
	dt := to - b.At
	if dt < 0 {
		dt = 0
	}
	b.At = to
	target := b.Who.RestHR
	if stepping {
		b.moving += dt
		target += 12 + float64(b.Who.Slope*watts) + float64(b.Who.Drift*float64(b.moving)/float64(protocol.Minute))
	}
	gone := 1 - exact.Exp(-float64(dt)/float64(b.Who.Tau))
	b.hr += float64((target - b.hr) * gone)
	b.noise = float64(0.8*b.noise) + float64(0.6*b.Who.Noise*b.normal())
	s := Sample{At: to, HR: b.hr + b.noise}
	if s.HR < 30 {
		s.HR = 30
	}
	s.RR = 60000 / s.HR
	if stepping {
		s.Cadence = b.Who.Cadence + float64(1.5*b.normal())
	}
	return s
}

// normal is a number with mean 0 and standard deviation near 1: the sum of twelve uniform ones, less six.
func (b *Body) normal() float64 {
	sum := -6.0
	for range 12 {
		sum += b.uniform()
	}
	return sum
}

// uniform mixes a counter with whole-number arithmetic, so that every machine draws the same.
func (b *Body) uniform() float64 {
	b.random += 0x9e3779b97f4a7c15
	z := b.random
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	z ^= z >> 31
	return float64(z>>11) / (1 << 53)
}
