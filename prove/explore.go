package prove

import (
	"fmt"
	"slices"

	"gradus/conduct"
	"gradus/protocol"
)

// longest is the time that the conductor's test time can reach.
const longest = 24 * protocol.Hour

// danger is why a test must end, kept by the exploration itself so that it does not rest on what the
// conductor remembers.
type danger uint8

const (
	safe danger = iota
	atEnd
	atLimit
	atExertion
	signActive
	signRest
	signSeated
)

var dangerNames = [...]string{"", "the end point", "a safety limit", "the exertion limit", "a stop sign", "a stop sign", "a stop sign"}

// node is a state on the way that is being explored.
type node struct {
	s      conduct.State
	at     protocol.Ms
	danger danger
	quiet  bool // a rest, or a stop taken back, has just been: no second one before the next planned moment
	defied bool // the examiner has already gone on against the instruction once
	rested bool // this stage has had its rest, or its stop taken back
	back   bool // a stage has been put back
	depth  int
	ways   int // ways on that were tried
	found  *seen
}

// seen is what is known of a state from earlier visits.
type seen struct {
	open            bool // on the way that is being explored: coming back to it means going round for ever
	toStop, toClose protocol.Ms
}

type explorer struct {
	*book
	w          walker
	needs      []string
	states     map[key]*seen
	probed     map[probeKey]bool
	path       []conduct.Event
	nodes      []*node
	within     float64
	endBeat    int
	comparesHR bool
	watch      func(key, *node, *conduct.Instruction) // for tests: sees every state before it is merged
}

func newExplorer(b *book, w walker, needs []string) *explorer {
	x := &explorer{book: b, w: w, needs: needs, states: map[key]*seen{}, probed: map[probeKey]bool{}, within: 5}
	if b.p.Hold.Is() {
		x.within = b.p.Hold.It.Within
	}
	for i := range b.p.Table {
		x.comparesHR = x.comparesHR || b.p.Table[i].When.NotRising
	}
	return x
}

// run explores everything that can happen to one participant.
func (x *explorer) run() {
	n := x.node(0)
	*n = node{}
	began := conduct.Event{Kind: conduct.Began, Begin: &conduct.Begin{Format: conduct.FormatVersion, Protocol: x.p.ID, Version: x.p.Version, Hash: x.p.Hash, Inputs: x.w.in, RowBefore: x.w.before}}
	if err := x.take(n, began); err != nil {
		x.refused(err)
		return
	}
	x.endBeat = n.s.Limits.EndBeat
	if missing := n.s.In.Missing(x.p); len(missing) > 0 {
		return // this participant may not be tested; another one shows the plan
	}
	if ins := conduct.Next(x.p, &n.s, 0); ins.Do == conduct.DoNothing {
		x.find(Finding{Kind: CannotEnd, About: "begin", Events: x.path, Text: "the test never begins: " + ins.Say, Hint: "name only inputs that can be recorded"})
		return
	}
	if x.p.EndPoint.Is() && n.s.Limits.EndPoint == 0 {
		x.find(Finding{Kind: NotWatched, About: "end point", Events: x.path,
			Text: "the end point cannot be computed from the required inputs, so no heart rate ends the test",
			Hint: "require age_years (or max_hr_bpm), and rest_hr_bpm for a share of heart-rate reserve"})
	}
	v := x.visit(n)
	x.report.Longest = max(x.report.Longest, v.toClose)
	x.report.LongestWork = max(x.report.LongestWork, v.toStop)
	x.report.States += len(x.states)
}

// node lends the node of a depth; states are large, so they are used again.
func (x *explorer) node(depth int) *node {
	for len(x.nodes) <= depth {
		x.nodes = append(x.nodes, &node{depth: len(x.nodes)})
	}
	return x.nodes[depth]
}

// take gives an event its id, puts it on the way and into the state.
func (x *explorer) take(n *node, e conduct.Event) error {
	id := n.s.NextID()
	e.Term, e.N = id.Term, id.N
	if e.At < n.s.Now {
		e.At = n.s.Now
	}
	x.path = append(x.path, e)
	return n.s.Take(x.p, &e)
}

func (x *explorer) refused(err error) {
	x.find(Finding{Kind: RefusesItself, About: fmt.Sprintf("%v", x.path[len(x.path)-1].Kind), Events: x.path,
		Text: "an event that follows the instruction is refused: " + err.Error(), Hint: "this is a fault of the plan or of the conductor"})
}

// move is one way on from a node.
type move struct {
	at            protocol.Ms
	danger        danger
	quiet, defied bool
	rested, back  bool
	events        []conduct.Event
}

// try goes one way and everything that follows from it.
func (x *explorer) try(n *node, m move) {
	if x.gaveUp {
		return
	}
	n.ways++
	if m.at > longest {
		x.cannotEnd(n, "it lasts longer than the 24 hours that a test can hold")
		return
	}
	x.report.Steps++
	mark := len(x.path)
	defer func() { x.path = x.path[:mark] }()
	child := x.node(n.depth + 1)
	child.s, child.at, child.danger = n.s, m.at, max(n.danger, m.danger)
	child.quiet, child.defied, child.ways = m.quiet, n.defied || m.defied, 0
	child.back = n.back || m.back
	child.rested = (n.rested || m.rested) && !begins(m.events)
	for _, e := range m.events {
		if e.At == 0 {
			e.At = m.at
		}
		if err := x.take(child, e); err != nil {
			x.refused(err)
			return
		}
	}
	if !x.settle(child) {
		return
	}
	x.ended(n, child)
	v := x.visit(child)
	took := m.at - n.at
	n.found.toClose = max(n.found.toClose, took+v.toClose)
	if n.s.Phase == conduct.Riding || n.s.Phase == conduct.Ready {
		n.found.toStop = max(n.found.toStop, took+v.toStop)
	}
}

// begins reports whether events begin a stage.
func begins(events []conduct.Event) bool {
	return slices.ContainsFunc(events, func(e conduct.Event) bool { return e.Kind == conduct.StageBegun })
}

// settle lets the conductor do what needs no hand.
func (x *explorer) settle(n *node) bool {
	for range conduct.MaxInStage {
		act, ok := n.s.Due(x.p, n.at)
		if !ok {
			return true
		}
		if n.danger != safe {
			x.goesOn(n, "the conductor itself adds "+act.Kind.String())
		}
		if err := x.take(n, act); err != nil {
			x.refused(err)
			return false
		}
	}
	x.find(Finding{Kind: CannotEnd, About: "due", Events: x.path, Text: "acts fall due without end at one moment", Hint: "this is a fault of the plan or of the conductor"})
	return false
}

// visit explores a state unless it is known.
func (x *explorer) visit(n *node) *seen {
	ins := conduct.Next(x.p, &n.s, n.at)
	x.defined(n, &ins)
	x.heeded(n, &ins)
	k := x.keyOf(n)
	if x.watch != nil {
		x.watch(k, n, &ins)
	}
	if v, known := x.states[k]; known {
		if v.open {
			x.cannotEnd(n, "the test comes back to the state it was in")
		}
		return v
	}
	v := &seen{open: true}
	x.states[k], n.found = v, v
	if len(x.states) > MaxStates {
		x.gaveUp = true
		x.find(Finding{Kind: CannotEnd, About: "states", Events: x.path, Text: fmt.Sprintf("more than %d states were found and the search was given up", MaxStates), Hint: "use fewer parts, readings or extra minutes"})
		return v
	}
	if n.s.Phase == conduct.Riding {
		x.parts[n.s.Stages[n.s.Current()].Part] = true
	}
	if n.s.Phase != conduct.Over {
		x.follow(n, &ins)
		x.sideways(n)
		if n.ways == 0 {
			x.cannotEnd(n, "nothing changes any more: "+ins.Say)
		}
	}
	v.open = false
	return v
}

func (x *explorer) cannotEnd(n *node, text string) {
	where := n.s.Phase.String()
	if i := n.s.Current(); i >= 0 && n.s.Phase == conduct.Riding {
		where = x.p.Parts[n.s.Stages[i].Part].ID
	}
	x.find(Finding{Kind: CannotEnd, About: where, Events: x.path, Text: fmt.Sprintf("a path does not end, in %s at %v: %s", where, n.at, text),
		Hint: "bound the repeats (at_most) and say what follows a rest (breaks)"})
}

// defined checks that the moment has an instruction with its rule.
func (x *explorer) defined(n *node, ins *conduct.Instruction) {
	lacking := ""
	switch {
	case ins.Do == conduct.DoNothing || ins.Say == "":
		lacking = "nothing is said"
	case ins.Rule == "" || ins.Source == "":
		lacking = "rule or source is not named"
	case (ins.Do == conduct.DoBegin || ins.Do == conduct.DoSetWork) && ins.Work == 0 && x.loaded(ins.Part):
		lacking = fmt.Sprintf("part %s has no work rate to set", ins.Part)
	}
	if lacking != "" {
		x.find(Finding{Kind: NotDefined, About: lacking, Events: x.path, Text: fmt.Sprintf("at %v %s", n.at, lacking), Hint: "this is a fault of the plan or of the conductor"})
	}
}

// loaded reports whether a part has a work rate above nothing.
func (x *explorer) loaded(id string) bool {
	i := x.p.Find(id)
	if i < 0 {
		return false
	}
	switch w := &x.p.Parts[i].Work; w.Form() {
	case "own-pace", "rest":
		return false
	case "fixed":
		return *w.Watts > 0
	}
	return true
}

// heeded checks that nothing but the end is asked for once an end stands.
func (x *explorer) heeded(n *node, ins *conduct.Instruction) {
	if n.danger == safe || n.s.Phase == conduct.Over {
		return
	}
	if n.s.Phase == conduct.Riding || n.s.Phase == conduct.Ready {
		switch ins.Do {
		case conduct.DoEnd, conduct.DoStop, conduct.DoHoldCheck:
		default:
			x.goesOn(n, ins.Say)
			return
		}
	}
	if ins.Do == conduct.DoBegin || ins.Do == conduct.DoSetWork {
		x.goesOn(n, ins.Say)
	}
	for _, c := range ins.Choices {
		if slices.ContainsFunc(c.Events, func(e conduct.Event) bool { return e.Kind == conduct.StageBegun }) {
			x.goesOn(n, "it is offered: "+c.Say)
		}
	}
	if n.danger == signSeated && n.s.Phase == conduct.StoppedAt && ins.Do != conduct.DoStop {
		x.goesOn(n, "after a grave sign: "+ins.Say)
	}
}

func (x *explorer) goesOn(n *node, say string) {
	x.find(Finding{Kind: GoesOn, About: dangerNames[n.danger], Events: x.path,
		Text: fmt.Sprintf("at %v, after %s was reached: %s", n.at, dangerNames[n.danger], say), Hint: "this is a fault of the plan or of the conductor"})
}

// ended looks at a test at the moment it stops: is everything there for the estimator.
func (x *explorer) ended(from, n *node) {
	riding := from.s.Phase == conduct.Riding && !from.defied
	if !riding || n.s.Phase == conduct.Riding {
		return
	}
	avail, lacks := x.available(&n.s)
	if avail == 0 {
		return
	}
	x.report.Completed++
	if x.sample == nil || n.s.Stop.Code == "completed" && len(x.path) < len(x.sample) {
		x.sample = slices.Clone(x.path)
	}
	if measuredNeed(lacks) {
		// It may come later in the test, or a mishap kept it away: a fault of the plan only if no test has it.
		if x.lacking[lacks] == nil {
			x.lacking[lacks] = slices.Clone(x.path)
		}
		return
	}
	for _, need := range x.needs {
		x.given[need] = x.given[need] || lacks == ""
	}
	if lacks != "" {
		x.find(Finding{Kind: InputMissing, About: lacks, Events: x.path,
			Text: fmt.Sprintf("a completed test has no %s for the estimator %s", lacks, x.p.Outcome.Estimator),
			Hint: inputHint(lacks)})
	}
}

// measuredNeed reports whether an input is measured in the test, not recorded before it.
func measuredNeed(need string) bool {
	switch need {
	case "", "age", "sex", "mass", "height", "bmi", "rest-heart-rate", "max-heart-rate":
		return false
	}
	return true
}

func inputHint(lacks string) string {
	switch lacks {
	case "age", "sex", "mass":
		return "list it under inputs.required"
	case "heart-rate":
		return "a part that counts needs a required heart rate"
	case "work":
		return "a part that counts needs a work rate in watts"
	}
	return "no part of a plan gives it; choose another estimator"
}

// available says whether the estimator has its inputs: 0 no stage counts, 1 it has all, 2 one is missing.
func (x *explorer) available(s *conduct.State) (avail uint8, lacks string) {
	i := s.LastCounted(x.p)
	if i < 0 {
		return 0, ""
	}
	for _, need := range x.needs {
		if !x.has(s, i, need) {
			return 2, need
		}
	}
	return 1, ""
}

func (x *explorer) has(s *conduct.State, i int, need string) bool {
	name := need
	switch need {
	case "sex":
		return s.In.Sex != conduct.SexUnknown
	case "age":
		name = "age_years"
	case "mass":
		name = "mass_kg"
	case "heart-rate":
		name = "hr_bpm"
	case "work":
		name = "work_w"
	case "time":
		name = "time_min"
	case "speed":
		name = "speed_kmh"
	case "distance":
		name = "distance_m"
	case "height":
		name = "height_cm"
	case "rest-heart-rate":
		name = "rest_hr_bpm"
	case "max-heart-rate":
		name = "max_hr_bpm"
	case "grade":
		name = "grade_percent"
	case "step-rate":
		name = "step_rate_per_min"
	case "step-height":
		name = "step_height_m"
	case "stage-vo2":
		return x.p.Parts[s.Stages[i].Part].VO2 > 0
	}
	if slices.Contains(x.p.Inputs.Asked, name) {
		return true // asked, not required: a missing answer is said, and is no fault of the plan
	}
	_, ok := s.Fact(x.p, i, name)
	return ok
}
