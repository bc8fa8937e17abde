package hook

import (
	"fmt"
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// Moment is a time that nobody sets: which start of the host, and how long after
// it. Of two moments of different starts the older one is over.
type Moment struct {
	// Boot is the kernel's id of the start (Linux
	// Documentation/admin-guide/sysctl/kernel.rst, random/boot_id).
	Boot string `json:"boot"`
	// Since goes on while the host sleeps (clock_gettime(2), CLOCK_BOOTTIME).
	Since time.Duration `json:"since_ns"`
}

// Now reads this machine's moment.
func Now() (Moment, error) {
	id, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return Moment{}, fmt.Errorf("read boot id: %w", err)
	}
	var passed unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &passed); err != nil {
		return Moment{}, fmt.Errorf("read time since the boot: %w", err)
	}
	return Moment{strings.TrimSpace(string(id)), time.Duration(passed.Nano())}, nil
}
