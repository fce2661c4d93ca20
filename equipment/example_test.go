package equipment_test

import (
	"fmt"

	"gradus/equipment"
)

func Example() {
	only := equipment.Profile{Name: "Stepper by the window", Kind: "recumbent-stepper", Shows: equipment.METs}
	fmt.Println(only.Estimates())
	runs := []float64{112, 114, 111, 113, 112, 113, 124}
	fmt.Println(equipment.Judge(runs))
	// Output:
	// false mets
	// out-of-control: mean 112.5, limits 107.7 to 117.3
}
