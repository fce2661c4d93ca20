package rows

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
)

// Output is a file that appears whole or not at all: it is written beside its place, brought to disk, and
// put into its place at the end.
type Output struct {
	file    *os.File
	name    string
	direct  bool // not a regular file (a device, a pipe): written as it is
	written int64
	flushed int64
}

// Create begins an output for the place name. Nothing is seen there before [Output.Commit].
func Create(name string) (*Output, error) {
	if info, err := os.Stat(name); err == nil && !info.Mode().IsRegular() {
		if info.IsDir() {
			return nil, fmt.Errorf("%s is a folder; name a file", name)
		}
		file, err := os.OpenFile(name, os.O_WRONLY, 0)
		return &Output{file: file, name: name, direct: true}, err
	}
	for try := range 1000 {
		beside := filepath.Join(filepath.Dir(name), "."+filepath.Base(name)+"."+strconv.Itoa(os.Getpid())+"-"+strconv.Itoa(try)+".part")
		file, err := os.OpenFile(beside, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
		if errors.Is(err, fs.ErrExist) {
			continue
		}
		return &Output{file: file, name: name}, err
	}
	return nil, fmt.Errorf("%s: no free name for the file to write beside it; remove the old .part files", name)
}

// flushEvery is how much may wait in memory before the disk is asked to begin, so that the wait at the end
// is short.
const flushEvery = 4 << 20

// Write appends p.
func (o *Output) Write(p []byte) (int, error) {
	n, err := o.file.Write(p)
	o.written += int64(n)
	if !o.direct && o.written-o.flushed >= flushEvery {
		beginFlush(o.file, o.flushed, o.written-o.flushed)
		o.flushed = o.written
	}
	return n, err
}

// Commit brings the file to disk and puts it into its place. The output cannot be used afterwards.
func (o *Output) Commit() error {
	if o.direct {
		return o.file.Close()
	}
	err := o.file.Sync()
	if closed := o.file.Close(); err == nil {
		err = closed
	}
	if err == nil {
		err = os.Rename(o.file.Name(), o.name)
	}
	if err != nil {
		os.Remove(o.file.Name())
		return err
	}
	return syncFolder(filepath.Dir(o.name))
}

// Abort removes what was written; the place keeps what it held.
func (o *Output) Abort() {
	o.file.Close()
	if !o.direct {
		os.Remove(o.file.Name())
	}
}

// syncFolder makes the new name last through a power cut.
func syncFolder(name string) error {
	folder, err := os.Open(name)
	if err != nil {
		return err
	}
	defer folder.Close()
	if err := folder.Sync(); err != nil && !errors.Is(err, errors.ErrUnsupported) && !errors.Is(err, fs.ErrInvalid) {
		return err
	}
	return nil
}
