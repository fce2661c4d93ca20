package main

import (
	"fmt"

	"gradus/interpret"
)

type referencesCmd struct {
	JSON bool `name:"json" help:"Print JSON, with every number of the tables."`
}

// Run lists the reference tables and the equations.
func (c *referencesCmd) Run(e *env) error {
	if c.JSON {
		return writeJSON(e.out, listReferences())
	}
	t := &telling{}
	for i, r := range interpret.References() {
		if i > 0 {
			t.gap()
		}
		cells, memory := 0, 0
		for _, b := range r.Blocks {
			cells += len(b.Cells)
			memory += b.FromMemory()
		}
		t.say("", "%s", r.ID)
		t.say("  ", "  %s: %s, %s, %s", upperFirst(r.Title), r.Kind, r.Mode, r.Unit)
		for _, sex := range []string{"female", "male"} {
			from, to := r.Ages(sex)
			ages := fmt.Sprintf("%d to %d", from, to)
			if to == 0 {
				ages = fmt.Sprintf("%d and older", from)
			}
			t.say("  ", "  %s %s years", upperFirst(plural(sex)), ages)
		}
		if r.N > 0 {
			t.say("  ", "  Made from %d people: %s", r.N, r.Population)
		} else {
			t.say("  ", "  Made from: %s", r.Population)
		}
		if memory > 0 {
			t.say("  ", "  Caution: %d of its %d numbers are from memory; nobody has read them in the publication", memory, cells)
		}
		t.say("  ", "  Note: %s", r.Note)
		t.say("  ", "  Source: %s", r.Source)
	}
	t.gap()
	t.say("", "Equations for percent of predicted:")
	for _, q := range interpret.Equations() {
		t.say("    ", "  %-28s %s", q.ID, q.Title)
	}
	return t.to(e.out)
}

type listedReference struct {
	interpret.Reference
	Blocks []listedBlock `json:"blocks"`
}

type listedBlock struct {
	Sex     string       `json:"sex"`
	AgeFrom int          `json:"age_from"`
	AgeTo   *int         `json:"age_to"` // null: open
	N       int          `json:"n"`
	Cells   []listedCell `json:"cells"`
}

type listedCell struct {
	Statistic string  `json:"statistic"`
	Value     float64 `json:"value"`
	How       string  `json:"how"`
}

func listReferences() []listedReference {
	list := []listedReference{}
	for _, r := range interpret.References() {
		l := listedReference{Reference: r, Blocks: []listedBlock{}}
		for _, b := range r.Blocks {
			x := listedBlock{Sex: b.Sex, AgeFrom: b.AgeFrom, N: b.N}
			if to := b.AgeTo; to > 0 {
				x.AgeTo = &to
			}
			for _, c := range b.Cells {
				x.Cells = append(x.Cells, listedCell{c.Statistic, c.Value, c.How})
			}
			l.Blocks = append(l.Blocks, x)
		}
		list = append(list, l)
	}
	return list
}
