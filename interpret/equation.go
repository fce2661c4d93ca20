package interpret

import (
	"slices"

	"gradus/datatable"
)

// Equation predicts the peak oxygen uptake to expect from who a person is.
type Equation struct {
	ID     string
	Title  string
	Mode   string // treadmill or cycle
	Sex    string // both, male or female
	SEE    float64
	How    string
	Source string
	Note   string

	ageFrom, ageTo float64
	needMass       bool
	needHeight     bool
	predict        func(p *Person) float64 // mL/kg/min
}

// Equations returns all prediction equations.
func Equations() []Equation { return slices.Clone(equations) }

// Predict gives the expected peak oxygen uptake in mL/kg/min; missing names what the equation needs and the
// person lacks: "mass", "height" or, for an equation of one sex, "sex".
func (e *Equation) Predict(p *Person) (value float64, missing string) {
	switch {
	case e.Sex != "both" && e.Sex != p.Sex:
		return 0, "sex"
	case e.needMass && p.MassKg == 0:
		return 0, "mass"
	case e.needHeight && p.HeightCm == 0:
		return 0, "height"
	}
	return e.predict(p), ""
}

// Outside reports an age, in completed years, outside the ages of the people behind the equation.
func (e *Equation) Outside(ageYears float64) bool {
	return e.ageFrom > 0 && ageYears < e.ageFrom || e.ageTo > 0 && ageYears >= e.ageTo+1
}

// AtPeakPower is the peak oxygen uptake (mL/kg/min) to expect from the power in W at which a maximal cycle test ended.
// It does not hold for the last stage of a submaximal test.
func AtPeakPower(workW, massKg float64) float64 {
	return numbers["peak-power-per-watt"].value*workW/massKg + numbers["peak-power-constant"].value
}

// perUnit is what a unit of the paper is in ours.
func perUnit(unit string) float64 {
	switch unit {
	case "lb":
		return numbers["kg-per-lb"].value
	case "in":
		return numbers["cm-per-in"].value
	}
	return 1
}

func readEquations() (all []Equation) {
	for _, r := range datatable.Rows(tableFiles, "equations") {
		e := Equation{ID: r["id"], Title: r["title"], Mode: r["mode"], Sex: r["sex"], SEE: datatable.Number(r["see"]), How: r["how"], Source: r["source"], Note: r["note"],
			ageFrom: datatable.Number(r["age_from"]), ageTo: datatable.Number(r["age_to"])}
		constant := datatable.Number(r["constant"]) + datatable.Number(r["per_mode"])*datatable.Number(r["code_mode"])
		age, age2, sex := datatable.Number(r["per_year"]), datatable.Number(r["per_year2"]), datatable.Number(r["per_sex"])
		code := map[string]float64{"male": datatable.Number(r["code_male"]), "female": datatable.Number(r["code_female"])}
		mass, height := datatable.Number(r["per_mass"])/perUnit(r["mass_unit"]), datatable.Number(r["per_height"])/perUnit(r["height_unit"])
		litres := r["unit"] == "L/min"
		e.needMass, e.needHeight = mass != 0 || litres, height != 0
		e.predict = func(p *Person) float64 {
			v := constant + age*p.AgeYears + age2*p.AgeYears*p.AgeYears + sex*code[p.Sex] + mass*p.MassKg + height*p.HeightCm
			if litres {
				v = v * 1000 / p.MassKg
			}
			return v
		}
		all = append(all, e)
	}
	return all
}

func readIdealWeight() (all []Equation) {
	for _, r := range datatable.Rows(tableFiles, "ideal-weight-equations") {
		e := Equation{ID: r["id"], Title: r["title"], Mode: r["mode"], Sex: r["sex"], How: r["how"], Source: r["source"], Note: r["note"], needMass: true, needHeight: true}
		perCm, ideal0 := datatable.Number(r["ideal_per_cm"]), datatable.Number(r["ideal_constant"])
		added, under := datatable.Number(r["added_kg"]), datatable.Number(r["under_added_kg"])
		constant, age, over, times := datatable.Number(r["constant"]), datatable.Number(r["per_year"]), datatable.Number(r["over_per_kg"]), datatable.Number(r["times"])
		e.predict = func(p *Person) float64 {
			ideal, perKg := perCm*p.HeightCm+ideal0, constant+age*p.AgeYears
			ml := (ideal + added) * perKg
			switch {
			case p.MassKg < ideal:
				ml = (ideal + p.MassKg + under) / 2 * perKg
			case p.MassKg > ideal:
				ml += over * (p.MassKg - ideal)
			}
			return ml * times / p.MassKg
		}
		all = append(all, e)
	}
	return all
}
