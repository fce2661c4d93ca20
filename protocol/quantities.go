package protocol

import (
	_ "embed"
	"fmt"
	"strconv"
	"strings"
)

//go:embed quantities.csv
var quantitiesFile string

// Fence is the range in which a value of a quantity can be true at all; outside it is a slip of entry.
type Fence struct {
	Unit      string
	Low, High float64
	Whole     bool
}

var fences = readFences(quantitiesFile)

// FenceOf returns the plausible range of a quantity.
func FenceOf(q Quantity) Fence {
	if q >= quantityCount {
		return Fence{}
	}
	return fences[q]
}

// Holds reports whether a value lies within the fence; it is false for NaN.
func (f Fence) Holds(v float64) bool { return v >= f.Low && v <= f.High }

func readFences(file string) (out [quantityCount]Fence) {
	for n, line := range strings.Split(strings.TrimSpace(file), "\n")[1:] {
		cell := strings.SplitN(line, ",", 7)
		var q Quantity
		low, err1 := strconv.ParseFloat(cell[2], 64)
		high, err2 := strconv.ParseFloat(cell[3], 64)
		if err := q.UnmarshalText([]byte(cell[0])); err != nil || err1 != nil || err2 != nil {
			panic(fmt.Sprintf("protocol: quantities.csv line %d: %v %v %v", n+2, err, err1, err2))
		}
		out[q] = Fence{Unit: cell[1], Low: low, High: high, Whole: cell[4] == "yes"}
	}
	return out
}
