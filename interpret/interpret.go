package interpret

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gradus/stats"
)

// Defaults of a report.
const (
	DefaultReference = "registry-treadmill-2015"
	DefaultEquation  = "registry-2017"
)

// Value is a peak oxygen uptake with its error.
type Value struct {
	VO2       float64 // mL/kg/min, 3.5 to 100
	SEE       float64 // standard error, mL/kg/min, above 0
	Criterion string  // mode of the maximal test that it predicts or was measured in: treadmill, cycle, recumbent stepper
	Measured  bool    // by gas exchange in a maximal test
	Machine   string  // what the person was tested on, such as recumbent stepper
}

// Person is whom the value belongs to. MassKg and HeightCm are 0 when not known.
type Person struct {
	Sex      string // female or male
	AgeYears float64
	MassKg   float64
	HeightCm float64
}

// Choice picks table and equation; empty means the defaults.
type Choice struct {
	Reference, Equation string
}

// Caution is a reason to trust a number less.
type Caution struct {
	ID     string `json:"id"`
	Text   string `json:"text"`
	Source string `json:"source"`
}

// Used is the table that the percentile comes from.
type Used struct {
	Reference
	Sex        string `json:"sex"`
	Ages       string `json:"ages"` // the decade; "" outside the table
	BlockN     int    `json:"block_n"`
	Cells      int    `json:"cells"`
	FromMemory int    `json:"cells_from_memory"`
	Why        string `json:"why"` // why this one
}

// Beside is what another table says.
type Beside struct {
	Reference  string      `json:"reference"`
	Title      string      `json:"title"`
	Kind       string      `json:"kind"`
	Mode       string      `json:"mode"`
	Ages       string      `json:"ages"`
	Centre     *float64    `json:"centre"` // median or mean; nil: the table has none
	Difference *float64    `json:"difference"`
	Percentile *Percentile `json:"percentile"`
	Words      string      `json:"words"` // of a table of bands: the band of the value
	Note       string      `json:"note"`
	How        string      `json:"how"`
	Source     string      `json:"source"`
}

// Expected is what an equation predicts for the person.
type Expected struct {
	Equation  string   `json:"equation"`
	Title     string   `json:"title"`
	Mode      string   `json:"mode"`
	Predicted float64  `json:"predicted"` // mL/kg/min
	Percent   float64  `json:"percent"`
	Low95     float64  `json:"percent_low95"`
	High95    float64  `json:"percent_high95"`
	Lower     *float64 `json:"lower_limit"` // predicted - 1.645 SEE; nil: the equation has no usable error
	Chosen    bool     `json:"chosen"`
	How       string   `json:"how"`
	Source    string   `json:"source"`
	Note      string   `json:"note"`
}

// Limit is the lower limit of normal.
type Limit struct {
	Value float64 `json:"value"` // mL/kg/min
	From  string  `json:"from"`
	Below float64 `json:"probability_below"`
}

// Report is the meaning of a value. Slices and maps are never nil.
type Report struct {
	Value    float64 `json:"value"`
	Unit     string  `json:"unit"`
	SEE      float64 `json:"see"`
	Low95    float64 `json:"low95"`
	High95   float64 `json:"high95"`
	Interval string  `json:"interval"`

	METs          float64  `json:"mets"`
	METsLow95     float64  `json:"mets_low95"`
	METsHigh95    float64  `json:"mets_high95"`
	LPerMin       *float64 `json:"l_per_min"`
	LPerMinLow95  *float64 `json:"l_per_min_low95"`
	LPerMinHigh95 *float64 `json:"l_per_min_high95"`
	AgeYears      float64  `json:"age_years"`
	Sex           string   `json:"sex"`
	Measured      bool     `json:"measured"`
	Criterion     string   `json:"criterion_mode"`

	Reference     string             `json:"reference"`
	Table         Used               `json:"table"`
	Percentile    *Percentile        `json:"percentile"` // nil: no reference for this age
	Probabilities map[string]float64 `json:"class_probabilities"`
	Classes       []Class            `json:"classes"`
	Beside        []Beside           `json:"references_beside"`

	PercentPredicted *float64   `json:"percent_predicted"`
	Expected         []Expected `json:"predicted"`
	LowerLimit       *Limit     `json:"lower_limit"`

	Thresholds []Threshold `json:"thresholds"`
	Tasks      []Task      `json:"tasks"`
	Findings   []Finding   `json:"findings"`
	Cautions   []Caution   `json:"cautions"`
}

// An InputError is a value that cannot be taken.
type InputError struct{ Input, Msg string }

func (e *InputError) Error() string { return e.Input + ": " + e.Msg }

// Of says what a value means. An error is an *InputError.
func Of(v Value, p Person, c Choice, b Body) (*Report, error) {
	if err := check(&v, &p); err != nil {
		return nil, err
	}
	if c.Reference == "" {
		c.Reference = DefaultReference
	}
	if c.Equation == "" {
		c.Equation = DefaultEquation
	}
	ref, ok := ReferenceByID(c.Reference)
	if !ok {
		return nil, &InputError{"reference", fmt.Sprintf("no table is called %q; known: %s", c.Reference, strings.Join(referenceIDs(), ", "))}
	}
	chosen := slices.IndexFunc(equations, func(e Equation) bool { return e.ID == c.Equation })
	if chosen < 0 {
		return nil, &InputError{"equation", fmt.Sprintf("no equation is called %q; known: %s", c.Equation, strings.Join(equationIDs(), ", "))}
	}
	w := &writer{v: &v, p: &p, ref: ref, chosen: &equations[chosen], byDefault: c.Reference == DefaultReference}
	w.begin()
	w.place()
	w.beside()
	w.expected()
	w.limit()
	w.out.Thresholds = thresholdsFor(&v, p.Sex)
	w.out.Tasks = tasksFor(&v, w.out.Low95, w.out.High95)
	w.out.Findings = append([]Finding{}, Findings(b, p)...)
	w.mode()
	w.people()
	return &w.out, nil
}

func referenceIDs() (ids []string) {
	for _, r := range references {
		ids = append(ids, r.ID)
	}
	return ids
}

func equationIDs() (ids []string) {
	for _, e := range equations {
		ids = append(ids, e.ID)
	}
	return ids
}

// Fences of the entries; all are our choice.
const (
	lowestVO2, highestVO2       = 3.5, 100.0
	highestSEE                  = 30.0
	lowestAge, highestAge       = 1.0, 120.0
	lowestMass, highestMass     = 10.0, 400.0
	lowestHeight, highestHeight = 50.0, 260.0
)

func check(v *Value, p *Person) error {
	within := func(name string, x, low, high float64, unit string) error {
		if x >= low && x <= high {
			return nil
		}
		return &InputError{name, fmt.Sprintf("%g is not between %g and %g %s; check the entry", x, low, high, unit)}
	}
	if err := within("value", v.VO2, lowestVO2, highestVO2, "mL/kg/min"); err != nil {
		return err
	}
	if !(v.SEE > 0 && v.SEE <= highestSEE) {
		return &InputError{"see", fmt.Sprintf("%g is not above 0 and at most %g mL/kg/min; a value without its error has no meaning here", v.SEE, highestSEE)}
	}
	if err := within("age", p.AgeYears, lowestAge, highestAge, "years"); err != nil {
		return err
	}
	if p.Sex != "female" && p.Sex != "male" {
		return &InputError{"sex", fmt.Sprintf("%q is neither female nor male, as the tables are coded", p.Sex)}
	}
	if p.MassKg != 0 {
		if err := within("mass", p.MassKg, lowestMass, highestMass, "kg"); err != nil {
			return err
		}
	}
	if p.HeightCm != 0 {
		return within("height", p.HeightCm, lowestHeight, highestHeight, "cm")
	}
	return nil
}

type writer struct {
	v         *Value
	p         *Person
	ref       *Reference
	chosen    *Equation
	byDefault bool
	block     *Block // nil outside the table
	out       Report
}

func (w *writer) caution(id, source, format string, args ...any) {
	w.out.Cautions = append(w.out.Cautions, Caution{id, fmt.Sprintf(format, args...), source})
}

const ownChoice = "our own choice, no source"

func (w *writer) begin() {
	v, o := w.v, &w.out
	o.Value, o.Unit, o.SEE, o.AgeYears, o.Sex, o.Measured, o.Criterion = v.VO2, "mL/kg/min", v.SEE, w.p.AgeYears, w.p.Sex, v.Measured, v.Criterion
	o.Low95, o.High95 = v.VO2-stats.Z975*v.SEE, v.VO2+stats.Z975*v.SEE
	o.Interval = "value ± 1.96 × standard error, as if the error were normal"
	met := numbers["met"].value
	o.METs, o.METsLow95, o.METsHigh95 = v.VO2/met, o.Low95/met, o.High95/met
	if w.p.MassKg > 0 {
		litres := func(x float64) *float64 { x = x * w.p.MassKg / 1000; return &x }
		o.LPerMin, o.LPerMinLow95, o.LPerMinHigh95 = litres(v.VO2), litres(o.Low95), litres(o.High95)
	}
	o.Probabilities, o.Classes, o.Beside, o.Expected, o.Cautions = map[string]float64{}, []Class{}, []Beside{}, []Expected{}, []Caution{}
}

// place finds percentile and classes in the chosen table.
func (w *writer) place() {
	o := &w.out
	o.Reference = w.ref.ID
	o.Table = Used{Reference: *w.ref, Sex: w.p.Sex, Why: "you chose it"}
	if w.byDefault {
		o.Table.Why = "it has percentiles for each decade from treadmill tests with gas exchange; no table for the recumbent stepper was found"
	}
	block, ok := w.ref.Block(w.p.Sex, w.p.AgeYears)
	if !ok {
		from, to := w.ref.Ages(w.p.Sex)
		ages := fmt.Sprintf("%d to %d", from, to)
		if to == 0 {
			ages = fmt.Sprintf("%d and older", from)
		}
		w.caution("no-reference", w.ref.Source, "no reference: the %s has nothing for a %s of %g years (it covers %s)", w.ref.Title, person(w.p.Sex), w.p.AgeYears, ages)
		return
	}
	w.block = block
	o.Table.Ages, o.Table.BlockN, o.Table.Cells, o.Table.FromMemory = block.Ages(), block.N, len(block.Cells), block.FromMemory()
	if n := o.Table.FromMemory; n > 0 {
		w.caution("table-from-memory", w.ref.Source, "%d of the %d numbers of this table for %s of %s years are from memory; nobody has read them in the publication", n, len(block.Cells), plural(w.p.Sex), block.Ages())
	}
	o.Classes = append(o.Classes, classes(w.ref, block, w.v.VO2, w.v.SEE)...)
	for _, c := range o.Classes {
		o.Probabilities[c.Name] = c.Probability
	}
	if w.ref.Kind != Percentiles {
		w.caution("no-percentiles", w.ref.Source, "no reference percentiles: the table %s has %s only", w.ref.ID, w.ref.Kind)
		return
	}
	o.Percentile = percentileOf(block, w.v.VO2, o.Low95, o.High95)
	w.edge()
}

// edge warns where a birthday moves the percentile: tables change by whole decades.
func (w *writer) edge() {
	const near, much = 2, 5 // years, percentiles
	age := math.Floor(w.p.AgeYears)
	for _, other := range []float64{float64(w.block.AgeTo + 1), float64(w.block.AgeFrom - 1)} {
		if math.Abs(other-age) > near {
			continue
		}
		b, ok := w.ref.Block(w.p.Sex, other)
		if !ok {
			continue
		}
		there, below, above := b.Place(w.v.VO2)
		if math.Abs(there-w.out.Percentile.Value) >= much {
			w.caution("decade-edge", ownChoice, "the table changes by decades: at %g years the same value would be at percentile %s", other, placeText(there, below, above))
		}
	}
}

func person(sex string) string {
	if sex == "female" {
		return "woman"
	}
	return "man"
}

func plural(sex string) string {
	if sex == "female" {
		return "women"
	}
	return "men"
}

// beside says what the other tables say, and how far they are apart.
func (w *writer) beside() {
	low, high := math.Inf(1), math.Inf(-1)
	for i := range references {
		r := &references[i]
		b, ok := r.Block(w.p.Sex, w.p.AgeYears)
		if !ok {
			continue
		}
		e := Beside{Reference: r.ID, Title: r.Title, Kind: r.Kind, Mode: r.Mode, Ages: b.Ages(), Note: r.Note, How: r.How, Source: r.Source}
		if centre, ok := b.centre(); ok {
			difference := w.v.VO2 - centre
			e.Centre, e.Difference = &centre, &difference
			low, high = min(low, centre), max(high, centre)
		}
		if r.Kind == Percentiles {
			e.Percentile = percentileOf(b, w.v.VO2, w.out.Low95, w.out.High95)
		}
		if r.Kind == Bands {
			e.Words = b.word(w.v.VO2)
		}
		if b.FromMemory() > 0 {
			e.How = "memory"
		}
		if r.ID != w.ref.ID {
			w.out.Beside = append(w.out.Beside, e)
		}
	}
	if apart := high - low; apart >= 1 {
		w.caution("references-disagree", ownChoice, "tables disagree: their middle values for this age and sex are %.1f mL/kg/min apart; the one used is %s", apart, w.ref.ID)
	}
}

// centre is the median or mean of a block.
func (b *Block) centre() (float64, bool) {
	for _, c := range b.Cells {
		if c.Percentile == 50 || c.Statistic == "mean" {
			return c.Value, true
		}
	}
	return 0, false
}

// word is the band of a value in a table of lower bounds.
func (b *Block) word(value float64) string {
	word := "below the lowest printed bound"
	for _, c := range b.Cells {
		if value >= c.Value {
			word = c.Statistic
		}
	}
	return word
}

// expected compares with what equations predict.
func (w *writer) expected() {
	for i := range equations {
		e := &equations[i]
		chosen := e == w.chosen
		predicted, missing := e.Predict(w.p)
		if missing != "" {
			if chosen {
				w.caution("no-percent-predicted", e.Source, "percent of predicted is not given: the equation %s needs the %s", e.ID, missing)
			}
			continue
		}
		if !(predicted >= lowestVO2) {
			if chosen {
				w.caution("no-percent-predicted", e.Source, "percent of predicted is not given: the equation %s gives %.1f mL/kg/min, which nobody has; it does not hold for %g kg", e.ID, predicted, w.p.MassKg)
			}
			continue
		}
		x := Expected{Equation: e.ID, Title: e.Title, Mode: e.Mode, Predicted: predicted, Percent: 100 * w.v.VO2 / predicted, Low95: 100 * w.out.Low95 / predicted,
			High95: 100 * w.out.High95 / predicted, Chosen: chosen, How: e.How, Source: e.Source, Note: e.Note}
		if e.SEE > 0 {
			lower := predicted - numbers["limit-quantile"].value*e.SEE
			x.Lower = &lower
		}
		w.out.Expected = append(w.out.Expected, x)
		if !chosen {
			continue
		}
		w.out.PercentPredicted = &x.Percent
		if e.Outside(w.p.AgeYears) {
			w.caution("age-outside-equation", e.Source, "the equation %s was made from people of another age than %g years", e.ID, w.p.AgeYears)
		}
	}
}

// limit is the lower limit of normal: the table's 5th percentile, else that of the chosen equation. A flat
// 80 % of predicted is no limit: in disease-free people of 70 and older the limits lay at 53 to 73 %.
func (w *writer) limit() {
	var l Limit
	switch {
	case w.block != nil && w.ref.Kind == Percentiles:
		l.Value, l.From = w.block.At(5), fmt.Sprintf("5th percentile of %s, %s of %s years", w.ref.ID, plural(w.p.Sex), w.block.Ages())
	default:
		at := slices.IndexFunc(w.out.Expected, func(x Expected) bool { return x.Chosen && x.Lower != nil })
		if at < 0 {
			return
		}
		x := w.out.Expected[at]
		l.Value, l.From = *x.Lower, "predicted - 1.645 SEE of "+x.Equation
	}
	l.Below = stats.Below((l.Value - w.v.VO2) / w.v.SEE)
	w.out.LowerLimit = &l
}

// mode compares the mode of the table with that of the maximal test the value stands for.
func (w *writer) mode() {
	if w.v.Criterion != "" && !strings.HasPrefix(w.v.Criterion, w.ref.Mode) { // "cycle ergometer" is a cycle
		text := fmt.Sprintf("the value stands for a %s peak, the table is from %s tests", w.v.Criterion, w.ref.Mode)
		if strings.HasPrefix(w.v.Criterion, "cycle") || w.ref.Mode == "cycle" {
			text += fmt.Sprintf("; cycle peaks are commonly %g to %g %% lower", numbers["cycle-lower-from"].value, numbers["cycle-lower-to"].value)
		}
		w.caution("mode-mismatch", numbers["cycle-lower-from"].source, "%s", text)
	}
	if w.v.Machine == "recumbent stepper" && w.v.Criterion == "treadmill" && !w.v.Measured {
		n := numbers["stepper-lower"]
		w.caution("no-stepper-maximum", n.source, "the value predicts a treadmill peak, so a treadmill table fits; it is no maximum of the stepper: without leg impairment stepper peaks were about %g %% lower", n.value)
	}
}

// people says what of the answer was made from other people.
func (w *writer) people() {
	const old = 60
	if w.p.AgeYears < old {
		w.caution("thresholds-of-old-age", ownChoice, "the thresholds for independence were found in old age; at %g years they only show the distance", w.p.AgeYears)
	}
	w.caution("tasks-of-healthy-people", "J Neurol Phys Ther 2014, doi 10.1097/NPT.0000000000000053", "what tasks cost is that of healthy people; after stroke walking costs more, and measured household costs are often lower than listed")
	if !w.v.Measured {
		w.caution("measured-only", ownChoice, "cut-offs made from measured oxygen uptake (listing for transplant, classes of heart failure, lung resection) are not applied to an estimate")
	}
}

// power is base raised to x.
func power(base, x float64) float64 { return math.Exp(x * math.Log(base)) }
