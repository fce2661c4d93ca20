package protocol

// A Sign is one row of the table of stop signs: what is seen, and what follows.
// Every plan uses the same table, so that safety is one set of data.
type Sign struct {
	ID   string `yaml:"id" json:"id"`
	Text string `yaml:"text" json:"text"` // in own words, spoken to the examiner
	When When   `yaml:"when" json:"when"`
	With State  `yaml:"only_with,omitempty" json:"only_with,omitzero"` // in force only where this is recorded
	Does Does   `yaml:"does" json:"does"`
	// Within is the time to measure again after an alert; then the sign, if confirmed or not measured, stops.
	Within Ms     `yaml:"within,omitempty" json:"within"`
	Resume *When  `yaml:"resume,omitempty" json:"resume,omitempty"` // with Does pause: when the rest may end
	After  After  `yaml:"after" json:"after"`
	How    How    `yaml:"how" json:"how"`
	Source string `yaml:"source" json:"source"`
	Note   string `yaml:"note,omitempty" json:"note,omitempty"`
}

// Fault says what a sign lacks; "" when it is whole.
func (s *Sign) Fault() string {
	plain := s.When.Plain() || s.When.Unread || s.When.FallsBy != nil || s.When.BelowRest || s.When.NotRising
	switch {
	case !isID(s.ID) || s.Text == "" || s.Does == 0 || s.After == 0 || s.How == 0:
		return "needs an id, text, does, after and how"
	case s.When.Told && s.With != NoState:
		return "what is told counts for everyone; only_with goes with a measured sign"
	case s.When.Unread && (s.When.What != MeasureHR || s.Does != DoesCheck):
		return "unread goes with what: heart_rate and does: check"
	case s.When.Told == plain || plain && s.When.What == 0:
		return "needs either told, or what with one limit"
	case (s.Does == DoesCheck) != (s.Within > 0):
		return "within goes with does: check"
	case s.Resume != nil && (s.Does != DoesPause || !s.Resume.Plain()):
		return "resume goes with does: pause and one limit"
	}
	return ""
}

// When is how a sign shows itself: told by or seen in the participant, or a measured number.
type When struct {
	Told      bool     `yaml:"told,omitempty" json:"told,omitempty"`
	Symptom   bool     `yaml:"symptom,omitempty" json:"symptom,omitempty"` // told, and felt or shown by the body: not a wish, not a machine
	What      Measure  `yaml:"what,omitempty" json:"what,omitempty"`
	Above     *float64 `yaml:"above,omitempty" json:"above,omitempty"`
	AtLeast   *float64 `yaml:"at_least,omitempty" json:"at_least,omitempty"`
	Below     *float64 `yaml:"below,omitempty" json:"below,omitempty"`
	AtMost    *float64 `yaml:"at_most,omitempty" json:"at_most,omitempty"`
	FallsBy   *float64 `yaml:"falls_by,omitempty" json:"falls_by,omitempty"`     // at least this much below the part before, with more work
	BelowRest bool     `yaml:"below_rest,omitempty" json:"below_rest,omitempty"` // below the value before the test, same posture
	NotRising bool     `yaml:"not_rising,omitempty" json:"not_rising,omitempty"` // no higher than in the part before, with more work
	Unread    bool     `yaml:"unread,omitempty" json:"unread,omitempty"`         // the sensor is silent and no value comes by any other means
}

// Crossed reports whether a plain comparison of the sign holds for a value. Signs that compare with
// another part or with rest are judged by package conduct.
func (w *When) Crossed(v float64) bool {
	return w.Above != nil && v > *w.Above || w.AtLeast != nil && v >= *w.AtLeast ||
		w.Below != nil && v < *w.Below || w.AtMost != nil && v <= *w.AtMost
}

// Plain reports whether the sign compares one value with a fixed number.
func (w *When) Plain() bool {
	return w.Above != nil || w.AtLeast != nil || w.Below != nil || w.AtMost != nil
}

// Does is what a sign does.
type Does uint8

// What signs do.
const (
	NoDoes    Does = iota
	DoesStop       // stop at once
	DoesCheck      // alert, hold or lower the load, measure again within Sign.Within; stop when confirmed
	DoesAlert      // caution: watch closely
	DoesPause      // rest, the clock runs; may go on when Resume holds
)

var doesWords = words{"", "stop", "check", "alert", "pause"}

func (d Does) String() string { return doesWords.name(uint8(d)) }

// MarshalText writes the word.
func (d Does) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads the word.
func (d *Does) UnmarshalText(text []byte) error {
	i, err := doesWords.find("action", text)
	*d = Does(i)
	return err
}

// After is what follows a stop for this sign.
type After uint8

// What follows a stop.
const (
	NoAfter     After = iota
	AfterActive       // active cool-down
	AfterSeated       // stop moving, stay seated, measure now, follow the emergency plan
	AfterRest         // stop moving and rest; measure, then judge
)

var afterWords = words{"", "active", "seated", "rest"}

func (a After) String() string { return afterWords.name(uint8(a)) }

// MarshalText writes the word.
func (a After) MarshalText() ([]byte, error) { return []byte(a.String()), nil }

// UnmarshalText reads the word.
func (a *After) UnmarshalText(text []byte) error {
	i, err := afterWords.find("advice", text)
	*a = After(i)
	return err
}

// Reason is why a test stops when no stop sign does: planned ends and choices of people.
// Code is what events carry; After is the advice that follows.
type Reason struct {
	Code, Text string
	After      After
}

// Reasons lists the ends that are no stop signs.
var Reasons = []Reason{
	{"completed", "All planned stages are done", AfterActive},
	{"end-point", "Planned end reached", AfterActive},
	{"safety-limit", "Safety limit reached", AfterActive},
	{"exertion", "Exertion limit reached", AfterActive},
	{"fatigue", "Fatigue", AfterActive},
	{"wish", "The participant's wish", AfterActive},
	{"cadence", "Cadence not kept", AfterActive},
	{"break", "The break was too long", AfterActive},
	{"unsteady", "Heart rate did not become steady", AfterActive},
	{"examiner", "The examiner's decision", AfterActive},
	{"equipment", "Equipment failed", AfterRest},
	{"other", "Another reason", AfterRest},
}

// ReasonOf finds a reason by its code.
func ReasonOf(code string) (Reason, bool) {
	for _, r := range Reasons {
		if r.Code == code {
			return r, true
		}
	}
	return Reason{}, false
}
