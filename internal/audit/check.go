package audit

import (
	"fmt"
	"slices"
	"strings"
)

// Fault is what is wrong at one place of the trail or of what it covers.
type Fault struct {
	Seq    int64  // of the entry, or 0
	Entity string // of what it covers, or ""
	What   string
}

func (f Fault) String() string {
	var where []string
	if f.Seq > 0 {
		where = append(where, fmt.Sprintf("entry %d", f.Seq))
	}
	if f.Entity != "" {
		where = append(where, f.Entity)
	}
	if len(where) == 0 {
		return f.What
	}
	return strings.Join(where, ", ") + ": " + f.What
}

// Head is the last entry of a trail: how many there are, and the hash that all of them lead to.
type Head struct {
	Seq  int64
	Hash Hash
}

// Checker follows a trail entry by entry. The zero value is at its beginning.
type Checker struct {
	// Anchors are heads that were kept elsewhere; each must be passed. That of an empty trail says nothing.
	Anchors []Anchor
	head    Head
	faults  []Fault
	sorted  bool
}

// Add takes the next entry as it is stored, canonical or not, with its stored hash. After a fault it goes on from the
// stored hash, so that every fault is located by itself.
func (c *Checker) Add(seq int64, canonical []byte, hash Hash) {
	before := c.head
	c.head = Head{seq, hash}
	if Next(before.Hash, canonical) != hash {
		c.faults = append(c.faults, Fault{Seq: seq, What: "its hash does not follow from " + afterWhat(before) + ": " + why(before.Seq, seq)})
	} else if seq != before.Seq+1 {
		c.faults = append(c.faults, Fault{Seq: seq, What: fmt.Sprintf("it follows %s; the numbers have to run without a gap", afterWhat(before))})
	}
	if !c.sorted {
		slices.SortStableFunc(c.Anchors, func(a, b Anchor) int { return int(max(-1, min(1, a.Seq-b.Seq))) })
		c.sorted = true
	}
	for len(c.Anchors) > 0 && c.Anchors[0].Seq <= seq {
		if a := c.Anchors[0]; a.Seq > 0 && !a.fits(c.head) {
			c.faults = append(c.faults, Fault{Seq: a.Seq, What: fmt.Sprintf("the anchor kept elsewhere says %s…, here stands %s…: the trail was made anew", a.Digits[:minDigits], hash.String()[:minDigits])})
		}
		c.Anchors = c.Anchors[1:]
	}
}

func afterWhat(h Head) string {
	if h.Seq == 0 {
		return "the beginning"
	}
	return fmt.Sprintf("entry %d", h.Seq)
}

func why(before, seq int64) string {
	switch {
	case seq == before+1:
		return "it, or its hash, was changed"
	case seq == before+2:
		return fmt.Sprintf("entry %d was removed, or moved away", before+1)
	case seq > before:
		return fmt.Sprintf("entries %d to %d were removed, or moved away", before+1, seq-1)
	}
	return "it stands in the wrong place"
}

// Bad notes an entry that cannot be read at all.
func (c *Checker) Bad(seq int64, hash Hash, what string) {
	c.faults = append(c.faults, Fault{Seq: seq, What: what})
	c.head = Head{seq, hash}
}

// End returns where the trail ends and every fault, in order.
func (c *Checker) End() (Head, []Fault) {
	for _, a := range c.Anchors {
		c.faults = append(c.faults, Fault{Seq: a.Seq, What: fmt.Sprintf("an anchor kept elsewhere names it, but the trail ends at %d: its end was cut off", c.head.Seq)})
	}
	c.Anchors = nil
	return c.head, c.faults
}
