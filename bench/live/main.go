// Command live measures the server of the bedside under the load of many tests at once: how long an event and a
// sample take to reach those who look on, how much memory the server holds, and whether anything is lost.
//
// See README.md beside it for the method.
package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"gradus/conduct"
	"gradus/estimate/library"
	"gradus/internal/access"
	"gradus/internal/pgtest"
	"gradus/internal/record"
	"gradus/protocol"
	protocols "gradus/protocol/library"
)

var (
	program   = flag.String("program", "bin/gradus", "the program to measure")
	tests     = flag.Int("tests", 1000, "tests at once")
	watchers  = flag.Int("observers", 5, "observers of each test")
	seconds   = flag.Int("seconds", 60, "how long to measure")
	warm      = flag.Int("warm", 12, "seconds before the measurement begins")
	postgres  = flag.Bool("postgres", false, "keep the record in a PostgreSQL server that is started beside")
	servers   = flag.Int("servers", 1, "servers on that database; a test is watched at another one than its page's")
	eachEvent = flag.Int("event-every", 10, "seconds between two events of a test")
)

// Goals of this benchmark.
const (
	goalP99    = 20 * time.Millisecond
	goalMemory = 250 << 20
	goalAppend = 50 * time.Millisecond // with -postgres: until an event is acknowledged, for 99 %
)

func main() {
	flag.Parse()
	missed, err := run()
	if err != nil {
		fmt.Fprintln(os.Stderr, "live:", err)
		os.Exit(1)
	}
	if missed {
		os.Exit(2)
	}
}

func run() (missed bool, err error) {
	dir, err := os.MkdirTemp("", "gradus-live-")
	if err != nil {
		return false, err
	}
	defer os.RemoveAll(dir)
	place := dir
	if *postgres {
		database, err := pgtest.NewOnDisk()
		if err != nil {
			return false, err
		}
		defer database.Stop()
		place = database.URL("postgres")
	} else if *servers != 1 {
		return false, errors.New("several servers need -postgres")
	}
	l := &load{}
	if err := l.prepare(place); err != nil {
		return false, err
	}
	for i := range *servers {
		address, server, err := start(filepath.Join(dir, fmt.Sprint(i)), place)
		if err != nil {
			return false, err
		}
		defer server.Process.Kill()
		l.addresses, l.servers = append(l.addresses, address), append(l.servers, server)
	}
	err = l.play()
	for _, server := range l.servers {
		if serr := stop(server); err == nil {
			err = serr
		}
	}
	if err != nil {
		return false, err
	}
	if err := l.compare(place); err != nil {
		return false, err
	}
	return l.report(), nil
}

// prepare makes the tests, each with the first load set, as a page would have left them, and for each an account that is
// signed in at the page and at another place that looks on.
func (l *load) prepare(place string) error {
	ctx := context.Background()
	store, err := record.OpenAny(ctx, place, record.Options{})
	if err != nil {
		return err
	}
	defer store.Close()
	p, err := protocols.Load("recumbent-stepper", library.LineOf)
	if err != nil {
		return err
	}
	sent, err := json.Marshal(p)
	if err != nil {
		return err
	}
	for i := range *tests {
		id := fmt.Sprintf("live-%04d", i)
		a, err := store.AddAccount(ctx, record.Account{Login: id, Name: "Invented " + id, Roles: []string{string(access.Clinician)}, Site: record.FirstSite, Handle: id, CreatedBy: "live"})
		if err != nil {
			return err
		}
		t := record.Test{ID: id, Protocol: p.ID, Version: p.Version, Hash: p.Hash, Sent: sent, Title: p.Title, Demo: true, Account: a.ID}
		if _, err := store.NewTest(ctx, t); err != nil {
			return err
		}
		began := conduct.Event{Term: 1, N: 1, Kind: conduct.Began, Begin: &conduct.Begin{Format: conduct.FormatVersion, Protocol: p.ID, Version: p.Version, Hash: p.Hash,
			Inputs: conduct.Inputs{AgeYears: 58, Sex: conduct.Female, MassKg: 71}}}
		stage := conduct.Event{Term: 1, N: 2, Kind: conduct.StageBegun, Code: "stage-1", V: 30}
		if _, err := store.Append(ctx, id, []conduct.Event{began, stage}); err != nil {
			return err
		}
		page, err := signedIn(ctx, store, a.ID)
		if err != nil {
			return err
		}
		beside, err := signedIn(ctx, store, a.ID)
		if err != nil {
			return err
		}
		l.ids, l.pages, l.beside = append(l.ids, id), append(l.pages, page), append(l.beside, beside)
	}
	return nil
}

// signedIn begins a session as a sign-in does, and returns its token. The password is not computed: that a thousand
// people type one in the same second is not what is measured.
func signedIn(ctx context.Context, store record.Store, account int64) (string, error) {
	token, now := access.Token(), time.Now()
	return token, store.AddSession(ctx, record.Session{Hash: access.HashOf(token), Account: account, Created: now, Seen: now, Proved: now, Until: now.Add(8 * time.Hour), Source: "127.0.0.1", Agent: "live"})
}

// cookie is the line with which a request shows the token of its session.
func cookie(token string) string { return "Cookie: gradus-session=" + token + "\r\n" }

// start runs a server as its own process and returns its address.
func start(dir, place string) (string, *exec.Cmd, error) {
	if !record.IsDatabase(place) {
		dir = place
	}
	cmd := exec.Command(*program, "serve", "--no-browser", "--listen", "127.0.0.1:0", "--data", dir)
	if record.IsDatabase(place) {
		cmd.Env = append(os.Environ(), "GRADUS_DATABASE="+place)
	}
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		return "", nil, err
	}
	if err := cmd.Start(); err != nil {
		return "", nil, err
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		return "", nil, fmt.Errorf("the server did not say its address: %w", err)
	}
	return strings.TrimSuffix(strings.TrimPrefix(strings.TrimSpace(line), "http://"), "/"), cmd, nil
}

func stop(server *exec.Cmd) error {
	if err := server.Process.Signal(syscall.SIGTERM); err != nil {
		return err
	}
	return server.Wait()
}

// load is the work of all pages and observers.
type load struct {
	addresses []string // of the servers
	servers   []*exec.Cmd
	ids       []string
	pages     []string // tokens of the sessions of the pages
	beside    []string // tokens of those who look on

	measuring atomic.Bool
	began     time.Time
	heard     []*heard // of each observer
	late      atomic.Int64
	sent      []uint32 // last event of each test that was acknowledged
	blocks    []uint32 // blocks of each test that were acknowledged
	acks      latencies
	peak      int64
	cpu       time.Duration
	faults    chan error
}

// heard is what one observer got.
type heard struct {
	last    uint32 // event, without a gap
	blocks  uint32
	gaps    int
	events  []time.Duration
	samples []time.Duration
}

type latencies struct {
	mu  sync.Mutex
	all []time.Duration
}

func (l *latencies) add(d time.Duration) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.all = append(l.all, d)
}

func (l *load) fail(err error) {
	select {
	case l.faults <- err:
	default:
	}
}

func (l *load) play() error {
	l.faults = make(chan error, 1)
	l.sent, l.blocks = make([]uint32, len(l.ids)), make([]uint32, len(l.ids))
	l.began = time.Now()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	var watching, writing sync.WaitGroup
	for i := range l.ids {
		for range *watchers {
			h := &heard{last: 2}
			l.heard = append(l.heard, h)
			conn, in, err := l.watch(l.addresses[(i+1)%len(l.addresses)], l.ids[i], l.beside[i])
			if err != nil {
				return err
			}
			go func() { <-ctx.Done(); conn.Close() }()
			watching.Go(func() {
				if err := l.listen(in, h); ctx.Err() == nil {
					l.fail(fmt.Errorf("observer of %s: %w", l.ids[i], err))
				}
			})
		}
	}
	fmt.Printf("%d observers look on, server holds %.0f MB\n", len(l.heard), float64(l.memory())/(1<<20))
	until := time.Now().Add(time.Duration(*warm+*seconds) * time.Second)
	for i := range l.ids {
		writing.Go(func() {
			if err := l.write(i, until); err != nil {
				l.fail(fmt.Errorf("page of %s: %w", l.ids[i], err))
			}
		})
	}
	time.Sleep(time.Duration(*warm) * time.Second)
	l.measuring.Store(true)
	used := l.processor()
	for time.Now().Before(until) {
		l.peak = max(l.peak, l.memory())
		time.Sleep(200 * time.Millisecond)
	}
	l.cpu = l.processor() - used
	l.measuring.Store(false)
	writing.Wait()
	time.Sleep(time.Second) // what is on the way arrives
	cancel()
	watching.Wait()
	select {
	case err := <-l.faults:
		return err
	default:
		return nil
	}
}

// watch opens a stream of a test after the events that are stored already.
func (l *load) watch(address, id, token string) (net.Conn, *bufio.Reader, error) {
	conn, err := net.Dial("tcp", address)
	if err != nil {
		return nil, nil, err
	}
	fmt.Fprintf(conn, "GET /api/tests/%s/stream?since=1.2 HTTP/1.1\r\nHost: %s\r\n%s\r\n", id, address, cookie(token))
	in := bufio.NewReaderSize(conn, 2048)
	status, err := in.ReadString('\n')
	if err != nil || !strings.Contains(status, " 200 ") {
		return nil, nil, fmt.Errorf("stream of %s: %q %v", id, status, err)
	}
	return conn, in, nil
}

// listen reads a stream until its end. The time at which a message was written stands in its text or value.
func (l *load) listen(in *bufio.Reader, h *heard) error {
	kind := ""
	for {
		line, err := in.ReadSlice('\n')
		if err != nil {
			return err
		}
		now := time.Since(l.began)
		switch {
		case bytes.HasPrefix(line, []byte("event: ")):
			kind = string(bytes.TrimSpace(line[7:]))
		case bytes.HasPrefix(line, []byte("data: ")) && kind == "events":
			if err := l.event(line[6:], now, h); err != nil {
				return err
			}
		case bytes.HasPrefix(line, []byte("data: ")) && kind == "samples":
			at, ok := number(line, `"to_ms":`)
			if !ok {
				return fmt.Errorf("samples %q", line)
			}
			h.blocks += uint32(bytes.Count(line, []byte(`"seq":`)))
			if l.measuring.Load() {
				h.samples = append(h.samples, now-time.Duration(at)*time.Microsecond)
			}
		}
	}
}

func (l *load) event(data []byte, now time.Duration, h *heard) error {
	n, ok1 := number(data, `"n":`)
	at, ok2 := number(data, `"v":`)
	if !ok1 || !ok2 {
		return fmt.Errorf("event %q", data)
	}
	if uint32(n) != h.last+1 {
		h.gaps++
	}
	h.last = uint32(n)
	if l.measuring.Load() {
		h.events = append(h.events, now-time.Duration(at)*time.Microsecond)
	}
	return nil
}

// number finds a whole number after a name.
func number(text []byte, name string) (int64, bool) {
	_, rest, ok := bytes.Cut(text, []byte(name))
	if !ok {
		return 0, false
	}
	end := 0
	for end < len(rest) && rest[end] >= '0' && rest[end] <= '9' {
		end++
	}
	v, err := strconv.ParseInt(string(rest[:end]), 10, 64)
	return v, err == nil
}

// caller is the connection of one page. It is written and read by hand, so that the client takes little of the
// processors that it shares with the server.
type caller struct {
	conn  net.Conn
	in    *bufio.Reader
	host  string
	token string
}

func (l *load) dial(i int) (*caller, error) {
	address := l.addresses[i%len(l.addresses)]
	conn, err := net.Dial("tcp", address)
	if err != nil {
		return nil, err
	}
	return &caller{conn, bufio.NewReaderSize(conn, 2048), address, l.pages[i]}, nil
}

const answerIn = 10 * time.Second

// post sends one request and waits for its answer.
func (c *caller) post(path, body string) error {
	if err := c.conn.SetDeadline(time.Now().Add(answerIn)); err != nil {
		return err
	}
	if _, err := fmt.Fprintf(c.conn, "POST %s HTTP/1.1\r\nHost: %s\r\n%sContent-Type: application/json\r\nContent-Length: %d\r\n\r\n%s", path, c.host, cookie(c.token), len(body), body); err != nil {
		return err
	}
	status, err := c.in.ReadString('\n')
	if err != nil {
		return err
	}
	length := 0
	for {
		line, err := c.in.ReadSlice('\n')
		if err != nil {
			return err
		}
		if len(line) <= 2 {
			break
		}
		if n, ok := number(line, "Content-Length: "); ok {
			length = int(n)
		}
	}
	text, err := c.in.Peek(length)
	if err == nil && !strings.Contains(status, " 200 ") {
		err = fmt.Errorf("%s%s", status, text)
	}
	if err != nil {
		return err
	}
	_, err = c.in.Discard(length)
	return err
}

// write is the page of one test: every second a block of heart rate and one of beat-to-beat intervals, in one
// request, and now and then an event, all over one connection and each waiting for its acknowledgement.
func (l *load) write(i int, until time.Time) error {
	c, err := l.dial(i)
	if err != nil {
		return err
	}
	defer c.conn.Close()
	time.Sleep(time.Duration(rand.Int64N(int64(time.Second)))) // pages do not beat together
	n, seq := uint32(2), uint32(1)
	eventAt := rand.IntN(*eachEvent)
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for second := 0; time.Now().Before(until); second++ {
		due := time.Now()
		if err := l.samples(c, i, seq); err != nil {
			return err
		}
		seq += 2
		if second%*eachEvent == eventAt {
			n++
			if err := l.reading(c, i, n); err != nil {
				return err
			}
		}
		if time.Since(due) > time.Second {
			l.late.Add(1)
		}
		<-tick.C
	}
	return nil
}

// Times in what is sent are microseconds since the beginning: they say to the observer when it was sent.
func (l *load) samples(c *caller, i int, seq uint32) error {
	at := time.Since(l.began).Microseconds()
	body := fmt.Sprintf(`{"blocks":[{"seq":%d,"from_ms":%d,"to_ms":%d,"kind":"hr","values":[[%d,112]]},`+
		`{"seq":%d,"from_ms":%d,"to_ms":%d,"kind":"rr","values":[[%d,535.2],[%d,536.1]]}]}`, seq, at, at, at, seq+1, at-1, at, at-1, at)
	err := c.post("/api/tests/"+l.ids[i]+"/samples", body)
	if err == nil {
		l.blocks[i] += 2
	}
	return err
}

func (l *load) reading(c *caller, i int, n uint32) error {
	sent := time.Since(l.began)
	e := conduct.Event{Term: 1, N: n, At: protocol.Ms(sent.Milliseconds()), Kind: conduct.Note, V: float64(sent.Microseconds())}
	body, err := json.Marshal(map[string]any{"now_ms": sent.Milliseconds(), "events": []conduct.Event{e}})
	if err != nil {
		return err
	}
	if err := c.post("/api/tests/"+l.ids[i]+"/events", string(body)); err != nil {
		return err
	}
	l.sent[i] = n
	if l.measuring.Load() {
		l.acks.add(time.Since(l.began) - sent)
	}
	return nil
}

// compare looks whether everything acknowledged is in the record and was seen by every observer.
func (l *load) compare(place string) error {
	ctx := context.Background()
	store, err := record.OpenAny(ctx, place, record.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	defer store.Close()
	head, faults, err := store.VerifyTrail(ctx, nil)
	if err != nil {
		return err
	}
	if len(faults) > 0 {
		return fmt.Errorf("the audit trail has %d faults, the first: %v", len(faults), faults[0])
	}
	fmt.Printf("the audit trail has %d entries and is whole\n", head.Seq)
	var lost []string
	for i, id := range l.ids {
		events, err := store.Events(ctx, id)
		if err != nil {
			return err
		}
		stored := 0
		for _, kind := range []string{"hr", "rr"} {
			blocks, err := store.Samples(ctx, id, kind, 0, protocol.Ms(1)<<40)
			if err != nil {
				return err
			}
			stored += len(blocks)
		}
		if len(events) != int(l.sent[i]) || stored != int(l.blocks[i]) {
			lost = append(lost, fmt.Sprintf("%s: acknowledged %d events and %d blocks, stored %d and %d", id, l.sent[i], l.blocks[i], len(events), stored))
		}
		for _, h := range l.heard[i**watchers : (i+1)**watchers] {
			if h.gaps > 0 || h.last != l.sent[i] || h.blocks != l.blocks[i] {
				lost = append(lost, fmt.Sprintf("%s: an observer saw events to %d with %d gaps and %d blocks of %d", id, h.last, h.gaps, h.blocks, l.blocks[i]))
			}
		}
	}
	if len(lost) > 0 {
		return errors.New("something was lost:\n" + strings.Join(lost[:min(len(lost), 10)], "\n"))
	}
	if *postgres {
		fmt.Println("nothing lost")
		return nil
	}
	size, err := os.Stat(filepath.Join(place, record.FileName))
	if err == nil {
		fmt.Printf("nothing lost; the record has %.1f MB\n", float64(size.Size())/(1<<20))
	}
	return err
}

func (l *load) report() (missed bool) {
	var events, samples []time.Duration
	for _, h := range l.heard {
		events, samples = append(events, h.events...), append(samples, h.samples...)
	}
	fmt.Printf("%d tests, %d observers each, %d s\n", len(l.ids), *watchers, *seconds)
	e := tell("event to observer, durable before it is shown", events)
	s := tell("sample to observer", samples)
	a := tell("event to its acknowledgement", l.acks.all)
	fmt.Printf("servers: peak memory %.0f MB resident (goal below %d each), %.0f %% of one processor; %d seconds of a page were late\n",
		float64(l.peak)/(1<<20), goalMemory>>20, 100*l.cpu.Seconds()/float64(*seconds), l.late.Load())
	missed = e > goalP99 || s > goalP99 || l.peak > goalMemory*int64(len(l.servers))
	if *postgres {
		missed = a > goalAppend
	}
	if missed {
		fmt.Println("a goal was missed")
	}
	return missed
}

func tell(what string, all []time.Duration) (p99 time.Duration) {
	if len(all) == 0 {
		fmt.Println(what + ": nothing measured")
		return time.Hour
	}
	slices.Sort(all)
	at := func(q float64) time.Duration { return all[min(int(q*float64(len(all))), len(all)-1)] }
	fmt.Printf("%s: median %.1f ms, 99 %% %.1f ms, 99.9 %% %.1f ms, most %.1f ms (%d)\n", what, millis(at(0.5)), millis(at(0.99)), millis(at(0.999)), millis(all[len(all)-1]), len(all))
	return at(0.99)
}

func millis(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }

func (l *load) memory() (all int64) {
	for _, s := range l.servers {
		all += memory(s.Process.Pid)
	}
	return all
}

func (l *load) processor() (all time.Duration) {
	for _, s := range l.servers {
		all += processor(s.Process.Pid)
	}
	return all
}

// memory is what a process holds, in bytes resident.
func memory(pid int) int64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/statm", pid))
	if err != nil {
		return 0
	}
	fields := strings.Fields(string(text))
	if len(fields) < 2 {
		return 0
	}
	pages, _ := strconv.ParseInt(fields[1], 10, 64)
	return pages * int64(os.Getpagesize())
}

// processor is the time a process has spent on processors.
func processor(pid int) time.Duration {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return 0
	}
	_, rest, _ := strings.Cut(string(text), ") ")
	fields := strings.Fields(rest)
	if len(fields) < 13 {
		return 0
	}
	user, _ := strconv.ParseInt(fields[11], 10, 64)
	system, _ := strconv.ParseInt(fields[12], 10, 64)
	return time.Duration(user+system) * (time.Second / 100)
}
