package conduct

import "gradus/protocol"

// Caps of a test: the state is a plain value of fixed size.
const (
	MaxStages   = protocol.MaxParts
	MaxInStage  = 24 // readings kept in a stage
	MaxSignsIn  = 16 // stop signs kept in a test
	MaxRecovery = 64 // readings kept after the stop
	MaxTerms    = 16 // devices that held the pen, one after the other
	MaxLate     = 12 // late facts kept from a device that had lost the pen
)

// Phase is where a test is.
type Phase uint8

// The phases.
const (
	Idle      Phase = iota // nothing happened yet
	Ready                  // began; no work rate yet
	Riding                 // a stage runs
	StoppedAt              // stopped; cool-down or rest not begun
	Cooling                // cool-down
	Resting                // seated recovery
	Over                   // closed
)

var phaseWords = [...]string{"idle", "ready", "riding", "stopped", "cool-down", "recovery", "closed"}

func (p Phase) String() string { return phaseWords[min(int(p), len(phaseWords)-1)] }

// MarshalText writes the word of the phase.
func (p Phase) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText reads the word of a phase.
func (p *Phase) UnmarshalText(text []byte) error {
	return readWord(phaseWords[:], "phase", text, (*uint8)(p))
}

// Value is one reading as it stands now.
type Value struct {
	Ref       ID
	At        protocol.Ms // when it was entered
	Moment    protocol.Ms // the moment it belongs to
	V, V2     float64     // V of a heart rate is a whole beat
	Raw       float64     // as it came
	What      protocol.Quantity
	Slot      uint8 // stage minute of the planned reading it fills; 0: unplanned
	Src       Source
	Disturbed bool
	Withdrawn bool
	Void      bool // taken before the stage's minutes began again
	Corrected bool
	Used      uint16
	Dropped   uint16
}

// live reports whether the value may be used at all.
func (v *Value) live() bool { return !v.Withdrawn && !v.Void && !v.Ref.IsZero() }

// sound reports whether the value may be used for a decision of the protocol.
func (v *Value) sound() bool { return v.live() && !v.Disturbed }

// Why a stage got more time.
const (
	ForSteady    = iota // heart rate not steady
	ForCuff             // blood pressure was still being taken
	ForMissing          // the reading did not come
	ForDisturbed        // the reading was disturbed
	ForBreak            // the participant stopped for a while
	ForExaminer         // the examiner wanted it
	extraCount
)

var extraWords = [extraCount]string{"steady", "cuff", "missing", "disturbed", "break", "examiner"}

// Stage is a period at one work rate, as it was ridden.
type Stage struct {
	Ref        ID
	Part       uint8 // index in the protocol's parts
	Row        uint8 // the row its planned work rate came from; 0: none
	Called     uint8 // the row that the reading called for when it began
	NReadings  uint8
	Restarts   uint8
	Extra      [extraCount]uint8 // minutes added, by reason
	Began      protocol.Ms       // when its work rate was confirmed or sensed
	From       protocol.Ms       // from when its minutes count
	Ended      protocol.Ms       // -1 while it runs
	Planned    float64           // W, or the first number of the part's work
	First      float64           // work rate it began with
	Set        float64           // work rate set now: W_end of a counted stage
	Set2       float64           // grade or height
	Level      float64           // what the machine showed beside it; 0: not recorded
	Observed   float64           // last-minute mean from the machine; 0: none
	Confirmed  bool              // a second confirmation came before it
	Accepted   bool              // taken as it is although unsteady
	Superseded bool              // left early and ridden again later
	Changed    bool              // the work rate was put right inside the stage
	Unkept     uint8             // unplanned readings beyond MaxInStage
	Distance   float64           // m, running sum
	Laps       uint16            // whole lengths of the course among it
	Done       protocol.Ms       // when the metres of the part were covered; 0: not yet
	LowSpO2    float64           // running minimum; 0: none
	Readings   [MaxInStage]Value
}

// Running reports whether the stage has not ended.
func (s *Stage) Running() bool { return s.Ended < 0 }

// minutesExtra is the number of minutes added.
func (s *Stage) minutesExtra() (n int) {
	for _, e := range s.Extra {
		n += int(e)
	}
	return n
}

// counted are the added minutes that count towards the protocol's maximum.
func (s *Stage) asked() int {
	return int(s.Extra[ForSteady]) + int(s.Extra[ForMissing]) + int(s.Extra[ForDisturbed])
}

// SignMark is a stop sign that was seen or told.
type SignMark struct {
	Ref       ID
	At        protocol.Ms
	Sign      uint8 // index in the protocol's table
	Withdrawn bool
	Gone      bool // it is over; what it stopped stays stopped
}

// Mark is the high-water mark of a term.
type Mark struct {
	Term, N uint32
	Seen    uint32 // the last n the next term had seen; later ones are late facts
	Closed  bool   // another term took over
}

// Stop is how a test stopped.
type Stop struct {
	Ref    ID
	At     protocol.Ms
	Code   string
	Taken  uint8 // stops taken back as mistakes
	Active bool
}

// Extreme keeps the most telling of the values that could not be kept singly.
type Extreme struct {
	V  float64
	At protocol.Ms
	ID ID
}

// Gap is a stretch of test time.
type Gap struct{ From, Lasts protocol.Ms }

// State is a test as its events have made it: a plain value that can be copied and compared.
type State struct {
	Phase   Phase
	NStages uint8
	NSigns  uint8
	NAfter  uint8
	NTerms  uint8
	NLate   uint8
	Row     uint8 // row taken, from 1; 0: none yet
	RowThen uint8 // the row that the reading called for when it was taken
	Before  uint8 // the row of an earlier test, from 1; 0: none
	Repeats bool  // it was taken by the examiner's choice, confirmed where it asks for more work
	Confirm bool  // a second confirmation stands for the next stage
	OnBreak bool
	Cuff    bool // blood pressure is being taken
	NoSense bool // the sensor is lost

	CadenceLow uint8 // occasions
	Rests      uint8 // rests and breaks that are over
	LongBreak  bool  // a break was longer than the protocol allows
	Tired      bool  // the part was begun again too often

	Now       protocol.Ms
	BreakFrom protocol.Ms
	Rested    protocol.Ms // time rested so far, the present rest not counted
	BreakRef  ID
	CuffFrom  protocol.Ms
	Silent    protocol.Ms // with NoSense: since when
	Unread    Gap         // longest time without a readable heart rate while the sensor was silent
	CuffRef   ID
	CoolFrom  protocol.Ms
	RestFrom  protocol.Ms
	ClosedAt  protocol.Ms
	CoolWork  float64
	CloseCode string

	Uncertain protocol.Ms // largest uncertainty of an anchor, and the stage it fell in
	UncertAt  uint8

	In     Inputs
	Limits Limits

	Stop    Stop
	Window  Extreme // highest window mean of heart rate
	LastHR  Value   // last heart rate of any kind, for looking at
	TopHR   Extreme // highest heart rate, pressures, exertion and lowest SpO2 among readings not kept singly
	TopSBP  Extreme
	TopDBP  Extreme
	LowSpO2 Extreme
	TopRPE  Extreme

	Revised  uint16 // corrections since the test was closed: each makes another version of the result
	Ignored  uint16 // events that made no sense and were counted only
	ClockBad uint16 // events whose time fell; they count at the time already reached
	Unkept   uint16 // readings and late facts beyond the caps

	Terms  [MaxTerms]Mark
	Signs  [MaxSignsIn]SignMark
	Late   [MaxLate]Value
	Stages [MaxStages]Stage
	After  [MaxRecovery]Value // readings after the stop
}

// Current returns the index of the stage that runs or ran last, or -1.
func (s *State) Current() int { return int(s.NStages) - 1 }

// stage returns the stage that runs or ran last, or nil.
func (s *State) stage() *Stage {
	if s.NStages == 0 {
		return nil
	}
	return &s.Stages[s.NStages-1]
}

// mark returns the mark of a term, or nil.
func (s *State) mark(term uint32) *Mark {
	for i := int(s.NTerms) - 1; i >= 0; i-- {
		if s.Terms[i].Term == term {
			return &s.Terms[i]
		}
	}
	return nil
}

// Term is the term that holds the pen; 0 before the test began.
func (s *State) Term() uint32 {
	if s.NTerms == 0 {
		return 0
	}
	return s.Terms[s.NTerms-1].Term
}

// NextID is the id the pen gives its next event.
func (s *State) NextID() ID {
	if s.NTerms == 0 {
		return ID{1, 1}
	}
	m := s.Terms[s.NTerms-1]
	return ID{m.Term, m.N + 1}
}
