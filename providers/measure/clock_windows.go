package measure

import (
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/windows"
)

var (
	kernel32                = windows.NewLazySystemDLL("kernel32.dll")
	queryPerformanceCounter = kernel32.NewProc("QueryPerformanceCounter")
	queryPerformanceRate    = kernel32.NewProc("QueryPerformanceFrequency")
	queryAwake              = kernel32.NewProc("QueryUnbiasedInterruptTime")
	counterStart, rate      = counter(queryPerformanceCounter), counter(queryPerformanceRate)
)

// counter calls what writes one number and cannot fail (QueryPerformanceCounter,
// remarks: on Windows XP and later).
func counter(call *windows.LazyProc) int64 {
	var n int64
	_, _, _ = syscall.SyscallN(call.Addr(), uintptr(unsafe.Pointer(&n)))
	return n
}

// now gives the time by a clock that nobody sets. Go's own steps with the system's
// interrupts, by up to 15.6 ms.
func now() time.Duration {
	n := counter(queryPerformanceCounter) - counterStart
	return time.Duration(n/rate)*time.Second + time.Duration(n%rate)*time.Second/time.Duration(rate)
}

// sinceBoot gives the time since the machine's start, and how much of it the machine
// slept (QueryUnbiasedInterruptTime leaves that out, in units of 100 ns).
func sinceBoot() (all, slept time.Duration) {
	all = windows.DurationSinceBoot()
	return all, all - time.Duration(counter(queryAwake))*100
}

// processorTime gives what the program has used so far, and the system for it.
func processorTime() time.Duration {
	var made, ended, kernel, user windows.Filetime
	_ = windows.GetProcessTimes(windows.CurrentProcess(), &made, &ended, &kernel, &user) // of itself it is told
	return hundreds(kernel) + hundreds(user)
}

// hundreds reads a time in units of 100 ns.
func hundreds(f windows.Filetime) time.Duration {
	return time.Duration(int64(f.HighDateTime)<<32|int64(f.LowDateTime)) * 100
}
