package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"mime"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"gradus/conduct"
	"gradus/internal/access"
	"gradus/internal/eventfile"
	"gradus/internal/record"
	"gradus/internal/web/core"
	"gradus/protocol"
	protocols "gradus/protocol/library"
)

// Limits of what a page may send at once.
const (
	maxEventsBody  = 1 << 20
	maxEvents      = 2000
	maxSamplesBody = 128 << 10
	maxBlocks      = 16 // of samples
	maxSamples     = 2000
	maxText        = 4000
	maxTestMs      = 7 * 24 * 60 * 60 * 1000
)

// fault is how the interface says what went wrong: what, what to do, and which event is meant.
type fault struct {
	Error    string      `json:"error"`
	Hint     string      `json:"hint"`
	Want     *conduct.ID `json:"want,omitempty"`
	Conflict *conduct.ID `json:"conflict,omitempty"`
}

// askError is a fault in what was sent.
type askError struct {
	Status           int
	Field, Msg, Hint string
}

func (e *askError) Error() string {
	if e.Field == "" {
		return e.Msg
	}
	return e.Field + ": " + e.Msg
}

// api answers with JSON, whatever happens.
func (s *Server) api(do func(*http.Request) (any, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		out, err := do(r)
		if err != nil {
			s.note(r, err)
			writeFault(w, err)
			return
		}
		writeJSON(w, http.StatusOK, out)
	}
}

// note logs what the disk or the program did. What a page sent wrongly is the page's to show, and may hold anything.
func (s *Server) note(r *http.Request, err error) {
	var storage *record.StorageError
	if errors.As(err, &storage) {
		s.meters.errors.WithLabelValues("storage").Inc()
		s.logOf(r.Context()).Error("storage", "error", err)
		return
	}
	if ask := new(askError); errors.As(err, &ask) {
		return
	}
	if refused := new(access.RefusedError); errors.As(err, &refused) {
		s.enterRefused(r, refused)
	}
	if status, _ := explain(err); status >= http.StatusInternalServerError && r.Context().Err() == nil {
		s.meters.errors.WithLabelValues("inside").Inc()
		s.logOf(r.Context()).Error("inside", "error", err)
	}
}

func writeJSON(w http.ResponseWriter, status int, out any) {
	text, err := json.Marshal(out)
	if err != nil {
		status, text = http.StatusInternalServerError, []byte(`{"error":"the answer could not be written","hint":""}`)
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_, _ = w.Write(append(text, '\n')) // the page has gone; it will ask again
}

func writeFault(w http.ResponseWriter, err error) {
	status, f := explain(err)
	writeJSON(w, status, f)
}

// explain turns an error into a status and words.
func explain(err error) (int, fault) {
	var (
		ask      *askError
		gap      *record.GapError
		conflict *record.ConflictError
		block    *record.BlockConflictError
		invalid  *record.InvalidError
		storage  *record.StorageError
		taken    *record.TestTakenError
		unknown  *protocols.UnknownError
	)
	var refused *access.RefusedError
	var nobody *access.NobodyError
	switch {
	case errors.As(err, &refused):
		return http.StatusForbidden, fault{Error: say("access.right"), Hint: say("access.right.hint")}
	case errors.As(err, &nobody):
		return http.StatusUnauthorized, fault{Error: say("access.signin"), Hint: say("access.signin.hint")}
	case errors.As(err, &unknown):
		return http.StatusNotFound, fault{Error: unknown.Error(), Hint: say("form.again")}
	case errors.As(err, &taken):
		return http.StatusConflict, fault{Error: taken.Error(), Hint: say("api.taken.hint")}
	case errors.As(err, &ask):
		return max(ask.Status, http.StatusBadRequest), fault{Error: ask.Error(), Hint: ask.Hint}
	case errors.As(err, &gap):
		return http.StatusConflict, fault{Error: say("api.gap", gap.Got, gap.Want), Hint: say("api.gap.hint", gap.Want), Want: &gap.Want}
	case errors.As(err, &conflict):
		return http.StatusConflict, fault{Error: say("api.conflict", conflict.ID), Hint: say("api.conflict.hint"), Conflict: &conflict.ID}
	case errors.As(err, &block):
		return http.StatusConflict, fault{Error: block.Error(), Hint: say("api.block.hint")}
	case errors.As(err, &invalid):
		return http.StatusBadRequest, fault{Error: invalid.Error(), Hint: say("api.invalid.hint")}
	case errors.Is(err, record.ErrNotFound):
		return http.StatusNotFound, fault{Error: say("error.missing"), Hint: say("error.missing.hint")}
	case errors.Is(err, record.ErrDiskFull):
		errors.As(err, &storage)
		return http.StatusInsufficientStorage, fault{Error: say("api.full"), Hint: storage.Hint()}
	case errors.As(err, &storage):
		return http.StatusInternalServerError, fault{Error: storage.Kind.Error(), Hint: storage.Hint()}
	}
	return http.StatusInternalServerError, fault{Error: err.Error(), Hint: say("error.inside.hint")}
}

// readJSON reads one JSON value of a known form and at most so many bytes, and nothing after it.
func readJSON(r *http.Request, most int64, to any) error {
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || kind != "application/json" {
		return &askError{http.StatusUnsupportedMediaType, "content-type", say("api.type"), say("api.type.hint")}
	}
	body := http.MaxBytesReader(nil, r.Body, most)
	d := json.NewDecoder(body)
	d.DisallowUnknownFields()
	if err := d.Decode(to); err != nil {
		return bodyError(err, most)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return bodyError(errors.New(say("api.more")), most)
	}
	return nil
}

func bodyError(err error, most int64) error {
	var large *http.MaxBytesError
	if errors.As(err, &large) {
		return &askError{http.StatusRequestEntityTooLarge, "body", say("api.large", most), say("api.large.hint")}
	}
	return &askError{http.StatusBadRequest, "body", err.Error(), say("api.body.hint")}
}

type clockAnswer struct {
	BootID string `json:"boot_id"`
	BootMs int64  `json:"boot_ms"`
	WallMs int64  `json:"wall_ms"`
}

func (s *Server) clock(*http.Request) (any, error) {
	a := s.clockNow()
	return clockAnswer{a.BootID, a.BootMs, a.WallMs}, nil
}

// personAnswer is what a running page shows of a person. Events hold none of it.
type personAnswer struct {
	ID    int64  `json:"id"`
	Code  string `json:"code"`
	Label string `json:"label"`
}

// testAnswer is all that a page needs to run or to watch a test.
type testAnswer struct {
	ID       string            `json:"id"`
	Title    string            `json:"title"`
	Person   personAnswer      `json:"person"`
	Demo     bool              `json:"demo"`
	Speed    int               `json:"speed"`
	Simulate int               `json:"simulate"` // which invented participant answers; -1: a real one
	By       string            `json:"by"`
	Load     core.Load         `json:"load"`
	Clocks   core.Clocks       `json:"clocks"`
	NowMs    int64             `json:"now_ms"`
	Acked    map[string]uint32 `json:"acked"`
	Notice   string            `json:"notice"`
}

func (s *Server) open(r *http.Request) (any, error) {
	ctx := r.Context()
	t, err := s.store.Test(ctx, r.PathValue("test"))
	if err != nil {
		return nil, err
	}
	events, err := s.store.Events(ctx, t.ID)
	if err != nil {
		return nil, err
	}
	load, err := s.lib.loadOf(t, events)
	if err != nil {
		return nil, err
	}
	a := testAnswer{ID: t.ID, Title: t.Title, Demo: t.Demo, Speed: 1, Simulate: -1, Load: load, Acked: map[string]uint32{}}
	if a.Person, err = s.personOf(r, t); err != nil {
		return nil, err
	}
	if t.Demo {
		a.Speed, a.Simulate = s.speed, inventedFor(t.Participant)
	}
	a.Clocks, a.NowMs = s.timeOf(t.ID, events)
	for i := range events {
		e := &events[i]
		term := strconv.FormatUint(uint64(e.Term), 10)
		a.Acked[term] = max(a.Acked[term], e.N)
		if e.Kind == conduct.Began {
			a.By = e.By
		}
	}
	a.By = or(signerOf(r), a.By)
	if len(events) == 0 {
		a.Notice = say("run.empty")
	}
	return a, nil
}

func (s *Server) personOf(r *http.Request, t record.Test) (personAnswer, error) {
	if t.Participant == 0 {
		return personAnswer{Label: say("person.nobody")}, nil
	}
	p, err := s.store.Participant(r.Context(), t.Participant)
	if err != nil {
		return personAnswer{}, err
	}
	return personAnswer{ID: p.ID, Code: p.Code, Label: label(p)}, nil
}

// label is how a person is called on a page.
func label(p record.Participant) string {
	if p.Name != "" {
		return p.Name
	}
	return p.Code
}

type eventsAsk struct {
	NowMs  *int64          `json:"now_ms"`
	Events []conduct.Event `json:"events"`
}

type ackAnswer struct {
	Acked map[string]uint32 `json:"acked"`
}

// takeEvents stores events. What it acknowledges is on disk.
func (s *Server) takeEvents(r *http.Request) (any, error) {
	var ask eventsAsk
	if err := readJSON(r, maxEventsBody, &ask); err != nil {
		return nil, err
	}
	if err := ask.check(); err != nil {
		return nil, err
	}
	l, err := s.liveTest(r.Context(), r.PathValue("test"))
	if err != nil {
		return nil, err
	}
	marks, err := s.keep(r, l, ask.Events)
	if err != nil {
		return nil, err
	}
	if ask.NowMs != nil {
		s.keepTime(l.id, *ask.NowMs)
	}
	a := ackAnswer{Acked: map[string]uint32{}}
	for _, m := range marks {
		a.Acked[strconv.FormatUint(uint64(m.Term), 10)] = m.N
	}
	return a, nil
}

// keep stores events and then shows them, in one order for all observers of the test.
func (s *Server) keep(r *http.Request, l *live, events []conduct.Event) (record.Marks, error) {
	l.append.Lock()
	defer l.append.Unlock()
	began := time.Now()
	marks, err := s.store.Append(r.Context(), l.id, events)
	now := time.Now()
	s.appended.Store(now.UnixMilli())
	if err != nil {
		return nil, err
	}
	l.heard.Store(now.UnixMilli())
	s.meters.append.Observe(now.Sub(began).Seconds())
	s.meters.events.Add(float64(len(events)))
	s.tell(toldEvents, l.id, nil)
	if s.shared != nil && l.missed(events, marks) {
		go s.catchUp(l) // another server has stored events between; all are shown in one order
	} else if err := l.stored(events, marks); err != nil {
		return nil, err
	}
	if slices.ContainsFunc(events, func(e conduct.Event) bool { return e.Kind == conduct.Closed }) {
		s.endVisit(r, l.id)
	}
	return marks, nil
}

// endVisit notes that a test was made at its visit. The events are acknowledged whatever becomes of this.
func (s *Server) endVisit(r *http.Request, test string) {
	t, err := s.store.Test(r.Context(), test)
	if err == nil && t.Visit != 0 && !t.Running() {
		var v record.Visit
		if v, err = s.store.Visit(r.Context(), t.Visit); err == nil && v.State != record.VisitDone {
			v.State = record.VisitDone
			err = s.store.UpdateVisit(r.Context(), v)
		}
	}
	if err != nil {
		s.logOf(r.Context()).Error("visit of a test that ended", "test", test, "error", err)
	}
}

// check refuses what can be no event. What makes sense is for the conductor, which counts and passes over the rest.
func (a *eventsAsk) check() error {
	bad := func(i int, field, msg, hint string) error {
		return &askError{http.StatusBadRequest, fmt.Sprintf("events[%d].%s", i, field), msg, hint}
	}
	if a.NowMs != nil && (*a.NowMs < 0 || *a.NowMs > maxTestMs) {
		return &askError{http.StatusBadRequest, "now_ms", say("api.now", *a.NowMs), say("api.now.hint")}
	}
	if len(a.Events) > maxEvents {
		return &askError{http.StatusRequestEntityTooLarge, "events", say("api.many", len(a.Events), maxEvents), say("api.large.hint")}
	}
	for i := range a.Events {
		e := &a.Events[i]
		switch {
		case e.Term == 0 || e.N == 0:
			return bad(i, "term", say("api.id", e.ID()), say("api.id.hint"))
		case e.Kind == conduct.NoKind:
			return bad(i, "kind", say("api.kind"), say("api.kind.hint"))
		case e.At < 0 || e.At > maxTestMs:
			return bad(i, "at", say("api.at", e.At), say("api.now.hint"))
		case len(e.Text)+len(e.Code)+len(e.Word)+len(e.By)+len(e.Wall) > maxText:
			return bad(i, "text", say("api.text", maxText), say("api.text.hint"))
		case (e.Begin != nil) != (e.Kind == conduct.Began):
			return bad(i, "begin", say("api.begin"), say("api.begin.hint"))
		}
	}
	return nil
}

// samplesAsk is what a page sends of its sensors: what has gathered since the last time, all kinds at once.
type samplesAsk struct {
	Blocks []sampleBlock `json:"blocks"`
}

// sampleBlock is a run of samples of one kind as a page sends it and as observers get it.
type sampleBlock struct {
	Seq    uint64      `json:"seq"`
	FromMs int64       `json:"from_ms"`
	ToMs   int64       `json:"to_ms"`
	Kind   string      `json:"kind"`
	Values [][]float64 `json:"values"` // pairs of time in ms and value
}

type seqAnswer struct {
	Seq uint64 `json:"seq"` // of the last block
}

var sampleKinds = []string{"hr", "rr", "cadence", "power"}

// takeSamples shows blocks of samples at once, in one message, and then stores them, all or none.
func (s *Server) takeSamples(r *http.Request) (any, error) {
	var ask samplesAsk
	if err := readJSON(r, maxSamplesBody, &ask); err != nil {
		return nil, err
	}
	if err := ask.check(); err != nil {
		return nil, err
	}
	l, err := s.liveTest(r.Context(), r.PathValue("test"))
	if err != nil {
		return nil, err
	}
	l.heard.Store(time.Now().UnixMilli())
	s.tell(toldSamples, l.id, ask.Blocks)
	if l.watchers() > 0 {
		data, err := json.Marshal(ask.Blocks)
		if err != nil {
			return nil, err
		}
		l.send(message("samples", "", data))
	}
	blocks := make([]record.Block, len(ask.Blocks))
	for i := range ask.Blocks {
		blocks[i] = ask.Blocks[i].block()
	}
	if err := s.store.AppendSamples(r.Context(), l.id, blocks); err != nil {
		return nil, err
	}
	return seqAnswer{blocks[len(blocks)-1].Seq}, nil
}

func (b *sampleBlock) block() record.Block {
	return record.Block{Seq: b.Seq, From: protocol.Ms(b.FromMs), To: protocol.Ms(b.ToMs), Kind: b.Kind, Payload: record.Pack(b.samples())}
}

func (b *sampleBlock) samples() []record.Sample {
	out := make([]record.Sample, len(b.Values))
	for i, v := range b.Values {
		out[i] = record.Sample{At: protocol.Ms(v[0]), V: v[1]}
	}
	return out
}

func (a *samplesAsk) check() error {
	if n := len(a.Blocks); n == 0 || n > maxBlocks {
		return &askError{http.StatusBadRequest, "blocks", say("samples.many", n, maxBlocks), say("samples.many.hint")}
	}
	for i := range a.Blocks {
		if err := a.Blocks[i].check(fmt.Sprintf("blocks[%d].", i)); err != nil {
			return err
		}
	}
	return nil
}

// check refuses a block that no sensor can have given. path is where it stands in what was sent.
func (b *sampleBlock) check(path string) error {
	bad := func(field, msg, hint string) error { return &askError{http.StatusBadRequest, path + field, msg, hint} }
	switch {
	case !slices.Contains(sampleKinds, b.Kind):
		return bad("kind", say("samples.kind", b.Kind), say("samples.kind.hint", strings.Join(sampleKinds, ", ")))
	case b.FromMs < 0 || b.ToMs < b.FromMs || b.ToMs-b.FromMs > int64(record.MaxBlock) || b.ToMs > maxTestMs:
		return bad("from_ms", say("samples.time", b.FromMs, b.ToMs), say("samples.time.hint"))
	case len(b.Values) == 0 || len(b.Values) > maxSamples:
		return bad("values", say("samples.count", len(b.Values), maxSamples), say("samples.count.hint"))
	}
	last := float64(b.FromMs)
	for i, v := range b.Values {
		if len(v) != 2 {
			return bad(fmt.Sprintf("values[%d]", i), say("samples.pair"), say("samples.at.hint"))
		}
		if v[0] < last || v[0] > float64(b.ToMs) || v[0] != math.Trunc(v[0]) {
			return bad(fmt.Sprintf("values[%d]", i), say("samples.at", v[0]), say("samples.at.hint"))
		}
		if v[1] < 0 || v[1] > 1e5 {
			return bad(fmt.Sprintf("values[%d]", i), say("samples.value", v[1]), say("samples.value.hint"))
		}
		last = v[0]
	}
	return nil
}

// giveSamples returns stored samples of one kind in a stretch of test time, so that a page that comes back has
// its trace again.
func (s *Server) giveSamples(r *http.Request) (any, error) {
	q := r.URL.Query()
	from, err1 := strconv.ParseInt(or(q.Get("from"), "0"), 10, 64)
	to, err2 := strconv.ParseInt(or(q.Get("to"), strconv.Itoa(maxTestMs)), 10, 64)
	if err1 != nil || err2 != nil {
		return nil, &askError{http.StatusBadRequest, "from", say("samples.range"), say("samples.time.hint")}
	}
	values, err := s.samplesOf(r, r.PathValue("test"), or(q.Get("kind"), "hr"), from, to)
	if err != nil {
		return nil, err
	}
	return map[string]any{"values": values}, nil
}

func (s *Server) samplesOf(r *http.Request, test, kind string, from, to int64) ([][2]float64, error) {
	blocks, err := s.store.Samples(r.Context(), test, kind, protocol.Ms(from), protocol.Ms(to))
	if err != nil {
		return nil, err
	}
	out := [][2]float64{}
	for _, b := range blocks {
		samples, err := record.Unpack(b.Payload)
		if err != nil {
			return nil, err
		}
		for _, v := range samples {
			out = append(out, [2]float64{float64(v.At), v.V})
		}
	}
	return out, nil
}

type callAsk struct {
	By   string `json:"by"`
	Text string `json:"text"`
}

type callAnswer struct {
	Screens int `json:"screens"` // how many look on
}

// call shows on every observer's screen that someone at the bedside asks for help.
func (s *Server) call(r *http.Request) (any, error) {
	ask := callAsk{}
	if err := readJSON(r, maxText, &ask); err != nil {
		return nil, err
	}
	l, err := s.liveTest(r.Context(), r.PathValue("test"))
	if err != nil {
		return nil, err
	}
	data, err := json.Marshal(map[string]any{"id": randomHex(4), "by": ask.By, "text": ask.Text, "now_ms": s.nowOf(l.id)})
	if err != nil {
		return nil, err
	}
	return callAnswer{l.callOut(message("call", "", data))}, nil
}

// showScreen lets the examiner choose what the participant's screen shows.
func (s *Server) showScreen(r *http.Request) (any, error) {
	var what shown
	if err := readJSON(r, maxText, &what); err != nil {
		return nil, err
	}
	l, err := s.liveTest(r.Context(), r.PathValue("test"))
	if err != nil {
		return nil, err
	}
	l.show(what)
	s.tell(toldShow, l.id, what)
	return what, nil
}

// download gives the events of a test as JSON lines, one event a line, as they are replayed.
func (s *Server) download(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("test")
	events, err := s.store.Events(r.Context(), id)
	if err != nil {
		writeFault(w, err)
		return
	}
	// A file that leaves the house carries a version of the result like a paper. Who asks gets it all the same.
	if r.Header.Get("Sec-Fetch-Dest") == "document" || r.URL.Query().Has("keep") {
		if t, err := s.retell(r); err == nil && !t.test.Running() {
			if err := s.handOut(r, &t, optionText("paper_what", "log"), "", ""); err != nil {
				s.logOf(r.Context()).Error("paper of a test", "test", id, "error", err)
			}
		}
	}
	w.Header().Set("Content-Type", "application/x-ndjson")
	w.Header().Set("Content-Disposition", `attachment; filename="`+id+`.jsonl"`)
	_ = eventfile.Write(w, events) // the browser has gone; there is nobody to tell
}

func or(text, other string) string {
	if text == "" {
		return other
	}
	return text
}
