package measure

import (
	"errors"
	"fmt"
	"unsafe"

	"golang.org/x/sys/windows"

	"lendkeep/reconcile/facts"
)

// port is a way through a completion port. Threads that wait each for their own
// operation would wait for each other: of a file that is opened to be waited for,
// Windows does one at a time.
type port struct {
	port, target handle
	calls        [deepest]windows.Overlapped
}

// openWay opens the only way there is.
func openWay(t *target, _ []*lane) (way, []facts.Gap, error) {
	h, err := windows.CreateIoCompletionPort(t.handle, 0, 0, 1)
	if err != nil {
		return nil, nil, fmt.Errorf("make a completion port: %w", err)
	}
	return &port{port: h, target: t.handle}, nil, nil
}

func (p *port) name() string { return "completion port" }

func (p *port) run(c *course, lanes []*lane) error { return runQueue(p, c, lanes) }

func (p *port) put(c *course, i int, l *lane) error {
	o := &p.calls[i]
	*o = windows.Overlapped{Offset: uint32(l.offset), OffsetHigh: uint32(l.offset >> 32)}
	move := windows.ReadFile
	if c.writes() {
		move = windows.WriteFile
	}
	if err := move(p.target, l.block(c), nil, o); err != nil && !errors.Is(err, windows.ERROR_IO_PENDING) {
		return err
	}
	return nil // what is done at once comes through the port all the same
}

func (p *port) wait(done func(i, n int, err error)) error {
	var n uint32
	var key uintptr
	var o *windows.Overlapped
	err := windows.GetQueuedCompletionStatus(p.port, &n, &key, &o, windows.INFINITE)
	if o == nil {
		return fmt.Errorf("wait at the completion port: %w", err)
	}
	at := uintptr(unsafe.Pointer(o)) - uintptr(unsafe.Pointer(&p.calls[0]))
	done(int(at/unsafe.Sizeof(*o)), int(n), err)
	return nil
}

func (p *port) close() error { return windows.CloseHandle(p.port) }
