package conduct

import (
	"gradus/physiology"
	"gradus/protocol"
)

// DrugFormula is a formula of maximal heart rate made for people on a drug, with what it gives today. MaxHR is 0 where the
// formula needs a value that is not recorded.
type DrugFormula struct {
	physiology.Formula
	MaxHR float64 // beats/min
}

// DrugFormulas are the formulas made for people on a drug that could stand for the one in use, for a plan that ends at a
// heart rate; none where the maximal heart rate was measured. None is taken without being chosen.
func DrugFormulas(p *protocol.Protocol, in *Inputs, drug string) (out []DrugFormula) {
	if in.Drug != DrugYes || !p.EndPoint.Is() || in.MaxHR > 0 || in.AgeYears == 0 {
		return nil
	}
	for _, f := range physiology.Formulas() {
		if f.Drug != drug || f.ID == in.Formula || f.Mode != "" && f.Mode != p.Modality {
			continue
		}
		max, _, err := physiology.MaxHR(f.ID, in.AgeYears, in.Sex == Female, in.RestHR)
		if err != nil {
			max = 0
		}
		out = append(out, DrugFormula{f, max})
	}
	return out
}
