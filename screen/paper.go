package screen

import "strings"

// Paper is a note, a letter or a request as structured text; the page and the print give it its looks.
type Paper struct {
	Kind     string    `json:"kind"` // note, letter, request
	Title    string    `json:"title"`
	To       string    `json:"to,omitempty"`
	Opening  []string  `json:"opening,omitempty"`
	Sections []Section `json:"sections"`
	Fill     []Blank   `json:"fill,omitempty"` // lines to be filled in by hand
}

// Section is a heading with its lines.
type Section struct {
	Heading string   `json:"heading"`
	Lines   []string `json:"lines"`
}

// Blank is a line to be filled in: what is asked, and the answers to choose from, if there are any.
type Blank struct {
	Label string   `json:"label"`
	Pick  []string `json:"pick,omitempty"`
}

// Visit names the visit on a paper. Code is the clinic or study code; a name is not needed.
type Visit struct {
	Code   string // of the participant
	Date   string
	Site   string
	Tester string
	Test   string // what was planned
	To     string // who is written to
}

// Blocking lists the reasons that stand against the test.
func (r Result) Blocking() (reasons []Reason) {
	for _, reason := range r.Reasons {
		if reason.Outcome.Blocks() {
			reasons = append(reasons, reason)
		}
	}
	return reasons
}

// Note is the entry for the record: why the person was not tested today, what is needed, who decides.
func (r Result) Note(v Visit) Paper {
	return Paper{Kind: "note", Title: "Not tested today", Opening: v.lines(),
		Sections: append(r.why(), r.known()...)}
}

// Letter tells the referrer or physician the same, in whole sentences.
func (r Result) Letter(v Visit) Paper {
	opening := []string{"A submaximal exercise test was planned and was not done. Nothing happened to the person; the check before the test gave cause to wait."}
	return Paper{Kind: "letter", Title: "Exercise test not done", To: v.To, Opening: append(v.lines(), opening...),
		Sections: append(r.why(), Section{"What you can do", []string{
			"Please see the request for clearance, or tell us that no test should be done.",
			"The limits are those of this site; their sources stand beside each reason."}})}
}

// Request is a request for clearance, filled in as far as it can be. The answer names the rules it covers, so that
// it can be recorded as it is.
func (r Result) Request(v Visit) Paper {
	var covers []string
	branch := false
	for _, reason := range r.Blocking() {
		switch reason.Lift {
		case Nobody:
		case Clearance, Either:
			branch = true
			covers = append(covers, reason.Said()+" ["+reason.ID+"]")
		default:
			covers = append(covers, reason.Said()+" ["+reason.ID+"]")
		}
	}
	if len(covers) == 0 {
		covers = []string{"No reason of today can be cleared: see the note."}
	}
	fill := []Blank{{Label: "Cleared for this test in knowledge of the points above", Pick: []string{"yes", "no", "only with these limits"}},
		{Label: "Limits: heart rate, systolic pressure, saturation, exertion"}}
	if branch {
		fill = append(fill, Blank{Label: "Signs and symptoms are known and unchanged", Pick: []string{"yes", "no"}},
			Blank{Label: "Cleared for exercise afterwards", Pick: []string{"light to moderate", "vigorous", "no"}})
	}
	fill = append(fill, Blank{Label: "Name"}, Blank{Label: "Physician or other health-care provider", Pick: []string{"physician", "other"}},
		Blank{Label: "Date"}, Blank{Label: "Signature"})
	return Paper{Kind: "request", Title: "Request for clearance", To: v.To,
		Opening:  append(v.lines(), "We ask whether this person may do a submaximal exercise test: stages of rising work that end at a planned heart rate or exertion, with heart rate, pressure and symptoms watched."),
		Sections: []Section{{"Points we ask you to judge", covers}}, Fill: fill}
}

func (v Visit) lines() (lines []string) {
	for _, l := range [][2]string{{"Participant", v.Code}, {"Date", v.Date}, {"Site", v.Site}, {"Planned", v.Test}, {"Checked by", v.Tester}} {
		if l[1] != "" {
			lines = append(lines, l[0]+": "+l[1])
		}
	}
	return lines
}

// why gives the three things a paper must say: why, what is needed, who decides.
func (r Result) why() []Section {
	why, needed, decides := Section{Heading: "Why"}, Section{Heading: "What is needed"}, Section{Heading: "Who decides"}
	for _, reason := range r.Blocking() {
		why.Lines = append(why.Lines, reason.Said()+" ("+reason.Source+")")
		needed.Lines = addOnce(needed.Lines, reason.Needed)
		decides.Lines = addOnce(decides.Lines, upperFirst(reason.Decides))
	}
	if len(why.Lines) == 0 {
		why.Lines = []string{"The check found nothing that stands against a test; the test was not done for another reason."}
	}
	return []Section{why, needed, decides}
}

// known lists what else the check found.
func (r Result) known() []Section {
	var also []string
	for _, reason := range r.Reasons {
		if reason.Outcome == GoWithCautions {
			also = append(also, strings.TrimSuffix(reason.Said()+"; "+reason.Lifted, "; "))
		}
	}
	var sections []Section
	if len(also) > 0 {
		sections = append(sections, Section{"Also found", also})
	}
	if r.Policy != nil {
		lines := []string{"By " + r.Policy.Author + ", " + r.Policy.Date}
		for _, l := range r.Policy.Looser {
			lines = append(lines, "Looser than the shipped limits: "+l)
		}
		sections = append(sections, Section{"Site policy", lines})
	}
	return sections
}

func addOnce(lines []string, text string) []string {
	if text == "" {
		return lines
	}
	for _, l := range lines {
		if l == text {
			return lines
		}
	}
	return append(lines, text)
}
