package web

import (
	"bytes"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"gradus/conduct"
	"gradus/internal/record"
)

const (
	nowEvery    = 5 * time.Second  // how often an observer is told the time of the test
	writeAtMost = 10 * time.Second // an observer that takes nothing for this long is let go
)

// stream shows a test as it happens: first the stored events that the observer does not have, then everything
// new. It may be left and taken up again at any point: an event comes with the marks to ask from.
func (s *Server) stream(w http.ResponseWriter, r *http.Request) {
	since := r.URL.Query().Get("since")
	if last := r.Header.Get("Last-Event-ID"); last != "" {
		since = last
	}
	marks, ok := readMarks(since)
	if !ok {
		writeFault(w, &askError{Field: "since", Msg: say("stream.since", since), Hint: say("stream.since.hint")})
		return
	}
	l, err := s.liveTest(r.Context(), r.PathValue("test"))
	if err != nil {
		writeFault(w, err)
		return
	}
	o := newObserver()
	l.watch(o, 1)
	events, err := s.store.EventsSince(r.Context(), l.id, marks)
	if err != nil {
		l.leave(o)
		writeFault(w, err)
		return
	}
	s.push(w, r, &following{o: o, still: s.stillOf(r), lives: []*live{l}, stored: [][][]byte{parts(marks, events)}})
}

// following is an observer with the tests it sees and what is stored of each that it does not have. One of several
// tests is told before each message of which it is.
type following struct {
	still   func() bool // whether whoever opened it may still look on
	o       *observer
	lives   []*live
	stored  [][][]byte
	several bool
}

func (f *following) leave() {
	for _, l := range f.lives {
		l.leave(f.o)
	}
}

// push takes the connection, or the answer where a connection carries several, and hands on what comes.
func (s *Server) push(w http.ResponseWriter, r *http.Request, f *following) {
	if r.ProtoMajor > 1 {
		s.follow(f, answerIn(w), r.Context().Done())
		return
	}
	out, err := takeConnection(w)
	if err != nil {
		f.leave()
		s.logOf(r.Context()).Error("stream", "error", err)
		refuse(w, r, http.StatusInternalServerError, say("error.inside"), say("error.inside.hint"))
		return
	}
	left := make(chan struct{})
	go func() {
		defer close(left)
		var one [1]byte
		_, _ = out.from.Read(one[:]) // a browser sends nothing more: it has hung up
	}()
	go s.follow(f, out, left)
}

// maxFollowed is how many tests one stream shows.
const maxFollowed = 32

// streamOfSeveral shows several tests in one stream, which the pages of a browser share. Each value of the query is a
// test, the marks that all these pages have, and how many pages look on, as test~marks~pages. One that cannot be
// shown is left out.
func (s *Server) streamOfSeveral(w http.ResponseWriter, r *http.Request) {
	asked := r.URL.Query()["of"]
	if len(asked) == 0 || len(asked) > maxFollowed {
		writeFault(w, &askError{Field: "of", Msg: say("stream.many", len(asked), maxFollowed), Hint: say("stream.of.hint")})
		return
	}
	f := &following{o: newObserver(), several: true, still: s.stillOf(r)}
	for _, of := range asked {
		test, rest, _ := strings.Cut(of, "~")
		since, count, _ := strings.Cut(rest, "~")
		marks, ok := readMarks(since)
		pages, err := strconv.Atoi(count)
		if !ok || err != nil || pages < 1 || pages > maxFollowed {
			f.leave()
			writeFault(w, &askError{Field: "of", Msg: say("stream.since", of), Hint: say("stream.of.hint")})
			return
		}
		l, err := s.liveTest(r.Context(), test)
		if err != nil || visitorOf(r).locked && !s.runs(r, test) {
			continue
		}
		l.watch(f.o, pages)
		events, err := s.store.EventsSince(r.Context(), l.id, marks)
		if err != nil {
			l.leave(f.o)
			continue
		}
		f.lives, f.stored = append(f.lives, l), append(f.stored, parts(marks, events))
	}
	s.push(w, r, f)
}

// answerIn begins a stream within an answer. HTTP/2 carries all of a browser's requests in one connection, which
// cannot be taken for one of them.
func answerIn(w http.ResponseWriter) *pusher {
	w.Header().Set("Content-Type", "text/event-stream; charset=utf-8")
	a := &answer{w, http.NewResponseController(w)}
	return &pusher{conn: a, sent: a.c.Flush, waiting: net.Buffers{[]byte(again)}}
}

// answer is an answer over HTTP/2 as a connection to write to.
type answer struct {
	http.ResponseWriter
	c *http.ResponseController
}

func (a *answer) SetWriteDeadline(t time.Time) error { return a.c.SetWriteDeadline(t) }
func (a *answer) Close() error                       { return nil }

// again is how soon a browser comes back when the stream breaks, in ms.
const again = "retry: 1000\n\n"

// takeConnection answers that a stream begins and takes the connection from the HTTP server, whose buffers would
// hold several times the memory that an observer needs.
func takeConnection(w http.ResponseWriter) (*pusher, error) {
	head := bytes.NewBufferString("HTTP/1.1 200 OK\r\n")
	h := w.Header()
	h.Set("Content-Type", "text/event-stream; charset=utf-8")
	h.Set("Connection", "close")
	if err := h.Write(head); err != nil {
		return nil, err
	}
	conn, _, err := http.NewResponseController(w).Hijack()
	if err != nil {
		return nil, err
	}
	head.WriteString("\r\n" + again)
	return &pusher{conn: conn, from: conn, waiting: net.Buffers{head.Bytes()}}, nil
}

// follow hands on what comes until the observer leaves, falls behind or the server stops.
func (s *Server) follow(f *following, out *pusher, left <-chan struct{}) {
	s.streams.Add(1)
	defer s.streams.Add(-1)
	defer out.conn.Close()
	defer f.leave()
	of := ""
	put := func(test string, text []byte) {
		if f.several && of != test {
			out.put(message("of", "", []byte(test)))
			of = test
		}
		out.put(text)
	}
	for i, l := range f.lives {
		for _, part := range f.stored[i] {
			if put(l.id, part); out.flush() != nil {
				return
			}
		}
		put(l.id, nowMessage(s.nowOf(l.id)))
		put(l.id, showMessage(l.showing()))
		if call := l.calling(); call != nil {
			put(l.id, call)
		}
	}
	tick := time.NewTicker(nowEvery)
	defer tick.Stop()
	for out.flush() == nil {
		select {
		case m := <-f.o.in:
			put(m.test, m.text)
			f.o.rest(put)
		case <-tick.C:
			if !f.still() {
				return
			}
			for _, l := range f.lives {
				put(l.id, nowMessage(s.nowOf(l.id)))
			}
		case <-f.o.gone:
			return
		case <-left:
			return
		case <-s.done:
			f.o.rest(put)
			_ = out.flush() // the connection ends either way
			return
		}
	}
}

// rest hands on what is waiting.
func (o *observer) rest(put func(string, []byte)) {
	for range len(o.in) {
		m := <-o.in
		put(m.test, m.text)
	}
}

// pusher writes to an observer, several messages at once when they wait.
type pusher struct {
	conn interface {
		io.WriteCloser
		SetWriteDeadline(time.Time) error
	}
	from    io.Reader    // of a connection that was taken
	sent    func() error // brings what was written on its way; nil: it is
	waiting net.Buffers
}

func (p *pusher) put(message []byte) { p.waiting = append(p.waiting, message) }

func (p *pusher) flush() error {
	if err := p.conn.SetWriteDeadline(time.Now().Add(writeAtMost)); err != nil {
		return err
	}
	rest := p.waiting
	_, err := rest.WriteTo(p.conn)
	clear(p.waiting)
	p.waiting = p.waiting[:0]
	if err == nil && p.sent != nil {
		err = p.sent()
	}
	return err
}

// atOnce is how many stored events stand in one message.
const atOnce = 200

// parts makes messages of the stored events that an observer with these marks does not have.
func parts(have record.Marks, events []conduct.Event) (messages [][]byte) {
	single := len(have) == 1
	marks := slices.Clone(have)
	var some []conduct.Event
	for i, e := range events {
		marks = mark(marks, e.ID())
		if e.N > have.N(e.Term) && !(single && e.Term < have[0].Term) {
			some = append(some, e)
		}
		if len(some) < atOnce && i < len(events)-1 || len(some) == 0 {
			continue
		}
		message, err := eventMessage(some, marks)
		if err != nil {
			return messages
		}
		messages, some = append(messages, message), nil
	}
	return messages
}

func mark(marks record.Marks, id conduct.ID) record.Marks {
	for i := range marks {
		if marks[i].Term == id.Term {
			marks[i].N = max(marks[i].N, id.N)
			return marks
		}
		if marks[i].Term > id.Term {
			return append(marks[:i], append(record.Marks{id}, marks[i:]...)...)
		}
	}
	return append(marks, id)
}

func message(kind, id string, data []byte) []byte {
	var b bytes.Buffer
	b.Grow(len(data) + len(kind) + len(id) + 24)
	if id != "" {
		b.WriteString("id: " + id + "\n")
	}
	b.WriteString("event: " + kind + "\ndata: ")
	b.Write(data)
	b.WriteString("\n\n")
	return b.Bytes()
}

func eventMessage(events []conduct.Event, marks record.Marks) ([]byte, error) {
	data, err := json.Marshal(events)
	if err != nil {
		return nil, err
	}
	return message("events", marksText(marks), data), nil
}

func nowMessage(ms int64) []byte {
	data, _ := json.Marshal(map[string]int64{"now_ms": ms})
	return message("now", "", data)
}

func showMessage(what shown) []byte {
	data, _ := json.Marshal(what)
	return message("show", "", data)
}
