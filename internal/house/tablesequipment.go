package house

import (
	"fmt"
	"strings"

	"gradus/equipment"
)

// controlTable is the table of the biological control.
func controlTable() (string, error) {
	var b strings.Builder
	b.WriteString("| number | value | unit | known | source |\n| --- | --- | --- | --- | --- |\n")
	for _, c := range equipment.Constants() {
		fmt.Fprintf(&b, "| %s | %v | %s | %s | %s |\n", c.ID, c.Value, c.Unit, c.How, c.Source)
	}
	return b.String(), nil
}
