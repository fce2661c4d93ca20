package conduct

import "gradus/protocol"

// rowBefore finds the row of an earlier test; a row that the plan does not have is none.
func rowBefore(p *protocol.Protocol, id string) uint8 {
	for i := range p.Choose.It.Rows {
		if p.Choose.It.Rows[i].ID == id {
			return uint8(i + 1)
		}
	}
	return 0
}

// repeatRow is the row of the earlier test while it can still be taken for the one by rule: before the first stage whose
// work rate comes from a row. 0: there is none, or it is the same.
func (s *State) repeatRow(row int) int {
	if int(s.Before) == row || s.rowRidden() {
		return 0
	}
	return int(s.Before)
}

// rowRidden reports whether a stage has taken its work rate from a row.
func (s *State) rowRidden() bool {
	for i := range s.Stages[:s.NStages] {
		if s.Stages[i].Row > 0 {
			return true
		}
	}
	return false
}

// offerRepeat offers the work rates of the earlier test beside those of the rule. Where they ask for more, or the step is
// a large one, the choice takes the row alone: the instruction then asks for the second confirmation.
func (n *teller) offerRepeat(part, row int) {
	p, s := n.p, n.s
	before := s.repeatRow(row)
	if before == 0 {
		return
	}
	work := *p.Choose.It.Rows[before-1].Work[p.Parts[part].Work.Row-1].Watts
	c := Choice{Say: sayRepeat(work), Rule: "conductor.repeat"}
	events := []Event{{At: n.at, Kind: Branched, Code: p.Choose.It.Rows[before-1].ID, Word: RepeatWord, Text: whyRepeat}}
	if Harder(p, before, row) {
		c.Confirm = sayHarder(work, n.out.Work)
	}
	if ask, ok := s.AskFirst(p, work); ok {
		c.Confirm = sayJoin(c.Confirm, sayAskFirst(p, s, ask, work))
	}
	c.Events = events
	if c.Confirm == "" {
		c.Events = append(events, Event{At: n.at, Kind: StageBegun, Code: p.Parts[part].ID, V: work})
	}
	n.out.Choices = append(n.out.Choices, c)
}

// RepeatWord marks a row that was taken to repeat the work rates of an earlier test.
const RepeatWord = "repeat"
