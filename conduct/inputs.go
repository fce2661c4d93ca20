package conduct

import (
	_ "embed"
	"fmt"
	"math"
	"strconv"
	"strings"

	"gradus/physiology"
	"gradus/protocol"
)

// Sex as the equations use it.
type Sex uint8

// The two codings of the equations.
const (
	SexUnknown Sex = iota
	Female
	Male
)

// Drug says whether a drug that limits heart rate is taken.
type Drug uint8

// What is known about rate-limiting drugs.
const (
	DrugNotRecorded Drug = iota // counts as unknown
	DrugNo
	DrugYes
	DrugNotKnown
)

// Rhythm is the heart's rhythm, or what makes its rate misleading.
type Rhythm uint8

// Rhythms and devices.
const (
	RhythmNotRecorded Rhythm = iota
	Sinus
	AtrialFib
	PacedRhythm
	Transplant
	SpinalLesionT6
	OtherRhythm
)

// Condition is a set of kinds of disease.
type Condition uint8

// Kinds of conditions; a person may have several.
const (
	CondNeurological Condition = 1 << iota
	CondHeart
	CondLung
	CondOther // recorded, but of another or an unknown kind
)

// Cover says whether medical cover is at hand during the test.
type Cover uint8

// What is known about medical cover.
const (
	CoverNotRecorded Cover = iota
	CoverNo
	CoverYes
)

// Shows is what a machine displays of the load.
type Shows uint8

// What machines show.
const (
	ShowsNotRecorded Shows = iota
	ShowsWatts
	ShowsLevels     // a table of the site turns them into watts
	ShowsMETs       // METs alone: they assume a weight and a formula
	ShowsLevelsOnly // levels of which the site has no table of watts
)

// BPEvery says in which stages blood pressure is planned.
type BPEvery uint8

// Settings of blood pressure.
const (
	BPEachStage BPEvery = iota
	BPSecondStage
	BPNone
)

var (
	sexWords       = []string{"", "female", "male"}
	drugWords      = []string{"", "no", "yes", "unknown"}
	rhythmWords    = []string{"", "sinus", "atrial-fibrillation", "paced", "heart-transplant", "sci-t6-or-above", "other"}
	bpWords        = []string{"every-stage", "every-second-stage", "none"}
	coverWords     = []string{"", "no", "yes"}
	showsWords     = []string{"", "watts", "levels", "mets", "levels-only"}
	conditionWords = []string{"neurological", "heart", "lung", "other"}
)

// MarshalText writes the word.
func (s Sex) MarshalText() ([]byte, error) { return []byte(word(sexWords, uint8(s))), nil }

// UnmarshalText reads the word.
func (s *Sex) UnmarshalText(t []byte) error { return readWord(sexWords, "sex", t, (*uint8)(s)) }

// MarshalText writes the word.
func (d Drug) MarshalText() ([]byte, error) { return []byte(word(drugWords, uint8(d))), nil }

// UnmarshalText reads the word.
func (d *Drug) UnmarshalText(t []byte) error {
	return readWord(drugWords, "rate-limiting drug", t, (*uint8)(d))
}

// MarshalText writes the word.
func (r Rhythm) MarshalText() ([]byte, error) { return []byte(word(rhythmWords, uint8(r))), nil }

// UnmarshalText reads the word.
func (r *Rhythm) UnmarshalText(t []byte) error {
	return readWord(rhythmWords, "rhythm", t, (*uint8)(r))
}

// MarshalText writes the word.
func (b BPEvery) MarshalText() ([]byte, error) { return []byte(word(bpWords, uint8(b))), nil }

// UnmarshalText reads the word.
func (b *BPEvery) UnmarshalText(t []byte) error {
	return readWord(bpWords, "blood-pressure setting", t, (*uint8)(b))
}

// MarshalText writes the word.
func (c Cover) MarshalText() ([]byte, error) { return []byte(word(coverWords, uint8(c))), nil }

// UnmarshalText reads the word.
func (c *Cover) UnmarshalText(t []byte) error {
	return readWord(coverWords, "medical cover", t, (*uint8)(c))
}

// NoWatts reports whether the machine gives no work rate: heart rate, exertion and level are recorded instead.
func (m Shows) NoWatts() bool { return m == ShowsMETs || m == ShowsLevelsOnly }

// MarshalText writes the word.
func (m Shows) MarshalText() ([]byte, error) { return []byte(word(showsWords, uint8(m))), nil }

// UnmarshalText reads the word.
func (m *Shows) UnmarshalText(t []byte) error {
	return readWord(showsWords, "display of the machine", t, (*uint8)(m))
}

// MarshalText lists the kinds, joined by plus signs.
func (c Condition) MarshalText() ([]byte, error) {
	var kinds []string
	for i, kind := range conditionWords {
		if c&(1<<i) != 0 {
			kinds = append(kinds, kind)
		}
	}
	return []byte(strings.Join(kinds, "+")), nil
}

// UnmarshalText reads kinds joined by plus signs.
func (c *Condition) UnmarshalText(t []byte) error {
	*c = 0
	if len(t) == 0 {
		return nil
	}
	for _, kind := range strings.Split(string(t), "+") {
		var i uint8
		if err := readWord(conditionWords, "condition", []byte(kind), &i); err != nil {
			return err
		}
		*c |= 1 << i
	}
	return nil
}

func word(words []string, i uint8) string {
	if int(i) < len(words) {
		return words[i]
	}
	return "unknown"
}

func readWord(words []string, kind string, text []byte, to *uint8) error {
	for i, w := range words {
		if w == string(text) {
			*to = uint8(i)
			return nil
		}
	}
	known := words
	if known[0] == "" {
		known = known[1:]
	}
	return fmt.Errorf("%s %q is not known; known are %s", kind, text, strings.Join(known, ", "))
}

// Inputs are the de-identified facts about the participant and the choices made for this test.
// A zero number or word means not recorded or not chosen.
type Inputs struct {
	AgeYears  float64   `json:"age_years,omitempty"`
	Sex       Sex       `json:"sex,omitzero"`
	MassKg    float64   `json:"mass_kg,omitempty"`
	HeightCm  float64   `json:"height_cm,omitempty"`
	RestHR    float64   `json:"rest_hr_bpm,omitempty"`
	RestSBP   float64   `json:"rest_sbp_mmhg,omitempty"`
	RestDBP   float64   `json:"rest_dbp_mmhg,omitempty"`
	Drug      Drug      `json:"rate_limiting_drug,omitzero"`
	DrugName  string    `json:"rate_limiting_drug_name,omitempty"` // with DrugYes; the dose may stand with it
	DoseHours float64   `json:"hours_since_dose,omitempty"`        // since that drug was taken last
	Rhythm    Rhythm    `json:"rhythm,omitzero"`
	Condition Condition `json:"condition,omitzero"`
	HRMethod  Source    `json:"hr_method,omitzero"`

	MaxHR       float64 `json:"max_hr_bpm,omitempty"`           // measured or known; else by formula
	Formula     string  `json:"max_hr_formula,omitempty"`       // "" is that of the first test, else the protocol's
	First       string  `json:"first_max_hr_formula,omitempty"` // formula of the person's first test; "" is not known, or this is it
	EndPercent  float64 `json:"end_point_percent,omitempty"`    // 0 is the protocol's
	HRLimit     float64 `json:"hr_limit_bpm,omitempty"`         // safety limits: of the site or the referrer
	SBPLimit    float64 `json:"sbp_limit_mmhg,omitempty"`       //
	SpO2Limit   float64 `json:"spo2_limit_percent,omitempty"`   //
	RPELimit    float64 `json:"rpe_limit,omitempty"`            //
	DeviceRate  float64 `json:"device_rate_bpm,omitempty"`      // rate at which an implanted device acts
	DeviceBelow float64 `json:"device_margin_bpm,omitempty"`    // how far below it the test stays; 0: the careful choice of limits.csv
	IschaemiaHR float64 `json:"ischaemia_hr_bpm,omitempty"`     // heart rate at which ischaemia began
	LimitsBy    string  `json:"limits_by,omitempty"`            // name, or name and date, of whoever set them
	LimitsOn    string  `json:"limits_on,omitempty"`            // date, where it is not in the name; by one limit alone:
	HRLimitBy   string  `json:"hr_limit_by,omitempty"`
	SBPLimitBy  string  `json:"sbp_limit_by,omitempty"`
	SpO2LimitBy string  `json:"spo2_limit_by,omitempty"`
	RPELimitBy  string  `json:"rpe_limit_by,omitempty"`
	RPEEnd      float64 `json:"rpe_end,omitempty"`    // the site's choice instead of the protocol's
	RPEAlert    float64 `json:"rpe_alert,omitempty"`  //
	RPEReason   string  `json:"rpe_reason,omitempty"` // and its reason
	Cadence     float64 `json:"target_cadence_per_min,omitempty"`
	BP          BPEvery `json:"blood_pressure,omitzero"`
	Cover       Cover   `json:"medical_cover,omitzero"`
	MachineID   string  `json:"machine_id,omitempty"` // the site's own name
	Machine     Shows   `json:"machine_shows,omitzero"`
	Answers     Answers `json:"answers,omitzero"`
	Aid         string  `json:"walking_aid,omitempty"` // none, stick, rollator, ... as the site calls it
	Rail        Rail    `json:"hand_rail,omitzero"`    // of a treadmill
}

// inputNumber is an input that is a number, with the range in which it can be true.
type inputNumber struct {
	name      string
	low, high float64
}

//go:embed inputs.csv
var inputsFile string

// inputNumbers are the lines of inputs.csv, in the order of [Inputs.number].
var inputNumbers = readInputNumbers(inputsFile)

func readInputNumbers(file string) (out []inputNumber) {
	for n, line := range strings.Split(strings.TrimSpace(file), "\n")[1:] {
		cell := strings.SplitN(line, ",", 5)
		low, err1 := strconv.ParseFloat(cell[1], 64)
		high, err2 := strconv.ParseFloat(cell[2], 64)
		if err1 != nil || err2 != nil {
			panic(fmt.Sprintf("conduct: inputs.csv line %d: %v %v", n+2, err1, err2))
		}
		out = append(out, inputNumber{cell[0], low, high})
	}
	return out
}

// number is the place of the i-th of inputNumbers.
func (in *Inputs) number(i int) *float64 {
	switch i {
	case 0:
		return &in.AgeYears
	case 1:
		return &in.MassKg
	case 2:
		return &in.HeightCm
	case 3:
		return &in.RestHR
	case 4:
		return &in.RestSBP
	case 5:
		return &in.RestDBP
	case 6:
		return &in.MaxHR
	case 7:
		return &in.EndPercent
	case 8:
		return &in.HRLimit
	case 9:
		return &in.SBPLimit
	case 10:
		return &in.SpO2Limit
	case 11:
		return &in.RPELimit
	case 12:
		return &in.RPEEnd
	case 13:
		return &in.RPEAlert
	case 14:
		return &in.Cadence
	case 15:
		return &in.DeviceRate
	case 16:
		return &in.DeviceBelow
	case 17:
		return &in.IschaemiaHR
	}
	return &in.DoseHours
}

// Set puts one input, a number or a word, by its name. It refuses an unknown name, a value that cannot be
// true and an unknown word; then nothing is changed.
func (in *Inputs) Set(name, word string, v float64) error {
	for i := range inputNumbers {
		n := &inputNumbers[i]
		if n.name != name {
			continue
		}
		if !(v >= n.low && v <= n.high) && v != 0 || math.IsNaN(v) {
			return fmt.Errorf("%s %g is not between %g and %g; check the entry", name, v, n.low, n.high)
		}
		if name == "device_margin_bpm" && !marginKnown(v) {
			return marginError(v)
		}
		*in.number(i) = v
		return nil
	}
	if known, err := in.Answers.set(name, v); known {
		return err
	}
	if to := in.plain(name); to != nil {
		*to = word
		return nil
	}
	switch name {
	case "sex":
		return in.Sex.UnmarshalText([]byte(word))
	case "rate_limiting_drug":
		return in.setDrug(word)
	case "rhythm":
		return in.Rhythm.UnmarshalText([]byte(word))
	case "condition":
		return in.Condition.UnmarshalText([]byte(word))
	case "hr_method":
		return in.HRMethod.UnmarshalText([]byte(word))
	case "blood_pressure":
		return in.BP.UnmarshalText([]byte(word))
	case "medical_cover":
		return in.Cover.UnmarshalText([]byte(word))
	case "hand_rail":
		return in.Rail.UnmarshalText([]byte(word))
	case "machine_shows":
		return in.Machine.UnmarshalText([]byte(word))
	case "max_hr_formula":
		if _, ok := physiology.FormulaFor(word); !ok && word != "" {
			return fmt.Errorf("no formula of maximal heart rate is called %q", word)
		}
		in.Formula = word
		return nil
	}
	return fmt.Errorf("no input is called %q", name)
}

// setDrug takes yes, no or unknown; after yes a name may stand, "yes: atenolol", so that both are one correction.
func (in *Inputs) setDrug(word string) error {
	word, name, named := strings.Cut(word, ": ")
	was := in.Drug
	if err := in.Drug.UnmarshalText([]byte(word)); err != nil {
		return err
	}
	switch {
	case named && in.Drug != DrugYes:
		in.Drug = was
		return fmt.Errorf("a drug is named (%s), and %q is said; say yes", name, word)
	case named:
		in.DrugName = name
	case in.Drug != DrugYes:
		in.DrugName = ""
	}
	return nil
}

// plain is the place of an input that is free text; nil when the name is not one.
func (in *Inputs) plain(name string) *string {
	switch name {
	case "rate_limiting_drug_name":
		return &in.DrugName
	case "limits_by":
		return &in.LimitsBy
	case "limits_on":
		return &in.LimitsOn
	case "hr_limit_by":
		return &in.HRLimitBy
	case "sbp_limit_by":
		return &in.SBPLimitBy
	case "spo2_limit_by":
		return &in.SpO2LimitBy
	case "rpe_limit_by":
		return &in.RPELimitBy
	case "rpe_reason":
		return &in.RPEReason
	case "machine_id":
		return &in.MachineID
	case "walking_aid":
		return &in.Aid
	}
	return nil
}

// LimitBy is who set a safety limit and when; "" when nobody said.
func (in *Inputs) LimitBy(m protocol.Measure) string {
	by := ""
	switch m {
	case protocol.MeasureHR:
		by = in.HRLimitBy
	case protocol.MeasureSBP:
		by = in.SBPLimitBy
	case protocol.MeasureSpO2:
		by = in.SpO2LimitBy
	case protocol.MeasureRPE:
		by = in.RPELimitBy
	}
	if by != "" {
		return by
	}
	if in.LimitsOn == "" || in.LimitsBy == "" {
		return in.LimitsBy
	}
	return in.LimitsBy + ", " + in.LimitsOn
}

// Check refuses inputs whose numbers cannot be true; it is what Set does, for all at once.
func (in *Inputs) Check() error {
	for i := range inputNumbers {
		n := &inputNumbers[i]
		if v := *in.number(i); v != 0 && !(v >= n.low && v <= n.high) {
			return fmt.Errorf("%s %g is not between %g and %g; check the entry", n.name, v, n.low, n.high)
		}
	}
	if !marginKnown(in.DeviceBelow) {
		return marginError(in.DeviceBelow)
	}
	if in.Cover > CoverYes || in.Rail > RailHeld || in.Machine > ShowsLevelsOnly || in.Sex > Male || in.Drug > DrugNotKnown || in.Rhythm > OtherRhythm || in.BP > BPNone || in.HRMethod >= sourceCount {
		return fmt.Errorf("a word among the inputs is out of range; check the entry")
	}
	if in.Formula != "" {
		if _, ok := physiology.FormulaFor(in.Formula); !ok {
			return fmt.Errorf("max_hr_formula %q is not known; check the entry", in.Formula)
		}
	}
	if in.First != "" {
		if _, ok := physiology.FormulaFor(in.First); !ok {
			return fmt.Errorf("first_max_hr_formula %q is not known; check the entry", in.First)
		}
	}
	return nil
}

// Missing lists the required inputs of a protocol that are not recorded.
func (in *Inputs) Missing(p *protocol.Protocol) (names []string) {
	for _, name := range p.Inputs.Required {
		if name == "sex" {
			if in.Sex == SexUnknown {
				names = append(names, name)
			}
			continue
		}
		if v, known := in.value(name); known && v == 0 {
			names = append(names, name)
		}
	}
	return names
}

// value is an input that is a number, by its name; 0: not recorded.
func (in *Inputs) value(name string) (v float64, known bool) {
	for i := range inputNumbers {
		if inputNumbers[i].name == name {
			return *in.number(i), true
		}
	}
	return 0, false
}

// Has reports whether something recorded about the participant holds.
func (in *Inputs) Has(p *protocol.Protocol, s protocol.State) bool {
	switch s {
	case protocol.OnRateLimitingDrug:
		return in.Drug == DrugYes
	case protocol.DrugUnknown:
		return in.Drug == DrugNotKnown || in.Drug == DrugNotRecorded
	case protocol.NotSinus:
		return in.Rhythm != Sinus && in.Rhythm != RhythmNotRecorded
	case protocol.AtrialFibrillation:
		return in.Rhythm == AtrialFib
	case protocol.Paced:
		return in.Rhythm == PacedRhythm
	case protocol.HeartTransplant:
		return in.Rhythm == Transplant
	case protocol.SpinalT6:
		return in.Rhythm == SpinalLesionT6
	case protocol.Neurological:
		return in.Condition&(CondNeurological|CondOther) != 0
	case protocol.Heart:
		return in.Condition&CondHeart != 0
	case protocol.Lung:
		return in.Condition&CondLung != 0
	case protocol.NoMedicalCover:
		return in.Cover == CoverNo
	case protocol.HRCannotLead:
		return in.hasAny(p, p.Misleads)
	}
	return false
}

func (in *Inputs) hasAny(p *protocol.Protocol, states []protocol.State) bool {
	for _, s := range states {
		if in.Has(p, s) {
			return true
		}
	}
	return false
}

// firstOf returns the first of the states that holds, for the reason shown.
func (in *Inputs) firstOf(p *protocol.Protocol, states []protocol.State) protocol.State {
	for _, s := range states {
		if in.Has(p, s) {
			return s
		}
	}
	return protocol.NoState
}

// Limits are the numbers that end this test, computed from protocol and inputs.
type Limits struct {
	MaxHR      float64 // maximal heart rate used, /min
	Formula    string  // its formula, or "given"
	Percent    float64 // of MaxHR or of heart-rate reserve
	EndPoint   float64 // /min, exact; 0: the protocol has none, or age is not recorded
	EndBeat    int     // the first whole beat that ends the test
	HRLimit    float64 // safety limits; 0: none. Of heart rate the lowest of all:
	HRLimitOf  HRLimit // which one it is
	SBPLimit   float64
	SpO2Limit  float64
	RPEEnd     float64 // exertion that ends the test
	RPEAlert   float64
	RPELimit   float64 // referrer's; 0: none
	HRLeads    bool    // false: heart rate may not be the only end point
	NotLeading protocol.State
}

// LimitsOf computes the limits of a test.
func LimitsOf(p *protocol.Protocol, in *Inputs) (l Limits) {
	l.HRLimit, l.HRLimitOf = lowestHR(in)
	l.SBPLimit, l.SpO2Limit, l.RPELimit = in.SBPLimit, in.SpO2Limit, in.RPELimit
	l.NotLeading = in.firstOf(p, p.Misleads)
	l.HRLeads = l.NotLeading == protocol.NoState
	if p.EndPoint.Is() {
		l.endPoint(p.Modality, &p.EndPoint.It, in)
	}
	if p.Exertion.Is() {
		l.exertion(p, in)
	}
	return l
}

// FormulaOf is the id of the formula of maximal heart rate for a test of a modality: the one chosen for this test, else
// that of the person's first test where it still holds, else the protocol's. A protocol that needs its own formula for
// its end point takes no other by default.
func (in *Inputs) FormulaOf(modality string, end *protocol.End) string {
	switch {
	case in.Formula != "":
		return in.Formula
	case !end.Needs && in.First != "" && in.holds(modality):
		return in.First
	}
	return end.Formula
}

// holds reports whether the formula of the first test can be used today: one for people on a drug only while it is
// taken, one for another kind of test not at all.
func (in *Inputs) holds(modality string) bool {
	_, f, err := physiology.MaxHR(in.First, in.AgeYears, in.Sex == Female, in.RestHR)
	return err == nil && (f.Drug == "none" || in.Drug == DrugYes) && (f.Mode == "" || f.Mode == modality)
}

func (l *Limits) endPoint(modality string, end *protocol.End, in *Inputs) {
	l.MaxHR, l.Formula = in.MaxHR, "given"
	if in.MaxHR == 0 {
		max, f, err := physiology.MaxHR(in.FormulaOf(modality, end), in.AgeYears, in.Sex == Female, in.RestHR)
		if err != nil {
			l.Formula = ""
			return
		}
		l.MaxHR, l.Formula = max, f.ID
	}
	l.Percent = in.EndPercent
	if l.Percent == 0 {
		l.Percent = float64(end.Percent)
	}
	if end.Of == "hr_reserve" {
		if in.RestHR == 0 {
			return
		}
		l.EndPoint = in.RestHR + percentOf(l.Percent, l.MaxHR-in.RestHR)
	} else {
		l.EndPoint = percentOf(l.Percent, l.MaxHR)
	}
	l.EndBeat = physiology.EndsAt(l.EndPoint)
}

// percentOf multiplies before it divides, so that 85 of 170 is 144.5 exactly.
func percentOf(percent, value float64) float64 { return float64(percent*value) / 100 }

func (l *Limits) exertion(p *protocol.Protocol, in *Inputs) {
	e := &p.Exertion.It
	l.RPEAlert, l.RPEEnd = e.Alert, e.End
	if in.hasAny(p, e.Careful.When) {
		l.RPEAlert, l.RPEEnd = e.Careful.Alert, e.Careful.End
	}
	if in.RPEEnd != 0 {
		l.RPEEnd = in.RPEEnd
	}
	if in.RPEAlert != 0 {
		l.RPEAlert = in.RPEAlert
	}
}
