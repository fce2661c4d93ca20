// Package protocol says what a written plan of an exercise test may contain: parts with work rates,
// planned readings, the steady-state rule, the branch to later work rates, end point, stop signs,
// breaks, cool-down and recovery, and the paper behind every number.
//
// A [Protocol] is plain data. It is read from a file by package protocol/library, travels as JSON,
// and is carried out by package conduct. [Protocol.Problems] lists what makes a plan unusable.
// What a plan does not do must be written as "none"; nothing is implied.
//
// The fields of [Protocol] are stable: new ones may come, none will change its meaning.
package protocol

import "encoding/json"

// Format is the version of the file format this package reads.
const Format = "gradus-protocol/1"

// Most of everything: a test is a plain value of fixed size, so a plan has limits.
const (
	MaxParts    = 16 // parts, repeats included: stages a test can hold
	MaxReadings = 8  // planned readings of one quantity in one stage, extra minutes included
	MaxRows     = 8  // rows of a branch table
	MaxRowWork  = 6  // work rates in a row
	MaxSigns    = 48 // stop signs
)

// Protocol is the written plan of a test.
type Protocol struct {
	Format     string   `yaml:"format" json:"format"`
	ID         string   `yaml:"id" json:"id"`
	Version    string   `yaml:"version" json:"version"`
	Title      string   `yaml:"title" json:"title"`
	Family     string   `yaml:"family,omitempty" json:"family,omitempty"` // one of Families; "" is a test of one's own
	Suits      Suits    `yaml:"suits,omitempty" json:"suits,omitzero"`    // whom and what the test needs; not part of the hash
	Modality   string   `yaml:"modality" json:"modality"`
	Purpose    string   `yaml:"purpose" json:"purpose"`
	Population string   `yaml:"population" json:"population"`
	Posture    string   `yaml:"posture" json:"posture"`
	Equipment  []string `yaml:"equipment" json:"equipment"`

	Outcome   Outcome        `yaml:"outcome" json:"outcome"`
	Inputs    Inputs         `yaml:"inputs" json:"inputs"`
	Cadence   Maybe[Cadence] `yaml:"cadence" json:"cadence"`
	EndPoint  Maybe[End]     `yaml:"end_point" json:"end_point"`
	Window    Maybe[Window]  `yaml:"window" json:"window"`
	Limits    []Measure      `yaml:"limits" json:"limits"`
	Exertion  Maybe[Effort]  `yaml:"exertion" json:"exertion"`
	Misleads  []State        `yaml:"heart_rate_cannot_lead_with" json:"heart_rate_cannot_lead_with"`
	Readings  Readings       `yaml:"readings" json:"readings"`
	Hold      Maybe[Hold]    `yaml:"hold" json:"hold"`
	Choose    Maybe[Choose]  `yaml:"choose" json:"choose"`
	Parts     []Part         `yaml:"parts" json:"parts"`
	AskFirst  Maybe[Ask]     `yaml:"ask_first" json:"ask_first"`
	Breaks    Maybe[Breaks]  `yaml:"breaks" json:"breaks"`
	WrongWork Maybe[Wrong]   `yaml:"wrong_work" json:"wrong_work"`
	Signs     SignUse        `yaml:"signs" json:"signs"`
	CoolDown  Maybe[Cool]    `yaml:"cool_down" json:"cool_down"`
	Recovery  Maybe[Recover] `yaml:"recovery" json:"recovery"`
	Again     Maybe[Again]   `yaml:"again" json:"again"`
	Resume    Ms             `yaml:"stop_by_mistake" json:"stop_by_mistake"` // a stop can be taken back within this time
	Say       []Saying       `yaml:"say" json:"say"`
	Sources   []Source       `yaml:"sources" json:"sources"`
	Papers    []Paper        `yaml:"papers" json:"papers"`

	// Table holds the stop signs this plan uses, in the order of the table they come from.
	// It is filled when the file is read, so that safety stays one set of data.
	Table        []Sign   `yaml:"-" json:"stop_signs"`
	TableSources []Source `yaml:"-" json:"stop_sign_sources"`
	// Expect is the equation that Ask.Expected names, filled when the file is read.
	Expect Line `yaml:"-" json:"expect"`
	// Hash identifies the content: SHA-256 of the plan as JSON with an empty Hash, in hexadecimal.
	Hash string `yaml:"-" json:"hash"`
}

// Families are the kinds of tests, in the order in which lists show them.
var Families = []string{"branching-ergometer", "one-or-two-work-rates", "treadmill-stages", "walk", "bench-step", "arms-and-chair", "no-exercise"}

// Abilities are what a test can need of a person, and Machines what it can need of a room; Suits uses these words.
var (
	Abilities = []string{"sit", "sit_unsupported", "stand", "walk", "walk_without_aid", "walk_fast", "run", "climb_step", "pedal", "both_legs",
		"both_arms", "grip", "arm_push", "balance", "keep_rhythm", "hear_beeps", "follow_instructions"}
	Machines = []string{"recumbent_stepper", "cycle", "treadmill", "step_bench", "arm_ergometer", "wheelchair", "course", "none"}
)

// Efforts are how hard a test can become; "" is submaximal. After symptom_limited_maximal the rules of maximal
// tests hold for who may be tested and who must be near.
var Efforts = []string{"none", "submaximal", "symptom_limited_maximal"}

// Suits says whom a test suits: what the person must be able to do, the machine, the length of free ground in
// metres (0: no more than the machine needs), and how hard the test can become.
type Suits struct {
	Needs   []string `yaml:"needs" json:"needs"`
	Machine string   `yaml:"machine" json:"machine"`
	SpaceM  float64  `yaml:"space_m" json:"space_m"`
	Effort  string   `yaml:"effort,omitempty" json:"effort,omitempty"`
}

// IsZero reports whether a plan says nothing of whom it suits.
func (s Suits) IsZero() bool {
	return len(s.Needs) == 0 && s.Machine == "" && s.SpaceM == 0 && s.Effort == ""
}

// Outcome is what the test is for. Estimator is the id of the one whose answer leads, or "none"; Women is that for
// women where theirs is another one; Also are others that are shown beside it. Note is what a reader of the outcome must know, such as that it is a trend only.
type Outcome struct {
	What      string   `yaml:"what" json:"what"`
	Unit      string   `yaml:"unit" json:"unit"`
	Estimator string   `yaml:"estimator" json:"estimator"`
	Women     string   `yaml:"women,omitempty" json:"women,omitempty"`
	Also      []string `yaml:"also,omitempty" json:"also,omitempty"`
	Note      string   `yaml:"note,omitempty" json:"note,omitempty"`
}

// For is the id of the estimator whose answer leads for one sex; "none" when there is none.
func (o *Outcome) For(female bool) string {
	if female && o.Women != "" {
		return o.Women
	}
	return o.Estimator
}

// Inputs names what must be known of the participant before the test, and what is asked.
type Inputs struct {
	Required []string `yaml:"required" json:"required"`
	Asked    []string `yaml:"asked" json:"asked"`
}

// Cadence is the step or pedal rate, per minute. It is one's own (chosen between OwnFrom and OwnTo)
// or Fixed for everyone.
type Cadence struct {
	OwnFrom      float64    `yaml:"own_from,omitempty" json:"own_from"`
	OwnTo        float64    `yaml:"own_to,omitempty" json:"own_to"`
	Fixed        float64    `yaml:"fixed,omitempty" json:"fixed"`
	Counts       string     `yaml:"counts" json:"counts"`
	CautionBelow float64    `yaml:"caution_below,omitempty" json:"caution_below"`
	Low          CadenceLow `yaml:"low" json:"low"`
}

// CadenceLow ends the test when the cadence, averaged over For, lies more than ByPercent below the
// target at Times occasions.
type CadenceLow struct {
	ByPercent int `yaml:"by_percent" json:"by_percent"`
	For       Ms  `yaml:"for" json:"for"`
	Times     int `yaml:"times" json:"times"`
}

// End is the planned end: Percent of the age-predicted (or given) maximal heart rate, or of heart-rate
// reserve. Formula is an id of package physiology. Watch says which heart rates are judged.
type End struct {
	Percent int     `yaml:"percent" json:"percent"`
	Of      string  `yaml:"of" json:"of"` // "max_hr" or "hr_reserve"
	Formula string  `yaml:"formula" json:"formula"`
	Watch   []Watch `yaml:"watch" json:"watch"`
	// Needs is set where the published end of the test is made with this formula: that of the person's first test does
	// not take its place.
	Needs bool `yaml:"needs_formula,omitempty" json:"needs_formula,omitempty"`
}

// Window is the length over which live heart rate is averaged before it is judged.
type Window struct {
	Lasts Ms `yaml:"lasts" json:"lasts"`
}

// Effort limits the rating of perceived exertion (6 to 20). Careful holds where one of its states is present.
type Effort struct {
	Alert   float64 `yaml:"alert" json:"alert"`
	End     float64 `yaml:"end" json:"end"`
	Careful Careful `yaml:"careful" json:"careful"`
}

// Careful is the lower pair of exertion limits and when it holds.
type Careful struct {
	Alert float64 `yaml:"alert" json:"alert"`
	End   float64 `yaml:"end" json:"end"`
	When  []State `yaml:"when" json:"when"`
}

// Readings says how planned readings are taken.
type Readings struct {
	WholeBeats string `yaml:"whole_beats" json:"whole_beats"` // "half-up": a heart rate becomes a whole beat, halves upwards
	LateBy     Ms     `yaml:"late_by" json:"late_by"`         // typed this late it still fills its slot
	Sets       []Set  `yaml:"sets" json:"sets"`
	Cuff       Cuff   `yaml:"cuff" json:"cuff"`
}

// Cuff gives a stage Add more time when blood pressure is still being taken at RunningAt.
type Cuff struct {
	RunningAt Ms `yaml:"running_at" json:"running_at"`
	Add       Ms `yaml:"add" json:"add"`
}

// Set is a named list of planned readings that parts refer to.
type Set struct {
	ID   string    `yaml:"id" json:"id"`
	Read []Planned `yaml:"read" json:"read"`
}

// Planned is one planned reading. At is stage time: the end of the window for heart rate, the moment it
// is begun or asked for the others. Over is the window before At (heart rate) or after it (others).
type Planned struct {
	What Quantity `yaml:"what" json:"what"`
	At   Ms       `yaml:"at" json:"at"`
	Over Ms       `yaml:"over" json:"over"`
	Need Need     `yaml:"need" json:"need"`
	// MeanOf is the number of values, evenly spaced over Over, whose mean is the reading; 0 and 1 are one value.
	MeanOf int `yaml:"mean_of,omitempty" json:"mean_of,omitempty"`
	// Count says that the pulse is counted over Over, and not read.
	Count bool `yaml:"count,omitempty" json:"count,omitempty"`
}

// Hold is the steady-state rule: the Compare readings of the last two minutes must differ by at most
// Within, else the part goes on by Add with one more reading, AtMost times; then the examiner is asked.
type Hold struct {
	Compare Quantity `yaml:"compare" json:"compare"`
	Within  float64  `yaml:"within" json:"within"`
	Add     Ms       `yaml:"add" json:"add"`
	AtMost  int      `yaml:"at_most" json:"at_most"`
	Over    Ms       `yaml:"over" json:"over"` // window of the extra reading
	Then    string   `yaml:"then" json:"then"` // "ask"
}

// Choose is the branch table: after part After, the last By reading picks a row.
// A reading within Near beats of a row's limit shows both rows.
type Choose struct {
	After string   `yaml:"after" json:"after"`
	By    Quantity `yaml:"by" json:"by"`
	Near  float64  `yaml:"near" json:"near"`
	Rows  []Row    `yaml:"rows" json:"rows"`
}

// Row holds for readings below Below, or up to UpTo, that no earlier row took; the last row has neither.
// Readings are whole beats, so that up_to 100 is the same as below 101; the file says it as the sheet prints it.
type Row struct {
	ID    string  `yaml:"id" json:"id"`
	Below float64 `yaml:"below,omitempty" json:"below"` // filled from UpTo when the file is read
	UpTo  float64 `yaml:"up_to,omitempty" json:"up_to"`
	Work  []Work  `yaml:"work" json:"work"`
}

// Limit is the limit of the row as it is printed: 80 for "below 80", 100 for "up to 100".
func (r *Row) Limit() float64 {
	if r.UpTo > 0 {
		return r.UpTo
	}
	return r.Below
}

// Part is a period at one work rate.
type Part struct {
	ID     string `yaml:"id" json:"id"`
	Title  string `yaml:"title" json:"title"`
	Work   Work   `yaml:"work" json:"work"`
	Lasts  Ms     `yaml:"lasts" json:"lasts"`
	Read   string `yaml:"read" json:"read"`                 // id of a reading set, or "none"
	Steady string `yaml:"steady" json:"steady"`             // "hold", "judge" (looked at, never made longer) or "none"
	Counts string `yaml:"counts" json:"counts"`             // "when-steady", "when-complete", "when-read" or "never"
	If     string `yaml:"if,omitempty" json:"if"`           // "" always, "asked" when the examiner asks for it
	AtMost int    `yaml:"at_most,omitempty" json:"at_most"` // repeats; 0 and 1 both mean once
	Mark   string `yaml:"mark,omitempty" json:"mark"`       // caution that goes with a result from this part
	Pause  *Pause `yaml:"pause,omitempty" json:"pause"`     // rests inside the part, with the clock running
	Follow []Sum  `yaml:"follow,omitempty" json:"follow"`   // running sums and extremes
	Cues   []Cue  `yaml:"cues,omitempty" json:"cues"`       // what is said at set moments of the part
	Beeps  Beeps  `yaml:"beeps,omitempty" json:"beeps"`     // what sounds, if anything
	Course *Run   `yaml:"course,omitempty" json:"course"`   // the ground of a walk

	Begins string  `yaml:"begins,omitempty" json:"begins,omitempty"`   // "" by hand, "clock" the moment the part before is over
	OnlyIf *OnlyIf `yaml:"only_if,omitempty" json:"only_if,omitempty"` // else the part is left out
	UntilM float64 `yaml:"until_m,omitempty" json:"until_m,omitempty"` // m: the part ends when they are covered, Lasts at the latest
	VO2    float64 `yaml:"vo2,omitempty" json:"vo2,omitempty"`         // oxygen uptake of the part as its source prints it, mL/kg/min
}

// OnlyIf is the condition of a part: the last planned heart rate of the stage before lies below a number, or below a
// percentage of maximal heart rate by the formula of the end point. A part with a condition repeats up to AtMost
// times for as long as it holds.
type OnlyIf struct {
	Below        float64 `yaml:"heart_rate_below,omitempty" json:"heart_rate_below,omitempty"`
	BelowPercent float64 `yaml:"heart_rate_below_percent,omitempty" json:"heart_rate_below_percent,omitempty"`
}

// Beeps is what sounds during a part: a beat of PerMinute, or InPart beeps evenly spread, each at the end of its
// share, with Opens ("triple") at the beginning.
type Beeps struct {
	PerMinute float64 `yaml:"per_minute,omitempty" json:"per_minute,omitempty"`
	InPart    int     `yaml:"in_part,omitempty" json:"in_part,omitempty"`
	Opens     string  `yaml:"opens,omitempty" json:"opens,omitempty"`
}

// Every is the time between two beeps; 0: none sounds.
func (b *Beeps) Every(lasts Ms) float64 {
	switch {
	case b.PerMinute > 0:
		return float64(Minute) / b.PerMinute
	case b.InPart > 0:
		return float64(lasts) / float64(b.InPart)
	}
	return 0
}

// MarshalJSON writes "" for silence.
func (b Beeps) MarshalJSON() ([]byte, error) {
	if b == (Beeps{}) {
		return []byte(`""`), nil
	}
	type plain Beeps
	return json.Marshal(plain(b))
}

// UnmarshalJSON reads beeps; a text, as older plans have it, is silence.
func (b *Beeps) UnmarshalJSON(data []byte) error {
	*b = Beeps{}
	if data[0] == '"' {
		return nil
	}
	type plain Beeps
	return json.Unmarshal(data, (*plain)(b))
}

// Run is the course of a walk in metres, there and back or around.
type Run struct {
	LengthM float64 `yaml:"length_m" json:"length_m"`
}

// Pause lets the participant rest without stopping the clock; By says what may begin a rest.
type Pause struct {
	By    []string `yaml:"by" json:"by"`       // "participant", "sign"
	Clock string   `yaml:"clock" json:"clock"` // "runs"
}

// Sum is a running quantity of a part: "sum", "lowest" or "highest".
type Sum struct {
	What Quantity `yaml:"what" json:"what"`
	As   string   `yaml:"as" json:"as"`
}

// Cue is said to the participant at a moment of the part.
type Cue struct {
	At   Ms     `yaml:"at" json:"at"`
	Text string `yaml:"text" json:"text"`
}

// Ask names when a step up of the work rate wants a second confirmation and the next gentler row is offered.
type Ask struct {
	StepOverWatts float64       `yaml:"step_over_watts" json:"step_over_watts"`
	When          []State       `yaml:"when" json:"when"`
	AgeFrom       float64       `yaml:"age_from" json:"age_from"`
	Expected      Maybe[Expect] `yaml:"expected_heart_rate" json:"expected_heart_rate"`
}

// Expect asks when the heart rate that Estimator would expect at the new load, for a person FitterBy
// mL/kg/min fitter than the median for age and sex, lies above the end point.
type Expect struct {
	Estimator string   `yaml:"estimator" json:"estimator"`
	FitterBy  float64  `yaml:"fitter_by" json:"fitter_by"`
	Reference string   `yaml:"reference" json:"reference"`
	Medians   []Median `yaml:"medians" json:"medians"`
}

// Median lists median VO2peak in mL/kg/min from an age on, for one sex.
type Median struct {
	Sex  string   `yaml:"sex" json:"sex"`
	Ages []FromAg `yaml:"ages" json:"ages"`
}

// FromAg is a median that holds from an age in years on.
type FromAg struct {
	From float64 `yaml:"from" json:"from"`
	VO2  float64 `yaml:"vo2" json:"vo2"`
}

// Line is a linear estimator as plain numbers: value = Constant + sum of coefficient times input.
// It is filled from the estimator named in a plan and never written in one.
type Line struct {
	Constant, Age, Mass, Male, Work, HeartRate float64
}

// Breaks says what follows when the participant stops moving for a while inside a part.
type Breaks struct {
	GoOn    Ms     `yaml:"go_on" json:"go_on"`     // up to this long: go on
	AddTo   Ms     `yaml:"add_to" json:"add_to"`   // up to this long: the part gets Add
	Add     Ms     `yaml:"add" json:"add"`         //
	Restart Ms     `yaml:"restart" json:"restart"` // up to this long: the part's minutes begin again
	AtMost  int    `yaml:"at_most" json:"at_most"` // restarts of one part; after that the test ends
	Beyond  string `yaml:"beyond" json:"beyond"`   // "end"
}

// Wrong says what follows when a wrong work rate is put right inside a part.
type Wrong struct {
	GoOnWithin Ms `yaml:"go_on_within" json:"go_on_within"` // put right this early: go on; later: the part's minutes restart
	// A measured work rate that differs from the set one by more than the larger of the two is a caution.
	ToleranceWatts   float64 `yaml:"tolerance_watts" json:"tolerance_watts"`
	TolerancePercent int     `yaml:"tolerance_percent" json:"tolerance_percent"`
}

// SignUse names the table of stop signs and which of its signs this plan uses: ids, or "all". Own are signs
// that only this plan has, such as a saturation at which a walker rests.
type SignUse struct {
	Table string   `yaml:"table" json:"table"`
	Use   []string `yaml:"use" json:"use"`
	Own   []Sign   `yaml:"own,omitempty" json:"own,omitempty"`
}

// Cool is the cool-down: work at or below AtMost part's work rate, for Lasts.
type Cool struct {
	AtMost string `yaml:"at_most" json:"at_most"` // id of a part
	Lasts  Ms     `yaml:"lasts" json:"lasts"`
}

// Recover says what is read after the test and when the participant has recovered.
type Recover struct {
	Every       Ms      `yaml:"every" json:"every"`                 // a heart rate and a pressure each
	HRWithin    float64 `yaml:"hr_within" json:"hr_within"`         // of own rest, /min
	SBPWithin   float64 `yaml:"sbp_within" json:"sbp_within"`       // of own rest on either side, mmHg
	SBPNotBelow float64 `yaml:"sbp_not_below" json:"sbp_not_below"` // mmHg
	AtLeast     Ms      `yaml:"at_least" json:"at_least"`
	Heart       Ms      `yaml:"heart_at_least" json:"heart_at_least"` // with heart disease recorded, counted from the end of the cool-down
	AskAt       Ms      `yaml:"ask_at" json:"ask_at"`                 // unresolved at this time: ask a physician
}

// Again allows the whole test to be repeated within a visit, After a rest; Report is "longer", "better" or "last".
type Again struct {
	After  Ms     `yaml:"after" json:"after"`
	Report string `yaml:"report" json:"report"`
}

// Saying is what the examiner says to the participant at a moment: "before", "each-part", "end", or a part id.
type Saying struct {
	When string `yaml:"when" json:"when"`
	Text string `yaml:"text" json:"text"`
}

// Source is a publication. ID is what papers refer to.
type Source struct {
	ID      string `yaml:"id" json:"id"`
	Title   string `yaml:"title" json:"title"`
	Journal string `yaml:"journal,omitempty" json:"journal"`
	Year    int    `yaml:"year,omitempty" json:"year"`
	DOI     string `yaml:"doi,omitempty" json:"doi"`
}

// Paper says where numbers come from: Of lists paths in the file, How is seen, memory, practice, choice or derived.
type Paper struct {
	Of     []string `yaml:"of" json:"of"`
	How    How      `yaml:"how" json:"how"`
	Source string   `yaml:"source,omitempty" json:"source"`
	Note   string   `yaml:"note,omitempty" json:"note"`
}

// Find returns the index of the part with an id, or -1.
func (p *Protocol) Find(id string) int {
	for i := range p.Parts {
		if p.Parts[i].ID == id {
			return i
		}
	}
	return -1
}

// SetOf returns the planned readings of a part; nil when it has none.
func (p *Protocol) SetOf(part int) []Planned {
	for i := range p.Readings.Sets {
		if p.Readings.Sets[i].ID == p.Parts[part].Read {
			return p.Readings.Sets[i].Read
		}
	}
	return nil
}

// SignIndex returns the index in Table of a stop sign, or -1.
func (p *Protocol) SignIndex(id string) int {
	for i := range p.Table {
		if p.Table[i].ID == id {
			return i
		}
	}
	return -1
}

// PaperOf returns the paper of a path such as "hold.within": the entry with the longest matching path.
func (p *Protocol) PaperOf(path string) (Paper, bool) {
	best, found := -1, Paper{}
	for _, paper := range p.Papers {
		for _, of := range paper.Of {
			if covers(of, path) && len(of) > best {
				best, found = len(of), paper
			}
		}
	}
	return found, best >= 0
}

// covers reports whether a paper for path of speaks for path too: the same, or something inside it.
func covers(of, path string) bool {
	if len(of) > len(path) || path[:len(of)] != of {
		return false
	}
	return len(of) == len(path) || path[len(of)] == '.' || path[len(of)] == '['
}

// SourceOf returns the publication with an id.
func (p *Protocol) SourceOf(id string) (Source, bool) {
	for _, s := range p.Sources {
		if s.ID == id {
			return s, true
		}
	}
	return Source{}, false
}
