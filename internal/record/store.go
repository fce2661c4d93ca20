package record

import (
	"context"
	"slices"
	"time"

	"gradus/conduct"
	"gradus/protocol"
)

// Store is the record of the bedside. All its methods may be called from many goroutines at once. An error that
// the caller decides on is one of the typed ones in this package; see [StorageError] for what the disk may do.
type Store interface {
	// AddParticipant stores a new person and returns it with its number and moment of creation. A code that is
	// in use, in whatever case, is a CodeTakenError.
	AddParticipant(ctx context.Context, p Participant) (Participant, error)
	// Participant returns one person, or ErrNotFound.
	Participant(ctx context.Context, id int64) (Participant, error)
	// Participants returns those whose code and name together contain every word of the query, in whatever case,
	// by code, at most limit of them (0: all).
	Participants(ctx context.Context, query string, limit int) ([]Participant, error)
	// UpdateParticipant replaces everything about a person but number and moment of creation.
	UpdateParticipant(ctx context.Context, p Participant) error

	// NewTest stores a test before its first event and returns it as stored. The same test once more is no
	// error; another one under the same id is a TestTakenError.
	NewTest(ctx context.Context, t Test) (Test, error)
	// Test returns one test, or ErrNotFound.
	Test(ctx context.Context, id string) (Test, error)
	// Tests lists tests, the newest first, without their protocols.
	Tests(ctx context.Context, f TestFilter) ([]Test, error)
	// Reassign corrects whose test a finished test is. ErrRunning while it is not finished.
	Reassign(ctx context.Context, test string, participant int64, by, why string) error
	// Reassignments returns the corrections of Reassign in their order.
	Reassignments(ctx context.Context, test string) ([]Reassignment, error)

	// Append stores events of a test, all or none, and returns when they are on the disk. They may come in any
	// order. An event that is there already is passed over; a different one under the same id is a ConflictError;
	// one that leaves a gap in its term is a GapError. After an error of the disk or the context the same call
	// may be repeated. Without events it returns the marks.
	Append(ctx context.Context, test string, events []conduct.Event) (Marks, error)
	// Events returns all events of a test by id.
	Events(ctx context.Context, test string) ([]conduct.Event, error)
	// EventsSince returns those that marks do not cover.
	EventsSince(ctx context.Context, test string, marks Marks) ([]conduct.Event, error)

	// AppendSamples stores blocks of samples, all or none. A block that is there already is passed over; a
	// different one under the same number is a BlockConflictError.
	AppendSamples(ctx context.Context, test string, blocks []Block) error
	// Samples returns the blocks of one kind that overlap the test time from (inclusive) to (exclusive), in ms,
	// by their beginning.
	Samples(ctx context.Context, test, kind string, from, to protocol.Ms) ([]Block, error)

	// Check reads the whole record and says what is wrong with it.
	Check(ctx context.Context) error
	// Close lets go of the record. Everything acknowledged is on disk with or without it.
	Close() error
}

// Participant is a person who is tested.
type Participant struct {
	ID        int64       `json:"id"`
	Code      string      `json:"code"`       // of the clinic or study; unique in any case, at most 64 characters
	Name      string      `json:"name"`       // or ""
	BirthDate string      `json:"birth_date"` // YYYY-MM-DD, or ""
	Sex       conduct.Sex `json:"sex"`        // as the equations use it
	Note      string      `json:"note"`
	Created   time.Time   `json:"created"` // wall time, UTC, to the ms
}

// Test is one run of a protocol. Its events are kept beside it.
type Test struct {
	ID          string    `json:"id"`                    // given by the caller: 1 to 64 letters, digits, dots, dashes, underscores
	Participant int64     `json:"participant,omitempty"` // 0: nobody yet
	Protocol    string    `json:"protocol"`              // id of the protocol
	Version     string    `json:"version"`               // of the protocol
	Hash        string    `json:"hash"`                  // of its content
	Sent        []byte    `json:"-"`                     // the protocol as JSON, as it was sent to the page
	Title       string    `json:"title"`
	Demo        bool      `json:"demo,omitempty"`  // an invented person
	Created     time.Time `json:"created"`         // wall time, UTC, to the ms; set by the store
	Closed      time.Time `json:"closed,omitzero"` // when its closing event was received; zero while it runs; set by the store
}

// Running reports whether the test has not been closed.
func (t Test) Running() bool { return t.Closed.IsZero() }

// TestFilter says which tests to list; its zero value lists all.
type TestFilter struct {
	Participant int64 // 0: of anyone
	Running     bool  // only tests that are not closed
	Limit       int   // 0: no limit
}

// Reassignment is a correction of whose test it was.
type Reassignment struct {
	From int64     `json:"from"` // 0: nobody
	To   int64     `json:"to"`
	By   string    `json:"by"`
	Why  string    `json:"why"`
	When time.Time `json:"when"` // wall time, UTC, to the ms
}

// Marks are the highest stored event of each term, by term.
type Marks []conduct.ID

// N returns the highest n of a term, 0 when it has no event.
func (m Marks) N(term uint32) uint32 {
	if i, ok := m.find(term); ok {
		return m[i].N
	}
	return 0
}

func (m Marks) find(term uint32) (int, bool) {
	return slices.BinarySearchFunc(m, term, func(id conduct.ID, term uint32) int {
		return int(int64(id.Term) - int64(term))
	})
}

// with returns the marks with one of them set.
func (m Marks) with(id conduct.ID) Marks {
	i, ok := m.find(id.Term)
	if ok {
		m[i] = id
		return m
	}
	return slices.Insert(m, i, id)
}

// MaxBlock is the longest time that one block of samples may span, in ms: what is lost at most when a sensor's
// page dies.
const MaxBlock = 10 * protocol.Second

// Block is a run of samples of one kind, packed. The store does not look inside; [Pack] is a way to fill it.
type Block struct {
	Seq     uint64      // unique in the test; see SeqOf
	From    protocol.Ms // test time of the first sample
	To      protocol.Ms // and of the last; at most MaxBlock later
	Kind    string      // what was sampled, one word
	Payload []byte      // at most 64 KiB
}

// SeqOf is the number of the nth block that the device of a term sends, so that two devices never use the same.
func SeqOf(term, n uint32) uint64 { return uint64(term)<<32 | uint64(n) }
