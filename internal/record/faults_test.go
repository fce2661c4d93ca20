package record_test

import (
	"bytes"
	"database/sql"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"

	"github.com/ncruces/go-sqlite3/util/vfsutil"
	"github.com/ncruces/go-sqlite3/vfs"

	"gradus/conduct"
	"gradus/internal/record"
	"gradus/internal/record/recordtest"
)

// told checks that an error is of a kind, names the file and says what to do.
func told(t *testing.T, err, kind error, dir, hint string) {
	t.Helper()
	var storage *record.StorageError
	if !errors.Is(err, kind) || !errors.As(err, &storage) {
		t.Fatalf("got error %v, want %v", err, kind)
	}
	for _, part := range []string{filepath.Join(dir, record.FileName), hint} {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("error %q does not say %q", err, part)
		}
	}
}

func three() []conduct.Event {
	return []conduct.Event{recordtest.Event(1, 1), recordtest.Event(1, 2), recordtest.Event(1, 3)}
}

// filled makes a record with one test of three events and returns its file.
func filled(t *testing.T, dir string) string {
	t.Helper()
	s := open(t, dir)
	if _, err := s.NewTest(ctx, recordtest.NewTest("t")); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Append(ctx, "t", three()); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return filepath.Join(dir, record.FileName)
}

// failingDisk gives the system's own error for every write while it is set.
type failingDisk struct {
	vfs.VFS
	err atomic.Value
}

type failingFile struct {
	vfs.File
	disk *failingDisk
}

func (d *failingDisk) OpenFilename(name *vfs.Filename, flags vfs.OpenFlag) (vfs.File, vfs.OpenFlag, error) {
	f, out, err := vfsutil.WrapOpenFilename(d.VFS, name, flags)
	if err != nil {
		return nil, out, err
	}
	return &failingFile{f, d}, out, nil
}

func (f *failingFile) SharedMemory() vfs.SharedMemory { return vfsutil.WrapSharedMemory(f.File) }

func (f *failingFile) WriteAt(b []byte, off int64) (int, error) {
	if errno := f.disk.err.Load().(syscall.Errno); errno != 0 {
		return 0, errno
	}
	return f.File.WriteAt(b, off)
}

func TestDiskFaults(t *testing.T) {
	for name, c := range map[string]struct {
		errno syscall.Errno
		kind  error
		hint  string
	}{
		"broken":    {syscall.EIO, record.ErrDisk, "check the disk"},
		"full":      {syscall.ENOSPC, record.ErrDiskFull, "nothing of this step was stored; free some space"},
		"read-only": {syscall.EROFS, record.ErrReadOnly, "make the directory and the file writable"},
	} {
		t.Run(name, func(t *testing.T) {
			disk := &failingDisk{VFS: vfs.Find("os")}
			disk.err.Store(syscall.Errno(0))
			vfs.Register("failing-"+name, disk)
			defer vfs.Unregister("failing-" + name)
			dir := t.TempDir()
			s, err := record.Open(ctx, dir, record.Options{VFS: "failing-" + name})
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			if _, err := s.NewTest(ctx, recordtest.NewTest("t")); err != nil {
				t.Fatal(err)
			}
			disk.err.Store(c.errno)
			s.Probe(func(string) error { return &fs.PathError{Op: "write", Path: "probe", Err: c.errno} })
			_, err = s.Append(ctx, "t", three())
			told(t, err, c.kind, dir, c.hint)
			if !errors.Is(err, c.errno) {
				t.Errorf("%v hides what lies behind", err)
			}
			_, err = s.AddParticipant(ctx, record.Participant{Code: "A"})
			told(t, err, c.kind, dir, c.hint)
			if events, err := s.Events(ctx, "t"); err != nil || len(events) != 0 {
				t.Errorf("afterwards %d events, %v", len(events), err)
			}

			disk.err.Store(syscall.Errno(0))
			if _, err := s.Append(ctx, "t", three()); err != nil {
				t.Errorf("with space again: %v", err)
			}
			if events, err := s.Events(ctx, "t"); err != nil || !reflect.DeepEqual(events, three()) {
				t.Errorf("with space again: %v, %v", events, err)
			}
			if err := intact(s); err != nil {
				t.Error(err)
			}
		})
	}
}

// A write error that is over when the disk is asked again is still one.
func TestPassingDiskFault(t *testing.T) {
	disk := &failingDisk{VFS: vfs.Find("os")}
	disk.err.Store(syscall.Errno(0))
	vfs.Register("passing", disk)
	defer vfs.Unregister("passing")
	dir := t.TempDir()
	s, err := record.Open(ctx, dir, record.Options{VFS: "passing"})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	disk.err.Store(syscall.ENOSPC)
	_, err = s.AddParticipant(ctx, record.Participant{Code: "A"})
	told(t, err, record.ErrDisk, dir, "check the disk")
	if left, err := filepath.Glob(filepath.Join(dir, "probe-*")); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

// SQLite's own limit of pages says "full" without the system.
func TestFileFull(t *testing.T) {
	dir := t.TempDir()
	filled(t, dir)
	s, err := record.OpenUnsynced(ctx, dir, "", nil, "2", "max_page_count(30)")
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for i := range uint64(100) {
		if err = s.AppendSamples(ctx, "t", []record.Block{{Seq: i, Kind: "x", Payload: make([]byte, 60<<10)}}); err != nil {
			break
		}
	}
	told(t, err, record.ErrDiskFull, dir, "free some space")
}

func TestDamaged(t *testing.T) {
	const hint = "copy the whole directory as it is"
	for name, damage := range map[string]func([]byte) []byte{
		"header":     func(b []byte) []byte { copy(b, "no database at all"); return b },
		"first page": func(b []byte) []byte { clear(b[100:4096]); return b },
		"all pages":  func(b []byte) []byte { return append(b[:4096], bytes.Repeat([]byte{0x5a}, len(b)-4096)...) },
		"cut off":    func(b []byte) []byte { return b[:len(b)/2] },
		"one page":   func(b []byte) []byte { clear(b[len(b)-4096:]); return b },
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			file := filled(t, dir)
			content, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(file, damage(content), 0o600); err != nil {
				t.Fatal(err)
			}
			s, err := record.Open(ctx, dir, record.Options{})
			if err == nil {
				defer s.Close()
				err = s.Check(ctx)
			}
			told(t, err, record.ErrDamaged, dir, hint)
		})
	}
}

// A gap in a term is no fault that SQLite would see.
func TestCheckFindsAGap(t *testing.T) {
	dir := t.TempDir()
	file := filled(t, dir)
	change(t, file, `DELETE FROM events WHERE n = 2`)
	told(t, open(t, dir).Check(ctx), record.ErrDamaged, dir, "test t has 2 events in term 1, the last is 3")
}

func change(t *testing.T, file string, statements ...string) {
	t.Helper()
	db, err := sql.Open("sqlite3", "file:"+filepath.ToSlash(file))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for _, s := range statements {
		if _, err := db.Exec(s); err != nil {
			t.Fatal(err)
		}
	}
}

// What is refused at opening is not touched.
func TestRefusedUntouched(t *testing.T) {
	for name, c := range map[string]struct {
		change []string
		kind   error
		hint   string
	}{
		"newer":    {[]string{`INSERT INTO schema_version (version_id, is_applied) VALUES (77, 1)`, `INSERT INTO schema_sum VALUES (77, 'x')`}, record.ErrNewer, "its schema is 77, this version knows"},
		"edited":   {[]string{`UPDATE schema_sum SET sum = 'x'`}, record.ErrEdited, "start the version that made it"},
		"sum lost": {[]string{`DELETE FROM schema_sum`}, record.ErrEdited, "start the version that made it"},
		"foreign":  {[]string{`DROP TABLE schema_sum`, `PRAGMA journal_mode = delete`}, record.ErrForeign, "choose another directory"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			file := filled(t, dir)
			change(t, file, c.change...)
			before, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			for _, o := range []record.Options{{}, {ReadOnly: true}} {
				told(t, openOnce(dir, o), c.kind, dir, c.hint)
			}
			if after, err := os.ReadFile(file); err != nil || !bytes.Equal(before, after) {
				t.Errorf("the file has changed: %v", err)
			}
		})
	}
}

func TestSettingsAreReadBack(t *testing.T) {
	for _, c := range []struct{ pragma, says string }{
		{"synchronous(normal)", "synchronous is 1, not 2"},
		{"journal_mode(delete)", "journal_mode is delete, not wal"},
		{"foreign_keys(off)", "foreign_keys is 0, not 1"},
	} {
		dir := t.TempDir()
		s, err := record.OpenUnsynced(ctx, dir, "", nil, "2", c.pragma)
		if err == nil {
			s.Close()
		}
		told(t, err, record.ErrSettings, dir, c.says)
	}
}

func TestBusy(t *testing.T) {
	dir := t.TempDir()
	file := filled(t, dir)
	s, err := record.OpenUnsynced(ctx, dir, "", nil, "2", "busy_timeout(20)")
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	other, err := sql.Open("sqlite3", "file:"+filepath.ToSlash(file))
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	tx, err := other.Begin()
	if err != nil {
		t.Fatal(err)
	}
	_, err = s.Append(ctx, "t", []conduct.Event{recordtest.Event(1, 4)})
	told(t, err, record.ErrBusy, dir, "close the other program")
	if err := tx.Rollback(); err != nil {
		t.Fatal(err)
	}
	if _, err = s.Append(ctx, "t", []conduct.Event{recordtest.Event(1, 4)}); err != nil {
		t.Error(err)
	}
}

func TestReadOnlyOption(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "no")
	told(t, openOnce(dir, record.Options{ReadOnly: true}), record.ErrMissing, dir, "name the data directory")
	if _, err := os.Stat(dir); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the directory was made: %v", err)
	}
	filled(t, dir)
	writer := open(t, dir)
	reader, err := record.Open(ctx, dir, record.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	if _, err := writer.Append(ctx, "t", []conduct.Event{recordtest.Event(1, 4)}); err != nil {
		t.Fatal(err)
	}
	if events, err := reader.Events(ctx, "t"); err != nil || len(events) != 4 {
		t.Errorf("beside a writer: %d events, %v", len(events), err)
	}
	_, err = reader.Append(ctx, "t", []conduct.Event{recordtest.Event(1, 5)})
	told(t, err, record.ErrReadOnly, dir, "opened for reading only")
}
