package screen

import (
	"fmt"
	"slices"
	"sync"

	"gradus/protocol"
)

// Ability is something that a protocol may ask of a person.
type Ability struct {
	ID       string   `yaml:"id" json:"id"`
	Group    string   `yaml:"group" json:"group"` // mobility, balance, trunk, hand, language
	Text     string   `yaml:"text" json:"text"`
	BuildsOn []string `yaml:"builds_on" json:"builds_on,omitempty"`
}

// Machine is what a protocol is done on.
type Machine struct {
	ID   string `yaml:"id" json:"id"`
	Text string `yaml:"text" json:"text"`
}

type fitTables struct {
	Abilities []Ability `yaml:"abilities"`
	Machines  []Machine `yaml:"machines"`
}

var fitting = sync.OnceValue(func() fitTables {
	var t fitTables
	if err := decodeFile("abilities.yaml", &t); err != nil {
		panic("screen: shipped tables: " + err.Error())
	}
	return t
})

// Abilities lists what protocols may ask of a person.
func Abilities() []Ability { return slices.Clone(fitting().Abilities) }

// Machines lists what protocols are done on.
func Machines() []Machine { return slices.Clone(fitting().Machines) }

// Plan is what a protocol needs: abilities, a machine, a straight course of so many metres, and what it takes
// heart rate for.
type Plan struct {
	ID, Title       string
	Needs           []string
	Machine         string
	SpaceM          float64
	EndsByHeartRate bool // heart rate is its planned end
	EstimateFromHR  bool // its estimate takes a heart rate
	Maximal         bool // it can become a symptom-limited maximal test
	Unsaid          bool // the protocol does not say whom it suits
}

// PlanOf gives what a protocol says about whom it suits.
func PlanOf(p *protocol.Protocol) Plan {
	return Plan{ID: p.ID, Title: p.Title, Needs: p.Suits.Needs, Machine: p.Suits.Machine, SpaceM: p.Suits.SpaceM, EndsByHeartRate: p.EndPoint.Is(),
		EstimateFromHR: p.Outcome.Estimator != "none" && len(p.Misleads) > 0, Maximal: p.Suits.Effort == "symptom_limited_maximal", Unsaid: p.Suits.IsZero()}
}

// Person is what is known for the choice of a test. An ability that is not in Can is not known.
type Person struct {
	Can       map[string]bool // by id of ability
	Machines  []string        // at hand, by id; nil: not known
	SpaceM    *float64        // longest straight course at hand, in metres; nil: not known
	HeartRate HeartRate       // from [Result]
}

// CanOf turns ticks into answers: what is ticked and all it builds on is yes; what was asked beside it is no.
func CanOf(ticked, asked []string) map[string]bool {
	yes := map[string]bool{}
	for _, id := range ticked {
		yes[id] = true
	}
	can := settle(yes)
	for _, id := range asked {
		if _, known := can[id]; !known {
			can[id] = false
		}
	}
	return can
}

// Match says whether a protocol fits a person, and why not.
type Match struct {
	ID       string   `json:"id"`
	Title    string   `json:"title"`
	Fits     string   `json:"fits"`               // yes, ask, no
	Why      []string `json:"why"`                // what stands against it or has to be asked
	Cautions []string `json:"cautions,omitempty"` // it fits, but heart rate cannot do what it is taken for
}

var fits = []string{"yes", "ask", "no"}

// Fit judges which protocols suit a person: those that fit first, then those with open questions, then the others
// with the reasons. It never leaves one out.
func Fit(p Person, plans []Plan) []Match {
	known := settle(p.Can)
	matches := make([]Match, 0, len(plans))
	for _, plan := range plans {
		matches = append(matches, fitOne(p, known, plan))
	}
	slices.SortStableFunc(matches, func(a, b Match) int { return slices.Index(fits, a.Fits) - slices.Index(fits, b.Fits) })
	return matches
}

func fitOne(p Person, known map[string]bool, plan Plan) Match {
	m := Match{ID: plan.ID, Title: plan.Title, Fits: "yes", Why: []string{}}
	against := func(fits, why string) {
		m.Why = append(m.Why, why)
		if m.Fits != "no" {
			m.Fits = fits
		}
	}
	for _, need := range plan.Needs {
		switch can, asked := known[need]; {
		case !asked:
			against("ask", "not asked: "+abilityText(need))
		case !can:
			against("no", "needs: "+abilityText(need))
		}
	}
	if plan.Unsaid {
		against("ask", "the protocol does not say whom it suits: read it")
	}
	p.fitMachine(plan, against)
	if plan.Maximal {
		m.Cautions = append(m.Cautions, "it can become a maximal test: the rules of maximal tests hold for who may be tested and who must be near")
	}
	if p.HeartRate.Leads {
		return m
	}
	if plan.EndsByHeartRate {
		m.Cautions = append(m.Cautions, "heart rate cannot lead: exertion, symptoms and a referrer's limit end it")
	}
	if plan.EstimateFromHR {
		m.Cautions = append(m.Cautions, "an estimate from heart rate is "+orWord(p.HeartRate.Estimate, "not known to be valid"))
	}
	return m
}

func (p Person) fitMachine(plan Plan, against func(fits, why string)) {
	switch {
	case plan.Machine == "" || plan.Machine == "none" || plan.Machine == "course": // a course is a matter of space
	case p.Machines == nil:
		against("ask", "not asked: is there a "+machineText(plan.Machine)+"?")
	case !slices.Contains(p.Machines, plan.Machine):
		against("no", "needs: "+machineText(plan.Machine))
	}
	if plan.SpaceM <= 0 {
		return
	}
	if p.SpaceM == nil {
		against("ask", fmt.Sprintf("not asked: is there a straight course of %v m?", plan.SpaceM))
	} else if *p.SpaceM < plan.SpaceM {
		against("no", fmt.Sprintf("needs a straight course of %v m; %v m are at hand", plan.SpaceM, *p.SpaceM))
	}
}

// settle carries yes down to what an ability builds on, and no up to what builds on it. A no wins over a yes, so
// that answers that contradict each other never make a test fit.
func settle(can map[string]bool) map[string]bool {
	known := map[string]bool{}
	var yes, no func(id string)
	yes = func(id string) {
		known[id] = true
		for _, a := range fitting().Abilities {
			if a.ID == id {
				for _, below := range a.BuildsOn {
					yes(below)
				}
			}
		}
	}
	no = func(id string) {
		known[id] = false
		for _, a := range fitting().Abilities {
			if slices.Contains(a.BuildsOn, id) {
				no(a.ID)
			}
		}
	}
	for id, does := range can {
		if does {
			yes(id)
		}
	}
	for id, does := range can {
		if !does {
			no(id)
		}
	}
	return known
}

func abilityText(id string) string {
	for _, a := range fitting().Abilities {
		if a.ID == id {
			return a.Text
		}
	}
	return id
}

func machineText(id string) string {
	for _, m := range fitting().Machines {
		if m.ID == id {
			return m.Text
		}
	}
	return id
}

func orWord(word, otherwise string) string {
	if word == "" {
		return otherwise
	}
	return word
}
