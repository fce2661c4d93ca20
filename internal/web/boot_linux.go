package web

import (
	"os"
	"strconv"
	"strings"
)

// bootClock reads the clock since the machine started. It goes on through sleep and knows nothing of the wall.
func bootClock() (Boot, bool) {
	id, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return Boot{}, false
	}
	up, err := os.ReadFile("/proc/uptime")
	if err != nil {
		return Boot{}, false
	}
	first, _, _ := strings.Cut(string(up), " ")
	seconds, err := strconv.ParseFloat(first, 64)
	if err != nil {
		return Boot{}, false
	}
	return Boot{ID: strings.TrimSpace(string(id)), Ms: int64(seconds * 1000)}, true
}
