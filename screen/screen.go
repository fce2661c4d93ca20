// Package screen helps to decide who should not be tested today, what must be watched, and who decides.
//
// [Shipped] holds the decision tables: preparticipation screening, contraindications, resting limits, drugs and
// rhythm devices, instructions. [Read] takes the answers of a visit from JSON, [Site.Judge] gives the [Outcome]
// with every reason, its source and who may go on in spite of it. A missing answer never makes it milder.
// [Site.Note], [Site.Letter] and [Site.Request] put "not tested today" into words. It informs; the clinician decides.
package screen

import "slices"

// Outcome is what a screening comes to, from mild to strict.
type Outcome string

// The four outcomes.
const (
	Go             Outcome = "go"
	GoWithCautions Outcome = "go with cautions"
	PauseAndAsk    Outcome = "pause and ask"
	DoNotTest      Outcome = "do not test"
)

var outcomes = []Outcome{Go, GoWithCautions, PauseAndAsk, DoNotTest}

// Rank orders outcomes: 0 go, 1 go with cautions, 2 pause and ask, 3 do not test.
func (o Outcome) Rank() int { return slices.Index(outcomes, o) }

func (o Outcome) known() bool { return o.Rank() >= 0 }

// Blocks reports whether the test must not begin as things stand.
func (o Outcome) Blocks() bool { return o.Rank() >= PauseAndAsk.Rank() }

// UnmarshalText reads one of the four outcomes.
func (o *Outcome) UnmarshalText(text []byte) error {
	if !Outcome(text).known() {
		return errWord("outcome", string(text), "go, go with cautions, pause and ask, do not test")
	}
	*o = Outcome(text)
	return nil
}

// Lift says what turns a pause or a stop into a caution.
type Lift string

// Who may go on in spite of a rule, from freely to never.
const (
	ClinicianOnly      Lift = "clinician"            // reason and name; or a physician's clearance that names the rule
	Either             Lift = "either"               // a clearance, or the clinician's reason and name
	Clearance          Lift = "clearance"            // a clearance by a physician or another health-care provider
	PhysicianOnly      Lift = "physician"            // a physician's clearance that names the rule
	PhysicianAndReason Lift = "physician-and-reason" // the same, and reason and name of the clinician
	Nobody             Lift = "nobody"               // the answer itself must change
)

var lifts = []Lift{ClinicianOnly, Either, Clearance, PhysicianOnly, PhysicianAndReason, Nobody}

func (l Lift) rank() int { return slices.Index(lifts, l) }

// UnmarshalText reads one of the words above.
func (l *Lift) UnmarshalText(text []byte) error {
	if Lift(text).rank() < 0 {
		return errWord("lift", string(text), "clinician, either, clearance, physician, physician-and-reason, nobody")
	}
	*l = Lift(text)
	return nil
}

// Answers are what is known about a person on the day of the visit. A nil number, an empty word and a nil list
// are "not answered"; an empty list that is not nil means "none". Names, units, limits and words of every field
// are in the table of fields ([Tables].Fields); [Problems] checks them.
type Answers struct {
	Date     string   `json:"date,omitzero"` // day of the visit, 2026-11-25
	AgeYears *float64 `json:"age_years,omitzero"`
	Consent  string   `json:"consent,omitzero"` // yes or no, as every word below that has no list

	RegularExercise   string   `json:"regular_exercise,omitzero"`
	KnownDisease      []string `json:"known_disease,omitzero"`
	Symptoms          []string `json:"symptoms,omitzero"`
	IntendedIntensity string   `json:"intended_intensity,omitzero"` // light, moderate, vigorous

	Contraindications       []string `json:"contraindications,omitzero"`
	ContraindicationsUnsure []string `json:"contraindications_unsure,omitzero"`
	DaysSinceHeartAttack    *float64 `json:"days_since_heart_attack,omitzero"`
	DaysSinceStroke         *float64 `json:"days_since_stroke,omitzero"`

	RestSBPmmHg         *float64 `json:"rest_sbp_mmhg,omitzero"`
	RestDBPmmHg         *float64 `json:"rest_dbp_mmhg,omitzero"`
	RestHRBPM           *float64 `json:"rest_hr_bpm,omitzero"`
	IrregularPerMin     *float64 `json:"irregular_beats_per_min,omitzero"`
	SpO2Percent         *float64 `json:"spo2_percent,omitzero"`
	OnOxygen            string   `json:"on_oxygen,omitzero"`
	StandingSBPDropmmHg *float64 `json:"standing_sbp_drop_mmhg,omitzero"`
	StandingSymptoms    string   `json:"standing_symptoms,omitzero"`
	TemperatureC        *float64 `json:"temperature_c,omitzero"`

	GlucoseMgDL         *float64 `json:"glucose_mg_dl,omitzero"`
	GlucoseMmolL        *float64 `json:"glucose_mmol_l,omitzero"`
	Ketones             string   `json:"ketones,omitzero"` // none, small, moderate, large
	SevereLowGlucose24h string   `json:"severe_low_glucose_24h,omitzero"`
	INR                 *float64 `json:"inr,omitzero"`
	HaemoglobinGDL      *float64 `json:"haemoglobin_g_dl,omitzero"`
	PlateletsPerMm3     *float64 `json:"platelets_per_mm3,omitzero"`

	Drugs              []string `json:"drugs,omitzero"` // classes of drugs
	RhythmDevices      []string `json:"rhythm_devices,omitzero"`
	ICDDetectionBPM    *float64 `json:"icd_detection_bpm,omitzero"`
	UpperPacingRateBPM *float64 `json:"upper_pacing_rate_bpm,omitzero"`

	FoodAsTold     string `json:"food_as_told,omitzero"`
	CaffeineAsTold string `json:"caffeine_as_told,omitzero"`
	SmokingAsTold  string `json:"smoking_as_told,omitzero"`
	ExerciseAsTold string `json:"exercise_as_told,omitzero"`
	DrugsAsUsual   string `json:"drugs_as_usual,omitzero"`

	Questionnaire *Questionnaire `json:"questionnaire,omitzero"`
	Clearances    []Clear        `json:"clearances,omitzero"`
	Overrides     []Override     `json:"overrides,omitzero"`
}

// Questionnaire records a self-completed form: which, when and what it came to. Its questions are not kept.
type Questionnaire struct {
	Version   string `json:"version,omitzero"`
	Date      string `json:"date,omitzero"`
	Outcome   string `json:"outcome,omitzero"` // no_follow_up_needed, cleared, follow_up_needed
	ClearedBy string `json:"cleared_by,omitzero"`
}

// Clear is a recorded clearance: who gave it, when, for what.
type Clear struct {
	By                string   `json:"by"`
	Role              string   `json:"role"` // physician or other_provider
	Date              string   `json:"date"`
	For               []string `json:"for"` // light_moderate, vigorous, test, or ids of rules
	SymptomsUnchanged string   `json:"symptoms_unchanged,omitzero"`
	Note              string   `json:"note,omitzero"`
}

// Override is the clinician's decision to go on in spite of a rule.
type Override struct {
	Rule   string `json:"rule"`
	Reason string `json:"reason"`
	Name   string `json:"name"`
}

// Result is the outcome of a screening with all that led to it.
type Result struct {
	Outcome     Outcome   `json:"outcome"`
	Reasons     []Reason  `json:"reasons"`     // gravest first
	Overridable bool      `json:"overridable"` // the clinician may go on with reason and name, as things stand
	Branch      string    `json:"branch"`      // A1 to B3, or "" when answers are missing
	HeartRate   HeartRate `json:"heart_rate"`
	Policy      *Applied  `json:"policy,omitempty"`
	NotTaken    []string  `json:"not_taken,omitempty"` // clearances and overrides that do not count, and why
	Tables      string    `json:"tables"`              // id and version of the decision tables
}

// Reason is one rule that speaks, its source, and who may go on in spite of it.
type Reason struct {
	ID      string  `json:"id"`
	Text    string  `json:"text"`
	Source  string  `json:"source"`
	How     string  `json:"how"`             // seen, memory, practice, choice
	Found   string  `json:"found,omitempty"` // the measured value with its unit, where a number is the cause
	Outcome Outcome `json:"outcome"`
	Was     Outcome `json:"was,omitempty"`    // what it did before it was lifted
	Lifted  string  `json:"lifted,omitempty"` // by whom and why it no longer blocks
	Needed  string  `json:"needed,omitempty"`
	Decides string  `json:"decides,omitempty"`
	Lift    Lift    `json:"override,omitempty"` // who may go on in spite of it; only where it blocks
	Group   string  `json:"group"`
	Note    string  `json:"note,omitempty"`
	Also    []Print `json:"also,omitempty"` // other sources, other limits
}

// Said is the text with the measured value behind it.
func (r Reason) Said() string {
	if r.Found == "" {
		return r.Text
	}
	return r.Text + ": " + r.Found
}

// HeartRate says whether heart rate may lead the test and carry an estimate.
type HeartRate struct {
	Leads    bool     `json:"leads"`
	Estimate string   `json:"estimate"` // as usual, doubtful, blocked unless adjusted, blocked
	Why      []string `json:"why"`
}
