package samebits

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"
)

// build is one way to build and run the cases.
type build struct {
	name  string
	env   []string // for the compiler
	flags []string // for the compiler
	run   []string // for the running program
	wasm  bool
}

// webAssembly is built without inlining, as the page has it.
var webAssembly = build{name: "WebAssembly", env: []string{"GOOS=js", "GOARCH=wasm"}, flags: []string{"-gcflags=all=-l"}, wasm: true}

// The first build is the one that the others are compared with.
var builds = map[string][]build{
	"amd64": {
		{name: "plain amd64", env: []string{"GOARCH=amd64", "GOAMD64=v1"}},
		{name: "amd64 v3 (fuses)", env: []string{"GOARCH=amd64", "GOAMD64=v3"}},
		{name: "amd64 without FMA", env: []string{"GOARCH=amd64", "GOAMD64=v1"}, run: []string{"GODEBUG=cpu.fma=off"}},
		webAssembly,
	},
	// Compilers for arm64 fuse as amd64 v3 does.
	"arm64": {
		{name: "arm64 (fuses)", env: []string{"GOARCH=arm64"}},
		webAssembly,
	},
}

// differing says which builds' answers to a control must differ.
var differing = map[string][]struct{ control, a, b string }{
	"amd64": {
		{"control.sum-of-product", "plain amd64", "amd64 v3 (fuses)"},
		{"control.library-exp", "plain amd64", "amd64 without FMA"},
		{"control.library-exp", "plain amd64", "WebAssembly"},
	},
	"arm64": {{"control.sum-of-product", "arm64 (fuses)", "WebAssembly"}},
}

func TestEveryBuildGivesTheSameBits(t *testing.T) {
	wanted := builds[runtime.GOARCH]
	if len(wanted) == 0 {
		t.Fatalf("no builds are listed for %s; add them here", runtime.GOARCH)
	}
	share := "1"
	if testing.Short() {
		share = "0.01"
	}
	answers := make(map[string]map[string]string)
	for _, b := range wanted {
		start := time.Now()
		answers[b.name] = parse(t, b.name, b.answer(t, share))
		t.Logf("%-18s %d cases in %.1f s, compiling included", b.name, len(Cases), time.Since(start).Seconds())
	}
	compare(t, wanted, answers)
	for _, d := range differing[runtime.GOARCH] {
		if a, b := answers[d.a][d.control], answers[d.b][d.control]; a == b {
			t.Errorf("%s is the same in %q and %q: this machine cannot show a difference, so the comparison proves nothing",
				d.control, d.a, d.b)
		}
	}
}

func compare(t *testing.T, wanted []build, answers map[string]map[string]string) {
	t.Helper()
	first := wanted[0].name
	for _, b := range wanted[1:] {
		for _, c := range Cases {
			if got, want := answers[b.name][c.Name], answers[first][c.Name]; got != want {
				t.Errorf("%s: %s gives %s, %s gives %s", c.Name, b.name, got, first, want)
			}
		}
	}
}

// parse reads the printed lines; every case and every control must be there and must have hashed something.
func parse(t *testing.T, name string, out []byte) map[string]string {
	t.Helper()
	answers := make(map[string]string)
	for line := range strings.Lines(string(out)) {
		var id, hash string
		var count int
		if _, err := fmt.Sscan(line, &id, &count, &hash); err != nil || count == 0 {
			t.Fatalf("%s: line %q: no values were computed (%v)", name, line, err)
		}
		answers[id] = fmt.Sprint(count, " ", hash)
	}
	if want := len(Cases) + len(Controls); len(answers) != want {
		t.Fatalf("%s: %d answers, want %d (is a name used twice?)", name, len(answers), want)
	}
	return answers
}

// answer builds the program this way, runs it and returns what it prints.
func (b build) answer(t *testing.T, share string) []byte {
	t.Helper()
	program := filepath.Join(t.TempDir(), "print")
	compile := exec.Command("go", slices.Concat([]string{"build", "-trimpath"}, b.flags, []string{"-o", program, "./print"})...)
	compile.Env = append(os.Environ(), append([]string{"CGO_ENABLED=0", "GODEBUG="}, b.env...)...)
	if out, err := compile.CombinedOutput(); err != nil {
		t.Fatalf("%s: %v\n%s", b.name, err, out)
	}
	run := exec.Command(program, share)
	if b.wasm {
		run = exec.Command(wasmRunner(t), program, share)
	}
	// The WebAssembly runner fails when arguments and environment together pass 12 kB: give it little.
	run.Env = append([]string{"PATH=" + os.Getenv("PATH"), "HOME=" + os.Getenv("HOME")}, b.run...)
	var out, talk bytes.Buffer
	run.Stdout, run.Stderr = &out, &talk
	if err := run.Run(); err != nil {
		t.Fatalf("%s: %v (a processor too old for this build?)\n%s", b.name, err, talk.Bytes())
	}
	return out.Bytes()
}

func wasmRunner(t *testing.T) string {
	t.Helper()
	if _, err := exec.LookPath("node"); err != nil {
		t.Fatal("node is needed to run WebAssembly; install it: apt-get install nodejs")
	}
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		t.Fatal(err)
	}
	return filepath.Join(strings.TrimSpace(string(root)), "lib", "wasm", "go_js_wasm_exec")
}

// One number, or one bit of it, must change the hash.
func TestSumSeesEveryBit(t *testing.T) {
	cases := []Case{
		{"a", func(s *Sum, _ float64) { s.Float(1); s.Float(2) }},
		{"b", func(s *Sum, _ float64) { s.Float(1); s.Float(2.0000000000000004) }},
		{"c", func(s *Sum, _ float64) { s.Float(2); s.Float(1) }},
		{"d", func(s *Sum, _ float64) { s.Text("ab"); s.Text("c") }},
		{"e", func(s *Sum, _ float64) { s.Text("a"); s.Text("bc") }},
		{"f", func(s *Sum, _ float64) { s.Int(1); s.Int(2) }},
	}
	var out bytes.Buffer
	if err := Print(&out, cases, 1); err != nil {
		t.Fatal(err)
	}
	seen := make(map[string]string)
	for line := range strings.Lines(out.String()) {
		fields := strings.Fields(line)
		if twin := seen[fields[2]]; twin != "" {
			t.Errorf("cases %s and %s have the same hash", twin, fields[0])
		}
		seen[fields[2]] = fields[0]
	}
	if len(seen) != len(cases) {
		t.Errorf("%d lines, want %d", len(seen), len(cases))
	}
}
