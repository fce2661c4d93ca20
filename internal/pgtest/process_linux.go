package pgtest

import (
	"errors"
	"os"
	"strconv"
	"strings"
	"syscall"
)

// attributes give the server its user, and end it when the tests are killed.
func attributes(cred *syscall.Credential) *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Credential: cred, Pdeathsig: syscall.SIGQUIT}
}

// killAll kills a server and the processes it started, which are in groups of their own. The server is stopped first,
// so that it starts no more of them.
func killAll(server int) error {
	if err := syscall.Kill(server, syscall.SIGSTOP); err != nil {
		return err
	}
	var errs []error
	for _, pid := range childrenOf(server) {
		if err := syscall.Kill(pid, syscall.SIGKILL); err != nil && !errors.Is(err, syscall.ESRCH) {
			errs = append(errs, err)
		}
	}
	return errors.Join(append(errs, syscall.Kill(server, syscall.SIGKILL))...)
}

func childrenOf(parent int) (pids []int) {
	entries, err := os.ReadDir("/proc")
	if err != nil {
		return nil
	}
	for _, e := range entries {
		pid, err := strconv.Atoi(e.Name())
		if err != nil {
			continue
		}
		stat, err := os.ReadFile("/proc/" + e.Name() + "/stat")
		if err != nil {
			continue
		}
		// The name in parentheses may hold spaces; state and parent follow it.
		_, rest, _ := strings.Cut(string(stat), ") ")
		if fields := strings.Fields(rest); len(fields) > 1 && fields[1] == strconv.Itoa(parent) {
			pids = append(pids, pid)
		}
	}
	return pids
}

// roomIn is how many bytes fit into a directory's file system; 0 when there is none.
func roomIn(dir string) int64 {
	var fs syscall.Statfs_t
	if syscall.Statfs(dir, &fs) != nil {
		return 0
	}
	return int64(fs.Bavail) * fs.Bsize
}
