package main

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// itself is this test's own program as gradus, not yet started.
func itself(t *testing.T, args ...string) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(self)
	cmd.Args = append([]string{"gradus"}, args...)
	return cmd
}

// program starts this test's own program as gradus and returns the address that it prints first.
func program(t *testing.T, args ...string) (*exec.Cmd, string, *bytes.Buffer) {
	t.Helper()
	cmd := itself(t, args...)
	var said bytes.Buffer
	cmd.Stderr = &said
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill() })
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatalf("no first line: %v %s", err, said.String())
	}
	return cmd, strings.TrimSpace(line), &said
}

func fetch(t *testing.T, address string) string {
	t.Helper()
	resp, err := http.Get(address)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("%s: %d %v", address, resp.StatusCode, err)
	}
	return string(text)
}

// ended waits for the program and returns its exit code.
func ended(t *testing.T, cmd *exec.Cmd) int {
	t.Helper()
	done := make(chan error, 1)
	go func() { done <- cmd.Wait() }()
	select {
	case <-done:
		return cmd.ProcessState.ExitCode()
	case <-time.After(time.Minute):
		t.Fatal("the program did not end")
		return 0
	}
}

// The pages are served until the program is told to stop, whatever stream is open; the record stays.
func TestServe(t *testing.T) {
	dir := t.TempDir()
	for _, signal := range []os.Signal{os.Interrupt, syscall.SIGTERM} {
		cmd, address, said := program(t, "serve", "--listen", "127.0.0.1:0", "--no-browser", "--plain", "--data", dir)
		if !strings.HasPrefix(address, "http://127.0.0.1:") || !strings.HasSuffix(address, "/") {
			t.Errorf("first line %q", address)
		}
		if text := fetch(t, address); !strings.Contains(text, "do not use it with patients") {
			t.Errorf("the first page: %s", text)
		}
		other := exec.Command(cmd.Path)
		other.Args = []string{"gradus", "serve", "--no-browser", "--data", t.TempDir(), "--listen", strings.TrimSuffix(strings.TrimPrefix(address, "http://"), "/")}
		if text, err := other.CombinedOutput(); err == nil || other.ProcessState.ExitCode() != exitRefused || !strings.Contains(string(text), "is in use") {
			t.Errorf("the same port twice: %v %s", err, text)
		}
		if err := cmd.Process.Signal(signal); err != nil {
			t.Fatal(err)
		}
		if code := ended(t, cmd); code != exitDone {
			t.Errorf("%v: exit code %d: %s", signal, code, said.String())
		}
	}
	if _, err := os.Stat(filepath.Join(dir, "gradus.db")); err != nil {
		t.Error(err)
	}
}

// While the server still waits for somebody slow, a second signal ends it at once.
func TestSecondSignal(t *testing.T) {
	cmd, address, said := program(t, "serve", "--listen", "127.0.0.1:0", "--no-browser", "--plain", "--data", t.TempDir())
	host := strings.Trim(strings.TrimPrefix(address, "http://"), "/")
	fetch(t, address)
	slow, err := net.Dial("tcp", host)
	if err != nil {
		t.Fatal(err)
	}
	defer slow.Close()
	fmt.Fprintf(slow, "POST /people HTTP/1.1\r\nHost: %s\r\nContent-Type: application/x-www-form-urlencoded\r\nExpect: 100-continue\r\nContent-Length: 100\r\n\r\n", host)
	if line, err := bufio.NewReader(slow).ReadString('\n'); err != nil || !strings.Contains(line, "100") { // its body is waited for
		t.Fatal(line, err)
	}
	began := time.Now()
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	for { // until nobody is let in any more
		c, err := net.Dial("tcp", host)
		if err != nil {
			break
		}
		c.Close()
		time.Sleep(20 * time.Millisecond)
	}
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatalf("the server did not wait for the slow one: %v", err)
	}
	if code := ended(t, cmd); code == exitDone || time.Since(began) > 8*time.Second {
		t.Errorf("after the second signal: exit code %d, %v: %s", code, time.Since(began), said.String())
	}
}

// The demonstration has invented people, and leaves nothing behind.
func TestDemo(t *testing.T) {
	scratch := t.TempDir()
	t.Setenv("TMPDIR", scratch)
	cmd, address, said := program(t, "demo", "--listen", "127.0.0.1:0", "--no-browser", "--speed", "60")
	for path, want := range map[string]string{"": "all people and all data are invented", "people/1/new": `value="71.5"`, "people": "(invented)",
		"people/4/over-time": "fitness has risen beyond the error of the test", "people/5/over-time": "waits for a countersign", "people/4/log": "of the plan runs", "tests/demo-4-2/plan": "three times a week (invented)",
		"tests/demo-5-5": `action="/tests/demo-5-5/countersign"`} {
		if text := fetch(t, address+path); !strings.Contains(text, want) {
			t.Errorf("/%s does not say %q", path, want)
		}
	}
	if left, _ := filepath.Glob(filepath.Join(scratch, "gradus-demo-*")); len(left) != 1 {
		t.Errorf("the record is in %v", left)
	}
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if code := ended(t, cmd); code != exitDone {
		t.Errorf("exit code %d: %s", code, said.String())
	}
	if left, _ := filepath.Glob(filepath.Join(scratch, "gradus-demo-*")); len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
}

func TestServeRefuses(t *testing.T) {
	notADir := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(notADir, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	damaged := t.TempDir()
	if err := os.WriteFile(filepath.Join(damaged, "gradus.db"), bytes.Repeat([]byte("no record "), 1000), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"serve", "--no-browser", "--listen", "127.0.0.1:0", "--data", damaged}, exitRefused, "gradus.db"},
		{[]string{"serve", "--listen", "0.0.0.0:7475"}, exitRefused, "plain HTTP is refused"},
		{[]string{"serve", "--listen", "7475"}, exitRefused, "write it as 127.0.0.1:7475"},
		{[]string{"serve", "--no-browser", "--listen", "127.0.0.1:0", "--data", notADir}, exitRefused, "--data"},
		{[]string{"demo", "--speed", "7"}, exitUsage, "--speed"},
		{[]string{"serve", "more"}, exitUsage, "unexpected"},
	} {
		var out, errw bytes.Buffer
		if code := run(c.args, strings.NewReader(""), &out, &errw); code != c.code || !strings.Contains(errw.String(), c.want) {
			t.Errorf("%v: exit code %d: %s", c.args, code, errw.String())
		}
	}
}
