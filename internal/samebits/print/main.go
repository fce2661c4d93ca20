// Command print runs the cases that every build must agree on, and the controls that builds do not agree on,
// and prints a hash for each. It is built for several processors by the test of its parent package.
//
// An argument is the share of the full work, above 0 and at most 1.
package main

import (
	"fmt"
	"os"
	"strconv"

	"gradus/internal/samebits"
)

func main() {
	scale := 1.0
	if len(os.Args) > 1 {
		var err error
		if scale, err = strconv.ParseFloat(os.Args[1], 64); err != nil || !(scale > 0 && scale <= 1) {
			fmt.Fprintf(os.Stderr, "print: share %q is not above 0 and at most 1\n", os.Args[1])
			os.Exit(2)
		}
	}
	for _, cases := range [][]samebits.Case{samebits.Cases, samebits.Controls} {
		if err := samebits.Print(os.Stdout, cases, scale); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
}
