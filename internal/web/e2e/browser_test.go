package e2e

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

var (
	program string // the built program
	top     string // of the module
)

// tooSlow is far above the goal of 2 s for coming back: the goal is looked at in the printed figures, and a busy
// machine is no fault of the page.
const tooSlow = 10 * time.Second

func TestMain(m *testing.M) {
	os.Exit(func() int {
		dir, err := os.MkdirTemp("", "gradus-e2e-")
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		defer func() { _ = os.RemoveAll(dir) }()
		top, _ = filepath.Abs(filepath.Join("..", "..", ".."))
		if program = os.Getenv("GRADUS_PROGRAM"); program == "" {
			program = filepath.Join(dir, "gradus")
			for _, args := range [][]string{{"run", "./internal/web/build"}, {"build", "-trimpath", "-o", program, "./cmd/gradus"}} {
				cmd := exec.Command("go", args...)
				cmd.Dir, cmd.Stderr = top, os.Stderr
				if err := cmd.Run(); err != nil {
					fmt.Fprintf(os.Stderr, "go %s: %v\n", strings.Join(args, " "), err)
					return 1
				}
			}
		}
		return m.Run()
	}())
}

// figure prints a figure that a test measured, and adds it to the file that GRADUS_FIGURES names: go test hides what
// a passing package prints.
func figure(format string, values ...any) {
	line := fmt.Sprintf(format, values...) + "\n"
	fmt.Print(line)
	name := os.Getenv("GRADUS_FIGURES")
	if name == "" {
		return
	}
	f, err := os.OpenFile(name, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o666)
	if err == nil {
		_, err = f.WriteString(line)
		err = errors.Join(err, f.Close())
	}
	if err != nil {
		fmt.Fprintf(os.Stderr, "%s: %v\n", name, err)
	}
}

// server is a program that serves.
type server struct {
	t       *testing.T
	address string
	args    []string
	cmd     *exec.Cmd
}

// gated among the arguments of serve keeps the record encrypted and the gate before it.
const gated = "(gated)"

// serve starts the program and waits for its address. The arguments get a fixed port, so that the program can be
// started again at the same place.
func serve(t *testing.T, args ...string) *server {
	t.Helper()
	if testing.Short() {
		t.Skip("the short run opens no page")
	}
	if args[0] == "serve" && !slices.Contains(args, gated) { // these tests are not about the gate
		args = append(args, "--plain")
	}
	args = slices.DeleteFunc(args, func(a string) bool { return a == gated })
	s := &server{t: t, args: append(args, "--no-browser", "--listen", freePort(t))}
	s.start()
	t.Cleanup(func() { s.kill() })
	return s
}

func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

func (s *server) start() {
	s.t.Helper()
	s.cmd = exec.Command(program, s.args...)
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		s.t.Fatal(err)
	}
	s.cmd.Stderr = os.Stderr
	if err := s.cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		s.t.Fatalf("%s %s did not say where it serves: %v", program, strings.Join(s.args, " "), err)
	}
	s.address = strings.TrimSuffix(strings.TrimSpace(line), "/")
}

// kill ends the program as kill -9 does.
func (s *server) kill() {
	if s.cmd != nil && s.cmd.Process != nil {
		_ = s.cmd.Process.Kill()
		_ = s.cmd.Wait()
		s.cmd = nil
	}
}

// tab is one page in a browser.
type tab struct {
	t   *testing.T
	ctx context.Context

	mu     sync.Mutex
	errors []string // what the page threw
	gives  sync.Map // what emulated sensors answer with, by characteristic
}

func (b *tab) thrown() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.errors)
}

// browser starts Chromium and opens a first page. Extra flags come as "name=value".
func browser(t *testing.T, width, height int64, flags ...string) *tab {
	t.Helper()
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.NoSandbox, chromedp.WindowSize(int(width), int(height)))
	for _, name := range []string{"disable-background-networking", "disable-component-update", "disable-quic", "no-first-run", "disable-sync"} {
		options = append(options, chromedp.Flag(name, true))
	}
	for _, f := range flags {
		name, value, _ := strings.Cut(f, "=")
		options = append(options, chromedp.Flag(name, value))
	}
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	return open(t, ctx, width, height)
}

func open(t *testing.T, ctx context.Context, width, height int64) *tab {
	t.Helper()
	b := &tab{t: t, ctx: ctx}
	// The browser lives as long as the context that it was started with: not the one of a single step.
	if err := chromedp.Do(ctx); err != nil {
		t.Fatal(err)
	}
	b.do(chromedp.EmulateViewport(width, height))
	errs := chromedp.Events(ctx, runtime.ExceptionThrown)
	go func() {
		for e, err := range errs {
			if err != nil {
				return
			}
			b.mu.Lock()
			b.errors = append(b.errors, thrownText(e.ExceptionDetails))
			b.mu.Unlock()
		}
	}()
	return b
}

func thrownText(d *runtime.ExceptionDetails) string {
	text := fmt.Sprintf("%s at %s:%d:%d", d.Text, d.URL, d.LineNumber, d.ColumnNumber)
	if d.Exception != nil {
		text += " " + d.Exception.Description
	}
	return text
}

// another opens a second device: a browser context that shares nothing with the first.
func (b *tab) another(width, height int64) *tab {
	b.t.Helper()
	ctx, cancel := chromedp.NewContext(b.ctx, chromedp.WithNewBrowserContext())
	b.t.Cleanup(cancel)
	return open(b.t, ctx, width, height)
}

// patience is how long a test waits for what takes a moment: it guards against hanging, and a busy machine is no fault.
const patience = 60 * time.Second

func (b *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		b.shot("fault-" + strings.ReplaceAll(b.t.Name(), "/", "-"))
		b.t.Fatalf("%v; the page says %q, %q\n%s", err, b.state().Say, b.state().Failure, strings.Join(b.thrown(), "\n"))
	}
}

// eval runs JavaScript in the page and decodes what it gives.
func eval[T any](b *tab, script string) T {
	b.t.Helper()
	v, err := tryEval[T](b, script)
	if err != nil {
		b.t.Fatalf("%s: %v", script, err)
	}
	return v
}

// tryEval may fail because the page goes on to the next meanwhile.
func tryEval[T any](b *tab, script string) (T, error) {
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	return chromedp.Run(ctx, chromedp.Evaluate[T](script, awaited))
}

func awaited(p *runtime.EvaluateParams) { p.AwaitPromise = new(true) }

func (b *tab) visit(address string) {
	b.t.Helper()
	b.do(chromedp.Navigate(address))
}

func (b *tab) path() string { return eval[string](b, "location.pathname") }

// until waits for a condition in the page. A condition that throws does not hold yet: what it looks at may not be drawn,
// or the page may be on its way to the next.
func (b *tab) until(within time.Duration, what, script string) {
	b.t.Helper()
	end := time.Now().Add(within)
	for {
		missing, err := tryEval[string](b, "(async () => ("+script+"))().then((x) => x ? '' : 'it is false', String)")
		if err != nil {
			missing = err.Error()
		}
		if missing == "" {
			return
		}
		if time.Now().After(end) {
			b.shot("fault-" + strings.ReplaceAll(b.t.Name(), "/", "-"))
			b.t.Fatalf("%s did not happen within %v (%s); the page says %q, %q\n%s", what, within, missing, b.state().Say, b.state().Failure, strings.Join(b.thrown(), "\n"))
		}
		time.Sleep(30 * time.Millisecond)
	}
}

// state is what the page knows.
type state struct {
	Mode, Phase, Do, What, Say, Stage, Failure, Error string
	Now, Left                                         float64
	Work                                              float64
	Pending                                           int
	Away                                              bool
	Events, Next                                      int // events in the page; n of the next one
	Confirm, Button                                   string
}

const stateScript = `(() => { const s = window.gradus, v = s && s.view; return v ? { Mode: s.mode, Phase: v.phase, Do: v.next.do, What: v.next.what || "",
 Say: v.next.say, Stage: v.stage, Failure: s.failure, Error: s.error, Now: s.clock.now(), Left: v.left_ms, Work: v.work, Pending: s.undelivered(), Away: s.away,
 Events: s.file().trim().split("\n").length, Next: v.next_id.n, Confirm: v.next.confirm || "",
 Button: (document.querySelector(".acts button.main") || {}).innerText || "" } : { Failure: s ? s.failure : document.body.innerText.slice(0, 300) } })()`

func (b *tab) state() state { b.t.Helper(); return eval[state](b, stateScript) }

// click presses the first element that the selector finds, as a tap at its middle would.
func (b *tab) click(selector string) {
	b.t.Helper()
	b.tap(fmt.Sprintf(`document.querySelector(%q)`, selector))
}

// tap presses the element that an expression finds. A page moves while it is drawn or its letters arrive, and a busy
// machine makes that long: the tap waits until the element stands still and nothing lies over it, and is made again
// when something else was hit.
func (b *tab) tap(element string) {
	b.t.Helper()
	b.until(patience, "standing still: "+element, fmt.Sprintf(stands, element))
	for range 5 {
		b.do(chromedp.Click(chromedp.JSPath(element), chromedp.NodeVisible))
		if missed, err := tryEval[bool](b, `window.missed === true`); err != nil || !missed { // the page may have gone on to the next
			return
		}
	}
	b.t.Fatalf("%s was missed five times", element)
}

// stands looks twice, two drawings apart, and lets the page tell later whether the tap came.
const stands = `(async () => {
 const e = %s; if (!e || e.disabled) return false
 e.scrollIntoView({ block: "center", behavior: "instant" })
 const middle = () => { const r = e.getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2, r.width] }
 const first = middle(), drawn = () => new Promise((go) => { requestAnimationFrame(go); setTimeout(go, 100) })
 await drawn(); await drawn()
 const now = middle(), over = document.elementFromPoint(now[0], now[1])
 if (!e.isConnected || now[2] === 0 || Math.abs(now[0] - first[0]) > 1 || Math.abs(now[1] - first[1]) > 1) return false
 if (!over || !(e.contains(over) || over.closest("label")?.control === e)) return false
 window.missed = true
 for (const kind of ["pointerdown", "click"]) e.addEventListener(kind, () => { window.missed = false }, { capture: true, once: true })
 return true
})()`

// prepare goes from the first page to the running page of a new test with the n-th invented person.
func (b *tab) prepare(s *server, n int) (test string) {
	b.t.Helper()
	b.visit(s.address + "/")
	b.click(fmt.Sprintf("ul.people li:nth-child(%d) a", n))
	b.click(`button[value="begin"]`)
	b.until(patience, "the running page", `location.pathname.endsWith("/run") && window.gradus && window.gradus.mode === "pen"`)
	return strings.Split(b.path(), "/")[2]
}

// screenWell answers the page "safe to test?" for somebody with nothing against a test.
func (b *tab) screenWell() {
	b.t.Helper()
	for _, answer := range []string{"consent=yes", "told=all", "regular_exercise=no", "intended_intensity=vigorous", "known_disease=none", "symptoms=none",
		"contraindications=none", "irregular_beats_per_min=0", "drugs=none", "rhythm_devices=none"} {
		b.tick(answer)
	}
	for name, v := range map[string]string{"rest_sbp_mmhg": "124", "rest_dbp_mmhg": "76", "rest_hr_bpm": "68", "by": "KL"} {
		b.do(chromedp.SetValue(chromedp.CSS(`form.screening [name="`+name+`"]`), v))
	}
	b.click(`button[value="judge"]`)
	b.until(patience, "the outcome", `document.querySelector("section.outcome") !== null`)
}

// tick taps an answer, written as name=value.
func (b *tab) tick(answer string) {
	b.t.Helper()
	name, value, _ := strings.Cut(answer, "=")
	b.click(`[name="` + name + `"][value="` + value + `"]`)
}

func (b *tab) shot(name string) {
	b.t.Helper()
	dir := os.Getenv("GRADUS_SHOTS")
	if dir == "" {
		return
	}
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	picture, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
	if err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), picture, 0o666); err != nil {
		b.t.Fatal(err)
	}
}

// quiet fails the test when a page threw an error.
func (b *tab) quiet() {
	b.t.Helper()
	for _, e := range b.thrown() {
		b.t.Error("in the page: " + e)
	}
}
