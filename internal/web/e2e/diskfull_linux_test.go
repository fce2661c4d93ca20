package e2e

import (
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"
)

// The disk of the server is full: its process may write nothing more. The page says so, the test goes on in it and can be
// saved; with room again everything arrives.
func TestServerDiskFull(t *testing.T) {
	s := serve(t, "serve", "--data", filepath.Join(t.TempDir(), "data"))
	b := browser(t, 768, 1024)
	test := ownPerson(b, s)
	b.click(due)
	b.until(patience, "stage 1 is acknowledged", `gradus.view.phase === "riding" && gradus.undelivered() === 0`)
	s.room(0)
	for _, hr := range []int{84, 86} {
		b.rideTo(40, "a reading is due", readingDue)
		b.typeReading(hr)
	}
	b.until(patience, "the page says it", `document.querySelector(".trouble")?.innerText.includes("disk of the server is full")`)
	b.look("disk-full")
	if n := b.state().Pending; n < 2 {
		t.Errorf("%d events are held", n)
	}
	if file := eval[string](b, `gradus.file()`); !contains(file, `"v":86`) {
		t.Error("the file that can be saved lacks a reading")
	}
	s.room(-1)
	b.until(patience, "everything arrives", `gradus.undelivered() === 0 && !document.querySelector(".trouble")`)
	events := stored(t, b, test)
	complete(t, events)
	if n := b.state().Events; len(events) != n {
		t.Errorf("%d events on disk, %d in the page", len(events), n)
	}
	b.quiet()
}

// room limits how large a file the program may write, as a disk without room does; -1 ends it.
func (s *server) room(bytes int64) {
	s.t.Helper()
	limit := unix.Rlimit{}
	if err := unix.Prlimit(s.cmd.Process.Pid, unix.RLIMIT_FSIZE, nil, &limit); err != nil {
		s.t.Fatal(err)
	}
	limit.Cur = limit.Max
	if bytes >= 0 {
		limit.Cur = uint64(bytes)
	}
	if err := unix.Prlimit(s.cmd.Process.Pid, unix.RLIMIT_FSIZE, &limit, nil); err != nil {
		s.t.Fatal(err)
	}
}
