package measure

import (
	"fmt"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Operations of struct iocb (Linux include/uapi/linux/aio_abi.h).
const (
	aioRead  = 0 // IOCB_CMD_PREAD
	aioWrite = 1 // IOCB_CMD_PWRITE
)

// aioEntry is struct iocb of a little-endian machine.
type aioEntry struct {
	lane     uint64
	key, how uint32
	op       uint16
	priority int16
	fd       uint32
	address  uint64
	length   uint64
	offset   int64
	_        uint64
	flags    uint32
	notify   uint32
}

// aioDone is struct io_event.
type aioDone struct {
	lane   uint64
	entry  uint64
	result int64
	_      int64
}

// aio is a way through the kernel's older asynchronous calls, which libaio wraps.
type aio struct {
	context uintptr
	target  handle
	entries [deepest]aioEntry
	ready   []*aioEntry // to be handed over
	done    [deepest]aioDone
}

func openAIO(target handle, depth int) (way, error) {
	a := &aio{target: target}
	if _, _, errno := unix.Syscall(unix.SYS_IO_SETUP, uintptr(depth), uintptr(unsafe.Pointer(&a.context)), 0); errno != 0 {
		return nil, fmt.Errorf("set up asynchronous calls: %w", errno)
	}
	return a, nil
}

func (a *aio) name() string { return "libaio" }

func (a *aio) run(c *course, lanes []*lane) error { return runQueue(a, c, lanes) }

func (a *aio) put(c *course, i int, l *lane) error {
	op := uint16(aioRead)
	if c.writes() {
		op = aioWrite
	}
	a.entries[i] = aioEntry{lane: uint64(i), op: op, fd: uint32(a.target), address: address(l.block(c)), length: uint64(c.kind.BlockBytes), offset: l.offset}
	a.ready = append(a.ready, &a.entries[i])
	return nil
}

func (a *aio) wait(done func(i, n int, err error)) error {
	for len(a.ready) > 0 {
		n, _, errno := unix.Syscall(unix.SYS_IO_SUBMIT, a.context, uintptr(len(a.ready)), uintptr(unsafe.Pointer(&a.ready[0])))
		switch {
		case errno == unix.EINTR:
		case errno != 0:
			return fmt.Errorf("hand over asynchronous calls: %w", errno)
		default:
			a.ready = a.ready[:copy(a.ready, a.ready[n:])]
		}
	}
	for {
		n, _, errno := waiting(unix.SYS_IO_GETEVENTS, a.context, 1, deepest, uintptr(unsafe.Pointer(&a.done[0])), 0, 0)
		if errno == unix.EINTR {
			continue
		}
		if errno != 0 {
			return fmt.Errorf("wait for asynchronous calls: %w", errno)
		}
		for _, was := range a.done[:n] {
			n, err := answer(was.result)
			done(int(was.lane), n, err)
		}
		return nil
	}
}

func (a *aio) close() error {
	if _, _, errno := unix.Syscall(unix.SYS_IO_DESTROY, a.context, 0, 0); errno != 0 {
		return errno
	}
	return nil
}
