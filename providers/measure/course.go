package measure

import (
	"fmt"
	"math/rand/v2"
	"sync/atomic"
	"time"

	"lendkeep/reconcile/speed"
)

// lane has one operation under way at a time; as many lanes as a series is deep
// keep it that deep.
type lane struct {
	buffer []byte // Block bytes, begins with a page
	random *rand.Rand
	from   int           // where in the buffer the block of the operation under way begins
	offset int64         // of the operation under way, bytes
	began  time.Duration // likewise, by now()
	latencies
	zeros int64 // operations that read nothing but zeros, as far as was looked
}

// course is one run of a series while it is under way: a way asks it for each next
// operation and tells it of each that is done.
type course struct {
	kind    speed.Kind
	blocks  int64         // of the target
	first   int64         // block with which a sequential run begins
	lasts   time.Duration // until nothing more is begun; 0: no bound
	until   time.Duration // when that is, by now()
	most    int64         // operations; 0: no bound
	stopped *atomic.Bool  // somebody wants it to end

	begun, flying, deepest atomic.Int64
	failed                 atomic.Pointer[error] // the first operation's that did
}

// over tells whether the run begins no more. Its first operations it makes however
// late the machine lets it: without any there is nothing to tell.
func (c *course) over() bool {
	late := c.lasts > 0 && c.begun.Load() >= int64(c.kind.Depth) && now() >= c.until
	return late || c.stopped.Load() || c.failed.Load() != nil
}

// next gives a lane its next operation; false when the run begins no more.
func (c *course) next(l *lane) bool {
	if c.over() {
		return false
	}
	n := c.begun.Add(1) - 1
	if c.most > 0 && n >= c.most {
		return false
	}
	block := (c.first + n) % c.blocks
	if c.kind.Access == speed.Random {
		block = l.random.Int64N(c.blocks)
	}
	l.offset, l.from = block*c.kind.BlockBytes, 0
	if c.writes() { // what is written anywhere near is something else
		l.from = l.random.IntN(len(l.buffer)/int(c.kind.BlockBytes)) * int(c.kind.BlockBytes)
		mark(l.block(c), l.random)
	}
	for deep := c.flying.Add(1); ; {
		deepest := c.deepest.Load()
		if deep <= deepest || c.deepest.CompareAndSwap(deepest, deep) {
			break
		}
	}
	l.began = now()
	return true
}

func (c *course) writes() bool { return c.kind.Deed == speed.Write }

func (l *lane) block(c *course) []byte { return l.buffer[l.from:][:c.kind.BlockBytes] }

// done takes note that a lane's operation is over, with so many bytes.
func (c *course) done(l *lane, n int, err error) {
	took := now() - l.began
	c.flying.Add(-1)
	if err == nil && n != int(c.kind.BlockBytes) {
		err = fmt.Errorf("only %d of them", n)
	}
	if err != nil {
		err = fmt.Errorf("%s %d bytes at offset %d: %w", c.kind.Deed, c.kind.BlockBytes, l.offset, err)
		c.failed.CompareAndSwap(nil, &err)
		return
	}
	l.add(took)
	if !c.writes() && blank(l.block(c)) {
		l.zeros++
	}
}

// blank looks at one word in each 512 bytes of a block: all of it would take longer
// than reading it.
func blank(block []byte) bool {
	for at := 0; at < len(block); at += markEvery {
		if word := block[at : at+8]; word[0]|word[1]|word[2]|word[3]|word[4]|word[5]|word[6]|word[7] != 0 {
			return false
		}
	}
	return true
}

// lap is what came of a course.
type lap struct {
	speed.Run
	zeros int64 // operations
	depth int64 // the most operations that were under way at once
}

// through has a way go through the course.
func (c *course) through(w way, lanes []*lane, start time.Duration) (lap, error) {
	for _, l := range lanes[:c.kind.Depth] {
		l.latencies, l.zeros = latencies{}, 0
		if c.writes() {
			fill(l.buffer, l.random)
		}
	}
	used, began := processorTime(), now()
	c.until = began + c.lasts
	err := c.error(w.run(c, lanes))
	made := lap{Run: speed.Run{At: began - start, Took: now() - began, CPU: processorTime() - used}, depth: c.deepest.Load()}
	var all latencies
	for _, l := range lanes[:c.kind.Depth] {
		all.merge(&l.latencies)
		made.zeros += l.zeros
	}
	made.Operations, made.Bytes = all.all, all.all*c.kind.BlockBytes
	made.P50, made.P99, made.P999 = max(all.within(500), 1), max(all.within(990), 1), max(all.within(999), 1)
	switch {
	case err != nil:
		return lap{}, err
	case made.Operations == 0 || made.Took <= 0:
		return lap{}, fmt.Errorf("%s: nothing was done in %v", c.kind, made.Took)
	}
	return made, nil
}

// error gives what went wrong: with the way, an operation, or that somebody wanted
// it to end.
func (c *course) error(way error) error {
	failed := c.failed.Load()
	switch {
	case way != nil:
		return way
	case failed != nil:
		return *failed
	case c.stopped.Load():
		return errStopped
	default:
		return nil
	}
}
