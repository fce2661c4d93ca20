//go:build !linux

package web

// bootClock is not known here; the wall clock has to do.
func bootClock() (Boot, bool) { return Boot{}, false }
