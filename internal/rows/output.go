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
	file   *os.File
	name   string
	direct bool // not a regular file (a device, a pipe): written as it is
	waits  int  // bytes written since the disk was last asked
	ask    chan struct{}
	synced chan error // the first error of the early syncs
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
		var cause *fs.PathError
		if errors.As(err, &cause) { // the reader knows the place, not the name beside it
			return nil, fmt.Errorf("%s cannot be written: %w; check that the folder is there", name, cause.Err)
		}
		if err != nil {
			return nil, err
		}
		return newOutput(file, name), nil
	}
	return nil, fmt.Errorf("%s: no free name for the file to write beside it; remove the old .part files", name)
}

// syncEvery is how much is written before the disk is asked to keep up, in bytes. A sync takes time for each
// byte since the last one; done early, beside the computing, only the last piece is left to wait for.
const syncEvery = 4 << 20

func newOutput(file *os.File, name string) *Output {
	o := &Output{file: file, name: name, ask: make(chan struct{}, 1), synced: make(chan error, 1)}
	go func() {
		var first error
		for range o.ask {
			if err := file.Sync(); first == nil {
				first = err
			}
		}
		o.synced <- first
	}()
	return o
}

// Write appends p.
func (o *Output) Write(p []byte) (int, error) {
	n, err := o.file.Write(p)
	if o.waits += n; !o.direct && o.waits >= syncEvery {
		select {
		case o.ask <- struct{}{}:
			o.waits = 0
		default: // still busy with the last piece
		}
	}
	return n, err
}

// Commit brings the file to disk and puts it into its place. The output cannot be used afterwards.
func (o *Output) Commit() error {
	if o.direct {
		return o.file.Close()
	}
	close(o.ask)
	err := <-o.synced
	if last := o.file.Sync(); err == nil {
		err = last
	}
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
	if o.direct {
		o.file.Close()
		return
	}
	close(o.ask)
	<-o.synced
	o.file.Close()
	os.Remove(o.file.Name())
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
