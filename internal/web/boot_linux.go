package web

import (
	"os"
	"strings"
	"sync"

	"golang.org/x/sys/unix"
)

// bootID names the start of the machine; it does not change while a program runs.
var bootID = sync.OnceValue(func() string {
	id, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(id))
})

// bootClock reads the clock since the machine started. It goes on through sleep and knows nothing of the wall.
func bootClock() (Boot, bool) {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &t); err != nil || bootID() == "" {
		return Boot{}, false
	}
	return Boot{ID: bootID(), Ms: t.Nano() / 1e6}, true
}
