package rows

import (
	"os"
	"syscall"
)

// beginFlush asks the kernel to start writing a stretch of the file, without waiting. It is only for speed:
// what counts is the sync at the end, so an error here is not looked at.
func beginFlush(file *os.File, from, n int64) {
	const startWriting = 2 // SYNC_FILE_RANGE_WRITE
	_ = syscall.SyncFileRange(int(file.Fd()), from, n, startWriting)
}
