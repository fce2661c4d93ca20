package record

import (
	"context"
	"encoding/json"
	"slices"
	"time"

	"gradus/conduct"
	"gradus/equipment"
	"gradus/internal/audit"
	"gradus/protocol"
)

// Store is the record of the bedside. All its methods may be called from many goroutines at once. An error that
// the caller decides on is one of the typed ones in this package; see [StorageError] for what the disk may do.
type Store interface {
	Accounts
	Lawful
	Files
	Links

	// AddParticipant stores a new person and returns it with its number and moment of creation. A code that is
	// in use, in whatever case, is a CodeTakenError.
	AddParticipant(ctx context.Context, p Participant) (Participant, error)
	// Participant returns one person, or ErrNotFound.
	Participant(ctx context.Context, id int64) (Participant, error)
	// ParticipantByCode returns the person with a code, in whatever case, or ErrNotFound.
	ParticipantByCode(ctx context.Context, code string) (Participant, error)
	// ParticipantAt is ParticipantByCode within a site; 0 is any. A code is unique in its site alone.
	ParticipantAt(ctx context.Context, site int64, code string) (Participant, error)
	// Participants returns those whose code, name and identifiers together contain every word of the query, in
	// whatever case, with or without accents, by code. Where a merged person matches, the one it is shown as is found.
	Participants(ctx context.Context, f ParticipantFilter) (Found, error)
	// UpdateParticipant replaces everything about a person but number, moments, and merges.
	UpdateParticipant(ctx context.Context, p Participant) error
	// Archive takes a person out of the lists, or puts it back. Nothing is deleted.
	Archive(ctx context.Context, id int64, archived bool) error

	// Duplicates returns who may be the same person, whether or not that person is stored yet: the same identifier,
	// or the same birth date and a similar name. Those who are shown as one with it are left out, and those of other
	// sites about whom it is decided.
	Duplicates(ctx context.Context, p Participant) ([]Duplicate, error)
	// Merge shows one person as another: tests and visits of both are listed under the one that is kept. Nothing
	// moves. Neither may be merged into somebody already.
	Merge(ctx context.Context, from, into int64, by, why string) (Merge, error)
	// UndoMerge splits what a merge put together, exactly as it was; what came since stays with whom it was made for.
	UndoMerge(ctx context.Context, merge int64, by, why string) error
	// Merges returns the merges, undone ones too, in which a person or one shown as that person took part.
	Merges(ctx context.Context, participant int64) ([]Merge, error)
	// MergeByID returns one merge, or ErrNotFound.
	MergeByID(ctx context.Context, id int64) (Merge, error)
	// Merged returns those who are shown as a person, by code.
	Merged(ctx context.Context, participant int64) ([]Participant, error)

	// AddVisit stores a new visit and returns it with its number. A second one of a person on one day is a
	// DayTakenError.
	AddVisit(ctx context.Context, v Visit) (Visit, error)
	// VisitOn returns the visit of a person on a day (YYYY-MM-DD), making an open one when there is none.
	VisitOn(ctx context.Context, participant int64, date string) (Visit, error)
	// Visit returns one visit, or ErrNotFound.
	Visit(ctx context.Context, id int64) (Visit, error)
	// Visits lists visits by day and time.
	Visits(ctx context.Context, f VisitFilter) ([]Visit, error)
	// UpdateVisit replaces everything about a visit but number, person and moment of creation.
	UpdateVisit(ctx context.Context, v Visit) error
	// AddFact appends a fact to a visit and returns it with its number and moment. Facts are never changed.
	AddFact(ctx context.Context, f Fact) (Fact, error)
	// Facts returns all facts of a visit in their order; InView picks those that hold.
	Facts(ctx context.Context, visit int64) ([]Fact, error)
	// LastFact returns the newest fact of a kind of a person, of visits before a day if one is named, or ErrNotFound.
	LastFact(ctx context.Context, participant int64, kind, before string) (Fact, error)
	// FactsOf lists the facts of a kind across visits, the oldest first.
	FactsOf(ctx context.Context, f FactFilter) ([]DatedFact, error)

	// SaveMachine adds a machine (ID 0) or appends a version to one, and returns it as stored. The version that was
	// changed must be the newest, else it is a ChangedError.
	SaveMachine(ctx context.Context, m Machine) (Machine, error)
	// Machine returns a machine as it stands, or ErrNotFound.
	Machine(ctx context.Context, id int64) (Machine, error)
	// Machines returns all machines as they stand, retired ones too, the oldest first.
	Machines(ctx context.Context) ([]Machine, error)
	// MachineVersions returns all versions of a machine, the oldest first, or ErrNotFound.
	MachineVersions(ctx context.Context, id int64) ([]Machine, error)
	// AddControlRun stores a run of the biological control and returns it with its number and moment.
	AddControlRun(ctx context.Context, r ControlRun) (ControlRun, error)
	// StrikeControlRun takes a run out of the chart; it stays in the record.
	StrikeControlRun(ctx context.Context, id int64, by, why string) error
	// ControlRuns returns the runs on a machine by day, struck ones too.
	ControlRuns(ctx context.Context, machine int64) ([]ControlRun, error)

	// NewTest stores a test before its first event and returns it as stored. The same test once more is no
	// error; another one under the same id is a TestTakenError.
	NewTest(ctx context.Context, t Test) (Test, error)
	// Test returns one test, or ErrNotFound.
	Test(ctx context.Context, id string) (Test, error)
	// Tests lists tests, the newest first, without their protocols.
	Tests(ctx context.Context, f TestFilter) ([]Test, error)
	// Reassign corrects whose test a finished test is. ErrRunning while it is not finished. A test of a visit goes
	// into the visit of the right person on that day.
	Reassign(ctx context.Context, test string, participant int64, by, why string) error
	// Reassignments returns the corrections of Reassign in their order.
	Reassignments(ctx context.Context, test string) ([]Reassignment, error)
	// AddResult stores what a finished test was found to say and returns it with its version. Each version replaces
	// the one before and says why; the same content as the newest once more is no new version. ErrRunning before.
	AddResult(ctx context.Context, r Result) (Result, error)
	// Results returns the versions of a test's result, the oldest first.
	Results(ctx context.Context, test string) ([]Result, error)
	// HandOut notes that a paper or a file with a version of a result was handed out.
	HandOut(ctx context.Context, p Paper) (Paper, error)
	// Papers returns what was handed out of a test, the oldest first.
	Papers(ctx context.Context, test string) ([]Paper, error)

	// BringIn stores what comes from elsewhere, all or none, and counts what is new: people, visits, closed tests with
	// their events, facts. What is there already is passed over, so that the same batch twice adds nothing; another test
	// under the id of one that is there is a TestTakenError.
	BringIn(ctx context.Context, b Batch) (BroughtIn, error)

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

	Trail

	// Check reads the whole record and says what is wrong with it.
	Check(ctx context.Context) error
	// Close lets go of the record. Everything acknowledged is on disk with or without it.
	Close() error
}

// Trail is the part of a store that keeps who saw, entered, corrected, exported and signed what and when. Everything
// that is written is entered by the store itself, in the same commit, for who acts in the context (package audit).
type Trail interface {
	// Note enters what is no writing: somebody saw, exported or was refused something.
	Note(ctx context.Context, e audit.Entry) error
	// Head returns the end of the trail; it is worth keeping elsewhere.
	Head(ctx context.Context) (audit.Head, error)
	// Entries lists entries, the newest first.
	Entries(ctx context.Context, f TrailFilter) ([]audit.Entry, error)
	// EachEntry gives every entry in its canonical form with its hash, the oldest first.
	EachEntry(ctx context.Context, do func(canonical []byte, hash audit.Hash) error) error
	// VerifyTrail follows the trail, holds it against heads that were kept elsewhere, and holds the record against it.
	VerifyTrail(ctx context.Context, anchors []audit.Anchor) (audit.Head, []audit.Fault, error)
}

// Participant is a person who is tested.
type Participant struct {
	ID          int64             `json:"id"`
	Code        string            `json:"code"` // of the clinic or study; unique in any case, at most 64 characters
	Name        string            `json:"name"` // or ""
	Identifiers []Identifier      `json:"identifiers,omitempty"`
	BirthDate   string            `json:"birth_date"`          // YYYY-MM-DD, or ""
	AgeYears    float64           `json:"age_years,omitempty"` // as told, where no birth date is known; 0: not told
	AgeTold     string            `json:"age_told,omitempty"`  // the day on which it was told
	Sex         conduct.Sex       `json:"sex"`                 // as the equations use it
	Gender      string            `json:"gender,omitempty"`    // the person's own word; no equation uses it
	Rhythm      conduct.Rhythm    `json:"rhythm,omitzero"`
	Condition   conduct.Condition `json:"condition,omitzero"`   // kinds of disease, as the inputs of a test name them
	Conditions  []string          `json:"conditions,omitempty"` // in words
	Drugs       []Drug            `json:"drugs,omitempty"`
	Note        string            `json:"note"`
	Created     time.Time         `json:"created"`              // wall time, UTC, to the ms
	Archived    time.Time         `json:"archived,omitzero"`    // set by Archive
	MergedInto  int64             `json:"merged_into,omitzero"` // by the merge that stands; 0: not merged
	Kept        int64             `json:"kept,omitzero"`        // whom the lists show in its place; 0: itself
	Site        int64             `json:"site,omitempty"`       // 0: the first one
}

// Identifier is a number that somebody else gave a person.
type Identifier struct {
	System string `json:"system,omitempty"` // who gave it: a hospital, an insurance, a study
	Value  string `json:"value"`
}

// Drug is a drug that a person takes.
type Drug struct {
	Name  string `json:"name"`
	Class string `json:"class,omitempty"` // by the tables of screening
	Dose  string `json:"dose,omitempty"`
	Taken string `json:"taken,omitempty"` // when it is taken
}

// ParticipantFilter says whom to look for; its zero value lists all who are not archived.
type ParticipantFilter struct {
	Query         string
	Site          int64 // 0: of any
	Archived      bool  // the archived ones instead
	Offset, Limit int   // Limit 0: all
}

// Found is a part of those who match.
type Found struct {
	People []Participant
	Total  int // who match altogether
}

// Why two persons may be one.
const (
	SameIdentifier = "same-identifier"
	SameBirth      = "same-birth-date-and-similar-name"
)

// Duplicate is somebody who may be the same person, and why.
type Duplicate struct {
	Participant
	Why []string
}

// Merge says that one person is shown as another, and whether that was undone.
type Merge struct {
	ID         int64
	From, Into int64
	By, Why    string
	When       time.Time // wall time, UTC, to the ms
	Undone     time.Time // zero while it stands
	UndoneBy   string
	UndoneWhy  string
}

// States of a visit.
const (
	VisitPlanned   = "planned"    // there is an appointment
	VisitOpen      = "open"       // the person is here
	VisitDone      = "done"       // a test was made
	VisitNotTested = "not-tested" // no test, for a reason that is recorded
	VisitMissed    = "missed"     // the person did not come
	VisitCancelled = "cancelled"
)

// VisitStates are all states of a visit.
var VisitStates = []string{VisitPlanned, VisitOpen, VisitDone, VisitNotTested, VisitMissed, VisitCancelled}

// Visit is one day of one participant.
type Visit struct {
	ID          int64     `json:"id"`
	Participant int64     `json:"participant"`
	Date        string    `json:"date"`                 // YYYY-MM-DD where it takes place
	Time        string    `json:"time,omitempty"`       // of the appointment, HH:MM, or ""
	RetestDue   string    `json:"retest_due,omitempty"` // YYYY-MM-DD, or ""
	State       string    `json:"state"`                // one of VisitStates
	Note        string    `json:"note,omitempty"`
	Created     time.Time `json:"created"` // wall time, UTC, to the ms
}

// VisitFilter says which visits to list; its zero value lists all of people who are not archived.
type VisitFilter struct {
	Participant    int64  // with those who are shown as this person; 0: anyone
	From, To       string // first and last day, or ""
	DueFrom, DueTo string // only those whose retest is due between these days and has neither taken place nor an appointment; by due day
	State          string // or ""
	Newest         bool   // the newest first
	Site           int64  // 0: of any
	Limit          int    // 0: no limit
}

// Fact is something that was found, decided or done at a visit. A later one of the same kind replaces an earlier one in
// view; both stay.
type Fact struct {
	Visit int64           `json:"visit"`
	N     int64           `json:"n"`    // 1, 2, … in the visit
	Kind  string          `json:"kind"` // small letters, digits and dashes: screening, clearance, fit, rest, incident …
	JSON  json.RawMessage `json:"json"` // at most 64 KiB
	By    string          `json:"by"`
	At    time.Time       `json:"at"` // wall time, UTC, to the ms; set by the store
}

// InView returns the last fact of each kind.
func InView(facts []Fact) map[string]Fact {
	view := map[string]Fact{}
	for _, f := range facts {
		if f.N >= view[f.Kind].N {
			view[f.Kind] = f
		}
	}
	return view
}

// Result is a version of what a test says.
type Result struct {
	Test string          `json:"test"`
	N    int             `json:"n"` // 1, 2, …; replaces n-1
	JSON json.RawMessage `json:"json"`
	By   string          `json:"by"`
	Why  string          `json:"why,omitempty"` // what the version before did not know
	At   time.Time       `json:"at"`            // wall time, UTC, to the ms; set by the store
}

// Paper is a paper or a file that was handed out.
type Paper struct {
	ID      int64     `json:"id"`
	Test    string    `json:"test"`
	Version int       `json:"version"` // of the result
	What    string    `json:"what"`
	To      string    `json:"to"`
	By      string    `json:"by"`
	At      time.Time `json:"at"` // wall time, UTC, to the ms; set by the store
}

// Machine is a version of a machine's profile.
type Machine struct {
	ID      int64 `json:"id"`
	Version int   `json:"version"` // 1, 2, …
	Site    int64 `json:"site"`    // 0: the first one
	equipment.Profile
	By string    `json:"by"`
	At time.Time `json:"at"` // wall time, UTC, to the ms; set by the store
}

// ControlRun is one run of the biological control: a healthy staff member at the same work rate.
type ControlRun struct {
	ID         int64     `json:"id"`
	Machine    int64     `json:"machine"`
	Staff      string    `json:"staff"`           // a code
	Date       string    `json:"date"`            // YYYY-MM-DD
	Work       float64   `json:"work"`            // in what the machine shows
	HeartRates []float64 `json:"heart_rates_bpm"` // of the minutes at that work rate, in their order
	Anew       bool      `json:"anew,omitempty"`  // the limits begin anew here, as after a repair
	Note       string    `json:"note,omitempty"`
	By         string    `json:"by"`
	At         time.Time `json:"at"` // wall time, UTC, to the ms; set by the store
	StruckBy   string    `json:"struck_by,omitempty"`
	StruckWhy  string    `json:"struck_why,omitempty"`
}

// Test is one run of a protocol. Its events are kept beside it.
type Test struct {
	ID          string       `json:"id"`                    // given by the caller: 1 to 64 letters, digits, dots, dashes, underscores
	Participant int64        `json:"participant,omitempty"` // 0: nobody yet
	Visit       int64        `json:"visit,omitempty"`       // 0: of no visit
	Protocol    string       `json:"protocol"`              // id of the protocol
	Version     string       `json:"version"`               // of the protocol
	Hash        string       `json:"hash"`                  // of its content
	Sent        []byte       `json:"-"`                     // the protocol as JSON, as it was sent to the page
	Title       string       `json:"title"`
	Demo        bool         `json:"demo,omitempty"`    // an invented person
	Created     time.Time    `json:"created"`           // wall time, UTC, to the ms; set by the store, or by BringIn to when it was made
	Site        int64        `json:"site,omitempty"`    // of the person, else as given; 0: the first one
	Account     int64        `json:"account,omitempty"` // who began it; 0: nobody who signed in
	Student     bool         `json:"student,omitempty"` // it counts only when countersigned
	Signed      *Countersign `json:"signed,omitempty"`  // the last countersign; see Counts
	Closed      time.Time    `json:"closed,omitzero"`   // when its closing event was received; zero while it runs; set by the store
}

// Running reports whether the test has not been closed.
func (t Test) Running() bool { return t.Closed.IsZero() }

// TestFilter says which tests to list; its zero value lists all.
type TestFilter struct {
	Participant int64 // with those who are shown as this person; 0: of anyone
	Visit       int64 // 0: of any
	Running     bool  // only tests that are not closed
	Site        int64 // 0: of any
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
