package measure

import (
	"time"

	"golang.org/x/sys/unix"
)

var start = time.Now()

// now gives the time by a clock that nobody sets.
func now() time.Duration { return time.Since(start) }

// sinceBoot gives the time since the machine's start, and how much of it the machine
// slept (clock_gettime(2): the one clock runs on meanwhile, the other stands).
func sinceBoot() (all, slept time.Duration) {
	var boot, awake unix.Timespec
	_ = unix.ClockGettime(unix.CLOCK_MONOTONIC, &awake) // every Linux has both
	_ = unix.ClockGettime(unix.CLOCK_BOOTTIME, &boot)
	return time.Duration(boot.Nano()), time.Duration(boot.Nano() - awake.Nano())
}

// processorTime gives what the program has used so far, and the system for it.
func processorTime() time.Duration {
	var used unix.Rusage
	_ = unix.Getrusage(unix.RUSAGE_SELF, &used) // fails for no other reason than a wrong call
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}
