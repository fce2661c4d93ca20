package report

import (
	"fmt"
	"strings"
)

// HandedOut is a paper of an earlier version that somebody has.
type HandedOut struct {
	Version      int
	What, To, By string
	On           string
}

// Was is what a version of the result said.
type Was struct {
	Version int
	Text    string
}

// Recall asks those who have papers of an earlier version to put them away.
func (c *Case) Recall(papers []HandedOut, was Was) *Document {
	d := &Document{Title: "Please replace an earlier report", Who: c.who(), Standing: c.Signing.Text(), Foot: c.versions(), Day: c.Date}
	add := func(b ...Block) { d.Blocks = append(d.Blocks, b...) }
	add(Para{Lead: true, Text: fmt.Sprintf("The report of this test was corrected. Please use version %d only.", max(c.Signing.Version, 1))})
	add(Pairs{{"Why.", sentence(or(c.Signing.Replaces, "reason not recorded"))}, {fmt.Sprintf("Version %d said:", was.Version), sentence(was.Text)}, {"Now it says:", c.Answer()}})
	t := Table{Caption: "Papers, plans and files that were handed out", Head: []string{"Version", "What", "To", "By", "On"}, Widths: []float64{0.8, 2, 2, 1.4, 1.3}}
	for _, p := range papers {
		t.Rows = append(t.Rows, []string{fmt.Sprint(p.Version), p.What, p.To, p.By, p.On})
	}
	if len(t.Rows) > 0 {
		add(t)
	} else {
		add(Para{Text: "No paper of an earlier version is recorded as handed out."})
	}
	add(Heading("What we ask of you"), List{Square: true, Items: []string{
		"Mark the earlier paper as replaced, or destroy it.", "Put the new one in its place.", "If something was decided by the earlier one, look at it again.", "Tell us that this was done: name, date.",
	}}, Para{Text: "Name ____________________________   Date ______________"})
	return d
}

// Short is what this version says, for a later recall.
func (c *Case) Short() string { return strings.TrimSuffix(c.Answer(), ".") }
