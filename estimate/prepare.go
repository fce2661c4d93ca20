package estimate

import (
	"math"
	"strconv"
	"strings"

	"gradus/exact"
	"gradus/physiology"
)

// Format is the version of the estimator files that this package reads.
const Format = "gradus-estimator/1"

// maxRules keeps the set of cautions within one word.
const maxRules = 64

var (
	hows  = []string{"seen", "memory", "practice", "choice", "derived"}
	roles = []string{"", "age", "sex", "mass", "work", "heart-rate", "height", "bmi", "rest-heart-rate", "max-heart-rate", "speed",
		"grade", "time", "distance", "step-rate", "step-height", "stage-vo2"}
	tests = []string{"", "submaximal", "maximal", "none", "group", "step"}
)

// Prepare checks the data and makes the estimator ready. The error is a *FieldError that names the first
// fault. It must be called once before any estimate.
func (e *Estimator) Prepare() error {
	for _, step := range []func() error{e.checkNames, e.checkInputs, e.compile, e.checkExtrapolate, e.checkError, e.checkRules, e.checkVerification} {
		if err := step(); err != nil {
			return err
		}
	}
	e.prepared = true
	if e.Women != nil {
		if err := e.Women.Prepare(); err != nil {
			return err
		}
	}
	for _, other := range e.Beside {
		if err := other.Prepare(); err != nil {
			return err
		}
	}
	return nil
}

func fault(path, msg, hint string) error { return &FieldError{path, msg, hint} }

func at(list string, i int, field string) string { return list + "[" + strconv.Itoa(i) + "]." + field }

func oneOf(words []string, word string) bool {
	for _, w := range words {
		if w == word {
			return true
		}
	}
	return false
}

func checkHow(path, how string) error {
	if !oneOf(hows, how) {
		return fault(path, strconv.Quote(how)+" does not say how this is known", "write one of "+strings.Join(hows, ", "))
	}
	return nil
}

// kebab says whether id is made of small letters and digits with single hyphens.
func kebab(id string) bool {
	for _, part := range strings.Split(id, "-") {
		if part == "" {
			return false
		}
		for i := range len(part) {
			if c := part[i]; (c < 'a' || c > 'z') && (c < '0' || c > '9') {
				return false
			}
		}
	}
	return true
}

func (e *Estimator) checkNames() error {
	if e.Format != Format {
		return fault("format", strconv.Quote(e.Format)+" is not known", "write "+Format)
	}
	if !kebab(e.ID) {
		return fault("id", strconv.Quote(e.ID)+" is not an id", "use small letters, digits and hyphens")
	}
	for _, f := range []struct{ path, text string }{
		{"title", e.Title}, {"outcome.what", e.Outcome.What}, {"outcome.unit", e.Outcome.Unit},
		{"outcome.criterion_mode", e.Outcome.CriterionMode}, {"population", e.Population}, {"source", e.Source},
		{"provenance", e.Provenance},
	} {
		if f.text == "" {
			return fault(f.path, "is missing", "write it")
		}
	}
	if !oneOf(tests, e.Test) {
		return fault("test", strconv.Quote(e.Test)+" is not known", "write one of"+strings.Join(tests, " ")+", or nothing")
	}
	if !oneOf([]string{"", "women", "men"}, e.For) {
		return fault("for", strconv.Quote(e.For)+" is not known", "write women or men, or leave it out")
	}
	return checkHow("outcome.how", e.Outcome.How)
}

func (e *Estimator) checkInputs() error {
	seen := map[string]bool{}
	if len(e.Inputs) == 0 || len(e.Inputs) > 16 {
		return fault("inputs", "must list 1 to 16 inputs", "")
	}
	for i := range e.Inputs {
		in := &e.Inputs[i]
		path := func(field string) string { return at("inputs", i, field) }
		_, function := functions[in.ID]
		switch {
		case !word(in.ID) || function:
			return fault(path("id"), strconv.Quote(in.ID)+" is not a name", "use small letters, digits and _, beginning with a letter")
		case seen[in.ID]:
			return fault(path("id"), in.ID+" appears twice", "rename one")
		case in.Label == "" || in.Unit == "":
			return fault(path("id"), in.ID+" lacks label or unit", "write both")
		case !oneOf(roles, in.Role):
			return fault(path("role"), strconv.Quote(in.Role)+" is not known", "write one of"+strings.Join(roles, " ")+", or nothing")
		case in.Role != "" && e.RoleAt(in.Role) != i:
			return fault(path("role"), in.Role+" appears twice", "keep one")
		case len(in.Codes) > 0 && (in.Plausible != nil || in.Domain != nil):
			return fault(path("codes"), "words have no range", "remove plausible and domain")
		case len(in.Codes) == 0 && in.Plausible == nil:
			return fault(path("plausible"), "is missing", "say outside which range "+in.ID+" must be an error of entry")
		}
		seen[in.ID] = true
		for k := range in.Also {
			o := &in.Also[k]
			if !word(o.Name) || seen[o.Name] || o.Times < 0 || o.Per < 0 || o.Unit == "" && o.Word == "" || o.Word != "" && !in.says(o.Word) {
				return fault(path("also"), strconv.Quote(o.Name)+" is no other name: it is taken, has no unit, or no such word", "give each name once, with its unit")
			}
			seen[o.Name] = true
		}
		for _, r := range []struct {
			name string
			r    *Range
		}{{"plausible", in.Plausible}, {"domain", in.Domain}} {
			if err := checkRange(path(r.name), r.r); err != nil {
				return err
			}
		}
	}
	e.ageAt, e.sexAt, e.hrAt = e.RoleAt("age"), e.RoleAt("sex"), e.RoleAt("heart-rate")
	return nil
}

// says whether an input has a word.
func (in *Input) says(word string) bool {
	for _, c := range in.Codes {
		if c.Word == word {
			return true
		}
	}
	return false
}

func word(id string) bool {
	for i := range len(id) {
		c := id[i]
		if (c < 'a' || c > 'z') && (i == 0 || (c < '0' || c > '9') && c != '_') {
			return false
		}
	}
	return id != ""
}

func checkRange(path string, r *Range) error {
	if r == nil {
		return nil
	}
	if !(r.From < r.To) {
		return fault(path, "is empty: from "+number(r.From)+" to "+number(r.To), "write the smaller number first")
	}
	return checkHow(path+".how", r.How)
}

// compile turns terms or formula into a program.
func (e *Estimator) compile() error {
	e.run = program{tables: e.Tables}
	if err := e.checkTables(); err != nil {
		return err
	}
	switch {
	case (len(e.Terms) > 0) == (e.Formula != nil):
		return fault("terms", "an estimator has either terms or a formula", "write one of the two")
	case e.Formula != nil:
		return e.compileText()
	}
	used := map[string]bool{}
	products := false
	for i, t := range e.Terms {
		input := -1
		if t.Of != "" && t.Input == "" {
			products = true
			c, err := e.compiled(t.Of, false)
			if err != nil {
				return fault(at("terms", i, "of"), err.Error(), "")
			}
			if len(c.numbers) > 0 {
				return fault(at("terms", i, "of"), "holds a number", "put it into the coefficient")
			}
			for _, s := range c.steps {
				if s.op == opInput {
					used[e.Inputs[s.at].ID] = true
				}
			}
			t.Input = t.Of
		} else if t.Input != "" {
			var known bool
			if input, known = e.InputAt(t.Input); !known {
				return fault(at("terms", i, "input"), "no input is called "+t.Input, "list it under inputs")
			}
		}
		switch {
		case used[t.Input] && t.Of == "":
			return fault(at("terms", i, "input"), "a second term for the same input", "add the coefficients")
		case t.Coefficient == 0 || math.IsNaN(t.Coefficient) || math.IsInf(t.Coefficient, 0):
			return fault(at("terms", i, "coefficient"), "is not a number other than 0", "")
		case t.Unit == "":
			return fault(at("terms", i, "unit"), "is missing", "write what the coefficient is measured in")
		}
		if err := checkHow(at("terms", i, "how"), t.How); err != nil {
			return err
		}
		used[t.Input] = used[t.Input] || t.Of == ""
		if i == 0 && input < 0 {
			e.run.first = t.Coefficient
			continue
		}
		e.run.coefficients, e.run.inputs = append(e.run.coefficients, t.Coefficient), append(e.run.inputs, input)
	}
	for i := range e.Inputs {
		if !used[e.Inputs[i].ID] && !e.ofLine(i) {
			return fault(at("inputs", i, "id"), e.Inputs[i].ID+" is in no term", "remove it, or add its term")
		}
	}
	if products {
		e.compileProducts()
	}
	return nil
}

// ofLine says whether an input belongs to the line over stages and not to the equation of one.
func (e *Estimator) ofLine(i int) bool {
	role := e.Inputs[i].Role
	return e.Extrapolate != nil && (role == "heart-rate" || role == "max-heart-rate")
}

// compiled compiles a formula of this estimator; a condition stands alone.
func (e *Estimator) compiled(text string, condition bool) (*compiler, error) {
	c := &compiler{text: text, inputs: e.InputAt, words: e.Inputs, tables: e.Tables}
	if condition {
		return c, c.whole(c.condition)
	}
	return c, c.whole(c.sum)
}

func (e *Estimator) compileText() error {
	c, err := e.compiled(e.Formula.Text, false)
	if err != nil {
		return fault("formula.text", err.Error(), "")
	}
	if len(c.numbers) != len(e.Formula.Numbers) {
		return fault("formula.numbers", "are "+strconv.Itoa(len(e.Formula.Numbers))+", the text has "+strconv.Itoa(len(c.numbers)), "list each number of the text once more, in its order, with value, unit and how")
	}
	for i := range e.Formula.Numbers {
		n := &e.Formula.Numbers[i]
		switch {
		case n.Value != c.numbers[i]:
			return fault(at("formula.numbers", i, "value"), number(n.Value)+" is not the "+number(c.numbers[i])+" of the text", "compare both with the paper")
		case n.Unit == "":
			return fault(at("formula.numbers", i, "unit"), "is missing", "write what the number is measured in; none for a plain number")
		}
		if err := checkHow(at("formula.numbers", i, "how"), n.How); err != nil {
			return err
		}
	}
	used := make([]bool, len(e.Inputs))
	for _, s := range c.steps {
		if s.op == opInput {
			used[s.at] = true
		}
	}
	for i := range used {
		if !used[i] && !e.ofLine(i) {
			return fault(at("inputs", i, "id"), e.Inputs[i].ID+" is not in the formula", "remove it")
		}
	}
	e.run.steps, e.run.fused = c.steps, fuse(c.steps)
	return checkHow("formula.how", e.Formula.How)
}

// compileProducts makes a stack program of terms that are not all single inputs; they are added in their order.
func (e *Estimator) compileProducts() {
	var steps []step
	for i, t := range e.Terms {
		steps = append(steps, step{op: opNumber, v: t.Coefficient})
		if text := t.Input + t.Of; text != "" {
			c, err := e.compiled(text, false)
			if err != nil {
				panic("estimate: a product that was read cannot be read again: " + err.Error())
			}
			steps = append(append(steps, c.steps...), step{op: opMultiply})
		}
		if i > 0 {
			steps = append(steps, step{op: opAdd})
		}
	}
	e.run = program{steps: steps, tables: e.Tables, fused: fuse(steps)}
}

func (e *Estimator) checkTables() error {
	e.musts = nil
	for i := range e.Tables {
		t := &e.Tables[i]
		if len(t.Points) < 2 || t.ID == "" || t.XUnit == "" || t.YUnit == "" || t.Source == "" {
			return fault(at("tables", i, "points"), "a table needs id, x_unit, y_unit, source and at least two points", "")
		}
		for j, p := range t.Points {
			if j > 0 && !(p.X > t.Points[j-1].X) {
				return fault(at("tables", i, "points"), number(p.X)+" does not follow in rising order", "list the points from the smallest x on")
			}
			if err := checkHow(at("tables", i, "points"), p.How); err != nil {
				return err
			}
		}
		for _, end := range []string{t.Below, t.Above} {
			if end != "hold" && end != "refuse" {
				return fault(at("tables", i, "below"), "say what happens beyond the ends", "write below and above: hold or refuse")
			}
		}
		if err := checkHow(at("tables", i, "how"), t.How); err != nil {
			return err
		}
	}
	for i := range e.Require {
		c, err := e.compiled(e.Require[i].That, true)
		if err != nil {
			return fault(at("require", i, "that"), err.Error(), "")
		}
		if e.Require[i].Text == "" {
			return fault(at("require", i, "text"), "is missing", "say why the answer is refused")
		}
		if err := checkHow(at("require", i, "how"), e.Require[i].How); err != nil {
			return err
		}
		e.musts = append(e.musts, program{steps: c.steps, tables: e.Tables})
	}
	return nil
}

func (e *Estimator) checkError() error {
	switch s := &e.Error; {
	case s.None != "" && (s.SEE != 0 || s.Percent != 0 || s.N != 0 || s.DF != 0):
		return fault("error.none", "there is an error too", "write one of the two")
	case s.None != "":
	case s.Percent == 0 && !(s.SEE > 0 && s.SEE < 1e6), s.Percent != 0 && (s.SEE != 0 || !(s.Percent > 0 && s.Percent < 100)):
		return fault("error.see", "must be above 0", "no estimate without its error")
	case s.Unknown != "" && s.N == 0 && s.DF == 0:
	case !(s.N >= 3):
		return fault("error.n", "must be at least 3", "write in how many people the error was found")
	case !(s.DF >= 1 && s.DF < s.N):
		return fault("error.df", "must be from 1 to below n", "n - 2 for a straight line")
	}
	switch s := &e.Error; {
	case s.None == "" && (s.Kind == "" || s.Population == "" || s.Covers == "" || s.Source == ""):
		return fault("error", "lacks kind, population, covers or source", "write all four")
	case !(e.Limits.RefuseBelow < e.Limits.RefuseAbove):
		return fault("limits", "refuse_below must be below refuse_above", "")
	}
	if err := checkHow("limits.how", e.Limits.How); err != nil {
		return err
	}
	oneSD := 0.5 + 0.6826894921370859/2 // the share of a normal distribution within one SD
	switch {
	case e.Error.None != "":
		e.t68, e.t95 = math.NaN(), math.NaN()
	case e.Error.N == 0:
		e.t68, e.t95 = exact.NormalQuantile(oneSD), exact.NormalQuantile(0.975)
	default: // a new person: the error of the line adds to the scatter around it
		spread := math.Sqrt(1 + 1/e.Error.N)
		e.t68, e.t95 = float64(exact.TQuantile(oneSD, e.Error.DF)*spread), float64(exact.TQuantile(0.975, e.Error.DF)*spread)
	}
	if n := e.Normal; n != nil {
		if !(n.Minus > 0) || n.Source == "" {
			return fault("lower_limit_of_normal", "needs minus above 0 and source", "")
		}
		if err := checkHow("lower_limit_of_normal.how", n.How); err != nil {
			return err
		}
	}
	return checkHow("error.how", e.Error.How)
}

func (e *Estimator) checkRules() error {
	e.rules = e.rules[:0]
	seen, given := map[string]bool{}, map[when]bool{}
	for i := range e.Cautions {
		r := &e.Cautions[i]
		w := -1
		for j, known := range whenWords {
			if known == r.When {
				w = j
			}
		}
		switch {
		case w < 0:
			return fault(at("cautions", i, "when"), strconv.Quote(r.When)+" is not known", "write one of: "+strings.Join(whenWords, "; "))
		case !kebab(r.ID):
			return fault(at("cautions", i, "id"), strconv.Quote(r.ID)+" is not an id", "use small letters, digits and hyphens")
		case seen[r.ID]:
			return fault(at("cautions", i, "id"), r.ID+" appears twice", "rename one")
		case r.Text == "" || r.Source == "":
			return fault(at("cautions", i, "text"), "text or source is missing", "write both")
		}
		if err := checkHow(at("cautions", i, "how"), r.How); err != nil {
			return err
		}
		seen[r.ID], given[when(w)] = true, true
		if err := e.addRule(i, when(w), r); err != nil {
			return err
		}
	}
	if len(e.rules) > maxRules {
		return fault("cautions", "are more than "+strconv.Itoa(maxRules), "")
	}
	return e.checkNeeded(given)
}

func (e *Estimator) addRule(i int, w when, r *Rule) error {
	k := check{when: w, id: r.ID, rule: r, limit: r.Limit}
	switch w {
	case whenDomain:
		for j := range e.Inputs {
			if e.Inputs[j].Domain != nil {
				k.input, k.id = j, r.ID+"-"+strings.ReplaceAll(e.Inputs[j].ID, "_", "-")
				e.rules = append(e.rules, k)
			}
		}
		return nil
	case whenEndLow:
		formula, known := physiology.FormulaFor(r.Formula)
		if !known || formula.PerRest != 0 || r.Percent <= 0 || r.Percent > 100 || e.ageAt < 0 {
			return fault(at("cautions", i, "formula"), "the rule needs percent, a formula for maximal heart rate by age, and an input with the role age", "")
		}
		k.formula = formula
	}
	if (w == whenEndLow || w == whenCounted) && e.hrAt < 0 {
		return fault(at("cautions", i, "when"), "no input has the role heart-rate", "give it to one")
	}
	e.rules = append(e.rules, k)
	return nil
}

// checkNeeded makes sure that a file cannot leave out the cautions that protect people.
func (e *Estimator) checkNeeded(given map[when]bool) error {
	need := map[when]bool{}
	need[whenUnverified] = e.fromMemory()
	for i := range e.Inputs {
		need[whenDomain] = need[whenDomain] || e.Inputs[i].Domain != nil
	}
	if e.hrAt >= 0 {
		need[whenDrug], need[whenDrugUnknown], need[whenRhythm] = true, true, true
	}
	for w := range when(len(whenWords)) {
		if need[w] && !given[w] {
			return fault("cautions", "no caution for: "+whenWords[w], "add one")
		}
	}
	return nil
}

func (e *Estimator) checkVerification() error {
	v := e.Verification
	switch {
	case v == nil:
		return nil
	case v.Estimator != e.ID:
		return fault("verification.estimator", v.Estimator+" is not "+e.ID, "")
	case strings.TrimSpace(v.By) == "" || v.Against == "" || !date(v.On):
		return fault("verification.verified_by", "name, date (year-month-day) or paper is missing", "write who compared, when, and with what")
	case e.Formula != nil:
		return e.checkNumbers(v)
	case len(v.Coefficients) != len(e.Terms) || len(e.Terms) == 0:
		return fault("verification.coefficients", "are not one for each term", "tick every coefficient with its value")
	}
	for i, t := range e.Terms {
		name := t.Input + t.Of
		if name == "" {
			name = "constant"
		}
		if got, ticked := v.Coefficients[name]; !ticked || got != t.Coefficient {
			return fault("verification.coefficients."+name, "does not equal terms["+strconv.Itoa(i)+"].coefficient", "compare both with the paper")
		}
	}
	return nil
}

// checkNumbers compares what was read in the paper with the numbers of a formula.
func (e *Estimator) checkNumbers(v *Verification) error {
	if len(v.Numbers) != len(e.Formula.Numbers) {
		return fault("verification.numbers", "are not one for each number of the formula", "tick every number with its value, in the order of the text")
	}
	if len(v.Tables) != len(e.Tables) {
		return fault("verification.tables", "are not one for each table", "tick every table with its values, in the order of its points")
	}
	for i, n := range v.Numbers {
		if n != e.Formula.Numbers[i].Value {
			return fault("verification.numbers["+strconv.Itoa(i)+"]", "does not equal formula.numbers["+strconv.Itoa(i)+"].value", "compare both with the paper")
		}
	}
	for i := range e.Tables {
		t := &e.Tables[i]
		path := "verification.tables." + t.ID
		if got := v.Tables[t.ID]; len(got) != len(t.Points) {
			return fault(path, "is not one value for each point of the table", "tick every value, in the order of the points")
		}
		for k, y := range v.Tables[t.ID] {
			if y != t.Points[k].Y {
				return fault(path+"["+strconv.Itoa(k)+"]", "does not equal the table at "+number(t.Points[k].X)+" "+t.XUnit, "compare both with the paper")
			}
		}
	}
	return nil
}

// date takes year-month-day.
func date(s string) bool {
	if len(s) != 10 || s[4] != '-' || s[7] != '-' {
		return false
	}
	for i := range len(s) {
		if i != 4 && i != 7 && (s[i] < '0' || s[i] > '9') {
			return false
		}
	}
	return s[5:7] >= "01" && s[5:7] <= "12" && s[8:] >= "01" && s[8:] <= "31"
}
