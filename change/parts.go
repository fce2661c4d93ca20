package change

import (
	"math"

	"gradus/estimate"
)

// groupOf is the part of a difference that an input belongs to, by its role.
var groupOf = map[string]string{
	"age": "age", "mass": "mass", "bmi": "mass", "sex": "sex",
	"work": "work_and_heart_rate", "heart-rate": "work_and_heart_rate", "speed": "work_and_heart_rate", "grade": "work_and_heart_rate",
	"time": "work_and_heart_rate", "distance": "work_and_heart_rate", "step-rate": "work_and_heart_rate", "step-height": "work_and_heart_rate",
	"final-stage": "work_and_heart_rate",
}

// parts splits the difference of two answers of one equation into what comes from mass, age, and work rate with
// heart rate (and sex or other inputs, where they differ). Each part is the mean effect of changing its inputs
// over all orders in which the groups can be changed, so that the parts sum to the difference for any equation;
// for a linear one each is coefficient times difference.
func parts(e *estimate.Estimator, from, to []float64) (map[string]float64, *Detail) {
	groups := []string{"mass", "age", "work_and_heart_rate"}
	group := make([]int, len(e.Inputs))
	for i, in := range e.Inputs {
		name, ok := groupOf[in.Role]
		if !ok {
			name = "other"
		}
		group[i] = indexOf(groups, name)
		if group[i] < 0 {
			if from[i] == to[i] {
				group[i] = 0 // it does not differ, so it may be in any group
				continue
			}
			groups = append(groups, name)
			group[i] = len(groups) - 1
		}
	}
	all := map[string]float64{}
	for k, share := range shares(e, from, to, group, len(groups)) {
		if math.IsNaN(share) || math.IsInf(share, 0) {
			return map[string]float64{}, nil // the equation has no answer half-way between the two tests
		}
		all[groups[k]] = share
	}
	return all, detail(e, from, to, all["work_and_heart_rate"])
}

func indexOf(names []string, name string) int {
	for i, n := range names {
		if n == name {
			return i
		}
	}
	return -1
}

// shares are the mean effects of the groups over all orders.
func shares(e *estimate.Estimator, from, to []float64, group []int, n int) []float64 {
	answers := make([]float64, 1<<n) // by the set of groups that have their later values
	values := make([]float64, len(from))
	for set := range answers {
		for i := range values {
			values[i] = from[i]
			if set&(1<<group[i]) != 0 {
				values[i] = to[i]
			}
		}
		answers[set] = e.Eval(values)
	}
	out := make([]float64, n)
	orders := 0.0
	permute(n, func(order []int) {
		orders++
		set := 0
		for _, k := range order {
			out[k] += answers[set|1<<k] - answers[set]
			set |= 1 << k
		}
	})
	for k := range out {
		out[k] /= orders
	}
	return out
}

// permute calls visit with every order of 0 … n-1.
func permute(n int, visit func([]int)) {
	order := make([]int, 0, n)
	used := make([]bool, n)
	var grow func()
	grow = func() {
		if len(order) == n {
			visit(order)
			return
		}
		for k := range n {
			if used[k] {
				continue
			}
			used[k], order = true, append(order, k)
			grow()
			used[k], order = false, order[:len(order)-1]
		}
	}
	grow()
}

// detail splits the part of work rate and heart rate into its two, at the later mass and age.
func detail(e *estimate.Estimator, from, to []float64, both float64) *Detail {
	work, heart := e.RoleAt("work"), e.RoleAt("heart-rate")
	if work < 0 || heart < 0 {
		return nil
	}
	at := append([]float64(nil), to...)
	effect := func(i int, other float64, j int) float64 {
		at[j] = other
		at[i] = to[i]
		later := e.Eval(at)
		at[i] = from[i]
		return later - e.Eval(at)
	}
	w := (effect(work, from[heart], heart) + effect(work, to[heart], heart)) / 2
	return &Detail{WorkRate: w, HeartRate: both - w}
}
