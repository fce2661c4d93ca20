package screen

import (
	"fmt"
	"slices"
	"strings"

	"gradus/yamlread"
)

// policyFormat is the first line of a policy file.
const policyFormat = "gradus-screening-policy/1"

// Policy is a site's own rule book: who wrote it, when, and what differs from the shipped tables. It may be
// stricter freely; looser only with a reason, which every result shows.
type Policy struct {
	Format          string    `yaml:"format"`
	Author          string    `yaml:"author"`
	Date            string    `yaml:"date"`
	Choices         []Chosen  `yaml:"choices"`
	Rules           []Changed `yaml:"rules"`
	Require         []string  `yaml:"require"`          // answers that are needed at this site
	ClearanceMonths int       `yaml:"clearance_months"` // no clearance older than this counts; 0: no limit of the site
}

// Chosen takes one side where sources disagree.
type Chosen struct {
	Choice string `yaml:"choice"`
	Option string `yaml:"option"`
	Reason string `yaml:"reason"`
}

// Changed sets the limit of a rule, what it does, or who may lift it.
type Changed struct {
	Setting `yaml:",inline"`
	Reason  string `yaml:"reason"`
}

// Applied says in a result which policy was in force and where it is looser than the shipped tables.
type Applied struct {
	Author string   `json:"author"`
	Date   string   `json:"date"`
	Looser []string `json:"looser"` // rule, from what to what, and the reason
}

func (p *Policy) requires(field string) bool { return p != nil && slices.Contains(p.Require, field) }

func (p *Policy) clearanceMonths() int {
	if p == nil {
		return 0
	}
	return p.ClearanceMonths
}

// ReadPolicy reads a site's policy file and joins it with the shipped tables. Every error is a *yamlread.Error.
func ReadPolicy(name string, data []byte) (*Site, []error) {
	var p Policy
	file, err := yamlread.Decode(name, data, &p)
	if err != nil {
		return nil, []error{err}
	}
	t := Shipped()
	j := policyJoin{file: file, site: &Site{t: &t, policy: &p, applied: &Applied{Author: p.Author, Date: p.Date, Looser: []string{}}}}
	j.head(&p)
	for i, c := range p.Choices {
		j.choose(fmt.Sprintf("choices[%d]", i), c)
	}
	for i, c := range p.Rules {
		j.change(fmt.Sprintf("rules[%d]", i), c.Setting, c.Reason, false)
	}
	for i, name := range p.Require {
		if _, known := t.field(name); !known {
			j.fault(fmt.Sprintf("require[%d]", i), fmt.Sprintf("%q is no field", name), "see gradus screen --template")
		}
	}
	if p.ClearanceMonths < 0 || p.ClearanceMonths > 120 {
		j.fault("clearance_months", "must be from 0 to 120", "")
	}
	if len(j.errs) > 0 {
		return nil, j.errs
	}
	return j.site, nil
}

type policyJoin struct {
	file *yamlread.File
	site *Site
	errs []error
}

func (j *policyJoin) fault(path, msg, hint string) {
	line, col := j.file.Pos(path)
	j.errs = append(j.errs, &yamlread.Error{Name: j.file.Name, Line: line, Col: col, Msg: path + " " + msg, Hint: hint})
}

func (j *policyJoin) head(p *Policy) {
	if p.Format != policyFormat {
		j.fault("format", fmt.Sprintf("is %q", p.Format), "write "+policyFormat)
	}
	if strings.TrimSpace(p.Author) == "" {
		j.fault("author", "is wanting", "write who answers for this policy")
	}
	if _, ok := dayOf(p.Date); !ok {
		j.fault("date", fmt.Sprintf("%q is not a date", p.Date), "write year-month-day, for example 2026-11-25")
	}
}

func (j *policyJoin) choose(path string, c Chosen) {
	for _, choice := range j.site.t.Choices {
		if choice.ID != c.Choice {
			continue
		}
		for _, option := range choice.Options {
			if option.ID != c.Option {
				continue
			}
			for _, set := range option.Set {
				j.change(path, set, c.Reason, true)
			}
			return
		}
		var ids []string
		for _, option := range choice.Options {
			ids = append(ids, option.ID)
		}
		j.fault(path+".option", fmt.Sprintf("%q is not known", c.Option), "write "+strings.Join(ids, ", "))
		return
	}
	var ids []string
	for _, choice := range j.site.t.Choices {
		ids = append(ids, choice.ID)
	}
	j.fault(path+".choice", fmt.Sprintf("%q is not known", c.Choice), "write "+strings.Join(ids, ", "))
}

// change applies one setting. published: it is one side of a disagreement in print.
func (j *policyJoin) change(path string, set Setting, reason string, published bool) {
	rule, known := j.site.t.rule(set.Rule)
	if !known {
		j.fault(path+".rule", fmt.Sprintf("%q is not known", set.Rule), "see gradus screen --rules")
		return
	}
	before := *rule
	after, err := set.applyTo(before)
	if err != "" {
		j.fault(path, err, "")
		return
	}
	looser := looserParts(before, after)
	if len(looser) > 0 {
		switch {
		case before.Lift == Nobody && before.Does.Blocks():
			j.fault(path, fmt.Sprintf("loosens %s, which nobody may", set.Rule), "remove it")
			return
		case before.Lift == PhysicianAndReason && !published && (after.Does.Rank() < before.Does.Rank() || after.Lift.rank() < before.Lift.rank()):
			j.fault(path, fmt.Sprintf("loosens %s, an absolute stop", set.Rule), "only a choice between published lists may do that")
			return
		case strings.TrimSpace(reason) == "":
			j.fault(path, fmt.Sprintf("loosens %s (%s) without a reason", set.Rule, strings.Join(looser, "; ")), "add reason: why")
			return
		}
		j.site.applied.Looser = append(j.site.applied.Looser, fmt.Sprintf("%s: %s. Reason: %s", set.Rule, strings.Join(looser, "; "), reason))
	}
	*rule = after
}

// applyTo gives the rule as set, or says what cannot be set.
func (set Setting) applyTo(r Rule) (Rule, string) {
	if set.Does != "" {
		r.Does = set.Does
	}
	if set.Lift != "" {
		r.Lift = set.Lift
	}
	limits := 0
	for _, v := range []*float64{set.Above, set.AtLeast, set.Below, set.AtMost} {
		if v != nil {
			limits++
		}
	}
	if limits == 0 && set.Is == nil {
		return r, ""
	}
	if limits > 1 || limits == 1 && set.Is != nil {
		return r, "sets more than one limit; give one"
	}
	if len(r.When) == 0 {
		return r, "sets a limit of " + r.ID + ", which has none"
	}
	first := r.When[0]
	next := Cond{Field: first.Field, Above: set.Above, AtLeast: set.AtLeast, Below: set.Below, AtMost: set.AtMost, Is: set.Is}
	if next.direction() != first.direction() {
		return r, fmt.Sprintf("sets another kind of limit than %s has (%s)", r.ID, first.words())
	}
	if next.words() == first.words() {
		return r, ""
	}
	r.When = append([]Cond{next}, r.When[1:]...)
	r.Text += fmt.Sprintf(" (site policy: %s)", next.words())
	return r, ""
}

// direction is 1 where high values count, -1 where low ones do, 2 for words, 0 for others.
func (c Cond) direction() int {
	switch {
	case c.Above != nil || c.AtLeast != nil:
		return 1
	case c.Below != nil || c.AtMost != nil:
		return -1
	case c.Is != nil:
		return 2
	}
	return 0
}

func (c Cond) words() string {
	switch {
	case c.Above != nil:
		return fmt.Sprintf("above %v", *c.Above)
	case c.AtLeast != nil:
		return fmt.Sprintf("at least %v", *c.AtLeast)
	case c.Below != nil:
		return fmt.Sprintf("below %v", *c.Below)
	case c.AtMost != nil:
		return fmt.Sprintf("at most %v", *c.AtMost)
	case c.Is != nil:
		return strings.Join(c.Is, " or ")
	}
	return "no limit"
}

// looserParts says in which respects the rule after is looser than before.
func looserParts(before, after Rule) (parts []string) {
	if after.Does.Rank() < before.Does.Rank() {
		parts = append(parts, fmt.Sprintf("%s instead of %s", after.Does, before.Does))
	}
	if after.Lift.rank() < before.Lift.rank() {
		parts = append(parts, fmt.Sprintf("may be lifted by %s instead of %s", after.Lift, before.Lift))
	}
	if len(before.When) > 0 && before.When[0].catchesMoreThan(after.When[0]) {
		parts = append(parts, fmt.Sprintf("%s instead of %s", after.When[0].words(), before.When[0].words()))
	}
	return parts
}

// catchesMoreThan reports whether some value meets c and not d; both have the same direction.
func (c Cond) catchesMoreThan(d Cond) bool {
	switch c.direction() {
	case 1:
		x, cIn := firstOf(c.AtLeast, c.Above)
		y, dIn := firstOf(d.AtLeast, d.Above)
		return x < y || x == y && cIn && !dIn
	case -1:
		x, cIn := firstOf(c.AtMost, c.Below)
		y, dIn := firstOf(d.AtMost, d.Below)
		return x > y || x == y && cIn && !dIn
	case 2:
		return slices.ContainsFunc(c.Is, func(w string) bool { return !slices.Contains(d.Is, w) })
	}
	return false
}

// firstOf gives the limit and whether it counts itself.
func firstOf(inclusive, exclusive *float64) (limit float64, itself bool) {
	if inclusive != nil {
		return *inclusive, true
	}
	return *exclusive, false
}
