//go:build unix

package record

import "syscall"

// errQuota says that the user's share of the disk is used up.
const errQuota = syscall.EDQUOT
