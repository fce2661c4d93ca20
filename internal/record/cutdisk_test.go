package record_test

import (
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"

	"github.com/ncruces/go-sqlite3"
	"github.com/ncruces/go-sqlite3/util/vfsutil"
	"github.com/ncruces/go-sqlite3/vfs"
)

const (
	blockSize  = 4096 // what a disk writes at once, mostly
	sectorSize = 512  // what it never tears
)

// cutDisk is a file layer above the system's own that knows what a power cut would leave: of everything written
// since the last sync of a file each block may be there, be missing or be torn, and so may the file's new length,
// a file that was never synced, and a removal that was not.
type cutDisk struct {
	vfs.VFS
	mu     sync.Mutex
	random *rand.Rand
	left   int // writes and syncs until the cut
	off    bool
	files  map[string]*platter
	ghosts map[string][]byte // removed, but the directory is not synced
	after  map[string][]byte // what the cut left
	syncs  int
}

// platter is what the disk holds of a file.
type platter struct {
	safe   []byte         // as of the last sync
	linked bool           // the directory knows the file
	dirty  map[int64]bool // blocks written since
	sized  bool           // its length has changed since
}

func newCutDisk(random *rand.Rand, left int) *cutDisk {
	return &cutDisk{VFS: vfs.Find("os"), random: random, left: left, files: map[string]*platter{}, ghosts: map[string][]byte{}}
}

// OpenFilename implements vfs.VFSFilename.
func (d *cutDisk) OpenFilename(name *vfs.Filename, flags vfs.OpenFlag) (vfs.File, vfs.OpenFlag, error) {
	path := name.String()
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.off {
		return nil, flags, sqlite3.IOERR
	}
	before, missing := os.ReadFile(path)
	f, out, err := vfsutil.WrapOpenFilename(d.VFS, name, flags)
	if err != nil || path == "" {
		return f, out, err
	}
	if d.files[path] == nil {
		d.files[path] = &platter{safe: before, linked: missing == nil, dirty: map[int64]bool{}}
		delete(d.ghosts, path)
	}
	return &cutFile{File: f, disk: d, path: path}, out, nil
}

// Delete implements vfs.VFS.
func (d *cutDisk) Delete(name string, syncDir bool) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.tick(); err != nil {
		return err
	}
	if p := d.files[name]; p != nil && p.linked && !syncDir {
		d.ghosts[name] = p.safe
	}
	delete(d.files, name)
	return d.VFS.Delete(name, syncDir)
}

// tick counts an operation; at the last one the power goes.
func (d *cutDisk) tick() error {
	if d.off {
		return sqlite3.IOERR
	}
	if d.left--; d.left >= 0 {
		return nil
	}
	d.cut()
	return sqlite3.IOERR
}

// cut settles what is left.
func (d *cutDisk) cut() {
	d.off, d.after = true, map[string][]byte{}
	for path, content := range d.ghosts {
		if d.random.IntN(2) == 0 {
			d.after[path] = content
		}
	}
	for path, p := range d.files {
		if !p.linked && d.random.IntN(2) == 0 {
			continue
		}
		live, err := os.ReadFile(path)
		if err != nil {
			panic("cut disk: " + err.Error())
		}
		d.after[path] = p.remains(d.random, live)
	}
}

// remains is what the cut leaves of a file.
func (p *platter) remains(random *rand.Rand, live []byte) []byte {
	size := len(p.safe)
	if p.sized && random.IntN(2) == 0 {
		size = len(live)
	}
	left := make([]byte, max(size, len(p.safe)))
	copy(left, p.safe)
	for block := range p.dirty {
		switch random.IntN(3) {
		case 0: // missing
		case 1:
			overlay(left, live, int(block)*blockSize, blockSize)
		case 2:
			for at := int(block) * blockSize; at < int(block+1)*blockSize; at += sectorSize {
				if random.IntN(2) == 0 {
					overlay(left, live, at, sectorSize)
				}
			}
		}
	}
	return left[:size]
}

// overlay copies a stretch of the live file where both have one.
func overlay(to, live []byte, at, n int) {
	if at < len(to) && at < len(live) {
		copy(to[at:min(at+n, len(to))], live[at:min(at+n, len(live))])
	}
}

// restore puts what the cut left into another directory.
func (d *cutDisk) restore(dir string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.off {
		d.cut()
	}
	for path, content := range maps.All(d.after) {
		if err := os.WriteFile(filepath.Join(dir, filepath.Base(path)), content, 0o600); err != nil {
			return err
		}
	}
	return nil
}

// cutFile is an open file on the disk.
type cutFile struct {
	vfs.File
	disk *cutDisk
	path string
}

var _ vfs.FileSharedMemory = (*cutFile)(nil)

// SharedMemory is the index of the write-ahead log; it is made anew after a cut.
func (f *cutFile) SharedMemory() vfs.SharedMemory { return vfsutil.WrapSharedMemory(f.File) }

// DeviceCharacteristics leaves out what this layer does not promise: atomic batches.
func (f *cutFile) DeviceCharacteristics() vfs.DeviceCharacteristic {
	return f.File.DeviceCharacteristics() &^ vfs.IOCAP_BATCH_ATOMIC
}

func (f *cutFile) WriteAt(b []byte, off int64) (int, error) {
	f.disk.mu.Lock()
	defer f.disk.mu.Unlock()
	if f.disk.off {
		return 0, sqlite3.IOERR_WRITE
	}
	p := f.disk.files[f.path]
	n, err := f.File.WriteAt(b, off)
	if p != nil {
		for block := off / blockSize; block <= (off+int64(len(b))-1)/blockSize; block++ {
			p.dirty[block] = true
		}
		p.sized = p.sized || off+int64(len(b)) > int64(len(p.safe))
	}
	if err := f.disk.tick(); err != nil {
		return 0, err
	}
	return n, err
}

func (f *cutFile) Truncate(size int64) error {
	f.disk.mu.Lock()
	defer f.disk.mu.Unlock()
	if f.disk.off {
		return sqlite3.IOERR_TRUNCATE
	}
	err := f.File.Truncate(size)
	if p := f.disk.files[f.path]; p != nil {
		p.sized = true
	}
	if err := f.disk.tick(); err != nil {
		return err
	}
	return err
}

func (f *cutFile) Sync(flags vfs.SyncFlag) error {
	f.disk.mu.Lock()
	defer f.disk.mu.Unlock()
	if err := f.disk.tick(); err != nil {
		return err
	}
	f.disk.syncs++
	p := f.disk.files[f.path]
	if p == nil {
		return nil
	}
	live, err := os.ReadFile(f.path)
	if err != nil {
		return err
	}
	*p = platter{safe: live, linked: true, dirty: map[int64]bool{}}
	return nil
}
