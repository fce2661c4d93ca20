package protocol

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
)

// Ms is a moment or a length of test time in milliseconds. In files it is written "m:ss" or "h:mm:ss".
type Ms int64

// Lengths of time.
const (
	Second Ms = 1000
	Minute    = 60 * Second
	Hour      = 60 * Minute
)

// String prints m:ss; parts of a second are cut off.
func (m Ms) String() string {
	sign := ""
	if m < 0 {
		sign, m = "-", -m
	}
	return fmt.Sprintf("%s%d:%02d", sign, m/Minute, m%Minute/Second)
}

// MarshalText writes the time as in a file, with a fraction when it is no whole second.
func (m Ms) MarshalText() ([]byte, error) {
	text := m.String()
	if frac := m % Second; frac != 0 {
		text += strings.TrimRight(fmt.Sprintf(".%03d", max(frac, -frac)), "0")
	}
	return []byte(text), nil
}

// UnmarshalText reads "m:ss", "h:mm:ss", with an optional fraction of a second; a leading minus is what
// [Ms.MarshalText] writes for a time that has passed.
func (m *Ms) UnmarshalText(text []byte) error {
	if rest, ok := strings.CutPrefix(string(text), "-"); ok && !strings.HasPrefix(rest, "-") {
		err := m.UnmarshalText([]byte(rest))
		*m = -*m
		return err
	}
	parts := strings.Split(string(text), ":")
	if len(parts) < 2 || len(parts) > 3 {
		return fmt.Errorf(`time %q is not written m:ss; write "3:00" for three minutes`, text)
	}
	whole, frac, _ := strings.Cut(parts[len(parts)-1], ".")
	parts[len(parts)-1] = whole
	total := Ms(0)
	for i, part := range parts {
		n, err := strconv.ParseUint(part, 10, 16)
		if err != nil || (i > 0 && (n > 59 || len(part) != 2)) {
			return fmt.Errorf(`time %q is not written m:ss; write "3:00" for three minutes`, text)
		}
		total = total*60 + Ms(n)
	}
	total *= Second
	if frac != "" {
		n, err := strconv.ParseUint(frac, 10, 16)
		if err != nil || len(frac) > 3 {
			return fmt.Errorf("time %q has a fraction that is no millisecond", text)
		}
		for i := len(frac); i < 3; i++ {
			n *= 10
		}
		total += Ms(n)
	}
	*m = total
	return nil
}

// Maybe holds a thing that a plan must write, or write as "none".
type Maybe[T any] struct {
	Written bool // the file says something: the thing or none
	None    bool
	It      T
}

// Is reports whether the plan has the thing.
func (m *Maybe[T]) Is() bool { return m.Written && !m.None }

// UnmarshalYAML reads "none" or the thing.
func (m *Maybe[T]) UnmarshalYAML(decode func(any) error) error {
	var word string
	if err := decode(&word); err == nil {
		if word != "none" {
			return fmt.Errorf("%q is neither none nor a list of keys", word)
		}
		m.Written, m.None = true, true
		return nil
	}
	if err := decode(&m.It); err != nil {
		return err
	}
	m.Written = true
	return nil
}

// MarshalJSON writes "none" or the thing.
func (m Maybe[T]) MarshalJSON() ([]byte, error) {
	if !m.Is() {
		return []byte(`"none"`), nil
	}
	return json.Marshal(m.It)
}

// UnmarshalJSON reads "none" or the thing.
func (m *Maybe[T]) UnmarshalJSON(data []byte) error {
	if string(data) == `"none"` {
		*m = Maybe[T]{Written: true, None: true}
		return nil
	}
	if err := json.Unmarshal(data, &m.It); err != nil {
		return err
	}
	m.Written = true
	return nil
}

// words gives an enumeration its spelling; index 0 is the empty word.
type words []string

func (w words) find(kind string, text []byte) (uint8, error) {
	for i, word := range w {
		if i > 0 && word == string(text) {
			return uint8(i), nil
		}
	}
	return 0, fmt.Errorf("%s %q is not known; known are %s", kind, text, strings.Join(w[1:], ", "))
}

func (w words) name(i uint8) string {
	if int(i) < len(w) {
		return w[i]
	}
	return "unknown-" + strconv.Itoa(int(i))
}

// Quantity is what a reading is of.
type Quantity uint8

// The quantities of readings; units and plausible ranges are in quantities.csv.
const (
	NoQuantity    Quantity = iota
	HeartRate              // /min
	RPE                    // rating of perceived exertion, 6 to 20
	BloodPressure          // mmHg, systolic and diastolic
	SpO2                   // %
	CadenceRate            // steps or turns per minute
	WorkRate               // W, or the unit of the part's work
	Distance               // m
	Breathless             // 0 to 10
	quantityCount
)

var quantityWords = words{"", "heart_rate", "rpe", "blood_pressure", "spo2", "cadence", "work_rate", "distance", "breathlessness"}

func (q Quantity) String() string { return quantityWords.name(uint8(q)) }

// MarshalText writes the word of the quantity.
func (q Quantity) MarshalText() ([]byte, error) { return []byte(q.String()), nil }

// UnmarshalText reads the word of a quantity.
func (q *Quantity) UnmarshalText(text []byte) error {
	if len(text) == 0 {
		*q = 0
		return nil
	}
	i, err := quantityWords.find("quantity", text)
	*q = Quantity(i)
	return err
}

// Measure is one number a limit or a stop sign looks at; blood pressure has two.
type Measure uint8

// The measures.
const (
	NoMeasure Measure = iota
	MeasureHR
	MeasureSBP
	MeasureDBP
	MeasureSpO2
	MeasureRPE
	MeasureCadence
)

var measureWords = words{"", "heart_rate", "sbp", "dbp", "spo2", "rpe", "cadence"}

func (m Measure) String() string { return measureWords.name(uint8(m)) }

// MarshalText writes the word of the measure.
func (m Measure) MarshalText() ([]byte, error) { return []byte(m.String()), nil }

// UnmarshalText reads the word of a measure.
func (m *Measure) UnmarshalText(text []byte) error {
	if len(text) == 0 {
		*m = 0
		return nil
	}
	i, err := measureWords.find("measure", text)
	*m = Measure(i)
	return err
}

// Need says how a planned reading is wanted.
type Need uint8

// How a reading is wanted.
const (
	NoNeed   Need = iota
	Required      // the stage cannot be judged without it
	Asked         // prompted for; its absence is noted
	Setting       // as the site sets it: every stage, every second one, or none
)

var needWords = words{"", "required", "asked", "setting"}

func (n Need) String() string { return needWords.name(uint8(n)) }

// MarshalText writes the word.
func (n Need) MarshalText() ([]byte, error) { return []byte(n.String()), nil }

// UnmarshalText reads the word.
func (n *Need) UnmarshalText(text []byte) error {
	i, err := needWords.find("need", text)
	*n = Need(i)
	return err
}

// Watch is a kind of heart rate that an end point or limit judges.
type Watch uint8

// What is watched.
const (
	NoWatch      Watch = iota
	WatchReading       // every reading
	WatchWindow        // the mean over Window.Lasts of good beats; never one beat
)

var watchWords = words{"", "reading", "window"}

func (w Watch) String() string { return watchWords.name(uint8(w)) }

// MarshalText writes the word.
func (w Watch) MarshalText() ([]byte, error) { return []byte(w.String()), nil }

// UnmarshalText reads the word.
func (w *Watch) UnmarshalText(text []byte) error {
	i, err := watchWords.find("watch", text)
	*w = Watch(i)
	return err
}

// State is something recorded about the participant that changes a rule.
type State uint8

// The states.
const (
	NoState State = iota
	OnRateLimitingDrug
	DrugUnknown
	NotSinus
	AtrialFibrillation
	Paced
	HeartTransplant
	SpinalT6
	Neurological
	Heart
	Lung
	HRCannotLead // one of the states listed under heart_rate_cannot_lead_with is present
	NoMedicalCover
)

var stateWords = words{"", "rate_limiting_drug", "rate_limiting_drug_unknown", "rhythm_not_sinus", "atrial_fibrillation", "paced",
	"heart_transplant", "sci_t6_or_above", "neurological", "heart", "lung", "heart_rate_cannot_lead", "no_medical_cover"}

func (s State) String() string { return stateWords.name(uint8(s)) }

// MarshalText writes the word.
func (s State) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads the word.
func (s *State) UnmarshalText(text []byte) error {
	i, err := stateWords.find("state", text)
	*s = State(i)
	return err
}

// How says how a number is known.
type How uint8

// How numbers are known.
const (
	NoHow    How = iota
	Seen         // read in the publication
	Memory       // recalled, not found in a publication
	Practice     // common practice, no source
	Choice       // our own choice
	Derived      // computed from others
)

var howWords = words{"", "seen", "memory", "practice", "choice", "derived"}

func (h How) String() string { return howWords.name(uint8(h)) }

// MarshalText writes the word.
func (h How) MarshalText() ([]byte, error) { return []byte(h.String()), nil }

// UnmarshalText reads the word.
func (h *How) UnmarshalText(text []byte) error {
	i, err := howWords.find("how", text)
	*h = How(i)
	return err
}

// Phrase says how a number is known, for a reader.
func (h How) Phrase() string {
	switch h {
	case Seen:
		return "read in the source"
	case Memory:
		return "from memory"
	case Practice:
		return "common practice, no source"
	case Choice:
		return "our own choice"
	case Derived:
		return "derived"
	}
	return "not stated"
}

// Work is a work rate as a plan writes it: exactly one of its forms.
type Work struct {
	Watts    *float64 `yaml:"watts,omitempty" json:"watts,omitempty"`
	Row      int      `yaml:"row,omitempty" json:"row,omitempty"`                     // n-th work rate of the chosen row, from 1
	AddWatts float64  `yaml:"add_watts,omitempty" json:"add_watts,omitempty"`         // above the part before
	Choose   *Range   `yaml:"choose,omitempty" json:"choose,omitempty"`               // the examiner picks
	SpeedKmh float64  `yaml:"speed_kmh,omitempty" json:"speed_kmh,omitempty"`         // filled from SpeedMph when the file is read
	SpeedMph float64  `yaml:"speed_mph,omitempty" json:"speed_mph,omitempty"`         // as it is printed
	Pace     *Range   `yaml:"choose_kmh,omitempty" json:"choose_kmh,omitempty"`       // the examiner picks a speed, with grade_percent
	Same     bool     `yaml:"same_speed,omitempty" json:"same_speed,omitempty"`       // that of the part before, with grade_percent
	Grade    *float64 `yaml:"grade_percent,omitempty" json:"grade_percent,omitempty"` // with speed_kmh
	Rate     float64  `yaml:"steps_per_min,omitempty" json:"steps_per_min,omitempty"`
	HeightM  float64  `yaml:"height_m,omitempty" json:"height_m,omitempty"` // with steps_per_min
	OwnPace  string   `yaml:"own_pace,omitempty" json:"own_pace,omitempty"` // "walking", "wheeling"
	Rest     bool     `yaml:"rest,omitempty" json:"rest,omitempty"`
}

// KmhPerMph is the speed of one international mile an hour in km/h, exact by definition.
const KmhPerMph = 1.609344

// Second is the second number of a work rate: grade in percent or height in metres; 0 when it has none.
func (w *Work) Second() float64 {
	if w.Grade != nil {
		return *w.Grade
	}
	return w.HeightM
}

// Range is a choice of work rates in watts, or of speeds in km/h.
type Range struct {
	From float64 `yaml:"from" json:"from"`
	To   float64 `yaml:"to" json:"to"`
	Step float64 `yaml:"step" json:"step"`
}

// Form names the form of a work rate; "" when it has none or more than one.
func (w Work) Form() string {
	form, n := "", 0
	for _, f := range []struct {
		is   bool
		name string
	}{
		{w.Watts != nil, "fixed"}, {w.Row != 0, "row"}, {w.AddWatts != 0, "added"}, {w.Choose != nil, "chosen"},
		{w.Pace != nil, "chosen-speed"}, {w.Same, "same-speed"}, {w.SpeedKmh != 0 || w.Grade != nil && w.Pace == nil && !w.Same, "speed"}, {w.Rate != 0 || w.HeightM != 0, "rate"},
		{w.OwnPace != "", "own-pace"}, {w.Rest, "rest"},
	} {
		if f.is {
			form = f.name
			n++
		}
	}
	if n != 1 {
		return ""
	}
	return form
}
