package doctor

import "golang.org/x/sys/unix"

func freeBytes(dir string) (uint64, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return 0, err
	}
	return st.Bavail * uint64(st.Bsize), nil
}

// synchronised reports whether the system keeps its clock by a time server.
func synchronised() Finding {
	const what = "time server"
	var t unix.Timex
	if _, err := unix.Adjtimex(&t); err != nil {
		return Finding{what, Attention, "not known: " + err.Error(), "see that a time service runs"}
	}
	if t.Status&unix.STA_UNSYNC != 0 {
		return Finding{what, Attention, "the system does not say that a time server keeps its clock", "turn the time service on (systemd-timesyncd or chrony); in a container the host keeps it"}
	}
	return ok(what, "keeps the clock")
}
