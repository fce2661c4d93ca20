//go:build !unix

package record

import "syscall"

// errQuota is a number that no error has: there are no such shares here.
const errQuota = syscall.Errno(1<<31 - 1)
