package web

import (
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"gradus/conduct"
	"gradus/internal/record"
)

// queue is how many messages wait for an observer who reads slowly. One who falls further behind is let go and
// asks again for what is missing.
const queue = 64

// live is what the server keeps in memory of one test: the marks of what is stored, and who looks on.
type live struct {
	id     string
	append sync.Mutex   // one append at a time, so that observers get events in the order of the record
	behind atomic.Bool  // another server has stored events
	heard  atomic.Int64 // when an event or a sample came last, in ms since 1970

	mu        sync.Mutex
	marks     record.Marks
	observers map[*observer]int // and how many pages each stands for
	shows     shown
	call      []byte // for help, the last one
	calledAt  time.Time
}

// callHolds is how long a call for help is also shown on a screen that was just opened or had lost its stream.
const callHolds = 30 * time.Second

// callOut shows a call on every screen, and reports how many there are.
func (l *live) callOut(message []byte) (screens int) {
	screens = l.watchers()
	l.mu.Lock()
	defer l.mu.Unlock()
	l.call, l.calledAt = message, time.Now()
	l.sendLocked(message)
	return screens
}

// calling is the call that still holds, or nil.
func (l *live) calling() []byte {
	l.mu.Lock()
	defer l.mu.Unlock()
	if time.Since(l.calledAt) > callHolds {
		return nil
	}
	return l.call
}

// shown is what the examiner lets the participant's screen show. It is no event of the test; after a restart of the
// server the page that holds the pen says it again.
type shown struct {
	Heart bool `json:"heart"`
}

// observer is one open stream, of one test or of several. gone is closed when it fell behind.
type observer struct {
	in   chan *letter
	gone chan struct{}
	fell sync.Once
}

// letter is a message to the observers of a test.
type letter struct {
	test string
	text []byte
}

func newObserver() *observer {
	return &observer{in: make(chan *letter, queue), gone: make(chan struct{})}
}

func newLive(id string, marks record.Marks) *live {
	return &live{id: id, marks: marks, observers: map[*observer]int{}}
}

// watch lets an observer see what happens from now on, for so many pages.
func (l *live) watch(o *observer, pages int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.observers[o] = pages
}

// show changes what the participant's screen shows and tells every screen.
func (l *live) show(what shown) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.shows = what
	l.sendLocked(showMessage(what))
}

func (l *live) showing() shown {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.shows
}

func (l *live) leave(o *observer) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.observers, o)
}

// watchers is how many pages look on.
func (l *live) watchers() (n int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, pages := range l.observers {
		n += pages
	}
	return n
}

// send gives a message to every observer and waits for none of them.
func (l *live) send(message []byte) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.sendLocked(message)
}

func (l *live) sendLocked(message []byte) {
	m := &letter{l.id, message}
	for o := range l.observers {
		select {
		case o.in <- m:
		default:
			o.fell.Do(func() { close(o.gone) })
			delete(l.observers, o)
		}
	}
}

// stored notes what is on disk now and shows observers the events that are new.
func (l *live) stored(events []conduct.Event, marks record.Marks) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	fresh := slices.DeleteFunc(slices.Clone(events), func(e conduct.Event) bool { return e.N <= l.marks.N(e.Term) })
	l.marks = marks
	if len(fresh) == 0 {
		return nil
	}
	slices.SortFunc(fresh, byID)
	message, err := eventMessage(fresh, marks)
	if err != nil {
		return err
	}
	l.sendLocked(message)
	return nil
}

func byID(a, b conduct.Event) int {
	switch {
	case a.ID().Less(b.ID()):
		return -1
	case b.ID().Less(a.ID()):
		return 1
	}
	return 0
}

// marksText writes marks as "1.12,2.3": how an observer says what it has.
func marksText(marks record.Marks) string {
	parts := make([]string, len(marks))
	for i, m := range marks {
		parts[i] = m.String()
	}
	return strings.Join(parts, ",")
}

// readMarks reads what marksText wrote. One mark alone means everything up to it in the order of events.
func readMarks(text string) (marks record.Marks, ok bool) {
	if text == "" {
		return nil, true
	}
	for part := range strings.SplitSeq(text, ",") {
		term, n, found := strings.Cut(part, ".")
		t, err1 := strconv.ParseUint(term, 10, 32)
		k, err2 := strconv.ParseUint(n, 10, 32)
		if !found || err1 != nil || err2 != nil || t == 0 {
			return nil, false
		}
		marks = append(marks, conduct.ID{Term: uint32(t), N: uint32(k)})
	}
	slices.SortFunc(marks, func(a, b conduct.ID) int { return int(int64(a.Term) - int64(b.Term)) })
	return marks, true
}
