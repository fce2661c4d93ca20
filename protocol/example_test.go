package protocol_test

import (
	"fmt"

	"gradus/protocol"
	"gradus/protocol/library"
)

// A plan is data: what comes after what, and the paper behind every number.
func Example() {
	p, err := library.Load("recumbent-stepper", func(string) (protocol.Line, error) { return protocol.Line{HeartRate: -1}, nil })
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, part := range p.Parts {
		fmt.Println(part.Title, part.Work.Form(), part.Lasts)
	}
	for _, row := range p.Choose.It.Rows {
		fmt.Print(row.ID, ":")
		for _, w := range row.Work {
			fmt.Printf(" %g W", *w.Watts)
		}
		fmt.Println()
	}
	for _, path := range []string{"end_point.percent", "hold.within", "hold.at_most"} {
		paper, _ := p.PaperOf(path)
		fmt.Println(path, "is", paper.How.Phrase())
	}
	// Output:
	// stage 1 fixed 3:00
	// stage 2 row 3:00
	// stage 3 row 3:00
	// stage 4 row 3:00
	// further stage added 3:00
	// row-1: 125 W 150 W 175 W
	// row-2: 100 W 125 W 150 W
	// row-3: 75 W 100 W 125 W
	// row-4: 50 W 75 W 100 W
	// end_point.percent is read in the source
	// hold.within is common practice, no source
	// hold.at_most is our own choice
}

// What makes a plan unusable is said with its place and its remedy.
func ExampleProtocol_Problems() {
	p := protocol.Protocol{Format: protocol.Format, ID: "Walk 6"}
	for _, problem := range p.Problems()[:3] {
		fmt.Println(problem)
	}
	// Output:
	// id: "Walk 6" is no id; use small letters, digits and hyphens
	// version: is missing; a reader must know it
	// title: is missing; a reader must know it
}
