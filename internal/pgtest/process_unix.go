//go:build unix && !linux

package pgtest

import "syscall"

func attributes(cred *syscall.Credential) *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Credential: cred}
}

// killAll kills a server; the processes it started end when they notice.
func killAll(server int) error { return syscall.Kill(server, syscall.SIGKILL) }

func roomIn(string) int64 { return 0 }
