package prove_test

import (
	"fmt"
	"os"

	estimators "gradus/estimate/library"
	"gradus/protocol/library"
	"gradus/prove"
)

// A plan with a part that no test comes to.
func ExampleCheck() {
	data, err := os.ReadFile("../protocol/testdata/broken/unreachable-part.yaml")
	if err != nil {
		fmt.Println(err)
		return
	}
	p, errs := library.Parse("unreachable-part.yaml", data, estimators.LineOf)
	if len(errs) > 0 {
		fmt.Println(errs[0])
		return
	}
	r := prove.Check(p, []string{"age", "sex", "mass", "work", "heart-rate"})
	fmt.Println("longest test:", r.Longest)
	for _, f := range r.Findings {
		fmt.Println(f)
	}
	// Output:
	// longest test: 28:40
	// unreachable-part: no test comes to part extra; the events show one that is complete without it; a part with if: asked is offered only after the last planned part
}
