package measure

import (
	"fmt"
	"sync/atomic"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Numbers of io_uring (Linux include/uapi/linux/io_uring.h).
const (
	ringOffset    = 0          // IORING_OFF_SQ_RING
	entriesOffset = 0x10000000 // IORING_OFF_SQES
	oneMapping    = 1          // IORING_FEAT_SINGLE_MMAP, Linux 5.4
	ringRead      = 22         // IORING_OP_READ, Linux 5.6
	ringWrite     = 23         // IORING_OP_WRITE
	ringGetEvents = 1          // IORING_ENTER_GETEVENTS
)

// ringParams is struct io_uring_params.
type ringParams struct {
	submissions, completions, flags, threadCPU, threadIdle, features, wq uint32
	_                                                                    [3]uint32
	submission                                                           struct {
		head, tail, mask, entries, flags, dropped, array, _ uint32
		_                                                   uint64
	}
	completion struct {
		head, tail, mask, entries, overflow, entry, flags, _ uint32
		_                                                    uint64
	}
}

// ringEntry is struct io_uring_sqe.
type ringEntry struct {
	op, flags uint8
	priority  uint16
	fd        int32
	offset    uint64
	address   uint64
	length    uint32
	how       uint32
	lane      uint64
	_         [3]uint64
}

// ringDone is struct io_uring_cqe.
type ringDone struct {
	lane   uint64
	result int32
	flags  uint32
}

// ring is a way through the kernel's io_uring.
type ring struct {
	fd      int
	target  handle
	shared  []byte // head and tail of both rings, and what is done
	mapped  []byte // the entries
	entries []ringEntry
	order   []uint32 // numbers of entries, as they are handed over
	done    []ringDone

	flying    [deepest]ringEntry // by lane: what was handed over last
	cancelled int                // operations that the kernel gave back undone

	taken, handed *uint32 // of entries: by the kernel, by us
	seen, arrived *uint32 // of what is done: by us, by the kernel
}

func openRing(target handle, depth int) (way, error) {
	var p ringParams
	fd, _, errno := unix.Syscall(unix.SYS_IO_URING_SETUP, uintptr(depth), uintptr(unsafe.Pointer(&p)), 0)
	if errno != 0 {
		return nil, fmt.Errorf("set up io_uring: %w", errno)
	}
	r := &ring{fd: int(fd), target: target}
	if err := r.share(p); err != nil {
		_ = r.close() // the first error is told
		return nil, fmt.Errorf("map io_uring: %w", err)
	}
	return r, nil
}

// share maps what the kernel and the program have in common.
func (r *ring) share(p ringParams) (err error) {
	if p.features&oneMapping == 0 {
		return unix.ENOSYS // older than its reads
	}
	const access, how = unix.PROT_READ | unix.PROT_WRITE, unix.MAP_SHARED | unix.MAP_POPULATE
	size := max(int(p.submission.array)+int(p.submissions)*4, int(p.completion.entry)+int(p.completions)*int(unsafe.Sizeof(ringDone{})))
	if r.shared, err = unix.Mmap(r.fd, ringOffset, size, access, how); err != nil {
		return err
	}
	if r.mapped, err = unix.Mmap(r.fd, entriesOffset, int(p.submissions)*int(unsafe.Sizeof(ringEntry{})), access, how); err != nil {
		return err
	}
	at := func(offset uint32) unsafe.Pointer { return unsafe.Pointer(&r.shared[offset]) }
	r.taken, r.handed = (*uint32)(at(p.submission.head)), (*uint32)(at(p.submission.tail))
	r.seen, r.arrived = (*uint32)(at(p.completion.head)), (*uint32)(at(p.completion.tail))
	r.entries = unsafe.Slice((*ringEntry)(unsafe.Pointer(&r.mapped[0])), p.submissions)
	r.order = unsafe.Slice((*uint32)(at(p.submission.array)), p.submissions)
	r.done = unsafe.Slice((*ringDone)(at(p.completion.entry)), p.completions)
	return nil
}

func (r *ring) name() string { return "io_uring" }

func (r *ring) run(c *course, lanes []*lane) error { return runQueue(r, c, lanes) }

func (r *ring) put(c *course, i int, l *lane) error {
	op := uint8(ringRead)
	if c.writes() {
		op = ringWrite
	}
	r.flying[i] = ringEntry{op: op, fd: int32(r.target), offset: uint64(l.offset), address: address(l.block(c)), length: uint32(c.kind.BlockBytes), lane: uint64(i)}
	r.hand(i)
	return nil
}

func (r *ring) hand(i int) {
	tail := *r.handed
	at := tail & uint32(len(r.entries)-1) // both rings have a power of two
	r.entries[at], r.order[at] = r.flying[i], at
	atomic.StoreUint32(r.handed, tail+1)
}

// mostCancelled is how many operations are handed over again, of all that a ring
// carries. Where a signal is pending, and Go's scheduler sends many, the kernel may
// find no worker for an operation and gives it back undone (Linux 6.1,
// io_uring/io-wq.c, create_worker_cont).
const mostCancelled = 10_000

func (r *ring) wait(done func(i, n int, err error)) error {
	for *r.seen == atomic.LoadUint32(r.arrived) || *r.handed != atomic.LoadUint32(r.taken) {
		ready := *r.handed - atomic.LoadUint32(r.taken)
		_, _, errno := waiting(unix.SYS_IO_URING_ENTER, uintptr(r.fd), uintptr(ready), 1, ringGetEvents, 0, 0)
		if errno != 0 && errno != unix.EINTR && errno != unix.EAGAIN && errno != unix.EBUSY {
			return fmt.Errorf("wait for io_uring: %w", errno)
		}
	}
	for *r.seen != atomic.LoadUint32(r.arrived) {
		was := r.done[*r.seen&uint32(len(r.done)-1)]
		atomic.StoreUint32(r.seen, *r.seen+1)
		if was.result == -int32(unix.ECANCELED) && r.cancelled < mostCancelled {
			r.cancelled++
			r.hand(int(was.lane)) // the next wait has the kernel take it
			continue
		}
		n, err := answer(int64(was.result))
		done(int(was.lane), n, err)
	}
	return nil
}

func (r *ring) close() error {
	for _, m := range [][]byte{r.mapped, r.shared} {
		if m != nil {
			_ = unix.Munmap(m) // the end of the program does it too
		}
	}
	return unix.Close(r.fd)
}

// waiting is a call that waits for operations. Go is not told that it waits: it would
// give the processor away each time and want it back, and a tenth fewer random reads
// would be made (measured with Go 1.26). A signal ends the wait, and Go sends one when
// it wants to run something else.
func waiting(call, a, b, c, d, e, f uintptr) (uintptr, uintptr, unix.Errno) {
	return unix.RawSyscall6(call, a, b, c, d, e, f)
}

// address gives where a buffer is; no collector moves it (newLanes).
func address(buffer []byte) uint64 { return uint64(uintptr(unsafe.Pointer(&buffer[0]))) }

// answer reads what the kernel says of an operation: bytes, or an error below 0.
func answer(result int64) (int, error) {
	if result < 0 {
		return 0, unix.Errno(-result)
	}
	return int(result), nil
}
