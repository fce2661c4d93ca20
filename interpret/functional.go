package interpret

import "gradus/stats"

// Threshold is a published line and how likely the true value lies below it.
type Threshold struct {
	ID         string   `json:"id"`
	Text       string   `json:"text"`
	Population string   `json:"population"`
	Value      float64  `json:"value"`                 // mL/kg/min
	Printed    string   `json:"printed"`               // as the source prints it
	Below      *float64 `json:"probability_below"`     // nil: not applied
	NotApplied string   `json:"not_applied,omitempty"` // why
	How        string   `json:"how"`
	Source     string   `json:"source"`
}

// Task is a daily activity and the share of the capacity that it costs.
type Task struct {
	Activity  string  `json:"activity"`
	METs      float64 `json:"mets"`
	Cost      float64 `json:"cost"`                 // mL/kg/min
	SharePct  float64 `json:"share_percent"`        // of the value
	ShareLow  float64 `json:"share_percent_low95"`  // if the true value is the upper end of its interval
	ShareHigh float64 `json:"share_percent_high95"` // if it is the lower end, or rest (1 MET) when that is higher
	Beyond    float64 `json:"probability_beyond"`   // that the task costs more than the whole capacity
	Long      bool    `json:"hard_to_sustain"`      // above the share that can be kept up for hours
	How       string  `json:"how"`
	Source    string  `json:"source"`
}

// thresholdsFor lists the lines for a sex. What was made from measured uptake is not applied to an estimate.
func thresholdsFor(v *Value, sex string) []Threshold {
	all := []Threshold{}
	for _, t := range thresholds {
		if t.sex != "both" && t.sex != sex {
			continue
		}
		out := Threshold{ID: t.id, Text: t.text, Population: t.population, Value: t.value, Printed: t.asPrinted, How: t.how, Source: t.source}
		if t.measuredOnly && !v.Measured {
			out.NotApplied = "made from measured oxygen uptake; this value is an estimate"
		} else {
			below := stats.Below((t.value - v.VO2) / v.SEE)
			out.Below = &below
		}
		all = append(all, out)
	}
	return all
}

// tasksFor says what daily tasks cost. The cost of a task is that of healthy people.
func tasksFor(v *Value, low, high float64) []Task {
	all := []Task{}
	for _, t := range tasks {
		cost := t.mets * numbers["met"].value
		out := Task{Activity: t.activity, METs: t.mets, Cost: cost, SharePct: Share(t.mets, v.VO2), ShareLow: Share(t.mets, high),
			Beyond: stats.Below((cost - v.VO2) / v.SEE), How: t.how, Source: t.source}
		out.ShareHigh = Share(t.mets, max(low, numbers["met"].value))
		out.Long = out.SharePct > numbers["sustained-share"].value
		all = append(all, out)
	}
	return all
}

// Share is the percentage of a peak oxygen uptake (mL/kg/min) that an activity of so many METs costs.
func Share(mets, vo2 float64) float64 { return 100 * mets * numbers["met"].value / vo2 }

// RelativeRisk is the relative risk of death that went with a difference of so many METs between people. It is
// an association, no promise that training changes it.
func RelativeRisk(mets float64) float64 { return power(numbers["risk-per-met"].value, mets) }
