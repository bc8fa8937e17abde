package measure

import (
	"errors"
	"runtime"
)

// way is how operations reach the system.
type way interface {
	name() string // one of speed.Ways
	// run takes what the course gives, one operation for each lane at a time, until it
	// gives no more, and waits for all that are under way: the system writes into their
	// buffers. What fails of an operation is told to the course; an error is what fails
	// of the way itself.
	run(c *course, lanes []*lane) error
	close() error
}

// errStopped is the end that somebody wanted.
var errStopped = errors.New("it was stopped")

// deepest is how many operations are under way at most.
const deepest = 32

// queue is what the ways have in common that hand operations over to the kernel and
// are told when they are done.
type queue interface {
	// put hands over the operation of a lane, or lays it ready for the next wait.
	put(c *course, i int, l *lane) error
	// wait hands over what lies ready, waits until something is done, and tells all
	// that is: which lane's, and how many bytes.
	wait(done func(i, n int, err error)) error
}

// runQueue runs a course through a queue, from one thread.
func runQueue(q queue, c *course, lanes []*lane) error {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	flying := 0
	begin := func(i int) {
		if !c.next(lanes[i]) {
			return
		}
		if err := q.put(c, i, lanes[i]); err != nil {
			c.done(lanes[i], 0, err)
			return
		}
		flying++
	}
	for i := range c.kind.Depth {
		begin(i)
	}
	done := func(i, n int, err error) {
		flying--
		c.done(lanes[i], n, err)
		begin(i)
	}
	for flying > 0 {
		if err := q.wait(done); err != nil {
			return err
		}
	}
	return nil
}
