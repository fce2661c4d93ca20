// Package samebits shows that the core gives the same bits in every build of the program.
//
// A test is run in a browser, scored on the command line and stored on a server; an estimate or an instruction
// that differed between them would be two truths about one person. Each case of [Cases] sends everything it
// computes into a hash; the test of this package builds the cases for several processors and for WebAssembly,
// runs each build and compares the hashes. To add a case, add a function to the list in cases.go.
package samebits

import (
	"bufio"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"hash"
	"io"
	"math"
)

// Case is one fixed computation. Run must do the same on every machine: no clock, no map order, and no chance
// but that of Numbers. Scale is the share of the full work that is wanted, above 0 and at most 1.
type Case struct {
	Name string
	Run  func(sum *Sum, scale float64)
}

// Sum takes in what a case computed.
type Sum struct {
	hash  hash.Hash
	buf   [8]byte
	count int
}

// Float adds a number, bit for bit: 0 and -0 differ, and so do two kinds of NaN.
func (s *Sum) Float(x float64) { s.word(math.Float64bits(x)) }

// Int adds a whole number.
func (s *Sum) Int(n int64) { s.word(uint64(n)) }

// Text adds a text: an instruction, or a state written as JSON.
func (s *Sum) Text(text string) {
	s.word(uint64(len(text)))
	io.WriteString(s.hash, text)
}

func (s *Sum) word(bits uint64) {
	binary.LittleEndian.PutUint64(s.buf[:], bits)
	s.hash.Write(s.buf[:])
	s.count++
}

// Print runs the cases and writes a line for each: its name, how many values it hashed, the hash.
func Print(w io.Writer, cases []Case, scale float64) error {
	out := bufio.NewWriter(w)
	for _, c := range cases {
		sum := Sum{hash: sha256.New()}
		c.Run(&sum, scale)
		fmt.Fprintf(out, "%s %d %x\n", c.Name, sum.count, sum.hash.Sum(nil))
	}
	return out.Flush()
}

// Numbers gives the same numbers in every build: a counter whose bits are mixed with whole-number arithmetic
// only (splitmix64).
type Numbers struct{ state uint64 }

// Word returns 64 mixed bits.
func (n *Numbers) Word() uint64 {
	n.state += 0x9e3779b97f4a7c15
	z := n.state
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// Between returns a number in [low, high).
func (n *Numbers) Between(low, high float64) float64 {
	unit := float64(float64(n.Word()>>11) / (1 << 53))
	return low + float64((high-low)*unit)
}

// times is a number of repeats, scaled; never less than one.
func times(full int, scale float64) int { return max(1, int(float64(full)*scale)) }
