package measure

import (
	"runtime"
	"sync"

	"golang.org/x/sys/unix"
)

// threads is the way that every Linux has: as many threads as operations, each of
// which waits for its own.
type threads struct{ target handle }

func openThreads(target handle, _ int) (way, error) { return threads{target}, nil }

func (threads) name() string { return "threads" }

func (t threads) run(c *course, lanes []*lane) error {
	// Go lets as many threads run as there are processors, and takes a while to see that
	// one waits: half of the operations were never under way (measured with Go 1.26).
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(c.kind.Depth + 1))
	var all sync.WaitGroup
	for _, l := range lanes[:c.kind.Depth] {
		all.Go(func() {
			runtime.LockOSThread()
			defer runtime.UnlockOSThread()
			for c.next(l) {
				n, err := t.transfer(c, l)
				c.done(l, n, err)
			}
		})
	}
	all.Wait()
	return nil
}

func (t threads) transfer(c *course, l *lane) (n int, err error) {
	move := unix.Pread
	if c.writes() {
		move = unix.Pwrite
	}
	for {
		if n, err = move(t.target, l.block(c), l.offset); err != unix.EINTR {
			return n, err
		}
	}
}

func (threads) close() error { return nil }
