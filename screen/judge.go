package screen

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"time"
)

// Site is a place where tests are done: the decision tables with the policy in force there.
type Site struct {
	t       *Tables
	policy  *Policy
	applied *Applied
}

// Default is a site without a policy of its own: the tables as they are shipped.
func Default() *Site { return &Site{t: shipped()} }

// Rules lists the rules in force at the site.
func (s *Site) Rules() []Rule { return slices.Clone(s.t.Rules) }

// value is one answer in the form that conditions ask for.
type value struct {
	answered bool
	number   float64
	word     string
	list     []string
}

// valuesOf lays the answers out by field name; those of a group by group.name.
func valuesOf(t *Tables, a *Answers) map[string]value {
	values := map[string]value{}
	layOut(values, "", reflect.ValueOf(a).Elem())
	mg, mmol := values["glucose_mg_dl"], values["glucose_mmol_l"]
	switch {
	case mmol.answered && !mg.answered:
		values["glucose_mg_dl"] = value{answered: true, number: mmol.number * t.MgPerMmol}
	case mg.answered && !mmol.answered:
		values["glucose_mmol_l"] = value{answered: true, number: mg.number / t.MgPerMmol}
	}
	return values
}

func layOut(values map[string]value, prefix string, group reflect.Value) {
	for i := range group.NumField() {
		name, _, _ := strings.Cut(group.Type().Field(i).Tag.Get("json"), ",")
		switch v := group.Field(i).Interface().(type) {
		case string:
			values[prefix+name] = value{answered: v != "", word: v}
		case *float64:
			if v != nil {
				values[prefix+name] = value{answered: true, number: *v}
			}
		case []string:
			values[prefix+name] = value{answered: v != nil, list: v}
		case *Questionnaire:
			if v != nil {
				layOut(values, prefix+name+".", reflect.ValueOf(v).Elem())
			}
		}
	}
}

// holds reports whether the condition is met.
func (c Cond) holds(values map[string]value) bool {
	v := values[c.Field]
	switch {
	case c.NotAnswered:
		return !v.answered
	case c.Lacks != nil:
		return !slices.ContainsFunc(c.Lacks, func(w string) bool { return slices.Contains(v.list, w) })
	case !v.answered:
		return false
	case c.Answered:
		return true
	case c.Above != nil:
		return v.number > *c.Above
	case c.AtLeast != nil:
		return v.number >= *c.AtLeast
	case c.Below != nil:
		return v.number < *c.Below
	case c.AtMost != nil:
		return v.number <= *c.AtMost
	case c.Is != nil:
		return slices.Contains(c.Is, v.word)
	case c.Has != nil:
		return slices.ContainsFunc(c.Has, func(w string) bool { return slices.Contains(v.list, w) })
	case c.Some:
		return len(v.list) > 0
	}
	return false
}

func (r *Rule) speaks(values map[string]value) bool {
	for _, c := range r.When {
		if !c.holds(values) {
			return false
		}
	}
	return len(r.When) > 0
}

func (n Needed) now(values map[string]value) bool {
	return n.Always || slices.ContainsFunc(n.When, func(c Cond) bool { return c.holds(values) })
}

// Judge gives the outcome of a screening. Answers with [Problems] are never more than "pause and ask".
func (s *Site) Judge(a *Answers) Result {
	j := judgement{site: s, a: a, values: valuesOf(s.t, a)}
	j.visit, j.dated = dayOf(a.Date)
	j.judgeBranch()
	j.judgeRules()
	j.judgeFaults()
	j.lift()
	slices.SortStableFunc(j.reasons, func(x, y Reason) int { return y.Outcome.Rank() - x.Outcome.Rank() })
	r := Result{Outcome: Go, Reasons: j.reasons, Branch: j.branch, HeartRate: s.heartRate(a), Policy: s.applied,
		Tables: s.t.ID + " " + s.t.Version, NotTaken: j.notTaken()}
	overridable := true
	for _, reason := range r.Reasons {
		if reason.Outcome.Rank() > r.Outcome.Rank() {
			r.Outcome = reason.Outcome
		}
		if reason.Outcome.Blocks() && !j.mayOverride(reason) {
			overridable = false
		}
	}
	r.Overridable = overridable && r.Outcome.Blocks()
	return r
}

// Carry gives the overrides of an earlier judgement that still hold for new answers: those whose rule speaks as it
// did, with the same number. What got worse, or spoke anew, has to be decided anew.
func (s *Site) Carry(before Result, overrides []Override, now Answers) (kept []Override) {
	now.Overrides = nil
	after := s.Judge(&now)
	for _, o := range overrides {
		same := func(r Reason) bool { return r.ID == o.Rule }
		was, is := slices.IndexFunc(before.Reasons, same), slices.IndexFunc(after.Reasons, same)
		if was >= 0 && is >= 0 && before.Reasons[was].Found == after.Reasons[is].Found {
			kept = append(kept, o)
		}
	}
	return kept
}

type judgement struct {
	site    *Site
	a       *Answers
	values  map[string]value
	visit   time.Time
	dated   bool
	branch  string
	reasons []Reason
}

func (j *judgement) add(r *Rule) {
	t := j.site.t
	reason := Reason{ID: r.ID, Text: r.Text, Source: t.cite(r.Source), How: r.How, Outcome: r.Does, Needed: r.Needed, Decides: r.Decides,
		Group: r.Group, Note: r.Note}
	if len(r.When) > 0 {
		reason.Found = j.found(r.When[0])
	}
	for _, p := range r.Also {
		reason.Also = append(reason.Also, Print{p.Text, t.cite(p.Source)})
	}
	if r.Does.Blocks() {
		reason.Lift = r.Lift
	}
	j.reasons = append(j.reasons, reason)
}

// found is the number that met a condition, as it was entered.
func (j *judgement) found(c Cond) string {
	v := j.values[c.Field]
	if d := c.direction(); d != 1 && d != -1 || !v.answered {
		return ""
	}
	f, _ := j.site.t.field(c.Field)
	if f.NoValue {
		return ""
	}
	return fmt.Sprintf("%v %s", math.Round(v.number*10)/10, f.Unit)
}

func (j *judgement) addID(id string) {
	if r, ok := j.site.t.rule(id); ok {
		j.add(r)
	}
}

// judgeBranch finds the row of the screening table. While answers are missing, the strictest of the rows that
// are still possible counts.
func (j *judgement) judgeBranch() {
	rows := j.branches()
	if len(rows) == 1 {
		j.branch = rows[0].Branch
		j.addID(j.branchRule(rows[0]))
		return
	}
	worst := ""
	for _, row := range rows {
		rule, known := j.site.t.rule(j.branchRule(row))
		if known && rule.Does == DoNotTest {
			worst = rule.ID
		}
	}
	if worst != "" {
		j.addID(worst)
	}
}

// branches lists the rows that fit the answers.
func (j *judgement) branches() (rows []Branch) {
	symptoms, disease := j.values["symptoms"], j.values["known_disease"]
	answers := [4]string{j.a.RegularExercise, yesNo(symptoms.answered, len(symptoms.list) > 0),
		yesNo(disease.answered, len(j.counting()) > 0), j.a.IntendedIntensity}
	cleared := yesNo(true, slices.ContainsFunc(j.a.Clearances, j.clearsVigorous))
	for _, row := range j.site.t.Branches {
		cells := [4]string{row.RegularExercise, row.Symptoms, row.KnownDisease, row.Intensity}
		fits := row.Cleared == "any" || row.Cleared == cleared
		for i, cell := range cells {
			fits = fits && (answers[i] == "" || cell == "any" || cell == answers[i])
		}
		if fits {
			rows = append(rows, row)
		}
	}
	return rows
}

// branchRule names the rule of a row; diabetes as the only disease has one of its own, because sources disagree.
func (j *judgement) branchRule(row Branch) string {
	if row.Rule != "screening.A2" || j.a.IntendedIntensity == "vigorous" || j.a.IntendedIntensity == "" {
		return row.Rule
	}
	for _, word := range j.counting() {
		if word != "diabetes_type_1" && word != "diabetes_type_2" {
			return row.Rule
		}
	}
	return "screening.A2.diabetes"
}

// counting lists the known diseases that count in the screening branches.
func (j *judgement) counting() (words []string) {
	field, _ := j.site.t.field("known_disease")
	for _, w := range field.Words {
		if w.Counts && slices.Contains(j.a.KnownDisease, w.Word) {
			words = append(words, w.Word)
		}
	}
	return words
}

func (j *judgement) judgeRules() {
	for i := range j.site.t.Rules {
		r := &j.site.t.Rules[i]
		if name, missing := strings.CutPrefix(r.ID, "missing."); missing {
			field, _ := j.site.t.field(name)
			if !j.values[name].answered && (field.Needed.now(j.values) || j.site.policy.requires(name)) {
				j.add(r)
			}
			continue
		}
		if r.speaks(j.values) && !j.saidStricter(r) {
			j.add(r)
		}
	}
}

// saidStricter reports whether a stricter rule of the same kind speaks.
func (j *judgement) saidStricter(r *Rule) bool {
	for _, id := range r.Within {
		stricter, known := j.site.t.rule(id)
		if known && stricter.covers(r) && stricter.speaks(j.values) {
			return true
		}
	}
	return false
}

// covers reports whether a rule is at least as strict as another in what it does and in who may lift it.
func (r *Rule) covers(other *Rule) bool {
	return r.Does.Rank() >= other.Does.Rank() && (!other.Does.Blocks() || r.Lift.rank() >= other.Lift.rank())
}

// names reports whether a clearance names the rule, or a stricter one of the same kind.
func (j *judgement) names(c *Clear, id string) bool {
	if slices.Contains(c.For, id) {
		return true
	}
	rule, known := j.site.t.rule(id)
	return known && slices.ContainsFunc(rule.Within, func(stricter string) bool { return slices.Contains(c.For, stricter) })
}

// judgeFaults keeps answers that cannot be right from passing as good ones.
func (j *judgement) judgeFaults() {
	for _, p := range Problems(j.a) {
		j.reasons = append(j.reasons, Reason{ID: "answers.fault", Text: p.Path + " " + p.Msg, Source: j.site.t.cite("own"), How: "choice",
			Outcome: PauseAndAsk, Needed: "Correct the entry", Decides: "the clinician, with the right answer", Lift: Nobody, Group: "answers"})
	}
}

// lift turns what was cleared or overridden into cautions.
func (j *judgement) lift() {
	for i := range j.reasons {
		r := &j.reasons[i]
		if !r.Outcome.Blocks() {
			continue
		}
		if by := j.liftedBy(*r); by != "" {
			r.Was, r.Outcome, r.Lifted = r.Outcome, GoWithCautions, by
		}
	}
}

func (j *judgement) liftedBy(r Reason) string {
	override, clear, named := j.overrideOf(r.ID), j.clearanceOf(r), j.physicianOn(r.ID)
	switch {
	case r.Lift == Nobody:
		return ""
	case r.Lift == PhysicianAndReason:
		if named == nil || override == nil {
			return ""
		}
		return clearedText(named) + "; " + overrideText(override)
	case named != nil && r.ID != "screening.B2.vigorous": // there only the table's own clause counts
		return clearedText(named)
	case clear != nil && (r.Lift == Clearance || r.Lift == Either):
		return clearedText(clear)
	case override != nil && (r.Lift == ClinicianOnly || r.Lift == Either):
		return overrideText(override)
	}
	return ""
}

// mayOverride reports whether the clinician's reason and name are all that is wanting.
func (j *judgement) mayOverride(r Reason) bool {
	switch r.Lift {
	case ClinicianOnly, Either:
		return true
	case PhysicianAndReason:
		return j.physicianOn(r.ID) != nil
	}
	return false
}

func (j *judgement) overrideOf(rule string) *Override {
	for i := range j.a.Overrides {
		o := &j.a.Overrides[i]
		if o.Rule == rule && strings.TrimSpace(o.Reason) != "" && strings.TrimSpace(o.Name) != "" {
			return o
		}
	}
	return nil
}

// physicianOn finds a physician's clearance that names the rule.
func (j *judgement) physicianOn(rule string) *Clear {
	for i := range j.a.Clearances {
		c := &j.a.Clearances[i]
		if j.uncounted(c) == "" && c.Role == "physician" && j.names(c, rule) && j.knewSymptoms(rule, c) {
			return c
		}
	}
	return nil
}

// clearanceOf finds a clearance, by whichever provider, that covers a screening branch or the questionnaire.
func (j *judgement) clearanceOf(r Reason) *Clear {
	if r.Group != "screening" && r.Group != "papers" || r.ID == "screening.B2.vigorous" {
		return nil
	}
	for i := range j.a.Clearances {
		c := &j.a.Clearances[i]
		covers := j.names(c, r.ID) || slices.Contains(c.For, "test") || slices.Contains(c.For, "vigorous") ||
			slices.Contains(c.For, "light_moderate") && (j.a.IntendedIntensity == "light" || j.a.IntendedIntensity == "moderate")
		if j.uncounted(c) == "" && covers && j.knewSymptoms(r.ID, c) {
			return c
		}
	}
	return nil
}

// knewSymptoms: where signs or symptoms are the matter, a clearance counts only if they were known and are unchanged.
func (j *judgement) knewSymptoms(rule string, c *Clear) bool {
	return rule != "screening.A3" && rule != "screening.B3" || c.SymptomsUnchanged == "yes"
}

// clearsVigorous is the clause of branch B2: within the last 12 months, signs and symptoms unchanged.
func (j *judgement) clearsVigorous(c Clear) bool {
	given, ok := dayOf(c.Date)
	return ok && j.uncounted(&c) == "" && c.SymptomsUnchanged == "yes" &&
		(slices.Contains(c.For, "vigorous") || slices.Contains(c.For, "test") || slices.Contains(c.For, "screening.B2.vigorous")) &&
		!given.AddDate(0, j.site.t.ClearanceMonths, 0).Before(j.visit)
}

// uncounted says why a clearance does not count at all, or "".
func (j *judgement) uncounted(c *Clear) string {
	given, ok := dayOf(c.Date)
	switch {
	case strings.TrimSpace(c.By) == "":
		return "it does not say who gave it"
	case c.Role != "physician" && c.Role != "other_provider":
		return "it does not say whether a physician gave it"
	case len(c.For) == 0:
		return "it does not say what for"
	case !ok:
		return "it has no date"
	case !j.dated:
		return "the day of the visit is not given, so its age is not known"
	case given.After(j.visit):
		return "it is dated after the visit"
	}
	if months := j.site.policy.clearanceMonths(); months > 0 && given.AddDate(0, months, 0).Before(j.visit) {
		return fmt.Sprintf("it is older than the site's %d months", months)
	}
	return ""
}

// notTaken lists clearances and overrides that changed nothing, with the cause.
func (j *judgement) notTaken() (lines []string) {
	for i := range j.a.Clearances {
		c := &j.a.Clearances[i]
		if why := j.uncounted(c); why != "" {
			lines = append(lines, fmt.Sprintf("clearance by %s does not count: %s", orUnknown(c.By), why))
		}
	}
	for _, o := range j.a.Overrides {
		i := slices.IndexFunc(j.reasons, func(r Reason) bool { return r.ID == o.Rule })
		switch {
		case i < 0:
			lines = append(lines, fmt.Sprintf("override of %s changes nothing: the rule does not speak", o.Rule))
		case j.reasons[i].Outcome.Blocks():
			lines = append(lines, fmt.Sprintf("override of %s is not taken: %s", o.Rule, liftWords(j.reasons[i].Lift)))
		}
	}
	return lines
}

// liftWords says who may go on in spite of a rule.
func liftWords(l Lift) string {
	switch l {
	case ClinicianOnly:
		return "the clinician may go on with reason and name"
	case Either:
		return "a clearance, or the clinician's reason and name"
	case Clearance:
		return "a clearance by a physician or another health-care provider is needed"
	case PhysicianOnly:
		return "a physician's clearance that names this rule is needed"
	case PhysicianAndReason:
		return "an absolute stop: a physician's clearance that names this rule is needed, then reason and name"
	}
	return "nobody may go on: the answer itself must change"
}

// Words says who may go on in spite of a rule.
func (l Lift) Words() string { return liftWords(l) }

func clearedText(c *Clear) string {
	role := "health-care provider"
	if c.Role == "physician" {
		role = "physician"
	}
	var what []string
	for _, w := range c.For {
		what = append(what, orWord(forWords[w], w))
	}
	text := fmt.Sprintf("cleared by %s (%s) on %s for %s", c.By, role, c.Date, strings.Join(what, ", "))
	if c.Note != "" {
		text += ": " + c.Note
	}
	return text
}

var forWords = map[string]string{"light_moderate": "light to moderate exercise", "vigorous": "vigorous exercise", "test": "this test"}

func overrideText(o *Override) string { return fmt.Sprintf("%s goes on: %s", o.Name, o.Reason) }

func orUnknown(name string) string {
	if strings.TrimSpace(name) == "" {
		return "nobody named"
	}
	return name
}

func yesNo(answered, yes bool) string {
	switch {
	case !answered:
		return ""
	case yes:
		return "yes"
	}
	return "no"
}

// dayOf reads a day such as 2026-11-25.
func dayOf(text string) (time.Time, bool) {
	day, err := time.Parse(time.DateOnly, text)
	return day, err == nil
}

var estimates = []string{"as usual", "doubtful", "blocked unless adjusted", "blocked"}

// heartRate says what drugs, rhythm and devices do to a test that heart rate leads.
func (s *Site) heartRate(a *Answers) HeartRate {
	h := HeartRate{Leads: true, Estimate: estimates[0], Why: []string{}}
	weigh := func(estimate string, leads bool, why string) {
		if slices.Index(estimates, estimate) > slices.Index(estimates, h.Estimate) {
			h.Estimate = estimate
		}
		h.Leads = h.Leads && leads
		if estimate != estimates[0] || !leads {
			h.Why = append(h.Why, why)
		}
	}
	if a.Drugs == nil {
		weigh("blocked unless adjusted", false, "drugs are not known")
	}
	if a.RhythmDevices == nil {
		weigh("doubtful", false, "rhythm and devices are not known")
	}
	for _, d := range s.t.Drugs {
		if slices.Contains(a.Drugs, d.Word) {
			weigh(d.Estimate, d.Leads, strings.ReplaceAll(d.Word, "_", " ")+": "+d.Bias)
		}
	}
	for _, d := range s.t.Devices {
		if slices.Contains(a.RhythmDevices, d.Word) {
			weigh(d.Estimate, d.Leads, d.Text+": "+d.Problem)
		}
	}
	return h
}
