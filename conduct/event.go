package conduct

import (
	"fmt"
	"strconv"
	"strings"

	"gradus/protocol"
)

// FormatVersion is the version of the event format; a test's began event carries it.
const FormatVersion = 1

// ID is the identity of an event and its place in the order. One device holds the pen; Term rises at each
// take-over, N counts 1, 2, 3 … within it without a gap.
type ID struct {
	Term uint32 `json:"term"`
	N    uint32 `json:"n"`
}

// IsZero reports whether the id names no event.
func (id ID) IsZero() bool { return id == ID{} }

// Less orders events.
func (id ID) Less(o ID) bool { return id.Term < o.Term || id.Term == o.Term && id.N < o.N }

func (id ID) String() string {
	return strconv.FormatUint(uint64(id.Term), 10) + "." + strconv.FormatUint(uint64(id.N), 10)
}

// Kind says what an event is. Facts are told or measured; acts are done by people or follow from a rule at
// that moment, and are never computed again.
type Kind uint8

// The kinds of events.
const (
	NoKind Kind = iota

	// Facts.
	Began     // the test begins: Begin holds format, protocol and inputs
	Input     // Code is an input's name, V its value or Word its word; also corrects one
	Reading   // What, V (and V2), Slot when it fills a planned one
	Window    // What, V: a mean over the protocol's window of good beats, or of cadence; never one beat
	Observed  // V: mean work rate of the last minute as the machine measured it
	SignSeen  // Code is the id of a stop sign
	SignGone  // Ref: the sign is over
	Measuring // What: blood pressure is being taken
	Break     // the participant stopped moving
	BreakOver // and moves again
	Sensor    // Code is lost or back
	Note      // Text only

	// Corrections.
	Correct   // Ref and V (V2): the reading, or the set work rate, was this
	Withdraw  // Ref: this did not happen
	Disturbed // Ref: the reading was disturbed (talking, cough, strap) and is not used

	// Acts.
	StageBegun // Code is the part, V the work rate confirmed or sensed; V2 grade or height where the part has one
	WorkSet    // V: another work rate inside the stage
	Extended   // one more minute; Code says why: steady, cuff, missing, disturbed or examiner
	Branched   // Code is the row chosen
	Confirmed  // a large step up has been confirmed a second time
	Accepted   // the examiner accepts the stage as it is although it is unsteady
	Stopped    // Code is a reason or the id of a stop sign
	Unstopped  // the stop was a mistake
	CoolBegun  // V: work rate of the cool-down
	RestBegun  // the participant sits still: recovery
	Closed     // the test is over; Code is recovered, examiner or physician
	Resumed    // a new anchor of test time; Code is boot, wall or examiner, V its uncertainty in s
	TookOver   // another device holds the pen; Ref is the last event it has seen
	kindCount
)

var kindWords = [kindCount]string{"", "began", "input", "reading", "window", "observed", "sign", "sign-gone", "measuring", "break", "break-over",
	"sensor", "note", "correct", "withdraw", "disturbed", "stage", "work", "extended", "branched", "confirmed", "accepted",
	"stopped", "unstopped", "cool-down", "recovery", "closed", "resumed", "took-over"}

// Act reports whether events of this kind are acts, which are never recomputed.
func (k Kind) Act() bool { return k >= StageBegun }

// corrects reports whether events of this kind change what a test that is over says.
func (k Kind) corrects() bool {
	switch k {
	case Input, Correct, Withdraw, Disturbed, Accepted, Observed, SignSeen, SignGone, Reading, Window, Stopped:
		return true
	}
	return false
}

func (k Kind) String() string {
	if k < kindCount {
		return kindWords[k]
	}
	return "kind-" + strconv.Itoa(int(k))
}

// MarshalText writes the word of the kind.
func (k Kind) MarshalText() ([]byte, error) { return []byte(k.String()), nil }

// UnmarshalText reads the word of a kind.
func (k *Kind) UnmarshalText(text []byte) error {
	for i, word := range kindWords {
		if i > 0 && word == string(text) {
			*k = Kind(i)
			return nil
		}
	}
	return fmt.Errorf("kind %q is not known; known are %s", text, strings.Join(kindWords[1:], ", "))
}

// Source says where a value came from.
type Source uint8

// Sources of values.
const (
	NoSource   Source = iota
	Typed             // by hand
	Strap             // chest strap
	Optical           // optical sensor
	ECG               // electrocardiogram
	Machine           // the ergometer
	Palpated10        // counted for 10 s: steps of 6
	Palpated15        // counted for 15 s: steps of 4
	Palpated30        // counted for 30 s: steps of 2
	Device            // an oximeter or a cuff that sends its value
	sourceCount
)

var sourceWords = [sourceCount]string{"", "typed", "strap", "optical", "ecg", "machine", "palpated-10s", "palpated-15s", "palpated-30s", "device"}

func (s Source) String() string {
	if s < sourceCount {
		return sourceWords[s]
	}
	return "source-" + strconv.Itoa(int(s))
}

// MarshalText writes the word of the source.
func (s Source) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads the word of a source.
func (s *Source) UnmarshalText(text []byte) error {
	for i, word := range sourceWords {
		if word == string(text) {
			*s = Source(i)
			return nil
		}
	}
	return fmt.Errorf("source %q is not known; known are %s", text, strings.Join(sourceWords[1:], ", "))
}

// Event is one thing that happened in a test. Times are test time, in ms, from the anchor of the device that
// holds the pen; they never fall. No two wall clocks are ever subtracted.
type Event struct {
	Term    uint32            `json:"term"`
	N       uint32            `json:"n"`
	At      protocol.Ms       `json:"at"`                // test time when it was entered
	Ago     protocol.Ms       `json:"ago,omitzero"`      // how long before At the moment lies that it belongs to
	Wall    string            `json:"wall,omitempty"`    // wall time, evidence only
	By      string            `json:"by,omitempty"`      // who
	Kind    Kind              `json:"kind"`              //
	Ref     ID                `json:"ref,omitzero"`      // what it corrects, withdraws or has seen last
	Slot    uint16            `json:"slot,omitempty"`    // stage minute whose planned reading it fills; 0: by its moment
	What    protocol.Quantity `json:"what,omitzero"`     //
	V       float64           `json:"v,omitempty"`       //
	V2      float64           `json:"v2,omitempty"`      // diastolic pressure, grade, height
	Level   float64           `json:"level,omitempty"`   // what the machine shows beside V, with a work rate; no rule reads it
	Src     Source            `json:"src,omitzero"`      //
	Used    uint16            `json:"used,omitempty"`    // beats used
	Dropped uint16            `json:"dropped,omitempty"` // and dropped
	Code    string            `json:"code,omitempty"`    // an id: part, row, sign, reason, input
	Word    string            `json:"word,omitempty"`    // value of an input that is a word
	Text    string            `json:"text,omitempty"`    // for people; no rule reads it
	Begin   *Begin            `json:"begin,omitempty"`   // with kind began
}

// ID returns the identity of the event.
func (e *Event) ID() ID { return ID{e.Term, e.N} }

// Begin is what a test begins with. It holds no name and no birth date.
type Begin struct {
	Format   int    `json:"format"`
	Protocol string `json:"protocol"`
	Version  string `json:"version"`
	Hash     string `json:"hash"`
	Inputs   Inputs `json:"inputs"`
	// RowBefore is the row of an earlier test of the same plan, whose work rates may be repeated; "": none.
	RowBefore string `json:"row_before,omitempty"`
}

// Rule names the rule of a protocol that led to a decision, by its path in the file, or a rule of the
// conductor itself ("conductor.…").
type Rule string

// RefusedError says that an event makes no sense in the state it meets. A live host does not record such an
// event; Replay counts it and goes on.
type RefusedError struct {
	Event ID
	Kind  Kind
	Rule  Rule
	Msg   string // what is wrong
	Hint  string // what to do
}

func (e *RefusedError) Error() string {
	text := fmt.Sprintf("event %v (%v) refused by %s: %s", e.Event, e.Kind, e.Rule, e.Msg)
	if e.Hint != "" {
		text += "; " + e.Hint
	}
	return text
}

// GapError says that an event came before one that must be there first; Want names it.
type GapError struct{ Got, Want ID }

func (e *GapError) Error() string {
	return fmt.Sprintf("event %v came before event %v; send %v first", e.Got, e.Want, e.Want)
}

// RewindError says that events after the last one a take-over had seen were already applied: the whole list
// must be replayed.
type RewindError struct{ TookOver, Seen ID }

func (e *RewindError) Error() string {
	return fmt.Sprintf("take-over %v had seen only up to %v, but later events of that term are applied; replay the whole list", e.TookOver, e.Seen)
}
