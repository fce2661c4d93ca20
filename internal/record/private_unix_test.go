//go:build unix

package record_test

import (
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"

	"gradus/internal/record"
	"gradus/internal/record/recordtest"
)

// The record is for this user alone, the log beside it too.
func TestPrivate(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	s := open(t, dir)
	if _, err := s.NewTest(ctx, recordtest.NewTest("t")); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]os.FileMode{"": 0o700, record.FileName: 0o600, record.FileName + "-wal": 0o600} {
		info, err := os.Stat(filepath.Join(dir, name))
		if err != nil || info.Mode().Perm() != want {
			t.Errorf("%q: %v, %v, want %v", name, info.Mode(), err, want)
		}
	}
}

// A directory that this user may not write. Root may write anywhere, so the child gives that up.
func TestReadOnlyDirectory(t *testing.T) {
	base, err := os.MkdirTemp("", "gradus-record")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(base)
	empty, used := filepath.Join(base, "empty"), filepath.Join(base, "used")
	if err := os.Mkdir(empty, 0o755); err != nil {
		t.Fatal(err)
	}
	file := filled(t, used)
	for path, mode := range map[string]os.FileMode{base: 0o755, empty: 0o555, used: 0o555, file: 0o444} {
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
	}
	defer os.Chmod(used, 0o755)
	for dir, want := range map[string][]string{
		empty:                       {"the record cannot be written", "there is no record"},
		used:                        {"the record cannot be written", ""},
		filepath.Join(empty, "new"): {"the record cannot be written", "there is no record"},
	} {
		lines := strings.Split(asNobody(t, dir), "\n")
		for i, says := range want {
			if !strings.Contains(lines[i], says) || says != "" && !strings.Contains(lines[i], dir) {
				t.Errorf("%s: %q, want %q", dir, lines[i], says)
			}
		}
		t.Log(lines)
	}
}

// asNobody opens a record as a user without rights, for writing, then for reading, and returns both answers.
func asNobody(t *testing.T, dir string) string {
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	c := child(program, "open", dir)
	if os.Getuid() == 0 {
		if runtime.GOOS == "linux" {
			c.Path = "/proc/self/exe" // the binary may lie where only root looks
		}
		c.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
		c.Dir = "/"
	}
	out, _ := c.Output() // it ends with 3
	return string(out) + "\n\n"
}

// The device that is always full, where the system has one.
func TestProbeOfAFullDisk(t *testing.T) {
	f, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if os.IsNotExist(err) && runtime.GOOS != "linux" {
		return
	}
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if kind := record.KindOf(record.Fill(f)); kind != record.ErrDiskFull {
		t.Errorf("a full disk is called %v", kind)
	}
}
