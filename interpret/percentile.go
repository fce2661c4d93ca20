package interpret

import (
	"fmt"
	"strconv"

	"gradus/stats"
)

// Percentile is the place of a value in a table, for the value and for both ends of its 95 % interval. The
// numbers are clipped to the percentiles that the table has (5 to 95); the flags say where that happened.
type Percentile struct {
	Value      float64 `json:"value"`
	Low95      float64 `json:"low95"`
	High95     float64 `json:"high95"`
	BelowTable bool    `json:"below_table"` // the value itself lies below the table
	AboveTable bool    `json:"above_table"`
	LowBelow   bool    `json:"low95_below_table"`
	LowAbove   bool    `json:"low95_above_table"`
	HighBelow  bool    `json:"high95_below_table"`
	HighAbove  bool    `json:"high95_above_table"`
	Text       string  `json:"text"` // as it is to be read: "50 (16 to 79)", "<5", ">95"
}

// Place finds the percentile of a value in a block of percentiles: linear between the cells of the table,
// clipped to its lowest and highest percentile, never extrapolated.
func (b *Block) Place(value float64) (percentile float64, below, above bool) {
	first, last := b.Cells[0], b.Cells[len(b.Cells)-1]
	switch {
	case value < first.Value:
		return first.Percentile, true, false
	case value > last.Value:
		return last.Percentile, false, true
	}
	for i := 1; i < len(b.Cells); i++ {
		c, d := b.Cells[i-1], b.Cells[i]
		if value <= d.Value {
			return c.Percentile + (d.Percentile-c.Percentile)*(value-c.Value)/(d.Value-c.Value), false, false
		}
	}
	return last.Percentile, false, false
}

// At is the value at a percentile from 5 to 95, linear between the cells of the table.
func (b *Block) At(percentile float64) float64 {
	for i := 1; i < len(b.Cells); i++ {
		c, d := b.Cells[i-1], b.Cells[i]
		if percentile <= d.Percentile {
			return c.Value + (d.Value-c.Value)*(percentile-c.Percentile)/(d.Percentile-c.Percentile)
		}
	}
	return b.Cells[len(b.Cells)-1].Value
}

// percentileOf places a value and the ends of its interval.
func percentileOf(b *Block, value, low, high float64) *Percentile {
	var p Percentile
	p.Value, p.BelowTable, p.AboveTable = b.Place(value)
	p.Low95, p.LowBelow, p.LowAbove = b.Place(low)
	p.High95, p.HighBelow, p.HighAbove = b.Place(high)
	p.Text = placeText(p.Value, p.BelowTable, p.AboveTable)
	from, to := placeText(p.Low95, p.LowBelow, p.LowAbove), placeText(p.High95, p.HighBelow, p.HighAbove)
	if from != to {
		p.Text += fmt.Sprintf(" (%s to %s)", from, to)
	}
	return &p
}

func placeText(p float64, below, above bool) string {
	text := strconv.FormatFloat(p, 'f', 0, 64)
	switch {
	case below:
		return "<" + text
	case above:
		return ">" + text
	}
	return text
}

// Class is a band of a table with the probability that the true value lies in it.
type Class struct {
	Name        string   `json:"name"`
	From        *float64 `json:"from_percentile"`
	To          *float64 `json:"to_percentile"` // excluded
	Low         *float64 `json:"low"`           // in the unit of the table; nil: open
	High        *float64 `json:"high"`
	Probability float64  `json:"probability"`
	Words       string   `json:"words"` // the source's own word for the band, for the slip behind the number
	How         string   `json:"how"`
	Source      string   `json:"source"`
}

// classes gives each band its limits and its probability, for a value with a normal error.
func classes(r *Reference, b *Block, value, see float64) []Class {
	var all []Class
	switch r.Kind {
	case Percentiles:
		all = percentileBands(b)
	case Bands:
		all = absoluteBands(r, b)
	}
	below := 0.0
	for i := range all {
		upTo := 1.0
		if all[i].High != nil {
			upTo = stats.Below((*all[i].High - value) / see)
		}
		all[i].Probability = upTo - below
		below = upTo
	}
	return all
}

func percentileBands(b *Block) (all []Class) {
	for _, k := range bands {
		c := Class{Name: k.name, From: &k.from, To: &k.to, Words: k.words, How: k.how, Source: k.source}
		if k.from > 0 {
			low := b.At(k.from)
			c.Low = &low
		}
		if k.to < 100 {
			high := b.At(k.to)
			c.High = &high
		}
		all = append(all, c)
	}
	return all
}

// absoluteBands are named by their limits. Below the first printed bound lies a band without a word.
func absoluteBands(r *Reference, b *Block) (all []Class) {
	for i := -1; i < len(b.Cells); i++ {
		c := Class{Words: "below the lowest printed bound", Source: r.Source, How: "derived"}
		if i >= 0 {
			low := b.Cells[i].Value
			c.Low, c.Words, c.How = &low, b.Cells[i].Statistic, b.Cells[i].How
		}
		if i+1 < len(b.Cells) {
			high := b.Cells[i+1].Value
			c.High = &high
		}
		switch {
		case c.Low == nil:
			c.Name = fmt.Sprintf("below %.1f", *c.High)
		case c.High == nil:
			c.Name = fmt.Sprintf("%.1f and above", *c.Low)
		default:
			c.Name = fmt.Sprintf("%.1f to below %.1f", *c.Low, *c.High)
		}
		all = append(all, c)
	}
	return all
}
