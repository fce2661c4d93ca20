// Package prove shows what a protocol can do before a participant meets it: it drives package conduct
// through every state that a plan can reach, and says what it found.
//
// [Check] answers with a [Report]: does every path end and how long is the longest, which heart rates take
// which row, is every part reached, is the test ended on every path once a limit or a stop sign was met, and
// does the estimator get what it needs. A [Finding] carries a list of events that a replay runs.
//
// The proof is about the plan carried out by the conductor, with an examiner who follows the instructions;
// readings may be missing or disturbed, people may stop, rest, or show a sign at every planned moment. It
// knows no files. The report may gain fields.
package prove

import (
	"fmt"
	"sort"
	"sync"

	"gradus/conduct"
	"gradus/protocol"
)

// Kinds of findings.
const (
	CannotEnd     = "cannot-end"            // a path goes on for ever, or past the time a test can hold
	Unreachable   = "unreachable-part"      // a part that no path comes to
	UnusedRow     = "unreachable-row"       // a row of the branch that no heart rate takes
	Coverage      = "branch-coverage"       // a heart rate without a row, or rows out of order
	NotWatched    = "not-watched"           // a limit or sign that does not end the test
	GoesOn        = "goes-on-after-limit"   // more work is asked for although an end stands
	InputMissing  = "estimator-input"       // a completed test lacks an input of the estimator
	NotDefined    = "instruction-undefined" // a moment without an instruction
	RefusesItself = "offer-refused"         // the conductor refuses what it asked for
)

// MaxStates is the number of states after which the exploration gives up with a finding. Plans within the
// format's limits stay far below it.
const MaxStates = 400_000

// Report is what the exploration of a plan found.
type Report struct {
	Protocol    string      `json:"protocol"`
	States      int         `json:"states"`       // states told apart
	Steps       int         `json:"steps"`        // ways from one to the next that were tried
	Longest     protocol.Ms `json:"longest"`      // longest test, recovery included
	LongestWork protocol.Ms `json:"longest_work"` // longest time until the stop
	Completed   int         `json:"completed"`    // ways into a stop after which a stage counts
	Parts       []Part      `json:"parts"`
	Rows        []Row       `json:"rows"`    // heart rates that take each row; empty without a branch
	Watched     []string    `json:"watched"` // what was shown to end the test on every path
	Findings    []Finding   `json:"findings"`
}

// OK reports whether nothing was found.
func (r *Report) OK() bool { return len(r.Findings) == 0 }

// Part says whether a part of the plan was reached.
type Part struct {
	ID      string `json:"id"`
	Reached bool   `json:"reached"`
}

// Row says which whole-beat heart rates take a row of the branch.
type Row struct {
	ID   string  `json:"id"`
	From float64 `json:"from"` // /min, both ends included; 0: none takes it
	To   float64 `json:"to"`
}

// Finding is something a plan must not do. Events is a test that shows it; it can be replayed.
type Finding struct {
	Kind   string          `json:"kind"`
	About  string          `json:"about"` // the part, row, limit or input
	Text   string          `json:"text"`
	Hint   string          `json:"hint"`
	Events []conduct.Event `json:"events"`
}

func (f Finding) String() string {
	if f.Hint == "" {
		return fmt.Sprintf("%s: %s", f.Kind, f.Text)
	}
	return fmt.Sprintf("%s: %s; %s", f.Kind, f.Text, f.Hint)
}

// Check explores a plan. Needs lists what its estimator takes: the roles age, sex, mass, work and
// heart-rate, or the ids of other inputs, which a plan cannot give yet; it is empty when there is none.
func Check(p *protocol.Protocol, needs []string) Report {
	b := newBook(p)
	r := b.report
	for _, part := range explore(p, needs) {
		b.join(part)
	}
	if !b.gaveUp {
		b.unreached()
	}
	b.neverGiven(needs)
	b.branch()
	b.unwatched()
	for name := range b.watched {
		r.Watched = append(r.Watched, name)
	}
	sort.Strings(r.Watched)
	return *r
}

// explore lets every participant run the plan, side by side; the order of the answers does not depend on it.
func explore(p *protocol.Protocol, needs []string) []*book {
	all := walkers(p)
	books := make([]*book, len(all))
	var wait sync.WaitGroup
	for i, w := range all {
		books[i] = newBook(p)
		wait.Go(func() { newExplorer(books[i], w, needs).run() })
	}
	wait.Wait()
	return books
}

// book gathers what several explorations of one plan find.
type book struct {
	p       *protocol.Protocol
	report  *Report
	found   map[string]int // kind and subject to place among the findings
	parts   []bool
	watched map[string]bool
	sample  []conduct.Event            // a test completed as planned
	lacking map[string][]conduct.Event // inputs of the estimator that a test had not
	given   map[string]bool            // and those that one had
	gaveUp  bool
}

func newBook(p *protocol.Protocol) *book {
	r := &Report{Protocol: p.ID, Rows: []Row{}, Watched: []string{}, Findings: []Finding{}}
	return &book{p: p, report: r, found: map[string]int{}, parts: make([]bool, len(p.Parts)), watched: map[string]bool{}, lacking: map[string][]conduct.Event{}, given: map[string]bool{}}
}

// join adds what another exploration of the plan found.
func (b *book) join(o *book) {
	b.report.States += o.report.States
	b.report.Steps += o.report.Steps
	b.report.Completed += o.report.Completed
	b.report.Longest = max(b.report.Longest, o.report.Longest)
	b.report.LongestWork = max(b.report.LongestWork, o.report.LongestWork)
	for i, reached := range o.parts {
		b.parts[i] = b.parts[i] || reached
	}
	for name := range o.watched {
		b.watched[name] = true
	}
	if b.sample == nil {
		b.sample = o.sample
	}
	for need, events := range o.lacking {
		if b.lacking[need] == nil {
			b.lacking[need] = events
		}
	}
	for need, given := range o.given {
		b.given[need] = b.given[need] || given
	}
	b.gaveUp = b.gaveUp || o.gaveUp
	for _, f := range o.report.Findings {
		b.find(f)
	}
}

// find keeps one finding of a kind about a subject, with the shortest list of events.
func (b *book) find(f Finding) {
	key := f.Kind + " " + f.About
	f.Events = append([]conduct.Event{}, f.Events...)
	if i, known := b.found[key]; known {
		if len(f.Events) < len(b.report.Findings[i].Events) {
			b.report.Findings[i] = f
		}
		return
	}
	b.found[key] = len(b.report.Findings)
	b.report.Findings = append(b.report.Findings, f)
}

// neverGiven lists the inputs of the estimator that no completed test has.
func (b *book) neverGiven(needs []string) {
	for _, need := range needs {
		if events := b.lacking[need]; events != nil && !b.given[need] {
			b.find(Finding{Kind: InputMissing, About: need, Events: events,
				Text: fmt.Sprintf("a completed test has no %s for the estimator %s", need, b.p.Outcome.Estimator), Hint: inputHint(need)})
		}
	}
}

// unreached lists the parts that no exploration came to.
func (b *book) unreached() {
	for i, part := range b.p.Parts {
		b.report.Parts = append(b.report.Parts, Part{part.ID, b.parts[i]})
		if !b.parts[i] {
			b.find(Finding{Kind: Unreachable, About: part.ID, Events: b.sample,
				Text: fmt.Sprintf("no test comes to part %s; the events show one that is complete without it", part.ID),
				Hint: "a part with if: asked is offered only after the last planned part"})
		}
	}
}

// walker is a participant for whom a plan is explored: inputs, and which sideways steps are tried.
type walker struct {
	name    string
	in      conduct.Inputs
	fine    bool   // every reading on both sides of every threshold, every row that is offered
	mishaps bool   // readings go missing or are disturbed, a stage is left too early and put back
	rests   bool   // the participant rests, a stop is a mistake
	after   bool   // symptoms come in recovery
	before  string // row of an earlier test, repeated where it is offered
}

// walkers are the invented participants: between them every limit is in force for someone. The first has
// nothing recorded but what the plan requires.
func walkers(p *protocol.Protocol) []walker {
	bare := conduct.Inputs{BP: conduct.BPNone}
	for _, name := range p.Inputs.Required {
		require(&bare, name)
	}
	rested := func(age float64) conduct.Inputs {
		return conduct.Inputs{AgeYears: age, Sex: conduct.Female, MassKg: 70, HeightCm: 170, RestHR: 70, RestSBP: 120, RestDBP: 80,
			Drug: conduct.DrugNo, Rhythm: conduct.Sinus, Cadence: cadenceOf(p)}
	}
	limited := rested(50)
	limited.HRLimit, limited.SBPLimit, limited.SpO2Limit, limited.RPELimit, limited.LimitsBy = 120, 200, 85, 14, "invented"
	limited.Cover, limited.DeviceRate, limited.IschaemiaHR = conduct.CoverNo, 145, 140
	misled := rested(75)
	misled.Drug, misled.Condition, misled.BP = conduct.DrugYes, conduct.CondHeart, conduct.BPNone
	old := rested(110) // the end point lies among the rows of a branch
	old.BP = conduct.BPNone
	return []walker{
		{name: "every heart rate", in: bare, fine: true},
		{name: "readings missing or disturbed", in: bare, mishaps: true},
		{name: "rests", in: bare, rests: true, after: true},
		{name: "blood pressure every stage", in: rested(50)},
		{name: "limits set by the site", in: limited},
		{name: "heart rate cannot lead", in: misled, after: true},
		{name: "tested before", in: rested(72), before: hardest(p)},
		{name: "very old", in: old, fine: true},
	}
}

// hardest is the row that asks for most work; "" without a branch.
func hardest(p *protocol.Protocol) string {
	if !p.Choose.Is() {
		return ""
	}
	best := 1
	for i := range p.Choose.It.Rows {
		if conduct.Harder(p, i+1, best) {
			best = i + 1
		}
	}
	return p.Choose.It.Rows[best-1].ID
}

// require gives a required input an invented value.
func require(in *conduct.Inputs, name string) {
	values := map[string]float64{"age_years": 50, "mass_kg": 70, "height_cm": 170, "rest_hr_bpm": 70, "rest_sbp_mmhg": 120,
		"rest_dbp_mmhg": 80, "max_hr_bpm": 170, "target_cadence_per_min": 90}
	words := map[string]string{"sex": "female", "rate_limiting_drug": "no", "rhythm": "sinus", "hr_method": "strap"}
	// An input the conductor does not know stays out; it says so itself when the test begins.
	_ = in.Set(name, words[name], values[name])
}

func cadenceOf(p *protocol.Protocol) float64 {
	switch k := &p.Cadence.It; {
	case !p.Cadence.Is():
		return 0
	case k.Fixed > 0:
		return k.Fixed
	default:
		return k.OwnTo
	}
}
